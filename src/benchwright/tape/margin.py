"""How much the decisions of a machine have in hand on a tape, and so the chance that it loads.

A machine that loads a tape measures how long something lasts (half-waves, whole cycles, whole bits) and holds
that against a threshold. What was read tells how long each should have lasted, so the distance of every
decision from its threshold is known: that is the eye. How often it closes is counted where it happens often
enough; beyond that the distribution is continued by a mixture of normal distributions, tied to its outermost
observations.

Speed is kept apart from jitter. Only the jitter is continued beyond what was seen; the speed is taken as it
was, each decision at its own.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from .decisions import (
    DECISIONS,
    MACHINES,
    Decision,
    Machine,
    Units,
    data_classes,
    machine_speed,
    own_speed,
    units_of,
    usual_decision,
    whole_cycles,
)
from .encoding import Encoding
from .tails import AT, BIN, GRID, REACH, Mixture, best_fit, block_chance, fit_mixture, gaussian_tail, tail
from .timing import NoMargin, Timing, read_timing

__all__ = [
    "DECISIONS",
    "LOAD",
    "MACHINES",
    "Chance",
    "Eye",
    "Margin",
    "NoMargin",
    "Timing",
    "block_chance",
    "gaussian_tail",
    "margin_of",
    "measure_margin",
    "read_timing",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
Threshold = Literal["midway", "ratio"]

LOAD = 16 * 1024
"""Bytes of the load whose chance is told, if nothing else is asked for."""
_STRETCH = 0.5
"""Seconds of tape that are drawn, or left out, together in the bootstrap."""
_GROSS, _TOGETHER, _ROW = 5.0, 5e-3, 3
"""Jitter beyond so many sigmas that follows so soon, and so often, is a dropout or the like. (One bad
edge alone spoils two decisions.)"""
_APART = 0.02
"""Events closer than this, in seconds, are one."""
_LEAST = 200
"""Decisions of a kind below which nothing can be said."""
_DRAWS = 100


@dataclass(frozen=True)
class Chance:
    """An estimated chance, or rate, with its 90 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Eye:
    """The opening between two neighbouring lengths.

    Attributes
    ----------
    shorter, longer : float
        What is decided between: nominal lengths in seconds. For bits told by the order of their halves, the
        difference of those.
    threshold : float
        Between them, as the machine has it at nominal speed.
    centre_shorter, centre_longer : float
        Medians of what was measured, in seconds, as the machine sees them (its speed correction made).
    sigma_shorter, sigma_longer : float
        Robust standard deviations on the side that faces the threshold, in seconds: half of the central 68 %.
    hand_shorter, hand_longer : float
        Distance from centre to threshold in those.
    best : float
        What both sides would have in hand, were the threshold at the best place.
    wrong_shorter, wrong_longer : float
        Estimated share of decisions that fall on the wrong side.
    count_shorter, count_longer : int
        Decisions seen.
    """

    shorter: float
    longer: float
    threshold: float
    centre_shorter: float
    centre_longer: float
    sigma_shorter: float
    sigma_longer: float
    hand_shorter: float
    hand_longer: float
    best: float
    wrong_shorter: float
    wrong_longer: float
    count_shorter: int
    count_longer: int

    @property
    def in_hand(self) -> float:
        """The smaller of the two distances, in sigmas."""
        return min(self.hand_shorter, self.hand_longer)


@dataclass(frozen=True)
class Margin:
    """What a machine's decisions have in hand.

    Attributes
    ----------
    decision : str
        What it measures: ``"half-waves"``, ``"cycles"`` or ``"bits"``.
    machine : str
        ``"fixed"``: thresholds for nominal speed. ``"leader"``: speed taken from the leader before each
        block. ``"follows"``: speed taken from what went before.
    eyes : tuple of Eye
        One for each pair of neighbouring lengths.
    load : Chance
        That `size` bytes load without a wrong decision.
    size : int
    wrong : Chance
        That one decision is wrong, events apart.
    events : int
        Places where the signal was lost, or a few decisions in a row are far off: dropouts, clicks.
    failing : int
        Those of them at which the machine fails.
    failing_a_minute : Chance
    without_events : Chance
        `load`, were there no such events.
    decisions : int
        Decisions looked at.
    a_byte : float
        Decisions a byte.
    seconds, load_seconds : float
        Tape they come from, and tape that a load takes.
    unevenness : float
        How much longer one half of a cycle lasts than the other, as a share of the cycle: 0 is even.
    speed : float
        Mean speed of the tape, 1 being nominal.
    warnings : tuple of str
    """

    decision: Decision
    machine: Machine
    eyes: tuple[Eye, ...]
    load: Chance
    size: int
    wrong: Chance
    events: int
    failing: int
    failing_a_minute: Chance
    without_events: Chance
    decisions: int
    a_byte: float
    seconds: float
    load_seconds: float
    unevenness: float
    speed: float
    warnings: tuple[str, ...] = ()

    @property
    def in_hand(self) -> float:
        """Sigmas in hand at the narrowest place."""
        return min(eye.in_hand for eye in self.eyes)


