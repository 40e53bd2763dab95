"""What a bench's own proved faults teach of how often parts fail: gamma-Poisson, on two levels.

Published rates say how the faults of a board share out over kinds of part and modes. A machine on which
faults were proved is one machine's life, in which so many faults as were proved came about; so each proved
fault is expected, with its share, to be of each kind and mode. Only ratios between rates count to the fault
finder. So the overall level is taken from the proved faults themselves, and a machine of which no fault was
proved teaches nothing.

For one kind and mode, with factors on the published rate:

- overall:      theta ~ Gamma(PRIOR_FAULTS, PRIOR_FAULTS), mean 1
- board model:  phi   ~ Gamma(MODEL_FAULTS, MODEL_FAULTS / theta), mean theta
- seen there:   n     ~ Poisson(phi * expected)

Given theta, each phi is a gamma-Poisson posterior in closed form, and what was seen of a model is negative
binomial. What is left is the one integral over theta, which is taken on a grid in its logarithm; the
density there is log-concave and falls off on both sides, where a sum of equal steps is exact to about
12 digits. Nothing else is approximated, but that counts are Poisson, each kind and mode by itself.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq
from scipy.special import gammainc

from ..board import Board
from ..errors import UnknownName
from .universe import rate_key, universe

Floats = NDArray[np.float64]
Key = tuple[str, str]
"""Kind of part and mode, as `universe.rate_key` gives them."""

PRIOR_FAULTS = 2.0
"""How many proved faults the published rate of a kind and mode is worth: its weight is the span in which so
many of them are expected. Two: the true rate then lies within 0.12 to 2.8 times the published one in 95 of
100 cases (own choice; for some kinds, issues of the handbook differ by more)."""
MODEL_FAULTS = 4.0
"""The same for what all boards have in common against one board model (own choice)."""
CREDIBLE = 0.95
_POINTS = 801
_STEP = 0.03
"""The grid's steps are this wide at most, in the logarithm of the factor."""
_FALL = 45.0
"""The grid ends where the density has fallen by e to the power of this."""


@dataclass(frozen=True, slots=True)
class Published:
    """What is published of a kind and mode on one board.

    Attributes
    ----------
    rate : float
        Failures per million hours of all such places of the board together.
    parts : int
        Parts of that kind on it; 1 for what belongs to no part.
    """

    rate: float
    parts: int


@dataclass(frozen=True, slots=True)
class Machine:
    """A machine on which faults were proved.

    Attributes
    ----------
    model : str
        Of its board; machines of one model are alike.
    published : Mapping of (kind, mode) to Published
    proved : tuple of (kind, mode)
    """

    model: str
    published: Mapping[Key, Published]
    proved: tuple[Key, ...]


@dataclass(frozen=True, slots=True)
class Rate:
    """What is believed of one kind and mode.

    Attributes
    ----------
    kind, mode : str
        The kind is empty for bridges.
    model : str
        Board model; empty for boards in general.
    machines : int
        Machines with proved faults that have such a part.
    expected : float
        How many of the proved faults would be of this sort by the published rates.
    seen : int
        How many were.
    prior : float
        Published rate of one such part, failures per million hours.
    factor, low, high : float
        Mean of the factor on it, and the interval that holds it with 95 % probability.
    """

    kind: str
    mode: str
    model: str
    machines: int
    expected: float
    seen: int
    prior: float
    factor: float
    low: float
    high: float

    @property
    def now(self) -> float:
        """The rate by now, failures per million hours of one part."""
        return self.prior * self.factor


def published(board: Board) -> dict[Key, Published]:
    """Published rates of a board, by kind and mode."""
    rates: dict[Key, list[float]] = {}
    for fault in universe(board):
        rates.setdefault(rate_key(board, fault), []).append(fault.rate)
    parts = Counter(part.kind for part in board.parts.values())
    return {key: Published(math.fsum(each), parts[key[0]] or 1) for key, each in rates.items()}


def model_of(board: Board) -> str:
    """Name of a board's model: boards of one name and revision are alike."""
    return " ".join(f"{board.name} {board.revision}".split())


