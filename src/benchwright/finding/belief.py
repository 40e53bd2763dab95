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
HELPS_LOG = 1.5
"""A reading speaks for a fault if it is this much likelier with it than without, as a logarithm."""


@dataclass(slots=True)
class Note:
    """What one reading said: its log likelihood on a sound board, and how each fault differs."""

    sound: float
    slip: float
    faults: Ints
    delta: Floats
    together: dict[tuple[int, ...], float | None] = field(default_factory=dict)
    """Log likelihood ratios with several faults at once, as far as they were asked for."""


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

    Each step is added to what there is; nothing earlier is worked out again.

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
        self._cures = False
        self.none = math.log(EXPECTED_FAULTS * NONE_SHARE)
        self._several: list[Several] = []
        self._grown = True
        # One row of ratios for each reading, its numbers beside it, and each fault's best row.
        self._ratios = np.zeros((0, len(self.rates)))
        self._expected: list[tuple[float, float]] = []
        self._step_of: list[int] = []
        self._best = np.zeros(len(self.rates))
        self._known: tuple[Floats, float, float] | None = None

    def add(self, step: Note | Cure, grow: bool = True) -> None:
        """Take one more step into account."""
        self.steps.append(step)
        self._known = None
        if isinstance(step, Note):
            self.there[step.faults] += step.delta
            self.none += _freely(step)
            self._keep(step)
        else:
            self._cures = True
            done = self.there[step.faults] + np.log(step.success)
            self.cured[step.faults] = np.logaddexp(self.cured[step.faults], done)
            with np.errstate(divide="ignore"):
                self.there[step.faults] += np.log1p(-step.success)
        if grow:
            self.grow()

    def revise(self, step: int, note: Note) -> None:
        """Put another judgement of a reading in place of the first; not before something was cured."""
        old = self.steps[step]
        assert isinstance(old, Note)
        assert not any(isinstance(later, Cure) for later in self.steps[step:])
        self._known = None
        self.steps[step] = note
        self.there[old.faults] -= old.delta
        self.there[note.faults] += note.delta
        self.none += _freely(note) - _freely(old)
        row = self._step_of.index(step)
        self._ratios[row, old.faults] = 0.0
        self._ratios[row, note.faults] = note.delta
        self._expected[row] = (note.sound, note.slip)
        touched = np.union1d(old.faults, note.faults)
        self._best[touched] = np.maximum(self.matrix()[:, touched].max(axis=0), 0.0)

    def _keep(self, note: Note) -> None:
        count = len(self._step_of)
        if count == len(self._ratios):
            room = np.zeros((max(16, 2 * count), len(self.rates)))
            room[:count] = self._ratios
            self._ratios = room
        self._ratios[count, note.faults] = note.delta
        self._step_of.append(len(self.steps) - 1)
        self._expected.append((note.sound, note.slip))
        self._best[note.faults] = np.maximum(self._best[note.faults], note.delta)

    # -- several faults at once ------------------------------------------------------------------------

    def notes(self) -> list[tuple[int, Note]]:
        return [(index, step) for index, step in enumerate(self.steps) if isinstance(step, Note)]

    def matrix(self) -> Floats:
        """Log likelihood ratio of each reading under each fault, shape (readings, faults)."""
        return self._ratios[: len(self._step_of)]

    def ratios(self, fault: int) -> list[tuple[int, float]]:
        """Steps of the readings, each with its log likelihood ratio under a fault."""
        return list(zip(self._step_of, self.matrix()[:, fault].tolist(), strict=True))

    def unexplained(self, members: Sequence[int]) -> list[int]:
        """Steps whose reading a set of faults leaves at the level of a slip."""
        return [self._step_of[row] for row in self._left(tuple(members))]

    def _left(self, members: tuple[int, ...]) -> Ints:
        if not self._step_of:
            return np.zeros(0, dtype=np.int64)
        sound, slip = np.array(self._expected).T
        return np.flatnonzero(sound + self._with(members) < slip + ODDLY_LOG)

    def _with(self, members: tuple[int, ...]) -> Floats:
        """Log likelihood ratio of each reading with all of some faults there, shape (readings,)."""
        each = self.matrix()[:, list(members)]
        found: Floats = each.sum(axis=1)
        if len(members) > 1:
            active = each != 0.0
            for row in np.flatnonzero(active.sum(axis=1) > 1):
                acting = tuple(m for m, on in zip(members, active[row], strict=True) if on)
                found[row] = self._together(acting, int(row), float(each[row][active[row]].max()))
        return found

    def _together(self, members: tuple[int, ...], row: int, otherwise: float) -> float:
        if self.joint is None:
            return otherwise
        step = self._step_of[row]
        note = self.steps[step]
        assert isinstance(note, Note)
        if members not in note.together:
            note.together[members] = self.joint(members, step)
        exact = note.together[members]
        return otherwise if exact is None else exact

    def grow(self) -> None:
        """Consider pairs and triples where the best single faults leave readings unexplained.

        That is worked out when it is first asked for: of many readings taken in one after the other only the
        last result counts.
        """
        self._known = None
        self._grown = False

    @property
    def several(self) -> list[Several]:
        """Pairs and triples considered."""
        if not self._grown:
            self._grown = True
            self._grow()
        return self._several

    def _grow(self, singles: int = 60, partners: int = 400, keep: int = 120) -> None:
        self._several = []
        if not self._step_of or len(self.rates) < 2 or self._cures:
            return
        if not len(self._left((int(np.argmax(self.there)),))):
            return
        order = np.argsort(self.there)[::-1]
        matrix = self.matrix()
        # Only faults that a reading speaks for can be part of a set; the others stay at their prior.
        helps = np.flatnonzero(self._best > HELPS_LOG)
        helps = helps[np.argsort(self.there[helps])[::-1]]
        speaks = matrix[:, helps] > HELPS_LOG
        found: dict[tuple[int, ...], float] = {}
        for first in map(int, order[:singles]):
            left = self._left((first,))
            if not len(left):
                continue
            mates = helps[speaks[left].any(axis=0)]
            mates = mates[mates != first][:partners]
            if not len(mates):
                continue
            # Where both act on a reading the better of them stands for the two, until worked out exactly.
            acts = np.flatnonzero(matrix[:, first])
            own, theirs = matrix[acts, first][:, None], matrix[np.ix_(acts, mates)]
            twice = np.where(theirs != 0.0, np.minimum(own, theirs), 0.0).sum(axis=0)
            score = self.there[first] + self.there[mates] - twice
            for mate, value in zip(mates.tolist(), score.tolist(), strict=True):
                found[(first, mate) if first < mate else (mate, first)] = value
        floor = float(max(self.there.max(), self.none)) - 12.0
        ranked = sorted(((v, m) for m, v in found.items() if v > floor), reverse=True)[:keep]
        exact = [Several(members, self._log_weight(members)) for _, members in ranked]
        exact.sort(key=lambda s: -s.log_weight)
        self._several = exact
        if exact:
            self._grow_triples(exact[:12], helps, floor)

    def _grow_triples(self, pairs: Sequence[Several], helps: Ints, floor: float) -> None:
        matrix = self.matrix()
        found: dict[tuple[int, ...], float] = {}
        for pair in pairs:
            left = self._left(pair.members)
            if not len(left):
                continue
            gain = matrix[np.ix_(left, helps)]
            fit = (gain > HELPS_LOG).any(axis=0) & ~np.isin(helps, pair.members)
            mates = helps[fit]
            if len(mates) == 0:
                continue
            score = pair.log_weight + self.log_odds[mates] + gain[:, fit].sum(axis=0)
            for index in np.argsort(score)[::-1][:10]:
                members = tuple(sorted((*pair.members, int(mates[index]))))
                found[members] = max(found.get(members, -np.inf), float(score[index]))
        for members, value in sorted(found.items(), key=lambda item: -item[1])[:20]:
            if value > floor:
                self._several.append(Several(members, self._log_weight(members)))

    def _log_weight(self, members: tuple[int, ...]) -> float:
        return float(self.log_odds[list(members)].sum() + self._with(members).sum())

    # -- results ------------------------------------------------------------------------------------------

    def posterior(self) -> tuple[Floats, float, float]:
        """Marginal probability of each fault, of "none of these", and of being cured already.

        Returns
        -------
        (ndarray of shape (faults,), float, float)
            A set of several faults counts for each of its members, so the sum may exceed one.
        """
        if self._known is None:
            self._known = self._posterior()
        chance, none, cured = self._known
        return chance.copy(), none, cured

    def _posterior(self) -> tuple[Floats, float, float]:
        total = self._total()
        chance = np.exp(self.there - total)
        for several in self.several:
            share = math.exp(several.log_weight - total)
            for member in several.members:
                chance[member] += share
        cured = float(np.exp(_log_sum(self.cured) - total))
        return chance, math.exp(self.none - total), cured

    def singles(self) -> Floats:
        """Probability of each fault with no more than one there at a time, shape (faults,)."""
        parts = [self.there, np.array([self.none])]
        if self._cures:
            parts.append(self.cured)
        return np.asarray(np.exp(self.there - _log_sum(np.concatenate(parts))))

    def _total(self) -> float:
        """Logarithm of the weight of everything considered."""
        sets = np.array([several.log_weight for several in self.several])
        cured = self.cured if self._cures else self.cured[:0]
        return _log_sum(np.concatenate([self.there, cured, sets, [self.none]]))

    def sets(self) -> list[tuple[tuple[int, ...], float]]:
        """Sets of several faults with their probabilities, likeliest first."""
        total = self._total()
        return sorted(
            ((s.members, math.exp(s.log_weight - total)) for s in self.several), key=lambda item: -item[1]
        )


def _freely(note: Note) -> float:
    """How "none of these" takes a reading: as a sound board does, or else as anything at all."""
    free = math.log(NONE_FREE) + note.slip - note.sound
    return float(np.logaddexp(math.log(1.0 - NONE_FREE), min(free, 50.0)))


def _log_sum(logs: Floats) -> float:
    """Logarithm of the sum of exponentials; minus infinity for nothing at all."""
    top = float(logs.max(initial=-math.inf))
    return top if math.isinf(top) else top + math.log(float(np.exp(logs - top).sum()))
