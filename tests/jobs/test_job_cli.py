"""`benchwright job` and `benchwright stock` as a person meets them, on a bench of their own."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchwright.cli.main import cli
from benchwright.errors import BenchwrightError
from benchwright.jobs import open_bench

Run = Callable[..., str]


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    return tmp_path / "bench"


@pytest.fixture
def run(bench: Path) -> Run:
    return runner(bench)


@pytest.fixture(scope="module")
def settled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench with one job and one lot, which no test changes."""
    bench = tmp_path_factory.mktemp("settled") / "bench"
    run = runner(bench)
    run("job", "new", "Brown one", "--price", "40 EUR", "--board", "fulmar65")
    run("job", "log", "1", "open: key cap on order")
    run("stock", "add", "4116", "2")
    return bench


@pytest.fixture
def anywhere(where: str) -> Run:
    """As `run`, on a bench in a folder and on one on a server."""
    return runner(where)


def runner(bench: Path | str) -> Run:
    """Run a command on a bench; it must end with `code`. Our own errors end as in `main.main`."""

    def call(*arguments: str | Path, typed: str | None = None, code: int = 0, columns: int = 80) -> str:
        done: Result = CliRunner().invoke(
            cli, [str(argument) for argument in arguments], input=typed,
            env={"BENCHWRIGHT_BENCH": str(bench), "COLUMNS": str(columns)},
        )  # fmt: skip
        ended = done.exit_code
        if isinstance(done.exception, BenchwrightError):
            ended = 2
            done.stdout_bytes = done.stdout_bytes + f"benchwright: {done.exception}".encode()
        elif done.exception is not None and not isinstance(done.exception, SystemExit):
            raise done.exception
        assert ended == code, done.output
        return done.output + (str(done.exception) if ended == 2 else "")

    return call


def read(run: Run, *arguments: str | Path) -> Any:
    return json.loads(run(*arguments, "--json"))


def counts(bench: Path) -> tuple[int, ...]:
    """How many events each job and the stock have: what must not change when something is refused."""
    with open_bench(bench) as opened:
        return (len(opened.events(None)), *(len(opened.events(line.number)) for line in opened.jobs()))


def test_a_job_from_take_in_to_sale(anywhere: Run) -> None:
    """Everything logged is derived: money to the cent, stage by stage, stock taken, points settled."""
    told = anywhere(
        "job", "new", "Brown one", "--case", "Fulmar 65", "--revision", "C", "--serial", "0471", "--source",
        "flea market", "--price", "40 EUR", "--with", "tape recorder, two leads", "--symptom", "no picture",
        "--board", "fulmar65", "--rate", "8",
    )  # fmt: skip
    assert told.startswith("Job 1: Brown one\n")
    assert "case Fulmar 65, board revision C, serial 0471" in told
    assert read(anywhere, "job", "list")[0]["stage"] == "taken in"

    anywhere("stock", "add", "4116", "8", "--value", "150 ns", "--price", "2.50", "--where", "drawer 3")
    told = anywhere(
        "job", "log", "1", "U3.14 GND 0R8", "power on", "+5V 4.92", "look U5 debris", "90 min probing"
    )
    assert "resistance U3.14 to GND = 0.8 Ω, power off" in told
    assert "voltage +5V = 4.92 V, power on" in told
    assert told.rstrip().endswith("The board is now: power on.")
    assert read(anywhere, "job", "list")[0]["stage"] == "being diagnosed"

    anywhere(
        "job", "log", "1", "replaced U23 from 4116-1: was dead", "found bad bit U23", "spent 12.50 postage",
        "fee 12%", "likely 120 60%", "likely 90 40%", "open: key cap on order",
    )  # fmt: skip
    shown = read(anywhere, "job", "show", "1")
    assert shown["stage"] == "being mended"
    assert shown["money"]["costs"] == {
        "purchase": "40.00",
        "parts": "2.50",
        "postage": "12.50",
        "fee": "0.00",
    }
    assert shown["money"]["hours_valued"] == "12.00"
    # 120 less 12 % is 105.60, less 55 spent.
    assert shown["if_it_sells"]["at"][1]["profit"] == "50.60"
    proved = shown["confirmed"][0]["body"]
    assert (proved["mode"], proved["place"]) == ("bad memory", "U23")
    assert read(anywhere, "stock", "list")[0]["on_hand"] == 7

    anywhere("job", "log", "1", "done 1 came today", "test keyboard passed: all keys")
    anywhere("job", "close", "1", "sold", "--for", "120 EUR", "--note", "to the club")
    shown = read(anywhere, "job", "show", "1")
    assert shown["stage"] == "sold"
    assert Decimal(shown["money"]["profit"]) == Decimal("120") * Decimal("0.88") - Decimal("55.00")
    assert shown["acceptance"][0]["body"]["function"] == "keyboard"
    assert [point["closed"] for point in shown["open_points"]] == [True]
    assert anywhere("job", "list") == "1 closed (--all shows them)\n"
    assert "sold" in anywhere("job", "list", "--all")


