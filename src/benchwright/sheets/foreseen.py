"""What a change would do to a job's board, said before a trace is cut."""

from __future__ import annotations

from dataclasses import dataclass

from ..board import Board
from ..board.changes import Proof, parse_change
from ..board.rules import check_changes
from .from_changes import Departure, board_of, departures
from .told import CHANGE_VERB, History


@dataclass(frozen=True, slots=True)
class Foreseen:
    """One change to the board as it stands.

    Attributes
    ----------
    text : str
        As the board understands it.
    undo : str
        How to put it back.
    breaks : tuple of str
        Rules that the board breaks with it and did not break before.
    proofs : tuple of Proof
        Readings that show it done.
    """

    text: str
    undo: str
    breaks: tuple[str, ...]
    proofs: tuple[Proof, ...]


def foresee(history: History, text: str) -> Foreseen | None:
    """What a change would do, on the board with all changes that were made; None if nothing can be told.

    Parameters
    ----------
    history : History
    text : str
        ``cut U7.3 | U9.5``, or the words of something that no board file knows.

    Raises
    ------
    BadChange, UnknownName
        It names a pin, part or net that is not there, or cannot be made.
    """
    board = board_of(history)
    if board is None or not CHANGE_VERB.match(text):
        return None
    for made in departures(history):
        if made.change is not None:
            board = made.change.made_on(board)
    change = parse_change(board, text.strip())
    return Foreseen(
        change.text, _big(change.undo_text), _broken(board, change.made_on(board)),
        tuple(change.proof(board)),
    )  # fmt: skip


def breaks(made: Departure) -> tuple[str, ...]:
    """Rules that the board breaks since a change and did not break before it."""
    if made.change is None or made.board is None:
        return ()
    return _broken(made.board, made.change.made_on(made.board))


def _broken(before: Board, after: Board) -> tuple[str, ...]:
    return tuple(_big(one.text) for one in check_changes(before, after))


def _big(text: str) -> str:
    return text[:1].upper() + text[1:]
