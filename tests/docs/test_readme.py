"""README and DEVELOPERS say what is true."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_continuous_integration_runs_the_readme_test_command():
    commands = re.findall(r"```sh\n(.+?)\n```", README, flags=re.DOTALL)
    test_command = next(c for c in commands if "pytest" in c)
    assert test_command in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_readme_opens_with_one_paragraph_then_two_commands():
    parts = README.split("\n\n")
    assert parts[0].startswith("# ")
    assert len(parts[1].split()) > 60  # the job, in one paragraph
    two = README.split("## Two commands")[1].split("\n## ")[0]
    assert len(re.findall(r"```sh\n", two)) == 2


def test_every_page_linked_from_readme_and_developers_exists():
    for page in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / page).read_text(encoding="utf-8")
        for link in re.findall(r"\]\(([^)#:]+)\)", text):
            assert (ROOT / link).exists(), f"{page} links to {link}"


def test_links_between_documents_lead_somewhere():
    for page in (ROOT / "docs").glob("*.md"):
        for link in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            assert (page.parent / link).exists(), f"{page.name} links to {link}"
