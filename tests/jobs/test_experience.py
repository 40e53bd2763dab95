"""What a bench's jobs teach, from their records: nothing counts twice, nothing is dropped in silence."""

from __future__ import annotations

from decimal import Decimal
from functools import cache
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from benchwright.board import Board
from benchwright.board.board_file import write_board_file
from benchwright.faults.learned_rates import Key, model_of, published
from benchwright.faults.universe import rate_key, universe
from benchwright.jobs import Bench, bodies
from benchwright.jobs.bench import JobLine
from benchwright.jobs.experience import Proof, Proved, experience, key_of, learn, past_jobs, proved_jobs
from benchwright.jobs.history import Event
from benchwright.money.troubles import PastJob
from random_boards import random_board


@cache
def small() -> Board:
    return random_board(3, chips=4, nets=16, passives=8).with_(name="Heron", revision="B")


@cache
def text() -> str:
    return write_board_file(small())


@cache
def keys() -> list[Key]:
    return sorted(key for key in published(small()) if key[0])


def proved(key: Key, **more: Any) -> bodies.Confirmed:
    return bodies.Confirmed(part_kind=key[0], mode=key[1], **more)


def machine(bench: Bench, *said: bodies.AnyBody, board: bool = True) -> int:
    identity = (bodies.Identity(board_text=text()),) if board else ()
    return bench.new_job("a machine", "EUR", *identity, *said)


def test_proved_faults_move_the_rates_and_undo_restores_them(bench: Bench) -> None:
    """With each proof its rate rises; each undo brings back exactly what was believed before."""
    job = machine(bench)
    believed = [experience(bench).rates.factors("Heron B")]
    for _ in range(2):
        bench.record(job, proved(keys()[0]))
        believed.append(experience(bench).rates.factors("Heron B"))
    assert believed[0] == {}
    assert 1.0 < believed[1][keys()[0]] < believed[2][keys()[0]]
    bench.undo(job)
    assert experience(bench).rates.factors("Heron B") == believed[1]
    bench.undo(job)
    assert experience(bench).rates.factors("Heron B") == believed[0]
    bench.redo(job)
    assert experience(bench).rates.factors("Heron B") == believed[1]


def test_a_corrected_proof_counts_as_corrected(bench: Bench) -> None:
    """What was proved in error is as if it had never been said."""
    job = machine(bench)
    first = bench.record(job, proved(keys()[0]))[0]
    bench.record(job, proved(keys()[1]), supersedes=first.uid)
    corrected = experience(bench).rates.factors("Heron B")
    bench.undo(job)
    bench.undo(job)
    bench.record(job, proved(keys()[1]))
    assert experience(bench).rates.factors("Heron B") == corrected


def test_a_job_does_not_bear_witness_for_itself(bench: Bench) -> None:
    """What is asked of a job rests on the other jobs alone."""
    one, two = machine(bench, proved(keys()[0])), machine(bench, proved(keys()[1]))
    uid = bench.job(one).uid
    assert [p.uid for p in proved_jobs(bench)] == [uid, bench.job(two).uid]
    without = experience(bench, but=uid)
    assert [(rate.kind, rate.mode) for rate in without.rates.rates()] == [keys()[1]]


def test_jobs_without_a_proof_teach_nothing_and_are_counted(bench: Bench) -> None:
    """A closed job of which no fault was proved leaves all rates as they were."""
    machine(bench, proved(keys()[0]))
    before = experience(bench)
    for _ in range(3):
        bench.record(machine(bench), bodies.Closed(outcome="sold"))
    after = experience(bench)
    assert after.rates.factors("Heron B") == before.rates.factors("Heron B")
    assert (before.unproved, after.unproved) == (0, 3)


