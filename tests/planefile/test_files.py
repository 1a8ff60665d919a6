"""Writing and reading plane files: whole, the same every time, strict about everything."""

from __future__ import annotations

import copy
import json
import random
import time
from dataclasses import replace

import pytest

from survey.errors import InputError, StorageError
from survey.planefile import (
    PlaneFile,
    files,
    find_plane_file,
    is_untouched,
    read_plane_file,
    write_plane_file,
)
from survey.planefile.files import file_stem
from survey.planefile.schema import MOST_PROBLEMS, find_problems
from survey.planefile.text import content_hash, format_document
from survey.visit.json_text import DEEPEST
from tests.planefile.made import a_plane_file
from tests.rules.made import a_visit


@pytest.fixture(scope="module")
def document():
    return json.loads(json.dumps(a_plane_file().document))


def write_text(folder, text):
    path = folder / "x.planes.json"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return path


def problems_of(folder, text):
    with pytest.raises(InputError) as caught:
        read_plane_file(write_text(folder, text))
    return caught.value.problems


def test_what_is_written_is_read_back_equal(tmp_path):
    plane_file = a_plane_file()
    path = write_plane_file(plane_file, tmp_path)
    assert path.name == "porch.planes.json"
    assert read_plane_file(path) == plane_file


def test_writing_twice_gives_the_same_bytes(tmp_path):
    first = write_plane_file(a_plane_file(), tmp_path).read_bytes()
    second = write_plane_file(a_plane_file(), tmp_path).read_bytes()
    assert first == second
    again = write_plane_file(read_plane_file(tmp_path / "porch.planes.json"), tmp_path)
    assert again.read_bytes() == first


def test_nothing_but_the_plane_file_is_left_in_the_folder(tmp_path):
    write_plane_file(a_plane_file(), tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["porch.planes.json"]


def test_folder_that_is_not_there_is_a_sentence(tmp_path):
    with pytest.raises(StorageError):
        write_plane_file(a_plane_file(), tmp_path / "missing")


def test_document_that_breaks_its_schema_is_never_written(tmp_path, document):
    broken = copy.deepcopy(document)
    broken["planes"][0]["area"]["half_width"] = -1.0
    with pytest.raises(AssertionError, match="half_width"):
        write_plane_file(PlaneFile(broken), tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("porch", "porch"),
        ("Back porch, No. 5", "Back-porch-No.-5"),
        ("../../etc/passwd", "etc-passwd"),
        ("a/b\\c:d", "a-b-c-d"),
        ("veranda été", "veranda-été"),
        ("con", "visit-con"),
        ("NUL", "visit-NUL"),
        ("...", "visit"),
        ("x" * 200, "x" * 80),
    ],
)
def test_file_is_named_for_the_visit_without_leading_elsewhere(name, stem):
    assert file_stem(name) == stem


def test_hostile_name_stays_in_the_folder(tmp_path):
    visit = a_visit(name="../outside")
    path = write_plane_file(a_plane_file(visit=visit), tmp_path)
    assert path.parent == tmp_path


def test_text_is_ascii_json_with_short_lists_on_one_line(document):
    text = format_document(document)
    assert json.loads(text) == document
    assert text.endswith("}\n")
    assert '"outline": ["A", "B", "C", "D"]' in text


def test_hash_is_over_everything_but_itself(document):
    assert is_untouched(document)
    changed = copy.deepcopy(document)
    changed["planes"][0]["area"]["value"] += 0.000001
    assert not is_untouched(changed)
    assert content_hash(document | {"content_sha256": "x"}) == document["content_sha256"]


# --- reading --------------------------------------------------------------------------------


def test_missing_file_and_folder_are_sentences(tmp_path):
    for path in (tmp_path / "nothing.planes.json", tmp_path):
        with pytest.raises(StorageError) as caught:
            read_plane_file(path)
        assert caught.value.cure


def test_newer_version_is_refused_by_its_number(tmp_path, document):
    (problem,) = problems_of(tmp_path, json.dumps(document | {"version": 2, "shape": "new"}))
    assert "version 2" in problem.what
    assert problem.cure == "update this program"


@pytest.mark.parametrize("version", [0, -1, "1", 1.5, True, None, [1]])
def test_no_version_but_ours_is_taken(tmp_path, document, version):
    (problem,) = problems_of(tmp_path, json.dumps(document | {"version": version}))
    assert problem.where == "x.planes.json version"


@pytest.mark.parametrize(
    "text", ["{}", "[]", "null", "7", '"measured plane file"', '{"format": "other"}']
)
def test_other_json_is_no_plane_file(tmp_path, text):
    (problem,) = problems_of(tmp_path, text)
    assert "not a plane file" in problem.what


