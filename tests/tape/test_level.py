"""Level, clipping, polarity, asymmetry, noise and hum against signals whose figures are known."""

from __future__ import annotations

import math
import re
import shlex
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright import Recording
from benchwright.tape.averaged_spectrum import AveragedSpectrum
from benchwright.tape.half_waves import zero_crossings
from benchwright.tape.level import LevelMeter, LevelReport
from benchwright.tape.noise import harmonics, hum, noise, strongest_tone

RATE = 44100


def sine(
    hz: float, seconds: float = 3.0, level: float = 0.5, rate: int = RATE, phase: float = 0.3
) -> np.ndarray:
    return level * np.sin(2 * np.pi * hz * np.arange(int(seconds * rate)) / rate + phase)


def level_of(wave: np.ndarray, rate: int = RATE) -> LevelReport:
    meter = LevelMeter(rate)
    for at in range(0, len(wave), 10_007):
        meter.add(wave[at : at + 10_007].astype(np.float32))
    return meter.report()


def spectrum_of(wave: np.ndarray, resolution: float = 1.0, rate: int = RATE) -> AveragedSpectrum:
    spectrum = AveragedSpectrum(rate, resolution)
    for at in range(0, len(wave), 10_007):
        spectrum.add(wave[at : at + 10_007].astype(np.float32))
    return spectrum


@given(hz=st.floats(200, 8000), level=st.floats(0.01, 0.99), offset=st.floats(-0.3, 0.3))
def test_level_and_offset_of_a_sine(hz: float, level: float, offset: float) -> None:
    report = level_of(sine(hz, 1.0, level) + offset)
    expected = 10 * math.log10(level**2 + 2 * offset**2)
    assert report.rms.value == pytest.approx(expected, abs=0.02)
    assert report.offset.value == pytest.approx(100 * offset, abs=0.2)
    true_peak = 20 * math.log10(level + abs(offset))
    assert report.peak.value <= true_peak + 1e-4
    # The crest between samples is at most half a step from one of them.
    assert report.peak.value + 1.5 * report.peak.uncertainty >= true_peak - 0.02 - 20 * math.log10(
        1 / math.cos(min(1.4, math.pi * hz / RATE))
    )


@given(
    share=st.sampled_from([0.05, 0.1, 0.2, 0.3, 0.5]), hz=st.floats(600, 4800), sign=st.sampled_from([1, -1])
)
def test_asymmetry_of_an_offset_sine(share: float, hz: float, sign: int) -> None:
    """(t_high - t_low)/(t_high + t_low) = 2 arcsin(b/A)/pi, by geometry; the offset explains all of it."""
    report = level_of(sine(hz, 0.5, 0.4) + sign * share * 0.4)
    expected = sign * 2 * math.asin(share) / math.pi
    assert report.asymmetry.value == pytest.approx(expected, rel=0.01, abs=5e-4)
    assert report.asymmetry_centred.value == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(
    ("share", "expected"), [(0.05, 0.032), (0.1, 0.064), (0.2, 0.128), (0.3, 0.194), (0.5, 0.333)]
)
def test_asymmetry_by_table(share: float, expected: float) -> None:
    """Worked values of 2 arcsin(b/A)/pi, computed by hand to three places."""
    assert level_of(sine(1200.0) * 0.5 + 0.25 * share).asymmetry.value == pytest.approx(expected, abs=6e-4)


def test_asymmetry_of_a_pulse_train(rng: np.random.Generator) -> None:
    """Halves of 208 and 260 µs have (260 - 208)/(260 + 208) = 0.111, in silence before and after too."""
    rate = 48_000
    edges = np.cumsum(np.tile([208e-6, 260e-6], 2000))
    times = np.arange(int(edges[-1] * rate)) / rate
    wave = np.where(np.searchsorted(edges, times, side="right") % 2, -0.5, 0.5)
    wave = np.convolve(wave, np.hanning(7) / np.hanning(7).sum(), mode="same")
    silence = 0.001 * rng.standard_normal(rate)
    report = level_of(np.concatenate([silence, wave, silence]), rate)
    assert report.asymmetry.value == pytest.approx(-(260 - 208) / (260 + 208), abs=0.004)


