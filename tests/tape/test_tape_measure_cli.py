"""`benchwright tape measure` on recordings made for it."""

from __future__ import annotations

import json
import math
import shlex
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from benchwright.cli.main import cli, main
from benchwright.tape.encoding import encoding_named
from benchwright.tape.render import render

RATE = 22050
DECK = """
[deck]
name = "Heron"
tape = "C60"
[parts.capstan]
diameter = "2.00 ± 0.01"
[parts."pinch roller"]
diameter = "12.0 ± 0.1"
"""


def tone(rng: np.random.Generator, seconds: float = 9.0, speed: float = -0.018) -> np.ndarray:
    """3150 Hz at a wrong speed with lines of pinch roller and capstan, hum, hiss, dropouts and pauses."""
    times = np.arange(int(seconds * RATE)) / RATE
    swing = 0.0025 * np.sin(2 * np.pi * 1.263 * times) + 0.001 * np.sin(2 * np.pi * 7.58 * times)
    wave = 0.3 * np.sin(2 * np.pi * 3150 * np.cumsum(1 + speed + swing) / RATE)
    wave += 0.001 * rng.standard_normal(len(times)) + 0.01 * np.sin(2 * np.pi * 50 * times)
    for start in (3.0, 5.5, 8.0):
        wave[round(start * RATE) : round((start + 0.02) * RATE)] *= 0.05
    pause = 0.001 * rng.standard_normal(2 * RATE)
    return np.concatenate([pause, wave, pause])


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, ["tape", *map(str, words)])


def measured(*words: object) -> dict[str, Any]:
    result = run("measure", *words, "--json")
    assert result.exit_code in (0, 1), result.output
    return json.loads(result.stdout)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("tapes") / "side.wav"
    wave = tone(np.random.default_rng(11))
    soundfile.write(path, np.stack([wave, 0.5 * wave], axis=1), RATE, subtype="PCM_24")
    return path


def test_every_figure_comes_back(recording: Path) -> None:
    """What was put into the recording is read off it, each within four of its standard deviations."""
    answer = measured(recording, "--channel", "left")
    assert answer["recording"]["channels"] == 2
    (left,) = answer["channels"]
    expected = {"speed": -1.8, "ends": 0.0, "balance": 6.02}
    grades = {verdict["key"]: verdict["grade"] for verdict in left["verdicts"]}
    for verdict in left["verdicts"]:
        if verdict["key"] in expected:
            figure = verdict["figure"]
            assert figure["value"] == pytest.approx(
                expected[verdict["key"]], abs=4 * figure["uncertainty"] + 0.01
            )
    assert grades["speed"] == "bad"
    assert grades["clipping"] == "good"
    assert left["hum"]["mains"] == 50
    assert left["hum"]["level"]["value"] == pytest.approx(-40.0, abs=1.5)
    assert left["dropouts"]["count"] == 3
    assert [round(each["start"], 2) for each in left["dropouts"]["list"]] == [5.0, 7.5, 10.0]
    # White noise of 0.001, of which nine tenths of the band are summed.
    assert left["noise in pauses"]["level"]["value"] == pytest.approx(
        20 * math.log10(0.001 * math.sqrt(2)) + 10 * math.log10(0.9), abs=0.2
    )
    assert [line["hertz"] for line in left["lines"]] == pytest.approx([1.263, 7.58], rel=0.01)
    assert [line["percent"]["value"] for line in left["lines"]] == pytest.approx([0.25, 0.1], rel=0.1)
    assert "pinch roller" in left["lines"][0]["cause"]
    assert "capstan" in left["lines"][1]["cause"]


def test_both_channels_are_compared(recording: Path) -> None:
    answer = measured(recording)
    assert [each["channel"] for each in answer["channels"]] == ["left", "right"]
    balance = [v for each in answer["channels"] for v in each["verdicts"] if v["key"] == "balance"]
    assert len(balance) == 1
    assert balance[0]["figure"]["value"] == pytest.approx(6.02, abs=0.05)


def test_a_deck_file_names_the_parts(recording: Path, tmp_path: Path) -> None:
    """1.263 and 7.58 Hz are rollers of 12 mm and 2 mm at 47.625 mm/s, by hand; here it runs 1.8 % slow."""
    deck = tmp_path / "deck.toml"
    deck.write_text(DECK.replace("2.00", "1.96").replace("12.0", "11.8"), encoding="utf-8")
    (left,) = measured(recording, "--channel", "left", "--deck", deck)["channels"]
    named = [line["parts"][0]["parts"] for line in left["lines"]]
    assert named == [["pinch roller"], ["capstan"]]
    assert all(line["parts"][0]["probability"] > 0.5 for line in left["lines"])
    shown = run("measure", recording, "--channel", "left", "--deck", deck).stdout
    assert "once per turn of the pinch roller" in shown


def test_what_is_printed(recording: Path) -> None:
    result = run("measure", recording, "--tone", "3.15k", "--channel", "right")
    assert result.exit_code == 1  # the speed is bad
    for words in ("Mean speed error", "-1.80", "bad", "Dropout at 5.00", "Right:", "What to do:"):
        assert words in result.stdout, words
    order = result.stdout
    assert order.index("CAUTION, Power off first") < order.index("It runs slow")
    assert result.stdout.count("CAUTION, Power off first") == 1