REFUSED = [
    (["job", "log", "1", "U3.14 GND 0R8", "blah foo"], "line 2, 'blah foo': not understood"),
    (["job", "log", "1", "replced U5"], "did you mean 'replaced'?"),
    (["job", "log", "1", "U99.4 0R8"], "U99.4"),
    (["job", "log", "1", "replaced U5 from"], "something is missing at the end"),
    (["job", "set", "1", "--board", __file__], "`benchwright board import --help` says how"),
    (["job", "log", "1", "cleaned U99"], "no part 'U99' on this board; did you mean"),
    (["job", "log", "1", "done 3"], "there is no open point 3 (open points: 1 key cap on order)"),
    (["job", "log", "1", "spent lots"], "spent 12.50 postage"),
    (["job", "log", "1", "spent 5 GBP postage"], "say what one GBP is in EUR"),
    (["job", "log", "1", "fee 120%"], "0 to 100 percent"),
    (["job", "log", "1", "test keyboard: all keys"], "passed, failed or not tested"),
    (["job", "log", "1", "found weird U9"], "ways of failing: bad memory, bridge"),
    (["job", "log", "1", "note fine", "used 3 x 4116-1"], "3 of 4116-1 wanted, 2 free"),
    (["job", "log", "1", "replaced U23 from 4116-9"], "no lot '4116-9' in stock (there are: 4116-1)"),
    (
        ["job", "log", "1", "--correct", "3", "replaced U23 from 4116-9"],
        "correct it by `benchwright job set`",
    ),
    (["job", "log", "1", "--correct", "999", "note x"], "job 1 has no event 999"),
    (["job", "log", "1", "--at", "2999-01-01", "note x"], "lies ahead"),
    (["job", "log", "1", "--at", "soonish", "note x"], "cannot read the time 'soonish'"),
    (["job", "log", "1", ""], "nothing was typed"),
    (["job", "log", "9", "note x"], "there is no job 9"),
    (["job", "timer", "stop", "1"], "the timer is not running"),
    (["job", "redo", "1"], "nothing was taken back"),
    (["job", "reopen", "1"], "this job is not closed"),
    (["job", "set", "1"], "nothing to set was given"),
    (["job", "set", "1", "--price", "40 coins"], "--price"),
    (["job", "set", "1", "--board", "nowhere.toml"], "there is no such file"),
    (["job", "new", "  "], "a job needs a title"),
    (["job", "new", "x", "--currency", "EUX"], "no currency 'EUX'"),
    (["job", "show", "1", "--at", "2001-01-01"], "was begun on"),
    (["stock", "count", "nothing", "3"], "there is no lot 'nothing' in stock"),
    (["stock", "reserve", "1", "4116-1", "5"], "5 of 4116-1 to set aside, 2 free"),
    (["stock", "add", "4116", "--price", "-3"], "a price is 0 or more"),
    (["stock", "add", "74LS157", "--lot", "4116-1"], "holds 4116"),
]