@given(
    hz=st.floats(300, 6000),
    clip=st.floats(0.5, 0.97),
    scale=st.floats(0.1, 1.0),
    bits=st.sampled_from([8, 16, 0]),
)
def test_clipped_share(hz: float, clip: float, scale: float, bits: int) -> None:
    """A sine cut at the share c of its crest lies on the rail for 2 arccos(c)/pi of the time, by geometry."""
    wave = np.clip(sine(hz, 1.5, 1.0), -clip, clip) * scale
    expected = 100 * 2 * math.acos(clip) / math.pi
    samples_on_rail = math.acos(clip) / math.pi / hz * RATE
    steps_a_sample = 128 * scale * math.sqrt(1 - clip**2) * 2 * math.pi * hz / RATE
    if samples_on_rail < 4.5 or (bits == 8 and steps_a_sample < 5.0):
        return  # too short, or too soft an edge for so coarse a converter, to be told from a crest
    if bits:
        wave = np.round(wave * 2 ** (bits - 1)) / 2 ** (bits - 1)
    found = level_of(wave).clipping
    one_sample_a_run = 100 * 2 * hz / RATE
    assert found.share.value == pytest.approx(expected, rel=0.02, abs=0.5 + 1.2 * one_sample_a_run)
    rounded = 0.6 / 2 ** (bits - 1) if bits else 0.0
    assert found.rail == pytest.approx(clip * scale, rel=0.03, abs=0.03 * clip * scale + rounded)


@given(hz=st.floats(20, 10_000), bits=st.sampled_from([8, 16, 24, 0]), level=st.floats(0.05, 1.0))
def test_a_clean_sine_is_not_clipped(hz: float, bits: int, level: float) -> None:
    wave = sine(hz, 0.5, level)
    if bits:
        wave = np.round(wave * (2 ** (bits - 1) - 1)) / 2 ** (bits - 1)
    assert level_of(wave).clipping.runs == 0


def test_polarity_and_how_sure(rng: np.random.Generator) -> None:
    """Narrow tall positive pulses are named so, their mirror image the other way, a sine neither."""
    phase = 2 * np.pi * 1000 * np.arange(5 * RATE) / RATE
    pulses = 0.4 * (np.cos(phase) + 0.4 * np.cos(2 * phase)) + 0.01 * rng.standard_normal(len(phase))
    upright, inverted = level_of(pulses).polarity, level_of(-pulses).polarity
    assert (upright.taller, inverted.taller) == ("positive", "negative")
    assert min(upright.sure, inverted.sure) > 0.999
    # Third moment of cos a + k cos 2a is 3k/4, over ((1 + k^2)/2)^1.5; by hand.
    assert upright.skew.value == pytest.approx(0.75 * 0.4 / ((1 + 0.16) / 2) ** 1.5, rel=0.01)
    assert level_of(sine(1000.0) + 0.01 * rng.standard_normal(3 * RATE)).polarity.taller == "neither"


def test_digital_silence_is_told() -> None:
    report = level_of(np.concatenate([np.zeros(RATE), sine(1000.0, 1.0)]))
    assert report.silent == pytest.approx(0.5, abs=0.11)
    assert math.isnan(level_of(np.zeros(RATE)).asymmetry.value)
    assert level_of(np.zeros(RATE)).rms.value == -math.inf


@given(st.lists(st.floats(0.2, 1.4), min_size=3, max_size=30), st.floats(0.02, 0.3))
def test_crossings_alternate_and_lie_where_the_wave_turns(halves: list[float], hysteresis: float) -> None:
    """Half-waves of any lengths: the crossings found are the places they were put together at."""
    places, at = [], 0.0
    wave = []
    for number, half in enumerate(halves):
        count = round(40 * half)
        wave.append((-1) ** number * np.sin(np.pi * (np.arange(count) + 0.5) / count))
        at += count
        places.append(at - 0.5)
    found, rising = zero_crossings(np.concatenate(wave), hysteresis)
    assert len(found) == len(halves) - 1
    assert np.all(rising[1:] != rising[:-1])
    np.testing.assert_allclose(found, places[:-1], atol=0.4)


@pytest.mark.parametrize("ratio", [20.0, 46.0, 60.0])
@pytest.mark.parametrize("hz", [315.0, 2400.0, 3150.0])
def test_signal_to_noise_by_construction(ratio: float, hz: float, rng: np.random.Generator) -> None:
    """White noise of known power beside a fluttering tone with harmonics: the ratio in the band is known."""
    times = np.arange(20 * RATE) / RATE
    tone = 0.25 * np.sin(2 * np.pi * hz * times - 0.002 * hz / 4 * np.cos(2 * np.pi * 4 * times))
    third = 0.0025 * np.sin(6 * np.pi * hz * times)
    power = 0.25**2 / 2 / 10 ** (ratio / 10)
    spectrum = spectrum_of(tone + third + math.sqrt(power) * rng.standard_normal(len(times)))
    found = noise(spectrum, hz, 31.5, 15_000.0)
    in_band = (15_000.0 - 31.5) / (RATE / 2)
    assert found.band == (31.5, 15_000.0)
    assert found.ratio is not None
    assert found.ratio.value == pytest.approx(ratio - 10 * math.log10(in_band), abs=0.1)
    assert abs(found.ratio.value - ratio + 10 * math.log10(in_band)) < 5 * found.ratio.uncertainty
    assert found.level.value == pytest.approx(10 * math.log10(2 * power * in_band), abs=0.1)
    place, share = strongest_tone(spectrum)
    assert place == pytest.approx(hz, rel=1e-4)
    assert share > 0.9
    relative = dict(harmonics(spectrum, hz).relative)
    assert relative[3].value == pytest.approx(-40.0, abs=0.5)


