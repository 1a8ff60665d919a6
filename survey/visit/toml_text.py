"""Reading TOML with bounds, and the line that each key stands on."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from typing import Any

from survey.errors import InputError

DEEPEST = 32  # nested brackets
LONGEST_KEY = 16  # dotted parts; the parser's time grows with the square of their number

KeyPath = tuple[str | int, ...]


@dataclass(slots=True)
class TomlText:
    """A parsed TOML file: its values, and the lines of its keys."""

    name: str
    values: dict[str, Any]
    lines: dict[KeyPath, int] = field(default_factory=dict)

    def where(self, path: KeyPath) -> str:
        """Name the file and the line of a key, or of the nearest table around it."""
        for length in range(len(path), 0, -1):
            line = self.lines.get(path[:length])
            if line is not None:
                return f"{self.name} line {line}"
        return self.name


def parse_toml(text: str, name: str) -> TomlText:
    """Parse bounded TOML text.

    Raises
    ------
    InputError
        For broken syntax, brackets nested deeper than `DEEPEST` or keys of more than
        `LONGEST_KEY` parts, with the line.
    """
    lines = _Scanner(text, name).scan()
    try:
        return TomlText(name, tomllib.loads(text), lines)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(str(error), text, name) from error
    except (RecursionError, ValueError) as error:
        raise InputError(
            "its values are nested too deeply or too large to be read",
            where=name,
            cure="start again from a fresh example",
        ) from error


def _syntax_error(message: str, text: str, name: str) -> InputError:
    """Put the parser's message into a sentence with the line and, where it can be told, a cure."""
    match = re.search(r"\(at (?:line (\d+), column (\d+)|end of document)\)", message)
    reason = message[: match.start()].strip() if match else message
    rows = text.splitlines() or [""]
    number = int(match[1]) if match and match[1] else len(rows)
    row = rows[min(number, len(rows)) - 1]
    cure = _cure(row, reason)
    reason = {
        "Cannot overwrite a value": "a key or table stands twice",
        "Expected newline or end of document after a statement": "more stands behind the value",
    }.get(reason, reason)
    return InputError(
        f"not valid TOML ({reason[:1].lower()}{reason[1:]})",
        where=f"{name} line {number}",
        cure=cure,
    )


def _cure(row: str, reason: str) -> str:
    """Return what to do about a line that is no TOML."""
    if "duplicate" in reason.lower() or "overwrite" in reason.lower():
        return "keep one of the two"
    between = re.sub(r'"[^"]*"', "\0", row)  # each text in quotes as one sign
    if '"' in between or re.search(r"\0\s*[^\0\s,\]}#=.]", between):
        return 'a " inside quotes ends the text: write inches as in, like "12 ft 6-1/2 in"'
    if re.search(r"=\s*[0-9./ -]+[a-zA-Z'%:/]|=\s*(?!true\b|false\b|inf\b|nan\b)[A-Za-z]", between):
        return "put the text after = between quotes"
    return "compare the line with the example"


class _Scanner:
    """Walks TOML text once and notes on which line each header and key stands.

    It presumes nothing of validity, which is tomllib's to judge, and never goes back.
    """

    def __init__(self, text: str, name: str) -> None:
        self.text = text
        self.name = name
        self.at = 0
        self.line = 1
        self.lines: dict[KeyPath, int] = {}
        self.counts: dict[KeyPath, int] = {}

    def scan(self) -> dict[KeyPath, int]:
        """Return the line of every key path; a table of a list has its index in the path."""
        prefix: KeyPath = ()
        while self.at < len(self.text):
            character = self.text[self.at]
            if character in " \t\r\n":
                self._step()
            elif character == "#":
                self._skip_comment()
            elif character == "[":
                prefix = self._header()
            else:
                self._pair(prefix)
        return self.lines

    def _step(self) -> None:
        self.line += self.text[self.at] == "\n"
        self.at += 1

    def _skip_comment(self) -> None:
        end = self.text.find("\n", self.at)
        self.at = len(self.text) if end < 0 else end

    def _header(self) -> KeyPath:
        start = self.line
        is_list = self.text.startswith("[[", self.at)
        self.at += 2 if is_list else 1
        parts = self._key("]")
        while self.at < len(self.text) and self.text[self.at] == "]":
            self.at += 1
        path: KeyPath = ()
        for number, part in enumerate(parts, start=1):
            path = (*path, part)
            if is_list and number == len(parts):
                self.counts[path] = self.counts.get(path, -1) + 1
            if path in self.counts:
                self.lines.setdefault(path, start)
                path = (*path, self.counts[path])
        self.lines.setdefault(path, start)
        return path

    def _pair(self, prefix: KeyPath) -> None:
        start = self.line
        path = prefix
        for part in self._key("="):
            path = (*path, part)
            self.lines.setdefault(path, start)
        if self.at < len(self.text) and self.text[self.at] == "=":
            self.at += 1
            self._skip_value()

    def _key(self, end: str) -> tuple[str, ...]:
        """Read dotted key parts up to `end` or the end of the line."""
        parts: list[str] = []
        current = ""
        while self.at < len(self.text) and self.text[self.at] not in (end, "\n"):
            character = self.text[self.at]
            if character in "\"'":
                begin = self.at
                self._skip_string()
                current += self.text[begin + 1 : self.at - 1]
            elif character == ".":
                parts.append(current.strip())
                current = ""
                self.at += 1
            elif character == "#":
                self._skip_comment()
            else:
                current += character
                self.at += 1
            if len(parts) >= LONGEST_KEY:
                raise InputError(
                    f"a key has more than {LONGEST_KEY} dotted parts",
                    where=f"{self.name} line {self.line}",
                    cure="start again from a fresh example",
                )
        parts.append(current.strip())
        return tuple(parts)

    def _skip_value(self) -> None:
        """Skip a value up to the end of its line, over brackets and strings that span lines."""
        depth = 0
        while self.at < len(self.text):
            character = self.text[self.at]
            if character in "\"'":
                self._skip_string()
                continue
            if character == "#":
                self._skip_comment()
                continue
            if character == "\n" and depth <= 0:
                return
            depth += (character in "[{") - (character in "]}")
            if depth > DEEPEST:
                raise InputError(
                    f"brackets are nested deeper than {DEEPEST}",
                    where=f"{self.name} line {self.line}",
                    cure="start again from a fresh example",
                )
            self._step()

    def _skip_string(self) -> None:
        """Skip a string of any of the four kinds; one that never ends runs to its line's end."""
        quote = self.text[self.at]
        if self.text.startswith(quote * 3, self.at):
            end = self.text.find(quote * 3, self.at + 3)
            while quote == '"' and end > 0 and self._is_escaped(end):
                end = self.text.find(quote * 3, end + 1)
            stop = len(self.text) if end < 0 else end + 3
            self.line += self.text.count("\n", self.at, stop)
            self.at = stop
            return
        self.at += 1
        while self.at < len(self.text) and self.text[self.at] not in (quote, "\n"):
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at = min(self.at, len(self.text))
        if self.at < len(self.text) and self.text[self.at] == quote:
            self.at += 1

    def _is_escaped(self, index: int) -> bool:
        """Whether an odd number of backslashes stands before `index`."""
        back = index
        while back > 0 and self.text[back - 1] == "\\":
            back -= 1
        return (index - back) % 2 == 1
