"""Slips at the bench that once went wrong without a word, as a person types them."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchwright.cli.main import cli
from benchwright.errors import BenchwrightError
from benchwright.jobs import Bench, JobState, bodies, open_bench
from benchwright.jobs.opening import open_place

Run = Callable[..., str]


def runner(bench: Path) -> Run:
    """Run a command on a bench; it must end with `code`. Our own errors end as in `main.main`."""

    def call(*arguments: str, code: int = 0) -> str:
        done: Result = CliRunner().invoke(
            cli, list(arguments), env={"BENCHWRIGHT_BENCH": str(bench), "COLUMNS": "80"}
        )
        problem, ended = done.exception, done.exit_code
        if isinstance(problem, BenchwrightError):
            ended = 2
        elif problem is not None and not isinstance(problem, SystemExit):
            raise problem
        assert ended == code, done.output
        return done.output + (str(problem) if ended == 2 else "")

    return call


def read(run: Run, *arguments: str) -> Any:
    return json.loads(run(*arguments, "--json"))


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    return tmp_path / "bench"


@pytest.fixture
def run(bench: Path) -> Run:
    """With one job in it."""
    run = runner(bench)
    run("job", "new", "Brown one", "--currency", "EUR", "--symptom", "no picture")
    return run


def _job(bench: Path) -> JobState:
    with open_bench(bench) as records:
        return records.job(1)


def _profit(run: Run) -> str:
    return str(read(run, "job", "show", "1")["money"]["profit"])


def _here(run: Run, lot: str = "4116-1") -> int:
    return {one["lot"]: one["on_hand"] for one in read(run, "stock", "list", "--all")}[lot]


def _last(run: Run) -> int:
    return int(read(run, "job", "show", "1")["history"][-1]["event"])


# -- undo, redo ----------------------------------------------------------------------------------------------


def _replaced_and_corrected(run: Run) -> None:
    run("stock", "add", "4116", "4", "--price", "2")
    said = read(run, "job", "log", "1", "replaced U5 from 4116-1")["recorded"]
    run("job", "log", "1", "--correct", str(said[0]["event"]), "replaced U5: the old one was dead")


def test_undo_and_redo_of_a_correction_that_dropped_a_part_change_nothing(run: Run) -> None:
    _replaced_and_corrected(run)
    for _ in range(2):
        assert (_profit(run), _here(run)) == ("0.00", 4)
        run("job", "undo", "1")
        assert (_profit(run), _here(run)) == ("-2.00", 3)
        run("job", "redo", "1")
    assert (_profit(run), _here(run)) == ("0.00", 4)


def test_what_a_correction_dropped_is_not_brought_back_by_redo(run: Run) -> None:
    _replaced_and_corrected(run)
    assert "nothing was taken back" in run("job", "redo", "1", code=2)
    assert _profit(run) == "0.00"


def test_each_of_two_deeds_on_one_day_is_taken_back_by_itself(run: Run, bench: Path) -> None:
    run("stock", "add", "4116", "4", "--price", "2")
    for _ in range(2):
        run("job", "log", "1", "replaced U5 from 4116-1", "--at", "2024-11-03")
    assert _here(run) == 2
    run("job", "undo", "1")
    assert _here(run) == 3
    assert [len(found) for found in (_job(bench).actions, _job(bench).parts)] == [1, 1]
    run("job", "redo", "1")
    assert _here(run) == 2
    run("job", "log", "1", "used 1 x 4116-1 for U5", "--at", "2024-11-03")
    run("job", "undo", "1")
    assert [len(found) for found in (_job(bench).actions, _job(bench).parts)] == [2, 2]


def test_a_corrected_deed_is_still_one_deed(run: Run, bench: Path) -> None:
    """Also where its correction added a part that was not there before."""
    run("stock", "add", "4116", "4", "--price", "2")
    said = read(run, "job", "log", "1", "replaced U5")["recorded"]
    said = read(run, "job", "log", "1", "--correct", str(said[0]["event"]), "replaced U5 from 4116-1")[
        "recorded"
    ]
    action = next(one for one in said if one["kind"] == "action")
    run("job", "log", "1", "--correct", str(action["event"]), "replaced U6 from 4116-1")
    assert [len(found) for found in (_job(bench).actions, _job(bench).parts)] == [1, 1]
    assert _here(run) == 3


@pytest.mark.parametrize("why", ["corrected", ""])
def test_a_reason_that_a_person_types_means_nothing_to_undo(run: Run, bench: Path, why: str) -> None:
    run("job", "log", "1", "note first")
    run("job", "undo", "1", "--why", why)
    run("job", "log", "1", "note second")
    number = _last(run)
    run("job", "log", "1", "--correct", str(number), "note third")
    run("job", "undo", "1")
    assert [event.body.text for event in _job(bench).notes] == ["second"]  # type: ignore[union-attr]
    run("job", "undo", "1")
    assert not _job(bench).notes


def test_parts_of_one_donor_are_taken_back_together(run: Run) -> None:
    run("stock", "add", "4116", "2")
    run("job", "close", "1", "broken for parts")
    run("stock", "donor", "1", "8 x 4116", "2 x 74LS157")
    assert sorted(one["lot"] for one in read(run, "stock", "list")) == ["4116-1", "4116-2", "74ls157-1"]
    assert len(read(run, "stock", "undo")["taken back"]) == 2
    assert [one["lot"] for one in read(run, "stock", "list")] == ["4116-1"]
    run("stock", "undo")
    assert read(run, "stock", "list") == []


# -- numbers and times that nobody means ---------------------------------------------------------------------

LONG = "9" * 5000


@pytest.mark.parametrize(
    "arguments",
    [
        ("job", "show", "99999999999999999999"),
        ("job", "log", "9223372036854775808", "note x"),
        ("job", "show", "1", "--at", LONG),
        ("job", "log", "1", "--at", "0001-01-01", "note x"),
        ("job", "log", "1", "--at", "0001-01-01T00:00+14:00", "note x"),
        ("job", "log", "1", "--at", "9999-12-31T23:59-14:00", "note x"),
        ("job", "log", "1", f"{LONG} h"),
        ("job", "log", "1", f"{LONG} h 5 min"),
        ("job", "log", "1", f"1.{LONG} h"),
        ("job", "log", "1", f"{'9' * 50} h cleaning"),
        ("job", "log", "1", "10001 h"),
        ("job", "log", "1", f"spent 5 USD at {LONG} postage"),
        ("job", "log", "1", "spent 5 USD at 0 postage"),
        ("job", "log", "1", f"spent {LONG} postage"),
        ("job", "log", "1", f"done {LONG}"),
        ("job", "log", "1", f"fee {LONG}%"),
        ("job", "log", "1", f"fee 1.{LONG}%"),
        ("job", "log", "1", f"likely 120 1.{LONG}%"),
        ("job", "log", "1", f"used {LONG} x 4116-1"),
        ("job", "log", "1", "want 99999 x 4116"),
        ("job", "sheet", "99999999999999999999", "job"),
        ("job", "export", "99999999999999999999"),
        ("job", "timer", "start", "99999999999999999999"),
        ("job", "list", "--limit", "99999999999999999999"),
        ("stock", "add", "4116", "99999999999999999999"),
        ("stock", "add", "4116", "1", "--price", "5 USD", "--exchange", "1e999999999"),
        ("stock", "add", "4116", "1", "--lot", " "),
    ],
)
def test_senseless_numbers_are_refused_in_plain_words(
    run: Run, bench: Path, arguments: tuple[str, ...]
) -> None:
    told = run(*arguments, code=2)
    assert "digits for integer" not in told
    with open_bench(bench) as records:
        assert not records.events(None)
        assert {event.kind for event in records.events(1)} <= {"opened", "identity", "taken-in", "symptom"}


def test_the_largest_that_somebody_may_mean_is_recorded(run: Run, bench: Path) -> None:
    run("stock", "add", "4116", "999999")
    run("job", "log", "1", "10000 h", "spent 5 USD at 0.9 postage")
    assert _job(bench).minutes == 600_000
    run("stock", "use", "1", "4116-1", "999999")
    assert _here(run) == 0


# -- wants, tests, likely prices, points ---------------------------------------------------------------------


def test_wants_for_several_places_add_up(run: Run, bench: Path) -> None:
    run("job", "log", "1", "want 1 x 6116 for U5")
    told = run("job", "log", "1", "want 1 x 6116 for U7")
    assert "2 x 6116, for U5, U7" in told
    assert "2 wanted in all now, 1 before" in told
    run("stock", "want", "1", "1 x 6116 for U9", "2 x 6116 for U10 and U11")
    assert _job(bench).wanted == {("6116", ""): 5}
    assert "say how many in all" in run("job", "log", "1", "want 2 x 6116 for U7", code=2)
    assert "say how many in all" in run("job", "log", "1", "want 0 x 6116 for U7", code=2)
    assert "3 wanted in all now, 5 before" in run("job", "log", "1", "want 3 x 6116")
    run("job", "log", "1", "want 0 x 6116")
    assert not _job(bench).wanted


def test_a_want_for_the_same_place_or_in_the_place_of_another_is_not_added(run: Run, bench: Path) -> None:
    run("job", "log", "1", "want 1 x 6116 for U5", "want 2 x 6116 for U7")
    assert _job(bench).wanted == {("6116", ""): 3}
    run("job", "log", "1", "--correct", str(_last(run)), "want 1 x 6116 for U7")
    assert _job(bench).wanted == {("6116", ""): 2}
    run("job", "log", "1", "want 4 x 6116 for U7, U5")
    assert _job(bench).wanted == {("6116", ""): 4}


def test_a_test_is_the_same_in_capital_letters(run: Run, bench: Path) -> None:
    run("job", "log", "1", "test Keyboard failed", "test  rom_version passed")
    run("job", "log", "1", "test keyboard passed: all keys", "test ROM version passed")
    job = _job(bench)
    assert job.stage == "proved"
    assert len(job.acceptance) == 2


def _outlook(run: Run) -> dict[str, Any]:
    found: dict[str, Any] = read(run, "job", "show", "1")["if_it_sells"]
    return found


def test_chances_that_come_to_less_than_all_leave_one_of_no_sale(run: Run) -> None:
    run("job", "log", "1", "likely 120 60%")
    found = _outlook(run)
    assert (found["at"][0]["chance"], found["chance_not_sold"]) == (0.6, 0.4)
    assert found["expected_profit"] == "120.00"
    told = run("job", "show", "1")
    for words in ("60%", "40%", "not sold", "if sold"):
        assert words in told
    run("job", "log", "1", "likely 100")
    found = _outlook(run)
    assert ([one["chance"] for one in found["at"]], found["chance_not_sold"]) == ([0.4, 0.6], 0)


def test_chances_above_all_are_refused(run: Run, bench: Path) -> None:
    assert "110 %" in run("job", "log", "1", "likely 120 60%", "likely 100 50%", code=2)
    run("job", "log", "1", "likely 120 60%")
    number = _last(run)
    assert "120.00 60%, 100.00 50%" in run("job", "log", "1", "likely 100 50%", code=2).replace("\n", " ")
    run("job", "log", "1", "likely 120 50%", "likely 100 50%")
    for _ in range(2):
        run("job", "undo", "1")
    run("job", "log", "1", "--correct", str(number), "likely 120 90%")
    assert _job(bench).likely_prices == {Decimal(120): Decimal(90)}


def test_a_settled_point_gets_a_note_by_correction(run: Run, bench: Path) -> None:
    run("job", "log", "1", "open: key cap on order", "open: case screws")
    run("job", "log", "1", "done 1")
    number = _last(run)
    told = run("job", "log", "1", "--correct", str(number), "done 1: came by post")
    assert "settled: key cap on order: came by post" in told
    run("job", "log", "1", "--correct", str(_last(run)), "done 2")
    assert [point.text for point in _job(bench).open_points] == ["key cap on order"]
    assert "no open point 2" in run("job", "log", "1", "done 2", code=2)


# -- two at once ---------------------------------------------------------------------------------------------


def test_parts_added_at_once_by_two_get_two_lots(run: Run, bench: Path) -> None:
    """Each opens the bench by itself; the names are chosen one after the other."""
    start = threading.Barrier(2)
    problems: list[BaseException] = []

    def add(source: str) -> None:
        try:
            with Bench(open_place(bench)) as records:
                start.wait()
                for _ in range(5):
                    records.receive(bodies.StockReceived(lot="", kind="4116", quantity=1, source=source))
        except BaseException as problem:
            problems.append(problem)

    threads = [threading.Thread(target=add, args=(name,)) for name in ("x", "y")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not problems
    lots = read(run, "stock", "list")
    assert sorted(one["lot"] for one in lots) == sorted(f"4116-{n}" for n in range(1, 11))
    assert {one["on_hand"] for one in lots} == {1}


def test_the_name_of_a_lot_is_chosen_while_nobody_else_can_write(
    run: Run, bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another command adds parts of that kind after the first looked at the stock, before it writes."""
    receive, other = Bench.receive, runner(bench)

    def late(self: Bench, *said: bodies.StockReceived) -> Any:
        monkeypatch.undo()
        other("stock", "add", "4116", "1", "--source", "y")
        return receive(self, *said)

    monkeypatch.setattr(Bench, "receive", late)
    run("stock", "add", "4116", "1", "--source", "x")
    found = {one["lot"]: (one["source"], one["on_hand"]) for one in read(run, "stock", "list")}
    assert found == {"4116-1": ("y", 1), "4116-2": ("x", 1)}
