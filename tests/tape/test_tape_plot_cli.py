"""`benchwright tape plot` on recordings made for it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from benchwright.cli import tape_plot
from benchwright.cli.main import cli
from benchwright.tape import Recording
from benchwright.tape.encoding import encoding_named
from benchwright.tape.render import render

RATE = 22_050


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, ["tape", "plot", *map(str, words)])


@pytest.fixture(scope="module")
def tone(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six seconds of 3150 Hz with the pinch roller's line, and one dropout on the left."""
    path = tmp_path_factory.mktemp("tapes") / "tone.wav"
    times = np.arange(6 * RATE) / RATE
    wave = 0.3 * np.sin(2 * np.pi * 3150 * np.cumsum(1 + 0.004 * np.sin(2 * np.pi * 1.166 * times)) / RATE)
    wave += 0.001 * np.random.default_rng(5).standard_normal(len(times))
    left = wave.copy()
    left[3 * RATE : 3 * RATE + 400] *= 0.02
    soundfile.write(path, np.stack([left, 0.5 * wave], axis=1), RATE)
    return path


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two short blocks of pulse-width data."""
    path = tmp_path_factory.mktemp("tapes") / "data.wav"
    wave = render([bytes(range(40)), b"A SECOND BLOCK"], encoding_named("pulse-width"), RATE, add_check=True)
    soundfile.write(path, wave[2 * RATE :], RATE)
    return path


def test_a_tone_gives_all_pictures_but_the_eye(tone: Path, tmp_path: Path) -> None:
    """Without data there is nothing to decide; the rest is drawn into the folder that was named."""
    result = run(tone, "-o", tmp_path, "--tone", 3150, "--json")
    assert result.exit_code == 0, result.output
    answer = json.loads(result.stdout)
    assert {each["kind"] for each in answer["pictures"]} == {"waveform", "half-waves", "speed", "flutter"}
    assert answer["not made"] == []
    for each in answer["pictures"]:
        assert Path(each["path"]).read_bytes().startswith(b"\x89PNG")
    titles = {each["kind"]: each["title"] for each in answer["pictures"]}
    assert "1 dropout" in titles["waveform"]
    assert "weighted peak flutter" in titles["flutter"]


def test_data_gives_the_blocks_and_the_eye(data: Path, tmp_path: Path) -> None:
    """With the encoding named, the waveform shows the blocks, and the eye of a clean tape stands open."""
    result = run(data, "-o", tmp_path / "tape.svg", "--encoding", "pulse-width", "--kind", "eye",
                 "--kind", "waveform", "--kind", "half-waves", "--json")  # fmt: skip
    assert result.exit_code == 0, result.output
    answer = json.loads(result.stdout)
    titles = {each["kind"]: each["title"] for each in answer["pictures"]}
    assert "2 blocks of data, 2 of them good" in titles["waveform"]
    opening = int(titles["eye"].split("open for ")[1].split()[0])
    assert 200 < opening <= 245
    assert "none beyond the threshold" in titles["half-waves"]
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "tape-eye.svg", "tape-half-waves.svg", "tape-waveform.svg",
    ]  # fmt: skip


def test_long_recordings_are_counted_in_pieces(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read piece by piece, nearly as many half-waves are counted as at once: a few are lost at each cut."""
    monkeypatch.setattr(tape_plot, "_PIECE_S", 1.7)
    with Recording.open(data) as take:
        encoding = encoding_named("pulse-width")
        (whole, _) = tape_plot.Plotter(take, [0], encoding)._counts()
        monkeypatch.setattr(tape_plot, "_LONGEST_KEPT_S", 0.0)
        (pieces, eye) = tape_plot.Plotter(take, [0], encoding)._counts()
    everything, counted = whole.counts.sum(), pieces.counts.sum()
    # 40 + 14 bytes and two checks of 8 bits, two half-waves a bit.
    assert everything == 2 * 8 * (40 + 14 + 2)
    assert 0.5 * everything < counted <= everything
    assert eye.ends.sum() > 0.4 * everything


def test_a_deck_file_names_the_line(tone: Path, tmp_path: Path) -> None:
    """A pinch roller of 13 mm turns 1.166 times a second (47.625 mm/s over pi d)."""
    deck = tmp_path / "deck.toml"
    deck.write_text(
        '[deck]\nname = "Heron"\n[parts.capstan]\ndiameter = 2.0\n[parts."pinch roller"]\ndiameter = 13.0\n',
        encoding="utf-8",
    )
    out = tmp_path / "flutter.svg"
    result = run(tone, "--kind", "flutter", "--tone", 3150, "--deck", deck, "-o", out)
    assert result.exit_code == 0, result.output
    text = out.read_text(encoding="utf-8")
    assert "once per turn of the pinch roller" in text
    assert "Heron" in text


def test_a_stretch_keeps_the_times_of_the_recording(tone: Path, tmp_path: Path) -> None:
    """`--from` and `--to` look closer, and the dropout outside is not counted."""
    result = run(tone, "--kind", "waveform", "--from", 4, "--to", 5, "--channel", "left", "-o",
                 tmp_path / "near.svg", "--json")  # fmt: skip
    (made,) = json.loads(result.stdout)["pictures"]
    assert "no dropouts" in made["title"]
    assert "from 4.0 to 5.0 s" in made["words"]


def test_format_and_ending(tone: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The format comes from the ending, or from --format where there is none; both at odds are refused."""
    monkeypatch.chdir(tmp_path)
    assert run(tone, "--kind", "waveform", "--format", "svg").exit_code == 0
    assert (tmp_path / "tone-waveform.svg").read_text(encoding="utf-8").startswith("<?xml")
    for words in (
        ("-o", "x.png", "--format", "svg"), ("-o", "x.pdf"), ("-o", "nowhere"), ("--from", 7),
        ("--kind", "eye"), ("--channel", "middle"), ("--encoding", "no such"),
    ):  # fmt: skip
        result = CliRunner().invoke(cli, ["tape", "plot", str(tone), "--kind", "waveform", *map(str, words)])
        assert result.exit_code != 0
        assert "Traceback" not in result.output
        assert len(result.output + str(result.exception)) > 30
    assert [path.name for path in tmp_path.iterdir()] == ["tone-waveform.svg"]


def test_what_cannot_be_drawn_is_told(tmp_path: Path) -> None:
    """Noise has no speed: asked for, the answer is no; among others it is left out, and why is said."""
    noise = tmp_path / "noise.wav"
    soundfile.write(noise, 0.1 * np.random.default_rng(2).standard_normal(2 * RATE), RATE)
    asked = run(noise, "--kind", "speed", "-o", tmp_path)
    assert asked.exit_code == 1
    assert "No picture of speed" in asked.stderr
    usual = run(noise, "-o", tmp_path)
    assert usual.exit_code == 0
    assert "No picture of flutter" in usual.stderr
    assert (tmp_path / "noise-waveform.png").exists()
    wrong = run(noise, "--encoding", "cuts-1200", "--kind", "eye", "-o", tmp_path)
    assert wrong.exit_code == 1
    assert "cuts-1200" in wrong.stderr