@pytest.mark.parametrize(("command", "says"), REFUSED, ids=lambda value: " ".join(value)[:50])
def test_what_is_refused_is_explained_and_leaves_nothing(
    settled: Path, command: list[str], says: str
) -> None:
    """A refusal ends with code 2, says what was expected, and records nothing, not even the good lines."""
    before = counts(settled)
    assert says in runner(settled)(*command, code=2)
    assert counts(settled) == before


def test_undo_gives_the_part_back_and_redo_takes_it_again(anywhere: Run) -> None:
    """One line is one thing to take back: the deed, what it tells the finder, and the part."""
    anywhere("job", "new", "Brown one", "--board", "fulmar65", "--price", "40 EUR")
    anywhere("stock", "add", "4116", "2", "--price", "3 EUR")
    anywhere("job", "log", "1", "note first")
    anywhere("job", "log", "1", "replaced U23 from 4116-1")
    spent = lambda: read(anywhere, "job", "show", "1")["money"]["cost_to_date"]  # noqa: E731
    here = lambda: read(anywhere, "stock", "list")[0]["on_hand"]  # noqa: E731
    assert (spent(), here()) == ("43.00", 1)
    assert "replaced U23" in anywhere("job", "undo", "1")
    assert (spent(), here()) == ("40.00", 2)
    assert read(anywhere, "job", "show", "1")["actions"] == []
    assert read(anywhere, "job", "show", "1")["readings"] == []
    assert "note: first" in anywhere("job", "undo", "1")
    assert "note: first" in anywhere("job", "redo", "1")
    assert "replaced U23" in anywhere("job", "redo", "1")
    assert (spent(), here()) == ("43.00", 1)
    anywhere("job", "redo", "1", code=2)


def test_a_correction_stands_in_the_place_and_at_the_time_of_what_it_corrects(run: Run) -> None:
    """Corrected lines are judged by the state the board was in then; undo brings the first one back."""
    run("job", "new", "Brown one", "--board", "fulmar65")
    run("job", "log", "1", "power on", "--at", "yesterday 20:00")
    event = read(run, "job", "log", "1", "U3.14 2.1", "--at", "yesterday 20:05")["recorded"][0]
    run("job", "log", "1", "power off")
    made = read(run, "job", "log", "1", "--correct", str(event["event"]), "U3.14 0.4")["recorded"][0]
    assert made["body"]["quantity"] == "voltage"  # with the power off 0.4 would be ohms
    assert made["at"] == event["at"]
    readings = read(run, "job", "show", "1")["readings"]
    assert [reading["body"]["value"] for reading in readings] == ["0.4"]
    assert "2.1" not in run("job", "show", "1")
    assert f"corrected by {made['event']}" in run("job", "show", "1", "--all")
    assert "2.1" in run("job", "show", "1", "--at", str(event["event"]))
    assert f"event {made['event']} took its place" in run(
        "job", "log", "1", "--correct", str(event["event"]), "U3.14 0.5", code=2
    )
    assert "So this stands again" in run("job", "undo", "1")
    assert read(run, "job", "show", "1")["readings"][0]["body"]["value"] == "2.1"


def test_a_corrected_deed_moves_the_part_with_it(run: Run) -> None:
    """Correcting the lot gives back to the one and takes from the other; a wrong lot is refused."""
    run("job", "new", "Brown one", "--board", "fulmar65")
    run("stock", "add", "4116", "2", "--lot", "old")
    run("stock", "add", "4116", "2", "--lot", "new")
    event = read(run, "job", "log", "1", "replaced U23 from old")["recorded"][0]["event"]
    assert "no lot 'newer'" in run(
        "job", "log", "1", "--correct", str(event), "replaced U24 from newer", code=2
    )
    run("job", "log", "1", "--correct", str(event), "replaced U24 from new")
    assert {lot["lot"]: lot["on_hand"] for lot in read(run, "stock", "list")} == {"old": 2, "new": 1}
    shown = read(run, "job", "show", "1")
    assert [action["body"]["where"] for action in shown["actions"]] == ["U24"]
    assert [reading["body"]["a"] for reading in shown["readings"]] == ["U24"]
    run("job", "log", "1", "--correct", str(shown["actions"][0]["event"]), "cleaned U24")
    shown = read(run, "job", "show", "1")
    assert shown["parts"] == []
    assert {lot["lot"]: lot["on_hand"] for lot in read(run, "stock", "list")} == {"old": 2, "new": 2}
    run("job", "undo", "1")
    shown = read(run, "job", "show", "1")
    assert [action["body"]["deed"] for action in shown["actions"]] == ["replaced"]
    assert [part["body"]["lot"] for part in shown["parts"]] == ["new"]