@pytest.mark.parametrize("text", ["", "{", '{"format": ', "\x00", b"\xff\xfe{}", "\ufeff{}", "{]"])
def test_broken_text_is_a_sentence(tmp_path, text):
    (problem,) = problems_of(tmp_path, text)
    assert problem.where.startswith("x.planes.json")


@pytest.mark.parametrize(
    "number", ["NaN", "Infinity", "-Infinity", "1e999", "1" * 5000, "1." + "0" * 50]
)
def test_numbers_that_json_lacks_are_refused(tmp_path, document, number):
    text = json.dumps(document).replace('"temperature": 295.0', f'"temperature": {number}')
    assert number in text
    (problem,) = problems_of(tmp_path, text)
    assert "number" in problem.what


def test_all_repeated_keys_are_named(tmp_path, document):
    text = json.dumps(document).replace('"plies": 2', '"plies": 2, "plies": 3')
    text = text.replace('"weather": "clear"', '"weather": "clear", "weather": "wet"')
    assert {problem.what for problem in problems_of(tmp_path, text)} == {
        'key "plies" stands twice',
        'key "weather" stands twice',
    }


def test_deep_nesting_is_refused_before_it_is_parsed(tmp_path):
    (problem,) = problems_of(tmp_path, "[" * 100_000 + "]" * 100_000)
    assert str(DEEPEST) in problem.what
    text = '{"format": "' + "[" * 1000 + '"}'  # brackets in a text are no nesting
    assert "not a plane file" in problems_of(tmp_path, text)[0].what


def test_file_at_the_size_limit_is_read_and_one_byte_over_is_not(tmp_path, document, monkeypatch):
    assert files.LARGEST_FILE == 64 * 2**20
    monkeypatch.setattr(files, "LARGEST_FILE", 2**20)
    text = json.dumps(document)
    room = 2**20 - len(text.encode("utf-8"))
    assert read_plane_file(write_text(tmp_path, text + " " * room))
    (problem,) = problems_of(tmp_path, text + " " * (room + 1))
    assert "1 MB" in problem.what


def test_endless_text_is_refused_in_one_pass(tmp_path):
    """Quotes that never close must not be tried again from each of them."""
    for text in ('"' + '\\"' * 500_000, '{"' + "a" * 1_000_000, '"' + "\\" * 500_001):
        started = time.perf_counter()
        problems_of(tmp_path, text)
        assert time.perf_counter() - started < 5.0


@pytest.mark.parametrize("seed", range(4))
def test_mutants_of_a_plane_file_are_read_or_refused_with_a_sentence(tmp_path, document, seed):
    rng = random.Random(seed)
    data = json.dumps(document).encode("utf-8")
    for _ in range(40):
        mutant = bytearray(data)
        for _ in range(rng.randint(1, 4)):
            start = rng.randrange(len(mutant))
            cut = rng.choice((0, 1, 1, 5, 200))
            patch = rng.choice((b"", b"0", b'"', b"}", b"[", b"null", b"\xff", b"1e9", b"-", b","))
            mutant[start : start + cut] = patch
        try:
            read_plane_file(write_text(tmp_path, bytes(mutant)))
        except InputError as error:
            assert all(problem.what for problem in error.problems)


def test_all_problems_of_a_file_come_at_once(tmp_path, document):
    broken = copy.deepcopy(document)
    broken["planes"][0]["area"]["value"] = "large"
    broken["edges"][1]["kind"] = "gutter"
    del broken["photos"][0]["sha256"]
    broken["extra"] = 1
    found = {problem.where: problem.what for problem in problems_of(tmp_path, json.dumps(broken))}
    assert found == {
        "x.planes.json": '"extra" is not known',
        "x.planes.json edges[1].kind": found["x.planes.json edges[1].kind"],
        "x.planes.json photos[0]": '"sha256" is missing',
        "x.planes.json planes[0].area.value": '"large" is not a number',
    }
    assert '"gutter" is none of "eave", "rake"' in found["x.planes.json edges[1].kind"]


def test_no_more_problems_are_named_than_can_be_read(tmp_path, document):
    broken = copy.deepcopy(document)
    broken["findings"] = [{"code": 1}] * 500
    assert len(problems_of(tmp_path, json.dumps(broken))) == MOST_PROBLEMS


def test_names_that_repeat_or_point_at_nothing_are_problems(tmp_path, document):
    broken = copy.deepcopy(document)
    broken["points"].append(broken["points"][0])
    broken["planes"][0]["edges"].append("nowhere")
    broken["planes"][0]["coverings"]["families"][0]["rule"] = "no-such-rule"
    broken["findings"][0]["rule"] = "nor-this"
    found = " / ".join(str(problem) for problem in problems_of(tmp_path, json.dumps(broken)))
    for word in ('"A" occurs more than once', '"nowhere"', '"no-such-rule"', '"nor-this"'):
        assert word in found


