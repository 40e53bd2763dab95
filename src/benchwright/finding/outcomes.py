"""Distributions of what a check will show, sound and under each fault that matters to it.

Resistance is handled as x = ln(R + 0.5 ohm): relative above half an ohm, absolute below, where leads and
tips decide. Every density carries a small uniform part, so that one slip of the probe or of the pen
cannot kill the truth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CELLS = 8
KNEE_OHMS = 0.5
SLIP = 0.004
"""Chance that a reading is not of what it says: a slipped probe, a mistyped value (own estimate,
less than half of the 0.01 with a wider density that one would start from)."""
_WIDE_SHARE, _WIDE, _WIDE_BELOW = 0.12, 2.5, 0.5
"""One reading in eight is spread so many times wider, but below the centre by no more than this in x: where
a junction does not open for the meter's small voltage it reads far too high, never far too low (own)."""
JUNCTION_FLOOR = math.log(12.0 + KNEE_OHMS)
"""Chips' junctions, however many in parallel, do not read below about a dozen ohms on a board of this kind
(common practice, no source): lower than that is metal."""
FAR = 0.7
"""A fault that moves a reading by more than this, in ln R, moves others of the same lines as well (own)."""
FLOOR_FACTOR, FLOOR_SOFTNESS = 0.03, 0.25
"""How much seldomer, and over which span of ln R "about" reaches (own)."""
_LOG_SPAN = math.log((2.0e7 + KNEE_OHMS) / KNEE_OHMS)


def log_ohms(ohms: Floats | float) -> Floats:
    """x = ln(R + 0.5 ohm)."""
    return np.log(np.asarray(ohms, dtype=float) + KNEE_OHMS)


def soft_shift(
    soft: Floats, offset: Floats | float, offset_sd: Floats | float, bend: Floats | None = None
) -> tuple[Floats, Floats]:
    """How far a reading moves when junctions are off the model, and how unsure that is, in ln R.

    When all junctions of a network are t times as resistive, the resistance between two points is to first
    order in their mutual order a bilinear function of t, which is fixed by its value, its slope (the share
    s) and its limit without junctions:

        R(t) / R(1) = 1 + s (t - 1) / (1 + h (t - 1))

    With junctions in parallel to all the rest, h = 1 - s; in series with it, h = 0. It is s times the change
    for small changes only: junctions that conduct ten times better than the model short out even a resistor
    that the model lets decide. The spread is taken on the wider side.

    Parameters
    ----------
    soft : ndarray
        Share of junctions, s.
    offset, offset_sd : ndarray or float
        Expected change of the junctions' own ln R, ln t, and its standard deviation.
    bend : ndarray, optional
        h; junctions in parallel to the rest if left out.
    """
    h = 1.0 - soft if bend is None else bend

    def moved(change: Floats) -> Floats:
        grown = np.expm1(np.clip(change, -20.0, 20.0))
        return np.asarray(np.log1p(soft * grown / (1.0 + h * grown)))

    offset, unsure = np.asarray(offset), np.asarray(offset_sd)
    here = moved(offset)
    return here, np.maximum(moved(offset + unsure) - here, here - moved(offset - unsure))


def bend_of(soft: Floats, ohms: Floats, hard: Floats) -> Floats:
    """h of `soft_shift`, from the resistance with the model's junctions and that without any.

    Parameters
    ----------
    soft, ohms, hard : ndarray
        Share of junctions, and the two resistances.
    """
    room = np.maximum(hard / np.maximum(ohms, 1e-9) - 1.0, 1e-12)
    return np.asarray(np.clip(soft / room, 0.0, np.maximum(1.0 - soft, 0.0)))


def floor_factor(x: float) -> float:
    """How much seldomer junctions read x than their spread says, between `FLOOR_FACTOR` and 1."""
    return FLOOR_FACTOR + (1.0 - FLOOR_FACTOR) * float(expit((x - JUNCTION_FLOOR) / FLOOR_SOFTNESS))


def tailed(x: float, mean: Floats, sd: Floats) -> Floats:
    """Normal density with a part of it spread wider, for what is rarely far off."""
    wide = np.where(x < mean, np.minimum(_WIDE * sd, sd + _WIDE_BELOW), _WIDE * sd)
    inner = np.exp(-0.5 * ((x - mean) / sd) ** 2) / sd
    outer = np.exp(-0.5 * ((x - mean) / wide) ** 2) / wide
    return np.asarray(((1 - _WIDE_SHARE) * inner + _WIDE_SHARE * outer) / math.sqrt(2 * math.pi))


