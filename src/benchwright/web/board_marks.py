"""What lies on a job's board map: evidence, the probes of the next check, expected readings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..board import Board, Pin
from ..board.drawing import Placed
from ..board.model import Pad
from ..errors import BenchwrightError, UnknownName

if TYPE_CHECKING:
    from ..finding import Check, Suspect
    from .judging import Case

UNKNOWN, FINE, SUSPECTED, WRONG = range(4)
"""From the least to the most that is said of a place; what is worse wins."""
STATE_WORDS = ("unknown", "measured fine", "suspected", "measured wrong")
FAR = 3.0
"""A reading is wrong beyond this many standard deviations of what a sound board shows."""
SELDOM = 0.1
"""An observation is wrong if a sound board shows it less often."""
SUSPECT = 0.05
"""Chance from which a place is marked as suspected."""


@dataclass(frozen=True)
class Verdict:
    """One reading against what a sound board shows.

    Attributes
    ----------
    event : int
    what : str
        Quantity and points: later readings of the same replace it.
    pins, nets, parts : tuple of str
        What it speaks of.
    fine : bool
    text : str
        What was read.
    expected : str
        What a sound board shows; empty if that has no short words.
    """

    event: int
    what: str
    pins: tuple[str, ...]
    nets: tuple[str, ...]
    parts: tuple[str, ...]
    fine: bool
    text: str
    expected: str


def verdicts(case: Case) -> list[Verdict]:
    """Every reading of a job that can be held against a sound board; runs in the finders' process."""
    from ..finding.outcomes import Spread
    from ..finding.predict import measured
    from ..finding.reading import value_text

    pieces = [piece for piece in case.taken if piece.reading is not None]
    found = []
    for piece, entry in zip(pieces, case.finder.entries, strict=True):
        outcome, spot = entry.outcome, entry.spot
        if outcome is None or entry.reading.good_unit or spot.quantity == "symptom":
            continue
        if isinstance(outcome, Spread):
            value = measured(spot, entry.value)
            if not isinstance(value, float):
                continue
            centre = outcome.mean0 + outcome.soft0 * entry.lines[0]
            sd = math.hypot(outcome.sd0, outcome.soft0 * entry.lines[1])
            if math.isinf(value):
                fine = centre > outcome.top - FAR * sd
            else:
                fine = abs(value - centre) <= FAR * sd
        else:
            fine = outcome.log_likelihood(entry.value)[0] >= math.log(SELDOM)
        pins, nets = [], []
        for pin, net in ((spot.pin_a, spot.net_a), (spot.pin_b, spot.net_b)):
            if net == case.board.ground and (spot.pin_a, spot.net_a) != (pin, net):
                continue  # ground is what it was measured against
            pins += [str(pin)] if pin is not None else []
            nets += [net] if net is not None else []
        points = " to ".join(text for text in (entry.reading.a, entry.reading.b) if text)
        found.append(
            Verdict(
                piece.event.number, f"{spot.quantity} {points}", tuple(pins), tuple(nets),
                (spot.part,) if spot.part else (), fine, value_text(spot, entry.value),
                _centre(outcome, spot.quantity),
            )
        )  # fmt: skip
    return found


def _centre(outcome: object, quantity: str) -> str:
    """What a sound board shows, in words."""
    from ..finding.outcomes import Spread, Words
    from ..units import format_quantity

    if isinstance(outcome, Words):
        best = int(outcome.chance0.argmax())
        return outcome.names[best] if outcome.chance0[best] > 0.5 else ""
    assert isinstance(outcome, Spread)
    if quantity in ("resistance", "continuity"):
        if outcome.mean0 > outcome.top:
            return "over limit"
        low, high = (math.exp(outcome.mean0 + step * 2 * outcome.sd0) for step in (-1, 1))
        return f"{format_quantity(low, 'ohm')} to {format_quantity(high, 'ohm')}"
    unit = {"voltage": "V", "diode": "V", "frequency": "Hz", "current": "A"}.get(quantity, "")
    low, high = outcome.mean0 - 2 * outcome.sd0, outcome.mean0 + 2 * outcome.sd0
    return f"{format_quantity(low, unit)} to {format_quantity(high, unit)}"