def leaves(value, path=()):
    """Yield the path of every value that holds no other."""
    parts = value.items() if isinstance(value, dict) else None
    parts = enumerate(value) if isinstance(value, list) and value else parts
    if parts is None or not value:
        yield path
        return
    for key, part in parts:
        yield from leaves(part, (*path, key))


def shapes(document):
    """Return one path of each shape, list places left out; figures of one unit are one shape."""
    seen = {}
    for path in leaves(document):
        place = document
        for end, step in enumerate(path, start=1):
            shape = tuple(name for name in path[:end] if isinstance(name, str))
            if isinstance(place, dict) and "half_width" in place:
                shape = ("figure", place["unit"], step)
            seen.setdefault((shape, isinstance(step, int)), path[:end])
            place = place[step]
    return list(seen.values())


def pruned(document):
    """Return the document with one entry of each list of tables, to be quick."""
    if isinstance(document, dict):
        return {key: pruned(part) for key, part in document.items()}
    if isinstance(document, list) and document and isinstance(document[0], dict):
        return [pruned(part) for part in document[:1]]
    return document


def focused(document, path):
    """Return the document without the lists that a path does not lead into, to be quick."""
    small = {
        key: part if key == path[0] or not isinstance(part, list) else []
        for key, part in document.items()
    }
    if path[0] == "planes":
        parts = {key: None for key in ("coverings", "drainage") if key not in path}
        small["planes"] = [plane | parts for plane in document["planes"]]
    return small


def put(document, path, value):
    copied = copy.deepcopy(document)
    place = copied
    for step in path[:-1]:
        place = place[step]
    if value is KeyError:
        del place[path[-1]]
    else:
        place[path[-1]] = value
    return copied


def test_every_field_broken_in_turn_is_named_with_its_place(document):
    """Each key removed, and each value replaced by one of a kind it can never be."""
    document = pruned(document)
    paths = shapes(document)
    assert len(paths) > 250
    for path in paths:
        where = "".join(f"[{s}]" if isinstance(s, int) else f".{s}" for s in path).lstrip(".")
        small = focused(document, path)
        found = find_problems(put(small, path, {"no": "such thing"}), "x")
        assert any(where in problem.where for problem in found), where
        assert all(problem.what for problem in found)
        if isinstance(path[-1], str):
            found = find_problems(put(small, path, KeyError), "x")
            missing = "value" if path[-1] == "not_observed" else path[-1]  # else a figure
            assert any(f'"{missing}"' in problem.what for problem in found), where


def test_every_table_refuses_a_key_it_does_not_know(document):
    document = pruned(document)
    for path in shapes(document):
        place = document
        for step in path:
            place = place[step]
        if isinstance(place, dict):
            broken = put(focused(document, path), (*path, "surprise"), 1)
            assert any('"surprise"' in problem.what for problem in find_problems(broken, "x")), path


def test_half_width_under_zero_and_wrong_unit_are_refused(document):
    for key, value in (("half_width", -0.1), ("unit", "ft"), ("unit", "m2"), ("coverage", 0.9)):
        broken = put(document, ("planes", 0, "pitch", key), value)
        found = find_problems(broken, "x")
        assert {problem.where for problem in found} == {f"x planes[0].pitch.{key}"}


@pytest.mark.parametrize(
    "file", ["/etc/passwd", "../x.jpg", "photos/../../x", "a\\b", "photos/\x1b[0m.jpg", ""]
)
def test_photo_paths_that_lead_out_of_the_visit_are_refused(document, file):
    assert find_problems(put(document, ("photos", 0, "file"), file), "x")


def test_control_signs_in_names_are_refused(document):
    for sign in ("\x1b[31m", "\n", "\x00", "\x9b", "\u2028"):
        assert find_problems(put(document, ("planes", 0, "name"), f"porch{sign}"), "x")


def test_replace_keeps_a_plane_file_frozen():
    plane_file = a_plane_file()
    with pytest.raises(AttributeError):
        plane_file.document = {}
    assert replace(plane_file) == plane_file


def test_a_visit_folder_names_its_only_plane_file(tmp_path):
    with pytest.raises(StorageError, match="no plane file"):
        find_plane_file(tmp_path)
    path = write_plane_file(a_plane_file(), tmp_path)
    assert find_plane_file(tmp_path) == find_plane_file(path) == path
    (tmp_path / "other.planes.json").write_text("{}")
    with pytest.raises(StorageError, match=r"2 plane files.*name one: .*other.planes.json"):
        find_plane_file(tmp_path)