def test_a_good_deck_gives_exit_code_0(tmp_path: Path, rng: np.random.Generator) -> None:
    times = np.arange(60 * RATE // 2) / (RATE // 2)
    wave = 0.3 * np.sin(2 * np.pi * 3150 * times) + 0.0005 * rng.standard_normal(len(times))
    soundfile.write(tmp_path / "good.flac", wave, RATE // 2)
    result = run("measure", tmp_path / "good.flac", "--tone", "3150")
    assert result.exit_code == 0, result.output
    assert "What to do" not in result.stdout


def test_response_of_listed_tones(tmp_path: Path) -> None:
    parts = [
        level * np.sin(2 * np.pi * hz * np.arange(RATE) / RATE)
        for hz, level in ((315, 0.2), (1000, 0.2), (6300, 0.1), (8000, 0.025))
    ]
    soundfile.write(tmp_path / "tones.wav", np.concatenate(parts), RATE)
    (each,) = measured(tmp_path / "tones.wav", "--tones", "315,1k=0,6.3k=-2dB,8k")["channels"]
    points = {point["frequency"]: point["level"]["value"] for point in each["response"]["points"]}
    assert points[1000] == pytest.approx(0.0, abs=0.05)
    assert points[6300] == pytest.approx(-6.02 + 2.0, abs=0.05)
    assert points[8000] == pytest.approx(-18.06, abs=0.05)
    result = run("measure", tmp_path / "tones.wav", "--tones", "40,63")
    assert result.exit_code != 0
    assert "none of the tones" in str(result.exception)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--tone", "fast"], "number"),
        (["--tone", "-5"], "frequency"),
        (["--tone", "300k"], "frequency"),
        (["--channel", "5"], "this recording has"),
        (["--tones", "315"], "two frequencies"),
        (["--tones", "315=loud,400"], "levels in dB"),
        (["--position", "3"], "range"),
        (["--deck", "none.toml"], "none.toml"),
    ],
)
def test_wrong_options_are_told(
    recording: Path, options: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        main(["tape", "measure", str(recording), *options])
    assert left.value.code == 2
    assert words in capsys.readouterr().err


@pytest.mark.parametrize("kind", ["text", "empty", "silence", "short", "noise", "one sample"])
def test_any_file_gets_an_answer_in_plain_words(
    tmp_path: Path, kind: str, rng: np.random.Generator, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "take.wav"
    if kind == "text":
        path.write_text("not a tape\n" * 100, encoding="utf-8")
    elif kind == "empty":
        path.touch()
    else:
        count = {"silence": 2 * RATE, "short": 300, "noise": 3 * RATE, "one sample": 1}[kind]
        soundfile.write(path, 0.1 * rng.standard_normal(count) * (kind != "silence"), RATE)
    with pytest.raises(SystemExit) as left:
        main(["tape", "measure", str(path)])
    told = capsys.readouterr()
    if kind in ("text", "empty"):
        assert left.value.code == 2
        assert str(path) in told.err
    else:
        assert left.value.code in (0, 1)
        assert "No speed and flutter" in told.out
    assert "Traceback" not in told.out + told.err


def test_json_has_no_names_for_what_is_no_number(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "silence.wav", np.zeros(RATE), RATE)
    result = run("measure", tmp_path / "silence.wav", "--json")

    def refuse(name: str) -> None:
        raise AssertionError(name)

    json.loads(result.stdout, parse_constant=refuse)


def test_data_gives_speed_and_flutter_without_any_leader(tmp_path: Path, rng: np.random.Generator) -> None:
    """Data of a known encoding, 1.2 % fast with a line of 0.3 %: both come back from the data itself."""
    data = rng.integers(0, 256, 900, dtype=np.uint8).tobytes()
    clean = render([data], encoding_named("msx-1200"), 44_100)
    times = np.arange(len(clean)) / 44_100
    place = np.cumsum(1.012 + 0.003 * np.sin(2 * np.pi * 1.3 * times))
    played = np.interp(place[place < len(clean) - 2], np.arange(len(clean)), clean)
    path = tmp_path / "data.wav"
    soundfile.write(path, played + 0.003 * rng.standard_normal(len(played)), 44_100)
    (each,) = measured(path, "--encoding", "msx-1200")["channels"]
    assert each["tone"]["played"] is None
    assert each["tone"]["speed"]["value"] == pytest.approx(1.2, abs=0.03)
    assert [line["hertz"] for line in each["lines"]] == pytest.approx([1.3], abs=0.02)
    assert each["lines"][0]["percent"]["value"] == pytest.approx(0.3 / 1.012, rel=0.05)
    result = run("measure", path, "--encoding", "none-such")
    assert "none-such" in str(result.exception)


def test_a_tone_from_sox(tmp_path: Path, tool: Callable[[str], Path]) -> None:
    """sox (a general-purpose sound program) sends 3000 Hz and plays it 1.17 % slow: 2965 Hz.

    (2965 - 3000)/3000 = -1.17 %, worked example of a popular article on tape speed.
    """
    sox = tool("sox").as_posix()
    path = tmp_path / "tone.wav"
    order = f"{sox} -R -n -r 48000 -b 24 {path.as_posix()} synth 12 sine 2965 gain -10"
    subprocess.run(shlex.split(order), check=True, capture_output=True)
    (each,) = measured(path, "--tone", "3000")["channels"]
    assert each["tone"]["speed"]["value"] == pytest.approx(-1.1667, abs=0.002)
    assert each["level"]["value"] == pytest.approx(-10.0, abs=0.01)
    assert each["tone"]["flutter weighted"]["value"] < 0.005
