"""The text of a plane file: one form for one document, and the hash of what it says."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

LINE = 100  # characters; a list or table of plain values that fits stays on one line
HASH_KEY = "content_sha256"


def format_document(document: Mapping[str, Any]) -> str:
    """Return the document as text: keys in their order, two spaces a level, a newline at the end.

    Raises
    ------
    ValueError
        If it holds a number that JSON can't (nan, infinity).
    """
    return _format(dict(document), 0) + "\n"


def content_hash(document: Mapping[str, Any]) -> str:
    """Return the SHA-256 (hex) of everything in the document but the hash itself."""
    content = {key: value for key, value in document.items() if key != HASH_KEY}
    text = json.dumps(
        content, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":")
    )
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def is_untouched(document: Mapping[str, Any]) -> bool:
    """Whether the document's content is what its hash was taken of."""
    return bool(document.get(HASH_KEY) == content_hash(document))


def _format(value: Any, level: int) -> str:
    """Return a value as JSON text that starts at `level`."""
    if not isinstance(value, dict | list) or not value:
        return json.dumps(value, ensure_ascii=False, allow_nan=False)
    short = json.dumps(value, ensure_ascii=False, allow_nan=False)
    if _is_plain(value) and len(short) + 2 * level <= LINE:
        return short
    inner = "  " * (level + 1)
    outer = "  " * level
    if isinstance(value, dict):
        rows = [
            f"{inner}{json.dumps(key, ensure_ascii=False)}: {_format(part, level + 1)}"
            for key, part in value.items()
        ]
        return "{\n" + ",\n".join(rows) + f"\n{outer}}}"
    rows = [f"{inner}{_format(part, level + 1)}" for part in value]
    return "[\n" + ",\n".join(rows) + f"\n{outer}]"


def _is_plain(value: dict[str, Any] | list[Any]) -> bool:
    """Whether a list or table holds no further list or table that itself holds one."""
    parts = value.values() if isinstance(value, dict) else value
    return not any(
        isinstance(part, dict)
        or (isinstance(part, list) and any(isinstance(inner, dict | list) for inner in part))
        for part in parts
    )
