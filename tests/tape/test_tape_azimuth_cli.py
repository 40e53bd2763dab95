"""`benchwright tape azimuth`, and the straight line from screw positions to the angle."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from benchwright.cli.main import cli, main
from benchwright.errors import BadReading
from benchwright.tape import Figure
from benchwright.tape.azimuth_positions import best_position

RATE = 44100
SPEED = 0.047625
"""m/s: 1 7/8 inches a second."""


def hiss(rng: np.random.Generator, seconds: float = 4.0) -> tuple[np.ndarray, np.ndarray]:
    """Spectrum and frequencies of a noise with less and less treble, as from a tape."""
    count = int(seconds * RATE)
    hertz = np.fft.rfftfreq(count, 1 / RATE)
    spectrum = np.fft.rfft(rng.standard_normal(count)) * 0.1 / np.sqrt(1 + (hertz / 1500) ** 2)
    return spectrum, hertz


def stereo(path: Path, minutes: float, rng: np.random.Generator) -> Path:
    """Right comes later by s tan(angle) / v, s = 0.9 mm: geometry."""
    spectrum, hertz = hiss(rng)
    delay = 0.9e-3 * math.tan(math.radians(minutes / 60)) / SPEED
    left, right = np.fft.irfft(spectrum), np.fft.irfft(spectrum * np.exp(-2j * np.pi * hertz * delay))
    both = np.stack([left, right], axis=1)
    soundfile.write(path, both + 1e-4 * rng.standard_normal(both.shape), RATE)
    return path


def mono(path: Path, minutes: float, rng: np.random.Generator) -> Path:
    """A track of 1.5 mm read at an angle loses sin x / x, x = pi w tan(angle) f / v."""
    spectrum, hertz = hiss(rng)
    lost = np.sinc(1.5e-3 * math.tan(math.radians(minutes / 60)) * hertz / SPEED)
    soundfile.write(path, np.fft.irfft(spectrum * lost) + 1e-4 * rng.standard_normal(4 * RATE), RATE)
    return path


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, ["tape", "azimuth", *map(str, words)])


def answer(*words: object) -> dict[str, Any]:
    result = run(*words, "--json")
    assert result.exit_code in (0, 1), result.output
    return json.loads(result.stdout)


@pytest.mark.parametrize(("minutes", "grade", "leads"), [(2.0, "good", "left"), (-15.0, "bad", "right")])
def test_one_stereo_recording(
    tmp_path: Path, rng: np.random.Generator, minutes: float, grade: str, leads: str
) -> None:
    path = stereo(tmp_path / "take.wav", minutes, rng)
    found = answer(path)
    assert found["angle"]["value"] == pytest.approx(minutes, abs=0.05)
    assert found["leads"] == leads
    assert found["verdict"]["grade"] == grade
    result = run(path)
    assert result.exit_code == (1 if grade == "bad" else 0)
    assert f"the {leads} channel leads" in result.stdout
    assert ("turn the screw by an eighth" in result.stdout) == (grade == "bad")


@pytest.mark.parametrize("maker", [stereo, mono])
def test_takes_at_known_positions_tell_the_turn(tmp_path: Path, rng: np.random.Generator, maker: Any) -> None:
    """40 minutes of arc a turn and right at +0.10 turns, from takes at -0.25, 0, +0.15 and, last, +0.30."""
    places = (-0.25, 0.0, 0.15, 0.3)
    paths = [maker(tmp_path / f"{n}.wav", 40 * (place - 0.1), rng) for n, place in enumerate(places)]
    words = [*paths, *(word for place in places for word in ("--position", place))]
    found = answer(*words)
    assert found["from"] == ("delay" if maker is stereo else "treble")
    assert found["best"]["value"] == pytest.approx(0.1, abs=0.02)
    assert found["turn"]["value"] == pytest.approx(-0.2, abs=0.02)
    assert found["direction"] == "back"
    assert abs(found["per unit"]["value"]) == pytest.approx(40.0, rel=0.15)
    if maker is stereo:
        shown = run(*words).stdout
        assert shown.index("CAUTION, Probing with the power on") < shown.index("Turn the screw by -0.2")


@given(
    best=st.floats(-1, 1), slope=st.sampled_from([-40.0, -5.0, 8.0, 60.0]), seed=st.integers(0, 1000),
    count=st.integers(2, 6),
)  # fmt: skip
def test_line_through_angles(best: float, slope: float, seed: int, count: int) -> None:
    """Scattered angles on a line: its zero comes back within four of the stated deviations."""
    rng = np.random.default_rng(seed)
    places = np.linspace(-1, 1, count)
    angles = [Figure(slope * (p - best) + 0.3 * rng.standard_normal(), 0.3, "arc-minutes") for p in places]
    found = best_position(list(places), angles)
    assert found.best.value == pytest.approx(best, abs=4 * found.best.uncertainty)
    assert found.turn.value == pytest.approx(found.best.value - 1.0)
    assert found.best.uncertainty == pytest.approx(0.3 / abs(slope), rel=6.0)
    if abs(best - 1.0) > 6 * found.best.uncertainty:
        assert found.direction == ("onward" if best > 1.0 else "back")


def test_a_screw_that_moves_nothing_is_told() -> None:
    level = [Figure(5.0 + wobble, 0.3, "arc-minutes") for wobble in (0.1, -0.1, 0.1)]
    with pytest.raises(BadReading, match="does not follow the screw"):
        best_position([0.0, 0.5, 1.0], level)
    with pytest.raises(BadReading, match="two different"):
        best_position([0.5, 0.5], level[:2])


def test_wrong_use_is_told(
    tmp_path: Path, rng: np.random.Generator, capsys: pytest.CaptureFixture[str]
) -> None:
    one = stereo(tmp_path / "one.wav", 1.0, rng)
    other = mono(tmp_path / "other.wav", 1.0, rng)
    silent = tmp_path / "silent.wav"
    soundfile.write(silent, np.zeros((RATE, 2)), RATE)
    twin = tmp_path / "twin.wav"
    soundfile.write(twin, np.repeat(rng.standard_normal((RATE, 1)) * 0.1, 2, axis=1), RATE)
    for words, told in (
        ([other], "expected a stereo recording"),
        ([one, other], "--position"),
        ([one, other, "--position", "0"], "2 recordings and 1 positions"),
        ([one, "--position", "0"], "no direction"),
        ([one, one, "--position", "0", "--position", "nan"], "number"),
        ([one, one, "--position", "1", "--position", "1"], "two different"),
        ([silent], "silent"),
        ([twin], "mono recording"),
        ([one, "--track-width", "-3"], "range"),
        ([], "Missing argument"),
    ):
        with pytest.raises(SystemExit) as left:
            main(["tape", "azimuth", *map(str, words)])
        assert left.value.code == 2, words
        error = capsys.readouterr().err
        assert told in error, error