def test_lines_come_from_standard_input_too(run: Run) -> None:
    """A sheet of notes goes in at once, in order, without comments and blank lines."""
    run("job", "new", "Brown one")
    typed = "# at the bench\nout U7\n\nU3.14 GND 4k7\n"
    told = run("job", "log", "1", "note before", "-", "in U7", typed=typed)
    assert re.findall(r"^ +\d+  (.*)$", told, re.MULTILINE) == [
        "note: before", "board: power off, without U7",
        "resistance U3.14 to GND = 4.7 kΩ, power off, without U7", "board: power off",
    ]  # fmt: skip


def test_quotes_may_be_left_out_of_one_line(run: Run) -> None:
    run("job", "new", "Brown one", "--board", "fulmar65")
    assert "resistance U3.14 to GND = 0.8 Ω" in run("job", "log", "1", "U3.14", "GND", "0R8")
    assert "voltage -12V = -11.9 V" in run("job", "log", "1", "-12V -11.9")


def test_stock_is_set_aside_used_counted_and_wanted(anywhere: Run) -> None:
    """What is set aside for one job is not free for another, and the shopping list holds what is short."""
    anywhere("job", "new", "Donor", "--price", "5 EUR")
    anywhere("job", "new", "Brown one")
    assert "4116-1: 8 x 4116 150 ns here, box 9" in anywhere(
        "stock", "donor", "1", "8 x 4116 150 ns", "2 x 74LS157", "key cap", "--where", "box 9"
    )
    lots = {lot["lot"]: lot for lot in read(anywhere, "stock", "list")}
    assert {name: lot["on_hand"] for name, lot in lots.items()} == {
        "4116-1": 8, "74ls157-1": 2, "key-cap-1": 1,
    }  # fmt: skip
    assert lots["4116-1"]["donor_job"] == 1
    anywhere("stock", "want", "2", "3 x 74LS157", "key cap left")
    assert read(anywhere, "stock", "shopping") == [
        {"kind": "74LS157", "value": "", "quantity": 1, "jobs": [2]},
        {"kind": "key cap left", "value": "", "quantity": 1, "jobs": [2]},
    ]
    anywhere("stock", "reserve", "2", "74ls157-1", "2")
    assert read(anywhere, "stock", "shopping")[0]["quantity"] == 1
    assert "2 of 74ls157-1 wanted, 0 free for this job" in anywhere(
        "stock", "use", "1", "74ls157-1", "2", code=2
    )
    assert "Still wanted: 3 x 74LS157" in anywhere("stock", "use", "2", "74ls157-1", "2", "--for", "U9")
    assert [
        lot["on_hand"] for lot in read(anywhere, "stock", "list", "--all") if lot["lot"] == "74ls157-1"
    ] == [0]
    anywhere("stock", "want", "2", "0 x 74LS157", "0 x key cap left")
    assert "Nothing is short." in anywhere("stock", "shopping")
    anywhere("stock", "count", "4116-1", "6", "--note", "two were bent")
    anywhere("stock", "move", "4116-1", "drawer 3")
    assert read(anywhere, "stock", "list", "drawer 3")[0]["on_hand"] == 6
    assert "moved to drawer 3" in anywhere("stock", "undo")
    anywhere("stock", "list", "drawer 3", code=1)


