"""The stock is worked out once and kept until something is recorded: never an old one, never a shared one."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchwright.jobs import bodies, open_bench
from benchwright.jobs.bench import rederive


def test_it_follows_what_is_recorded_here_and_elsewhere(tmp_path: Path) -> None:
    """By this program, by another at the same records, and by taking back."""
    with open_bench(tmp_path) as here, open_bench(tmp_path) as there:
        job = here.new_job("Kept", "EUR")
        here.receive(bodies.StockReceived(lot="A", kind="4116", quantity=8))
        assert here.stock()["A"].on_hand == there.stock()["A"].on_hand == 8
        there.record(job, bodies.PartUsed(lot="A", quantity=3))
        assert here.stock()["A"].on_hand == there.stock()["A"].on_hand == 5
        here.undo(job)
        assert here.stock()["A"].on_hand == there.stock()["A"].on_hand == 8
        assert not here.shopping()
        there.record(job, bodies.PartWanted(kind="4116", quantity=9))
        assert [one.quantity for one in here.shopping()] == [1]


def test_who_changes_what_was_told_changes_nothing_else(tmp_path: Path) -> None:
    """Each asking gives lots of its own."""
    with open_bench(tmp_path) as bench:
        job = bench.new_job("Kept", "EUR")
        bench.receive(bodies.StockReceived(lot="A", kind="4116", quantity=8))
        bench.record(job, bodies.PartReserved(lot="A", quantity=2))
        told = bench.stock()
        told["A"].on_hand = 0
        told["A"].reserved.clear()
        del told["A"]
        assert (bench.stock()["A"].on_hand, bench.stock()["A"].free) == (8, 6)


def test_what_is_derived_anew_is_told_anew(tmp_path: Path) -> None:
    """A damaged derivation that was mended leaves no old stock behind."""
    with open_bench(tmp_path) as bench:
        bench.receive(bodies.StockReceived(lot="A", kind="4116", quantity=8))
        with bench.place.writing() as connection:
            connection.exec_driver_sql("UPDATE event SET stands = 0")
        assert bench.stock() == {}
        with bench.place.writing() as connection:
            rederive(bench, connection)
        assert bench.stock()["A"].on_hand == 8


@pytest.mark.parametrize("again", [False, True])
def test_a_job_that_is_closed_lets_go_of_its_own_parts_alone(tmp_path: Path, again: bool) -> None:
    """Those set aside for others stay so; taken up again, it has none."""
    with open_bench(tmp_path) as bench:
        one, other = bench.new_job("One", "EUR"), bench.new_job("Other", "EUR")
        for name in ("A", "B"):
            bench.receive(bodies.StockReceived(lot=name, kind="4116", quantity=8))
            for job in (one, other):
                bench.record(job, bodies.PartReserved(lot=name, quantity=2))
        bench.record(one, bodies.Closed(outcome="kept"))
        if again:
            bench.record(one, bodies.Reopened())
        numbers = bench.numbers()
        for lot in bench.stock().values():
            assert {numbers[uid]: quantity for uid, quantity in lot.reserved.items()} == {other: 2}