@dataclass
class _Class:
    """Decisions of one nominal value: jitter, and distance to the thresholds, by stretch of tape."""

    nominal: float
    jitter: Floats  # counts (stretches, bins)
    up: Floats  # counts of the distance to the threshold above (stretches, places)
    down: Floats
    has_up: bool
    has_down: bool
    rows: Ints


def margin_of(
    timing: Timing,
    encoding: Encoding,
    *,
    decision: Decision | None = None,
    machine: Machine = "leader",
    threshold: Threshold = "midway",
    size: int = LOAD,
    memory: float = 0.05,
    seed: int = 1,
) -> Margin:
    """How much a machine's decisions have in hand.

    Parameters
    ----------
    timing : Timing
    encoding : Encoding
    decision : str, optional
        What the machine measures: ``"half-waves"``, ``"cycles"`` (two half-waves, as from one rising edge to
        the next: uneven halves do not matter) or ``"bits"`` (the mean half-wave of a bit; where 0 and 1
        differ in order only, the first half of the bit against the second). By default cycles, or half-waves
        where bits are not made of whole cycles.
    machine : str
        ``"fixed"``, ``"leader"`` or ``"follows"``; see `Margin`.
    threshold : str
        ``"midway"`` between two lengths, or at the same ``"ratio"`` to both.
    size : int
        Bytes of a load.
    memory : float
        Seconds over which a machine that follows forgets.
    seed : int
        Of the bootstrap.

    Returns
    -------
    Margin

    Raises
    ------
    NoMargin
        Too little was read, or the decision makes no sense in the encoding.

    Notes
    -----
    Intervals hold 90 %. They come from drawing stretches of half a second anew, so that a tape whose quality
    changes gets the wide interval it deserves; the rate of events from its posterior under Jeffreys' prior,
    so that none seen in a short recording is not taken for none.
    """
    chosen = decision or usual_decision(encoding)
    _sensible(encoding, chosen, machine, size)
    units = units_of(timing, encoding, chosen)
    classes = data_classes(encoding, chosen)
    kind = np.argmin(np.abs(units.nominal[:, None] - np.array(classes)), axis=1)
    fits = np.abs(units.nominal - np.array(classes)[kind]) < 1e-3 * max(abs(c) for c in classes)
    own = own_speed(units)
    told = machine_speed(units, own, machine, memory)
    walls = _walls(classes, threshold)
    keep = np.flatnonzero(fits)
    if len(keep) < _LEAST:
        raise NoMargin(f"only {len(keep)} decisions were read: expected {_LEAST} or more to judge by")
    units, own, told, kind = _cut(units, keep), own[keep], told[keep], kind[keep]
    warnings = list(timing.warnings)
    if machine == "leader" and np.any(np.isnan(units.leader_ratio[np.unique(units.segment)])):
        warnings.append(
            "a block without enough leader before it: its own first half-waves tell the speed there"
        )

    value = units.value / own
    expected = _expected(units, kind, value)
    jitter = value - expected
    sigma = np.array([_robust(jitter[(kind == k) & ~units.lost]) for k in range(len(classes))])
    scaled = jitter / sigma[kind]
    # The threshold as the machine has it, in the tape's own time.
    upper = np.append(walls, math.inf)[kind] * told / own
    lower = np.concatenate(([-math.inf], walls))[kind] * told / own
    wrong = (value > upper) | (value < lower) | units.lost
    in_event, failing_times, events = _events(units, scaled, wrong)
    stretch, stretches, seconds = _stretches(units)
    rows = []
    for k, nominal in enumerate(classes):
        mine = (kind == k) & ~in_event
        if np.count_nonzero(mine) < _LEAST:
            if np.any(kind == k):
                warnings.append(
                    f"only {np.count_nonzero(mine)} decisions at {_micro(nominal)}: too few to judge it by"
                )
            continue
        at = np.flatnonzero(mine)
        up, down = (upper[at] - expected[at]) / sigma[k], (expected[at] - lower[at]) / sigma[k]
        rows.append(
            _Class(
                nominal,
                _counts(stretch[at], stretches, scaled[at], -REACH, len(AT)),
                _counts(stretch[at], stretches, up, GRID[0] - BIN / 2, len(GRID)),
                _counts(stretch[at], stretches, down, GRID[0] - BIN / 2, len(GRID)),
                has_up=k < len(walls), has_down=k > 0, rows=at,
            )
        )  # fmt: skip
    if len(rows) < 2:
        raise NoMargin(
            "too few decisions of two lengths are beyond doubt: read more, or a better take, of the tape"
        )
    a_byte = len(keep) / max(1, timing.count)
    load_seconds = size * seconds / max(1, timing.count)
    draws = _Draws(rows, stretches, seconds, load_seconds, len(failing_times), np.random.default_rng(seed))
    eyes = _eyes(classes, walls, rows, value * own / told, draws)
    return Margin(
        decision=chosen, machine=machine, eyes=eyes, load=draws.load, size=size, wrong=draws.wrong,
        events=events, failing=len(failing_times), failing_a_minute=draws.failing_a_minute,
        without_events=draws.without_events, decisions=len(keep), a_byte=a_byte, seconds=seconds,
        load_seconds=load_seconds,
        unevenness=_unevenness(timing, encoding), speed=float(1 / np.mean(own)), warnings=tuple(warnings),
    )  # fmt: skip