def test_the_timer_runs_on_and_closing_stops_it(run: Run) -> None:
    run("job", "new", "Brown one", "--rate", "8", "--currency", "EUR")
    run("job", "timer", "show", code=1)
    run("job", "timer", "start", "1", "--at", "yesterday 20:00")
    assert "the timer has run for" in run("job", "timer", "show")
    assert "stop it first" in run("job", "timer", "start", "1", code=2)
    assert "after that" in run("job", "timer", "stop", "1", "--at", "yesterday 19:00", code=2)
    assert read(run, "job", "timer", "stop", "1", "--at", "yesterday 21:30")["minutes"] == "90"
    run("job", "timer", "start", "1", "--at", "yesterday 22:00")
    run("job", "close", "1", "kept", "--at", "yesterday 22:30")
    shown = read(run, "job", "show", "1")
    assert (shown["minutes"], shown["timer_since"], shown["money"]["hours_valued"]) == ("120", None, "16.00")


def test_money_may_come_late_but_readings_may_not(run: Run) -> None:
    run("job", "new", "Brown one", "--currency", "EUR")
    run("job", "close", "1", "sold", "--for", "50")
    assert "reopen it first" in run("job", "log", "1", "U3.14 GND 3", code=2)
    run("job", "log", "1", "spent 6.90 postage", "note arrived well")
    assert read(run, "job", "show", "1")["money"]["profit"] == "43.10"
    run("job", "reopen", "1", "--note", "came back")
    run("job", "log", "1", "U3.14 GND 3")


def test_files_are_kept_whole(run: Run, bench: Path, tmp_path: Path) -> None:
    """What a file is goes by its first bytes; the same file twice is stored once."""
    photo = tmp_path / "IMG_1.dat"
    photo.write_bytes(b"\xff\xd8\xff\xe0 not a real picture")
    run("job", "new", "Brown one")
    made = read(run, "job", "photo", "1", photo, photo, "--caption", "top of the board")["recorded"]
    assert [event["body"]["what"] for event in made] == ["photo", "photo"]
    assert made[0]["body"]["media_type"] == "image/jpeg"
    with open_bench(bench) as opened:
        assert opened.attachment(made[0]["body"]["sha256"]) == photo.read_bytes()
    assert len(list((bench / "attachments").glob("??/*"))) == 1


def test_set_corrects_what_was_said_and_keeps_the_rest(run: Run) -> None:
    run("job", "new", "Brown one", "--price", "40 EUR", "--source", "flea market", "--with", "leads",
        "--case", "Fulmar 65", "--rate", "8")  # fmt: skip
    run("job", "set", "1", "--price", "45", "--revision", "D", "--rate", "10", "--title", "The brown one")
    shown = read(run, "job", "show", "1")
    assert shown["taken_in"] == {
        "source": "flea market", "price": {"value": "45.00", "currency": "EUR"}, "postage": None,
        "declared": "", "came_with": ["leads"],
    }  # fmt: skip
    assert (shown["title"], shown["case_label"], shown["board_revision"]) == (
        "The brown one",
        "Fulmar 65",
        "D",
    )
    assert (shown["rate_per_hour"], shown["money"]["cost_to_date"]) == ("10.00", "45.00")


def test_a_board_can_come_later_and_is_kept_whole(run: Run, tmp_path: Path) -> None:
    """A board file is kept to the letter, so that it can be read when the file is long gone."""
    board = tmp_path / "small.toml"
    board.write_text('[board]\nname = "Small"  # mine\n[parts]\nU1 = { kind = "74LS00" }\n'
                     '[nets]\nGND = ["U1.7"]\n"+5V" = ["U1.14"]\n', encoding="utf-8")  # fmt: skip
    run("job", "new", "Brown one")
    run("job", "log", "1", "U9.3 GND 4k7")  # without a board nobody knows that there is no U9
    run("job", "set", "1", "--board", board)
    text = board.read_text(encoding="utf-8")
    board.unlink()
    assert "no part 'U2'" in run("job", "log", "1", "cleaned U2", code=2)
    run("job", "log", "1", "U1.14 GND 4k7")
    with open_bench(tmp_path / "bench") as opened:
        assert (opened.job(1).board_file, opened.job(1).board_text) == ("small.toml", text)
    assert "board_text" not in run("job", "show", "1", "--json")


