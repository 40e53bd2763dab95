"""The same two nets measured again: at other pins, or with one more part out.

Whatever made the first reading what it was makes the second one too: chips' junctions, parts' tolerances,
the size of a short. So the second is expected to be as the first, but for what the move of the probe or the
pulled part is predicted to change. Taken as two independent witnesses they would make a short out of any rail
that reads a little low.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .belief import Note
from .outcomes import SLIP, Spread, tailed

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_CHANGE = 0.7
"""Where a larger change is predicted, in ln R, the first reading says nothing of the second (own)."""
CHANGE_SD = 0.5
"""A predicted change is off by this share of itself: it hangs on one part's junctions (own)."""
REPEAT_SD, CONTACT_OHMS = 0.012, 0.15
"""How far one reading taken twice differs: half digits of a plain meter, and the tips' contact (own)."""


def repeat_sd(x: float, copper: float = 0.0) -> float:
    """Standard deviation of one reading about itself, x = ln(R + 0.5 ohm).

    Parameters
    ----------
    x : float
    copper : float
        How far the tracks' ohms differ from where the tips stood before.
    """
    return math.hypot(REPEAT_SD, math.hypot(CONTACT_OHMS, copper) * math.exp(-x)) if x < 30.0 else REPEAT_SD


@dataclass(frozen=True, slots=True)
class First:
    """A reading that later ones of the same two nets are held against: its number, where the tips
    stood, its value and prediction."""

    number: int
    pins: frozenset[str]
    x: float
    outcome: Spread


@dataclass(frozen=True, slots=True)
class Expected:
    """What a reading says of another one of the same two nets.

    Attributes
    ----------
    mean0, sd0 : float
        Of the second reading on a sound board; not a number where the first says nothing of it.
    faults : ndarray of int
        The faults that change either reading, in rising order.
    mean, sd : ndarray
        The same under each of them.
    row : ndarray of int
        Where each stands among the faults of the second reading; -1 where that is not changed by it.
    slipped : ndarray, shape (faults + 1,)
        Chance that the first reading was a slip, under each of them and last on a sound board.
    """

    mean0: float
    sd0: float
    faults: Ints
    mean: Floats
    sd: Floats
    row: Ints
    slipped: Floats

    @classmethod
    def of(cls, first: First, note: Note, new: Spread, elsewhere: bool) -> Expected:
        """What a first reading says.

        Parameters
        ----------
        first : First
        note : Note
            What it said.
        new : Spread
            What the second reading was predicted to be.
        elsewhere : bool
            Whether the tips stand at other pins, with other lengths of track between them.
        """
        x, old = first.x, first.outcome
        faults = np.union1d(old.faults, new.faults)
        row = _rows(new.faults, faults)
        before = np.append(_means(old, faults, _rows(old.faults, faults)), old.mean0)
        after = np.append(_means(new, faults, row), new.mean0)
        change = np.where((before >= old.top) & (after >= new.top), 0.0, after - before)
        mean = x + change
        near = np.abs(change) < MOST_CHANGE
        sd = np.hypot(math.sqrt(2.0) * repeat_sd(x, new.copper if elsewhere else 0.0), CHANGE_SD * change)
        mean, sd = np.where(near, mean, np.nan), np.where(near, sd, np.nan)
        said = note.sound + np.append(np.append(note.delta, 0.0)[_rows(note.faults, faults)], 0.0)
        slipped = np.exp(np.minimum(math.log(SLIP) + note.slip - said, 0.0))
        return cls(float(mean[-1]), float(sd[-1]), faults, mean[:-1], sd[:-1], row, slipped)

    @property
    def repeats(self) -> bool:
        """Whether a sound board's second reading follows from the first."""
        return not math.isnan(self.mean0)

    def weigh(self, x: float, sound: float, rows: Floats) -> tuple[float, Floats]:
        """Log likelihoods of the second reading, given the first.

        Parameters
        ----------
        x : float
            The second reading.
        sound : float
            Its log likelihood on a sound board taken by itself.
        rows : ndarray
            The same under each of the faults that change it.

        Returns
        -------
        (float, ndarray)
            On a sound board, and under each of `faults`.
        """
        own = np.append(np.append(rows, sound)[self.row], sound)
        mean, sd = np.append(self.mean, self.mean0), np.append(self.sd, self.sd0)
        tied = ~np.isnan(mean)
        same = np.zeros(len(own))
        if math.isinf(x):
            same[np.isinf(mean)] = 1.0
        else:
            finite = np.isfinite(mean)
            same[finite] = tailed(x, mean[finite], sd[finite])
        # Either reading may be a slip, and then each stands by itself.
        with np.errstate(divide="ignore"):
            either = self.slipped + (1.0 - self.slipped) * SLIP
            given = np.logaddexp(np.log((1.0 - either) * same), np.log(either) + own)
        found = np.where(tied, given, own)
        return float(found[-1]), found[:-1]


class Repeats:
    """The last reading between each two nets."""

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        self._last: dict[tuple[int, int], First] = {}

    def last(self, nets: tuple[int, int]) -> First | None:
        """The last reading between two nets; None if there is none."""
        return self._last.get(nets)

    def learn(self, nets: tuple[int, int], first: First) -> None:
        """Keep a reading."""
        self._last[nets] = first

    def readings(self) -> list[tuple[tuple[int, int], float]]:
        """Each two nets with their last reading."""
        return [(nets, first.x) for nets, first in self._last.items()]


def _rows(among: Ints, faults: Ints) -> Ints:
    """Where `faults` stand in `among`; -1 where they do not."""
    order = np.argsort(among, kind="stable")
    place = np.searchsorted(among[order], faults)
    inside = place < len(among)
    found = np.full(len(faults), -1, dtype=np.int64)
    at = order[place[inside]]
    found[inside] = np.where(among[at] == faults[inside], at, -1)
    return found


def _means(outcome: Spread, faults: Ints, row: Ints) -> Floats:
    return np.append(outcome.mean, outcome.mean0)[row] if len(faults) else np.zeros(0)
