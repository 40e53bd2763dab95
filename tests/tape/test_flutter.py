"""Flutter by IEC 60386: the weighting, the two-sigma reading, the lines, and what noise must not do."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_tones import cut, kept_within, played

from benchwright.errors import BadReading
from benchwright.tape.flutter import (
    from_speed_curve,
    measure_tone,
    two_sigma,
    weighting,
    weighting_table,
)

# IEC 60386 table I (AES6, DIN 45 507, CCIR 409): Hz and dB against 4 Hz, all from memory.
TABLE = [
    (0.1, -48.0), (0.2, -30.6), (0.315, -19.7), (0.4, -15.0), (0.63, -8.4), (0.8, -6.0), (1.0, -4.2),
    (1.6, -1.8), (2.0, -0.9), (4.0, 0.0), (6.3, -0.9), (10.0, -2.1), (20.0, -5.9), (40.0, -10.4),
    (63.0, -14.2), (100.0, -17.3), (200.0, -23.0),
]  # fmt: skip


@pytest.mark.parametrize(("hertz", "decibels"), TABLE)
def test_weighting_meets_the_table(hertz: float, decibels: float) -> None:
    """At every frequency of the table the filter is within a hundredth of a decibel."""
    assert 20.0 * math.log10(float(weighting(hertz))) == pytest.approx(decibels, abs=0.01)


def test_weighting_is_monotone_on_each_side_of_four_hertz() -> None:
    """Between the points of the table there are no bumps, and nothing exceeds the weight at 4 Hz."""
    below, above = weighting(np.geomspace(0.01, 4.0, 2000)), weighting(np.geomspace(4.0, 400.0, 2000))
    assert (np.diff(below) > 0.0).all()
    assert (np.diff(above) < 0.0).all()
    assert float(weighting(0.0)) < 1e-9


def test_each_row_of_the_data_file_says_how_sure_it_is() -> None:
    """The table is from memory, and says so row by row; its tolerances contain nought."""
    for point in weighting_table():
        assert point.sure in {"high", "middling", "low"}
        assert point.tolerance[0] <= 0.0 <= point.tolerance[1]


def test_two_sigma_is_a_percentile_and_not_twice_the_rms(rng: np.random.Generator) -> None:
    """A sine reads 0.997 of its peak (sine of 85.5°), where twice the RMS would read 1.414."""
    sine = np.sin(np.linspace(0.0, 200.0 * np.pi, 200_000, endpoint=False))
    assert two_sigma(sine) == pytest.approx(math.sin(math.radians(85.5)), abs=2e-4)
    # Gaussian: 95 % lie within 1.960 standard deviations.
    assert two_sigma(rng.standard_normal(400_000)) == pytest.approx(1.960, abs=0.015)


# By hand from the table: ±0.100 % of a sine at these frequencies.
READINGS = [(0.8, 0.050), (1.0, 0.062), (4.0, 0.100), (10.0, 0.079), (20.0, 0.051), (100.0, 0.014)]


@pytest.mark.parametrize(("flutter_hz", "reading"), READINGS)
@pytest.mark.parametrize("seconds", [6.0, 24.0])
def test_a_tenth_of_a_percent_reads_by_the_table(flutter_hz: float, reading: float, seconds: float) -> None:
    """A pure sine of ±0.100 % reads as the weighting says, weighted, unweighted and RMS, long and short."""
    report = measure_tone(played(seconds, 11025, lines=[(flutter_hz, 0.1, 0.3)]), 11025, 3150.0)
    assert report.weighted.value == pytest.approx(reading, abs=0.001)
    assert report.unweighted.value == pytest.approx(0.0997, rel=0.01)
    # A sine's RMS is 0.707 of its peak.
    assert report.weighted_rms.value == pytest.approx(report.weighted.value * 0.709, rel=0.02)
    (line,) = report.lines
    assert line.hertz == pytest.approx(flutter_hz, rel=0.002)
    assert line.percent == pytest.approx(0.1, rel=0.01)


def test_modulation_index_of_the_textbook() -> None:
    """0.1 % at 4 Hz on 3150 Hz is an index of 0.7875, and measuring it gives the 0.1 % back."""
    index = 0.7875  # by hand: 0.001 * 3150 / 4
    time = np.arange(10 * 22050) / 22050
    tone = np.sin(2 * np.pi * 3150 * time - index * np.cos(2 * np.pi * 4 * time))
    report = measure_tone(tone, 22050, 3150.0)
    assert report.lines[0].percent == pytest.approx(0.1, rel=0.01)
    assert report.unweighted.value == pytest.approx(0.0997, rel=0.01)


@settings(max_examples=15)
@given(
    rate=st.sampled_from([8000, 11025, 22050, 44100]),
    tone=st.sampled_from([1200.0, 2400.0, 3000.0, 3150.0]),
    flutter_hz=st.floats(0.5, 190.0),
    percent=st.floats(0.02, 0.6),
    error=st.floats(-6.0, 6.0),
    seconds=st.sampled_from([5.0, 8.0, 24.0]),
)
def test_any_sine_is_measured(
    rate: int, tone: float, flutter_hz: float, percent: float, error: float, seconds: float
) -> None:
    """Whatever the rate, the tone, the flutter and the speed: speed within 0.05 %, a line within 5 %."""
    samples = played(seconds, rate, tone, error, [(flutter_hz, percent, 1.0)])
    report = measure_tone(samples, rate, tone)
    assert report.speed.value == pytest.approx(error, abs=0.05)
    largest = max(report.lines, key=lambda line: line.percent)
    assert largest.hertz == pytest.approx(flutter_hz, rel=0.01)
    assert largest.percent == pytest.approx(percent, rel=0.05)
    assert report.unweighted.value == pytest.approx(0.997 * percent, rel=0.05)
    assert report.weighted.value == pytest.approx(0.997 * percent * float(weighting(flutter_hz)), rel=0.05)


def test_noise_is_not_read_as_flutter(rng: np.random.Generator) -> None:
    """Beside noise that alone reads ten times the flutter, the flutter is still found, or doubted enough."""
    samples = played(20.0, lines=[(4.0, 0.02, 0.0)], noise_db=20.0, rng=rng)
    report = measure_tone(samples, 44100, 3150.0)
    assert report.noise_unweighted > 0.07
    assert report.weighted.value == pytest.approx(0.02, rel=0.05)
    assert abs(report.unweighted.value - 0.02) < 2.0 * report.unweighted.uncertainty
    assert any("noise alone" in warning for warning in report.warnings)


def test_noise_ratio_is_that_of_the_recording(rng: np.random.Generator) -> None:
    """White noise 40 dB down in 22050 Hz is 57.4 dB down in the 400 Hz around the tone (by hand)."""
    report = measure_tone(played(10.0, noise_db=40.0, rng=rng), 44100, 3150.0)
    assert report.noise_ratio is not None
    assert report.noise_ratio.value == pytest.approx(40.0 + 10.0 * math.log10(22050 / 400), abs=1.0)


MIXTURE = [
    (0.61, 0.08, 1.0), (2.4, 0.05, 0.2), (4.8, 0.03, 0.9), (9.7, 0.06, 0.3), (24.3, 0.04, 2.0),
    (50.3, 0.03, 1.0), (121.0, 0.03, 0.0),
]  # fmt: skip


@pytest.mark.parametrize("seconds", [6.0, 15.0, 60.0])
def test_lines_of_a_mixture(seconds: float, rng: np.random.Generator) -> None:
    """Each of several lines is found within 5 %, short recording or long; the harmonic is named as such."""
    report = measure_tone(played(seconds, 22050, lines=MIXTURE, noise_db=45.0, rng=rng), 22050, 3150.0)
    for hertz, percent, _ in MIXTURE:
        line = min(report.lines, key=lambda found: abs(found.hertz - hertz))
        assert line.hertz == pytest.approx(hertz, rel=0.01)
        assert line.percent == pytest.approx(percent, rel=0.05)
    assert len(report.lines) == len(MIXTURE)
    second = min(report.lines, key=lambda found: abs(found.hertz - 4.8))
    assert second.order == 2
    assert second.family == pytest.approx(2.4, rel=0.01)


def test_blocks_give_the_same_as_an_array() -> None:
    """Blocks of any length, integers as well, change nothing."""
    samples = played(7.0, lines=[(6.0, 0.1, 0.0)])
    whole = measure_tone(samples, 44100, 3150.0)
    parts = measure_tone(iter(cut(samples, [1, 777, 50_000])), 44100, 3150.0)
    coarse = measure_tone(np.round(samples * 32767).astype(np.int16), 44100, 3150.0)
    assert parts.weighted == whole.weighted
    assert coarse.weighted.value == pytest.approx(whole.weighted.value, rel=0.002)


def test_dropouts_are_left_out(rng: np.random.Generator) -> None:
    """Gaps of 3 to 30 ms each second are listed and leave speed and flutter as they were."""
    samples = played(12.0, lines=[(5.0, 0.1, 0.0)], noise_db=45.0, rng=rng, error_percent=0.8)
    begins = np.arange(0.7, 11.5, 1.0)
    for begin, length in zip(begins, np.linspace(0.003, 0.03, begins.size), strict=True):
        samples[int(begin * 44100) : int((begin + length) * 44100)] *= 0.05
    report = measure_tone(samples, 44100, 3150.0)
    assert len(report.dropouts) == begins.size
    for begin, (first, last) in zip(begins, report.dropouts, strict=True):
        assert first < begin + 0.005
        assert last > begin
    assert report.speed.value == pytest.approx(0.8, abs=0.02)
    assert report.weighted.value == pytest.approx(0.0997 * float(weighting(5.0)), rel=0.03)
    assert report.unweighted.value == pytest.approx(0.0997, rel=0.05)


@pytest.mark.parametrize("shape", ["clipped", "hum", "square"])
def test_bent_tones(shape: str) -> None:
    """Clipping before sampling, hum four times the tone, and a square wave from tape change nothing."""
    fine = played(8.0, 8 * 22050, 2400.0, 1.3, [(3.0, 0.15, 0.0)])
    if shape == "clipped":
        fine = np.clip(fine, -0.2, 0.2)
    elif shape == "square":
        fine = np.tanh(12.0 * fine)
    else:
        fine = fine + 2.0 * np.sin(2 * np.pi * 50 * np.arange(fine.size) / (8 * 22050))
    # What lies above the band is taken off before the samples are thinned, as a sound card does.
    spectrum = np.fft.rfft(fine)
    samples = np.fft.irfft(spectrum[: fine.size // 16 + 1], fine.size // 8) / 8.0
    report = measure_tone(samples, 22050, 2400.0)
    assert report.speed.value == pytest.approx(1.3, abs=0.01)
    assert report.weighted.value == pytest.approx(0.1495 * float(weighting(3.0)), rel=0.02)
    assert report.unweighted.value == pytest.approx(0.1495, rel=0.03)


def test_squared_after_sampling_is_doubted() -> None:
    """Edges rounded to samples feign flutter: the uncertainty owns up to it and a warning says why."""
    report = measure_tone(np.sign(played(5.0, 44100, 2000.0, 0.7, [(4.0, 0.1, 0.0)])), 44100, 2000.0)
    assert abs(report.unweighted.value - 0.1) < 2.0 * report.unweighted.uncertainty
    assert any("square" in warning for warning in report.warnings)


def test_a_sound_beside_the_tone_is_no_flutter() -> None:
    """Crosstalk 60 Hz above the tone swings its level too, and is not listed among the lines."""
    samples = played(10.0, lines=[(4.0, 0.1, 0.0)])
    samples += 0.002 * np.sin(2 * np.pi * 3210.0 * np.arange(samples.size) / 44100)
    report = measure_tone(samples, 44100, 3150.0)
    assert [round(line.hertz) for line in report.lines] == [4]
    assert any("beside the tone" in warning for warning in report.warnings)
    # By hand: 0.004 rad at 60 Hz on 3150 Hz is 0.0076 %.
    assert abs(report.unweighted.value - 0.0997) < 2.0 * report.unweighted.uncertainty + 0.001


def test_only_the_tone_is_measured(rng: np.random.Generator) -> None:
    """Silence before a leader and data behind it stay out of its figures."""
    leader = played(7.0, 44100, 2400.0, 1.5, [(4.0, 0.1, 0.0)], noise_db=45.0, rng=rng)
    bits = np.repeat(np.where(rng.integers(0, 2, 1500), 2400, 1200), 147)
    data = 0.5 * np.sin(2 * np.pi * np.cumsum(bits) / 44100)
    silence = 1e-4 * rng.standard_normal(3 * 44100)
    report = measure_tone(np.concatenate([silence, leader, data, silence]), 44100)
    assert report.nominal_hz == 2400.0
    assert report.speed.value == pytest.approx(1.5, abs=0.02)
    assert report.start_s == pytest.approx(3.0, abs=0.3)
    assert 6.0 < report.duration_s < 7.3
    assert report.weighted.value == pytest.approx(0.0997, rel=0.03)


@pytest.mark.parametrize("what", ["noise", "silence", "data", "nothing", "short", "wrong tone"])
def test_no_tone_is_refused_in_words(what: str, rng: np.random.Generator) -> None:
    """What holds no steady tone gives an error that says what was expected, never figures."""
    bits = np.repeat(np.where(rng.integers(0, 2, 1500), 2400, 1200), 147)
    samples = {
        "noise": rng.standard_normal(5 * 44100),
        "silence": np.zeros(5 * 44100),
        "data": np.sin(2 * np.pi * np.cumsum(bits) / 44100),
        "nothing": np.zeros(0),
        "short": played(0.4),
        "wrong tone": played(6.0),
    }[what]
    with pytest.raises(BadReading, match="expected"):
        measure_tone(samples, 44100, 1000.0 if what == "wrong tone" else None)


def test_two_channels_or_a_silly_rate_are_refused() -> None:
    """A stereo array and rates that cannot be are named as such."""
    with pytest.raises(BadReading, match="one channel"):
        measure_tone(np.zeros((1000, 2)), 44100)
    with pytest.raises(BadReading, match="sample rate"):
        measure_tone(np.zeros(1000), 0)
    with pytest.raises(BadReading, match="cannot be read"):
        measure_tone(np.zeros(1000), 8000, 6300.0)


def test_a_tone_of_no_usual_frequency_has_no_speed_error() -> None:
    """Without the recorded frequency flutter is known, the speed error is not."""
    report = measure_tone(played(6.0, hertz=1730.0, lines=[(4.0, 0.1, 0.0)]), 44100)
    assert math.isnan(report.speed.value)
    assert report.weighted.value == pytest.approx(0.0997, rel=0.01)
    assert any("no usual frequency" in warning for warning in report.warnings)


def test_stated_uncertainty_covers_the_error(rng: np.random.Generator) -> None:
    """Over random machines the true figures lie within the stated uncertainty as often as they should."""
    pulls: dict[str, list[float]] = {"weighted": [], "unweighted": [], "line": [], "rms": []}
    time = np.arange(0.0, 60.0, 0.0013)
    for _ in range(15):
        rate = 11025
        count = int(rng.integers(1, 5))
        hertz = np.exp(rng.uniform(math.log(0.7), math.log(180.0), count))
        percent, phase = 10.0 ** rng.uniform(-1.7, -0.6, count), rng.uniform(0.0, 6.28, count)
        lines = list(zip(hertz.tolist(), percent.tolist(), phase.tolist(), strict=True))
        samples = played(
            float(rng.choice([6.0, 12.0, 24.0])), rate, 3150.0, float(rng.uniform(-3, 3)), lines,
            noise_db=float(rng.uniform(25, 55)), rng=rng,
        )  # fmt: skip
        report = measure_tone(samples, rate, 3150.0)
        waves = percent * np.sin(2 * np.pi * np.outer(time, hertz) + phase)
        weighed = waves @ weighting(hertz)
        pairs = {
            "weighted": (report.weighted, two_sigma(weighed)),
            "unweighted": (report.unweighted, two_sigma(waves.sum(axis=1))),
            "rms": (report.weighted_rms, float(weighed.std())),
        }
        for name, (figure, true) in pairs.items():
            pulls[name].append((figure.value - true) / figure.uncertainty)
        strongest = int(np.argmax(percent))
        line = min(report.lines, key=lambda found: abs(found.hertz - hertz[strongest]))
        pulls["line"].append((line.percent - percent[strongest]) / line.uncertainty)
    for name, values in pulls.items():
        one, two = kept_within(values)
        assert one >= 0.6, name
        assert two >= 0.88, name


@pytest.mark.parametrize("density", [2400.0, 900.0, 300.0])
def test_speed_curve_of_data(density: float, rng: np.random.Generator) -> None:
    """Unevenly spaced speeds with a gap give the same lines and figures as the flutter behind them."""
    times = np.cumsum(rng.uniform(0.5, 1.5, int(20 * density))) / density
    flutter = 0.002 * np.sin(2 * np.pi * 4 * times) + 0.001 * np.sin(2 * np.pi * 0.7 * times)
    sigma = 0.001
    ratio = 1.012 * (1.0 + flutter) + sigma * rng.standard_normal(times.size)
    kept = (times < 5.0) | (times > 5.6)
    shuffled = rng.permutation(np.flatnonzero(kept))
    report = from_speed_curve(times[shuffled], ratio[shuffled], sigma)
    assert report.speed.value == pytest.approx(1.2, abs=0.02)
    found = {round(line.hertz, 1): line.percent for line in report.lines if line.percent > 0.05}
    assert found == {0.7: pytest.approx(0.1, rel=0.05), 4.0: pytest.approx(0.2, rel=0.05)}
    wave = np.arange(0.0, 100.0, 0.001)
    true = two_sigma(
        0.2 * np.sin(2 * np.pi * 4 * wave) + 0.1 * float(weighting(0.7)) * np.sin(2 * np.pi * 0.7 * wave)
    )
    assert report.weighted.value == pytest.approx(true, rel=0.05)
    assert len(report.dropouts) == 1
    assert report.tone is None


def test_speed_curve_without_stated_noise(rng: np.random.Generator) -> None:
    """If nobody says how noisy the speeds are, their upper frequencies do."""
    times = np.arange(0.0, 20.0, 1.0 / 1800.0)
    ratio = 1.0 + 0.001 * np.sin(2 * np.pi * 4 * times) + 0.0015 * rng.standard_normal(times.size)
    report = from_speed_curve(times, ratio)
    # By hand: 0.15 % over 900 Hz leaves 0.071 % root mean square, ±0.14 %, in 200 Hz.
    assert report.noise_unweighted == pytest.approx(1.96 * 0.15 * math.sqrt(200 / 900), rel=0.2)
    assert report.weighted.value == pytest.approx(0.0997, rel=0.05)


def test_speed_curves_that_make_no_sense_are_refused() -> None:
    """Unequal lengths, too few values and equal times are named."""
    with pytest.raises(BadReading, match="as many ratios"):
        from_speed_curve([0.0, 1.0], [1.0])
    with pytest.raises(BadReading, match="at least 16"):
        from_speed_curve([0.0, 1.0, 2.0], [1.0, 1.0, 1.0])
    with pytest.raises(BadReading, match="seconds that grow"):
        from_speed_curve([0.0] * 30 + [1.0] * 2 + [2.0], [1.0] * 33)
    with pytest.raises(BadReading, match="usable"):
        from_speed_curve(np.arange(100.0), np.full(100, np.nan))