def test_next_jobs_take_currency_and_rate_from_the_one_before(run: Run) -> None:
    run("job", "new", "First", "--price", "£40", "--rate", "12")
    told = run("job", "new", "Second")
    assert "in GBP, an hour at 12.00 GBP (as in job 1)" in told
    assert read(run, "job", "new", "Third", "--price", "900 JPY")["rate_per_hour"] is None


def test_asking_prompts_for_what_is_not_given(run: Run) -> None:
    """Only when asked, and an empty answer leaves a thing out."""
    answers = [
        "Brown one",
        "Fulmar 65",
        "",
        "",
        "",
        "flea market",
        "40 EUR",
        "",
        "",
        "leads, manual",
        "dead",
        "",
    ]
    run("job", "new", "--ask", typed="\n".join(answers) + "\n")
    shown = read(run, "job", "show", "1")
    assert (shown["case_label"], shown["serial"]) == ("Fulmar 65", "")
    assert shown["taken_in"]["came_with"] == ["leads", "manual"]
    assert [event["body"]["text"] for event in shown["symptoms"]] == ["dead"]


def test_search_finds_words_in_jobs_and_stock(anywhere: Run) -> None:
    anywhere("job", "new", "Brown one", "--source", "flea market")
    anywhere("job", "log", "1", "note smells of smoke")
    anywhere("stock", "add", "4116", "--where", "smoke drawer")
    found = read(anywhere, "job", "search", "smok")
    assert {one["job"] for one in found} == {1, None}
    assert "Nothing is found" in anywhere("job", "search", "pineapple", code=1)
    anywhere("job", "undo", "1")
    assert [one["job"] for one in read(anywhere, "job", "search", "smoke")] == [None]


def test_lists_can_be_narrowed(run: Run) -> None:
    for title in ("One", "Two", "Three"):
        run("job", "new", title, "--currency", "EUR")
    run("job", "log", "2", "want 2 x 4116")
    run("job", "close", "3", "kept")
    titles = lambda *options: [line["title"] for line in read(run, "job", "list", *options)]  # noqa: E731
    assert titles() == ["Two", "One"]
    assert titles("--all") == ["Three", "Two", "One"]
    assert titles("--waiting") == ["Two"]
    assert titles("--stage", "kept") == ["Three"]
    assert titles("--about", "on") == ["One"]
    assert titles("--limit", "1") == ["Two"]


@pytest.mark.parametrize("columns", [60, 80, 132])
def test_what_is_shown_fits_the_terminal(run: Run, columns: int) -> None:
    """No line is wider than the terminal, and no word is lost."""
    title = "A machine with quite a long name that somebody typed in full when it came in"
    run("job", "new", title, "--currency", "EUR", "--source", "a very long story " * 8)
    run("job", "log", "1", "want 2 x 74LS157 of any make", f"note {'word ' * 60}", "open: key cap on order")
    run("stock", "add", "4116", "3", "--value", "150 ns ceramic", "--where", "the third drawer from the left",
        "--source", "club", "--price", "2.50 EUR")  # fmt: skip
    run("stock", "reserve", "1", "4116-1", "2")
    for command in (("job", "list"), ("job", "show", "1"), ("stock", "list"), ("job", "search", "word")):
        told = run(*command, columns=columns)
        assert max(map(len, told.splitlines())) <= columns, told
    for word in (*title.split(), "2 x", "key"):
        assert word in run("job", "list", columns=columns)


