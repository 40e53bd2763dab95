"""Measuring whatever comes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwright import Recording
from benchwright.tape.measure import measure
from benchwright.tape.response import NoTones


@given(
    rate=st.sampled_from([100, 1999, 8000, 11_025, 192_000]), count=st.integers(1, 30_000),
    shape=st.sampled_from(["zeros", "constant", "spike", "noise", "square", "steps", "not a number", "huge"]),
    size=st.floats(1e-7, 2.0), sweep=st.booleans(), seed=st.integers(0, 100),
)  # fmt: skip
@settings(max_examples=30)
def test_any_samples_are_measured(
    rate: int, count: int, shape: str, size: float, sweep: bool, seed: int
) -> None:
    """No array makes the measuring stumble, and no uncertainty is negative."""
    rng = np.random.default_rng(seed)
    wave = {
        "zeros": np.zeros(count), "constant": np.full(count, size),
        "noise": size * rng.standard_normal(count),
        "spike": np.where(np.arange(count) == count // 2, size, 0.0),
        "square": size * np.sign(np.sin(np.arange(count) * 0.1)), "steps": size * (np.arange(count) // 7 % 3),
        "not a number": np.where(rng.random(count) < 0.1, np.nan, size), "huge": np.full(count, 1e38),
    }[shape]  # fmt: skip
    try:
        report = measure(Recording.from_array(wave, rate), 0, sweep=sweep)
    except NoTones:
        return
    for figure in report.figures.values():
        assert math.isnan(figure.uncertainty) or figure.uncertainty >= 0.0
    verdicts = report.verdicts()
    assert [verdict.key for verdict in verdicts if verdict.key == "level"] == ["level"]
    for verdict in verdicts:
        assert verdict.figure.text()


def test_progress_counts_every_frame_twice() -> None:
    done: list[int] = []
    recording = Recording.from_array(np.zeros((100_000, 2)), 44_100)
    measure(recording, 1, progress=done.append)
    assert sum(done) == 200_000


def test_noise_is_taken_from_pauses_and_beside_the_tone(rng: np.random.Generator) -> None:
    """Modulation noise stands only beside the tone: pauses are quieter by what was put in."""
    rate = 16_000
    times = np.arange(6 * rate) / rate
    wave = 0.3 * np.sin(2 * np.pi * 3150 * times) + 0.003 * rng.standard_normal(len(times))
    quiet = 0.0005 * rng.standard_normal(2 * rate)
    report = measure(Recording.from_array(np.concatenate([quiet, wave, quiet]), rate), 0)
    assert report.noise is not None
    assert report.pauses is not None
    difference = report.noise.level.value - report.pauses.level.value
    assert difference == pytest.approx(20 * math.log10(0.003 / 0.0005), abs=0.3)
    assert report.tone is not None
    assert report.tone.start_s == pytest.approx(2.0, abs=0.1)
