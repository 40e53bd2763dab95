"""The command line as a person meets it: what is printed, what is written, how it ends."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from benchwright.board import Board
from benchwright.board.board_file import write_board_file
from benchwright.cli.main import cli
from benchwright.demo import fulmar65
from random_boards import random_board

ROOT = Path(__file__).parent.parent
NETLIST, PARTS, OVERLAY = fulmar65.paths()
READINGS = """\
quantity,a,b,value,power,removed,note
symptom,,,garbage on the screen,yes,,
voltage,+5V,GND,4.98 V,yes,,at the far corner
resistance,U21.10,U22.10,OL,no,,should beep
resistance,U21.10,U23.10,OL,no,,
"""


def run(*arguments: str | Path, typed: str | None = None, code: int = 0) -> Result:
    """Run a command in this process; it must end with `code`."""
    done = CliRunner().invoke(
        cli, [str(argument) for argument in arguments], input=typed, catch_exceptions=False
    )
    assert done.exit_code == code, done.output
    return done


def program(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the program as the shell does."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "src"), "PYTHONIOENCODING": "utf-8"}
    return subprocess.run(
        [sys.executable, "-m", "benchwright", *map(str, arguments)],
        env=environment, capture_output=True, encoding="utf-8", stdin=subprocess.DEVNULL, check=False,
    )  # fmt: skip


def parsed(text: str) -> Any:
    """JSON as every reader takes it: without the numbers that only some know."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    return json.loads(text, parse_constant=refuse)


