"""A deed with a name is done once, however often it is asked for: an answer may be lost on the way."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.jobs import Bench, bodies, open_bench
from benchwright.jobs.entry import BadEntry
from benchwright.jobs.log import bring_back, log_lines, take_back
from benchwright.jobs.stock_deeds import take_back as take_back_stock

NAME = "5d41402abc4b2a76b9719d911017c592"
LINES = ["note smells of smoke", "open: key cap on order", "25 min cleaning", "symptom no picture"]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    bench = open_bench(tmp_path / "bench")
    bench.new_job("Brown one", "EUR")
    return bench


def test_a_line_that_is_sent_again_counts_once(bench: Bench) -> None:
    """And what it said is told again, as when it was recorded."""
    first = log_lines(bench, 1, ["25 min cleaning"], known_as=NAME)
    again = log_lines(bench, 1, ["25 min cleaning"], known_as=NAME)
    assert [event.uid for event in again.events] == [event.uid for event in first.events]
    assert (again.before.minutes, again.after.minutes) == (0, 25)
    assert bench.job(1).minutes == 25


def test_a_line_that_made_sense_only_once_is_not_read_again(bench: Bench) -> None:
    """A point that is closed cannot be closed: sent again under its name, it was."""
    log_lines(bench, 1, ["open: key cap on order"])
    log_lines(bench, 1, ["done 1"], known_as=NAME)
    assert log_lines(bench, 1, ["done 1"], known_as=NAME).events
    with pytest.raises(BadEntry, match="no open point"):
        log_lines(bench, 1, ["done 1"], known_as=NAME + "0")


def test_what_was_taken_back_stays_so(bench: Bench) -> None:
    """Neither the line that is sent again nor the undo that is sent again does anything."""
    log_lines(bench, 1, ["note one"])
    log_lines(bench, 1, ["note two"], known_as=NAME)
    gone = take_back(bench, 1, known_as=NAME + "1")
    assert log_lines(bench, 1, ["note two"], known_as=NAME).events
    again = take_back(bench, 1, known_as=NAME + "1")
    assert [event.uid for event in again.gone] == [event.uid for event in gone.gone]
    assert [note.text for note in notes(bench)] == ["one"]
    back = bring_back(bench, 1, known_as=NAME + "2")
    assert [event.uid for event in bring_back(bench, 1, known_as=NAME + "2").gone] == [
        event.uid for event in back.gone
    ]
    assert [note.text for note in notes(bench)] == ["one", "two"]


def notes(bench: Bench) -> list[bodies.Note]:
    from benchwright.jobs.history import standing

    return [e.body for e in standing(bench.events(1)) if isinstance(e.body, bodies.Note)]


def test_every_kind_of_deed_may_have_a_name(bench: Bench) -> None:
    """Jobs, files and stock as well."""
    jobs = [bench.new_job("Grey one", "EUR", bodies.Symptom(text="dead"), known_as=NAME) for _ in range(2)]
    assert jobs == [2, 2]
    assert [line.number for line in bench.jobs()].count(2) == 1
    files = [bench.attach(1, b"photo", "a.png", "image/png", known_as=NAME + "f") for _ in range(2)]
    assert files[0] == files[1]
    wanted = bodies.StockReceived(lot="", kind="4116 150 ns", quantity=2)
    lots = [bench.receive(wanted, known_as=NAME + "s") for _ in range(2)]
    assert lots[0] == lots[1]
    assert len(bench.stock()) == 1
    gone = [take_back_stock(bench, known_as=NAME + "u") for _ in range(2)]
    assert [event.uid for event in gone[0]] == [event.uid for event in gone[1]] == [lots[0][0].uid]
    assert not bench.stock()


def test_two_who_send_at_once_record_once(bench: Bench) -> None:
    """The name is looked up where nobody else can write."""
    start = threading.Barrier(4)

    def send() -> None:
        start.wait()
        bench.record(1, bodies.Time(minutes=10), known_as=NAME)

    threads = [threading.Thread(target=send) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert bench.job(1).minutes == 10


@given(sent=st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), max_size=12))
def test_repeats_change_nothing(
    tmp_path_factory: pytest.TempPathFactory, sent: list[tuple[int, int]]
) -> None:
    """Whatever is sent, however often: the history is that of the first time each was sent."""
    once, often = (open_bench(tmp_path_factory.mktemp("bench") / "b") for _ in range(2))
    for bench in (once, often):
        bench.new_job("Brown one", "EUR")
    seen = set()
    for name, line in sent:
        key = f"{name} {line}"
        log_lines(often, 1, [LINES[line]], known_as=key)
        if key not in seen:
            log_lines(once, 1, [LINES[line]], known_as=key)
            seen.add(key)
    assert [event.body for event in often.events(1)] == [event.body for event in once.events(1)]
    once.close()
    often.close()


def test_what_changed_since_is_told_by_job(bench: Bench) -> None:
    """None is the stock."""
    bench.new_job("Grey one", "EUR")
    before = bench.newest()
    assert bench.changed_since(before) == []
    log_lines(bench, 2, ["note hot"])
    bench.receive(bodies.StockReceived(lot="a", kind="valve", quantity=1))
    assert set(bench.changed_since(before)) == {2, None}
    assert bench.newest() == before + 2
