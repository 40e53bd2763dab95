"""The board that is kept with a job."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from ..board import Board
from ..board.board_file import read_board_file
from ..errors import BadFile
from .errors import BenchError
from .state import JobState

if TYPE_CHECKING:
    from ..faults.learned_rates import Key, Published


class NoBoard(BenchError):
    """What was asked needs the job's board, and none is kept with it."""


def board_of(state: JobState, job: int) -> Board:
    """The board kept with a job.

    Parameters
    ----------
    state : JobState
    job : int
        The job's number, for messages.

    Raises
    ------
    NoBoard
        With what is missing, and what can be done without.
    BadFile
        What is kept is no board.
    """
    if not state.board_text.strip():
        kept = f"{len(state.readings)} reading" + ("" if len(state.readings) == 1 else "s")
        raise NoBoard(
            f"job {job} has no board with it, so the meaning of its {kept} cannot be worked out: give it "
            f"one with `benchwright job set {job} --board FILE`. What is recorded stays, and counts then; "
            "log, time, money, stock and sheets need no board"
        )
    try:
        return read_kept(state.board_text)
    except BadFile as problem:
        where = f"the board kept with job {job}" + (f" ({state.board_file})" if state.board_file else "")
        raise BadFile(where, problem.problem, problem.line, problem.field) from None


@lru_cache(maxsize=16)
def read_kept(text: str, name: str = "board") -> Board:
    """A board from the text of its file; the same text gives the same object.

    Raises
    ------
    BadFile
    """
    return read_board_file(Path(name), text)


@lru_cache(maxsize=64)
def published_of(text: str) -> dict[Key, Published]:
    """Published rates of a kept board."""
    from ..faults.learned_rates import published

    return published(read_kept(text))