@pytest.fixture(scope="module")
def board_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The Fulmar 65 as a board file."""
    path = tmp_path_factory.mktemp("fulmar") / "fulmar.toml"
    run("board", "import", NETLIST, "--parts", PARTS, "--overlay", OVERLAY, "-o", path)
    return path


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """A small board of five chips, quick to think about."""
    path = tmp_path / "small.toml"
    path.write_text(write_board_file(random_board(3, chips=3, nets=14, passives=6)), encoding="utf-8")
    return path


def commands(group: click.Group = cli, before: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    found: list[tuple[str, ...]] = []
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            found += commands(command, (*before, name))
        else:
            found.append((*before, name))
    return found


@pytest.mark.parametrize("command", commands(), ids=" ".join)
def test_every_command_explains_itself(command: tuple[str, ...]) -> None:
    """`--help` works and has a sentence; the README names the command."""
    text = run(*command, "--help").output
    assert text.startswith("Usage:")
    assert "." in text.split("\n\n")[1]
    assert "benchwright " + " ".join(command) in (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_command_list_names_every_command() -> None:
    """The short list in `benchwright --help`, kept apart so that help is quick, is complete."""
    text = run("--help").output
    names = {"bench", "bid", "board", "demo", "doctor", "find", "job", "next"}
    names |= {"serve", "stock", "suspects", "tape", "transport"}
    assert all(f"  {name} " in text for name in names)
    assert {command[0] for command in commands()} == names


def test_doctor_prints_what_a_bug_report_needs() -> None:
    """Versions of the package, of Python and of what it stands on."""
    text = run("doctor").output
    assert all(word in text for word in ("benchwright ", "python 3.", "numpy ", "part kinds"))


# -- boards --------------------------------------------------------------------------------------


def test_import_says_what_it_made_of_the_files(tmp_path: Path) -> None:
    """Counts, rails, sockets and all that was inferred are printed; the board file is written."""
    made = tmp_path / "made.toml"
    text = run("board", "import", NETLIST, "-o", made).output  # parts and overlay beside it are found
    assert text.startswith("Fulmar 65 C: 130 parts, 200 nets")
    assert "Rail +12V: 12 V, 11.4 to 12.6 V, from REG2.3" in text
    assert "Inferred, please check" in text
    assert text.endswith(f"Written: {made}\n")
    assert Board.load(made).nets == fulmar65.board().nets


def test_import_as_json_has_every_remark() -> None:
    """A program gets the same facts and all remarks with their grade."""
    facts = parsed(run("board", "import", NETLIST, "--parts", PARTS, "--overlay", OVERLAY, "--json").output)
    board = fulmar65.board()
    assert board.report is not None
    assert (facts["parts"], facts["nets"], facts["ground"]) == (130, 200, "GND")
    assert facts["rails"]["+5V"] == {"nominal": 5.0, "limits": [4.75, 5.25], "from": "REG1.3"}
    assert [r["text"] for r in facts["remarks"]] == [r.text for r in board.report.remarks]
    assert {"grade", "text", "file", "line"} == set(facts["remarks"][0])


def test_check_ends_with_one_if_anything_looks_wrong(tmp_path: Path) -> None:
    """Without the overlay the home-made chip is not recognised: said, and told by the exit code."""
    netlist = tmp_path / "machine.ipc"
    netlist.write_bytes(NETLIST.read_bytes())
    text = run("board", "check", netlist, "--parts", PARTS, code=1).output
    assert text == "U15 (FVG65) is not recognised: give its kind in an overlay\n"
    told = parsed(run("board", "check", netlist, "--parts", PARTS, "--json", code=1).output)
    assert told == {"problems": [text.rstrip()], "refused": []}


def test_check_ends_with_nought_if_nothing_does(board_file: Path) -> None:
    """A board as it should be."""
    assert run("board", "check", board_file).output == "Nothing looks wrong.\n"
    assert parsed(run("board", "check", board_file, "--json").output) == {"problems": [], "refused": []}


def test_show_tells_of_parts_pins_and_nets(board_file: Path) -> None:
    """A part with its pins, a net with its pins (also one that begins with a dash), a pin with its net."""
    text = run("board", "show", board_file, "u12", "MA5", "-12V", "U21.10").output
    assert "U12: SN74LS163AN (4-bit counter, synchronous clear)" in text
    assert "U12.15   RCO        O  not connected" in text
    assert "net MA5:" in text
    assert "net -12V:\n  REG3.3   OUT" in text
    assert "U21.10 (A5), net MA5, joined to:" in text
    part, net, pin = parsed(run("board", "show", board_file, "U12", "MA5", "U21.10", "--json").output)
    assert part["socket"] is False
    assert len(part["pins"]) == 16
    assert {p["pin"] for p in net["pins"]} == {p["pin"] for p in pin["joined to"]} | {"U21.10"}


def test_show_without_names_tells_of_the_whole(board_file: Path) -> None:
    """The summary, and how many parts of which sort."""
    assert "Parts: " in run("board", "show", board_file).output
    assert parsed(run("board", "show", board_file, "--json").output)["parts"] == 130


def nets_of(board: Board) -> set[frozenset[str]]:
    """The nets as sets of pins, by whatever name; single pins say nothing about joints."""
    return {frozenset(map(str, pins)) for pins in board.nets.values() if len(pins) > 1}


@pytest.mark.parametrize(("target", "suffix"), [("board", ".toml"), ("ipc356", ".ipc"), ("nets", ".csv")])
def test_export_and_import_again_keep_every_net(
    board_file: Path, tmp_path: Path, target: str, suffix: str
) -> None:
    """What was exported is read back with the same nets; on the screen stands what is in the file."""
    path = tmp_path / f"again{suffix}"
    assert run("board", "export", board_file, "--to", target, "-o", path).output == f"Written: {path}\n"
    assert run("board", "export", board_file, "--to", target).output == path.read_text(encoding="utf-8")
    again = tmp_path / "again-board.toml"
    run("board", "import", path, "-o", again)
    assert nets_of(Board.load(again)) == nets_of(fulmar65.board())


def elements(netlist: str) -> list[str]:
    """The elements of a SPICE netlist, without comments and without the leakage of the bare board."""
    return [line for line in netlist.splitlines() if not line.startswith(("*", "Rleak"))]


def test_spice_export_is_a_network_that_is_read_back(board_file: Path, tmp_path: Path) -> None:
    """The SPICE network joins only what the board has, and a part that is out is not in it."""
    path, without = tmp_path / "all.cir", tmp_path / "without.cir"
    run("board", "export", board_file, "--to", "spice", "-o", path)
    run("board", "export", board_file, "--to", "spice", "--out", "u12", "-o", without)
    whole, rest = (elements(file.read_text(encoding="utf-8")) for file in (path, without))
    assert len(rest) < len(whole)
    assert any("; U12:" in line for line in whole)
    assert not any("; U12:" in line for line in rest)
    assert parsed(run("board", "import", path, "--json").output)["parts"] > 130


# -- answers for a table of readings -------------------------------------------------------------


@pytest.fixture(scope="module")
def readings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("readings") / "readings.csv"
    path.write_text(READINGS, encoding="utf-8")
    return path


def test_suspects_name_the_place_the_readings_point_to(board_file: Path, readings: Path) -> None:
    """Two readings of OL from one leg: that leg's contact leads, with its reasons and remedies."""
    told = parsed(run("suspects", board_file, "--readings", readings, "--limit", "4", "--json").output)
    assert set(told) == {"suspects", "none of these", "odd readings"}
    assert len(told["suspects"]) == 4
    chances = [suspect["probability"] for suspect in told["suspects"]]
    assert chances == sorted(chances, reverse=True)
    assert 0 <= told["none of these"] <= 1
    first = told["suspects"][0]
    assert set(first) == {"probability", "mode", "parts", "pins", "nets", "text", "remedies", "because"}
    assert (first["mode"], first["nets"]) == ("open", ["MA5"])
    assert "U21.10" in first["pins"]
    assert any("OL" in reason for reason in first["because"])
    assert all(set(r) == {"text", "minutes", "cost", "success"} for r in first["remedies"])


