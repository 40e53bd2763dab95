"""Sums over a recording kept in batches, so that every figure drawn from them gets its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from .figure import Figure

Sums = npt.NDArray[np.float64]
_MOST = 64


class Batches:
    """Sums over successive stretches, merged in pairs so that their number stays between 32 and 64.

    A figure is computed from the sums over everything; its uncertainty comes from leaving out one batch
    after the other (the jackknife: Tukey 1958, from memory). Batches longer than what the signal remembers
    make it honest for slow changes too.

    Parameters
    ----------
    most : int
        Greatest number of batches kept; an even number.
    """

    def __init__(self, most: int = _MOST) -> None:
        self._most = most
        self._full: list[Sums] = []
        self._per_batch = 1
        self._open: Sums | None = None
        self._in_open = 0

    def add(self, sums: npt.ArrayLike) -> None:
        """Take the sums over one more stretch; every stretch should be equally long."""
        fresh = np.asarray(sums, np.float64)
        self._open = fresh.copy() if self._open is None else self._open + fresh
        self._in_open += 1
        if self._in_open < self._per_batch:
            return
        self._full.append(self._open)
        self._open, self._in_open = None, 0
        if len(self._full) == self._most:
            self._full = [a + b for a, b in zip(self._full[::2], self._full[1::2], strict=True)]
            self._per_batch *= 2

    def __len__(self) -> int:
        return len(self._full) + (self._open is not None)

    @property
    def batches(self) -> list[Sums]:
        """The sums of each batch, in order; the last may cover less than the others."""
        return self._full + ([] if self._open is None else [self._open])

    @property
    def total(self) -> Sums:
        """The sums over everything.

        Raises
        ------
        ValueError
            Nothing was added.
        """
        if not len(self):
            raise ValueError("no sums were added")
        total: Sums = np.sum(self.batches, axis=0)
        return total

    @classmethod
    def joined(cls, parts: list[Batches]) -> Batches:
        """All batches of several, of whatever lengths, as one."""
        whole = cls()
        whole._full = [batch for part in parts for batch in part.batches]
        return whole

    def figure(self, of: Callable[[Sums], float], unit: str, least: float = 0.0) -> Figure:
        """A function of the sums, with its uncertainty.

        Parameters
        ----------
        of : callable
            From sums to the figure's value.
        unit : str
            Unit of the value.
        least : float
            What the uncertainty is at least: what does not show as scatter, such as the resolution.

        Returns
        -------
        Figure
            With an infinite uncertainty if there are fewer than three batches.
        """
        total = self.total
        value = of(total)
        count = len(self)
        left_out = [of(total - batch) for batch in self.batches] if count >= 3 else []
        if not left_out or not all(math.isfinite(each) for each in left_out):
            return Figure(value, math.inf, unit)
        spread = (count - 1) / count * float(np.sum((np.array(left_out) - np.mean(left_out)) ** 2))
        return Figure(value, math.hypot(math.sqrt(spread), least), unit)