@dataclass(slots=True)
class Spread:
    """Means and standard deviations of a measured value, sound first and then per fault.

    Attributes
    ----------
    mean0, sd0, soft0 : float
        Sound board: centre, spread, and the share that moves with the board's junctions.
    faults : ndarray of int
        Numbers of the faults under which the value differs.
    mean, sd, soft : ndarray
        The same under each of those faults.
    top : float
        Above this (in x) the meter shows OL; infinite if it has no such limit.
    gain : ndarray
        How much the value moves, in x, with one standard deviation of the fault's own size; `sd` is
        without it.
    slip_density : float
        Density of the uniform part.
    bend0, bend : float, ndarray
        How junctions act on the value far off the model (see `soft_shift`): in parallel to the rest if left
        out.
    copper : float
        How far tracks' ohms differ between two pins of a net.
    """

    mean0: float
    sd0: float
    soft0: float
    faults: Ints
    mean: Floats
    sd: Floats
    soft: Floats
    top: float = math.inf
    slip_density: float = 1.0 / _LOG_SPAN
    gain: Floats = field(default_factory=lambda: np.zeros(0))
    edges: Floats = field(default_factory=lambda: np.zeros(0))
    bend0: float = math.nan
    bend: Floats = field(default_factory=lambda: np.zeros(0))
    copper: float = 0.0

    def __post_init__(self) -> None:
        if math.isnan(self.bend0):
            self.bend0 = 1.0 - self.soft0
        if len(self.bend) != len(self.faults):
            self.bend = 1.0 - self.soft
        if len(self.gain) != len(self.faults):
            self.gain = np.zeros(len(self.faults))

    def log_likelihood(
        self,
        x: float,
        offset: float = 0.0,
        offset_sd: float = 0.0,
        sizes: Sizes | tuple[Floats, Floats] | None = None,
        clean: tuple[float, ...] | None = None,
    ) -> tuple[float, Floats]:
        """Log density of a value on a sound board and under each fault of `faults`.

        Parameters
        ----------
        x : float
        offset, offset_sd : float
            How far this board's junctions are off the model, and how sure that is.
        sizes : Sizes or (ndarray, ndarray), optional
            What earlier readings say of each fault's own resistance; or that already looked up.
        clean : (float, float), optional
            `offset` and `offset_sd` for faults that move the value far: other readings of its lines, which
            such a fault moves as well, tell nothing of junctions then.
        """
        off, unsure = np.full((2, len(self.mean) + 1), ((offset,), (offset_sd,)))
        if clean is not None:
            far = np.flatnonzero(np.abs(self.mean - self.mean0) > FAR)
            off[far], unsure[far] = clean
        moved, loose = soft_shift(
            np.append(self.soft, self.soft0), off, unsure, np.append(self.bend, self.bend0)
        )
        mean = np.append(self.mean, self.mean0) + moved
        sd = np.hypot(np.append(self.sd, self.sd0), loose)
        if len(self.faults):
            looked_up = sizes.of(self.faults) if isinstance(sizes, Sizes) else sizes
            known, size_sd = (np.zeros(1), np.ones(1)) if looked_up is None else looked_up
            mean[:-1] += self.gain * known
            sd[:-1] = np.hypot(sd[:-1], self.gain * size_sd)
        if math.isinf(x):
            wide = ndtr((mean - self.top) / (_WIDE * sd))
            p = (1 - _WIDE_SHARE) * ndtr((mean - self.top) / sd) + _WIDE_SHARE * wide
            found = np.log((1 - SLIP) * p + SLIP * 0.1)
        else:
            density = tailed(x, mean, sd)
            seldom = floor_factor(x)
            if seldom < 0.99:
                soft = np.append(self.soft, self.soft0)
                density *= np.where((soft > 0.5) & (mean > JUNCTION_FLOOR + 0.7), seldom, 1.0)
            found = np.log((1 - SLIP) * density + SLIP * self.slip_density)
        return float(found[-1]), found[:-1]

    def slip_log(self, x: float) -> float:
        """Log density of a slipped reading."""
        return math.log(0.1 if math.isinf(x) else self.slip_density)

    def cell_edges(self) -> Floats:
        """Borders between outcome cells, in x."""
        if len(self.edges):
            return self.edges
        row = free_edges(np.array([self.mean0]), np.array([self.sd0]), np.array([self.top]))
        return np.asarray(row[0])


def free_edges(centre: Floats, spread: Floats, top: Floats) -> Floats:
    """Borders between outcome cells of resistance checks, shape (checks, cells - 1), in x.

    A beep, a low resistance, the display's top, and the sound board's own range.
    """
    count = len(centre)
    edges = np.empty((count, CELLS - 1))
    edges[:, 0], edges[:, 1] = math.log(3.0), math.log(40.0)
    for column, times in enumerate((-3.5, -1.2, 1.2, 3.5), start=2):
        edges[:, column] = centre + times * spread
    edges[:, 6] = np.where(np.isfinite(top), top, centre + 12.0 * spread)
    edges.sort(axis=1)
    return edges