class Factor:
    """Posterior of the factor on one published rate, over all board models and for each.

    Parameters
    ----------
    expected : sequence of float
        By model: faults expected by the published rate. Above 0.
    seen : sequence of int
        By model: faults seen.
    prior_faults, model_faults : float
        See `PRIOR_FAULTS` and `MODEL_FAULTS`.
    """

    def __init__(
        self, expected: Sequence[float], seen: Sequence[int],
        prior_faults: float = PRIOR_FAULTS, model_faults: float = MODEL_FAULTS,
    ) -> None:  # fmt: skip
        self.expected = np.asarray(expected, dtype=float)
        self.seen = np.asarray(seen, dtype=float)
        self.prior_faults, self.model_faults = prior_faults, model_faults

    def _log_density(self, logs: Floats) -> Floats:
        """Of the logarithm of theta, up to a constant, shape of `logs`."""
        theta = np.exp(logs)
        a = self.model_faults
        spread = np.log1p(np.multiply.outer(self.expected, theta) / a)
        found: Floats = (
            (self.prior_faults + self.seen.sum()) * logs
            - self.prior_faults * theta
            - (a + self.seen) @ spread
        )
        return found

    def _slope(self, log: float) -> float:
        pull = self.expected * math.exp(log)
        a = self.model_faults
        return float(
            self.prior_faults * -math.expm1(log) + np.sum(self.seen - (a + self.seen) * pull / (a + pull))
        )

    @cached_property
    def _grid(self) -> tuple[Floats, Floats, Floats]:
        """Logarithms of theta, their density, and the weight of each, shape (points,)."""
        low, high = -40.0, 40.0
        for _ in range(80):
            middle = (low + high) / 2
            low, high = (middle, high) if self._slope(middle) > 0 else (low, middle)
        top = (low + high) / 2
        peak = float(self._log_density(np.array([top]))[0])
        ends = []
        for step in (-1e-3, 1e-3):
            while float(self._log_density(np.array([top + step]))[0]) > peak - _FALL:
                step *= 1.25
            ends.append(top + step)
        points = max(_POINTS, math.ceil((ends[1] - ends[0]) / _STEP))
        logs: Floats = np.linspace(ends[0], ends[1], points)
        density = np.exp(self._log_density(logs) - peak)
        weights = density / density.sum()
        return logs, density, weights

    def mean(self, model: int | None = None) -> float:
        """Mean of the factor: of boards in general, or of the model of that number.

        That of a model not seen yet is that of boards in general.
        """
        logs, _, weights = self._grid
        theta = np.exp(logs)
        if model is None:
            return float(weights @ theta)
        shape = self.model_faults + self.seen[model]
        return float(weights @ (shape / (self.model_faults / theta + self.expected[model])))

    def interval(self, model: int | None = None, credible: float = CREDIBLE) -> tuple[float, float]:
        """The middle interval that holds the factor with that probability."""
        logs, density, weights = self._grid
        low, high = float(logs[0]), float(logs[-1])
        if model is None:
            sums = CubicSpline(logs, density).antiderivative()

            def below(log: float) -> float:
                return float(sums(log)) / float(sums(high))
        else:
            # That of a model reaches further than that of boards in general.
            low, high = low - 40.0, high + 10.0
            shape = self.model_faults + self.seen[model]
            rates = self.model_faults / np.exp(logs) + self.expected[model]

            def below(log: float) -> float:
                return float(weights @ gammainc(shape, math.exp(log) * rates))

        def end(tail: float) -> float:
            return math.exp(brentq(lambda log: below(log) - tail, low, high))

        return end((1 - credible) / 2), end((1 + credible) / 2)


class LearnedRates:
    """How often parts fail, by published rates and a bench's own proved faults.

    Parameters
    ----------
    machines : iterable of Machine
        In any order. Those without proved faults change nothing.

    Raises
    ------
    UnknownName
        A proved fault that the machine's board cannot have.
    """

    def __init__(self, machines: Iterable[Machine] = ()) -> None:
        self.machines = tuple(machine for machine in machines if machine.proved)
        self.models = tuple(sorted({machine.model for machine in self.machines}))
        expected: dict[Key, dict[str, list[float]]] = {}
        self._seen: dict[Key, Counter[str]] = {}
        self._places: dict[Key, list[tuple[str, Published]]] = {}
        for machine in self.machines:
            whole = math.fsum(one.rate for one in machine.published.values())
            for key in machine.proved:
                if key not in machine.published:
                    raise UnknownName("fault", " ".join(key).strip())
                self._seen.setdefault(key, Counter())[machine.model] += 1
            for key, one in machine.published.items():
                self._places.setdefault(key, []).append((machine.model, one))
                by_model = expected.setdefault(key, {})
                by_model.setdefault(machine.model, []).append(len(machine.proved) * one.rate / whole)
        # Sums that do not depend on the order of the machines, to the last digit.
        self._expected = {
            key: {model: math.fsum(each) for model, each in sorted(by_model.items())}
            for key, by_model in sorted(expected.items())
        }
        self._factors: dict[Key, Factor] = {}

    @property
    def proved(self) -> int:
        """How many faults were proved."""
        return sum(len(machine.proved) for machine in self.machines)

    def factors(self, model: str = "") -> dict[Key, float]:
        """Factors on published rates, as `FaultFinder` and the bid take them.

        Parameters
        ----------
        model : str
            Of the board; one that was not seen yet is taken as boards in general.

        Returns
        -------
        dict of (kind, mode) to float
            Empty without history. What is not in it stays at 1.
        """
        return {key: self._factor(key).mean(self._number(key, model)) for key in self._expected}

    def rates(self, model: str = "", all_of_them: bool = False) -> list[Rate]:
        """What is believed by now, most often seen first.

        Parameters
        ----------
        model : str
            Board model; empty for boards in general.
        all_of_them : bool
            Also kinds and modes that were never seen.
        """
        found = []
        for key, by_model in self._expected.items():
            seen = self._seen.get(key, Counter())
            count = seen[model] if model else sum(seen.values())
            if (model and model not in by_model) or not (count or all_of_them):
                continue
            places = [one for name, one in self._places[key] if model in ("", name)]
            number = self._number(key, model)
            low, high = self._factor(key).interval(number)
            found.append(
                Rate(
                    *key, model=model, machines=len(places), seen=count,
                    expected=by_model[model] if model else math.fsum(by_model.values()),
                    prior=math.fsum(one.rate for one in places) / sum(one.parts for one in places),
                    factor=self._factor(key).mean(number), low=low, high=high,
                )
            )  # fmt: skip
        return sorted(found, key=lambda rate: (-rate.seen, -rate.expected, rate.kind, rate.mode))

    def _factor(self, key: Key) -> Factor:
        if key not in self._factors:
            by_model, seen = self._expected[key], self._seen.get(key, Counter())
            self._factors[key] = Factor(list(by_model.values()), [seen[name] for name in by_model])
        return self._factors[key]

    def _number(self, key: Key, model: str) -> int | None:
        names = list(self._expected[key])
        return names.index(model) if model in names else None