def test_suspects_in_words_end_with_what_is_due(small: Path) -> None:
    """The list, and the next check or the remedy."""
    text = run("suspects", small).output
    assert text.startswith("Suspects:\n  1. ")
    assert "\nNext check: " in text or "\nNow: " in text


def test_next_checks_say_where_and_what_each_outcome_means(board_file: Path, readings: Path) -> None:
    """Points, minutes, cautions and outcomes whose chances sum to one."""
    told = parsed(run("next", board_file, "--readings", readings, "--limit", "2", "--json").output)
    assert set(told) == {"checks", "due", "advice"}
    text = told["checks"][0]["text"]
    # With an open line all but known, mending at once may be the cheaper; the check is then named after it.
    assert told["due"] in ("check", "mend")
    assert told["advice"].endswith(text if told["due"] == "check" else text[0].lower() + text[1:])
    assert len(told["checks"]) == 2
    for check in told["checks"]:
        assert set(check) == {
            "quantity", "a", "b", "power", "removed", "minutes", "bits", "text", "cautions", "outcomes"
        }  # fmt: skip
        assert check["minutes"] > 0
        assert sum(outcome["probability"] for outcome in check["outcomes"]) == pytest.approx(1, abs=0.02)
        assert check["power"] or check["quantity"] == "look" or check["cautions"]


def test_without_readings_the_advice_is_the_first_check(small: Path) -> None:
    """Nothing is mended on no suspicion."""
    told = parsed(run("next", small, "--limit", "1", "--json").output)
    assert (told["due"], told["advice"]) == ("check", told["checks"][0]["text"])


def test_next_in_words_shows_the_caution_before_the_step(small: Path) -> None:
    """Whoever reads from the top meets the caution first."""
    text = run("next", small, "--limit", "3").output
    assert 0 <= text.find("CAUTION, Power off first") < text.find("Resistance from")


# -- bad input -----------------------------------------------------------------------------------


def _missing(folder: Path) -> tuple[list[str | Path], str]:
    return ["board", "show", folder / "none.ipc"], "none.ipc"


