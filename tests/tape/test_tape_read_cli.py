"""`benchwright tape decode`, `merge`, `margin`, `render` and `encodings` as a person meets them."""

from __future__ import annotations

import hashlib
import itertools
import json
import shlex
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from benchwright.cli.main import cli, main
from benchwright.cli.tape_read import chance_text
from benchwright.tape import encoding as encoding_module
from benchwright.tape import index as index_module
from benchwright.tape.encoding import encoding_named, parse_encoding
from benchwright.tape.index import confidence_ranges, ranges
from benchwright.tape.render import render, write_recording

RATE = 44100
TEXT = b'10 REM THE FULMAR COUNTS ITS EGGS\r20 FOR N=1 TO 12\r30 PRINT N;" EGGS"\r40 NEXT N\r'
BLOCKS = [b"\x00FULMAR 65       ", TEXT + bytes(range(200))]


def run(*arguments: str | Path, code: int = 0) -> Result:
    """Run a command in this process; it must end with `code`."""
    done = CliRunner().invoke(cli, ["tape", *map(str, arguments)], catch_exceptions=False)
    assert done.exit_code == code, done.output
    return done


def parsed(*arguments: str | Path, code: int = 0) -> Any:
    """JSON of a command, without numbers that only some readers know."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    return json.loads(run(*arguments, "--json", code=code).stdout, parse_constant=refuse)


def spoilt(seconds_before_the_end: float, level: float, seed: int, name: str = "pulse-width") -> np.ndarray:
    """Both blocks, with 30 ms of dropout in the second."""
    encoding = encoding_named(name)
    wave = level * render(BLOCKS, encoding, RATE, add_check=encoding.check is not None)
    start = len(wave) - round(seconds_before_the_end * RATE)
    wave[start : start + round(0.03 * RATE)] *= 0.01
    return wave + 0.002 * np.random.default_rng(seed).standard_normal(len(wave)).astype(np.float32)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Recordings: a clean one, two damaged takes, and one of nothing."""
    made = tmp_path_factory.mktemp("tapes")
    clean = render(BLOCKS, encoding_named("pulse-width"), RATE, add_check=True)
    write_recording(made / "clean.wav", clean, RATE)
    soundfile.write(made / "take-1.wav", spoilt(2.2, 0.6, 1), RATE)
    soundfile.write(made / "take-2.wav", spoilt(1.7, 0.3, 2), RATE)
    half = clean[: len(clean) // 2]
    soundfile.write(made / "stereo.wav", np.stack((0.5 * half, half), axis=1), RATE)
    write_recording(made / "nothing.wav", np.zeros(RATE, np.float32), RATE)
    (made / "program.bin").write_bytes(bytes(range(1, 65)))
    return made


# -- the whole way


def test_from_bytes_to_a_recording_and_back(tmp_path: Path) -> None:
    """Files rendered, decoded into a folder, rendered from it, decoded again: the same bytes each time."""
    for number, data in enumerate(BLOCKS):
        (tmp_path / f"{number}.bin").write_bytes(data)
    first, out, second = tmp_path / "first.wav", tmp_path / "blocks", tmp_path / "second.flac"
    files = [tmp_path / f"{number}.bin" for number in range(len(BLOCKS))]
    run("render", *files, "--encoding", "phase-1500", "--add-check", "--out", first)
    told = run("decode", first, "--encoding", "phase-1500", "--out", out).stdout
    assert "2 of 2 blocks are good" in told
    check = encoding_named("phase-1500").check
    assert check is not None
    for name, data in zip(("block-001.bin", "block-002.bin"), BLOCKS, strict=True):
        assert (out / name).read_bytes() == check.append(data)
    run("render", out, "--out", second, "--rate", "22050", "--shape", "sine", "--level", "-10")
    assert soundfile.info(second).samplerate == 22050
    again = parsed("decode", second, "--encoding", "phase-1500", "--out", tmp_path / "again")
    assert [row["good"] for row in again["blocks"]] == [True, True]
    for name in ("block-001.bin", "block-002.bin"):
        assert (tmp_path / "again" / name).read_bytes() == (out / name).read_bytes()


def test_the_index_tells_about_every_file(folder: Path, tmp_path: Path) -> None:
    """Hash, length, place, confidence of each byte; the encoding's whole text; the recording's own hash."""
    out = tmp_path / "blocks"
    printed = parsed("decode", folder / "take-1.wav", "--encoding", "pulse-width", "--out", out, code=1)
    index = json.loads((out / "index.json").read_text(encoding="utf-8"))
    assert {key: printed[key] for key in index} == index
    assert printed["folder"] == str(out)
    assert sorted(path.name for path in out.iterdir()) == ["block-001.bin", "block-002.bin", "index.json"]
    assert parse_encoding(index["encoding"]["toml"]) == encoding_named("pulse-width")
    (take,) = index["recordings"]
    assert take["sha256"] == hashlib.sha256((folder / "take-1.wav").read_bytes()).hexdigest()
    assert [row["good"] for row in index["blocks"]] == [True, False]
    for row in index["blocks"]:
        data = (out / row["file"]).read_bytes()
        assert row["sha256"] == hashlib.sha256(data).hexdigest()
        assert row["bytes"] == len(data)
        assert 0 < row["start"] < row["end"] < take["seconds"]
        covered = [place for first, last, _ in row["confidence"] for place in range(first, last + 1)]
        assert covered == list(range(len(data)))
        assert all(0 <= sure < 1 for _, _, sure in row["confidence"])
        for first, last in row["doubtful"]:
            assert all(sure < 0.95 for a, b, sure in row["confidence"] if a <= last and b >= first)
    assert index["blocks"][1]["doubtful"]


@pytest.mark.parametrize(
    "name",
    [
        "cuts-1200",
        "pulse-width",
    ],
)
def test_two_passes_rescue_what_one_lost(name: str, tmp_path: Path) -> None:
    """Each take alone leaves a block that is not good; merged, its bytes are right."""
    takes = []
    for number, at in enumerate((2.2, 1.7), start=1):
        takes.append(tmp_path / f"take-{number}.wav")
        soundfile.write(takes[-1], spoilt(at, 0.6 / number, number, name), RATE)
        told = run("decode", takes[-1], "--encoding", name, code=1).stdout
        assert "NOT GOOD" in told
        assert "doubtful" in told
    out = tmp_path / "merged"
    run("merge", *takes, "--encoding", name, "--out", out)
    check = encoding_named(name).check
    wanted = check.append(BLOCKS[1]) if check else BLOCKS[1]
    assert (out / "block-002.bin").read_bytes() == wanted
    index = json.loads((out / "index.json").read_text(encoding="utf-8"))
    assert [Path(take["path"]).name for take in index["recordings"]] == ["take-1.wav", "take-2.wav"]


@pytest.mark.parametrize("name", ["kansas-city-300", "msx-2400", "pulse-length", "phase-1500", "pulse-width"])
def test_the_encoding_is_found_by_trying(name: str, tmp_path: Path) -> None:
    """It is said which one was taken, and the bytes are those of that one."""
    encoding = encoding_named(name)
    wave = render([TEXT], encoding, RATE, add_check=encoding.check is not None)
    noise = 0.01 * np.random.default_rng(3).standard_normal(len(wave))
    soundfile.write(tmp_path / "x.wav", np.concatenate((np.zeros(2 * RATE), wave + noise)), RATE)
    found = parsed("decode", tmp_path / "x.wav", "--out", tmp_path / "out")
    assert found["encoding"]["name"] == name
    assert f"{name} reads best of" in found["chosen"]
    data = (tmp_path / "out" / "block-001.bin").read_bytes()
    assert data[: len(TEXT)] == TEXT


def test_a_recording_of_nothing_is_a_no(folder: Path, tmp_path: Path) -> None:
    """Exit code 1, said in words, and nothing is written."""
    out = tmp_path / "out"
    for arguments in ([], ["--encoding", "msx-1200"]):
        told = run("decode", folder / "nothing.wav", "--out", out, *arguments, code=1).stdout
        assert "None of the known encodings reads" in told or "No block found" in told
        assert not out.exists()
        assert parsed("decode", folder / "nothing.wav", *arguments, code=1)["blocks"] == []


def test_the_channel_is_chosen(folder: Path) -> None:
    """Left, right and numbers from 1; one that is not there is refused."""
    for channel in ("left", "2", "mean"):
        told = parsed("decode", folder / "stereo.wav", "--encoding", "pulse-width", "--channel", channel)
        assert told["blocks"][0]["good"]
    assert (
        "mean, left, right, 1, 2"
        in run("decode", folder / "stereo.wav", "--encoding", "pulse-width", "--channel", "3", code=2).output
    )


# -- nothing is overwritten in silence


def test_nothing_is_overwritten_in_silence(folder: Path, tmp_path: Path) -> None:
    """A second run is refused, unless it may replace; what was not written here is never removed."""
    out, arguments = tmp_path / "out", ["decode", folder / "clean.wav", "--encoding", "pulse-width", "--out"]
    run(*arguments, out)
    before = (out / "index.json").read_bytes()
    (out / "block-001.bin").write_bytes(b"changed by hand")
    with pytest.raises(SystemExit) as left:
        main(["tape", *map(str, [*arguments, out])])
    assert left.value.code == 2
    assert (out / "block-001.bin").read_bytes() == b"changed by hand"
    run(*arguments, out, "--replace")
    assert (out / "block-001.bin").read_bytes() != b"changed by hand"
    assert (out / "index.json").read_bytes() == before
    (out / "notes.txt").write_text("mine")
    with pytest.raises(SystemExit) as left:
        main(["tape", *map(str, [*arguments, out, "--replace"])])
    assert left.value.code == 2
    assert (out / "notes.txt").read_text() == "mine"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out"]


def test_an_empty_folder_may_be_filled(folder: Path, tmp_path: Path) -> None:
    """A folder made beforehand is no obstacle."""
    out = tmp_path / "out"
    out.mkdir()
    run("decode", folder / "clean.wav", "--encoding", "pulse-width", "--out", out)
    assert (out / "index.json").exists()


@pytest.mark.parametrize("fails_at", [1, 2, 3])
def test_a_folder_is_written_whole_or_not_at_all(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails_at: int
) -> None:
    """A disk that is full half-way leaves no folder, and an old one as it was."""
    out = tmp_path / "out"
    arguments = ["decode", folder / "clean.wav", "--encoding", "pulse-width", "--out", out]
    run(*arguments)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    write, count = index_module._write, iter(range(1, 99))

    def failing(path: Path, data: bytes) -> None:
        if next(count) == fails_at:
            raise OSError(28, "No space left on device", str(path))
        write(path, data)

    monkeypatch.setattr(index_module, "_write", failing)
    with pytest.raises(SystemExit) as left:
        main(["tape", *map(str, [*arguments, "--replace"])])
    assert left.value.code == 2
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_recording_is_not_overwritten(folder: Path, tmp_path: Path) -> None:
    """Neither by a good rendering nor by one that fails."""
    path = tmp_path / "x.wav"
    arguments = ["render", folder / "program.bin", "--encoding", "cuts-1200", "--out", path]
    run(*arguments)
    before = path.read_bytes()
    for more in ([], ["--replace", "--rate", "8000", "--encoding", "msx-2400"]):
        with pytest.raises(SystemExit) as left:
            main(["tape", *map(str, [*arguments, *more])])
        assert left.value.code == 2
        assert path.read_bytes() == before
    run(*arguments, "--replace", "--level", "-20")
    assert path.read_bytes() != before
    assert [each.name for each in tmp_path.iterdir()] == ["x.wav"]


# -- rendering


def test_what_a_machine_would_refuse_is_said(folder: Path, tmp_path: Path) -> None:
    """No check, two checks, doubtful bytes: each is remarked upon."""
    plain = ["render", folder / "program.bin", "--encoding", "pulse-width"]
    assert "does not end in its check" in run(*plain, "--out", tmp_path / "1.wav").stdout
    assert "!" not in run(*plain, "--add-check", "--out", tmp_path / "2.wav").stdout
    run("decode", tmp_path / "2.wav", "--encoding", "pulse-width", "--out", tmp_path / "out")
    assert (
        "a second one" in run("render", tmp_path / "out", "--add-check", "--out", tmp_path / "3.wav").stdout
    )
    run("decode", folder / "take-1.wav", "--encoding", "pulse-width", "--out", tmp_path / "bad", code=1)
    told = parsed("render", tmp_path / "bad", "--out", tmp_path / "4.wav")
    assert any("doubtful" in remark for remark in told["remarks"])


# -- margin


def test_the_margin_of_a_good_and_of_a_poor_tape(folder: Path) -> None:
    """A clean tape loads; one with a dropout every few seconds does not, and the exit code says so."""
    told = run("margin", folder / "clean.wav", "--encoding", "pulse-width").stdout
    for words in ("Fixed thresholds", "Speed from the leader", "Follows the speed", "480 µs and 960 µs"):
        assert words in told
    found = parsed("margin", folder / "clean.wav", "--encoding", "pulse-width", "--machine", "fixed")
    assert list(found["machines"]) == ["fixed"]
    assert found["machines"]["fixed"]["load"]["value"] > 0.99
    assert found["machines"]["fixed"]["in_hand"] > 10
    poor = parsed("margin", folder / "take-1.wav", "--encoding", "pulse-width", code=1)
    assert poor["machines"]["leader"]["load"]["value"] < 0.01
    assert poor["machines"]["leader"]["without_events"]["value"] > 0.99
    assert poor["machines"]["leader"]["failing"] == 1
    easy = parsed("margin", folder / "clean.wav", "--encoding", "pulse-width", "--decision", "bits")
    assert easy["machines"]["follows"]["decision"] == "bits"


# -- encodings


def test_encodings_are_listed_and_printed_to_be_changed(tmp_path: Path) -> None:
    """Every known one with its title and source; the file of each reads back as itself."""
    listed = run("encodings").stdout
    rows = parsed("encodings")
    assert len(rows) >= 7
    for row in rows:
        assert row["name"] in listed
        assert row["title"] in listed
        assert row["source"] in listed
        text = run("encodings", row["name"]).stdout
        assert parse_encoding(text) == encoding_named(row["name"])
        assert parsed("encodings", row["name"])["toml"] == text
    mine = tmp_path / "mine.toml"
    mine.write_text(run("encodings", "pulse-width").stdout.replace("240 us", "200 us"), encoding="utf-8")
    assert "200 us" in run("encodings", mine).stdout


# -- bad input


@pytest.mark.parametrize(
    ("arguments", "wanted"),
    [
        (["decode", "nowhere.wav"], "nowhere.wav"),
        (["decode", "program.bin"], "cannot be read as sound"),
        (["decode", "clean.wav", "--encoding", "morse"], "expected cuts-1200, kansas-city-300"),
        (["decode", "clean.wav", "--encoding", "nowhere.toml"], "nowhere.toml"),
        (["decode", "clean.wav", "--encoding", "bad.toml"], "bad.toml, line 2, wave.zero"),
        (["decode", "clean.wav", "--encoding", "pulse-width", "--channel", "left"], "mean, 1"),
        (["decode", "clean.wav", "--out", "nowhere/out"], "no such folder"),
        (["decode", "clean.wav", "--out", "program.bin"], "this is a file"),
        (["decode", "slow.wav", "--encoding", "msx-2400"], "15 kHz or more"),
        (["merge", "clean.wav", "--encoding", "pulse-width"], "two recordings or more"),
        (["margin", "nothing.wav", "--encoding", "pulse-width"], "no data read"),
        (["margin", "clean.wav", "--encoding", "pulse-width", "--machine", "clever"], "fixed"),
        (["render", "program.bin", "--out", "x.wav"], "give --encoding"),
        (["render", "program.bin", "--encoding", "pulse-width", "--out", "x.mp3"], ".wav, .flac"),
        (["render", "program.bin", "--encoding", "pulse-width", "--out", "nowhere/x.wav"], "no such folder"),
        (["render", "program.bin", "--encoding", "pulse-width", "--level", "3", "--out", "x.wav"], "to 0"),
        (["render", "empty.bin", "--encoding", "pulse-width", "--out", "x.wav"], "the file is empty"),
        (["render", "no-index", "--out", "x.wav"], "no index.json in this folder"),
        (["render", "broken", "--out", "x.wav"], "this is not JSON"),
        (["render", "other", "--out", "x.wav"], "expected an index of blocks"),
        (["render", "changed", "--out", "x.wav"], "their SHA-256 differs"),
        (["render", "broken/index.json", "--encoding", "pulse-width", "--out", "x.wav"], "name its folder"),
        (["render", "program.bin", "--encoding", "cuts-1200", "--add-check", "--out", "x.wav"], "no check"),
        (["encodings", "morse"], "expected cuts-1200"),
    ],
)  # fmt: skip
def test_bad_input_ends_with_one_plain_message(
    folder: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: Any,
    arguments: list[str],
    wanted: str,
) -> None:
    """Exit code 2 and what was expected; never a traceback, and no file is left."""
    for name in ("clean.wav", "nothing.wav", "program.bin"):
        (tmp_path / name).symlink_to(folder / name)
    soundfile.write(tmp_path / "slow.wav", np.zeros(8000), 8000)
    (tmp_path / "empty.bin").touch()
    (tmp_path / "bad.toml").write_text("[wave]\nzero = 'short'\n")
    for name, text in (("no-index", None), ("broken", "{"), ("other", "[]"), ("changed", None)):
        (tmp_path / name).mkdir()
        if text is not None:
            (tmp_path / name / "index.json").write_text(text)
    row = {"file": "block-001.bin", "sha256": "0" * 64}
    index = {"format": "benchwright tape index", "version": 1, "blocks": [row], "encoding": {"toml": ""}}
    (tmp_path / "changed" / "index.json").write_text(json.dumps(index))
    (tmp_path / "changed" / "block-001.bin").write_bytes(b"x")
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as left:
        main(["tape", *arguments])
    assert left.value.code == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert wanted in " ".join(told.err.split())
    assert "Traceback" not in told.err
    assert not list(tmp_path.glob("x.*"))


def test_a_file_outside_its_folder_is_not_read(tmp_path: Path) -> None:
    """An index that names a path is refused: it may come from anybody."""
    row = {"file": "../secret.bin", "sha256": hashlib.sha256(b"x").hexdigest()}
    index = {"format": "benchwright tape index", "version": 1, "blocks": [row], "encoding": {"toml": ""}}
    (tmp_path / "out").mkdir()
    (tmp_path / "secret.bin").write_bytes(b"x")
    (tmp_path / "out" / "index.json").write_text(json.dumps(index))
    with pytest.raises(SystemExit) as left:
        main(["tape", "render", str(tmp_path / "out"), "--out", str(tmp_path / "x.wav")])
    assert left.value.code == 2


# -- small things


@given(st.lists(st.floats(0, 1), max_size=200))
def test_confidence_is_never_told_too_high(confidence: list[float]) -> None:
    """The ranges cover every byte once and promise no more than it has, and not much less."""
    rows = confidence_ranges(confidence)
    told = [sure for first, last, sure in rows for _ in range(first, last + 1)]
    assert len(told) == len(confidence)
    assert all(a[1] + 1 == b[0] for a, b in itertools.pairwise(rows))
    for said, had in zip(told, confidence, strict=True):
        assert said <= had + 1e-8
        assert 1 - said <= max(2.51 * (1 - had), 1.01e-6)


@given(st.lists(st.booleans(), max_size=60))
def test_ranges_are_the_runs(flags: list[bool]) -> None:
    """Each place is in a range if and only if it is true, and ranges do not touch."""
    found = ranges(flags)
    inside = {place for first, last in found for place in range(first, last + 1)}
    assert inside == {place for place, flag in enumerate(flags) if flag}
    assert all(b[0] - a[1] > 1 for a, b in itertools.pairwise(found))


@given(st.floats(0, 1))
def test_a_chance_is_never_rounded_up_to_certain(chance: float) -> None:
    """What is printed is never more than it is by a part of its last digit, and never 100 %."""
    text = chance_text(chance)
    assert text.endswith("%")
    assert text.lstrip("<>") != "100%"
    if not text.startswith(("<", ">")):
        assert abs(float(text[:-1]) / 100 - chance) <= 0.006


# -- the guide


def test_the_guide_shows_what_the_commands_print(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every command of docs/tape.md runs, and the lines shown after it are in what it prints."""
    guide = (Path(__file__).parents[2] / "docs" / "tape.md").read_text(encoding="utf-8")
    for name in ("take-1.wav", "take-2.wav", "stereo.wav", "program.bin"):
        (tmp_path / name).symlink_to(folder / name)
    toml = guide.split("```toml\n")[1].split("```")[0]
    (tmp_path / "fulmar-65.toml").write_text(toml, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    shown, ran, printed = 0, 0, ""
    for line in guide.split("\n"):
        if line.startswith("    benchwright tape "):
            done = CliRunner().invoke(cli, shlex.split(line)[1:], catch_exceptions=False)
            assert done.exit_code in (0, 1), (line, done.output)
            printed, ran = done.stdout, ran + 1
        elif line.startswith("    ") and line.strip():
            assert line.strip() in printed, (line, printed)
            shown += 1
    assert ran >= 9
    assert shown >= 9


def test_the_guide_explains_every_key(folder: Path) -> None:
    """No key of an encoding file, and no field of the index, is left out."""
    guide = (Path(__file__).parents[2] / "docs" / "tape.md").read_text(encoding="utf-8")
    for table, keys in encoding_module._TABLES.items():
        for key in keys:
            assert f"`{table}.{key}`" in guide or f"`{key}`" in guide, (table, key)
    index = parsed("decode", folder / "clean.wav", "--encoding", "pulse-width")
    for field in [*index, *index["blocks"][0], *index["recordings"][0], *index["encoding"]]:
        assert f"`{field}`" in guide or f"`blocks[].{field}`" in guide, field


def test_decode_tells_polarity_and_asymmetry(tmp_path: Path) -> None:
    """In words and as JSON; of an encoding that has no polarity nothing is said of it."""
    for name, words, told in (("msx-1200", "upside down", "upside down"), ("kansas-city-300", "", None)):
        path = tmp_path / f"{name}.wav"
        wave = render([TEXT], encoding_named(name), RATE, shape="sine", level=0.3)
        write_recording(path, 0.03 - wave, RATE)
        told_text = run("decode", path, "--encoding", name).output
        assert ("The recording is" in told_text) == bool(words)
        assert words in told_text
        assert "Half-waves above the middle last 6.4% longer than their share." in told_text
        index = parsed("decode", path, "--encoding", name)
        assert index["polarity"] == told
        assert index["asymmetry"] == pytest.approx(0.064, abs=0.002)
