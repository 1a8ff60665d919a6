"""Lines of plain text, 80 columns wide."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

WIDTH = 80  # columns


def wrapped(text: str, indent: int = 0, hang: int | None = None) -> list[str]:
    """Return text as lines; the first starts at `indent`, the others at `hang`."""
    first = " " * indent
    rest = " " * (indent if hang is None else hang)
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=True,
        break_on_hyphens=False,
    ) or [first.rstrip()]


def labelled(label: str, text: str, indent: int = 2, column: int = 16) -> list[str]:
    """Return ``label   text`` with the text wrapped in its own column."""
    head = (" " * indent + label).ljust(column - 1) + " "
    folded = textwrap.wrap(text, WIDTH - column, break_on_hyphens=False) or [""]
    return [head + folded[0], *(" " * column + line for line in folded[1:])]


def table(rows: Sequence[Sequence[str]], indent: int = 4) -> list[str]:
    """Return rows in columns as wide as they need; the last column wraps in place."""
    if not rows:
        return []
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]) - 1)]
    start = indent + sum(widths) + 2 * len(widths)
    lines = []
    for row in rows:
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=False)]
        head = " " * indent + "  ".join(cells)
        if start > WIDTH - 24:  # no room for columns: cells follow one another
            lines += wrapped("  ".join(filter(None, row)), indent, indent + 4)
        elif row[-1]:
            folded = textwrap.wrap(row[-1], WIDTH - start, break_on_hyphens=False)
            lines.append(f"{head}  {folded[0]}")
            lines += [" " * start + line for line in folded[1:]]
        else:
            lines.append(head.rstrip())
    return lines


def counted(count: int, noun: str, plural: str | None = None) -> str:
    """Return ``1 photo`` or ``3 photos``."""
    return f"{count} {noun if count == 1 else plural or noun + 's'}"
