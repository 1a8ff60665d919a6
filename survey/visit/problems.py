"""Helpers for saying all that is wrong with an input at once, with the nearest right word."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

LONGEST_QUOTE = 60


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word closest to `word`, or None if none is close."""
    words = list(known)
    folded = {other.casefold(): other for other in words}
    if word.casefold() in folded:
        return folded[word.casefold()]
    close = difflib.get_close_matches(word.casefold(), list(folded), n=1, cutoff=0.6)
    return folded[close[0]] if close else None


def offer(word: str, known: Iterable[str], noun: str) -> str:
    """Return the cure for an unknown word: the nearest known one, or the list of all."""
    words = sorted(set(known))
    close = nearest(word, words)
    if close is not None:
        return f'did you mean "{close}"?'
    if not words:
        return f"there is no {noun} yet"
    shown = ", ".join(words[:12]) + (", ..." if len(words) > 12 else "")
    return f"known here: {shown}"


def shown(value: object) -> str:
    """Quote what was read, cut to a bearable length, control characters made visible."""
    text = value if isinstance(value, str) else _plain(value)
    text = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
    if len(text) > LONGEST_QUOTE:
        text = text[:LONGEST_QUOTE] + "..."
    if not isinstance(value, str):
        return text
    return f'"{text}"' if '"' not in text else f"«{text}»"


def _plain(value: object) -> str:
    """Return a value of a TOML or JSON file in its own spelling."""
    match value:
        case None:
            return "null"
        case bool():
            return "true" if value else "false"
        case dict():
            return "a table"
        case list():
            return f"[{', '.join(_plain(item) for item in value[:6])}]"
        case str():
            return f'"{value}"'
        case int():
            return str(value) if abs(value) < 10**15 else "a number of over 15 digits"
        case _:
            return str(value)