def test_all_that_reads_answers_in_json_with_amounts_as_strings(run: Run) -> None:
    """Sums are written as text, so that no reader turns them into binary fractions."""
    run("job", "new", "Brown one", "--price", "40.10 EUR", "--rate", "8")
    run("stock", "add", "4116", "2", "--price", "0.10 EUR")
    run("job", "log", "1", "used 2 x 4116-1", "likely 120", "25 min")
    shown = read(run, "job", "show", "1")
    money = shown["money"]
    assert (money["cost_to_date"], money["profit"], money["hours"]) == ("40.30", "-40.30", "0.42")
    assert shown["if_it_sells"]["expected_profit"] == "79.70"
    assert read(run, "job", "list")[0]["profit"] == "-40.30"
    assert read(run, "stock", "list", "--all")[0]["price"] == {"value": "0.10", "currency": "EUR"}

    def floats(value: Any, path: str = "") -> list[str]:
        if isinstance(value, dict):
            return [found for key, inner in value.items() for found in floats(inner, f"{path}.{key}")]
        if isinstance(value, list):
            return [found for inner in value for found in floats(inner, path)]
        return [path] if isinstance(value, float) else []

    chances = ("at.chance", "chance_not_sold", "chance_of_loss")
    assert set(floats(shown)) <= {f".if_it_sells.{one}" for one in chances}


def test_a_bench_that_is_not_there_is_told(run: Run) -> None:
    """Only taking in and stocking make a bench; a typing slip in --bench must not."""
    for command in (("job", "list"), ("job", "log", "1", "note x"), ("stock", "list")):
        assert "`benchwright job new` begins one there" in run(*command, code=2)


def test_a_list_keeps_its_lines_short(run: Run) -> None:
    """What a job waits for stands below it where room is short; when it was touched goes first."""
    run("job", "new", "Sandpiper 8 with a long name")
    run("job", "log", "1", "open: key plungers on order since the third of March", "want 2 x 6821")
    wide, narrow, tight = (run("job", "list", columns=columns) for columns in (140, 80, 64))
    assert wide.count("\n") == 2
    assert "Waits for" in wide
    below = "       waits for: 2 x 6821; key plungers on order since the third of March\n"
    assert narrow.endswith(below)
    assert "Touched" in narrow
    assert "Touched" not in tight
    assert max(map(len, tight.splitlines())) <= 64


def test_a_closed_job_says_so_in_its_head_and_its_money_stands_alone(run: Run) -> None:
    run("job", "new", "Brown one", "--price", "40 EUR")
    run("job", "log", "1", "spent 3.50 flux")
    run("job", "close", "1", "kept", "--note", "for the shelf")
    head, _, _ = run("job", "show", "1").partition("Money")
    assert re.search(r"Closed +\d{4}-\d\d-\d\d \d\d:\d\d, kept: for the shelf", head)
    money = run("job", "show", "1", "--money")
    assert money.startswith("Job 1: Brown one  [kept]\n\nMoney, EUR\n")
    assert "-43.50" in money
    assert "History" not in money
    assert set(read(run, "job", "show", "1", "--money")) == {"job", "title", "stage", "money", "if_it_sells"}


def test_a_deed_is_found_once_and_lots_keep_their_names_whole(run: Run) -> None:
    run("job", "new", "Brown one", "--board", "fulmar65")
    run("job", "log", "1", "replaced U23: bit 3 always 0")
    assert run("job", "search", "replaced").count("replaced U23") == 1
    lot = "key-cap-grey-left-shift-of-the-later-issue"
    run("stock", "add", "key cap", "3", "--lot", lot, "--value", "grey, for the left shift")
    assert lot in run("stock", "list", columns=60)


def test_a_second_fault_brings_the_diagnosis_back(run: Run) -> None:
    """A symptom or a failed test after the mend does; readings that try the mend do not."""
    run("job", "new", "Brown one")

    def stage(*lines: str) -> str:
        run("job", "log", "1", *lines)
        return str(read(run, "job", "show", "1")["stage"])

    assert stage("U3.14 GND 0R8", "found dead 74LS157 U9") == "being mended"
    assert stage("test picture failed") == "being mended"
    assert stage("replaced U9", "U3.14 GND 4k7") == "being mended"
    assert stage("symptom no sound") == "being diagnosed"
    assert stage("found dead 6821 U18") == "being mended"
    assert stage("replaced U18", "test sound failed") == "being diagnosed"
