"""Many make-believe repairs of one machine under one conduct, with chance that repeats."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from .stop_rule import Conduct, Repair

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SOLD, NOT_BEGUN, NOT_FOUND, NOT_WORTH, NOT_CURED = range(5)
"""How a repair ends: sold, or broken for parts and why."""

NO_GROUP = -1


@dataclass(frozen=True)
class Luck:
    """The draws of chance, so that two conducts or two prices meet the same machines.

    Attributes
    ----------
    price : ndarray, shape (draws,)
    which, leads, time, more : ndarray, shape (stages, draws)
        Which fault, whether it can be found, how long that takes, whether one more follows.
    cures : ndarray, shape (stages, tries, draws)
    """

    price: Floats
    which: Floats
    leads: Floats
    time: Floats
    more: Floats
    cures: Floats

    @classmethod
    def draw(cls, repair: Repair, draws: int, seed: int) -> Luck:
        rng = np.random.default_rng(seed)
        stages, tries = repair.bench.stages, repair.bench.tries
        return cls(
            price=rng.random(draws),
            which=rng.random((stages, draws)),
            leads=rng.random((stages, draws)),
            time=rng.random((stages, draws)),
            more=rng.random((stages, draws)),
            cures=rng.random((stages, tries, draws)),
        )


@dataclass(frozen=True)
class Repairs:
    """What came of the make-believe repairs; every array has shape (draws,) if not said otherwise.

    Attributes
    ----------
    end : ndarray of int
        `SOLD` ...
    minutes : ndarray
        At the bench until the last fault was cured or the repair given up.
    parts : ndarray
        Money for parts.
    group : ndarray of int, shape (stages, draws)
        Kind of fault met at each stage; `NO_GROUP` for none or one of no listed kind.
    stage_minutes, stage_parts : ndarray, shape (stages, draws)
    """

    end: Ints
    minutes: Floats
    parts: Floats
    group: Ints
    stage_minutes: Floats
    stage_parts: Floats


def simulate(repair: Repair, conduct: Conduct, minute: float, luck: Luck) -> Repairs:
    """Repair the machine once for each draw.

    Parameters
    ----------
    repair : Repair
    conduct : Conduct
    minute : float
        What a minute at the bench costs.
    luck : Luck
    """
    troubles, bench = repair.troubles, repair.bench
    stages, draws = luck.which.shape
    end = np.full(draws, SOLD)
    group = np.full((stages, draws), NO_GROUP)
    minutes, parts = np.zeros((stages, draws)), np.zeros((stages, draws))
    cost = repair.tries_cost(minute)
    alive = np.arange(draws)
    for stage in range(stages):
        limit = float(conduct.limits[stage])
        if stage == 0 and limit > 0.0:
            minutes[0] += bench.setup_minutes
        which = np.searchsorted(
            np.cumsum(repair.chances[min(stage, 1)]), luck.which[stage, alive], side="right"
        )
        listed = which < len(troubles.first)
        fault = np.where(listed, which, 0) if len(troubles.first) else np.zeros(len(alive), dtype=np.int64)
        if len(troubles.names):
            group[stage, alive] = np.where(listed, troubles.group[fault], NO_GROUP)
        time = repair.median[stage] * np.exp(bench.spread * ndtri(luck.time[stage, alive]))
        found = listed & (luck.leads[stage, alive] >= bench.never) & (time <= limit) & (limit > 0.0)
        minutes[stage, alive] += np.where(found, time, limit)
        end[alive[~found]] = NOT_BEGUN if stage == 0 and limit == 0.0 else NOT_FOUND
        alive, fault = alive[found], fault[found]
        worth = troubles.success[fault] * conduct.worth[stage] > cost[fault]
        end[alive[~worth]] = NOT_WORTH
        alive, fault = alive[worth], fault[worth]
        uncured = np.ones(len(alive), dtype=bool)
        for attempt in range(bench.tries):
            minutes[stage, alive[uncured]] += repair.outlay[fault[uncured]]
            parts[stage, alive[uncured]] += troubles.cost[fault[uncured]]
            uncured &= luck.cures[stage, attempt, alive] >= troubles.success[fault]
        end[alive[uncured]] = NOT_CURED
        alive = alive[~uncured]
        alive = alive[luck.more[stage, alive] < repair.another[stage]]
        if not len(alive):
            break
    return Repairs(end, minutes.sum(axis=0), parts.sum(axis=0), group, minutes, parts)
