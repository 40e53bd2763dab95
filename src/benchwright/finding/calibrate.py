"""How far this board's chips are off the model, learnt from the readings on it.

What an ohmmeter shows on a signal line hangs on chips' junctions, and no table is good to better than a
factor of three. But one board's lines agree with each other: alike lines read alike. So each
reading is predicted from the model shifted by what earlier readings of alike lines, and of all lines, were
off: a two-level normal model, the board's own offset and each kind of line's.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field

BOARD_SD = 1.0
"""Spread of ln R from the model to a whole board (own)."""
LINE_SD = 0.7
"""Spread of one kind of line about its board (own)."""
OWN_SD = 0.35
"""Spread of one line about its kind; added to the unit-to-unit spread (own)."""


@dataclass
class Calibration:
    """Residuals of readings that look sound, by kind of line."""

    residuals: list[tuple[Hashable, float, float]] = field(default_factory=list)

    def clear(self) -> None:
        self.residuals.clear()

    def learn(self, likeness: Hashable, residual: float, weight: float) -> None:
        """Note how far a reading was off the model (in ln R), and how surely it is of a sound line."""
        if weight > 0.05:
            self.residuals.append((likeness, max(-4.0, min(4.0, residual)), weight))

    def offset(self, likeness: Hashable) -> tuple[float, float]:
        """Expected offset of a reading of this kind of line, and its standard deviation."""
        own = OWN_SD**2
        line = LINE_SD**2
        board = BOARD_SD**2
        by_line: dict[Hashable, tuple[float, float]] = {}
        for key, residual, weight in self.residuals:
            total, count = by_line.get(key, (0.0, 0.0))
            by_line[key] = (total + weight * residual, count + weight)
        # Board level: each kind of line is one noisy measurement of the board's offset.
        precision, pull = 1.0 / board, 0.0
        for total, count in by_line.values():
            noise = line + own / count
            precision += 1.0 / noise
            pull += (total / count) / noise
        mean, variance = pull / precision, 1.0 / precision
        # Line level, about the board.
        mine = by_line.get(likeness)
        if mine is None:
            return mean, (variance + line) ** 0.5
        total, count = mine
        spread = variance + line
        gain = spread / (spread + own / count)
        return mean + gain * (total / count - mean), (spread * (1.0 - gain)) ** 0.5