def cell_chances(mean: Floats, sd: Floats, soft: Floats, edges: Floats) -> Floats:
    """Chances of each outcome cell, shape (rows, cells).

    Parameters
    ----------
    mean, sd, soft : ndarray, shape (rows,)
    edges : ndarray, shape (rows, cells - 1)
        In rising order.
    """
    below = ndtr((edges - mean[:, None]) / sd[:, None])
    floored = np.flatnonzero((soft > 0.5) & (mean > JUNCTION_FLOOR + 0.7))
    if len(floored):
        at_floor = ndtr((JUNCTION_FLOOR - mean[floored]) / sd[floored])[:, None]
        lost = (1.0 - FLOOR_FACTOR) * at_floor
        low = edges[floored] <= JUNCTION_FLOOR
        below[floored] = np.where(low, FLOOR_FACTOR * below[floored], below[floored] - lost) / (1.0 - lost)
    chances = np.empty((len(mean), CELLS))
    chances[:, 0] = below[:, 0]
    chances[:, 1:-1] = np.diff(below, axis=1)
    chances[:, -1] = 1.0 - below[:, -1]
    return np.asarray((1 - SLIP) * chances + SLIP / CELLS)


@dataclass(slots=True)
class Words:
    """Chances of words such as ``debris`` or ``toggling``, sound and under each fault that matters.

    Attributes
    ----------
    names : tuple of str
    chance0 : ndarray, shape (names,)
    faults : ndarray of int
    chance : ndarray, shape (faults, names)
    """

    names: tuple[str, ...]
    chance0: Floats
    faults: Ints
    chance: Floats

    def log_likelihood(self, word: str | float) -> tuple[float, Floats]:
        """Log chance of a word, or of volts on a logic line, on a sound board and under each of `faults`."""
        if not isinstance(word, str):
            # Where a 5 V logic input must see low and high.
            word = "low" if word < 0.8 else "high" if word > 2.0 else "between"
        index = self.names.index(word)
        flat = SLIP / len(self.names)
        return (
            math.log((1 - SLIP) * float(self.chance0[index]) + flat),
            np.log((1 - SLIP) * self.chance[:, index] + flat),
        )

    def slip_log(self, word: str | float) -> float:
        """Log chance of a slipped observation: any word alike."""
        return -math.log(len(self.names))

    def cells(self) -> tuple[Floats, Floats]:
        """Chances of each outcome cell: sound, shape (cells,), and per fault, (faults, cells)."""
        pad = CELLS - len(self.names)
        flat = SLIP / len(self.names)
        base = np.append((1 - SLIP) * self.chance0 + flat, np.zeros(pad))
        rows = np.concatenate([(1 - SLIP) * self.chance + flat, np.zeros((len(self.faults), pad))], axis=1)
        return base, rows


class Sizes:
    """How large each fault is: a bridge of 0.1 or of 5 ohms, a leak of 300 or 3,000.

    Readings that a fault decides share its size, and so are not independent witnesses. The size is a
    standard normal before any reading; each reading that hangs on it narrows it (a Kalman step).

    Parameters
    ----------
    count : int
        Number of faults.
    """

    def __init__(self, count: int) -> None:
        self.mean = np.zeros(count)
        self.variance = np.ones(count)

    def restart(self) -> None:
        """Forget all readings."""
        self.mean[:] = 0.0
        self.variance[:] = 1.0

    def of(self, faults: Ints) -> tuple[Floats, Floats]:
        """Mean and standard deviation of the sizes of some faults."""
        return self.mean[faults], np.sqrt(self.variance[faults])

    def learn(self, outcome: Spread, x: float, offset: float, offset_sd: float) -> None:
        """Take in one reading."""
        at = np.flatnonzero(outcome.gain > 0.05)
        if math.isinf(x) or not len(at):
            return
        faults, gain = outcome.faults[at], outcome.gain[at]
        moved, unsure = soft_shift(outcome.soft[at], offset, offset_sd, outcome.bend[at])
        rest = np.hypot(outcome.sd[at], unsure)
        v = self.variance[faults]
        total = rest * rest + gain * gain * v
        miss = x - (outcome.mean[at] + moved + gain * self.mean[faults])
        # A reading far off what the fault can do is not about this fault, and says nothing of its size.
        pull = np.where(miss * miss < 16.0 * total, v * gain / total, 0.0)
        self.mean[faults] += pull * miss
        self.variance[faults] = v * (1.0 - pull * gain)


Outcome = Spread | Words