def test_what_cannot_be_counted_is_named(bench: Bench) -> None:
    """No board, a kind the board has not, a way in which such a part cannot fail: each with its reason."""
    machine(bench, proved(keys()[0]), board=False)
    machine(bench, bodies.Confirmed(part_kind="valve", mode="gassy"))
    machine(bench, bodies.Confirmed(part_kind=keys()[0][0], mode="melancholy"))
    bench.record(machine(bench, proved(keys()[0])), bodies.Identity(board_text="[board"))
    learnt = experience(bench)
    assert learnt.rates.proved == 0
    reasons = [why for _, why in learnt.left_out]
    for part in (
        "no board is kept",
        "no part of kind valve",
        "cannot be 'melancholy': expected ",
        "is no board",
    ):
        assert sum(part in why for why in reasons) == 1, reasons
    assert len(reasons) == 4


def test_a_job_without_a_board_goes_by_the_model_it_names(bench: Bench) -> None:
    """If another job keeps the board of that name, the proof counts on it."""
    machine(bench, proved(keys()[0]))
    machine(bench, proved(keys()[0], board=" heron  b"), board=False)
    machine(bench, proved(keys()[0], board="Heron"), board=False)
    learnt = experience(bench)
    assert learnt.left_out == ()
    assert [(m.model, m.proved) for m in learnt.rates.machines] == [("Heron B", (keys()[0],))] * 3


def test_proofs_are_understood_as_people_write_them() -> None:
    """Small letters, a place instead of a kind, and bridges, which belong to no part."""
    rates = published(small())
    places = {ref: part.kind for ref, part in small().parts.items()}
    kind, mode = keys()[0]
    ref = next(ref for ref, name in places.items() if name == kind)
    for body in (
        bodies.Confirmed(part_kind=kind.upper(), mode=f" {mode.title()} "),
        bodies.Confirmed(part_kind="", mode=mode, place=f"{ref.lower()}.1"),
    ):
        assert key_of(body, rates, places) == (kind, mode)
    for bridge in (
        bodies.Confirmed(part_kind=kind, mode="bridge"),
        bodies.Confirmed(part_kind="", mode="bridge"),
    ):
        assert key_of(bridge, rates, places) == ("", "bridge")


@given(st.data())
@settings(max_examples=15)
def test_the_order_of_jobs_does_not_matter(data: st.DataObject) -> None:
    """Jobs in any order teach the same, to the last digit."""
    picked = data.draw(st.lists(st.lists(st.sampled_from(keys()), min_size=1, max_size=3), max_size=5))
    jobs = [
        Proved(str(n), text(), [Proof(_event(n), proved(key)) for key in each])
        for n, each in enumerate(picked)
    ]
    first, _ = learn(jobs)
    second, _ = learn(data.draw(st.permutations(jobs)))
    assert first.factors(model_of(small())) == second.factors(model_of(small()))
    assert first.factors() == second.factors()


def _event(number: int) -> Event:
    from datetime import UTC, datetime

    now = datetime(2024, 5, 1, tzinfo=UTC)
    return Event(number, str(number), "", now, now, "", bodies.Note(text="x"))


def _line(uid: str, stage: str, minutes: str) -> JobLine:
    return JobLine(1, uid, "", stage, "", 0, "", "EUR", "0", minutes, "", "")


def test_how_past_jobs_went() -> None:
    """Mended with a proved fault, given up without one; what is neither, or took no time, is left out."""
    lines = [
        _line("a", "sold", "90"), _line("b", "broken for parts", "240"), _line("c", "kept", "30"),
        _line("d", "broken for parts", "60"), _line("e", "sold", "0"), _line("f", "being mended", "60"),
    ]  # fmt: skip
    assert past_jobs(lines, ["a", "d", "e", "f"]) == (PastJob(1.5, True), PastJob(4.0, False))
    assert past_jobs([_line("g", "returned", str(Decimal("100") / 3))], ["g"])[0].mended


def test_a_boards_faults_are_worked_out_once_and_weighing_leaves_them_alone() -> None:
    """The same board gives the same faults; an equal one gives equal faults of its own."""
    board, equal = small(), small().with_(name="Other")
    once = universe(board)
    key = next(rate_key(board, fault) for fault in once)
    weighed = universe(board, {key: 3.0})
    assert universe(board) is once
    assert universe(equal) == once
    for fault, one in zip(once, weighed, strict=True):
        assert one.rate == fault.rate * (3.0 if rate_key(board, fault) == key else 1.0)