def expected_at(case: Case, points: Sequence[str]) -> list[tuple[str, str, str]]:
    """What a sound board shows at points, black probe on ground: point, quantity, words."""
    from ..finding.reading import Reading, understand

    found = []
    for point in points:
        for quantity, value in (("resistance", "1"), ("voltage", "1")):
            try:
                spot, _ = understand(case.board, Reading(quantity, point, "", value))
                words = _centre(case.finder.predictor.outcome(spot), spot.quantity)
            except BenchwrightError:
                continue
            if words:
                found.append((point, quantity, words))
    return found


def latest_verdicts(found: Iterable[Verdict]) -> list[Verdict]:
    """Without readings that were taken again later."""
    return list({one.what: one for one in found}.values())


@dataclass(frozen=True)
class Evidence:
    """A number of `STATE_WORDS` for each pad, part and net, in the drawing's order."""

    pads: list[int]
    parts: list[int]
    nets: list[int]


def evidence(board: Board, whole: Placed, found: Iterable[Verdict], suspects: Iterable[Suspect]) -> Evidence:
    """What is known of every place."""
    pins: dict[str, int] = {}
    nets: dict[str, int] = {}
    parts: dict[str, int] = {}

    def say(where: dict[str, int], names: Iterable[str], state: int) -> None:
        for name in names:
            where[name] = max(where.get(name, UNKNOWN), state)

    for one in latest_verdicts(found):
        state = FINE if one.fine else WRONG
        say(pins, one.pins, state)
        say(nets, one.nets, state)
        say(parts, one.parts, state)
    for suspect in suspects:
        if suspect.probability >= SUSPECT:
            say(pins, suspect.pins, SUSPECTED)
            say(parts, suspect.parts, SUSPECTED)
            say(nets, (net for net in suspect.nets if net != board.ground), SUSPECTED)
    pads = []
    for pad in whole.pads:
        of_pin = pins.get(str(pad.pin), UNKNOWN) if pad.pin is not None else UNKNOWN
        pads.append(max(of_pin, nets.get(pad.net, UNKNOWN) if pad.net is not None else UNKNOWN))
    names = dict.fromkeys([*board.nets, *(pad.net for pad in whole.pads if pad.net is not None)])
    return Evidence(
        pads, [parts.get(ref, UNKNOWN) for ref in board.pins_of], [nets.get(n, UNKNOWN) for n in names]
    )


@dataclass(frozen=True)
class Probes:
    """Where the proposed check's probes go: numbers of pads, -1 for none; or the part to look at."""

    red: int = -1
    black: int = -1
    part: str = ""


def probes(board: Board, whole: Placed, check: Check | None) -> Probes:
    """Pads for the probes of a check; a net is probed at the pad nearest to the other probe."""
    if check is None:
        return Probes()
    if not check.b:
        part = check.a if check.a in board.pins_of else ""
        return Probes(part=part)
    red, black = (_pads_for(board, whole, point) for point in (check.a, check.b))
    if not red or not black:
        return Probes(red[0] if red else -1, black[0] if black else -1)
    if len(red) > len(black):
        first = black[0]
        return Probes(_nearest(whole.pads, red, first), first)
    return Probes(red[0], _nearest(whole.pads, black, red[0]))


def _pads_for(board: Board, whole: Placed, point: str) -> list[int]:
    try:
        pin, net = board.point(point)
    except UnknownName:
        return []
    wanted = [
        n for n, pad in enumerate(whole.pads) if (pad.pin == pin if pin is not None else pad.net == net)
    ]
    bare = [n for n in wanted if not whole.pads[n].covered and whole.pads[n].side != "inner"]
    return sorted(bare or wanted, key=lambda n: whole.pads[n].pin is None)


def _nearest(pads: Sequence[Pad], among: Sequence[int], to: int) -> int:
    at = pads[to].at
    return min(among, key=lambda n: (pads[n].pin is None, math.dist(pads[n].at, at)))


def pin_told(board: Board, pin: Pin) -> str:
    """A pin with its function: "U7.14 (D3)"."""
    name = board.kind_pin(pin).name if pin.ref in board.parts else pin.number
    return str(pin) if name == pin.number else f"{pin} ({name})"
