"""Tones as a worn machine plays them, made from the textbook formula of frequency modulation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]


def played(
    seconds: float,
    rate: int = 44100,
    hertz: float = 3150.0,
    error_percent: float = 0.0,
    lines: Sequence[tuple[float, float, float]] = (),
    drift_percent_per_minute: float = 0.0,
    noise_db: float | None = None,
    rng: np.random.Generator | None = None,
) -> Samples:
    """A tone recorded evenly and played with flutter.

    `lines` holds frequency (Hz), zero-to-peak (%) and phase of each; a line of size m and frequency f shifts
    the phase by -(m f0 / f) cos(2 pi f t). The noise is white, `noise_db` below the tone in the whole band.
    """
    time = np.arange(int(seconds * rate)) / rate
    place = time + drift_percent_per_minute / 6000.0 * (time**2 - seconds * time) / 2.0
    for flutter_hz, percent, phase in lines:
        turn = 2.0 * np.pi * flutter_hz
        place -= percent / 100.0 / turn * np.cos(turn * time + phase)
    tone = np.sin(2.0 * np.pi * hertz * (1.0 + error_percent / 100.0) * place)
    if noise_db is not None:
        assert rng is not None
        tone += rng.standard_normal(tone.size) * math.sqrt(0.5) * 10.0 ** (-noise_db / 20.0)
    return 0.5 * tone


def later(samples: Samples, rate: float, seconds: float) -> Samples:
    """The same samples later by any part of a sample, round the end."""
    spectrum = np.fft.rfft(samples)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(samples.size, 1.0 / rate) * seconds)
    return np.asarray(np.fft.irfft(spectrum * turn, samples.size))


def kept_within(pulls: npt.ArrayLike) -> tuple[float, float]:
    """Share of errors within one and within two of their stated standard deviations."""
    sizes = np.abs(np.asarray(pulls))
    return float(np.mean(sizes <= 1.0)), float(np.mean(sizes <= 2.0))


def cut(samples: Samples, lengths: Sequence[int]) -> list[Samples]:
    """Blocks of the given lengths, over and over, until the samples are used up."""
    edges = [0]
    while edges[-1] < samples.size:
        edges.append(edges[-1] + lengths[(len(edges) - 1) % len(lengths)])
    return [samples[first:last] for first, last in pairwise(edges)]