def _sensible(encoding: Encoding, decision: Decision, machine: Machine, size: int) -> None:
    if decision not in DECISIONS or machine not in MACHINES:
        raise NoMargin(f"expected one of {', '.join(DECISIONS)} and one of {', '.join(MACHINES)}")
    if size < 1:
        raise NoMargin(f"a load of {size} bytes: expected 1 or more")
    if decision == "cycles" and not whole_cycles(encoding):
        raise NoMargin(f"{encoding.name} is not made of whole cycles: take half-waves")
    if decision == "bits" and encoding.is_phase:
        raise NoMargin(f"{encoding.name} tells bits by direction, not by length: take half-waves")
    if machine == "leader" and not encoding.leader:
        raise NoMargin(
            f"{encoding.name} has no leader to tell the speed: take a machine that is fixed or follows"
        )


def _cut(units: Units, keep: Ints) -> Units:
    return Units(
        units.value[keep], units.nominal[keep], units.ratio[keep], units.seconds[keep], units.time[keep],
        units.lost[keep], units.segment[keep], units.phase[keep], units.leader_ratio,
    )  # fmt: skip


def _walls(classes: Sequence[float], threshold: Threshold) -> Floats:
    pairs = list(itertools.pairwise(classes))
    if threshold == "ratio" and all(a > 0 for a in classes):
        return np.array([math.sqrt(a * b) for a, b in pairs])
    return np.array([(a + b) / 2 for a, b in pairs])


def _robust(values: Floats) -> float:
    """Standard deviation from the median absolute deviation: 1.4826 times it for a normal distribution."""
    if not len(values):
        return 1e-7
    return max(1e-7, 1.4826 * float(np.median(np.abs(values - np.median(values)))))


def _expected(units: Units, kind: Ints, value: Floats) -> Floats:
    """Where a decision's value lies usually, given its neighbours: they pull at each other's edges."""
    count = int(np.max(kind)) + 1
    before = np.concatenate(([-1], kind[:-1]))
    after = np.concatenate((kind[1:], [-1]))
    edge = np.diff(units.segment) != 0
    before[np.concatenate(([True], edge))] = count
    after[np.concatenate((edge, [True]))] = count
    # Which of the two kinds of half-wave is the longer is not known from one segment to the next.
    phase = units.phase.copy()
    for segment in np.unique(units.segment):
        at = units.segment == segment
        relative = value[at] / units.nominal[at]
        odd = phase[at] == 1
        if np.any(odd) and np.any(~odd) and np.median(relative[odd]) > np.median(relative[~odd]):
            phase[at] = 1 - phase[at]
    key = ((kind * (count + 1) + before) * (count + 1) + after) * 2 + phase
    out = np.empty(len(value))
    for k in range(count):
        mine = kind == k
        if np.any(mine):
            out[mine] = (
                np.median(value[mine & ~units.lost]) if np.any(mine & ~units.lost) else units.nominal[mine]
            )
    for found in np.unique(key):
        mine = (key == found) & ~units.lost
        if np.count_nonzero(mine) >= _LEAST:
            out[key == found] = np.median(value[mine])
    return out


