"""`benchwright demo bench`: a bench that is always the same, and an evening that goes through."""

from __future__ import annotations

import json
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from benchwright.board import Board
from benchwright.cli.main import cli
from benchwright.demo import tour
from benchwright.demo.bench_files import demo_board, heron_after, heron_before
from benchwright.demo.bench_jobs import MACHINES
from benchwright.demo.bench_tour import fill, moment_of, numbers
from benchwright.demo.virtual_unit import VirtualUnit
from benchwright.jobs import Bench, BenchError, bodies, open_bench
from benchwright.jobs.archive import export_job, take_in
from benchwright.jobs.archive_file import open_archive
from benchwright.jobs.verify import verify
from benchwright.sheets.from_changes import board_changes
from benchwright.sheets.told import History
from benchwright.tape import Recording
from benchwright.tape.measure import measure
from benchwright.units import parse_quantity

UNIT_OF = {"brown": 0, "overseas": 1, "black": 2}
"""Which of `tour.units` a job's readings are of."""


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo") / "evening"


@pytest.fixture(scope="module")
def told(out: Path) -> str:
    result = CliRunner().invoke(cli, ["demo", "bench", "--out", str(out)])
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture(scope="module")
def bench(out: Path, told: str) -> Iterator[Bench]:
    with open_bench(out / "bench", create=False) as bench:
        yield bench


