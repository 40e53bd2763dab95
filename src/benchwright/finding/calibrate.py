"""How far this board's chips are off the model, learnt from the readings on it.

What an ohmmeter shows on a signal line hangs on chips' junctions, and no table is good to better than a
factor of three. But one board's lines agree with each other: alike lines read alike, and a line that reads
high to ground reads high to its neighbours too. So ln R of a soft reading is modelled as

    model + board + kind of line + each line + own

with a normal spread for each term. What earlier readings were off predicts the next one; readings
that share a line are not counted as independent witnesses.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BOARD_SD = 0.7
"""Spread of ln R from the model to a whole board (own)."""
KIND_SD = 0.9
"""Spread of one kind of line about its board (own)."""
LINE_SD = 0.8
"""Spread of one line about its kind (own)."""
LINE_SD_COUNT = 3.0
"""That spread counts for so many lines that were seen to have it (own)."""
OWN_SD = 0.25
"""Spread of one reading about its line (own)."""

SOFT_SHARE = 0.3
"""A reading with less of its conductance in junctions teaches nothing about them (own)."""


@dataclass(frozen=True, slots=True)
class Likeness:
    """What a reading has in common with others: its kind of line, and its lines with their shares."""

    kind: Hashable
    lines: tuple[tuple[str, float], ...] = ()


class Features:
    """Numbers the kinds and lines, and turns readings into rows of the mixed model."""

    def __init__(self) -> None:
        self._number: dict[Hashable, int] = {"board": 0}

    def __len__(self) -> int:
        return len(self._number)

    def entries(self, likeness: Likeness) -> list[tuple[int, float]]:
        number = self._number
        kind = number.setdefault(("kind", likeness.kind), len(number))
        found = {0: BOARD_SD, kind: KIND_SD}
        for line, share in likeness.lines:
            column = number.setdefault(("line", line), len(number))
            found[column] = found.get(column, 0.0) + LINE_SD * share
        return list(found.items())

    def rows(self, likenesses: Sequence[Likeness]) -> Rows:
        """Rows of the mixed model, one for each likeness."""
        return Rows.of([self.entries(likeness) for likeness in likenesses])


@dataclass(frozen=True, slots=True)
class Rows:
    """Sparse rows of the mixed model: the features of each and their values, zeros where there are fewer.

    Attributes
    ----------
    column : ndarray of int, shape (rows, most features of one row)
    value : ndarray, same shape
    """

    column: Ints
    value: Floats

    @classmethod
    def of(cls, entries: Sequence[Sequence[tuple[int, float]]]) -> Rows:
        wide = max(map(len, entries), default=0)
        column = np.zeros((len(entries), wide), dtype=np.int64)
        value = np.zeros((len(entries), wide))
        for row, terms in enumerate(entries):
            for place, (number, size) in enumerate(terms):
                column[row, place], value[row, place] = number, size
        return cls(column, value)

    def __len__(self) -> int:
        return len(self.column)


class Calibration:
    """The mixed model after the readings so far.

    Parameters
    ----------
    rows : Rows, length n
        Of the soft readings.
    residuals : ndarray, shape (n,)
        How far each was off the model, in ln R.
    noise : ndarray, shape (n,)
        Own standard deviation of each; large for a reading that may not be of a sound line.
    line_scale : float
        How far lines of a kind differ on this board, against `LINE_SD`.
    """

    def __init__(self, rows: Rows, residuals: Floats, noise: Floats, line_scale: float = 1.0) -> None:
        self._line_scale = line_scale
        rows = self._scaled(rows)
        # Only features that a reading has met are told apart; all others are at their prior.
        met = np.unique(rows.column[rows.value != 0.0])
        self._met = met
        count = len(met)
        design = np.zeros((len(rows), count + 1))
        np.add.at(design, (np.arange(len(rows))[:, None], self._place(rows.column)), rows.value)
        design = design[:, :count] / noise[:, None]
        self._design, self._residuals, self._noise = design, residuals, noise
        precision = design.T @ design
        precision[np.diag_indices(count)] += 1.0
        # One row and column of zeros more stands for every feature that was not met.
        self._covariance = np.zeros((count + 1, count + 1))
        self._mean = np.zeros(count + 1)
        if count:
            self._covariance[:count, :count] = np.linalg.inv(precision)
            self._mean[:count] = self._covariance[:count, :count] @ (design.T @ (residuals / noise))

    def without(self, left_out: Sequence[Ints]) -> tuple[Floats, Floats]:
        """What other readings predict for each of the readings: mean and standard deviation, shapes (n,).

        Parameters
        ----------
        left_out : sequence of ndarray of int
            For each reading, those not to be used for it, itself first.
        """
        count = len(self._residuals)
        kept = len(self._met)
        inverse = np.eye(count) - self._design @ self._covariance[:kept, :kept] @ self._design.T
        inverse /= np.outer(self._noise, self._noise)
        pulled = inverse @ self._residuals
        variance = 1.0 / np.diag(inverse)
        miss = pulled * variance
        for row, group in enumerate(left_out):
            if len(group) > 1:
                # Readings left out together: the inverse of their block tells both.
                block = np.linalg.inv(inverse[np.ix_(group, group)])
                miss[row], variance[row] = float(block[0] @ pulled[group]), block[0, 0]
        spread = np.sqrt(np.maximum(variance - self._noise**2, 1e-4))
        return self._residuals - miss, spread

    def _scaled(self, rows: Rows) -> Rows:
        # The first two features of a row are the board and the kind of line.
        value = rows.value.copy()
        value[:, 2:] *= self._line_scale
        return Rows(rows.column, value)

    def _place(self, column: Ints) -> Ints:
        """Where features stand in the arrays; past the end for those not met."""
        if not len(self._met):
            return np.zeros_like(column)
        place = np.minimum(np.searchsorted(self._met, column), len(self._met) - 1)
        return np.where(self._met[place] == column, place, len(self._met))

    def offsets(self, rows: Rows) -> tuple[Floats, Floats]:
        """What all readings so far predict for others: mean and standard deviation, shapes (m,)."""
        place = self._place(rows.column)
        value = self._scaled(rows).value
        mean = (self._mean[place] * value).sum(axis=1)
        variance = np.where(place == len(self._met), value * value, 0.0).sum(axis=1)
        for a in range(value.shape[1]):
            for b in range(value.shape[1]):
                variance += self._covariance[place[:, a], place[:, b]] * value[:, a] * value[:, b]
        return np.asarray(mean), np.sqrt(np.maximum(variance, 1e-4))


class SoftReadings:
    """The readings that hang on chips' junctions, in the order taken, and what each counts for."""

    def __init__(self, features: Features) -> None:
        self.features = features
        self.restart()

    def restart(self) -> None:
        self._entries: list[list[tuple[int, float]]] = []
        self._residuals: list[float] = []
        self._low: list[bool] = []
        self._faults: list[Ints] = []
        self._of_line: dict[int, list[int]] = {}

    def add(self, likeness: Likeness, residual: float, low: bool, faults: Ints) -> None:
        """Take in one reading.

        Parameters
        ----------
        likeness : Likeness
        residual : float
            How far it was off the model, in ln R of the junctions.
        low : bool
            Too low to be of junctions at all.
        faults : ndarray of int
            The faults that would move it.
        """
        number = len(self._residuals)
        entries = self.features.entries(likeness)
        for column, _ in entries[2:]:
            self._of_line.setdefault(column, []).append(number)
        self._entries.append(entries)
        self._residuals.append(residual)
        self._low.append(low)
        self._faults.append(faults)

    def noise(self, chance: Floats) -> Floats:
        """Standard deviation of each reading about its line, large where it may not be of a sound one.

        Parameters
        ----------
        chance : ndarray, shape (faults,)
            What is believed of each fault.
        """
        residuals = np.array(self._residuals)
        counts = np.array([len(faults) for faults in self._faults], dtype=np.int64)
        of = np.repeat(np.arange(len(counts)), counts)
        faults = np.concatenate([np.zeros(0, dtype=np.int64), *self._faults])
        affected = np.bincount(of, weights=chance[faults], minlength=len(counts))
        # A reading that a leading suspect explains teaches nothing about sound lines. Short of that it
        # counts in full: half-suspecting it would let a suspicion feed on itself.
        weight = np.where(affected < 0.5, 1.0, np.maximum(0.02, 1.0 - affected))
        # The board's own offset is about one; what is far off both it and the rest is no sound line.
        middle = float(np.clip(np.median(residuals), -2.5, 2.5)) if len(residuals) else 0.0
        weight *= np.exp(-0.5 * ((residuals - middle) / 1.7) ** 2)
        weight[np.array(self._low, dtype=bool)] = 1e-3
        return np.asarray(OWN_SD / np.sqrt(np.maximum(weight, 1e-4)))

    def fit(self, noise: Floats) -> Calibration:
        """This board's junctions, by readings that count for what `noise` of them tells."""
        return Calibration(Rows.of(self._entries), np.array(self._residuals), noise, self._line_scale())

    def _line_scale(self) -> float:
        """How far lines of one kind differ on this board, against `LINE_SD`: on many boards much less."""
        kinds: dict[int, list[float]] = {}
        seen: set[tuple[int, ...]] = set()
        for terms, residual in zip(self._entries, self._residuals, strict=True):
            # One reading of each line, and none that is between two lines.
            lines = tuple(column for column, _ in terms[2:])
            if len(lines) == 1 and lines not in seen:
                seen.add(lines)
                kinds.setdefault(terms[1][0], []).append(residual)
        off = [abs(x - float(np.median(found))) for found in kinds.values() if len(found) > 2 for x in found]
        groups = sum(len(found) > 2 for found in kinds.values())
        if not off:
            return 1.0
        # The median does not see the few lines that are not sound.
        spread = 1.48 * float(np.median(off))
        count = max(len(off) - groups, 1)
        mixed = (LINE_SD_COUNT * LINE_SD**2 + count * spread**2) / (LINE_SD_COUNT + count)
        return math.sqrt(mixed) / LINE_SD

    def without(self, calibration: Calibration) -> tuple[Floats, Floats, Floats, Floats]:
        """What other readings predict for each: means and standard deviations, shapes (readings,).

        First by all readings but later ones of its lines: of one line's readings the first stands against all
        other lines, and each later one against those too that came before it. Then by readings of other lines
        alone.
        """
        later, all_ = [], []
        for number, terms in enumerate(self._entries):
            lines = [column for column, _ in terms[2:]]
            alike = {row for line in lines for row in self._of_line[line]} - {number}
            later.append(np.array([number, *sorted(row for row in alike if row > number)]))
            all_.append(np.array([number, *sorted(alike)]))
        return (*calibration.without(later), *calibration.without(all_))
