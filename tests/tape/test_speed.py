"""Mean speed, drift and the speed curve."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_tones import kept_within, played

from benchwright.errors import BadReading
from benchwright.tape.flutter import measure_tone
from benchwright.tape.speed import from_speed_curve, speed_of
from benchwright.tape.tone import follow_tone


def test_the_formula_of_the_speed_error() -> None:
    """2965 Hz from a 3000 Hz tape is -1.17 % (the example of a popular article; by hand -1.1667 %)."""
    report = measure_tone(played(6.0, 22050, 2965.0), 22050, 3000.0)
    assert report.speed.value == pytest.approx(-1.1667, abs=0.001)
    assert report.tone is not None
    assert report.tone.value == pytest.approx(2965.0, abs=0.01)


@settings(max_examples=12)
@given(
    error=st.floats(-20.0, 20.0),
    wow_hz=st.floats(0.3, 3.0),
    percent=st.floats(0.05, 1.0),
    phase=st.floats(0.0, 6.28),
    seconds=st.floats(5.0, 12.0),
)
def test_an_unfinished_turn_does_not_pull_the_mean(
    error: float, wow_hz: float, percent: float, phase: float, seconds: float
) -> None:
    """Strong slow wow in a short recording leaves the mean speed within 0.05 %."""
    samples = played(seconds, 11025, 3150.0, error, [(wow_hz, percent, phase)])
    assert measure_tone(samples, 11025, 3150.0).speed.value == pytest.approx(error, abs=0.05)


@pytest.mark.parametrize("seconds", [15.0, 60.0, 250.0])
def test_drift(seconds: float, rng: np.random.Generator) -> None:
    """A steady slope is found, with the difference between the ends, for short and long recordings."""
    samples = played(
        seconds, 8000, 2400.0, 0.5, [(0.7, 0.1, 0.0), (5.0, 0.05, 1.0)], 0.12, noise_db=40.0, rng=rng
    )
    report = measure_tone(samples, 8000, 2400.0)
    assert report.drift.value == pytest.approx(0.12, abs=max(0.01, 3.0 * report.drift.uncertainty))
    # By hand: means over the first and last tenth (2 s to 30 s) are that much apart.
    window = min(max(seconds / 10.0, 2.0), 30.0)
    assert report.ends.value == pytest.approx(
        0.12 * (seconds - window) / 60.0, abs=3.0 * report.ends.uncertainty
    )
    assert report.speed.value == pytest.approx(0.5, abs=0.02)


def test_thirty_second_means() -> None:
    """DIN 45 500 judges means over 30 s: the least and the greatest of a drifting tape; none if too short."""
    report = measure_tone(played(90.0, 8000, 2400.0, 1.0, (), 0.6), 8000, 2400.0)
    assert report.least_30_s is not None
    assert report.greatest_30_s is not None
    # By hand: middles of the first and last 30 s are 30 s before and after the middle.
    assert report.least_30_s.value == pytest.approx(0.7, abs=0.02)
    assert report.greatest_30_s.value == pytest.approx(1.3, abs=0.02)
    assert measure_tone(played(20.0, 8000, 2400.0), 8000, 2400.0).least_30_s is None


def test_the_curve_follows_the_tape(rng: np.random.Generator) -> None:
    """A slow swing is seen in the curve at its time and height, and a gap in the tone is a gap in it."""
    samples = played(40.0, 11025, 3150.0, 0.0, [(0.1, 0.5, 0.0)], noise_db=40.0, rng=rng)
    samples[int(22.0 * 11025) : int(22.6 * 11025)] = 0.0
    curve = measure_tone(samples, 11025, 3150.0).curve
    true = 0.5 * np.sin(2 * np.pi * 0.1 * curve.times_s)
    seen = np.isfinite(curve.percent)
    assert np.abs(curve.percent - true)[seen].max() < 0.03
    assert (~seen).sum() >= 4
    assert curve.times_s[~seen].min() == pytest.approx(22.0, abs=0.3)


def test_a_speed_curve_from_data(rng: np.random.Generator) -> None:
    """Uneven times and noisy ratios: mean and slope within their uncertainty."""
    times = np.sort(rng.uniform(0.0, 60.0, 20_000))
    ratio = 0.985 + 0.0001 * (times - 30.0) / 60.0 + 0.001 * rng.standard_normal(times.size)
    report = from_speed_curve(times, ratio, 0.001)
    assert abs(report.mean.value + 1.5) < 2.5 * report.mean.uncertainty
    assert report.mean.uncertainty < 0.01
    assert abs(report.drift.value - 0.01) < 3.0 * report.drift.uncertainty
    with pytest.raises(BadReading):
        from_speed_curve([], [])


def test_stated_uncertainty_covers_the_error(rng: np.random.Generator) -> None:
    """Random slow flutter moves the mean of 10 s; the stated uncertainty, less the clock's share, knows."""
    means, slopes = [], []
    for _ in range(40):
        times = np.arange(0.0, 10.0, 1.0 / 400.0)
        slow = np.fft.irfft(
            (rng.standard_normal((2, 4001)) * np.array([[1.0], [1j]])).sum(axis=0)
            * np.exp(-np.arange(4001) / 100.0),
            8000,
        )
        ratio = 1.0 + 0.001 * slow[: times.size] / slow.std()
        report = from_speed_curve(times, ratio, 1e-6)
        own = math.sqrt(report.mean.uncertainty**2 - 0.005**2)
        means.append(report.mean.value / own)
        slopes.append(report.drift.value / report.drift.uncertainty)
    for pulls in (means, slopes):
        one, two = kept_within(pulls)
        assert one >= 0.5
        assert two >= 0.85


def test_sines_made_before_are_used(rng: np.random.Generator) -> None:
    """The fit of the lines may be handed over; the figures are the same kind either way."""
    track = follow_tone(played(8.0, 11025, lines=[(2.0, 0.2, 0.0)], noise_db=40.0, rng=rng), 11025).track
    assert speed_of(track).mean.value == pytest.approx(0.0, abs=0.005)
