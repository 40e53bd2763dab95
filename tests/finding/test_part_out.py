"""A part is taken out for a check: the check is what is proposed then, not putting the part back."""

from __future__ import annotations

import numpy as np
import pytest

from benchwright.circuit import BoardState
from benchwright.demo import fulmar65
from benchwright.demo.tour import units
from benchwright.demo.virtual_unit import Harm, VirtualUnit
from benchwright.finding import Reading
from benchwright.jobs.evidence import JobFinder

BOARD = fulmar65.board()
BEADS = [ref for ref, part in BOARD.parts.items() if part.style == "tantalum"][:3]


@pytest.mark.parametrize("ref", BEADS)
def test_doing_what_a_check_asks_for_first_leads_to_that_check(ref: str) -> None:
    """With each short: every time parts go out or come back, the check they do so for is next."""
    a, b = BOARD.pins_of[ref][:2]
    harm = Harm("short", (ref,), (a, b), (BOARD.net_of[a], BOARD.net_of[b]), 0.9, {})
    unit = VirtualUnit(BOARD, (harm,), np.random.default_rng(5))
    finder = JobFinder(BOARD)
    for symptom in units(BOARD)[1].symptoms:
        finder.record(Reading("symptom", value=symptom, power=True))
    changes = 0
    for _ in range(25):
        checks = finder.next_checks(1)
        if not checks:
            break
        check = checks[0]
        if set(check.removed) != finder.state.removed:
            changes += 1
            finder.told = BoardState.of(False, check.removed)
            again = finder.next_checks(1)[0]
            assert (again.a, again.b, again.removed) == (check.a, check.b, check.removed)
        value = unit.answer(check.quantity, check.a, check.b, check.power, check.removed)
        finder.told = None
        finder.record(Reading(check.quantity, check.a, check.b, value, check.power, check.removed))
    assert changes
    assert ref in str(finder.suspects(1)[0].text)