def _events(units: Units, scaled: Floats, wrong: Flags) -> tuple[Flags, Floats, int]:
    """Decisions in dropouts and the like, when those make a machine fail, and how many there are."""
    odd = np.flatnonzero((np.abs(scaled) > _GROSS) | units.lost)
    member = units.lost.copy()
    if len(odd):
        row = np.concatenate(([0], np.cumsum(np.diff(units.time[odd]) >= _TOGETHER)))
        member[odd[(np.bincount(row) >= _ROW)[row]]] = True
    places = np.flatnonzero(member)
    if not len(places):
        return member, np.empty(0), 0
    number = np.concatenate(([0], np.cumsum(np.diff(units.time[places]) > _APART)))
    failing = np.bincount(number, wrong[places].astype(float)) > 0
    times = units.time[places[np.concatenate(([True], np.diff(number) > 0))]]
    return member, times[failing], int(number[-1]) + 1


def _stretches(units: Units) -> tuple[Ints, int, float]:
    """Stretch number of each decision, how many there are, and seconds of data in all."""
    step = np.diff(units.time)
    usual = float(np.median(step))
    # Time in which there is data: gaps between blocks do not count.
    clock = np.concatenate(([0.0], np.cumsum(np.where(step > 50 * usual, usual, step))))
    seconds = float(clock[-1]) + usual
    count = max(1, round(seconds / _STRETCH))
    return np.minimum((clock / seconds * count).astype(np.int64), count - 1), count, seconds


def _counts(stretch: Ints, stretches: int, values: Floats, first: float, bins: int) -> Floats:
    """How many values of each stretch lie in each bin; those outside go into the outermost."""
    place = np.clip(np.floor((np.nan_to_num(values, posinf=1e9, neginf=-1e9) - first) / BIN), 0, bins - 1)
    return (
        np.bincount(stretch * bins + place.astype(np.int64), minlength=stretches * bins)
        .reshape(stretches, bins)
        .astype(float)
    )


class _Draws:
    """The estimate, and what it would have been had other stretches of the tape been seen."""

    def __init__(
        self, rows: Sequence[_Class], stretches: int, seconds: float, load_seconds: float, failing: int,
        rng: np.random.Generator,
    ) -> None:  # fmt: skip
        self.rows = rows
        self.fits = [best_fit(AT, np.sum(row.jitter, axis=0)) for row in rows]
        decisions = sum(float(np.sum(row.jitter)) for row in rows)
        number = load_seconds / (seconds / stretches)
        ones = np.ones(stretches)
        hazard = self._hazard(ones, self.fits)
        wrong = float(np.sum(hazard)) / decisions
        passes = self._passes(hazard, ones, number)
        wrongs, passed, loads, rates = [], [], [], []
        for _ in range(_DRAWS):
            weight = np.bincount(rng.integers(stretches, size=stretches), minlength=stretches).astype(float)
            fits = [
                fit_mixture(AT, weight @ row.jitter, len(fit.weight), fit, 8)[0]
                for row, fit in zip(rows, self.fits, strict=True)
            ]
            drawn = self._hazard(weight, fits)
            rate = rng.gamma(failing + 0.5) / seconds
            wrongs.append(float(weight @ drawn) / decisions)
            passed.append(self._passes(drawn, weight, number))
            loads.append(passed[-1] * math.exp(-rate * load_seconds))
            rates.append(60 * rate)
        rate = failing / seconds
        self.wrong = _chance(wrong, wrongs)
        self.without_events = _chance(passes, passed)
        self.load = _chance(passes * math.exp(-rate * load_seconds), loads)
        self.failing_a_minute = _chance(60 * rate, rates)

    def _hazard(self, weight: Floats, fits: Sequence[Mixture]) -> Floats:
        """Expected wrong decisions of each stretch."""
        total = np.zeros(len(weight))
        for row, fit in zip(self.rows, fits, strict=True):
            counts = weight @ row.jitter
            if row.has_up:
                total += row.up @ tail(counts, fit)
            if row.has_down:
                total += row.down @ tail(counts[::-1], fit.turned())
        return total

    @staticmethod
    def _passes(hazard: Floats, weight: Floats, number: float) -> float:
        """Chance that so many stretches, drawn from those seen, pass one after the other."""
        one = float(np.sum(weight * np.exp(-hazard)) / np.sum(weight))
        return math.exp(number * math.log(one)) if one > 0 else 0.0

    def share(self, k: int, upward: bool) -> float:
        """Share of decisions of one class that fall beyond the threshold above or below."""
        row = self.rows[k]
        counts = np.sum(row.jitter, axis=0)
        if upward:
            beyond = np.sum(row.up, axis=0) @ tail(counts, self.fits[k])
        else:
            beyond = np.sum(row.down, axis=0) @ tail(counts[::-1], self.fits[k].turned())
        return float(beyond) / max(1.0, float(np.sum(counts)))


