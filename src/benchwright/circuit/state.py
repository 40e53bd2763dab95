"""The state a board is in when a reading is taken."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class BoardState:
    """Power on or off, and which parts are out.

    Changes (cuts, links ...) make a new board and so are not part of the state.
    """

    powered: bool = False
    removed: frozenset[str] = frozenset()

    @classmethod
    def of(cls, powered: bool = False, removed: Iterable[str] = ()) -> BoardState:
        return cls(bool(powered), frozenset(removed))

    def __str__(self) -> str:
        text = "power on" if self.powered else "power off"
        if self.removed:
            text += f", without {', '.join(sorted(self.removed))}"
        return text
