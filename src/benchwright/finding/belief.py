"""What to believe after the readings so far: single faults, several at once, or none of these.

Weights are kept as logarithms against a sound board. For every fault there are two: still there, and
there but cured by something done since (a cured fault no longer shows in later readings).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from .outcomes import SLIP

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

EXPECTED_FAULTS = 0.35
"""Mean number of faults behind the sum of all single rates. With a Poisson count it gives one board in
seven more than one fault (own; 300 suspects of 0.2 % each would give one in four)."""
NONE_SHARE = 0.02
"""Prior share of trouble that is none of the listed faults, or outside this board."""
NONE_FREE = 0.04
"""How freely "none of these" explains any reading, against the sound board's expectation."""
ODDLY_LOG = math.log(SLIP) + 1.5
"""A reading this much below the slip level of its kind counts as unexplained."""


@dataclass(slots=True)
class Note:
    """What one reading said: its log likelihood on a sound board, and how each fault differs."""

    sound: float
    slip: float
    faults: Ints
    delta: Floats


@dataclass(slots=True)
class Cure:
    """Something done to the board that may have cured some faults."""

    faults: Ints
    success: Floats


@dataclass(slots=True)
class Several:
    """Two or three faults at once, with their log weight."""

    members: tuple[int, ...]
    log_weight: float


