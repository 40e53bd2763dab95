"""What may be wrong with a machine, and what each trouble takes to cure: plain arrays for the bid."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .errors import BadBid

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@cache
def usual() -> Mapping[str, Mapping[str, Any]]:
    """The tables of bench.toml."""
    return tomllib.loads(files(__package__).joinpath("bench.toml").read_text(encoding="utf-8"))


@dataclass(frozen=True)
class Troubles:
    """The faults a machine may have, given its symptoms.

    Parameters
    ----------
    first : ndarray, shape (faults,)
        Chance that this is the fault that shows. What is missing from one is trouble of no listed kind,
        which the bench cannot cure.
    hidden : ndarray, shape (faults,)
        Expected number of each among the faults that come to light when the first is cured.
    minutes : ndarray, shape (faults,)
        Bench minutes of the remedy.
    cost : ndarray, shape (faults,)
        Of its parts, in the bid's currency.
    success : ndarray, shape (faults,)
        Chance that the remedy cures.
    group : ndarray of int, shape (faults,)
        Number in `names`.
    names : tuple of str
        Kinds of fault in words.
    bits : float
        Doubt, in bits, about where the first fault is.
    hidden_bits : float
        The same for a further one.
    hidden_unlisted : float
        Expected number of further troubles of no listed kind.
    """

    first: Floats
    hidden: Floats
    minutes: Floats
    cost: Floats
    success: Floats
    group: Ints
    names: tuple[str, ...]
    bits: float
    hidden_bits: float
    hidden_unlisted: float = 0.0

    def __post_init__(self) -> None:
        for name in ("first", "hidden", "minutes", "cost", "success"):
            values = np.asarray(getattr(self, name), dtype=np.float64)
            if values.shape != (len(self.first),) or not np.isfinite(values).all() or (values < 0).any():
                raise BadBid(f"{name}: expected {len(self.first)} numbers of 0 or more, one for each fault")
            object.__setattr__(self, name, values)
        group = np.asarray(self.group, dtype=np.int64)
        object.__setattr__(self, "group", group)
        if group.shape != self.first.shape or ((group < 0) | (group >= len(self.names))).any():
            raise BadBid("group: expected a number of `names` for each fault")
        if self.first.sum() > 1.0 + 1e-9 or (self.success > 1.0).any():
            raise BadBid("first must sum to 1 or less, and success must be 1 or less")
        for name in ("bits", "hidden_bits", "hidden_unlisted"):
            if not (np.isfinite(getattr(self, name)) and getattr(self, name) >= 0):
                raise BadBid(f"{name}: expected 0 or more")


@dataclass(frozen=True, slots=True)
class Bench:
    """How a bench works: minutes and chances beyond the remedies. By default those of bench.toml.

    Attributes
    ----------
    minutes_a_bit, spread, never : float
        Of the search for a cause; see bench.toml.
    slowness : float
        Factor on all minutes of searching and mending.
    """

    minutes_a_bit: float
    spread: float
    never: float
    setup_minutes: float
    finish_minutes: float
    strip_minutes: float
    try_minutes: float
    tries: int
    stages: int
    slowness: float = 1.0

    def __post_init__(self) -> None:
        for name in Bench.__slots__:
            value = getattr(self, name)
            if not (np.isfinite(value) and value >= 0):
                raise BadBid(f"{name.replace('_', ' ')} {value}: expected 0 or more")
        if self.never > 1 or self.tries < 1 or self.stages < 1:
            raise BadBid("never must be 1 or less; tries and stages at least 1")

    @classmethod
    def usual(cls, **changed: float) -> Bench:
        """The figures of bench.toml, some of them changed."""
        search = {key: usual()["search"][key] for key in ("minutes_a_bit", "spread", "never")}
        work = {key: value for key, value in usual()["work"].items() if key != "source"}
        return cls(**{**search, **work, **changed})


@dataclass(frozen=True, slots=True)
class PastJob:
    """A job of the bench's own: hours in all, and whether it was mended or given up as not to be cured."""

    hours: float
    mended: bool


def learn(bench: Bench, troubles: Troubles, past: Iterable[PastJob]) -> Bench:
    """A bench's figures corrected by its own jobs.

    Hours of mended jobs move the slowness (normal in the logarithm, with a normal prior); jobs given up move
    the share of causes never found (beta prior). Jobs stopped because they did not pay belong to neither.

    Raises
    ------
    BadBid
        Hours that are no number above 0.
    """
    jobs = list(past)
    table = usual()["history"]
    for job in jobs:
        if not (np.isfinite(job.hours) and job.hours > 0):
            raise BadBid(f"hours {job.hours} of a past job: expected a number above 0")
    share = troubles.first.sum()
    mend = float(troubles.first @ troubles.minutes / share) if share > 0 else 0.0
    expected = (
        bench.setup_minutes + bench.finish_minutes + bench.minutes_a_bit * troubles.bits + mend
    ) / 60.0
    logs = [np.log(job.hours / max(expected, 1e-6)) for job in jobs if job.mended]
    one = table["speed_spread"] ** -2
    shift = float(sum(logs)) * one / (table["speed_prior"] ** -2 + len(logs) * one)
    lost = sum(not job.mended for job in jobs)
    never = (bench.never * table["never_jobs"] + lost) / (table["never_jobs"] + len(jobs))
    return replace(bench, slowness=bench.slowness * float(np.exp(shift)), never=never)