def _binary(folder: Path) -> tuple[list[str | Path], str]:
    path = folder / "picture.ipc"
    path.write_bytes(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR")
    return ["board", "show", path], f"benchwright: {path}: this is not a text file (it has zero bytes)\n"


def _unknown(folder: Path) -> tuple[list[str | Path], str]:
    path = folder / "letter.txt"
    path.write_text("Dear Sir,\n")
    return ["board", "check", path], f"benchwright: {path}: cannot tell what this file is"


def _bad_board(folder: Path) -> tuple[list[str | Path], str]:
    path = folder / "board.toml"
    path.write_text('[board]\nname = "x"\n[parts]\nU1 = 7\n')
    return ["board", "check", path], f"benchwright: {path}, line 4"


def _bad_reading(folder: Path) -> tuple[list[str | Path], str]:
    path = folder / "readings.csv"
    path.write_text(READINGS + "resistance,U99.1,GND,4k7,no,,\n")
    return ["suspects", NETLIST, "--readings", path], f"benchwright: {path}, line 6, a: no pin or net 'U99.1'"


def _no_such_name(folder: Path) -> tuple[list[str | Path], str]:
    return [
        "board",
        "show",
        NETLIST,
        "MA55",
    ], "benchwright: no pin or net 'MA55' on this board; did you mean MA5"


def _no_folder(folder: Path) -> tuple[list[str | Path], str]:
    path = folder / "no" / "made.toml"
    return ["board", "import", NETLIST, "-o", path], f"benchwright: {path}: no such file or directory\n"


def _bad_option(folder: Path) -> tuple[list[str | Path], str]:
    return ["next", NETLIST, "--limit", "0"], "--limit"


@pytest.mark.parametrize(
    "case",
    [_missing, _binary, _unknown, _bad_board, _bad_reading, _no_such_name, _no_folder, _bad_option],
)
def test_bad_input_is_one_plain_message(
    tmp_path: Path, case: Callable[[Path], tuple[list[str | Path], str]]
) -> None:
    """The message on stderr names file and line, the exit code is 2, and there is no traceback."""
    arguments, words = case(tmp_path)
    done = program(*arguments)
    assert done.returncode == 2, done.stdout + done.stderr
    assert done.stdout == ""
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    if words.startswith("benchwright:"):
        assert len(done.stderr.splitlines()) == 1


def test_the_program_ends_with_the_answer(tmp_path: Path, board_file: Path) -> None:
    """As the shell sees it: 0 for a sound board, 1 for one with problems."""
    assert program("board", "check", board_file).returncode == 0
    netlist = tmp_path / "machine.ipc"
    netlist.write_bytes(NETLIST.read_bytes())
    assert program("board", "check", netlist).returncode == 1


# -- the dialogue --------------------------------------------------------------------------------


def kept(path: Path) -> list[dict[str, str]]:
    """The readings in a session file."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_dialogue_proposes_records_and_ends(small: Path) -> None:
    """A bare value answers the proposed check; every reading is told back and kept beside the board."""
    text = run("find", small, typed="U1 debris\nOL\n0R8\nquit\n").output
    assert text.count("\nNext:\n") == 4
    assert "Recorded: look U1 = debris." in text
    session = small.with_name("small-readings.csv")
    rows = kept(session)
    assert [row["value"] for row in rows] == ["debris", "OL", "0R8"]
    assert all(row["a"] for row in rows)
    assert text.endswith(f"3 readings kept in {session}.\n")


def test_the_dialogue_goes_on_where_it_stopped(small: Path) -> None:
    """The same command again takes up the kept readings; the end of input is an end like any other."""
    run("find", small, typed="U1 debris\n")
    session = small.with_name("small-readings.csv")
    text = run("find", small, typed="U2 burnt\n").output
    assert f"1 reading from {session}." in text
    assert [row["a"] for row in kept(session)] == ["U1", "U2"]


def test_readings_to_begin_with_are_taken_once(small: Path, tmp_path: Path) -> None:
    """A table given with --readings is copied into the session and not added again the next time."""
    begin, session = tmp_path / "begin.csv", tmp_path / "session.csv"
    begin.write_text("quantity,a,value\nlook,U1,debris\n")
    for _ in range(2):
        run("find", small, "--readings", begin, "--session", session, typed="quit\n")
    assert [row["a"] for row in kept(session)] == ["U1"]


def test_every_reading_is_kept_as_soon_as_it_is_typed(small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After each line the file holds all readings so far, so that a pulled plug loses nothing."""
    from benchwright.cli import find

    seen: list[list[str]] = []
    session = small.with_name("small-readings.csv")
    real = find._Dialogue.propose

    def looking(dialogue: find._Dialogue) -> None:
        seen.append([row["value"] for row in kept(session)] if session.exists() else [])
        real(dialogue)

    monkeypatch.setattr(find._Dialogue, "propose", looking)
    run("find", small, typed="U1 debris\nU2 burnt\nundo\nquit\n")
    assert seen == [[], ["debris"], ["debris", "burnt"], ["debris"]]


def test_what_is_out_holds_until_it_is_back(small: Path) -> None:
    """A pulled part is noted with the readings that follow, looks and undo in between or not."""
    board = Board.load(small)
    pin = next(str(pins[0]) for net, pins in board.nets.items() if net != board.ground and len(pins) > 1)
    typed = f"out U1\nU2 debris\nU2 burnt\nundo\n{pin} GND 4k7\nin\n{pin} GND 4k6\nquit\n"
    text = run("find", small, typed=typed).output
    assert "Noted: out: U1. The board is now: power off, without U1." in text
    assert "Forgotten: look U2 burnt." in text
    rows = kept(small.with_name("small-readings.csv"))
    assert [row["removed"] for row in rows] == ["U1", "U1", ""]


def test_a_number_picks_a_check_only_while_the_list_is_shown(small: Path) -> None:
    """'2' after `list` picks the second check; otherwise it is two ohms."""
    run("find", small, typed="list\n2\n2\nquit\n")
    assert [row["value"] for row in kept(small.with_name("small-readings.csv"))] == ["2"]


def test_a_slip_is_told_and_nothing_is_recorded(small: Path) -> None:
    """Nonsense, unknown names and values in the wrong unit are refused, and the dialogue goes on."""
    text = run("find", small, typed="rubbish\nU99.1 GND 4k7\n5 V\nundo\nlog\nquit\n").output
    assert text.count("Not recorded: ") == 3
    assert "U99.1" in text
    assert "'5 V' is in volt, expected ohm" in text
    assert "Nothing to undo." in text
    assert not small.with_name("small-readings.csv").exists()


def test_what_cannot_be_done_is_not_proposed_again(small: Path) -> None:
    """`cannot` brings another check; help and `why` change nothing."""
    text = run("find", small, typed="cannot\n?\nwhy\n\nquit\n").output
    proposals = [part.split("\n\n")[0].splitlines()[-1] for part in text.split("\nNext:\n")[1:]]
    steps = [line for line in text.splitlines() if "min]" in line]
    assert len(proposals) == 3
    assert steps[0] != steps[1]
    assert steps[1] == steps[2]
    assert "diode GND U3.14 0.62" in text


def test_a_spoilt_session_is_told_by_line(small: Path) -> None:
    """A kept table that was edited by hand and spoilt ends the start with its line, and stays as it is."""
    session = small.with_name("small-readings.csv")
    session.write_text("quantity,a,value\nlook,U1,purple\n")
    done = program("find", small)
    assert done.returncode == 2
    assert f"{session}, line 2, value: look 'purple' at U1" in done.stderr
    assert session.read_text() == "quantity,a,value\nlook,U1,purple\n"


def test_a_kept_table_that_is_not_added_to_stays_as_it_is(small: Path) -> None:
    """Opening and leaving a session does not rewrite the person's own table."""
    session = small.with_name("small-readings.csv")
    session.write_text("# my notes\nquantity,a,value\nlook,U1,debris\n")
    run("find", small, typed="quit\n")
    assert session.read_text() == "# my notes\nquantity,a,value\nlook,U1,debris\n"
