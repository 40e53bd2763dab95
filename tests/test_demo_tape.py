"""`benchwright demo tape`: the story of a worn deck and a damaged tape holds."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image

from benchwright.cli.main import cli
from benchwright.demo import tape_tour
from benchwright.tape import Recording
from benchwright.tape.decode import decode


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo") / "tape"


@pytest.fixture(scope="module")
def told(folder: Path) -> str:
    result = CliRunner().invoke(cli, ["demo", "tape", "--folder", str(folder)])
    assert result.exit_code == 0, result.output
    return result.output


def test_the_pinch_roller_is_named(told: str) -> None:
    """The strongest line lies where a 13 mm roller turns, and the flat spot is what is said of it."""
    first = next(line for line in told.splitlines() if re.search(r"Hz line of 0\.4", line))
    assert "once per turn of the pinch roller" in first
    assert "flat spot" in first
    hertz = float(re.search(r"([\d.]+) Hz line", first)[1])
    # 47.625 mm/s (IEC 60094-1), 1.2 % slow, over pi times 13 mm.
    assert hertz == pytest.approx(47.625 * 0.988 / (3.14159 * 13.0), rel=0.003)


def test_the_dirty_head_is_found(told: str) -> None:
    """Treble loss and dropouts are graded and lead to cleaning the head."""
    grades = {
        line[:50].strip(): line.split()[-1]
        for line in told.splitlines()
        if line.startswith("  ") and "±" in line
    }
    assert grades["Treble above 4 kHz against the reference tone"] == "bad"
    assert grades["Dropouts"] in ("bad", "borderline")
    assert "the head is dirty; clean it" in told
    assert "CAUTION" in told


def test_what_no_pass_holds_the_merge_does(told: str) -> None:
    """Each take lacks blocks, one of them in both; merged all are good."""
    parts = [int(good) - int(all_) for good, all_ in re.findall(r": (\d+) of (\d+) blocks good", told)]
    assert parts[0] < 0
    assert parts[1] < 0
    assert parts[2] == 0
    lost = [set(found.split(", ")) for found in re.findall(r"not good: ([\d, ]+)", told)]
    assert lost[0] & lost[1]


def test_the_clean_recording_holds_what_was_written(told: str, folder: Path) -> None:
    """Read back, it gives the blocks that went onto the invented tape, and the listing is whole."""
    with Recording.open(folder / "clean.wav") as clean:
        back = decode(clean, tape_tour.encoding())
    assert [block.data[:-2] for block in back.blocks] == tape_tour.blocks()
    assert all(block.good for block in back.blocks)
    listing = (folder / "listing.txt").read_bytes()
    assert listing == tape_tour.listing().replace(b"\r", b"\n")
    assert "the same bytes" in told


def test_pictures_are_written_and_commands_are_named(told: str, folder: Path) -> None:
    """Each is a picture, and the commands to go on with name files that are there."""
    pictures = sorted(path.name for path in (folder / "pictures").iterdir())
    assert pictures == [
        "take-1-eye.png", "take-1-half-waves.png", "take-1-waveform.png", "take-2-waveform.png",
        "test-tape-flutter.png", "test-tape-speed.png", "test-tape-waveform.png",
    ]  # fmt: skip
    for name in pictures:
        with Image.open(folder / "pictures" / name) as image:
            image.verify()
    for command in re.findall(r"^  benchwright (.*)$", told, re.MULTILINE):
        for word in command.split():
            if word.endswith((".wav", ".toml")):
                assert Path(word).is_file()


def test_the_bare_demo_is_the_machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`benchwright demo` runs the units, into the folder named before or after the word tape."""
    from benchwright.cli import demo as demo_module

    ran: list[Path] = []
    monkeypatch.setattr(demo_module, "_units", ran.append)
    CliRunner().invoke(cli, ["demo", "--folder", str(tmp_path)], catch_exceptions=False)
    CliRunner().invoke(cli, ["demo"], catch_exceptions=False)
    assert ran == [tmp_path, Path("benchwright-demo")]
    listed = CliRunner().invoke(cli, ["demo", "--help"]).output
    assert "tape" in listed
    assert "Fulmar 65" in listed
