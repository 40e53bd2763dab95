"""The whole job on three make-believe units of the Fulmar 65."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ..board import Board, Pin
from ..faults.routes import breaks
from ..finding import Check, FaultFinder, Reading, Suspect
from .virtual_unit import Harm, VirtualUnit

MOST_CHECKS = 120


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of the demo: its name, what its owner says, and what is really wrong."""

    name: str
    story: str
    symptoms: tuple[str, ...]
    harms: tuple[Harm, ...]
    seed: int
    then: tuple[str, ...] = ()
    """Symptoms that are left once the first fault is mended."""


@dataclass(frozen=True, slots=True)
class Step:
    """One check of a demo unit, what it showed, and who leads after it."""

    check: Check
    value: float | str
    leader: Suspect


def units(board: Board) -> tuple[Unit, Unit, Unit]:
    """The three units of the demo."""
    return (_open_line(board), _shorted_bead(board), _two_faults(board))


def _open_line(board: Board) -> Unit:
    """MA5 is open between its series resistor and the memories: a via beside a leaker is gone."""
    net = "MA5"
    gap = next(g for g in breaks(board, net) if len(g.side) == 1 and g.near.ref.startswith("R"))
    via = next(pad.at for pad in board.pads if pad.pin is None and pad.net == net)

    def distance(ref: str) -> float:
        at = np.mean([board.pads_of[pin].at for pin in board.pins_of[ref]], axis=0)
        return float(np.abs(at - np.array(via)).sum())

    leaker = min((ref for ref, part in board.parts.items() if part.style == "electrolytic"), key=distance)
    return Unit(
        "unit 1", "Bought as 'screen full of garbage'.", ("garbage on the screen",),
        (
            Harm(
                "track", (gap.near.ref, gap.far.ref), (gap.near, gap.far), (net,), 0.0,
                {leaker: "leaked", gap.near.ref: "corroded"}, gap.side,
            ),
        ),
        11,
    )  # fmt: skip


def _shorted_bead(board: Board) -> Unit:
    ref = next(
        ref for ref, part in board.parts.items()
        if part.style == "tantalum"
        and any(board.net_of.get(pin) == _rail(board, 5.0) for pin in board.pins_of[ref])
    )  # fmt: skip
    a, b = board.pins_of[ref][:2]
    return Unit(
        "unit 2", "Bought as 'dead, no power light'.", ("dead",),
        (Harm("short", (ref,), (a, b), (board.net_of[a], board.net_of[b]), 0.9, {}),), 12,
    )  # fmt: skip


def _rail(board: Board, nominal: float) -> str:
    return min(board.rails.values(), key=lambda rail: abs(rail.nominal - nominal)).net


def _two_faults(board: Board) -> Unit:
    cpu = next(ref for ref in board.parts if board.kind_of(ref).category == "cpu")
    d3 = Pin(cpu, board.kind_of(cpu).numbers_named("D3")[0])
    d4 = Pin(cpu, board.kind_of(cpu).numbers_named("D4")[0])
    socket = next(
        pin for ref in board.blocks["tape"].needs
        if ref in board.parts and board.kind_of(ref).category == "connector"
        for pin in board.pins_of[ref]
        if len(board.nets.get(board.net_of.get(pin, ""), ())) > 1 and board.net_of[pin] != board.ground
    )  # fmt: skip
    return Unit(
        "unit 3", "Bought as 'black screen, and tapes never loaded'.",
        ("black screen", "tape does not load"),
        (
            Harm("bridge", (cpu,), (d3, d4), (board.net_of[d3], board.net_of[d4]), 0.4, {cpu: "debris"}),
            Harm(
                "joint", (socket.ref,), (socket,), (board.net_of[socket],), 0.0, {socket.ref: "cracked"},
                frozenset((socket,)),
            ),
        ),
        13,
        ("tape does not load",),
    )  # fmt: skip


def investigate(
    board: Board, unit: Unit, harms: Sequence[Harm] | None = None, finder: FaultFinder | None = None
) -> tuple[FaultFinder, Iterator[Step]]:
    """Play one unit: the finder proposes, the make-believe unit answers.

    Returns
    -------
    (FaultFinder, iterator of Step)
        The steps happen as they are drawn from the iterator.
    """
    finder = finder or FaultFinder(board)
    bench = VirtualUnit(board, unit.harms if harms is None else harms, np.random.default_rng(unit.seed))
    for symptom in unit.symptoms if harms is None else unit.then:
        finder.record(Reading("symptom", value=symptom, power=True))

    def steps() -> Iterator[Step]:
        for _ in range(MOST_CHECKS):
            checks = finder.next_checks(1)
            if not checks:
                return
            check = checks[0]
            value = bench.answer(check.quantity, check.a, check.b, check.power, check.removed)
            finder.record(Reading(check.quantity, check.a, check.b, value, check.power, check.removed))
            yield Step(check, value, finder.suspects(1)[0])

    return finder, steps()


def verify(
    board: Board, unit: Unit, harms: Sequence[Harm], steps: Sequence[Step]
) -> list[tuple[Check, float | str, float | str]]:
    """Take the readings that were wrong again on the mended unit: (check, before, after)."""
    bench = VirtualUnit(board, harms, np.random.default_rng(unit.seed))
    changed = []
    for step in steps:
        check = step.check
        if check.quantity == "look" or check.removed:
            continue
        after = bench.answer(check.quantity, check.a, check.b, check.power, check.removed)
        if _differs(step.value, after):
            changed.append((check, step.value, after))
    return changed


def _differs(before: float | str, after: float | str) -> bool:
    if isinstance(before, str) or isinstance(after, str):
        return before != after
    if before == after:
        return False
    if float("inf") in (before, after):
        return True
    return max(before, after) > 1.5 * min(before, after) + 1.0
