"""Suspects, checks and advice, in a restorer's words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..board import Board, Pin
from ..circuit.elements import supply_pins
from ..faults import Fault
from ..faults.universe import table
from ..units import format_quantity
from .outcomes import CELLS, KNEE_OHMS, Outcome, Spread
from .reading import Spot

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Remedy:
    """Something one can do to cure a suspect.

    Attributes
    ----------
    minutes : float
        At the bench.
    cost : float
        Of the part, in the bench's currency; 0 if none is needed.
    success : float
        Chance that it cures the fault if the fault is this one.
    cautions : tuple of str
        Keys of the cautions to read first.
    """

    text: str
    minutes: float
    cost: float
    success: float
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Suspect:
    """A place where the fault may be.

    Attributes
    ----------
    probability : float
    mode : str
        The likeliest way it fails there.
    parts, pins, nets : tuple of str
        Likeliest spot first.
    text : str
        What is wrong, where, in words.
    remedies : tuple of Remedy
    because : tuple of str
        The readings that speak for it.
    """

    probability: float
    mode: str
    parts: tuple[str, ...]
    pins: tuple[str, ...]
    nets: tuple[str, ...]
    text: str
    remedies: tuple[Remedy, ...] = ()
    because: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OutcomeText:
    """One thing a check may show, and what it would mean."""

    shows: str
    probability: float
    means: str


@dataclass(frozen=True, slots=True)
class Check:
    """Something to measure or look at next.

    Attributes
    ----------
    minutes : float
        Bench minutes from the present state, with what must be switched or pulled first.
    bits : float
        Expected information.
    text : str
        What to do, and where.
    cautions : tuple of str
        Keys of the cautions to read first.
    outcomes : tuple of OutcomeText
        What each outcome would mean.
    """

    spot: Spot
    minutes: float
    bits: float
    text: str
    cautions: tuple[str, ...] = ()
    outcomes: tuple[OutcomeText, ...] = ()

    @property
    def quantity(self) -> str:
        return self.spot.quantity

    @property
    def a(self) -> str:
        """Red probe: a pin or a net; for a look, the part."""
        if self.spot.part:
            return self.spot.part
        return str(self.spot.pin_a) if self.spot.pin_a is not None else self.spot.net_a or self.spot.phrase

    @property
    def b(self) -> str:
        """Black probe: a pin or a net; empty for a look."""
        return str(self.spot.pin_b) if self.spot.pin_b is not None else self.spot.net_b or ""

    @property
    def power(self) -> bool:
        return self.spot.state.powered

    @property
    def removed(self) -> list[str]:
        """References of the parts to have out."""
        return sorted(self.spot.state.removed)


@dataclass(frozen=True, slots=True)
class Advice:
    """What is due now.

    Attributes
    ----------
    due : str
        ``check``, ``mend`` or ``stuck``.
    """

    due: str
    text: str
    suspects: tuple[Suspect, ...] = field(default=())

    @classmethod
    def mend_first(cls, best: Suspect, suspects: Sequence[Suspect], minutes: float, check: Check) -> Advice:
        """Mending a suspect comes cheaper than measuring on."""
        remedy = best.remedies[0].text if best.remedies else "mend it"
        return cls(
            "mend",
            f"{best.text} ({best.probability:.0%}). Mending it now comes cheaper than measuring on (about "
            f"{minutes:.0f} bench minutes in all): {remedy}, and try the machine. To be surer first: "
            f"{check.text[0].lower()}{check.text[1:]}",
            tuple(suspects),
        )

    @classmethod
    def of(cls, checks: Sequence[Check], suspects: Sequence[Suspect], none: float) -> Advice:
        best = suspects[0] if suspects else None
        if checks:
            return cls("check", checks[0].text, tuple(suspects))
        if best is None:
            return cls("stuck", "This board has nothing on it that could be suspected.", ())
        if none > best.probability:
            return cls(
                "stuck",
                "The readings fit none of the faults known here: look at what plugs into this board, at the "
                "supply outside it, and take the odd readings again.",
                tuple(suspects),
            )
        remedy = best.remedies[0].text if best.remedies else "mend it"
        if best.probability >= 0.9:
            return cls("mend", f"{best.text}. Now: {remedy}.", tuple(suspects))
        return cls(
            "mend",
            f"Nothing more can be learnt by measuring. The likeliest is: {best.text} "
            f"({best.probability:.0%}). Now: {remedy}, and measure again.",
            tuple(suspects),
        )


def suspect_of(
    board: Board, faults: Sequence[Fault], chance: Floats, probability: float, because: tuple[str, ...]
) -> Suspect:
    """One suspect from the faults of one place, likeliest first."""
    whole = max(float(chance.sum()), 1e-300)
    head = faults[0]
    text = head.text
    shown = [f for f, p in zip(faults, chance, strict=True) if p / whole > 0.03] or [head]
    if head.place[0] == "bridge":
        spots = list(dict.fromkeys(_spot_name(f) for f in shown if f.pins))
        if len(spots) > 1:
            text += "; other spots: " + ", ".join(spots[1:6])
    elif head.place[0] == "part":
        others = list(dict.fromkeys(f.mode for f in shown))[1:3]
        if others:
            text += f" (or {' or '.join(others)})"
    remedies: list[Remedy] = []
    for fault in shown:
        remedy = remedy_of(board, fault)
        if all(remedy.text != known.text for known in remedies):
            remedies.append(remedy)
    return Suspect(
        probability=min(probability, 1.0),
        mode=head.mode,
        parts=tuple(dict.fromkeys(ref for f in shown for ref in f.parts)),
        pins=tuple(dict.fromkeys(str(pin) for f in shown for pin in f.pins)),
        nets=tuple(dict.fromkeys(net for f in shown for net in f.nets)),
        text=text,
        remedies=tuple(remedies[:3]),
        because=because,
    )


def _spot_name(fault: Fault) -> str:
    return " and ".join(f"{pin.ref} pin {pin.number}" for pin in fault.pins)


def remedy_of(board: Board, fault: Fault) -> Remedy:
    """The cure of a fault with its minutes, cost and chance."""
    row = table("remedies")[fault.remedy]
    ref = fault.parts[0] if fault.parts else (fault.nets[0] if fault.nets else "it")
    pin = str(fault.pins[0]) if fault.pins else ref
    other = str(fault.pins[1]) if len(fault.pins) > 1 else pin
    minutes = float(row["minutes"])
    cost = 0.0
    if fault.remedy == "replace" and ref in board.parts:
        kind = board.kind_of(ref)
        cost = kind.price
        if board.parts[ref].socket:
            minutes = float(row["socket_minutes"])
        else:
            minutes = max(minutes, row["minutes_a_pin"] * len(board.pins_of.get(ref, ())))
    return Remedy(
        row["text"].format(ref=ref, pin=pin, other=other),
        minutes,
        cost,
        float(row["success"]),
        tuple(row["cautions"]),
    )


# -- checks --------------------------------------------------------------------------------------


def point_text(board: Board, pin: Pin | None, net: str | None) -> str:
    """Where to put a probe: ``U3 pin 14 (A7, net MA5)``."""
    if pin is None:
        if net == board.ground:
            return f"ground ({net})"
        return f"net {net}"
    name = board.kind_pin(pin).name if pin.ref in board.parts else pin.number
    label = f"{pin.ref} pin {pin.number}"
    inside = [name] if name != pin.number else []
    if net is not None and net != name:
        inside.append(f"net {net}")
    return f"{label} ({', '.join(inside)})" if inside else label


def describe_check(board: Board, spot: Spot) -> str:
    """What to do, in one sentence."""
    a = point_text(board, spot.pin_a, spot.net_a)
    b = point_text(board, spot.pin_b, spot.net_b)
    before = ""
    if spot.state.removed:
        out = ", ".join(sorted(spot.state.removed))
        before = f"With {out} out of the board: "
    if spot.quantity == "resistance":
        if spot.net_a == spot.net_b:
            what = f"beep along {spot.net_a}: resistance from {a} to {b}, power off"
        else:
            what = f"resistance from {a} to {b}, power off"
    elif spot.quantity == "voltage":
        what = f"voltage at {a} against {b}, power on"
    elif spot.quantity == "look":
        part = board.parts.get(spot.part)
        value = f" ({part.value})" if part is not None and part.value else ""
        what = f"look closely at {spot.part}{value}, its pins and the copper around it, with a lens"
    elif spot.quantity == "heat":
        what = f"feel whether {spot.part} runs hot, power on"
    elif spot.quantity == "logic":
        what = f"logic activity at {a}, power on: low, high, toggling, floating or between"
    elif spot.quantity == "diode":
        what = f"diode test, red on {a}, black on {b}, power off"
    else:
        what = f"{spot.quantity} at {a}"
    text = before + what
    return text[0].upper() + text[1:]


def check_cautions(board: Board, spot: Spot) -> tuple[str, ...]:
    """Keys of the cautions to read before a check."""
    found = []
    if spot.state.powered:
        found.append("powered_probing")
    elif spot.quantity in ("resistance", "diode"):
        found.append("power_off_first")
    for ref in spot.state.removed:
        found.append("static")
        part = board.parts.get(ref)
        if part is not None and not part.socket:
            found.append("desoldering")
    refs = {pin.ref for pin in (spot.pin_a, spot.pin_b) if pin is not None} | ({spot.part} - {""})
    for ref in refs:
        if ref in board.parts:
            category = board.kind_of(ref).category
            if category == "transformer":
                found.append("mains")
            if category == "modulator" and spot.state.powered:
                found.append("powered_probing")
            if spot.state.powered and _three_rails(board, ref):
                found.append("three_rail_memory")
    return tuple(dict.fromkeys(found))


def _three_rails(board: Board, ref: str) -> bool:
    kind = board.kind_of(ref)
    nominal = {
        board.rails[net].nominal
        for pin in supply_pins(board, ref)[1]
        if (net := board.net_of.get(pin, "")) in board.rails
    }
    return (
        kind.category in ("dynamic_ram", "eprom", "cpu") and any(v < 0 for v in nominal) and len(nominal) >= 3
    )


def describe_outcomes(
    board: Board, spot: Spot, outcome: Outcome, leads: Sequence[tuple[float, list[str]]]
) -> tuple[OutcomeText, ...]:
    """What a check may show and what each would mean, neighbouring ranges that mean the same joined."""
    if isinstance(outcome, Spread):
        rows = _ranges(spot, outcome, leads)
    else:
        rows = [(name, *leads[index]) for index, name in enumerate(outcome.names)]
    return tuple(OutcomeText(shows, p, _meaning(spot, names, p)) for shows, p, names in rows if p > 0.003)


def _meaning(spot: Spot, names: Sequence[str], p: float) -> str:
    return "then most likely " + " or ".join(names) if names else "no single suspect stands out"


def _ranges(
    spot: Spot, outcome: Spread, leads: Sequence[tuple[float, list[str]]]
) -> list[tuple[str, float, list[str]]]:
    edges = outcome.cell_edges()
    ohms = spot.quantity in ("resistance", "continuity")
    unit = (
        "ohm"
        if ohms
        else {"voltage": "V", "current": "A", "frequency": "Hz", "diode": "V"}.get(spot.quantity, "")
    )

    def written(x: float) -> str:
        value = math.exp(min(x, 40.0)) - KNEE_OHMS if ohms else x
        return format_quantity(max(value, 0.0) if ohms else value, unit)

    rows: list[tuple[int, int, float, list[str]]] = []
    for cell in range(CELLS):
        p, names = leads[cell]
        if rows and (rows[-1][3] == names or p < 0.003):
            start, _, before, kept = rows[-1]
            rows[-1] = (start, cell, before + p, kept)
        else:
            rows.append((cell, cell, p, names))
    found = []
    for first, last, p, names in rows:
        if first == 0 and last == CELLS - 1:
            shows = "anything"
        elif first == 0:
            beeps = ohms and math.exp(edges[last]) <= 60.0
            shows = f"below {written(edges[last])}" + (" (beeps)" if beeps else "")
        elif last == CELLS - 1:
            over = ohms and edges[first - 1] > math.log(3.0e6)
            shows = "OL" if over else f"above {written(edges[first - 1])}" + (" or OL" if ohms else "")
        else:
            shows = f"{written(edges[first - 1])} to {written(edges[last])}"
        found.append((shows, p, names))
    return found
