"""Read a parts list: which parts a board has, what they are and where they sit."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import fields, replace

from .csv_table import Table, fold, read_table
from .netlist_data import PartRow, Tally
from .report import ImportReport

_SAME = {
    "ref": "ref refs reference references referencedesignator referencedesignators designator designators "
    "refdes refdesignator partreference componentreference",
    "value": "value val values partvalue componentvalue",
    "footprint": "footprint package pattern case land decal foot landpattern packagefootprint",
    "x": "x posx xpos xposition positionx centerx centrex xcentre xcenter midx xmid xmm xcoord xcoordinate "
    "locationx xlocation",
    "y": "y posy ypos yposition positiony centery centrey ycentre ycenter midy ymid ymm ycoord ycoordinate "
    "locationy ylocation",
    "turn": "rotation rot angle turn orientation rotationdeg rotdeg",
    "side": "side layer tb boardside placementside",
    "pin_count": "pincount pins npins numpins numberofpins pinnumber pincnt padcount pads",
    "socket": "socket socketed sockets insocket",
    "kind": "kind partkind",
    "style": "style",
    "closed": "closed",
}
_NAMES = {word: name for name, words in _SAME.items() for word in words.split()}
_WEAK = {
    **dict.fromkeys(("part", "component", "name", "item", "parts", "components"), "ref"),
    **dict.fromkeys(("comment", "device", "type", "partnumber", "partno", "mpn", "description"), "value"),
    "state": "closed",
}
_USUAL = ("ref", "value", "footprint", "x", "y", "turn", "pin_count")
_YES = frozenset(("yes", "y", "1", "true", "x", "t", "socket", "socketed", "in socket", "on", "closed"))
_NO = frozenset(("no", "n", "0", "false", "f", "none", "-", "soldered", "", "off", "open"))
_TOP = frozenset(("top", "t", "1", "front", "f", "component", "componentside", "primary", "toplayer", "fcu"))
_BOTTOM = frozenset((
    "bottom", "b", "2", "back", "solder", "solderside", "secondary", "bottomlayer", "bot", "bcu",
))  # fmt: skip
_RANGE = re.compile(r"([A-Za-z_]+)(\d{1,6})\s*(?:-|–|\.\.+|\bto\b)\s*([A-Za-z_]*)(\d{1,6})")
_LENGTH = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?)\s*([a-zA-Z\"]*)")
_MM = {
    "": 1.0,
    "mm": 1.0,
    "cm": 10.0,
    "mil": 0.0254,
    "mils": 0.0254,
    "in": 25.4,
    "inch": 25.4,
    '"': 25.4,
    "um": 1e-3,
}
_MOST_IN_RANGE = 2000


def read_parts_list(text: str, file: str, report: ImportReport) -> dict[str, PartRow]:
    """Read a parts list with the columns ``ref,value,footprint,x,y,rotation,pin_count``.

    Any order, case and delimiter; usual other headings are known; ``socket``, ``side``, ``kind``,
    ``style`` and ``closed`` are understood; all other columns are kept in `PartRow.extra`. A cell may
    name several parts: ``R1, R2`` or ``R1-R4``.

    Parameters
    ----------
    text : str
        The whole file.
    file : str
        For messages.
    report : ImportReport

    Returns
    -------
    dict of str to PartRow
        By reference, in the order of the file; lengths in millimetres.

    Raises
    ------
    BadFile
        It is no text, or has no column of references.
    """
    tally = Tally(report, file)
    table = read_table(
        text, file, tally, names=_NAMES, weak=_WEAK, needed=(("ref",),), usual=_USUAL,
        first_cell=r"[A-Za-z_]{1,5}\d{1,5}[A-Za-z]?",
    )  # fmt: skip
    rows: dict[str, PartRow] = {}
    units = _units(table)
    for line, cells, extra in table.rows:
        refs = list(_refs(cells.get("ref", ""), line, tally))
        if not refs:
            tally.add("refused", "row without a reference: left out", line)
            continue
        row = _row(cells, extra, line, units, tally)
        if len(refs) > 1 and row.at is not None:
            tally.add("repaired", "one place for several parts: not used", line)
            row = replace(row, at=None)
        for ref in refs:
            mine = replace(row, ref=ref)
            rows[ref] = mine if ref not in rows else _both(rows[ref], mine, line, tally)
    if not rows:
        tally.add("noted", "the parts list names no part", 1)
    tally.tell()
    return rows


def _refs(cell: str, line: int, tally: Tally) -> Iterator[str]:
    cell = cell.strip()
    spread = _RANGE.sub(lambda match: match[0].replace(" ", ""), cell)
    for word in re.split(r"[,;\s]+", spread):
        found = _RANGE.fullmatch(word)
        if found is None or (found[3] and found[3] != found[1]):
            if word:
                yield word[:200]
            continue
        first, last = int(found[2]), int(found[4])
        if not first < last < first + _MOST_IN_RANGE:
            tally.add("repaired", f"{word} is no usable range of references: kept as one name", line)
            yield word
            continue
        if not found[3]:
            tally.add("inferred", f"{word} taken as {found[1]}{first} to {found[1]}{last}", line)
        yield from (f"{found[1]}{number}" for number in range(first, last + 1))


def _units(table: Table) -> Mapping[str, float]:
    units = {}
    for axis in ("x", "y"):
        heading = table.columns.get(axis, "").lower()
        found = re.search(r"[(\[]\s*(mm|cm|mils?|in|inch|um)\s*[)\]]", heading)
        units[axis] = _MM[found[1]] if found else 1.0
    return units


def _row(
    cells: Mapping[str, str], extra: dict[str, str], line: int, units: Mapping[str, float], tally: Tally
) -> PartRow:
    x, y = (_number(cells.get(axis, ""), axis, line, tally, units[axis]) for axis in ("x", "y"))
    turn = _number(cells.get("turn", "").rstrip("°").removesuffix("deg"), "rotation", line, tally)
    return PartRow(
        ref="",
        value=cells.get("value", "")[:500],
        footprint=cells.get("footprint", "")[:500],
        at=(x, y) if x is not None and y is not None else None,
        turn=turn % 360.0 if turn is not None else None,
        side=_side(cells.get("side", ""), extra, line, tally),
        pin_count=_pin_count(cells.get("pin_count", ""), line, tally),
        socket=_flag(cells.get("socket", ""), "socket", line, tally),
        kind=cells.get("kind", ""),
        style=cells.get("style", "").lower(),
        closed=_flag(cells.get("closed", ""), "closed", line, tally),
        extra=extra,
        line=line,
    )


def _number(cell: str, column: str, line: int, tally: Tally, scale: float = 1.0) -> float | None:
    cell = cell.strip()
    if not cell:
        return None
    found = _LENGTH.fullmatch(cell)
    unit = _MM.get(found[2].lower()) if found else None
    if found is not None and unit is not None:
        value = float(found[1].replace(",", ".")) * (unit if found[2] else scale)
        if math.isfinite(value) and abs(value) < 1e6:
            return round(value, 6)
    tally.add("refused", f"{column} is {cell[:30]!r}, not a usable number: left out", line)
    return None


def _pin_count(cell: str, line: int, tally: Tally) -> int | None:
    if not cell:
        return None
    found = re.match(r"(\d{1,5})(?:\.0*)?(?:\s*pins?)?\s*$", cell, re.IGNORECASE)
    if found and 0 < int(found[1]) <= 10_000:
        return int(found[1])
    if not found or int(found[1]):
        tally.add("refused", f"pin_count is {cell[:30]!r}, not a usable number: left out", line)
    return None


def _flag(cell: str, column: str, line: int, tally: Tally) -> bool | None:
    word = cell.strip().lower()
    if word in _YES:
        return True
    if word in _NO:
        return False if word else None
    if "socket" in word or re.fullmatch(r"dip-?\d+", word):
        return True
    tally.add("refused", f"{column} is {cell[:30]!r}: expected yes or no, left out", line)
    return None


def _side(cell: str, extra: dict[str, str], line: int, tally: Tally) -> str:
    word = fold(cell)
    if not word:
        return ""
    if word in _TOP:
        return "top"
    if word in _BOTTOM:
        return "bottom"
    extra["side"] = cell
    tally.add("refused", f"side is {cell[:30]!r}: expected top or bottom, not used", line)
    return ""


def _both(first: PartRow, second: PartRow, line: int, tally: Tally) -> PartRow:
    """One row from two of the same part: the first says what it can, the second fills gaps."""
    filled: dict[str, object] = {}
    differs = []
    for entry in fields(PartRow):
        name = entry.name
        old, new = getattr(first, name), getattr(second, name)
        if name in ("ref", "line"):
            continue
        if name == "extra":
            filled[name] = {**second.extra, **first.extra}
        elif old in (None, ""):
            filled[name] = new
        elif new not in (None, "") and new != old:
            differs.append(f"{name} {old} and {new}")
    told = f"{first.ref} is in line {first.line} already"
    if differs:
        tally.add("refused", f"{told}: of {', '.join(differs)} the first is used", line)
    else:
        tally.add("repaired", f"{told}: counted once", line)
    return replace(first, **filled)  # type: ignore[arg-type]
