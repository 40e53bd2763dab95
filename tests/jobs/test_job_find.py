"""`job suspects`, `job next`, `job learned` and `bid --bench` as a person meets them."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchwright import FaultFinder, Reading
from benchwright.board import Board
from benchwright.board.board_file import write_board_file
from benchwright.cli.main import cli, main
from benchwright.faults.learned_rates import published
from benchwright.jobs import bodies, open_bench
from benchwright.jobs.kept_board import read_kept
from random_boards import random_board

PRICES = ("--working", "120", "--for-parts", "35", "--rate", "8/h", "--draws", "2000")


@cache
def small() -> Board:
    return random_board(11, chips=6, nets=24, passives=12).with_(name="Heron", revision="B")


@cache
def text() -> str:
    return write_board_file(small())


def line() -> tuple[str, str, str]:
    """Three pins of one signal."""
    board = small()
    nets = [n for n, p in board.nets.items() if len(p) >= 3 and n != board.ground and n not in board.rails]
    a, b, c = map(str, board.nets[nets[0]][:3])
    return a, b, c


@pytest.fixture
def where(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A bench with a job of two readings, one slip, and two other jobs with proved faults."""
    monkeypatch.delenv("BENCHWRIGHT_BENCH", raising=False)
    folder = tmp_path / "bench"
    identity = bodies.Identity(board_file="heron.toml", board_text=text())
    a, b, c = line()
    kind, mode = next(key for key in sorted(published(small())) if key[1] == "dead")
    with open_bench(folder) as bench:
        job = bench.new_job("Heron from the fair", "EUR", identity, bodies.Symptom(text="no picture"))
        for said in ((a, b, "OL"), (b, c, "0.4"), ("U99.1", "GND", "4")):
            reading = bodies.Reading(
                entry=" ".join(said), quantity="resistance", a=said[0], b=said[1], value=said[2]
            )
            bench.record(job, reading)
        for _ in range(2):
            other = bench.new_job("another", "EUR", identity, bodies.Confirmed(part_kind=kind, mode=mode))
            bench.record(other, bodies.TimerStarted())
        bench.new_job("unknown board", "EUR", bodies.Confirmed(part_kind=kind, mode=mode))
    return str(folder)


def run(*arguments: str, code: int = 0) -> Result:
    done = CliRunner().invoke(cli, [str(a) for a in arguments], catch_exceptions=False)
    assert done.exit_code == code, done.output
    return done


def job(where: str, *arguments: str) -> str:
    return run("job", *arguments, "--bench", where).output


def answer(where: str, *arguments: str) -> Any:
    return json.loads(job(where, *arguments, "--json"))


def test_suspects_of_a_job(where: str) -> None:
    """The head says what it rests on, what cannot be used is named, and the suspects are the finder's."""
    said = job(where, "suspects", "1")
    assert (
        "Job 1, Heron from the fair.\n3 pieces of evidence; judged by published failure rates and 2" in said
    )
    assert "event 6 is not used: no " in said
    told = answer(where, "suspects", "1", "--published", "--limit", "4")
    a, b, c = line()
    finder = FaultFinder(read_kept(text()))
    finder.record(Reading("symptom", value="no picture", power=True))
    finder.record_all([Reading("resistance", a, b, "OL"), Reading("resistance", b, c, "0.4")])
    assert told["rates"] == "published failure rates"
    assert [s["text"] for s in told["suspects"]] == [s.text for s in finder.suspects(4)]
    assert [s["probability"] for s in told["suspects"]] == [
        round(s.probability, 6) for s in finder.suspects(4)
    ]
    assert told["not used"] == [{"event": 6, "why": told["not used"][0]["why"]}]


def test_why_tells_each_piece_of_evidence_and_what_it_did(where: str) -> None:
    """Before and after, in nats and in words; as JSON, the steps hang together."""
    said = job(where, "suspects", "1", "--why")
    for part in ("What changed our mind", " -> ", "times likelier)", "What each stands or falls with:",
                 "most for it: event 4, resistance"):  # fmt: skip
        assert part in said
    told = answer(where, "suspects", "1", "--why")["what changed our mind"]
    assert [step["event"] for step in told["steps"]] == [3, 4, 5]
    leader = told["suspects"][0]
    assert leader["most for it"]["event"] == 4
    moved = {m["suspect"]: m for step in told["steps"] for m in step["moved"]}[leader["suspect"]]
    assert moved["after"] == leader["now"]


def test_evidence_that_hardly_moved_anything_is_told_in_one_line(where: str) -> None:
    """Neighbours together; whatever was moved is told, and nothing sticks out of the screen."""
    with open_bench(where) as bench:
        for ref in [ref for ref, part in small().parts.items() if part.kind == "resistor"][:3]:
            bench.record(1, bodies.Reading(entry=f"look {ref} fine", quantity="look", a=ref, value="fine"))
        first = bench.events(1)[-3].number
    said = job(where, "suspects", "1", "--why")
    steps = answer(where, "suspects", "1", "--why")["what changed our mind"]["steps"]
    still = [s["event"] for s in steps if all(m["told"] == "hardly moved" for m in s["moved"])]
    assert {first + 1, first + 2} <= set(still)
    assert re.search(rf"events \d+ to {first + 2}: \d that hardly moved anything", said)
    assert max(map(len, said.splitlines())) <= 80


