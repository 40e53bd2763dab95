"""Mend now or check once more."""

from __future__ import annotations

import pytest

from benchwright import FaultFinder, Reading
from benchwright.board import Board
from random_boards import random_board


@pytest.fixture(scope="module")
def board() -> Board:
    return random_board(11, chips=8, nets=40, passives=24)


def test_nothing_is_mended_on_no_suspicion(board: Board) -> None:
    """Without a leading suspect the advice is a check."""
    assert FaultFinder(board).advice().due == "check"


def test_advice_always_leads_to_mending_or_a_stop(board: Board) -> None:
    """Once a short between two lines is sure, the advice names the place and the cure."""
    finder = FaultFinder(board)
    fault = next(
        f
        for f in finder.faults
        if f.mode == "bridge" and len(f.nets) == 2 and not {*f.nets} & {board.ground, *board.rails}
    )
    a, b = (str(board.nets[net][0]) for net in fault.nets)
    finder.record(Reading("resistance", a, b, "0.5"))
    for pin in board.nets[fault.nets[0]][1:4]:
        finder.record(Reading("resistance", str(pin), b, "0.6"))
    finder.record(Reading("look", fault.parts[0], value="debris"))
    advice = finder.advice()
    assert advice.due == "mend"
    assert "look between" in advice.text
    assert set(advice.suspects[0].nets) == set(fault.nets)
