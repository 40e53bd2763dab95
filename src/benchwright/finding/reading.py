"""One measurement or observation, and the board state it was taken in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from ..board import Board, Pin
from ..board.blocks import match_symptom
from ..circuit import BoardState
from ..errors import BadQuantity, BadReading
from ..units import format_quantity, parse_quantity, unit_of

LOOKS = ("nothing", "debris", "corroded", "cracked", "burnt", "leaked")
HEATS = ("cold", "warm", "hot")
SMELLS = ("nothing", "burnt", "fishy")
LOGIC = ("low", "high", "toggling", "floating", "between")
EVENTS = ("cleaned", "reflowed", "reseated", "replaced", "linked")

_SAME = {
    "resistance": "resistance", "ohms": "resistance", "ohm": "resistance", "r": "resistance",
    "continuity": "continuity", "beep": "continuity",
    "diode": "diode", "diode test": "diode", "diode-test": "diode", "junction": "diode",
    "voltage": "voltage", "volts": "voltage", "volt": "voltage", "v": "voltage", "dc voltage": "voltage",
    "look": "look", "looked": "look", "inspection": "look", "inspect": "look", "see": "look",
    "smell": "smell", "smelt": "smell",
    "heat": "heat", "temperature": "heat", "touch": "heat", "felt": "heat",
    "logic": "logic", "activity": "logic", "probe": "logic", "scope": "logic",
    "frequency": "frequency", "hz": "frequency", "current": "current", "amps": "current", "a": "current",
    "symptom": "symptom", "shows": "symptom",
    "cleaned": "cleaned", "clean": "cleaned", "reflowed": "reflowed", "reflow": "reflowed",
    "reseated": "reseated", "reseat": "reseated", "replaced": "replaced", "replace": "replaced",
    "swapped": "replaced", "swap": "replaced", "linked": "linked", "link": "linked", "wired": "linked",
}  # fmt: skip
QUANTITIES = tuple(dict.fromkeys(_SAME.values()))
QUANTITY_WORDS = tuple(_SAME)
"""Every way to say which quantity is meant."""
_POWERED = frozenset(("voltage", "logic", "frequency", "current", "heat"))

_LOOK_WORDS = {
    "nothing": "nothing", "none": "nothing", "ok": "nothing", "fine": "nothing", "clean": "nothing",
    "nothing seen": "nothing", "good": "nothing",
    "debris": "debris", "whisker": "debris", "solder": "debris", "bridge": "debris", "dirt": "debris",
    "dirty": "debris", "splash": "debris",
    "corroded": "corroded", "corrosion": "corroded", "green": "corroded", "rust": "corroded",
    "oxidised": "corroded", "oxidized": "corroded", "cracked": "cracked", "crack": "cracked",
    "cracked joint": "cracked", "broken": "cracked", "dry joint": "cracked", "burnt": "burnt",
    "burned": "burnt", "scorched": "burnt", "charred": "burnt", "leaked": "leaked", "leaking": "leaked",
    "leak": "leaked", "bulging": "leaked",
}  # fmt: skip
_HEAT_WORDS = {
    "cold": "cold", "cool": "cold", "normal": "cold", "ok": "cold", "nothing": "cold", "warm": "warm",
    "hot": "hot", "very hot": "hot", "burning": "hot",
}  # fmt: skip
_LOGIC_WORDS = {
    "low": "low", "0": "low", "l": "low", "high": "high", "1": "high", "h": "high", "toggling": "toggling",
    "toggles": "toggling", "pulsing": "toggling", "pulses": "toggling", "active": "toggling",
    "activity": "toggling", "floating": "floating", "float": "floating", "tristate": "floating",
    "open": "floating", "between": "between", "undefined": "between", "half": "between", "mid": "between",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Reading:
    """One measurement or observation.

    Attributes
    ----------
    quantity : str
        ``resistance``, ``continuity``, ``diode``, ``voltage``, ``look``, ``smell``, ``heat``, ``logic``,
        ``frequency``, ``current``, ``symptom``; or an event: ``cleaned``, ``reflowed``, ``reseated``,
        ``replaced``, ``linked``.
    a, b : str
        Where the probes are (red, black): ``U3.14`` or a net's name; for a look, heat or an event the
        reference of the part. A missing `b` means the board's ground.
    value : float or str
        As people write it: 0.8, "0R8", "4k7", "12.7 V", "OL", "debris", "toggling", "no picture".
    power : bool
        Power on. Always true for voltage, logic, frequency, current and heat.
    removed : sequence of str
        References of the parts that were out.
    note : str
    good_unit : bool
        Taken on a unit known to work: it teaches what is normal, and accuses nothing.
    """

    quantity: str
    a: str = ""
    b: str = ""
    value: float | str = ""
    power: bool = False
    removed: Sequence[str] = ()
    note: str = ""
    good_unit: bool = False


class BadField(BadReading):
    """A reading that makes no sense, with the field that is at fault (``quantity``, ``a``, ``value`` ...)."""

    def __init__(self, field: str, problem: str) -> None:
        self.field = field
        super().__init__(problem)


@dataclass(frozen=True, slots=True)
class Spot:
    """What a reading or a check is about, with its points found on the board.

    `pin_a` and `net_a` may both be set; a look has only `part`.
    """

    quantity: str
    pin_a: Pin | None = None
    net_a: str | None = None
    pin_b: Pin | None = None
    net_b: str | None = None
    part: str = ""
    phrase: str = ""
    state: BoardState = field(default_factory=BoardState)


def understand(board: Board, reading: Reading) -> tuple[Spot, float | str]:
    """Find the points of a reading on the board and make sense of its value.

    Returns
    -------
    (Spot, float or str)
        The value is a float for measurements, a word for observations.

    Raises
    ------
    UnknownName
        A point or part is not on this board.
    BadReading
        Quantity, points and value make no sense together.
    """
    quantity = _SAME.get(reading.quantity.strip().lower())
    if quantity is None:
        raise BadField(
            "quantity", f"quantity {reading.quantity!r} is not known: use one of {', '.join(QUANTITIES)}"
        )
    removed = [board.ref(str(ref)) for ref in reading.removed if str(ref).strip()]
    state = BoardState.of(bool(reading.power) or quantity in _POWERED, removed)
    value = reading.value
    if quantity in EVENTS:
        return Spot(quantity, part=board.ref(_point_part(reading.a)), state=state), quantity
    if quantity == "symptom":
        return _symptom(reading, state)
    if quantity in ("look", "heat", "smell"):
        return _observed(board, reading, quantity, state)
    if not reading.a.strip():
        if quantity == "current":
            return Spot(quantity, state=state), _number(reading, quantity)
        raise BadField("a", f"a {quantity} reading needs a point, such as U3.14 or a net's name")
    pin_a, net_a = board.point(reading.a)
    pin_b, net_b = board.point(reading.b) if reading.b.strip() else (None, board.ground)
    if (pin_a, net_a) == (pin_b, net_b):
        raise BadField(
            "b", f"both points of the {quantity} reading are {reading.a}: expected two different points"
        )
    spot = Spot(quantity, pin_a, net_a, pin_b, net_b, state=state)
    if quantity == "logic":
        word = _LOGIC_WORDS.get(str(value).strip().lower())
        if word is None:
            raise BadField("value", f"logic {value!r} at {reading.a}: expected one of {', '.join(LOGIC)}")
        return spot, word
    if quantity == "continuity":
        text = str(value).strip().lower()
        if text in ("beep", "beeps", "yes", "y", "true", "connected"):
            return spot, 1.0
        if text in ("no", "n", "none", "silent", "no beep", "false"):
            return spot, math.inf
        return Spot("resistance", pin_a, net_a, pin_b, net_b, state=state), _number(reading, quantity)
    if quantity == "resistance" and reading.power:
        raise BadField(
            "power", "resistance is measured with the power off: take the power off, or mark the reading so"
        )
    number = _number(reading, quantity)
    if quantity == "resistance" and number < 0:
        # A meter that meets a charged capacitor shows this; as a number it says nothing.
        raise BadField(
            "value", f"resistance {reading.value!r} is below zero: discharge the capacitors and measure again"
        )
    return spot, number


_UNITS = {
    "resistance": "ohm", "continuity": "ohm", "diode": "volt", "voltage": "volt", "frequency": "hertz",
    "current": "ampere",
}  # fmt: skip


def _number(reading: Reading, quantity: str) -> float:
    at = f" at {reading.a}" if reading.a else ""
    try:
        value = parse_quantity(reading.value)
    except BadQuantity as problem:
        raise BadField("value", f"{quantity}{at}: {problem}") from None
    unit = unit_of(reading.value) if isinstance(reading.value, str) else None
    if unit not in (None, _UNITS[quantity]):
        raise BadField(
            "value", f"{quantity}{at}: {reading.value!r} is in {unit}, expected {_UNITS[quantity]}"
        )
    return value


def _point_part(text: str) -> str:
    return text.strip().partition(".")[0]


def _observed(board: Board, reading: Reading, quantity: str, state: BoardState) -> tuple[Spot, str]:
    words, allowed = {
        "look": (_LOOK_WORDS, LOOKS), "heat": (_HEAT_WORDS, HEATS), "smell": ({w: w for w in SMELLS}, SMELLS),
    }[quantity]  # fmt: skip
    word = words.get(str(reading.value).strip().lower())
    if word is None:
        raise BadField(
            "value", f"{quantity} {reading.value!r} at {reading.a}: expected one of {', '.join(allowed)}"
        )
    where = _point_part(reading.a)
    if quantity == "smell" and not where:
        return Spot(quantity, state=state), word
    return Spot(quantity, part=board.ref(where), state=state), word


def _symptom(reading: Reading, state: BoardState) -> tuple[Spot, str]:
    text = str(reading.value).strip()
    seen = "yes"
    if text.lower() in ("yes", "no", "true", "false", "") and reading.a.strip():
        seen = "no" if text.lower() in ("no", "false") else "yes"
        text = reading.a.strip()
    phrase = match_symptom(text)
    if phrase is None:
        raise BadField(
            "value",
            f"symptom {text!r} is not one this tool knows: try words such as 'no picture', 'black screen', "
            "'garbage on the screen', 'dead', 'works'",
        )
    return Spot("symptom", phrase=phrase, state=state), seen


def value_text(spot: Spot, value: float | str) -> str:
    """A reading's value as a person would say it."""
    if isinstance(value, str):
        return value
    unit = {
        "resistance": "ohm",
        "continuity": "ohm",
        "diode": "V",
        "voltage": "V",
        "frequency": "Hz",
        "current": "A",
    }
    return format_quantity(value, unit.get(spot.quantity, ""))