def test_a_mended_fault_leaves_the_chance_that_nothing_is_wrong(where: str) -> None:
    """What a suspect loses by a deed is not lost without a word."""
    place = answer(where, "suspects", "1")["suspects"][0]
    with open_bench(where) as bench:
        bench.record(1, bodies.Action(deed="linked", where=place["pins"][0].partition(".")[0]))
        bench.record(1, bodies.Action(deed="cleaned", where="keyboard header J2"))
    said = job(where, "suspects", "1", "--why")
    assert len(re.findall(r"%  put right: nothing is wrong any more", said)) == 2
    assert "it names no part" in said


def test_a_job_as_it_was(where: str) -> None:
    """`--at` shows what was believed then, on the board that came later; a moment before it is refused."""
    assert answer(where, "suspects", "1", "--at", "4")["evidence"] == 2
    assert answer(where, "suspects", "1", "--at", "1")["evidence"] == 0
    assert "as of event 4." in job(where, "next", "1", "--at", "4")
    with pytest.raises(SystemExit) as stopped:
        main(["job", "suspects", "2", "--at", "1", "--bench", where])
    assert stopped.value.code == 2


def test_next_checks_of_a_job(where: str) -> None:
    """Checks with what each outcome would mean, or what to mend; all of it as JSON."""
    told = answer(where, "next", "1", "--limit", "2")
    assert told["due"] in ("check", "mend")
    assert told["board is"]
    assert len(told["checks"]) <= 2
    assert answer(where, "next", "2")["checks"][0]["outcomes"]
    said = job(where, "next", "2", "--limit", "1")
    assert "1. " in said
    assert "min]" in said


def test_without_a_board_it_says_what_to_do(where: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A plain message with exit code 2, and no traceback."""
    with pytest.raises(SystemExit) as stopped:
        main(["job", "suspects", "4", "--bench", where])
    assert stopped.value.code == 2
    assert "job set 4 --board FILE" in capsys.readouterr().err


def test_the_table_of_what_was_learned(where: str) -> None:
    """Prior, seen, now and the range, for boards in general and each model; what is left out is named."""
    said = job(where, "learned")
    for part in ("2 proved faults on 2 machines", "boards in general", "Heron B:", "prior", "seen", "now",
                 "95 % within", " dead ", "is not counted: no board is kept"):  # fmt: skip
        assert part in said
    told = answer(where, "learned", "--model", "heron", "--all")
    first = told["rates"][0]
    assert told["model"] == "Heron B"
    assert first["seen"] == 2
    assert first["now"] == pytest.approx(first["prior"] * first["factor"], rel=1e-4)
    assert first["factor low"] < first["factor"] < first["factor high"]
    assert len(told["rates"]) == len(published(small()))
    assert "expected a board model with proved faults (Heron B)" in run(
        "job", "learned", "--model", "gannet", "--bench", where, code=2
    ).output  # fmt: skip


def test_a_bench_without_proved_faults_says_how_to_record_one(tmp_path: Path) -> None:
    """No table, but what to do."""
    with open_bench(tmp_path / "new") as bench:
        bench.new_job("first", "EUR")
    assert "job log 14 'found shorted" in job(str(tmp_path / "new"), "learned")


def test_a_bid_with_the_history_of_the_bench(
    where: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same as with those factors in a file; said in the answer; a file goes before the records."""
    board = tmp_path / "heron.toml"
    board.write_text(text(), encoding="utf-8")
    factors = answer(where, "learned", "--model", "heron", "--all")["rates"]
    listed = "\n".join(
        f'[[rate]]\nkind = "{row["kind"]}"\nmode = "{row["mode"]}"\nfactor = {row["factor"]}'
        for row in factors
        if row["kind"]
    )
    file = tmp_path / "own.toml"
    file.write_text(listed, encoding="utf-8")

    def bid(*more: str) -> Any:
        told = json.loads(run("bid", str(board), *PRICES, "--json", *more).output)
        return {key: value for key, value in told.items() if key != "proved faults"}

    by_file = bid("--history", str(file))
    by_bench = bid("--bench", where)
    assert by_bench != bid()
    assert float(by_bench["most to pay"]) == pytest.approx(float(by_file["most to pay"]), rel=0.05)
    assert (
        "Your own history counts: 2 proved faults."
        in run("bid", str(board), *PRICES, "--bench", where).output
    )
    monkeypatch.setenv("BENCHWRIGHT_BENCH", where)
    assert bid() == by_bench
    monkeypatch.setenv("BENCHWRIGHT_BENCH", str(tmp_path / "not begun"))
    assert bid()["past jobs"] == 0
    with pytest.raises(SystemExit):
        main(["bid", str(board), *PRICES, "--bench", str(tmp_path / "not begun")])
