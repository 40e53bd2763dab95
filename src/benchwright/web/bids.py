"""Bids that were asked for at this screen: kept while the app runs, to be looked at, changed and compared."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..jobs.bidding import Answer, Asked, Own, answer
from ..money.history_file import History

if TYPE_CHECKING:
    from ..board import Board

MOST = 40
"""Bids that are kept; the oldest goes first."""


@dataclass
class KeptBid:
    """A bid with all it was asked with.

    Attributes
    ----------
    key : str
        It has the page ``/bid/{key}``.
    asked : Asked
    board_name, board_text : str
        The machine's board file; empty for a machine of no board in particular.
    bench : str or None
        Where the records are whose history counts.
    with_bench : bool
        Whether it does.
    history : History or None
        From a file of one's own.
    history_name : str
    task : str
        Key of the work that makes it.
    answer : Answer or None
        Once it is made.
    """

    key: str
    asked: Asked
    board_name: str = ""
    board_text: str = ""
    bench: str | None = None
    with_bench: bool = False
    history: History | None = None
    history_name: str = ""
    task: str = ""
    answer: Answer | None = None


class Bids:
    """The bids of one app."""

    def __init__(self) -> None:
        self._bids: OrderedDict[str, KeptBid] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: str) -> KeptBid | None:
        """A bid by its key; None if it is not kept any more."""
        with self._lock:
            return self._bids.get(key)

    def keep(self, bid: KeptBid) -> None:
        """Keep a bid."""
        with self._lock:
            self._bids[bid.key] = bid
            while len(self._bids) > MOST:
                self._bids.popitem(last=False)

    def latest(self) -> list[KeptBid]:
        """Those that are made, the latest first."""
        with self._lock:
            return [bid for bid in reversed(self._bids.values()) if bid.answer is not None]


def make(progress: Callable[[float, str], None], bid: KeptBid) -> Answer:
    """Work a bid out; in a process of its own."""
    from ..money.census import generic_board

    board: Board
    if bid.board_text:
        from ..jobs.kept_board import read_kept

        board = read_kept(bid.board_text, bid.board_name)
    else:
        board = generic_board()
    own = None
    if bid.with_bench:
        from ..jobs import open_bench

        progress(0.0, "Reading the history in the records")
        with open_bench(bid.bench, create=False) as bench:
            own = Own.of(bench, board)
    progress(0.1, "Repairing in make-believe")
    return answer(
        bid.asked,
        board,
        own,
        bid.history,
        lambda done: progress(0.1 + 0.9 * done, "Repairing in make-believe"),
    )