def test_short_stretch_still_gets_an_uncertainty(rng: np.random.Generator) -> None:
    found = noise(spectrum_of(0.1 * rng.standard_normal(RATE + 5)))
    assert 0.0 < found.level.uncertainty < 1.0


@pytest.mark.parametrize(("waveform", "thd"), [("square", 42.88), ("triangle", 12.05)])
def test_harmonics_of_ideal_waves(waveform: str, thd: float) -> None:
    """Fourier series: 1/n and 1/n^2 of the odd harmonics; to the ninth 42.88 % and 12.05 %, by hand."""
    times = np.arange(5 * RATE) / RATE
    power = 1 if waveform == "square" else 2
    wave = sum(
        0.3 / n**power * np.sin(2 * np.pi * 1000 * n * times + (n == 3) * 0.2) for n in (1, 3, 5, 7, 9)
    )
    found = harmonics(spectrum_of(wave), 1000.0)
    assert found.distortion.value == pytest.approx(thd, abs=0.05)
    assert dict(found.relative)[5].value == pytest.approx(-20 * power * math.log10(5), abs=0.05)


@pytest.mark.parametrize("mains", [50, 60])
@pytest.mark.parametrize("drift", [0.993, 1.0, 1.006])
def test_hum_is_found_beside_a_signal(mains: int, drift: float, rng: np.random.Generator) -> None:
    times = np.arange(20 * RATE) / RATE
    wave = 0.25 * np.sin(2 * np.pi * 2400 * times) + 1e-3 * rng.standard_normal(len(times))
    for order, level in ((1, -50.0), (2, -56.0), (3, -60.0)):
        wave += 10 ** (level / 20) * np.sin(2 * np.pi * mains * drift * order * times + order)
    found = hum(spectrum_of(wave, 0.5), [2400.0])
    assert found.mains == mains
    assert found.frequency.value == pytest.approx(mains * drift, abs=4 * found.frequency.uncertainty)
    # -50, -56 and -60 dB together, by hand: -48.68.
    assert found.level.value == pytest.approx(-48.68, abs=0.15)
    assert [order for order, _ in found.lines][:3] == [1, 2, 3]


def test_no_hum_where_there_is_none(rng: np.random.Generator) -> None:
    """Chance makes no mains lines: of a hundred stretches and more of noise, none passes for hum."""
    for seconds in (1, 3, 20):
        for _ in range(50 if seconds < 20 else 5):
            wave = 1e-3 * rng.standard_normal(seconds * RATE // 8)
            found = hum(spectrum_of(wave, 1.0, RATE // 8))
            assert found.mains == 0, found


def stats_by_sox(sox: Path, path: Path) -> dict[str, float]:
    done = subprocess.run([sox, path, "-n", "stats"], capture_output=True, text=True, check=True)
    rows = re.findall(r"^(.+?)\s+(-?[\d.]+(?:e-\d+)?)k?$", done.stderr, re.MULTILINE)
    return {name.strip(): float(value) for name, value in rows}


def test_level_agrees_with_sox(tmp_path: Path, tool: Callable[[str], Path]) -> None:
    """sox (a general-purpose sound program) as sender and as yardstick of level, peak and offset.

    Its RMS counts a full-scale square wave as 0 dB, 3.01 dB more than a sine.
    """
    sox = tool("sox")
    path = tmp_path / "mix.wav"
    order = f"{sox.as_posix()} -R -n -r 48000 -b 24 {path.as_posix()} synth 4 sine 1000"
    subprocess.run(
        shlex.split(f"{order} synth 4 pinknoise mix gain -9 dcshift 0.05"), check=True, capture_output=True
    )
    stats = stats_by_sox(sox, path)
    meter = LevelMeter(48000)
    for block in Recording.open(path).blocks():
        meter.add(block[:, 0])
    report = meter.report()
    assert report.rms.value == pytest.approx(stats["RMS lev dB"] + 3.0103, abs=0.02)
    assert report.peak.value == pytest.approx(stats["Pk lev dB"], abs=0.02)
    assert report.offset.value == pytest.approx(100 * stats["DC offset"], abs=0.01)
