"""Records of IPC-D-356, A and B: columns, units, and the point lists of conductors and outlines.

Columns are counted from 1 in the comments, as in the standard.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from ..errors import BadFile

NAME_LENGTH = 14
REF_LENGTH = 6
PIN_LENGTH = 4
MOST_PLACE = 999_999
MOST_SIZE = 9_999
UNPLACED = "PLACES ARE NOT KNOWN FOR RECORDS AT X+000000Y+000000 WITHOUT A SIZE"
"""Comment by which a written file says that some pins have no pad."""
STANDS_FOR = " STANDS FOR "
"""Comment ``REF CONN12 STANDS FOR CONNECTOR12`` or ``PIN J1-VCCI STANDS FOR VCCIO``."""


@dataclass(frozen=True, slots=True)
class Units:
    """How long one count is, in millimetres, and whether angles are radians."""

    name: str
    mm: float
    radians: bool = False

    def length(self, count: int) -> float:
        """Millimetres of a count, without the dust of binary fractions."""
        return round(count * self.mm, 6)


UNITS = {
    "CUST 0": Units("CUST 0", 0.00254),
    "CUST": Units("CUST 0", 0.00254),
    "CUST 1": Units("CUST 1", 0.001),
    "CUST 2": Units("CUST 2", 0.00254, True),
    "SI": Units("SI", 0.001),
}

POINT_CODES = frozenset(("317", "327", "307", "367", "017", "027"))
"""Test records: one point of copper, or one hole, each."""


@dataclass(slots=True)
class TestRecord:
    """One line that describes a point of copper or a hole. Lengths are millimetres.

    Attributes
    ----------
    line : int
        Counted from 1.
    code : str
        Operation code.
    net : str
        As in the file: aliases not looked up, ``N/C`` kept.
    ref, pin : str
        Empty for a via or a bare point.
    via, midpoint : bool
    drill : float or None
    plated : bool or None
    access : int or None
        0 both sides, 1 the primary side, n another layer.
    at : (float, float) or None
    size : (float, float) or None
        Equal extents and `round` for a round pad.
    turn : float or None
        Degrees counter-clockwise.
    mask : int or None
        0 none, 1 primary side covered, 2 secondary, 3 both.
    layers : (int, int) or None
        Start and end of a blind or buried via.
    overflow : bool
        The columns did not hold, and the fields were found by their letters.
    clamped : bool
        A size or place is the largest the columns can hold.
    absurd : bool
        A number too large for any board was left out.
    no_dash : bool
        Column 27 does not part reference and pin.
    """

    line: int
    code: str
    net: str
    ref: str = ""
    pin: str = ""
    via: bool = False
    midpoint: bool = False
    drill: float | None = None
    plated: bool | None = None
    access: int | None = None
    at: tuple[float, float] | None = None
    size: tuple[float, float] | None = None
    round: bool = True
    turn: float | None = None
    mask: int | None = None
    layers: tuple[int, int] | None = None
    overflow: bool = False
    clamped: bool = False
    absurd: bool = False
    no_dash: bool = False

    __test__ = False


# From column 32 on; a record may end after any field from the position on. Some writers leave out the
# blank in column 72.
_FIXED = re.compile(
    r"([ M])([ D])([ \d]{4})([ PU])([ AT])([ \d]{2})X([+\- ])([ \d]{6})Y([+\- ])([ \d]{6})"
    r"(?:X([ \d]{4})(?:Y([ \d]{4})| {5})?(?:R([ \d]{3})| {4})? ?(?:S([ 0-3]))?"
    r"(?: *L(\d\d)(?: *L(\d\d))?)?)?\s*",
    re.ASCII,
)
_HOLE = re.compile(r"D\s*(\d+)\s*([PU]?)", re.ASCII)
_ACCESS = re.compile(r"A\s*(\d\d)", re.ASCII)
_PLACE = re.compile(r"X\s*([+-]?)\s*(\d+)\s*Y\s*([+-]?)\s*(\d+)", re.ASCII)
_SIZE = re.compile(r"\s*X\s*([+-]?\d+)(?:\s*Y\s*([+-]?\d+))?", re.ASCII)
_TURN = re.compile(r"R\s*(-?\d+(?:\.\d+)?)", re.ASCII)
_MASK = re.compile(r"S\s*([0-3])", re.ASCII)
_LAYERS = re.compile(r"L(\d\d)(?:\s*L(\d\d))?", re.ASCII)
_LONG_PIN = re.compile(r"(\S+?)(?=\s|M?D\d+[PU ]|A\d\d ?X|X[+-]?\d|$)", re.ASCII)
_LEFT = re.compile(
    r"(\S+)(?:\s+(VIA)\b\s*-?|\s+(\S+?)\s*-\s*(\S{1,4}?)(?=\s|M?D\d|A\d\d|X[+-]?\d|$))?", re.ASCII
)


def _count(text: str) -> int | None:
    text = text.strip()
    if not text:
        return None
    if " " in text:
        raise ValueError("blank inside a number")
    return int(text)


def read_test_record(text: str, line: int, units: Units) -> TestRecord:
    """Read one 317, 327, 307, 367, 017 or 027 line by its columns, or by its letters if they do not hold.

    Parameters
    ----------
    text : str
        The line, without line end and tabs.
    line : int
    units : Units

    Returns
    -------
    TestRecord
        `at` is None if no place could be found.
    """
    net = text[3:20].strip()  # columns 4-20: 356B uses all of them
    ref = text[20:26].strip()
    joint = text[26:27]
    regular = " " not in net and "\t" not in net and joint in ("-", " ", "") and " " not in ref
    if joint == "-":
        pin = text[27:31].strip()
    else:
        # A reference that begins before column 21 means that the whole line has moved.
        regular = regular and not (text[19:20].strip() and text[20:21].strip())
        pin = ""
        rest = text[20:31].strip()
        if rest.upper() != "VIA" and rest:
            # Reference and pin joined, or the dash out of its column.
            ref, dash, pin = rest.rpartition("-")
            if not dash:
                ref, _, pin = rest.partition(" ")
            ref, pin = ref.strip(), pin.strip()
            regular = regular and bool(ref)
    record = TestRecord(line, text[:3], net, ref, pin)
    found = _FIXED.fullmatch(text, 31) if regular else None
    if found is not None:
        try:
            _from_columns(record, found, units)
        except ValueError:
            found = None
    if found is None:
        _by_letters(record, text, units, regular)
    if record.ref.upper() == "VIA":
        record.via = True
        record.ref = record.pin = ""
    elif record.ref and joint != "-":
        record.no_dash = True
    return record


def _from_columns(record: TestRecord, found: re.Match[str], units: Units) -> None:
    mid, _, drill, plated, _, access, x_sign, x, y_sign, y, wide, high, turn, mask, start, end = (
        found.groups()
    )
    x_count, y_count = _count(x), _count(y)
    if x_count is None or y_count is None:
        raise ValueError("no place")
    hole = _count(drill)
    layer = _count(access)
    angle = _count(turn) if turn else None
    record.midpoint = mid == "M"
    record.drill = units.length(hole) if hole else None
    record.plated = {"P": True, "U": False}.get(plated)
    record.access = layer
    record.at = (
        units.length(-x_count if x_sign == "-" else x_count),
        units.length(-y_count if y_sign == "-" else y_count),
    )
    width = _count(wide) if wide else None
    height = _count(high) if high else None
    _set_size(record, width, height, units)
    record.turn = _degrees(angle, units)
    record.mask = int(mask) if mask and mask != " " else None
    if start:
        record.layers = (int(start), int(end or start))
    record.clamped = record.clamped or MOST_PLACE in (x_count, y_count) or hole == MOST_SIZE


def _by_letters(record: TestRecord, text: str, units: Units, regular: bool) -> None:
    record.overflow = True
    if regular and text[31:32] in (" ", "M", "") and text[32:33] in (" ", "D", ""):
        tail = text[31:]
    elif regular and text[26:27] == "-":
        pin = _LONG_PIN.match(text, 27)
        record.pin = pin[1] if pin else record.pin
        tail = text[pin.end() :] if pin else text[31:]
    else:
        left = _LEFT.match(text, 3)
        if left is None and text[0] == "0" and (left := _LEFT.match(f"?{text[3:]}")):
            # A continuation leaves the net to its parent.
            text = f"?{text[3:]}"
        if left is None:
            tail = text[31:]
        else:
            record.net = left[1] if left[1] != "?" else ""
            record.ref = left[2] or left[3] or ""
            record.pin = left[4] or ""
            tail = text[left.end() :]
    place = _PLACE.search(tail)
    head = tail[: place.start()] if place else tail
    record.midpoint = head.lstrip().startswith("M")
    hole = _HOLE.search(head)
    if hole:
        drill = _whole(record, hole[1])
        record.drill = units.length(drill) if drill else None
        record.plated = {"P": True, "U": False}.get(hole[2])
    access = _ACCESS.search(head)
    record.access = int(access[1]) if access else None
    if place is None:
        return
    x, y = _whole(record, place[1] + place[2]), _whole(record, place[3] + place[4])
    if x is not None and y is not None:
        record.at = (units.length(x), units.length(y))
    rest = tail[place.end() :]
    size = _SIZE.match(rest)
    if size:
        _set_size(record, abs(_whole(record, size[1]) or 0), abs(_whole(record, size[2] or "0") or 0), units)
        rest = rest[size.end() :]
    turn = _TURN.search(rest)
    record.turn = _degrees(float(turn[1][:9]), units) if turn else None
    mask = _MASK.search(rest)
    record.mask = int(mask[1]) if mask else None
    layers = _LAYERS.search(rest)
    record.layers = (int(layers[1]), int(layers[2] or layers[1])) if layers else None


def _whole(record: TestRecord, text: str) -> int | None:
    # Nine digits are a kilometre; int() itself refuses thousands of them.
    digits = text.lstrip("+-").lstrip("0")
    if len(digits) > 8:
        record.absurd = True
        return None
    count = int(digits or "0")
    return -count if text.startswith("-") else count


def _set_size(record: TestRecord, width: int | None, height: int | None, units: Units) -> None:
    if not width and not height:
        return
    wide, high = width or height or 0, height or 0
    record.clamped = MOST_SIZE in (wide, high)
    record.round = high == 0 or width == 0
    record.size = (units.length(wide), units.length(high or wide))


def _degrees(angle: float | None, units: Units) -> float | None:
    if angle is None:
        return None
    # Three columns cannot hold radians well; more than a turn must have been degrees.
    turned = math.degrees(angle) if units.radians and abs(angle) <= 2 * math.pi else float(angle)
    return turned % 360.0


# -- point lists of 378 and 389 ---------------------------------------------------------------------

_PEN = re.compile(r"X(\d{1,12})(?:Y(\d{1,12}))?", re.ASCII)
_POINT = re.compile(r"(?:X([+-]?\d{1,12}))?(?:Y([+-]?\d{1,12}))?", re.ASCII)


def read_paths(
    text: str, units: Units
) -> tuple[tuple[float, float] | None, list[list[tuple[float, float]]], list[str]]:
    """Read the free text of a 378 or 389 record with its continuations: pen, then points.

    Coordinates are modal; a blank draws a line; an asterisk lifts the pen.

    Returns
    -------
    pen : (float, float) or None
        Extents in millimetres.
    paths : list of list of points
        Millimetres.
    refused : list of str
        Words that are no points.
    """
    refused: list[str] = []
    words = text.replace("*", " * ").split()
    pen: tuple[float, float] | None = None
    if words and (found := _PEN.fullmatch(words[0])):
        pen = (units.length(int(found[1])), units.length(int(found[2] or found[1])))
        words = words[1:]
    paths: list[list[tuple[float, float]]] = [[]]
    x: int | None = None
    y: int | None = None
    for word in words:
        if word == "*":
            if paths[-1]:
                paths.append([])
            continue
        point = _POINT.fullmatch(word)
        if point is None or point.end() == 0:
            refused.append(word)
            continue
        x = int(point[1]) if point[1] is not None else x
        y = int(point[2]) if point[2] is not None else y
        if x is not None and y is not None:
            paths[-1].append((units.length(x), units.length(y)))
    return pen, [path for path in paths if path], refused


def check_text(text: str, file: str) -> None:
    """Refuse what is not a text file at all.

    Raises
    ------
    BadFile
        It has zero bytes, or nothing in it.
    """
    if "\0" in text:
        raise BadFile(file, "this is not a text file (it has zero bytes)")
    if not text.strip():
        raise BadFile(file, "the file is empty")
