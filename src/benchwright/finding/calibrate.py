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
from scipy import sparse
from scipy.linalg import solve_triangular

Floats = NDArray[np.float64]

BOARD_SD = 0.7
"""Spread of ln R from the model to a whole board (own)."""
KIND_SD = 0.9
"""Spread of one kind of line about its board (own)."""
LINE_SD = 0.8
"""Spread of one line about its kind (own)."""
OWN_SD = 0.25
"""Spread of one reading about its line (own)."""


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
        found = [(0, BOARD_SD), (kind, KIND_SD)]
        for line, share in likeness.lines:
            found.append((number.setdefault(("line", line), len(number)), LINE_SD * share))
        return found

    def rows(self, entries: Sequence[Sequence[tuple[int, float]]]) -> sparse.csr_array:
        """Rows of the mixed model, shape (readings, features)."""
        where = [(row, column, value) for row, terms in enumerate(entries) for column, value in terms]
        row, column, value = zip(*where, strict=True) if where else ((), (), ())
        return sparse.csr_array((value, (row, column)), shape=(len(entries), len(self)))


class Calibration:
    """The mixed model after the readings so far.

    Parameters
    ----------
    features : Features
    likenesses : sequence of Likeness, length n
        Of the soft readings, in the order they were taken.
    residuals : ndarray, shape (n,)
        How far each was off the model, in ln R.
    noise : ndarray, shape (n,)
        Own standard deviation of each; large for a reading that may not be of a sound line.
    """

    def __init__(
        self, features: Features, likenesses: Sequence[Likeness], residuals: Floats, noise: Floats
    ) -> None:
        self.features = features
        entries = [features.entries(likeness) for likeness in likenesses]
        self.rows = features.rows(entries)
        self.residuals = residuals
        covariance = (self.rows @ self.rows.T).toarray() + np.diag(noise * noise)
        self.lower = np.linalg.cholesky(covariance) if len(residuals) else np.zeros((0, 0))
        self.whitened = np.linalg.solve(self.lower, residuals) if len(residuals) else residuals

    def before(self, noise: Floats) -> tuple[Floats, Floats]:
        """What the earlier readings predict for each: mean, and standard deviation without its own noise."""
        if not len(self.residuals):
            return np.zeros(0), np.zeros(0)
        step = np.diag(self.lower)
        mean = self.residuals - step * self.whitened
        return mean, np.sqrt(np.maximum(step * step - noise * noise, 1e-4))

    def offsets(self, rows: sparse.csr_array) -> tuple[Floats, Floats]:
        """What all readings so far predict for others: mean and standard deviation, shapes (m,)."""
        prior = np.asarray(rows.multiply(rows).sum(axis=1)).ravel()
        if not len(self.residuals):
            return np.zeros(rows.shape[0]), np.sqrt(prior)
        # Either side may know lines that the other has not met; those have nothing in common.
        width = min(self.rows.shape[1], rows.shape[1])
        cross = np.asarray((self.rows[:, :width] @ rows[:, :width].T).toarray())
        half: Floats = np.asarray(solve_triangular(self.lower, cross, lower=True, check_finite=False)).T
        variance = prior - np.einsum("ij,ij->i", half, half)
        return np.asarray(half @ self.whitened), np.sqrt(np.maximum(variance, 1e-4))