def _chance(value: float, drawn: Sequence[float]) -> Chance:
    low, high = np.quantile(drawn, [0.05, 0.95])
    return Chance(value, min(value, float(low)), max(value, float(high)))


def _eyes(
    classes: Sequence[float], walls: Floats, rows: Sequence[_Class], seen: Floats, draws: _Draws
) -> tuple[Eye, ...]:  # fmt: skip
    eyes = []
    for k, (low, high) in enumerate(itertools.pairwise(rows)):
        index = classes.index(low.nominal)
        if classes.index(high.nominal) != index + 1:
            continue
        wall = float(walls[index])
        shorter = seen[low.rows]
        longer = seen[high.rows]
        centre_low, centre_high = float(np.median(shorter)), float(np.median(longer))
        sigma_low = max(1e-7, float(np.quantile(shorter, 0.841345)) - centre_low)
        sigma_high = max(1e-7, centre_high - float(np.quantile(longer, 0.158655)))
        eyes.append(
            Eye(
                shorter=low.nominal, longer=high.nominal, threshold=wall, centre_shorter=centre_low,
                centre_longer=centre_high, sigma_shorter=sigma_low, sigma_longer=sigma_high,
                hand_shorter=(wall - centre_low) / sigma_low, hand_longer=(centre_high - wall) / sigma_high,
                best=(centre_high - centre_low) / (sigma_low + sigma_high),
                wrong_shorter=draws.share(k, True), wrong_longer=draws.share(k + 1, False),
                count_shorter=len(shorter), count_longer=len(longer),
            )
        )  # fmt: skip
    if not eyes:
        raise NoMargin("no two neighbouring lengths were seen often enough: read more of the tape")
    return tuple(eyes)


def _unevenness(timing: Timing, encoding: Encoding) -> float:
    """How much longer than the other one half of the cycles lasts, as a share of the cycle."""
    length = np.diff(timing.edges, prepend=math.nan)
    real = np.isfinite(timing.nominal) & ~timing.lost
    pair = real[:-1] & real[1:] & (np.abs(np.diff(timing.nominal)) < 1e-3 * encoding.shortest)
    first = np.flatnonzero(pair)
    if not len(first):
        return 0.0
    share = (length[first] - length[first + 1]) / (length[first] + length[first + 1])
    even = first % 2 == 0
    middles = [float(np.median(share[even == flag])) for flag in (True, False) if np.any(even == flag)]
    return abs(middles[0] - middles[-1]) / 2 if len(middles) > 1 else abs(middles[0])


def _micro(seconds: float) -> str:
    return f"{1e6 * seconds:.0f} µs"


def measure_margin(
    recording: Any,
    encoding: Encoding | str,
    *,
    channel: Any = "mean",
    decision: Decision | None = None,
    machine: Machine = "leader",
    threshold: Threshold = "midway",
    size: int = LOAD,
    progress: Callable[[float], None] | None = None,
) -> Margin:
    """Read a recording and tell what a machine's decisions have in hand.

    See `read_timing` and `margin_of` for parameters, result and errors.
    """
    timing, tape = read_timing(recording, encoding, channel=channel, progress=progress)
    return margin_of(
        timing, tape.encoding, decision=decision, machine=machine, threshold=threshold, size=size
    )
