"""Readings typed for a job that has no board: points are taken as they stand."""

from __future__ import annotations

import re
from collections.abc import Sequence

from ..errors import BadQuantity, BadReading
from ..units import parse_quantity, unit_of
from . import bodies

POINT = re.compile(r"[+-]?(?=[^\s]*[A-Z0-9+-])[A-Za-z0-9_/#~*.\[\]+-]+")
REF = re.compile(r"[A-Za-z]{1,4}\d{1,4}[A-Za-z]?")
EXAMPLES = "'U3.14 GND 0R8', '+5V 4.98', 'U3.14 toggling', 'note smells of smoke', '25 min', 'spent 3 flux'"
NOT_UNDERSTOOD = "not understood"
NOT_MEASURED = ("look", "smell", "heat", "symptom", "cleaned", "reflowed", "reseated", "replaced", "linked")
_NAMED = {
    **dict.fromkeys(("diode", "junction"), "diode"),
    **dict.fromkeys(("ohms", "ohm", "resistance"), "resistance"),
    **dict.fromkeys(("volts", "volt", "voltage"), "voltage"),
    **dict.fromkeys(("beep", "continuity"), "continuity"),
    **dict.fromkeys(("logic", "scope", "probe"), "logic"),
    **dict.fromkeys(("frequency",), "frequency"),
    **dict.fromkeys(("current", "amps"), "current"),
    **dict.fromkeys(("heat", "touch", "felt"), "heat"),
}
_BY_UNIT = {"volt": "voltage", "hertz": "frequency", "ampere": "current", "ohm": "resistance"}
_LOGIC = ("low", "high", "toggling", "pulsing", "floating", "between")
_LOOKS = ("debris", "corroded", "cracked", "burnt", "leaked", "fine", "clean", "ok")
_HEATS = ("cold", "warm", "hot")
_BEEPS = ("beep", "beeps", "no beep")
_RAIL = re.compile(r"[+-]?(\d{1,2}(?:[.,]\d+)?)V?|V(?:CC|DD)", re.IGNORECASE)
MOST_VOLTS = 50.0
"""As `finding.entry.MOST_VOLTS`."""


def read(line: str, state: bodies.State) -> bodies.Reading:
    """Understand a reading as well as can be without a board.

    Raises
    ------
    BadReading
        With examples.
    """
    words = [word for word in re.split(r"\s+|\s*=\s*", line.replace(": ", " ")) if word]
    quantity = _NAMED.get(words[0].lower(), "") if words else ""
    if quantity and len(words) > 2:
        words = words[1:]
    else:
        quantity = ""
    for count in (2, 1):
        points, value = words[:count], " ".join(words[count:])
        if not value or not all(POINT.fullmatch(point) for point in points):
            continue
        if found := _with_value(points, value, quantity, state):
            powered = state.power and found not in ("resistance", "continuity", "look", "diode")
            if found in ("voltage", "logic", "frequency", "current", "heat"):
                powered = True
            return bodies.Reading(
                entry=line, quantity=found, a=points[0], b=points[1] if count == 2 else "", value=value,
                state=bodies.State(powered, state.removed),
            )  # fmt: skip
    raise BadReading(f"{NOT_UNDERSTOOD}: expected one or two points and a value (this job has no board)")


def _with_value(points: Sequence[str], value: str, named: str, state: bodies.State) -> str:
    """The quantity that a value is of; empty if it is none."""
    lowered = value.lower()
    if named:
        known = named in ("logic", "heat") or lowered in _BEEPS or _number(value) is not None
        return named if known else ""
    if lowered in _BEEPS:
        return "continuity"
    if len(points) == 1:
        for words, quantity in ((_LOGIC, "logic"), (_LOOKS, "look"), (_HEATS, "heat")):
            if lowered in words and (quantity == "logic" or REF.fullmatch(points[0])):
                return quantity
    number = _number(value)
    if number is None:
        return ""
    if by_unit := _BY_UNIT.get(unit_of(value) or ""):
        return by_unit
    if unit_of(value) is not None:
        return ""
    return "voltage" if _volts(points, number, state) else "resistance"


def _number(value: str) -> float | None:
    try:
        return parse_quantity(value)
    except BadQuantity:
        return None


def _volts(points: Sequence[str], number: float, state: bodies.State) -> bool:
    """A bare number is volts with the power on, or on a rail that is near it."""
    if state.power and abs(number) <= MOST_VOLTS:
        return True
    rail = _RAIL.fullmatch(points[0])
    if rail is None or len(points) > 1:
        return False
    nominal = float(rail[1].replace(",", ".")) if rail[1] else 5.0
    return nominal > 0 and 0.6 <= abs(number) / nominal <= 1.5


def look(line: str, where: str, seen: str, state: bodies.State) -> bodies.Reading | None:
    """Something seen that a finder could use once there is a board; None if it is told in other words."""
    if seen.lower() not in _LOOKS or not REF.fullmatch(where):
        return None
    return bodies.Reading(
        entry=line, quantity="look", a=where, value=seen, state=bodies.State(False, state.removed)
    )


def pulled(word: str, rest: str, state: bodies.State, line: str) -> bodies.BoardState:
    """Parts pulled, or parts back in.

    Raises
    ------
    BadReading
        No part is named, or what is named is none.
    """
    refs = [ref.upper() for ref in re.split(r"[\s,]+", rest) if ref]
    odd = [ref for ref in refs if not REF.fullmatch(ref)]
    if odd:
        raise BadReading(f"{odd[0]!r} is no reference of a part: expected, for example, '{word} U7'")
    removed = set(state.removed)
    if word in ("in", "back", "fitted", "refitted"):
        if not removed:
            raise BadReading("no part is out: there is nothing to put back")
        removed -= set(refs) or removed
    elif refs:
        removed |= set(refs)
    else:
        raise BadReading(f"which part? Expected, for example, '{word} U7'")
    return bodies.BoardState(state=bodies.State(False, tuple(sorted(removed))), entry=line)
