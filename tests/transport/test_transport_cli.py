"""`benchwright transport` as a person meets it."""

from __future__ import annotations

import json
import shlex
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchwright.cli.main import cli, main
from benchwright.transport import read_deck_file, turning


def run(*arguments: str | Path, code: int = 0) -> Result:
    """Run a command in this process; it must end with `code`."""
    done = CliRunner().invoke(cli, ["transport", *map(str, arguments)], catch_exceptions=False)
    assert done.exit_code == code, done.output
    return done


def parsed(*arguments: str | Path, code: int = 0) -> Any:
    """JSON of a command, without numbers that only some readers know."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    return json.loads(run(*arguments, "--json", code=code).stdout, parse_constant=refuse)


@pytest.fixture
def deck(tmp_path: Path) -> Path:
    path = tmp_path / "deck.toml"
    run("example", "-o", path)
    return path


def test_from_a_deck_file_to_a_worn_roller_and_a_new_belt(deck):
    """Example, rotation, what a spectrum means, a better diameter written back, the belt to order."""
    before = read_deck_file(deck)
    listed = run("lines", deck).stdout
    for name in (*before.parts, *(f"belt {belt}" for belt in before.belts)):
        assert name in listed
    told = run("assign", deck, "--line", "1.17:0.4", "--line", "5.8:0.2", "--speed", "0.4 ± 0.1").stdout
    assert told.index("CAUTION") < told.index("- 1.17 Hz")
    assert "once per turn of the pinch roller: it has a flat spot; replace it" in told
    assert "once per turn of the main belt" in told
    assert "melted into black goo" in told
    comments = [line for line in deck.read_text(encoding="utf-8").splitlines() if "#" in line]
    run("estimate", deck, "motor", "49.00 ± 0.05", "--speed", "0.4 ± 0.1", "--write")
    after = read_deck_file(deck)
    assert after.parts["motor"].diameter == pytest.approx(8.29, abs=0.1)
    assert [line for line in deck.read_text(encoding="utf-8").splitlines() if "#" in line] == comments
    turn = turning(after, speed_ratio=1.004).of("motor")
    assert turn is not None
    assert turn.hertz.value == pytest.approx(49.0, abs=0.05)
    ordered = run("belt", deck, "--belt", "main").stdout
    assert ordered.index("CAUTION") < ordered.index("Order: inside circumference")
    assert "<- take this one" in ordered


def test_a_belt_from_pulleys_on_the_command_line():
    """60 and 8 mm, 95 mm apart, crossed: 309.12 mm of string (formula of the crossed belt)."""
    (made,) = parsed(
        "belt", "--pulley", "0,0,60,flywheel", "--pulley", "95,0,8,motor", "--crossed", "--section", "round",
        "--thickness", "2", "--material", "Urethane 83A", "--stretch", "10",
    )  # fmt: skip
    assert made["string_length_mm"]["value"] == pytest.approx(309.12, abs=0.005)
    assert made["inside_circumference_mm"]["value"] == pytest.approx(309.12 / 1.1, abs=0.01)
    assert made["folded_mm"]["value"] == pytest.approx(309.12 / 2.2, abs=0.01)
    assert [pulley["name"] for pulley in made["pulleys"]] == ["flywheel", "motor"]
    assert sum(size["choice"] for size in made["sizes"]) == 1
    assert {one["key"] for one in made["cautions"]} >= {"moving_belts", "tarry_belt", "mains"}


def test_a_belt_from_a_string_and_an_old_belt():
    """Without geometry the order still comes, and the old belt is read."""
    told = run("belt", "--string", "250 ± 1", "--shorter", "6", "--old", "246", "--when-new", "234").stdout
    assert "inside circumference 235.0" in told
    assert "permanent set" in told


def test_no_size_within_the_usual_stretch_is_a_no():
    """Exit code 1, and it is said why."""
    told = run("belt", "--string", "250", "--size", "200", "--size", "249", code=1).stdout
    assert "None of them is within the usual stretch" in told


def test_a_line_that_fits_nothing_is_a_no(deck):
    """Exit code 1 if no line finds a part; 0 as soon as one does."""
    run("assign", deck, "--line", "30:0.1", code=1)
    run("assign", deck, "--line", "30:0.1", "--line", "1.17:0.4")


def test_json_of_every_command(deck):
    """What is printed as text can be had as data."""
    listed = parsed("lines", deck, "--multiples", "3")
    capstan = next(line for line in listed["lines"] if line["name"] == "capstan")
    assert [one["value"] for one in capstan["hertz"]] == pytest.approx(
        [7.57975, 15.15951, 22.73926], abs=1e-5
    )  # 47.625 mm/s over pi 2 mm, by hand
    assert any("commutator" in pulse["what"] for pulse in listed["pulses"])
    rows = parsed("spools", "--tape", "c60", "--rows", "3")["rows"]
    assert rows[0]["supply_hertz"]["value"] == pytest.approx(rows[2]["take_up_hertz"]["value"])
    (row,) = parsed("spools", "--tape", "C60", "--minutes", "15")["rows"]
    assert row["minutes"] == pytest.approx(15)
    (given,) = parsed("assign", deck, "--line", "1.17:0.4:0.02", "--position", "20", "--tape", "C15")
    assert given["plus_minus_hertz"] == pytest.approx(0.02)
    assert given["matches"][0]["parts"] == ["pinch roller"]
    assert given["matches"][0]["causes"][0]["cure"]
    assert parsed("estimate", deck, "capstan", "7.58")["millimetres"]["value"] == pytest.approx(
        2.0, abs=0.001
    )
    assert len(parsed("belt", deck)) == 2


@pytest.mark.parametrize(
    ("arguments", "wanted"),
    [
        (["lines", "nowhere.toml"], "nowhere.toml: cannot be opened"),
        (["assign", "{deck}", "--line", "fast"], "HERTZ[:PERCENT[:±HERTZ]]"),
        (["assign", "{deck}", "--line", "0:1"], "above 0"),
        (["assign", "{deck}", "--line", "1.2:0.4", "--speed", "quick"], "speed error in percent"),
        (["assign", "{deck}", "--line", "1.2:0.4", "--speed", "300"], "0.5 to 2"),
        (["estimate", "{deck}", "motr", "50"], "did you mean motor"),
        (["estimate", "{deck}", "supply spool", "0.6", "--write"], "has no place for"),
        (["estimate", "{deck}", "motor", "slow"], "50.4 ± 0.1"),
        (["belt", "{deck}", "--belt", "man"], "did you mean main"),
        (["belt", "{deck}", "--old", "240"], "say which one is meant"),
        (["belt"], "a DECK file, --pulley"),
        (["belt", "--pulley", "0,0,60"], "at least two pulleys"),
        (["belt", "--pulley", "0,0,60", "--pulley", "30,0,8"], "overlap"),
        (["belt", "--pulley", "0,0", "--pulley", "30,0,8"], "X,Y,DIAMETER"),
        (["belt", "--string", "250", "--material", "EPMD"], "did you mean EPDM"),
        (["belt", "--string", "250", "--section", "flat", "--thickness", "0.5"], "needs its width"),
        (["belt", "--string", "250", "--stretch", "6", "--shorter", "6"], "not both"),
        (["belt", "--string", "-250"], "more than 0"),
        (["spools", "--tape", "C61"], "did you mean C60"),
        (["spools", "--tape", "C60", "--minutes", "50"], "not on a C60"),
        (["example", "-o", "{deck}"], "already there"),
    ],
)
def test_bad_input_ends_with_one_plain_message(deck, capsys, arguments, wanted):
    """Exit code 2 and what was expected; never a traceback."""
    with pytest.raises(SystemExit) as left:
        main(["transport", *(argument.format(deck=deck) for argument in arguments)])
    assert left.value.code == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert wanted in told.err
    assert "Traceback" not in told.err


def test_the_guide_shows_what_the_commands_print(tmp_path, monkeypatch):
    """Every command of docs/transport.md runs, and the lines shown after it are in what it prints."""
    guide = Path(__file__).parents[2] / "docs" / "transport.md"
    monkeypatch.chdir(tmp_path)
    shown, printed = 0, ""
    for line in guide.read_text(encoding="utf-8").splitlines():
        if line.startswith("    benchwright transport "):
            printed = run(*shlex.split(line)[2:]).stdout
        elif line.startswith("    ") and line.strip():
            assert line.strip() in printed, line
            shown += 1
    assert shown >= 9
