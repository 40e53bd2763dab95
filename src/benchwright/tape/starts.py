"""Where on a recording a block may begin: runs of leader, or the first waves after silence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .conditioned import Window
from .encoding import Encoding
from .follower import Seed
from .grammar import Grammar

FloatArray = npt.NDArray[np.float64]
SLOWEST, FASTEST = 0.78, 1.28
NEAR = 0.15
LOST_BIT, LOST_WAVE = 3.0, 1.0
"""Costs of a start a bit later in the preamble, and a crossing away from where waves become even."""
LEAST_NOISE = 0.35
"""Against the amplitude: what neighbouring waves do to each other looks like noise until it is learnt."""


@dataclass(frozen=True)
class Start:
    """A place to begin reading, with what the leader there says about the signal.

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
