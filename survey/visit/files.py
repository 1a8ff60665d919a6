"""Reading the text files of a visit within bounds."""

from __future__ import annotations

import codecs
from pathlib import Path

from survey.errors import InputError, StorageError


def read_bytes(path: Path, most: int) -> bytes:
    """Read a regular file of at most `most` bytes.

    Raises
    ------
    InputError
        If it is a link or no regular file, or larger.
    StorageError
        If the system can't read it.
    """
    try:
        if path.is_symlink():
            raise InputError(
                f"{path.name} is a link, which could lead out of the visit",
                where=path.name,
                cure="put the file itself there",
            )
        if not path.is_file():
            raise InputError(
                f"{path.name} is no plain file", where=path.name, cure="put the file itself there"
            )
        with path.open("rb") as stream:
            data = stream.read(most + 1)
    except OSError as error:
        raise StorageError(
            f"{path.name} can't be read ({(error.strerror or type(error).__name__).lower()})",
            where=path.name,
            cure="check the disk and the file's permissions",
        ) from error
    if len(data) > most:
        raise InputError(
            f"{path.name} is larger than {most / 1e6:g} MB",
            where=path.name,
            cure="check that it is the right file",
        )
    return data


def read_text(path: Path, most: int) -> str:
    """Read a bounded text file: UTF-8, or UTF-16 as spreadsheets save it, with its mark."""
    return decode(read_bytes(path, most), path.name)


def decode(data: bytes, name: str) -> str:
    """Decode UTF-8 (with or without its mark) or UTF-16 with its mark.

    Raises
    ------
    InputError
        With the line of the first byte that fits neither.
    """
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    else:
        encoding = "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(
            f"the file is not UTF-8 text (byte 0x{data[error.start]:02x})",
            where=f"{name} line {line}",
            cure='save it as UTF-8 text (a spreadsheet calls it "CSV UTF-8")',
        ) from error
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise InputError(
            "the file holds zero bytes, so it is no UTF-8 text",
            where=f"{name} line {line}",
            cure='save it as UTF-8 text (a spreadsheet calls it "CSV UTF-8")',
        )
    return text
