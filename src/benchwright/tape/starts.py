"""Where on a recording a block may begin: runs of leader, or the first waves after silence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .conditioned import Window
from .encoding import Encoding
from .follower import Seed
from .grammar import LEADER, Grammar

FloatArray = npt.NDArray[np.float64]
SLOWEST, FASTEST = 0.78, 1.28
NEAR = 0.15
LOST_BIT, LOST_WAVE = 3.0, 1.0
"""Costs of a start a bit later in the preamble, and a crossing away from where waves become even."""
LEAST_NOISE = 0.35
"""Against the amplitude: what neighbouring waves do to each other looks like noise until it is learnt."""


@dataclass(frozen=True)
class Start:
    """A place to begin reading, with what the waves there say about the signal.

    Attributes
    ----------
    time : float
        In working samples.
    seeds : list of Seed
    noise : float
        Standard deviation of the noise.
    amplitude : float
        Of the wave.
    lead : float
        How much longer than its share a half-wave above the middle is, in working samples.
    """

    time: float
    seeds: list[Seed]
    noise: float
    amplitude: float
    lead: float


def find_start(
    window: Window, encoding: Encoding, grammar: Grammar, rate: float, after: float, faintest: float
) -> Start | None:
    """The first place after a time where reading may begin, or None.

    Parameters
    ----------
    window : Window
    encoding : Encoding
    grammar : Grammar
    rate : float
        Working samples a second.
    after : float
        In working samples.
    faintest : float
        Amplitude below which there is nothing to read.
    """
    if encoding.leader:
        return _leader(window, encoding, grammar, rate, after, faintest)
    return _first_waves(window, encoding, grammar, rate, after, faintest)


def _amplitude(window: Window, time: FloatArray) -> FloatArray:
    place = np.clip((time - window.start).astype(int), 0, max(0, len(window.amplitude) - 1))
    return np.asarray(window.amplitude[place], float)


def _leader(
    window: Window, encoding: Encoding, grammar: Grammar, rate: float, after: float, faintest: float
) -> Start | None:
    first = int(np.searchsorted(window.time, after))
    time, rising = window.time[first:], window.rising[first:]
    cycle = sum(encoding.leader) / (len(encoding.leader) / 2) * rate
    run, step = 40, 12
    if len(time) < run + 4:
        return None
    length = (time[2:] - time[:-2]) / cycle
    views = np.lib.stride_tricks.sliding_window_view(length, run)[::step]
    middle = np.median(views, axis=1)
    near = np.mean(np.abs(views - middle[:, None]) < NEAR * middle[:, None], axis=1)
    fits = (near >= 0.75) & (middle > 1 / FASTEST) & (middle < 1 / SLOWEST)
    fits &= _amplitude(window, time[: len(middle) * step : step]) > faintest
    # A leader goes on: the run that follows is of the same length, or there is nothing more to see.
    lasting = fits.copy()
    ahead = -(-run // step)
    if len(fits) > ahead:
        even = np.abs(middle[ahead:] - middle[:-ahead]) < 0.04 * middle[:-ahead]
        lasting[:-ahead] &= fits[ahead:] & even
    for k in np.flatnonzero(lasting):
        at = int(k) * step
        here = slice(at, at + run)
        period = float(middle[k])
        cycles = length[here] * cycle
        spread = 1.4826 * float(np.median(np.abs(cycles - np.median(cycles)))) / np.sqrt(2)
        amplitude = float(np.median(_amplitude(window, time[here])))
        slope = amplitude * np.pi / (cycle / 2 * period)
        noise = float(np.clip(spread * slope, LEAST_NOISE * amplitude, 0.6 * amplitude))
        halves = np.diff(time[at : at + run + 1])
        above = rising[at : at + run] > 0
        lead = float(np.median(halves[above]) - np.median(halves[~above])) / 2
        lead = float(np.clip(lead, -0.3 * cycle / 2, 0.3 * cycle / 2))
        # Not from the first crossings, which may be noise: from the middle, which is leader for sure.
        begin = at + run // 2
        seeds = [
            Seed(node, float(time[begin + j]), int(rising[begin + j]), period)
            for node in grammar.starts
            for j in (0, 1)
        ]
        return Start(float(time[begin]), seeds, noise, amplitude, lead)
    return None


def _first_waves(
    window: Window, encoding: Encoding, grammar: Grammar, rate: float, after: float, faintest: float
) -> Start | None:
    """Waves of one length in a row: the alternating bits of a preamble."""
    first = int(np.searchsorted(window.time, after))
    time, rising = window.time[first:], window.rising[first:]
    usual = (encoding.cell if encoding.is_phase else encoding.longest) * rate
    run = 5
    if len(time) < run + 2:
        return None
    length = np.diff(time) / usual
    views = np.lib.stride_tricks.sliding_window_view(length, run)
    middle = np.median(views, axis=1)
    near = np.max(np.abs(views - middle[:, None]), axis=1) < 0.3 * middle
    fits = near & (middle > 1 / FASTEST) & (middle < 1 / SLOWEST)
    amplitude = _amplitude(window, time[: len(middle)])
    fits &= amplitude > faintest
    where = np.flatnonzero(fits)
    if not len(where):
        return None
    at = int(where[0])
    period = float(middle[at])
    strong = float(np.max(amplitude[at : at + 24]))
    seeds = [
        # The first waves after silence may be lost, but most often none is.
        Seed(
            node,
            float(time[at + j]),
            int(rising[at + j]),
            period,
            0.05,
            LOST_BIT * skipped + LOST_WAVE * abs(j),
        )
        for skipped, node in enumerate(grammar.starts)
        for j in range(-2, 3)
        if 0 <= at + j < len(time)
    ]
    return Start(float(time[max(0, at - 2)]), seeds, LEAST_NOISE * strong, strong, 0.0)


MATCH, LEAST_MATCHED, SURE = 0.22, 0.85, 6
"""How far half-waves may be off either length, as a share of it; the share of them that must not be further
off, and how many of the first must not."""


def can_begin_amid(encoding: Encoding) -> bool:
    """Whether the frame tells where bytes begin, wherever reading begins: tones, with start and stop bits."""
    return bool(
        encoding.idle and encoding.leader and encoding.start and encoding.stop and not encoding.marker
    )


def find_start_amid(
    window: Window, encoding: Encoding, grammar: Grammar, rate: float, after: float, faintest: float
) -> Start | None:
    """The first place after a time where data may be read without a leader before it, or None.

    Half-waves of the encoding's lengths stand there for a byte and a half. Which bit of a byte comes first is
    left open. Parameters as for `find_start`.
    """
    first = int(np.searchsorted(window.time, after))
    time, rising = window.time[first:], window.rising[first:]
    short, ratio = encoding.shortest * rate, encoding.longest / encoding.shortest
    bits = len(encoding.start) + encoding.data_bits + len(encoding.stop)
    run = round(1.5 * bits * (len(encoding.zero) + len(encoding.one)) / 2)
    if len(time) < run + 2:
        return None
    lengths = np.diff(time) / short
    loud = _amplitude(window, time[:-1]) > faintest
    best: tuple[int, float] | None = None
    for period in np.arange(SLOWEST, FASTEST, 0.04):
        near = loud & (np.abs(lengths / period - 1) < MATCH)
        wide = loud & (np.abs(lengths / period - ratio) < MATCH * ratio)
        either = near | wide
        fits = _share(either, run) >= LEAST_MATCHED
        if not np.any(fits):
            continue
        fits &= (_share(near, run) > 0.05) & (_share(wide, run) > 0.05)
        fits &= _share(either, SURE)[: len(fits)] == 1
        if np.any(fits) and (best is None or int(np.argmax(fits)) < best[0]):
            best = int(np.argmax(fits)), float(period)
    if best is None:
        return None
    at, period = best
    here = lengths[at : at + run]
    is_long = here > period * (1 + ratio) / 2
    period = float(np.median(np.where(is_long, here / ratio, here)))
    off = here - period * np.where(is_long, ratio, 1.0)
    above = rising[at : at + run] > 0
    lead = float(np.median(off[above]) - np.median(off[~above])) / 2
    off -= np.where(above, lead, -lead)
    amplitude = float(np.median(_amplitude(window, time[at : at + run])))
    spread = 1.4826 * float(np.median(np.abs(off))) / np.sqrt(2) * np.pi / period
    noise = amplitude * float(np.clip(spread, LEAST_NOISE, 0.6))
    # Where the tone changes a bit ends; from there back by whole bits.
    turn = int(np.flatnonzero(is_long[1:] != is_long[:-1])[0]) + 1
    begin = at + turn % len(encoding.zero if is_long[turn - 1] else encoding.one)
    seeds = [
        Seed(int(node), float(time[j]), int(rising[j]), period, cost=LOST_WAVE * abs(j - begin))
        for node in _bits_begin(grammar)
        for j in range(max(0, begin - 1), begin + 2)
    ]
    return Start(float(time[begin]), seeds, noise, amplitude, float(np.clip(lead, -0.3, 0.3)) * short)


def _share(flags: npt.NDArray[np.bool_], run: int) -> FloatArray:
    """Share of flags that are set in each run of so many."""
    sums = np.concatenate(([0], np.cumsum(flags)))
    return np.asarray((sums[run:] - sums[:-run]) / run, float)


def _bits_begin(grammar: Grammar) -> npt.NDArray[np.int32]:
    """Nodes at which a bit begins."""
    leader = np.flatnonzero(grammar.kind == LEADER)
    return np.unique(np.concatenate((grammar.to[grammar.symbol >= 0], leader))).astype(np.int32)
