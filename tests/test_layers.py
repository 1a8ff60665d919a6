"""The package reads in the order of the data: an import points only upstream."""

from __future__ import annotations

import ast
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "survey"
ORDER = (
    "errors",
    "storage",
    "units",
    "figures",
    "findings",
    "geometry",
    "visit",
    "photo",
    "target",
    "calibration",
    "levelling",
    "adjustment",
    "planes",
    "drainage",
    "rules",
    "planefile",
    "outputs",
    "measure",
    "check",
    "batch",
    "web",
    "cli",
)
SOURCES = sorted(PACKAGE.rglob("*.py"))


def stage_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imported_stages(tree: ast.AST) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            names.add(node.module or "")
            if node.module == "survey":
                names |= {f"survey.{alias.name}" for alias in node.names}
    stages = {name.split(".")[1] for name in names if name.startswith("survey.")}
    return stages & set(ORDER)


def test_every_stage_has_its_place_in_the_order():
    stages = {stage_of(path) for path in SOURCES} - {"__init__"}
    assert stages <= set(ORDER)


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_upstream(path):
    stage = stage_of(path)
    if stage == "__init__":
        return  # names the public functions
    stages = imported_stages(ast.parse(path.read_text(encoding="utf-8")))
    downstream = {s for s in stages if ORDER.index(s) > ORDER.index(stage)}
    assert not downstream, f"{path.name} imports {downstream}"


@pytest.mark.parametrize(
    "path", [p for p in SOURCES if p.name == "__init__.py"], ids=lambda p: p.parent.name
)
def test_init_files_hold_names_and_no_logic(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in tree.body:
        is_docstring = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        is_names = isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__"
        assert is_docstring or is_names or isinstance(node, ast.Import | ast.ImportFrom), (
            ast.unparse(node)
        )


def test_top_level_of_the_repository_is_the_fixed_set():
    fixed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "survey", "tests", "sample_images"}
    fixed.add("docs")
    listing = ["git", "ls-files", "-z"]  # what is kept, not a visit that somebody began here
    listed = subprocess.run(listing, cwd=ROOT, capture_output=True, check=False)
    if listed.returncode:
        pytest.skip("not a checkout")
    shown = {name.split("/")[0] for name in listed.stdout.decode().split("\0") if name}
    assert {name for name in shown if not name.startswith(".")} == fixed
