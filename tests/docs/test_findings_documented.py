"""docs/findings.md has one heading for each finding code of the program, and no other."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCES = sorted((ROOT / "survey").rglob("*.py"))
PAGE = (ROOT / "docs" / "findings.md").read_text(encoding="utf-8")
HEADINGS = re.findall(r"^### (.+)$", PAGE, re.MULTILINE)
PARTS = ("**Means:**", "**Why:**", "**Do:**")


def called(node: ast.Call) -> str:
    return getattr(node.func, "id", getattr(node.func, "attr", ""))


def argument(node: ast.Call, name: str, place: int) -> ast.expr | None:
    """Return an argument given by name or place."""
    given = next((word.value for word in node.keywords if word.arg == name), None)
    return given or (node.args[place] if len(node.args) > place else None)


def constants(value: ast.expr | None) -> list[str] | None:
    """Return the texts a code may be, or None if it is no plain text or choice of texts."""
    if isinstance(value, ast.Constant) and isinstance(value.value, str):
        return [value.value]
    if isinstance(value, ast.IfExp):
        first, second = constants(value.body), constants(value.orelse)
        return None if first is None or second is None else [*first, *second]
    return None


def records_with_code(trees: list[ast.Module]) -> dict[str, int]:
    """Return the classes of some modules that hold a `code` for a finding, with its place."""
    found = {}
    for tree in trees:
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef):
                fields = [
                    part.target.id
                    for part in node.body
                    if isinstance(part, ast.AnnAssign) and isinstance(part.target, ast.Name)
                ]
                if "code" in fields:
                    found[node.name] = fields.index("code")
    return found


def codes_of(tree: ast.Module, stage: list[ast.Module] | None = None) -> Iterator[tuple[str, int]]:
    """Yield every code that a module may put into a finding, with its line.

    A function that passes its own parameter on as the code counts by its callers in the module; a
    code read from a record (`model.code`) counts by where the `stage` makes such records.
    """
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    inside = {
        call: function
        for function in functions
        for call in ast.walk(function)
        if isinstance(call, ast.Call)
    }
    for call in calls:
        if called(call) != "Finding":
            continue
        value = argument(call, "code", 0)
        plain = constants(value)
        if plain is not None:
            yield from ((code, call.lineno) for code in plain)
        elif isinstance(value, ast.Attribute) and value.attr == "code":
            yield from codes_of_records(stage or [tree], call.lineno)
        else:
            assert isinstance(value, ast.Name), f"line {call.lineno}: write the code as plain text"
            maker = inside[call]
            names = [arg.arg for arg in (*maker.args.posonlyargs, *maker.args.args)]
            assert value.id in names, f"line {call.lineno}: the code is no parameter"
            places = {maker.name: (value.id, names.index(value.id))}
            yield from codes_passed(calls, places)


def codes_of_records(stage: list[ast.Module], line: int) -> Iterator[tuple[str, int]]:
    """Yield the codes of all records with a code that a stage makes."""
    places = {name: ("code", place) for name, place in records_with_code(stage).items()}
    assert places, f"line {line}: no record of this stage holds a code"
    calls = [node for tree in stage for node in ast.walk(tree) if isinstance(node, ast.Call)]
    yield from codes_passed(calls, places)


def codes_passed(
    calls: list[ast.Call], places: dict[str, tuple[str, int]]
) -> Iterator[tuple[str, int]]:
    """Yield the codes given to functions or classes at a place."""
    for call in calls:
        if called(call) in places:
            told = constants(argument(call, *places[called(call)]))
            assert told is not None, f"line {call.lineno}: write the code as plain text"
            yield from ((code, call.lineno) for code in told)


@cache
def all_codes() -> dict[str, str]:
    trees = {path: ast.parse(path.read_text(encoding="utf-8")) for path in SOURCES}
    found: dict[str, str] = {}
    for path, tree in trees.items():
        stage = [other for at, other in trees.items() if at.parent == path.parent]
        for code, line in codes_of(tree, stage):
            found.setdefault(code, f"{path.relative_to(ROOT)}:{line}")
    return found


def test_codes_are_found_in_the_source_however_they_are_passed():
    made = """
def a(): return Finding("plain-code", 1, 2, 3)
def b(): return Finding(code="named-code", severity=1)
def c(x): return Finding("one-code" if x else "other-code", 1)
def d(kind, code): return Finding(code, kind)
def e(): return [d(1, "passed-code"), d(2, code="passed-by-name")]
class Record:
    size: int
    code: str
def f(record): return Finding(record.code, 1)
def g(): return [Record(1, "record-code"), Record(size=2, code="record-by-name")]
"""
    assert {code for code, _ in codes_of(ast.parse(made))} == {
        "plain-code", "named-code", "one-code", "other-code", "passed-code", "passed-by-name",
        "record-code", "record-by-name",
    }  # fmt: skip
    with pytest.raises(AssertionError, match="plain text"):
        list(codes_of(ast.parse('def f(x): return Finding(f"code-{x}", 1)')))


def test_every_finding_code_has_its_heading():
    missing = {code: where for code, where in all_codes().items() if code not in HEADINGS}
    assert not missing, missing


def test_every_heading_is_a_code_that_the_program_gives():
    assert set(HEADINGS) - set(all_codes()) == set()


def test_codes_are_lower_case_with_hyphens_and_stand_once():
    for code in (*all_codes(), *HEADINGS):
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", code), code
    assert len(HEADINGS) == len(set(HEADINGS))


@pytest.mark.parametrize("code", HEADINGS)
def test_each_code_says_what_it_means_why_it_matters_and_what_to_do(code):
    section = re.split(r"^##", PAGE.split(f"### {code}\n")[1], flags=re.MULTILINE)[0]
    for part in PARTS:
        assert part in section
        text = section.split(part)[1].split("- **")[0].strip()
        assert text.endswith((".", "...")), f"{code} {part} {text}"
