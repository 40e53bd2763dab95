"""Tables as people keep them: any delimiter, headings in any order, quotes that may not close."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from ..errors import BadFile
from .ipc356_records import check_text
from .netlist_data import Tally

_ENDS = re.compile(r"\r\n|\n|\r")
_DELIMITERS = ",;\t|"
_SEARCHED = 40
"""Lines in which the headings are looked for."""
_QUOTED_LINES = 20
"""Lines over which one quoted cell may run."""


@dataclass(frozen=True)
class Table:
    """Rows under their headings.

    Attributes
    ----------
    columns : Mapping of str to str
        Names of the columns that are understood, with the heading each has in the file.
    rows : list of (line, cells, extra)
        Cells by understood name; other columns by their heading.
    headed : bool
        False if the file has no headings and its columns were taken in the usual order.
    """

    columns: Mapping[str, str]
    rows: list[tuple[int, dict[str, str], dict[str, str]]]
    headed: bool = True


def read_table(
    text: str,
    file: str,
    tally: Tally,
    *,
    names: Mapping[str, str],
    weak: Mapping[str, str],
    needed: Sequence[Sequence[str]],
    usual: Sequence[str],
    first_cell: str,
) -> Table:
    """Read a delimited table.

    Parameters
    ----------
    text, file, tally
        The whole file, its name for messages, and where remarks go.
    names : Mapping of str to str
        Folded headings (small letters and digits only) and the column each means.
    weak : Mapping of str to str
        Headings that mean a column only if no better heading does.
    needed : sequence of sequences
        Sets of columns of which one must be present in full.
    usual : sequence of str
        Columns of a file without headings.
    first_cell : str
        Regular expression that the first cell of such a file matches.

    Raises
    ------
    BadFile
        No text, or no headings where they are needed.
    """
    check_text(text, file)
    lines = _ENDS.split(text.lstrip("\ufeff"))
    said = re.match(r"\s*sep=(.)\s*$", lines[0], re.IGNORECASE)
    delimiter = said[1] if said else ""
    start = 1 if said else 0
    found: tuple[int, str, dict[int, str]] | None = None
    for place in range(start, min(start + _SEARCHED, len(lines))):
        for mark in delimiter or _DELIMITERS:
            columns = _columns(_cells(lines[place].lstrip("#"), mark), names, weak)
            fits = any(set(each) <= set(columns.values()) for each in needed)
            if fits and (found is None or len(columns) > len(found[2])):
                found = (place, mark, columns)
        if found is not None:
            break
    if found is None:
        return _bare(lines, start, file, tally, delimiter, usual, first_cell, needed)
    place, mark, columns = found
    for skipped in range(start, place):
        if lines[skipped].strip():
            tally.add("noted", "line before the headings: left out", skipped + 1)
    headings = _cells(lines[place].lstrip("#"), mark)
    heading_of = {name: headings[at].strip() for at, name in columns.items()}
    rows = []
    for number, cells in _rows(lines, place + 1, mark, tally):
        if len(cells) > len(headings) and any(cell.strip() for cell in cells[len(headings) :]):
            tally.add("repaired", "more cells than headings: the rest kept without a heading", number)
        known: dict[str, str] = {}
        extra: dict[str, str] = {}
        for at, cell in enumerate(cells):
            cell = cell.strip()
            if at in columns:
                known[columns[at]] = cell
            elif cell:
                heading = headings[at].strip() if at < len(headings) else ""
                extra[heading or f"column {at + 1}"] = cell
        rows.append((number, known, extra))
    return Table(heading_of, rows)


def _bare(
    lines: list[str], start: int, file: str, tally: Tally, delimiter: str, usual: Sequence[str],
    first_cell: str, needed: Sequence[Sequence[str]],
) -> Table:  # fmt: skip
    for place in range(start, min(start + _SEARCHED, len(lines))):
        for mark in delimiter or _DELIMITERS:
            cells = _cells(lines[place], mark)
            if len(cells) < 2 or not re.fullmatch(first_cell, cells[0].strip()):
                continue
            tally.add("inferred", f"no headings: columns taken as {', '.join(usual)}", place + 1)
            rows = []
            for number, row in _rows(lines, place, mark, tally):
                known = {name: cell.strip() for name, cell in zip(usual, row, strict=False)}
                extra = {
                    f"column {at + 1}": cell.strip()
                    for at, cell in enumerate(row)
                    if at >= len(usual) and cell.strip()
                }
                rows.append((number, known, extra))
            return Table({name: name for name in usual}, rows, headed=False)
    wanted = " or ".join(",".join(each) for each in needed)
    raise BadFile(file, f"no headings found: expected a table with at least {wanted} in its first line", 1)


def fold(heading: str) -> str:
    """Small letters and digits of a heading: ``Pin Count`` and ``pin_count`` are one."""
    return re.sub(r"[^a-z0-9]", "", heading.lower())


def _columns(cells: Sequence[str], names: Mapping[str, str], weak: Mapping[str, str]) -> dict[int, str]:
    columns: dict[int, str] = {}
    for table in (names, weak):
        for at, cell in enumerate(cells):
            bare = re.sub(r"[(\[].*?[)\]]", "", cell)
            name = table.get(fold(cell)) or table.get(fold(bare))
            if name is not None and at not in columns and name not in columns.values():
                columns[at] = name
    return columns


def _cells(line: str, mark: str) -> list[str]:
    if '"' not in line:
        return line.split(mark)
    try:
        return next(csv.reader([line], delimiter=mark, skipinitialspace=True), [])
    except csv.Error:
        return [cell.strip().strip('"') for cell in line.split(mark)]


def _open(text: str, mark: str) -> bool:
    """Whether a quoted cell is still open at the end of the text."""
    try:
        list(csv.reader([text], delimiter=mark, skipinitialspace=True, strict=True))
    except csv.Error as error:
        return "end of data" in str(error)
    return False


def _rows(lines: list[str], start: int, mark: str, tally: Tally) -> Iterator[tuple[int, list[str]]]:
    place = start
    while place < len(lines):
        number, line = place + 1, lines[place]
        place += 1
        if not line.strip(" \t\x1a" + mark) or line.startswith("#"):
            continue
        if '"' in line and _open(line, mark):
            joined = line
            for more in range(place, min(place + _QUOTED_LINES, len(lines))):
                joined += f" {lines[more]}"
                if not _open(joined, mark):
                    place, line = more + 1, joined
                    break
            else:
                tally.add("repaired", "a quoted cell is never closed: quotes ignored in this line", number)
                yield number, [cell.strip().strip('"') for cell in line.split(mark)]
                continue
        yield number, _cells(line, mark)
