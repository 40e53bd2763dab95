"""Readings as a person types them at the bench, in one line.

U3.14 GND 0R8              resistance between two points
U3.14 4k7                  the same, to ground
+5V 5.18                   a rail near its voltage: volts
U3.14 2.1V                 volts, by the unit
diode GND U3.14 0.62       a quantity named first
U3.14 toggling             logic activity
look U5 debris             (or: U5 debris, looked U5: debris)
U5 hot                     felt with the power on
shows no picture           a symptom
out U5 U7 / in U5          parts pulled, parts back (in alone: all of them)
power on / power off       what follows is taken so
cleaned U5, reflowed U5, reseated U5, replaced U5
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from ..board import Board
from ..circuit import BoardState
from ..errors import BadQuantity, BadReading, UnknownName
from ..units import parse_quantity, unit_of
from .reading import _HEAT_WORDS, _LOGIC_WORDS, _LOOK_WORDS, _SAME, EVENTS, Reading

HELP = (__doc__ or "").partition("\n\n")[2]

MOST_VOLTS = 50.0
"""A bare number above this is ohms, with the power on, too: no board here has such a rail."""
_OUT_WORDS = ("out", "pulled", "pull", "removed", "remove")
_IN_WORDS = ("in", "back", "fitted", "refitted")


@dataclass(frozen=True, slots=True)
class StateChange:
    """The board was put in another state: no reading, but what follows is taken in it."""

    state: BoardState
    text: str


def parse_entry(board: Board, text: str, state: BoardState | None = None) -> Reading | StateChange:
    """Understand one typed line.

    Parameters
    ----------
    board : Board
    text : str
    state : BoardState, optional
        The state the board is in now.

    Returns
    -------
    Reading or StateChange

    Raises
    ------
    BadReading
        With what was seen and an example of what was expected.
    UnknownName
        A point or part is not on this board.
    """
    state = state or BoardState()
    line = text.strip()
    if not line:
        raise BadReading("nothing was typed: expected a reading such as 'U3.14 GND 0R8'")
    words = _words(line)
    if not words:
        raise BadReading(f"{line!r} is not a reading: expected points and a value, such as 'U3.14 GND 0R8'")
    first = words[0].lower()
    if (
        first in (*_OUT_WORDS, *_IN_WORDS)
        and len(words) > 1
        and _is_point(board, words[0])
        and not _is_part(board, words[1])
    ):
        return _plain(board, words, state, line)  # nets are called OUT and IN, too
    if first in _OUT_WORDS:
        refs = frozenset(board.ref(word) for word in words[1:])
        if not refs:
            raise BadReading(f"{line!r} names no part: expected, for example, 'out U7'")
        return StateChange(BoardState.of(False, state.removed | refs), f"out: {', '.join(sorted(refs))}")
    if first in _IN_WORDS:
        refs = frozenset(board.ref(word) for word in words[1:]) or state.removed
        if not refs:
            raise BadReading("no part is out: 'in' has nothing to put back")
        return StateChange(BoardState.of(False, state.removed - refs), f"back in: {', '.join(sorted(refs))}")
    if first == "power" and len(words) == 2 and words[1].lower() in ("on", "off"):
        return StateChange(
            BoardState.of(words[1].lower() == "on", state.removed), f"power {words[1].lower()}"
        )
    if first in ("shows", "symptom"):
        return Reading("symptom", value=" ".join(words[1:]), power=True)
    quantity = _SAME.get(first)
    if quantity in ("a", None) or (
        len(words) > 1 and first in ("r", "v", "a", "l") and _is_point(board, first)
    ):
        quantity = None
    if quantity is not None and len(words) > 1:
        return _named(board, quantity, words[1:], state, line)
    return _plain(board, words, state, line)


def _words(line: str) -> list[str]:
    found: list[str] = []
    for word in re.split(r"[\s:=]+", line):
        # 4,7k has a decimal comma; U5.3,GND,4k7 has commas between its words.
        found += [word] if _is_quantity(word) else word.split(",")
    return [word for word in found if word]


def _is_quantity(text: str) -> bool:
    try:
        parse_quantity(text)
    except BadQuantity:
        return False
    return True


def _named(board: Board, quantity: str, words: list[str], state: BoardState, line: str) -> Reading:
    removed = sorted(state.removed)
    if quantity in EVENTS:
        return Reading(quantity, a=board.ref(words[0].partition(".")[0]), removed=removed)
    if quantity in ("look", "heat", "smell"):
        if len(words) == 1:
            return (
                Reading(quantity, value=words[0])
                if quantity == "smell"
                else Reading(quantity, words[0], value="nothing")
            )
        return Reading(
            quantity, a=board.ref(words[0].partition(".")[0]), value=" ".join(words[1:]), removed=removed
        )
    if quantity == "current" and not _is_point(board, words[0]):
        return Reading(quantity, value=" ".join(words), power=True)
    if len(words) < 2:
        raise BadReading(f"{line!r} has no value: expected, for example, '{quantity} U3.14 GND 0R8'")
    a, rest = words[0], words[1:]
    if len(rest) >= 2 and _is_point(board, rest[0]):
        return Reading(
            quantity, a, rest[0], " ".join(rest[1:]), state.powered and quantity != "resistance", removed
        )
    return Reading(quantity, a, "", " ".join(rest), state.powered and quantity != "resistance", removed)


def _plain(board: Board, words: list[str], state: BoardState, line: str) -> Reading:
    removed = sorted(state.removed)
    if len(words) < 2:
        raise BadReading(f"{line!r} is not a reading: expected points and a value, such as 'U3.14 GND 0R8'")
    a = words[0]
    two = len(words) > 2 and _is_point(board, words[1])
    b = words[1] if two else ""
    value = " ".join(words[2:] if two else words[1:])
    lowered = value.lower()
    if not two:
        is_part = _is_part(board, a)
        if is_part and lowered in _LOOK_WORDS:
            return Reading("look", board.ref(a), value=value, removed=removed)
        if is_part and lowered in _HEAT_WORDS:
            return Reading("heat", board.ref(a), value=value, power=True, removed=removed)
        if lowered in _LOGIC_WORDS and lowered not in ("0", "1", "open"):
            return Reading("logic", a, value=value, power=True, removed=removed)
    if lowered in ("beep", "beeps", "no beep"):
        return Reading("continuity", a, b, value, removed=removed)
    try:
        number = parse_quantity(value)
    except BadQuantity as problem:
        raise BadReading(f"{line!r}: {problem}") from None
    unit = unit_of(value)
    quantity = {"volt": "voltage", "hertz": "frequency", "ampere": "current", "ohm": "resistance"}.get(
        unit or ""
    )
    if quantity is None:
        volts = (state.powered and abs(number) <= MOST_VOLTS) or _near_rail(board, a, b, number)
        quantity = "voltage" if volts else "resistance"
    board.point(a)
    return Reading(quantity, a, b, value, quantity != "resistance", removed)


def _is_point(board: Board, text: str) -> bool:
    try:
        board.point(text)
    except UnknownName:
        return False
    return True


def _is_part(board: Board, text: str) -> bool:
    try:
        board.ref(text)
    except UnknownName:
        return False
    return True


def _near_rail(board: Board, a: str, b: str, number: float) -> bool:
    """A bare number on a rail that is close to the rail's voltage is volts, not ohms."""
    try:
        net = board.point(a)[1]
    except UnknownName:
        return False
    rail = board.rails.get(net or "")
    return rail is not None and not b and rail.nominal != 0 and 0.6 <= number / rail.nominal <= 1.5
