"""Two bridged lines are one line: they read the same to ground, to the last digit.

Alike lines of a board read alike, but seldom to one part in a hundred. So a line that reads just what
its neighbour read speaks for a bridge between them, and one that does not speaks against it, and a walk
along the lines with the black probe on ground tests all bridges between them on the way.

Some boards do have lines that read exactly alike, such as those that end on one chip only. How often
that happens is learnt from the readings themselves.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .outcomes import SLIP

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SAME_SD = 0.012
"""Two readings of one node differ by this in ln R: half digits of a plain meter, twice."""
BRIDGE_OHMS = 2.0
"""A bridge is of about this size or less, and counts where the line itself reads low."""
EQUAL_PRIOR = (0.6, 6.0)
"""Beta prior of the chance that alike lines read exactly the same without a bridge (own)."""


def same_sd(x: float) -> float:
    """Standard deviation in x between two readings of one node, x = ln(R + 0.5 ohm)."""
    ohms = max(math.exp(x) - 0.5, 0.05) if math.isfinite(x) else 1e7
    return math.hypot(SAME_SD, BRIDGE_OHMS / (ohms + 0.5))


class Ties:
    """What each line read to ground so far, and what that says of bridges.

    Parameters
    ----------
    bridges : Mapping of str to sequence of (int, str)
        For each net, the bridge faults on it with the net at their other end.
    """

    def __init__(self, bridges: Mapping[str, Sequence[tuple[int, str]]]) -> None:
        self.bridges = bridges
        self.restart()

    def restart(self) -> None:
        self.levels: dict[tuple[frozenset[str], str], float] = {}
        self._alike: dict[tuple[frozenset[str], Hashable], list[float]] = {}
        self._equal, self._pairs = EQUAL_PRIOR

    def so_far(self, net: str, kind: Hashable, removed: frozenset[str]) -> Tie:
        """What the readings so far say of one of `net` to ground."""
        bridged = tuple(
            (fault, level)
            for fault, other in self.bridges.get(net, ())
            if (level := self.levels.get((removed, other))) is not None
        )
        alike = tuple(level for level in self._alike.get((removed, kind), ()) if math.isfinite(level))
        return Tie(bridged, alike, self._equal / (self._equal + self._pairs))

    def learn(self, net: str, kind: Hashable, removed: frozenset[str], x: float) -> None:
        """Note what a line read."""
        seen = self._alike.setdefault((removed, kind), [])
        if math.isfinite(x) and (removed, net) not in self.levels:
            others = [level for level in seen if math.isfinite(level)]
            if others:
                nearest = min(abs(x - level) for level in others)
                hit = nearest < 2.5 * same_sd(x)
                self._equal += 1.0 if hit else 0.0
                self._pairs += 0.0 if hit else 1.0
            seen.append(x)
        self.levels.setdefault((removed, net), x)


@dataclass(frozen=True, slots=True)
class Tie:
    """What earlier readings say of one line's reading to ground.

    Attributes
    ----------
    bridged : tuple of (int, float)
        Bridge faults on the line, with what the line at their other end read.
    alike : tuple of float
        What lines of its kind read.
    equal : float
        How often two of those read exactly the same without a bridge.
    """

    bridged: tuple[tuple[int, float], ...]
    alike: tuple[float, ...]
    equal: float

    def weigh(self, x: float, sound: float, slip: float, faults: Ints, rows: Floats) -> tuple[float, Floats]:
        """Correct the log likelihoods of the line's reading.

        Parameters
        ----------
        x : float
            The reading; infinite for OL.
        sound, slip : float
            Log likelihood on a sound board, and of a slip.
        faults, rows : ndarray
            Faults with their own log likelihoods.

        Returns
        -------
        (float, ndarray)
            The corrected `sound` and `rows`.
        """
        rows = rows.copy()
        for fault, level in self.bridged:
            place = np.flatnonzero(faults == fault)
            if len(place):
                rows[place[0]] = _same(x, level, slip)
        if math.isfinite(x) and self.alike:
            equal = np.logaddexp.reduce([_normal(x, level, same_sd(x)) for level in self.alike])
            equal -= math.log(len(self.alike))
            lifted = float(np.logaddexp(math.log1p(-self.equal) + sound, math.log(self.equal) + equal))
            rows = np.where(rows == sound, lifted, rows)
            sound = lifted
        return sound, rows


def _same(x: float, level: float, slip: float) -> float:
    if math.isinf(x) or math.isinf(level):
        both = math.isinf(x) and math.isinf(level)
        return math.log1p(-SLIP) if both else math.log(SLIP) + slip
    near = _normal(x, level, math.sqrt(2.0) * same_sd(x))
    return float(np.logaddexp(math.log1p(-SLIP) + near, math.log(SLIP) + slip))


def _normal(x: float, mean: float, sd: float) -> float:
    z = (x - mean) / sd
    return -0.5 * z * z - math.log(sd * math.sqrt(2.0 * math.pi))
