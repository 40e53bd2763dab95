"""Readings as a table: ``quantity,a,b,value,power,removed,note``, in any order, values as people write."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from ..board import Board
from ..errors import BadFile, BadReading, UnknownName
from .reading import Reading, understand

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
    text = text.lstrip("\ufeff")
    head = text.splitlines()[0] if text.strip() else ""
    delimiter = max(",;\t", key=head.count)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    except csv.Error as problem:
        raise BadFile(file, f"this is not a CSV table: {problem}") from None
    if not rows:
        raise BadFile(file, f"the file is empty: expected a first line {','.join(COLUMNS)}", line=1)
    names = [name.strip().lower() for name in rows[0]]
    if "quantity" not in names or "value" not in names:
        raise BadFile(
            file, f"the first line names the columns {names}: expected at least quantity and value "
            f"of {','.join(COLUMNS)}", line=1,
        )  # fmt: skip
    found = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row) or row[0].lstrip().startswith("#"):
            continue
        cells = dict(zip(names, (cell.strip() for cell in row), strict=False))
        reading = _reading(cells, file, number)
        if board is not None:
            try:
                understand(board, reading)
            except (BadReading, UnknownName) as problem:
                raise BadFile(file, str(problem), line=number) from None
        found.append(reading)
    return found


def _reading(cells: dict[str, str], file: str, line: int) -> Reading:
    power = cells.get("power", "").lower()
    if power not in _YES | _NO:
        raise BadFile(file, f"{power!r}: expected yes or no", line=line, field="power")
    removed = [
        ref
        for ref in cells.get("removed", "").replace(";", " ").replace("|", " ").replace(",", " ").split()
        if ref
    ]
    return Reading(
        quantity=cells.get("quantity", ""), a=cells.get("a", ""), b=cells.get("b", ""),
        value=cells.get("value", ""), power=power in _YES, removed=removed, note=cells.get("note", ""),
        good_unit=cells.get("good_unit", "").lower() in _YES,
    )  # fmt: skip


def write_readings(readings: Iterable[Reading]) -> str:
    """Write readings as a table that `read_readings` reads back."""
    rows = list(readings)
    columns = [*COLUMNS, *(["good_unit"] if any(r.good_unit for r in rows) else [])]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    for reading in rows:
        value = reading.value
        text = "OL" if isinstance(value, float) and value == float("inf") else str(value)
        cells = {
            "quantity": reading.quantity, "a": reading.a, "b": reading.b, "value": text,
            "power": "yes" if reading.power else "", "removed": " ".join(reading.removed),
            "note": reading.note, "good_unit": "yes" if reading.good_unit else "",
        }  # fmt: skip
        writer.writerow([cells[name] for name in columns])
    return out.getvalue()
