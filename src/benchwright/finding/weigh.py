"""Mend now, or check once more: the leading suspects and checks as a problem for the planner."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .plan import Plan, Problem, plan
from .words import remedy_of

if TYPE_CHECKING:
    from .choose import CheckTable, Ranked
    from .finder import FaultFinder

MOST_FAULTS, MOST_CHECKS = 60, 8
TRY_MINUTES = 2.0
"""Trying the machine after a repair (own)."""
LEAST_LEAD = 0.15
"""Before one place is at least this likely, mending on suspicion is not weighed."""


def weigh(finder: FaultFinder, ranked: Sequence[Ranked]) -> tuple[Plan, list[int]] | None:
    """Plan over the leading suspects and the best checks.

    Parameters
    ----------
    finder : FaultFinder
    ranked : sequence of (bits, minutes, table, index)
        The checks worth making, best first.

    Returns
    -------
    (Plan, list of int) or None
        The plan, and the place that each of its repairs mends; None while no place stands out.
    """
    places, chance, _ = finder.place_chances()
    if not len(places) or float(places.max()) < LEAST_LEAD:
        return None
    kept = np.argsort(chance)[::-1][:MOST_FAULTS]
    kept = kept[chance[kept] > 1e-4]
    mended = list(dict.fromkeys(int(finder.groups[fault]) for fault in kept))
    minutes = np.zeros(len(mended))
    for fault in kept[::-1]:
        remedy = remedy_of(finder.board, finder.faults[fault])
        minutes[mended.index(int(finder.groups[fault]))] = remedy.minutes / remedy.success + TRY_MINUTES
    chosen = ranked[:MOST_CHECKS]
    problem = Problem(
        probability=chance[kept],
        repair_class=np.array([mended.index(int(finder.groups[fault])) for fault in kept]),
        repair_minutes=minutes,
        outcomes=[_outcomes(table, index, kept) for _, _, table, index in chosen],
        test_minutes=np.array([check_minutes for _, check_minutes, _, _ in chosen]),
    )
    return plan(problem, effort="quick"), mended


def _outcomes(table: CheckTable, index: int, kept: NDArray[np.int64]) -> NDArray[np.float64]:
    """Chances of each outcome of a check under the kept faults, shape (faults, cells)."""
    faults, rows = table.rows(index)
    found = np.tile(table.sound[index], (len(kept), 1))
    number = {int(fault): row for row, fault in enumerate(faults)}
    for place, fault in enumerate(kept):
        row = number.get(int(fault))
        if row is not None:
            found[place] = rows[row]
    return np.asarray(found / found.sum(axis=1, keepdims=True))
