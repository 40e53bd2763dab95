"""Frequency response of recordings whose response is known."""

from __future__ import annotations

import re
import shlex
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchwright import Recording
from benchwright.tape.response import NoTones, ResponseMeter

RATE = 44100
TONES = (40.0, 63.0, 125.0, 315.0, 1000.0, 3150.0, 6300.0, 8000.0, 10_000.0, 12_500.0)
"""The frequencies of a calibration cassette's response section; from memory of the usual series."""
FLUX_120 = {
    40: 4.22, 63: 2.25, 125: 0.74, 315: 0.0, 1000: -1.81, 3150: -8.09, 6300: -13.59, 8000: -15.60,
    10_000: -17.49, 12_500: -19.40,
}  # fmt: skip
"""Flux law of 3180 µs and 120 µs against 315 Hz (IEC 60094-1 clause 15), computed from the law."""


def metered(wave: np.ndarray, rate: int = RATE) -> ResponseMeter:
    meter = ResponseMeter(rate)
    for at in range(0, len(wave), 30_011):
        meter.add(wave[at : at + 30_011].astype(np.float32))
    return meter


def section(hz: float, decibels: float, seconds: float = 1.2) -> np.ndarray:
    return 10 ** (decibels / 20) * np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE)) / RATE)


def test_tones_at_wrong_speed_against_expected_levels(rng: np.random.Generator) -> None:
    """A head that loses 1 dB per 2 kHz, a tape 2 % fast, tones at the flux law's levels with pauses."""
    parts = []
    for hz in TONES:
        parts += [section(1.02 * hz, -14.0 + FLUX_120[int(hz)] - hz / 2000.0), np.zeros(RATE // 5)]
    wave = np.concatenate(parts)
    found = metered(wave + 1e-4 * rng.standard_normal(len(wave))).tones(TONES, FLUX_120)
    assert found.reference == 315.0
    assert found.missing == ()
    for point in found.points:
        assert point.measured == pytest.approx(1.02 * point.frequency, rel=0.01)
        expected = -(point.frequency - 315.0) / 2000.0
        assert point.level.value == pytest.approx(expected, abs=0.1 + 4 * point.level.uncertainty)
        assert point.seconds == pytest.approx(1.2, abs=0.25)
    assert found.within(250.0, 6300.0).value == pytest.approx((6300 - 315) / 2000, abs=0.1)
    assert found.at_high(6000.0).value == pytest.approx(
        -np.mean([6300, 8000, 10_000, 12_500]) / 2000 + 0.16, abs=0.1
    )


def test_what_was_not_heard_is_named() -> None:
    found = metered(np.concatenate([section(1000.0, -20), section(8000.0, -22)])).tones(
        (315, 1000, 8000, 12_500)
    )
    assert found.missing == (315, 12_500)
    assert found.reference == 1000
    with pytest.raises(NoTones, match="315"):
        metered(section(1000.0, -20)).tones((315,))
    with pytest.raises(NoTones, match="sweep"):
        metered(np.zeros(3 * RATE)).sweep()


def test_sweep_through_a_first_order_loss() -> None:
    """A sweep from 40 Hz to 16 kHz through a loss of 3 dB at 3 kHz: each band shows its own loss."""
    times = np.arange(20 * RATE) / RATE
    rise = np.log(16_000 / 40) / 20
    hz = 40 * np.exp(rise * times)
    wave = 0.2 / np.sqrt(1 + (hz / 3000) ** 2) * np.sin(2 * np.pi * 40 * (np.exp(rise * times) - 1) / rise)
    found = metered(wave).sweep()
    assert len(found.points) >= 26
    for point in found.points:
        expected = -10 * np.log10(1 + (point.measured / 3000) ** 2)
        assert point.level.value == pytest.approx(expected, abs=0.15)


def test_noise_alone_has_no_tones(rng: np.random.Generator) -> None:
    with pytest.raises(NoTones):
        metered(0.1 * rng.standard_normal(3 * RATE)).sweep()


def test_a_treble_filter_of_sox(tmp_path: Path, tool: Callable[[str], Path]) -> None:
    """sox (a general-purpose sound program) makes the tones, filters them and measures each alone."""
    sox = tool("sox")
    tones = (315, 1000, 4000, 8000)
    paths, expected = [], {}
    for hz in tones:
        path = tmp_path / f"{hz}.wav"
        order = f"{sox.as_posix()} -R -n -r 48000 -b 24 {path.as_posix()} synth 1 sine {hz}"
        subprocess.run(shlex.split(f"{order} gain -6 lowpass -1 4000"), check=True, capture_output=True)
        done = subprocess.run([sox, path, "-n", "stats"], capture_output=True, text=True, check=True)
        level = re.search(r"RMS lev dB\s+(-[\d.]+)", done.stderr)
        assert level is not None
        expected[hz] = float(level[1])
        paths.append(path)
    subprocess.run([sox, *paths, tmp_path / "all.wav"], check=True, capture_output=True)
    recording = Recording.open(tmp_path / "all.wav")
    meter = ResponseMeter(recording.rate)
    for block in recording.blocks():
        meter.add(block[:, 0])
    points = meter.tones(tones).points
    assert points[-1].level.value < -5.0
    for point in points:
        assert point.level.value == pytest.approx(expected[int(point.frequency)] - expected[315], abs=0.03)