@pytest.fixture(scope="module")
def again(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """The demo's jobs once more, in a bench of one's own that was empty."""
    folder = tmp_path_factory.mktemp("empty")
    open_bench(folder).close()
    assert fill(folder)
    with open_bench(folder, create=False) as bench:
        yield bench


def _run(*args: str) -> Result:
    return CliRunner().invoke(cli, args)


def test_the_evening_goes_through_every_step(told: str, out: Path) -> None:
    """Each command is shown with its answer, and every file that is named is there."""
    commands = [line.removeprefix("$ benchwright ") for line in told.splitlines() if line.startswith("$")]
    for first in ("job list", "job show", "job suspects", "job next", "stock shopping", "job sheet",
                  "stock sheet", "job export", "bench backup", "bench verify"):  # fmt: skip
        assert any(command.startswith(first) for command in commands), first
    assert "What changed our mind" in told
    assert "All is well" in told
    sheets = sorted(path.name.rpartition("-")[2] for path in (out / "sheets").iterdir())
    assert sheets == ["change.pdf", "condition.pdf", "condition.pdf", "job.pdf", "label.pdf", "shopping.pdf"]
    assert all(path.read_bytes().startswith(b"%PDF-") for path in (out / "sheets").iterdir())


def test_jobs_stand_in_every_stage(bench: Bench) -> None:
    """Whatever a job can be, one of the demo's is."""
    assert {line.stage for line in bench.jobs()} == {
        "opened", "taken in", "being diagnosed", "being mended", "waiting for parts", "proved", "sold",
        "kept", "returned", "broken for parts",
    }  # fmt: skip


def test_every_kind_of_event_is_there(bench: Bench) -> None:
    """All that can be recorded is recorded somewhere; but a photo is tied by a person who looks at it."""
    seen = {event.kind for job in (None, *bench.numbers().values()) for event in bench.events(job)}
    known = {kind.__struct_config__.tag for kind in bodies.Body.__subclasses__()}
    assert known - {"photo-tied"} == seen


def test_it_is_the_same_bench_each_time(bench: Bench, again: Bench) -> None:
    """Every event has the same identity, moments and words; exports are the same bytes."""
    for job in (None, *bench.numbers().values()):
        assert [e.digest() for e in bench.events(job)] == [e.digest() for e in again.events(job)]
        assert [e.number for e in bench.events(job)] == [e.number for e in again.events(job)]
    assert verify(again).problems == []


def test_exports_and_sheets_are_the_same_bytes_each_time(bench: Bench, again: Bench, tmp_path: Path) -> None:
    """The same records give the same files."""
    number = numbers(bench)["overseas"]
    export_job(bench, number, tmp_path / "a.zip")
    export_job(again, number, tmp_path / "b.zip")
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()
    pages = []
    for place in (bench.place.name, again.place.name):
        pdf = tmp_path / "sheet.pdf"
        done = _run("job", "sheet", str(number), "change", "--photos", "--out", str(pdf), "--bench", place)
        assert done.exit_code == 0, done.output
        pages.append(pdf.read_bytes())
    assert pages[0] == pages[1]


def test_an_exported_job_goes_into_another_bench(out: Path, bench: Bench, tmp_path: Path) -> None:
    """What the tour exported is the whole job."""
    number = numbers(bench)["brown"]
    with open_bench(tmp_path / "other") as other, open_archive(out / f"job-{number}.zip") as archive:
        came = take_in(other, archive)
        assert [e.digest() for e in other.events(came.number)] == [e.digest() for e in bench.events(number)]


@pytest.mark.parametrize("key", UNIT_OF)
def test_readings_are_those_of_the_make_believe_meter(bench: Bench, key: str) -> None:
    """Every resistance and look is what the unit with its fault shows, and after the mending the sound one.

    Within 1 % and 0.3 ohms: each time a probe touches, its contact differs.
    """
    board: Board = demo_board()
    unit = tour.units(board)[UNIT_OF[key]]
    harmed, sound = (
        VirtualUnit(board, harms, np.random.default_rng(unit.seed)) for harms in (unit.harms, ())
    )
    now, compared = harmed, 0
    for event in bench.events(numbers(bench)[key]):
        body = event.body
        if isinstance(body, bodies.Action):
            now = sound if body.deed in ("replaced", "linked") and body.where != "C7" else now
            if body.deed == "changed":
                break  # the board is another one from here on
        if not isinstance(body, bodies.Reading) or body.quantity not in ("resistance", "look"):
            continue
        shown = now.answer(body.quantity, body.a, body.b, body.state.power, body.state.removed)
        if body.quantity == "look":
            assert {"fine": "nothing"}.get(body.value, body.value) == shown, body.entry
        elif body.value == "OL":
            assert shown == float("inf"), body.entry
        else:
            assert parse_quantity(body.value) == pytest.approx(shown, rel=0.01, abs=0.3), body.entry
        compared += 1
    assert compared >= 8


@pytest.mark.parametrize(
    ("key", "last", "mode", "named"),
    [
        ("brown", "timer stop measuring", "open", "MA5 is open between R16 pin 2 and U21 pin 10"),
        ("overseas", "timer stop measuring", "short", "C4 (10u 16V) is shorted"),
        ("black", "open: lens and a needle between U1.30 and U1.29", "bridge", "D3 and D4 are bridged"),
    ],
)
def test_the_suspect_that_leads_is_what_is_wrong(
    bench: Bench, key: str, last: str, mode: str, named: str
) -> None:
    """The fault that the make-believe unit has is found from the job's readings."""
    number = numbers(bench)[key]
    at = str(moment_of(bench, number, last))
    done = _run("job", "suspects", str(number), "--at", at, "--json", "--bench", bench.place.name)
    assert done.exit_code == 0, done.output
    answer = json.loads(done.output)
    assert answer["not used"] == []
    first = answer["suspects"][0]
    assert (first["mode"], named in first["text"]) == (mode, True)
    assert first["probability"] > 0.9


def test_the_changes_are_proved_by_readings_before_and_after(bench: Bench) -> None:
    """Both changes say why and how to undo them, and no reading is missing."""
    changes = board_changes(History(bench.job(numbers(bench)["overseas"]), bench.stock()))
    assert [change.kind for change in changes] == ["cut", "link"]
    for change in changes:
        assert change.proofs
        assert all(proof.before is not None and proof.after is not None for proof in change.proofs)
        assert "Not recorded" not in (change.why, change.undo)


def test_money_adds_up_by_hand(bench: Bench) -> None:
    """Profit of the sold one, and the cost of the one bought in another currency, worked out on paper."""
    profit = {line.number: Decimal(line.profit) for line in bench.jobs()}
    number = numbers(bench)
    # Sale 148, less 35 for the machine, 0.18 for C7, 2.40 for vinegar, 8.90 postage that came back, and 11 %.
    assert profit[number["brown"]] == Decimal("94.14")
    # 41 and 19.50 GBP at 1.17 (47.97 and 22.815), 14.20 duty and 0.45 for C4.
    assert abs(-profit[number["overseas"]] - Decimal("85.435")) <= Decimal("0.01")


def test_parts_of_a_broken_machine_are_in_stock_and_what_is_short_is_known(bench: Bench) -> None:
    """Donor parts name their machine; the list holds what is wanted less what is set aside or free."""
    by_number = {number: uid for uid, number in bench.numbers().items()}
    number = numbers(bench)
    lots = bench.stock()
    assert lots["4116-2"].donor == by_number[number["bittern"]]
    assert lots["4116-2"].on_hand == 5  # six came, one went into the Whimbrel
    short = {one.kind: (one.quantity, set(one.jobs)) for one in bench.shopping()}
    # Three 6821 are wanted; one lies there, set aside for one of the two jobs. Memories were wanted no more.
    assert short["6821"] == (2, {by_number[number["plover"]], by_number[number["sandpiper"]]})
    assert set(short) == {"6821", "key plunger", "LM386"}


@pytest.mark.parametrize(
    ("make", "percent", "flutter"), [(heron_before, -1.20, 0.33), (heron_after, 0.10, 0.06)]
)
def test_the_takes_measure_as_the_job_says(
    tmp_path: Path, make: object, percent: float, flutter: float
) -> None:
    """Speed and flutter of the attached recordings are those that the tests of the tape deck give."""
    path = tmp_path / "take.wav"
    path.write_bytes(make())  # type: ignore[operator]
    with Recording.open(path) as take:
        figures = measure(take, 0, 3150.0).figures
    assert figures["speed"].value == pytest.approx(percent, abs=0.02)
    assert figures["flutter"].value == pytest.approx(flutter, abs=0.02)


def test_a_second_run_leaves_what_was_added_since(tmp_path: Path, again: Bench) -> None:
    """The bench is there to try things on: nothing is filled twice, and nothing is taken away."""
    number = numbers(again)["turnstone"]
    (added,) = again.record(number, bodies.Note(text="tried by hand"))
    before = len(again.events(number))
    assert not fill(Path(again.place.name))
    assert len(again.events(number)) == before
    assert again.events(number)[-1].uid == added.uid


def test_records_that_are_not_the_demos_are_not_touched(tmp_path: Path) -> None:
    """A bench with somebody's job is refused in plain words, whichever way it is named."""
    with open_bench(tmp_path / "bench") as own:
        own.new_job("my own", "EUR")
        for out in (tmp_path, tmp_path / "bench"):
            done = _run("demo", "bench", "--out", str(out))
            assert isinstance(done.exception, BenchError)
            assert "nothing was touched" in str(done.exception)
        assert [line.title for line in own.jobs()] == ["my own"]


def test_a_bench_half_filled_is_told_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A demo that was stopped while it wrote is not taken for a whole one."""
    with monkeypatch.context() as stopped:
        stopped.setattr("benchwright.demo.bench_tour.MACHINES", MACHINES[:2])
        assert fill(tmp_path / "bench")
    with pytest.raises(BenchError, match="stopped while it wrote"):
        fill(tmp_path / "bench")