@dataclass
class Belief:
    """The posterior over faults of one board.

    Attributes
    ----------
    rates : ndarray, shape (faults,)
        Prior rates; only ratios matter.
    joint : callable
        ``joint(members, step)`` gives the log likelihood ratio against a sound board of the reading of
        that step with all members at once, or None if it cannot tell.
    """

    rates: Floats
    joint: Callable[[tuple[int, ...], int], float | None] | None = None
    steps: list[Note | Cure] = field(default_factory=list)
    several: list[Several] = field(default_factory=list)

    def __post_init__(self) -> None:
        total = float(self.rates.sum())
        odds = self.rates * (EXPECTED_FAULTS / total) if total > 0 else self.rates
        with np.errstate(divide="ignore"):
            self.log_odds = np.log(odds)
        self.restart()

    def restart(self) -> None:
        """Forget all steps: back to the prior."""
        self.steps = []
        self.there = self.log_odds.copy()
        self.cured = np.full(len(self.rates), -np.inf)
        self.none = math.log(EXPECTED_FAULTS * NONE_SHARE)
        self.several = []

    def add(self, step: Note | Cure, grow: bool = True) -> None:
        """Take one more step into account."""
        self.steps.append(step)
        if isinstance(step, Note):
            self.there[step.faults] += step.delta
            # "None of these" shares the sound board's expectation and also allows anything at all.
            free = math.log(NONE_FREE) + step.slip - step.sound
            self.none += float(np.logaddexp(math.log(1.0 - NONE_FREE), min(free, 50.0)))
        else:
            done = self.there[step.faults] + np.log(step.success)
            self.cured[step.faults] = np.logaddexp(self.cured[step.faults], done)
            with np.errstate(divide="ignore"):
                self.there[step.faults] += np.log1p(-step.success)
        if grow:
            self.grow()

    # -- several faults at once ------------------------------------------------------------------------

    def notes(self) -> list[tuple[int, Note]]:
        return [(index, step) for index, step in enumerate(self.steps) if isinstance(step, Note)]

    def matrix(self) -> NDArray[np.float32]:
        """Log likelihood ratio of each reading under each fault, shape (faults, readings)."""
        notes = self.notes()
        found = np.zeros((len(self.rates), len(notes)), dtype=np.float32)
        for column, (_, note) in enumerate(notes):
            found[note.faults, column] = note.delta
        return found

    def unexplained(self, members: Sequence[int]) -> list[int]:
        """Steps whose reading a set of faults leaves at the level of a slip."""
        found = []
        for index, note in self.notes():
            ratio = self._ratio(note, index, tuple(members))
            if note.sound + ratio < note.slip + ODDLY_LOG:
                found.append(index)
        return found

    def _ratio(self, note: Note, index: int, members: tuple[int, ...]) -> float:
        touching = [(m, _of(note, m)) for m in members]
        active = [(m, d) for m, d in touching if d != 0.0]
        if not active:
            return 0.0
        if len(active) == 1:
            return active[0][1]
        if self.joint is not None:
            exact = self.joint(tuple(m for m, _ in active), index)
            if exact is not None:
                return exact
        return max(d for _, d in active)

    def grow(self, singles: int = 60, partners: int = 400, keep: int = 120) -> None:
        """Consider pairs and triples where the best single faults leave readings unexplained."""
        self.several = []
        notes = self.notes()
        if not notes or len(self.rates) < 2 or any(isinstance(step, Cure) for step in self.steps):
            return
        order = np.argsort(self.there)[::-1]
        if not self.unexplained([int(order[0])]):
            return
        matrix = self.matrix()
        column_of = {index: column for column, (index, _) in enumerate(notes)}
        # Only faults that a reading speaks for can be part of a set; the others stay at their prior.
        helps = np.flatnonzero(matrix.max(axis=1) > 1.5)
        starts = [int(f) for f in order[:singles]]
        found: dict[tuple[int, ...], float] = {}
        for first in starts:
            left = [column_of[index] for index in self.unexplained([first])]
            if not left:
                continue
            gain = matrix[helps][:, left].max(axis=1)
            mates = helps[gain > 1.5]
            if len(mates) == 0:
                continue
            mates = mates[mates != first][:partners]
            own = matrix[first]
            theirs = matrix[mates]
            both = (own != 0) & (theirs != 0)
            combined = np.where(both, np.maximum(own, theirs), own + theirs).sum(axis=1)
            score = self.log_odds[first] + self.log_odds[mates] + combined
            for mate, value in zip(mates, score, strict=True):
                found[tuple(sorted((first, int(mate))))] = float(value)
        floor = float(max(self.there.max(), self.none)) - 12.0
        ranked = sorted(((v, m) for m, v in found.items() if v > floor), reverse=True)[:keep]
        exact = [Several(members, self._log_weight(members)) for _, members in ranked]
        exact.sort(key=lambda s: -s.log_weight)
        self.several = exact
        if exact:
            self._grow_triples(exact[:12], helps, matrix, column_of, floor)

    def _grow_triples(
        self,
        pairs: Sequence[Several],
        helps: Ints,
        matrix: NDArray[np.float32],
        column_of: dict[int, int],
        floor: float,
    ) -> None:
        found: dict[tuple[int, ...], float] = {}
        for pair in pairs:
            left = [column_of[index] for index in self.unexplained(pair.members)]
            if not left:
                continue
            mates = helps[matrix[helps][:, left].max(axis=1) > 1.5]
            mates = mates[~np.isin(mates, pair.members)]
            if len(mates) == 0:
                continue
            score = pair.log_weight + self.log_odds[mates] + matrix[mates][:, left].sum(axis=1)
            for index in np.argsort(score)[::-1][:10]:
                members = tuple(sorted((*pair.members, int(mates[index]))))
                found[members] = max(found.get(members, -np.inf), float(score[index]))
        for members, value in sorted(found.items(), key=lambda item: -item[1])[:20]:
            if value > floor:
                self.several.append(Several(members, self._log_weight(members)))

    def _log_weight(self, members: tuple[int, ...]) -> float:
        total = float(sum(self.log_odds[m] for m in members))
        for index, note in self.notes():
            total += self._ratio(note, index, members)
        return total

    # -- results ------------------------------------------------------------------------------------------

    def posterior(self) -> tuple[Floats, float, float]:
        """Marginal probability of each fault, of "none of these", and of being cured already.

        Returns
        -------
        (ndarray of shape (faults,), float, float)
            A set of several faults counts for each of its members, so the sum may exceed one.
        """
        total = self._total()
        chance = np.exp(self.there - total)
        for several in self.several:
            share = math.exp(several.log_weight - total)
            for member in several.members:
                chance[member] += share
        cured = float(np.exp(logsumexp(self.cured) - total)) if len(self.cured) else 0.0
        return chance, math.exp(self.none - total), cured

    def _total(self) -> float:
        """Logarithm of the weight of everything considered."""
        sets = np.array([several.log_weight for several in self.several])
        return float(logsumexp(np.concatenate([self.there, self.cured, sets, [self.none]])))

    def sets(self) -> list[tuple[tuple[int, ...], float]]:
        """Sets of several faults with their probabilities, likeliest first."""
        total = self._total()
        return sorted(
            ((s.members, math.exp(s.log_weight - total)) for s in self.several), key=lambda item: -item[1]
        )


def _of(note: Note, fault: int) -> float:
    place = np.flatnonzero(note.faults == fault)
    return float(note.delta[place[0]]) if len(place) else 0.0
