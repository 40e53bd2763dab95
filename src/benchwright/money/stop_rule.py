"""When to go on and when to break a machine for parts: the conduct with the best expected outcome.

A machine has faults one behind the other. Searching for the one that shows takes a time nobody knows
beforehand; once it is found, its remedy is known with its price and chance. At each point one may stop and
break the machine for parts. What was spent before does not count. Money is in units of the currency.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .troubles import Bench, Troubles

Floats = NDArray[np.float64]
_GRID = np.linspace(0.004, 0.996, 249)
"""Quantiles of the search time at which giving up is considered."""


@dataclass(frozen=True, slots=True)
class Ends:
    """What the ways out are worth.

    Attributes
    ----------
    sold : float
        What a mended machine brings on average, fees, postage and the last minutes paid.
    broken : float
        What its parts bring, 0 or more.
    minute : float
        What a minute at the bench costs.
    """

    sold: float
    broken: float
    minute: float


@dataclass(frozen=True, slots=True)
class Conduct:
    """How to go about a machine.

    Attributes
    ----------
    limits : ndarray, shape (stages,)
        After how many minutes of searching for the next fault to give up; 0 is not to search.
    worth : ndarray, shape (stages,)
        A remedy is tried while it costs less than this for each chance of success.
    expected : float
        Outcome to be expected before anything is spent.
    """

    limits: Floats
    worth: Floats
    expected: float


@dataclass(frozen=True)
class Repair:
    """A machine and a bench together: what the conduct and the simulation need.

    Attributes
    ----------
    median : ndarray, shape (stages,)
        Of the minutes to find the fault of each stage, if it is found.
    chances : ndarray, shape (2, faults)
        Of each fault at the first and at later stages; what is missing from one is not listed.
    another : ndarray, shape (stages,)
        Chance of one more fault once so many (1, 2, ...) are cured; 0 at last.
    outlay : ndarray, shape (faults,)
        Minutes of one try of the remedy.
    """

    troubles: Troubles
    bench: Bench
    median: Floats
    chances: Floats
    another: Floats
    outlay: Floats

    @classmethod
    def of(cls, troubles: Troubles, bench: Bench) -> Repair:
        from scipy.stats import poisson  # slow to load, and prices are read without it

        bits = np.full(bench.stages, troubles.hidden_bits)
        bits[0] = troubles.bits
        number = float(troubles.hidden.sum() + troubles.hidden_unlisted)
        later = troubles.hidden / number if number > 0 else troubles.hidden
        # Of a Poisson number of further faults: one more, given that so many were there.
        tails = poisson.sf(np.arange(bench.stages + 1) - 1, number)
        another = np.zeros(bench.stages)
        np.divide(tails[1:], tails[:-1], out=another, where=tails[:-1] > 0)
        another[-1] = 0.0
        return cls(
            troubles,
            bench,
            np.maximum(bench.minutes_a_bit * bits, 1e-3) * max(bench.slowness, 1e-6),
            np.stack([troubles.first, later]),
            another,
            (troubles.minutes * bench.slowness + bench.try_minutes),
        )

    def tries_cost(self, minute: float) -> Floats:
        """What one try of each remedy costs, shape (faults,)."""
        return self.troubles.cost + minute * self.outlay

    def conduct(self, ends: Ends) -> Conduct:
        """The conduct with the best expected outcome, worked out from the last stage backwards."""
        stages = self.bench.stages
        limits, worth = np.zeros(stages), np.zeros(stages)
        cost = self.tries_cost(ends.minute)
        value = ends.broken
        for stage in reversed(range(stages)):
            cured = (1.0 - self.another[stage]) * ends.sold + self.another[stage] * value
            worth[stage] = cured - ends.broken
            gain = self._gain(cost, worth[stage])
            limits[stage], value = self._search(stage, gain, ends)
        return Conduct(limits, worth, value)

    def _gain(self, cost: Floats, worth: float) -> Floats:
        """What finding each fault brings over breaking the machine, with as many tries as are left."""
        success = self.troubles.success
        once = np.maximum(success * worth - cost, 0.0)
        gain = np.zeros_like(cost)
        for _ in range(self.bench.tries):
            gain = np.where(once > 0, once + (1.0 - success) * gain, 0.0)
        return gain

    def _search(self, stage: int, gain: Floats, ends: Ends) -> tuple[float, float]:
        """After how many minutes to give up, and what the stage is then worth."""
        chances = self.chances[min(stage, 1)]
        found = (1.0 - self.bench.never) * float(chances.sum())
        mean = float(chances @ gain) / max(float(chances.sum()), 1e-300)
        times, done, spent = self._times(stage)
        # Minutes of searching up to the limit, whether it leads to anything or not.
        minutes = found * spent + times * (1.0 - found * done)
        setup = self.bench.setup_minutes if stage == 0 else 0.0
        worth = ends.broken + mean * found * done - ends.minute * (minutes + setup)
        best = int(np.argmax(worth))
        if worth[best] <= ends.broken:
            return 0.0, ends.broken
        return float(times[best]), float(worth[best])

    def _times(self, stage: int) -> tuple[Floats, Floats, Floats]:
        """Limits to consider; the chance of finding by then what can be found; its share of the minutes."""
        median, spread = float(self.median[stage]), self.bench.spread
        if spread == 0.0:
            return np.array([median]), np.ones(1), np.array([median])
        from scipy.special import ndtr, ndtri

        score = ndtri(_GRID)
        part = median * math.exp(spread**2 / 2) * ndtr(score - spread)
        return median * np.exp(spread * score), _GRID, part
