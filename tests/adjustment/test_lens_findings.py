"""What is said of lenses: once for each lens, in whole numbers, with the right advice."""

from __future__ import annotations

from survey.adjustment.gross import _lens_off, _together
from survey.adjustment.network_photos import observe_lenses
from survey.findings import Finding, Severity
from survey.photo.model import CameraPrior


def unknown(key: str | None = None) -> CameraPrior:
    return CameraPrior(
        size_px=(4032, 3024),
        focal=3029.0,
        focal_sd=0.3 * 3029.0,
        centre=(2015.5, 1511.5),
        centre_sd=80.0,
        source="none",
        key=key,
    )


def test_photos_of_unknown_lenses_share_one_finding():
    _, findings = observe_lenses({f"{name}.jpg": unknown() for name in "abc"})
    (finding,) = findings
    assert finding.where == "a.jpg, b.jpg, c.jpg"
    assert "known to 30 % only (nothing in the file tells it)" in finding.what


def test_parts_of_one_lens_are_told_together():
    lens = [
        Finding("lens-contradicted", Severity.CHECK, "lens of a.jpg", text, "look")
        for text in ("focal", "centre")
    ]
    other = Finding("gross-error", Severity.CHECK, "tape", "read wrong", "read again")
    merged = _together([lens[0], other, lens[1]])
    assert [f.what for f in merged] == ["focal; centre", "read wrong"]


def test_a_zoom_is_told_as_a_ratio_and_a_bend_as_a_bend():
    told, cure = _lens_off("photo a.jpg", 0, -1500.0, 3000.0)
    assert "is 1.50 times what" in told
    assert "zoomed" in cure
    told, _ = _lens_off("photo a.jpg", 2, 151.6, 3000.0)
    assert "152 px up or down" in told
    told, cure = _lens_off("the camera", 3, 0.094, 3000.0)
    assert "(k1 -0.094)" in told
    assert "main one (1 x)" in cure
