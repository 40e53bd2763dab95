"""Dropouts put into a tone at known places."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchwright.tape.dropouts import DropoutFinder, DropoutReport

RATE = 44100


def find(wave: np.ndarray, rate: int = RATE, block: int = 65_536, **options: float) -> DropoutReport:
    finder = DropoutFinder(rate, **options)
    for at in range(0, len(wave), block):
        finder.add(wave[at : at + block].astype(np.float32))
    return finder.report()


def tone_with(
    losses: list[tuple[float, float, float]], seconds: float, hz: float, rng: np.random.Generator
) -> np.ndarray:
    times = np.arange(int(seconds * RATE)) / RATE
    gain = np.ones(len(times))
    for start, length, depth in losses:
        gain[round(start * RATE) : round((start + length) * RATE)] = 10 ** (-depth / 20)
    return gain * (0.4 * np.sin(2 * np.pi * hz * times)) + 0.001 * rng.standard_normal(len(times))


@pytest.mark.parametrize("hz", [700.0, 1200.0, 2400.0, 3150.0, 6300.0])
def test_each_loss_is_found_at_its_place_and_depth(hz: float, rng: np.random.Generator) -> None:
    """Losses of 5 to 300 ms and 13 to 30 dB, in a minute fed in blocks: start, length and depth come back."""
    losses = [
        (1.0 + 1.9 * n, float(rng.uniform(0.005, 0.3 if n % 3 else 0.02)), float(rng.uniform(13, 30)))
        for n in range(30)
    ]
    report = find(tone_with(losses, 60.0, hz, rng), block=int(rng.integers(1000, 100_000)))
    assert report.count == len(losses)
    for (start, length, depth), found in zip(losses, report.dropouts, strict=True):
        assert found.start == pytest.approx(start, abs=4 * report.resolution)
        assert found.length == pytest.approx(length, abs=4 * report.resolution)
        assert found.depth == pytest.approx(depth, abs=1.0)
    assert report.per_minute.value == pytest.approx(30.0, rel=0.01)
    assert report.per_minute.uncertainty == pytest.approx(math.sqrt(30), rel=0.01)
    assert report.lost.value == pytest.approx(100 * sum(length for _, length, _ in losses) / 60, rel=0.05)


def test_the_definition_decides(rng: np.random.Generator) -> None:
    """12 dB for more than 4 ms: shallower, shorter and much longer losses do not count, unless asked for."""
    losses = [(1.0, 0.010, 10.5), (2.0, 0.0028, 25.0), (3.0, 0.010, 13.5), (5.0, 0.8, 40.0)]
    wave = tone_with(losses, 8.0, 3150.0, rng)
    assert [round(d.start) for d in find(wave).dropouts] == [3]
    assert [round(d.start) for d in find(wave, depth_db=9.0).dropouts] == [1, 3]
    assert [round(d.start) for d in find(wave, shortest=0.002).dropouts] == [2, 3]


def test_pauses_and_silence_are_no_dropouts(rng: np.random.Generator) -> None:
    """Blocks of tone with pauses, fading hiss, then nothing at all: nothing was lost."""
    parts = []
    for _ in range(5):
        parts += [tone_with([], 3.0, 1200.0, rng), 0.001 * rng.standard_normal(2 * RATE)]
    parts.append(np.zeros(RATE))
    report = find(np.concatenate(parts))
    assert report.count == 0
    assert report.signal == pytest.approx(15.0, abs=1.5)
    nothing = find(np.zeros(3 * RATE))
    assert math.isnan(nothing.per_minute.value)
    assert find(np.zeros(3)).count == 0


def test_none_found_does_not_mean_none_possible(rng: np.random.Generator) -> None:
    """A clean minute says fewer than about one per minute, not zero."""
    report = find(tone_with([], 60.0, 3150.0, rng))
    assert report.per_minute.value == 0.0
    assert report.per_minute.uncertainty == pytest.approx(1.0, rel=0.01)


def test_two_tone_data_is_no_dropout(rng: np.random.Generator) -> None:
    """Data of two tones 6 dB apart, as a worn head gives it, has no dropouts of 12 dB."""
    bits = rng.integers(0, 2, 6000)
    frequency = np.repeat(np.where(bits, 2400.0, 1200.0), RATE // 1200)
    level = np.repeat(np.where(bits, 0.2, 0.4), RATE // 1200)
    wave = level * np.sin(2 * np.pi * np.cumsum(frequency) / RATE)
    assert find(wave).count == 0
