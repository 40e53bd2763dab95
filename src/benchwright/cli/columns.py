"""Tables and texts that fit the terminal: cells wrap, nothing is cut off."""

from __future__ import annotations

import shutil
import textwrap
import unicodedata
from collections.abc import Collection, Sequence

GAP = 2
INDENT = 7
"""Of what stands below a row."""
LEAST = 8
"""Columns of text are not made narrower than this."""


def terminal_width() -> int:
    """Columns of the terminal, 80 if there is none; at most 140, beyond which lines are hard to follow."""
    return max(40, min(140, shutil.get_terminal_size((80, 24)).columns))


def table(
    heads: Sequence[str], rows: Sequence[Sequence[str]], *, flex: Collection[int] = (),
    right: Collection[int] = (), width: int | None = None, under: Sequence[str] = (),
) -> str:  # fmt: skip
    """Rows under heads; columns that are empty throughout are left out.

    Parameters
    ----------
    heads : sequence of str
    rows : sequence of sequences of str
    flex : collection of int
        Columns that share what room is left, and wrap.
    right : collection of int
        Columns of numbers.
    width : int, optional
        In characters; by default that of the terminal.
    under : sequence of str
        For each row a text that stands below it, indented; empty for none.
    """
    kept, natural = _natural(heads, rows)
    room = (width or terminal_width()) - GAP * (len(kept) - 1)
    wide = _shared(natural, [n for n in kept if n in flex], room)
    lines = [_line([heads[n] for n in kept], kept, wide, right)]
    for number, row in enumerate(rows):
        cells = [_wrapped(row[n], wide[n]) for n in kept]
        for depth in range(max(map(len, cells))):
            parts = [cell[depth] if depth < len(cell) else "" for cell in cells]
            lines.append(_line(parts, kept, wide, right))
        if number < len(under) and under[number]:
            lines.append(hanging(" " * INDENT, under[number], width))
    return "\n".join(lines)


def fits(heads: Sequence[str], rows: Sequence[Sequence[str]], width: int | None = None) -> bool:
    """Whether a table needs no wrapping."""
    kept, natural = _natural(heads, rows)
    return sum(natural.values()) + GAP * (len(kept) - 1) <= (width or terminal_width())


def _natural(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> tuple[list[int], dict[int, int]]:
    """Columns that are not empty throughout, and how wide each is without wrapping."""
    kept = [n for n in range(len(heads)) if any(row[n] for row in rows)]
    return kept, {n: max(_wide(text) for text in (heads[n], *(row[n] for row in rows))) for n in kept}


def _shared(natural: dict[int, int], flex: list[int], room: int) -> dict[int, int]:
    """Widths that fit: flexible columns give way, the widest first."""
    wide = dict(natural)
    while sum(wide.values()) > room:
        widest = max((n for n in flex if wide[n] > LEAST), key=lambda n: wide[n], default=None)
        if widest is None:
            break
        wide[widest] -= 1
    return wide


def _line(parts: Sequence[str], kept: Sequence[int], wide: dict[int, int], right: Collection[int]) -> str:
    cells = []
    for text, n in zip(parts, kept, strict=True):
        pad = " " * (wide[n] - _wide(text))
        cells.append(pad + text if n in right else text + pad)
    return (" " * GAP).join(cells).rstrip()


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, break_on_hyphens=False) or [""]


def _wide(text: str) -> int:
    """Columns on the screen: East Asian wide letters take two, combining marks none."""
    return sum(
        0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        for letter in text
    )


def hanging(head: str, text: str, width: int | None = None) -> str:
    """A text beside its head, further lines under the text."""
    room = (width or terminal_width()) - 1
    lines = textwrap.wrap(text, max(20, room - _wide(head)), break_on_hyphens=False) or [""]
    return ("\n" + " " * _wide(head)).join([head + lines[0], *lines[1:]])
