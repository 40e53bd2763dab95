"""How far this board's chips are off the model, learnt from the readings on it.

What an ohmmeter shows on a signal line hangs on chips' junctions, and no table is good to better than a
factor of three. But one board's lines agree with each other: alike lines read alike, and a line that reads
high to ground reads high to its neighbours too. So ln R of a soft reading is modelled as

    model + board + kind of line + each line + own

with a normal spread for each term. What earlier readings were off predicts the next one; readings
that share a line are not counted as independent witnesses.
"""

from __future__ import annotations

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
    """

    def __init__(self, rows: Rows, residuals: Floats, noise: Floats) -> None:
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

    def _place(self, column: Ints) -> Ints:
        """Where features stand in the arrays; past the end for those not met."""
        if not len(self._met):
            return np.zeros_like(column)
        place = np.minimum(np.searchsorted(self._met, column), len(self._met) - 1)
        return np.where(self._met[place] == column, place, len(self._met))

    def offsets(self, rows: Rows) -> tuple[Floats, Floats]:
        """What all readings so far predict for others: mean and standard deviation, shapes (m,)."""
        place = self._place(rows.column)
        value = rows.value
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
        self._after: list[list[int]] = []
        self._of_line: dict[str, list[int]] = {}

    def left_out(self) -> list[Ints]:
        """For each reading, those that say nothing new of it: itself first, then later ones of its lines.

        Of the readings of one line the first stands against all other lines, and each later one against
        those too that came before it.
        """
        return [np.array(rows, dtype=np.int64) for rows in self._after]

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
        self._after.append([number])
        for line, _ in likeness.lines:
            rows = self._of_line.setdefault(line, [])
            for row in rows:
                if row != number and self._after[row][-1] != number:
                    self._after[row].append(number)
            if not rows or rows[-1] != number:
                rows.append(number)
        self._entries.append(self.features.entries(likeness))
        self._residuals.append(residual)
        self._low.append(low)
        self._faults.append(faults)

    def fit(self, chance: Floats) -> Calibration:
        """This board's junctions, from what looks sound.

        Parameters
        ----------
        chance : ndarray, shape (faults,)
            What is believed of each fault.
        """
        residuals = np.array(self._residuals)
        if not len(residuals):
            return Calibration(Rows.of([]), residuals, residuals)
        counts = np.array([len(faults) for faults in self._faults])
        of = np.repeat(np.arange(len(counts)), counts)
        affected = np.bincount(of, weights=chance[np.concatenate(self._faults)], minlength=len(counts))
        # A reading that a leading suspect explains teaches nothing about sound lines. Short of that it
        # counts in full: half-suspecting it would let a suspicion feed on itself.
        weight = np.where(affected < 0.5, 1.0, np.maximum(0.02, 1.0 - affected))
        # The board's own offset is about one; what is far off both it and the rest is no sound line.
        middle = float(np.clip(np.median(residuals), -2.5, 2.5))
        weight *= np.exp(-0.5 * ((residuals - middle) / 1.7) ** 2)
        weight[np.array(self._low)] = 1e-3
        noise = OWN_SD / np.sqrt(np.maximum(weight, 1e-4))
        return Calibration(Rows.of(self._entries), residuals, noise)
