"""Changing visit.toml by program while every comment and blank of the person's stays."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import tomlkit
from tomlkit.exceptions import TOMLKitError

from survey.errors import InputError, Problem
from survey.storage import write_atomically
from survey.visit.crosscheck import check_names
from survey.visit.files import read_text
from survey.visit.visit_file import LARGEST_VISIT, VISIT_FILE, parse_visit

LARGEST_EDIT = 200_000  # bytes; the style-preserving parser is slow


def update_visit_toml(folder: str | Path, edit: Callable[[tomlkit.TOMLDocument], None]) -> None:
    """Change visit.toml in place; comments, order and spelling of the rest stay as they are.

    Parameters
    ----------
    folder : str or Path
        Visit folder.
    edit : callable
        Is handed the parsed document (tomlkit) and changes it. Use `add_table` to append a table.

    Raises
    ------
    InputError
        If the file or the changed file is not a sound visit.toml, or somebody changed it
        meanwhile; nothing is written then.
    StorageError
        If it can't be read or written; the old file still stands.
    """
    path = Path(folder) / VISIT_FILE
    text = read_text(path, LARGEST_VISIT)
    changed = edit_visit_text(text, folder, edit)
    if changed == text:
        return
    if read_text(path, LARGEST_VISIT) != text:
        raise InputError(
            "the file was changed by somebody else meanwhile",
            where=VISIT_FILE,
            cure="look at it and try again",
        )
    write_atomically(path, changed.encode())


def edit_visit_text(
    text: str, folder: str | Path, edit: Callable[[tomlkit.TOMLDocument], None]
) -> str:
    """Return the text of a visit.toml after an edit, as `update_visit_toml` would write it.

    Raises
    ------
    InputError
        If the text or the changed text is not a sound visit.toml.
    """
    _refuse_unsound(text, Path(folder))
    document = _parse_with_style(text)
    edit(document)
    changed = tomlkit.dumps(document)
    if changed != text:
        _refuse_unsound(changed, Path(folder))
    return changed


def add_table(
    document: tomlkit.TOMLDocument,
    key: str,
    values: dict[str, str | int | float | bool | list[str]],
) -> None:
    """Append one ``[[key]]`` table to a document that `update_visit_toml` hands out."""
    table = tomlkit.table()
    for name, value in values.items():
        table.add(name, value)
    if key in document:
        document[key].append(table)
    else:
        tables = tomlkit.aot()
        tables.append(table)
        document.add(key, tables)


def _refuse_unsound(text: str, folder: Path) -> None:
    """Raise for what `open_visit` would refuse in this file alone."""
    problems: list[Problem] = []
    visit, source = parse_visit(text, folder, problems)
    problems = problems or check_names(visit, source)
    if problems:
        raise InputError.of(problems)


def _parse_with_style(text: str) -> tomlkit.TOMLDocument:
    if len(text) > LARGEST_EDIT:
        raise InputError(
            f"the file is over {LARGEST_EDIT // 1000} kB, too long to change it by program",
            where=VISIT_FILE,
            cure="change it by hand",
        )
    try:
        document = tomlkit.parse(text)
        same = tomlkit.dumps(document) == text
    except (TOMLKitError, RecursionError) as error:
        raise InputError(
            "the file can't be changed by program without losing its layout",
            where=VISIT_FILE,
            cure="change it by hand",
        ) from error
    if not same:
        raise InputError(
            "the file can't be changed by program without losing its layout",
            where=VISIT_FILE,
            cure="change it by hand",
        )
    return document
