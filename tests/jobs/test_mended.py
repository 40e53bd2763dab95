"""The bench's rules where one thing rests on another: corrections, copies, currencies, ends of jobs."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest

from benchwright.cli.main import cli
from benchwright.jobs import BadEvent, NoSuchJob, bodies, open_bench
from benchwright.jobs.archive import export_job, import_job
from benchwright.jobs.backup import back_up
from benchwright.jobs.experience import bid_history, experience, proved_jobs
from benchwright.jobs.restore import restore
from benchwright.jobs.verify import verify

D = Decimal
THEN = datetime(2026, 3, 1, 10, 0, tzinfo=UTC)


@pytest.fixture
def bench(where):
    with open_bench(where) as opened:
        yield opened
        found = verify(opened)
        assert found.problems == []


def _job(bench, currency="EUR", hourly=None):
    return bench.new_job("Brown one", currency, rate_per_hour=hourly)


def _lot(bench, lot="M4116", quantity=2, kind="4116", price=None, **said):
    body = bodies.StockReceived(lot=lot, kind=kind, quantity=quantity, price=price, **said)
    return bench.record(None, body)[0]


def _cost(value):
    return bodies.Cost(kind="other", price=bodies.Price(value=D(value), currency="EUR"))


def _profit(bench, job):
    return D(next(line.profit for line in bench.jobs() if line.number == job))


@pytest.mark.parametrize("seed", range(3))
def test_a_bench_with_noise_in_the_events_is_put_aside(tmp_path, seed):
    """Damage that shows only when the events are read, not when the file is opened."""
    import random
    import sqlite3

    folder = tmp_path / "bench"
    with open_bench(folder) as opened:
        job = _job(opened)
        for n in range(40):
            opened.record(job, bodies.Note(text=f"line {n} " + "leaks " * 40))
        made = back_up(opened, tmp_path / "b.zip").path
    file = folder / "bench.sqlite"
    with sqlite3.connect(file) as raw:
        (page,) = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = 'event'").fetchone()
        (size,) = raw.execute("PRAGMA page_size").fetchone()
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    raw.close()
    content = bytearray(file.read_bytes())
    content[(page - 1) * size : page * size] = random.Random(seed).randbytes(size)
    file.write_bytes(content)
    done = restore(made, folder, replace=True)
    assert done.verdict.problems == []
    assert done.events == 41
    assert (done.aside / "bench.sqlite").read_bytes() == content


def test_a_correction_is_not_brought_back_beside_another(bench):
    job = _job(bench)
    (cost,) = bench.record(job, _cost(5))
    bench.record(job, _cost(6), supersedes=cost.uid)
    bench.undo(job)
    (other,) = bench.record(job, _cost(7), supersedes=cost.uid)
    with pytest.raises(BadEvent, match=f"by event {other.number}"):
        bench.redo(job)
    assert _profit(bench, job) == -7
    bench.undo(job)
    assert _profit(bench, job) == -5
    # Nor beside a correction of the other correction.
    (other,) = bench.record(job, _cost(8), supersedes=cost.uid)
    bench.record(job, _cost(9), supersedes=other.uid)
    with pytest.raises(BadEvent, match="corrected otherwise"):
        bench.record(job, bodies.Undone(), supersedes=_undo_of(bench, job, "6").uid)
    assert _profit(bench, job) == -9


def _undo_of(bench, job, value):
    events = bench.events(job)
    cost = next(e for e in events if isinstance(e.body, bodies.Cost) and e.body.price.value == D(value))
    return next(e for e in events if e.supersedes == cost.uid)


def test_two_corrections_of_one_event_are_told_of(bench, monkeypatch):
    """As an older version let them stand; a backup of such a bench is not refused for it."""
    job = _job(bench)
    (cost,) = bench.record(job, _cost(5))
    bench.record(job, _cost(6), supersedes=cost.uid)
    bench.undo(job)
    bench.record(job, _cost(7), supersedes=cost.uid)
    assert verify(bench).remarks == []
    monkeypatch.setattr("benchwright.jobs.bench._refuse_rivals", lambda before, after: None)
    bench.redo(job)
    assert [r for r in verify(bench).remarks if "events 3 and 5 correct the same event" in r]


DOLLARS = bodies.Price(value=D(10), currency="USD", rate=D("0.9"), rate_in="EUR")


def test_a_rate_belongs_to_its_currencies(bench):
    euro, dollar, pound = (_job(bench, code) for code in ("EUR", "USD", "GBP"))
    _lot(bench, quantity=9, price=DOLLARS)
    for job in (euro, dollar):
        bench.record(job, bodies.PartUsed(lot="M4116", quantity=1))
    assert (_profit(bench, euro), _profit(bench, dollar)) == (-9, -10)
    with pytest.raises(BadEvent, match="what one USD is in GBP"):
        bench.record(pound, bodies.PartUsed(lot="M4116", quantity=1))
    (used,) = bench.record(pound, bodies.PartUsed(lot="M4116", quantity=2, rate=D("0.8")))
    assert _profit(bench, pound) == -16
    with pytest.raises(BadEvent, match="what one USD is in GBP"):
        bench.record(pound, bodies.PartUsed(lot="M4116", quantity=1), supersedes=used.uid)
    with pytest.raises(BadEvent, match="above 0"):
        bench.record(pound, bodies.PartUsed(lot="M4116", quantity=1, rate=D(0)))
    assert bench.stock()["M4116"].on_hand == 5


def test_a_rate_of_an_old_record_leads_to_the_job(bench):
    job = _job(bench, "GBP")
    _lot(bench, price=bodies.Price(value=D(10), currency="USD", rate=D("0.9")))
    bench.record(job, bodies.PartUsed(lot="M4116", quantity=1))
    assert _profit(bench, job) == -9
    _lot(bench, price=DOLLARS)  # the same price, said more fully: it may be received again
    assert bench.stock()["M4116"].on_hand == 3


def test_the_command_takes_a_rate(tmp_path):
    from click.testing import CliRunner

    def run(*words):
        return CliRunner().invoke(cli, [*words, "--bench", str(tmp_path / "b")])

    with open_bench(tmp_path / "b") as opened:
        assert [_job(opened, code) for code in ("GBP", "EUR")] == [1, 2]
    words = ("stock", "add", "4116", "2", "--lot", "M4116", "--price", "10 USD", "--exchange", "0.9")
    assert run(*words).exit_code == 0
    refused = run("stock", "use", "1", "M4116")
    assert isinstance(refused.exception, BadEvent)
    assert "what one USD is in GBP, with `stock use --exchange`" in str(refused.exception)
    assert run("stock", "use", "1", "M4116", "--exchange", "0,8").exit_code == 0
    assert run("stock", "use", "2", "M4116").exit_code == 0
    with open_bench(tmp_path / "b") as opened:
        assert (_profit(opened, 1), _profit(opened, 2)) == (-8, -9)


def test_what_is_set_aside_is_let_go_at_the_end(bench):
    job, other = _job(bench), _job(bench)
    _lot(bench)
    bench.record(job, bodies.PartReserved(lot="M4116", quantity=2))
    with pytest.raises(BadEvent):
        bench.record(other, bodies.PartUsed(lot="M4116", quantity=1))
    (end,) = bench.record(job, bodies.Closed(outcome="kept"))
    assert bench.stock()["M4116"].free == 2
    assert bench.job(job).reserved == {}
    bench.record(job, bodies.PartReserved(lot="M4116", quantity=0))
    with pytest.raises(BadEvent, match="closed"):
        bench.record(job, bodies.PartReserved(lot="M4116", quantity=1))
    bench.undo(job)
    bench.record(other, bodies.PartUsed(lot="M4116", quantity=1))
    with pytest.raises(BadEvent, match="2 of M4116 set aside, and 1 on hand"):
        bench.record(job, bodies.Undone(), supersedes=end.uid)
    bench.record(job, bodies.Reopened())
    assert bench.stock()["M4116"].free == 1


def test_closing_stops_the_timer(bench):
    job = _job(bench, hourly=D(60))
    bench.record(job, bodies.TimerStarted(), at=THEN)
    with pytest.raises(BadEvent, match="started later"):
        bench.record(job, bodies.Closed(outcome="kept"), at=THEN - timedelta(minutes=1))
    bench.record(job, bodies.Closed(outcome="kept"), at=THEN + timedelta(minutes=30))
    state = bench.job(job)
    assert (state.timer_since, state.minutes) == (None, 30)
    assert state.ledger().statement().hours_valued.value == 30
    bench.record(job, bodies.Reopened())
    assert bench.job(job).timer_since is None


def test_hours_are_priced_before_they_are_rounded(bench):
    """2 min at 10.05 an hour are 0.335 exactly; by thirds of a minute no digit is lost either."""
    job = _job(bench, hourly=D("10.05"))
    bench.record(job, bodies.Time(minutes=D(2)))
    statement = bench.job(job).ledger().statement()
    assert statement.hours_valued.value == D("0.34")
    assert abs(statement.hours * 30 - 1) < D("1e-26")
    timed = _job(bench, hourly=D("1.80"))  # 10 s are half a cent
    bench.record(timed, bodies.TimerStarted(), at=THEN)
    bench.record(timed, bodies.TimerStopped(), at=THEN + timedelta(seconds=10))
    assert bench.job(timed).ledger().statement().hours_valued.value == D("0.01")


FAULT = bodies.Confirmed(part_kind="4116", mode="dead", place="U7")


def test_a_copy_teaches_nothing_twice(bench, tmp_path):
    job = _job(bench)
    bench.record(job, FAULT, bodies.Time(minutes=D(60)))
    bench.record(job, bodies.Closed(outcome="kept"))
    export_job(bench, job, tmp_path / "1.zip")
    copy = import_job(bench, tmp_path / "1.zip", as_new=True).number
    export_job(bench, copy, tmp_path / "2.zip")
    third = import_job(bench, tmp_path / "2.zip", as_new=True).number
    assert {job, copy, third} == {1, 2, 3}
    (only,) = proved_jobs(bench)
    assert (only.uid, len(only.proofs)) == (bench.job(job).uid, 1)
    assert len(bid_history(bench, "any")[1]) == 1
    # What is found later in a copy counts, once; a corrected beginning is still that of a copy.
    other = bodies.Confirmed(part_kind="4164", mode="dead", place="U8")
    for number in (copy, third):
        begun = bench.events(number)[0]
        bench.record(number, bodies.Opened(title="Better", currency="EUR"), supersedes=begun.uid)
        bench.record(number, bodies.Reopened())
        bench.record(number, other)
    (only,) = proved_jobs(bench)
    assert sorted(proof.body.place for proof in only.proofs) == ["U7", "U8"]
    # Asked about any of the three, none of them is evidence.
    for number in (job, copy, third):
        assert experience(bench, but=bench.job(number).uid).left_out == ()


def test_a_copy_alone_teaches(bench, tmp_path):
    with open_bench(tmp_path / "elsewhere") as there:
        job = _job(there)
        there.record(job, FAULT)
        export_job(there, job, tmp_path / "1.zip")
    for _ in range(2):
        import_job(bench, tmp_path / "1.zip", as_new=True)
    assert len(proved_jobs(bench)) == 1


def test_the_kind_of_a_used_lot_stays(bench):
    job = _job(bench)
    came = _lot(bench)
    other = bodies.StockReceived(lot="M4116", kind="4164", quantity=2)
    corrected = bench.record(None, other, supersedes=came.uid)[0]  # nothing was used yet
    bench.record(job, bodies.PartUsed(lot="M4116", quantity=1))
    right = bodies.StockReceived(lot="M4116", kind="4116", quantity=2)
    with pytest.raises(BadEvent, match="used as 4164"):
        bench.record(None, right, supersedes=corrected.uid)
    _lot(bench, kind="4164", quantity=1)
    with pytest.raises(BadEvent, match="holds 4164"):
        bench.record(None, right, supersedes=corrected.uid)


def test_a_timer_is_not_corrected_to_stop_before_its_start(bench):
    job = _job(bench)
    start, stop = (
        bench.record(job, body, at=THEN + timedelta(minutes=n))[0]
        for body, n in ((bodies.TimerStarted(), 0), (bodies.TimerStopped(), 30))
    )
    with pytest.raises(BadEvent, match="started later"):
        bench.record(job, bodies.TimerStopped(), at=THEN - timedelta(minutes=1), supersedes=stop.uid)
    with pytest.raises(BadEvent, match="after its start"):
        bench.record(job, bodies.TimerStarted(), at=THEN + timedelta(minutes=31), supersedes=start.uid)
    bench.record(job, bodies.TimerStarted(), at=THEN + timedelta(minutes=10), supersedes=start.uid)
    assert bench.job(job).minutes == 20


def test_a_point_is_corrected_to_one_that_is_there(bench):
    job = _job(bench)
    first, second = bench.record(job, bodies.OpenPoint(text="key cap"), bodies.OpenPoint(text="cable"))
    (closed,) = bench.record(job, bodies.PointClosed(point=first.uid))
    with pytest.raises(BadEvent, match="no such open point"):
        bench.record(job, bodies.PointClosed(point="0" * 32), supersedes=closed.uid)
    # The point may be worded anew meanwhile: it is still the same.
    bench.record(job, bodies.OpenPoint(text="key cap left"), supersedes=first.uid)
    (noted,) = bench.record(job, bodies.PointClosed(point=first.uid, note="came"), supersedes=closed.uid)
    assert [p.text for p in bench.job(job).open_points] == ["cable"]
    bench.record(job, bodies.PointClosed(point=second.uid), supersedes=noted.uid)
    assert [p.text for p in bench.job(job).open_points] == ["key cap left"]


def test_an_end_is_not_corrected_away(bench):
    job = _job(bench)
    (note,) = bench.record(job, bodies.Note(text="leaks"))
    (end,) = bench.record(job, bodies.Closed(outcome="kept"))
    with pytest.raises(BadEvent, match="closed cannot be corrected to note"):
        bench.record(job, bodies.Note(text="not the end"), supersedes=end.uid)
    assert bench.job(job).stage == "kept"
    bench.record(job, bodies.Closed(outcome="returned"), supersedes=end.uid)
    assert bench.job(job).stage == "returned"
    # What came before the end may still be put right, also as another kind of line.
    bench.record(job, bodies.Symptom(text="leaks"), supersedes=note.uid)
    assert [event.body.text for event in bench.job(job).symptoms] == ["leaks"]
    (late,) = bench.record(job, bodies.Note(text="sent"))
    with pytest.raises(BadEvent, match="reopen it first"):
        bench.record(job, bodies.Symptom(text="sent"), supersedes=late.uid)


def test_minutes_may_be_given_as_they_come(bench):
    job = _job(bench)
    bench.record(job, bodies.Time(minutes=1.5))
    assert bench.job(job).minutes == D("1.5")


HUGE = D(10) ** 9 + 1


@pytest.mark.parametrize(
    "body",
    [
        bodies.Time(minutes=HUGE),
        bodies.Time(minutes=D("1e999999")),
        bodies.Time(minutes=D("1e-999999")),
        bodies.PartWanted(kind="4116", quantity=10**9 + 1),
        bodies.PartWanted(kind="4116", quantity=10**30),
        _cost(HUGE),
        _cost("1e400"),
        _cost("1e-400"),
        bodies.LikelyPrice(value=HUGE),
        bodies.TakenIn(postage=bodies.Price(value=HUGE, currency="EUR")),
        bodies.Cost(kind="other", price=bodies.Price(value=D(1), currency="USD", rate=HUGE)),
    ],
    ids=lambda body: f"{body}"[:40],
)
def test_numbers_beyond_measure_are_refused(bench, body):
    job = _job(bench)
    with pytest.raises(BadEvent) as refused:
        bench.record(job, body)
    assert len(str(refused.value)) < 300
    assert len(bench.events(job)) == 1


@pytest.mark.parametrize("number", [0, -1, 2**31, 2**63 - 1, 2**63, 10**40])
def test_a_number_of_no_job(bench, number):
    _job(bench)
    for ask in (bench.job, bench.events, bench.undo, lambda n: bench.record(n, bodies.Note(text="x"))):
        with pytest.raises(NoSuchJob, match=f"no job {number}"):
            ask(number)


def test_what_others_used_is_not_set_aside_again(bench):
    job, other = _job(bench), _job(bench)
    came = _lot(bench)
    bench.record(job, bodies.PartReserved(lot="M4116", quantity=2))
    with pytest.raises(BadEvent, match="set aside for a job"):
        bench.record(None, bodies.Undone(), supersedes=came.uid)
    fewer = bodies.StockReceived(lot="M4116", kind="4116", quantity=1)
    with pytest.raises(BadEvent, match="2 of M4116 set aside, and 1 on hand"):
        bench.record(None, fewer, supersedes=came.uid)
    bench.undo(job)
    bench.record(other, bodies.PartUsed(lot="M4116", quantity=2))
    with pytest.raises(BadEvent, match="2 of M4116 set aside, and 0 on hand"):
        bench.redo(job)
    bench.undo(other)
    bench.redo(job)
    assert bench.stock()["M4116"].free == 0
    bench.record(None, bodies.StockCounted(lot="M4116", quantity=1))  # what was counted is so
    assert bench.stock()["M4116"].free == -1
