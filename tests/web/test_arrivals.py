"""Photos that are sent: kept byte for byte, or refused in words with nothing left behind."""

from __future__ import annotations

import os
import struct
import zlib
from pathlib import Path

import pytest

from survey.errors import InputError
from survey.visit import open_visit
from survey.web import sandbox
from survey.web.arrivals import Arrival, safe_name, split_name
from survey.web.sandbox import decode_in_child
from tests.web.visits import jpeg, write_photo

SMALL = (400, 300)


def png_header(width: int, height: int) -> bytes:
    """A PNG that says it is huge and holds next to nothing."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        crc = zlib.crc32(kind + data)
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", crc)

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    rows = zlib.compress(b"\0" * 1000)
    signature = b"\x89PNG\r\n\x1a\n"
    return signature + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


HOSTILE = {
    "empty": b"",
    "text": b"hello, I am a photo" * 100,
    "zip": b"PK\x03\x04" + b"\0" * 3000,
    "script": b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
    "gif": b"GIF89a" + b"\0" * 500,
    "cut": jpeg(SMALL)[:5000],
    "no end": jpeg(SMALL)[:-2],
    "bomb": png_header(60_000, 60_000),
    "hollow": png_header(4000, 3000),
    "head only": b"\xff\xd8\xff" + b"\0" * 100,
    "flipped": jpeg(SMALL)[:200] + bytes(255 - b for b in jpeg(SMALL)[200:400]) + jpeg(SMALL)[400:],
    "heic": b"\0\0\0\x18ftypheic\0\0\0\0heicmif1" + b"\0" * 400,
}


@pytest.fixture
def kept(folder):
    """Send one photo as the server does."""

    def send(data: bytes, name: str, most: int = 10_000_000):
        arrival = Arrival(folder, name, most)
        try:
            for start in range(0, len(data), 65_536):
                arrival.take(data[start : start + 65_536])
            return arrival.keep(open_visit(folder))
        finally:
            arrival.drop()

    return send


def leftovers(folder: Path) -> list[str]:
    return os.listdir(folder / ".survey" / "incoming")


def test_a_photo_is_kept_byte_for_byte_and_only_once(kept, folder):
    data = jpeg(SMALL, seed=50)
    first = kept(data, "IMG 0001.jpg")
    assert (first.name, first.width, first.height, first.was_there) == (
        "IMG 0001.jpg",
        400,
        300,
        False,
    )
    assert (folder / "photos" / "IMG 0001.jpg").read_bytes() == data
    again = kept(data, "another name.jpg")
    assert again.was_there and again.name == "IMG 0001.jpg"
    assert leftovers(folder) == []


def test_a_name_that_is_taken_is_not_overwritten(kept, folder):
    before = (folder / "photos" / "front.jpg").read_bytes()
    assert kept(jpeg(SMALL, seed=51), "front.jpg").name == "front-2.jpg"
    assert kept(jpeg(SMALL, seed=52), "front.jpg").name == "front-3.jpg"
    assert (folder / "photos" / "front.jpg").read_bytes() == before


@pytest.mark.parametrize("name", HOSTILE)
def test_what_is_no_sound_photo_is_refused_in_words_and_leaves_nothing(kept, folder, name):
    before = sorted(os.listdir(folder / "photos"))
    with pytest.raises(InputError) as caught:
        kept(HOSTILE[name], f"{name}.jpg")
    assert len(str(caught.value)) > 20 and "Traceback" not in str(caught.value)
    assert sorted(os.listdir(folder / "photos")) == before
    assert leftovers(folder) == []


@pytest.mark.parametrize(("size", "good"), [(-1, True), (0, True), (1, False)])
def test_the_limit_of_size_holds_at_under_and_over_it(kept, folder, size, good):
    data = jpeg(SMALL, seed=53)
    most = len(data) - size
    if good:
        assert kept(data, "a.jpg", most).name == "a.jpg"
    else:
        with pytest.raises(InputError, match=r"over .* MB"):
            kept(data, "a.jpg", most)
        assert leftovers(folder) == []


@pytest.mark.parametrize(
    ("sent", "stored"),
    [
        ("../../etc/passwd.jpg", "passwd.jpg"),
        ("C:\\Users\\me\\a.jpg", "a.jpg"),
        ("/absolute.jpg", "absolute.jpg"),
        ("..hidden.jpg", "hidden.jpg"),
        (".jpg", "jpg"),
        ("con.jpg", "photo-con.jpg"),
        ("LPT1", "photo-LPT1"),
        ("a<b>:c?.jpg", "abc.jpg"),
        ("a\n\tb\x00.jpg", "ab.jpg"),
        ("  spaced   out .jpg ", "spaced out .jpg"),
        ("über 屋根.jpg", "über 屋根.jpg"),
        ("x" * 500, "x" * 200),
    ],
)
def test_names_lose_what_could_lead_elsewhere(sent, stored):
    assert safe_name(sent) == stored


@pytest.mark.parametrize("sent", ["", "..", "../", "///", "\x00", ". . ."])
def test_a_name_of_nothing_is_refused(sent):
    with pytest.raises(InputError, match="no name"):
        safe_name(sent)


@pytest.mark.parametrize(
    ("name", "kind", "parts"),
    [
        ("a.JPG", "JPEG", ("a", ".JPG")),
        ("a.jpeg", "JPEG", ("a", ".jpeg")),
        ("a.png", "JPEG", ("a", ".jpg")),
        ("a.txt", "PNG", ("a", ".png")),
        ("a", "HEIC", ("a", ".heic")),
        ("2024.05.01 roof", "JPEG", ("2024.05.01 roof", ".jpg")),
        ("jpg", "JPEG", ("jpg", ".jpg")),
    ],
)
def test_the_ending_follows_the_content(name, kind, parts):
    assert split_name(name, kind) == parts


def test_a_long_name_still_fits_where_marks_name_photos(kept):
    assert len(kept(jpeg(SMALL, seed=54), "x" * 190 + ".jpg").name) == 60


def test_a_photo_that_takes_too_long_is_ended(tmp_path, monkeypatch):
    path = write_photo(tmp_path / "a.jpg")
    monkeypatch.setattr(sandbox, "LOOKS", 0.001)
    with pytest.raises(InputError, match=r"took over 0\.01 s"):
        decode_in_child(path, "a.jpg", deadline=0.01)


def test_a_photo_that_takes_too_much_memory_is_ended(tmp_path):
    path = write_photo(tmp_path / "a.jpg")
    with pytest.raises(InputError, match=r"GB|limits"):
        decode_in_child(path, "a.jpg", memory=5_000_000)


def test_a_child_that_dies_is_told_of(tmp_path, monkeypatch):
    path = write_photo(tmp_path / "a.jpg")
    monkeypatch.setattr(sandbox.sys, "executable", "/bin/false")
    with pytest.raises(InputError, match="failed within the limits"):
        decode_in_child(path, "a.jpg")


def test_photos_that_are_a_link_are_not_written_through(folder, tmp_path):
    """A visit with such a link is not opened; nor is one followed that appears later."""
    visit = open_visit(folder)
    (tmp_path / "elsewhere").mkdir()
    for path in (folder / "photos").iterdir():
        path.unlink()
    (folder / "photos").rmdir()
    (folder / "photos").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(InputError, match="link"):
        open_visit(folder)
    arrival = Arrival(folder, "a.jpg")
    arrival.take(jpeg(SMALL, seed=55))
    with pytest.raises(OSError, match="link"):
        arrival.keep(visit)
    arrival.drop()
    assert list((tmp_path / "elsewhere").iterdir()) == []


# --- by http ------------------------------------------------------------------------------------


def test_a_sent_photo_is_in_the_visit_at_once(asker, folder):
    data = jpeg(SMALL, seed=56)
    answer = asker.send_photo(data, "neu%20%C3%BC.jpg")
    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert told["name"] == "neu ü.jpg" and told["was_there"] is False
    photos = asker.get("/api/visit").json()["photos"]
    assert [p["name"] for p in photos] == ["front.jpg", "neu ü.jpg", "photo 1.jpg"]
    assert asker.get("/tiles/neu%20%C3%BC.jpg/0/0_0.jpg").status_code == 200
    asker.version = told["version"]
    assert asker.act("undo").status_code == 422  # adding a photo can't be undone


def test_a_photo_over_the_limit_is_refused_before_it_is_read(asker, desk, folder):
    desk.largest_photo = 10_000
    answer = asker.send_photo(jpeg(), "big.jpg")
    assert answer.status_code == 413 and "MB" in answer.json()["error"]

    def parts():
        for _ in range(20):
            yield b"\xff\xd8\xff" + b"x" * 1000

    answer = asker.http.post(
        "/api/photos",
        content=parts(),  # no length is told
        headers={
            **asker.headers,
            "content-type": "application/octet-stream",
            "x-file-name": "a.jpg",
        },
    )
    assert answer.status_code == 422 and "MB" in answer.json()["error"]
    assert leftovers(folder) == []


def test_a_photo_without_a_name_or_of_another_kind_is_refused(asker):
    answer = asker.send_photo(jpeg(SMALL, seed=57), "")
    assert answer.status_code == 422 and "no name" in answer.json()["error"]
    answer = asker.send_photo(b"%PDF-1.4", "plan.pdf")
    assert answer.status_code == 422 and "PDF" in answer.json()["error"]
