"""Readings as a table: ``quantity,a,b,value,power,removed,note``, in any order, values as people write."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from ..board import Board
from ..errors import BadFile, BadReading, UnknownName
from .reading import BadField, Reading, understand

COLUMNS = ("quantity", "a", "b", "value", "power", "removed", "note")
_YES = {"1", "yes", "y", "true", "on", "x"}
_NO = {"", "0", "no", "n", "false", "off"}


def read_readings(text: str, file: str, board: Board | None = None) -> list[Reading]:
    """Read a table of readings.

    Parameters
    ----------
    text : str
    file : str
        Its name, for messages.
    board : Board, optional
        If given, every reading is checked against it.

    Returns
    -------
    list of Reading

    Raises
    ------
    BadFile
        With the line and the column that cannot be used.
    """
    if "\0" in text:
        raise BadFile(file, "this is not a text file: expected a CSV table of readings")
    rows = _rows(text.lstrip("\ufeff"), file)
    if not rows:
        raise BadFile(file, f"the file is empty: expected a first line {','.join(COLUMNS)}", line=1)
    first, head = rows[0]
    names = [name.strip().lower() for name in head]
    if "quantity" not in names or "value" not in names:
        raise BadFile(
            file, f"the first line names the columns {', '.join(names)[:200]}: expected at least quantity "
            f"and value of {','.join(COLUMNS)}", line=first,
        )  # fmt: skip
    for name in COLUMNS:
        if names.count(name) > 1:
            raise BadFile(file, "this column is there twice: expected it once", line=first, field=name)
    found = []
    for line, row in rows[1:]:
        if len(row) > len(names) and any(cell.strip() for cell in row[len(names) :]):
            raise BadFile(
                file, f"{len(row)} cells under {len(names)} columns: put a cell with a comma in quotes",
                line=line,
            )  # fmt: skip
        cells = dict(zip(names, (cell.strip() for cell in row), strict=False))
        reading = _reading(cells, file, line)
        if board is not None:
            try:
                understand(board, reading)
            except (BadReading, UnknownName) as problem:
                raise BadFile(file, str(problem), line=line, field=_column(board, reading, problem)) from None
        found.append(reading)
    return found


def _rows(text: str, file: str) -> list[tuple[int, list[str]]]:
    """The rows that say something, each with the number of its first line."""
    head = next((line for line in text.splitlines() if line.strip() and not _comment([line])), "")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=max(",;\t", key=head.count))
    rows = []
    line = 1
    try:
        for row in reader:
            if any(cell.strip() for cell in row) and not _comment(row):
                rows.append((line, row))
            line = reader.line_num + 1
    except csv.Error as problem:
        raise BadFile(file, f"this is not a CSV table: {problem}", line=line) from None
    return rows


def _comment(row: list[str]) -> bool:
    return row[0].lstrip().startswith("#")


def _column(board: Board, reading: Reading, problem: BadReading | UnknownName) -> str:
    """The column that a problem comes from."""
    if isinstance(problem, BadField):
        return problem.field
    part = reading.a.strip().partition(".")[0]
    for column, find, name in (
        *(("removed", board.ref, str(ref)) for ref in reading.removed),
        ("a", board.point, reading.a), ("a", board.ref, part), ("b", board.point, reading.b),
    ):  # fmt: skip
        try:
            find(name)
        except UnknownName as same:
            if str(same) == str(problem):
                return column
    return "value"


def _yes(cells: dict[str, str], column: str, file: str, line: int) -> bool:
    text = cells.get(column, "").lower()
    if text not in _YES | _NO:
        raise BadFile(file, f"{text[:80]!r}: expected yes or no", line=line, field=column)
    return text in _YES


def _reading(cells: dict[str, str], file: str, line: int) -> Reading:
    removed = [
        ref
        for ref in cells.get("removed", "").replace(";", " ").replace("|", " ").replace(",", " ").split()
        if ref
    ]
    return Reading(
        quantity=cells.get("quantity", ""), a=cells.get("a", ""), b=cells.get("b", ""),
        value=cells.get("value", ""), power=_yes(cells, "power", file, line), removed=removed,
        note=cells.get("note", ""), good_unit=_yes(cells, "good_unit", file, line),
    )  # fmt: skip


def write_readings(readings: Iterable[Reading]) -> str:
    """Write readings as a table that `read_readings` reads back."""
    rows = list(readings)
    columns = [*COLUMNS, *(["good_unit"] if any(r.good_unit for r in rows) else [])]
    out = io.StringIO()
    plain = csv.writer(out, lineterminator="\n")
    quoted = csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL)
    plain.writerow(columns)
    for reading in rows:
        value = reading.value
        text = "OL" if isinstance(value, float) and value == float("inf") else str(value)
        cells = {
            "quantity": reading.quantity, "a": reading.a, "b": reading.b, "value": text,
            "power": "yes" if reading.power else "", "removed": " ".join(reading.removed),
            "note": reading.note, "good_unit": "yes" if reading.good_unit else "",
        }  # fmt: skip
        # Left to itself the writer does not quote a carriage return, which then ends the row.
        writer = quoted if any("\r" in cell for cell in cells.values()) else plain
        writer.writerow([cells[name] for name in columns])
    return out.getvalue()
