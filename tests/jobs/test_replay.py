"""A job's readings and the fault finder: the same as feeding it by hand, at any moment of the job."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from benchwright import FaultFinder, Reading
from benchwright.board import Board
from benchwright.board.board_file import write_board_file
from benchwright.circuit import BoardState
from benchwright.demo import fulmar65
from benchwright.demo.tour import investigate, units
from benchwright.errors import BadFile
from benchwright.jobs import Bench, bodies, open_bench
from benchwright.jobs.evidence import in_words, pieces, replay, story
from benchwright.jobs.kept_board import NoBoard, board_of
from random_boards import random_board


@cache
def small() -> Board:
    return random_board(11, chips=6, nets=24, passives=12)


@cache
def demo_board() -> Board:
    return fulmar65.board()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with open_bench(tmp_path / "bench") as made:
        yield made


def begin(bench: Bench, board: Board, *first: bodies.AnyBody) -> int:
    identity = bodies.Identity(board_file="board.toml", board_text=write_board_file(board))
    return bench.new_job("a machine", "EUR", identity, *first)


def kept(reading: Reading) -> bodies.Reading:
    state = bodies.State(reading.power, tuple(reading.removed))
    return bodies.Reading(
        entry="as typed", quantity=reading.quantity, a=reading.a, b=reading.b, value=str(reading.value),
        state=state, note=reading.note, good_unit=reading.good_unit,
    )  # fmt: skip


def signal_nets(board: Board) -> list[str]:
    return [
        n for n, pins in board.nets.items() if len(pins) >= 3 and n != board.ground and n not in board.rails
    ]


@cache
def some_readings() -> tuple[Reading, ...]:
    """An open line, a good unit's reading, a look, a symptom, and one reading that fights the others."""
    board = small()
    one, two, three = signal_nets(board)[:3]
    a, b, c = map(str, board.nets[one][:3])
    return (
        Reading("symptom", value="no picture", power=True),
        Reading("resistance", a, b, "OL"),
        Reading("resistance", b, c, "0.4"),
        Reading("look", board.nets[one][0].ref, value="nothing"),
        Reading("resistance", str(board.nets[two][0]), "GND", "22k", good_unit=True),
        Reading("resistance", str(board.nets[two][0]), "GND", "21k"),
        Reading("resistance", str(board.nets[three][0]), "GND", "1.5"),
        Reading("resistance", str(board.nets[three][1]), "GND", "30k", removed=("U1",)),
    )  # fmt: skip


def by_hand(board: Board, readings: Sequence[Reading]) -> FaultFinder:
    finder = FaultFinder(board)
    for reading in readings:
        finder.record(reading)
    return finder


def told(finder: FaultFinder) -> dict[str, Any]:
    """All that a finder answers, to the last digit."""
    return {
        "suspects": finder.suspects(12), "none": finder.none_of_these,
        "odd": [why for _, why in finder.odd_readings()], "state": finder.state,
    }  # fmt: skip


def of_job(bench: Bench, job: int, moment: int | None = None) -> FaultFinder:
    state = bench.job(job, moment)
    return replay(state, board_of(bench.job(job), job))[0]


def test_a_job_on_the_demo_board_says_what_the_finder_says(bench: Bench) -> None:
    """Suspects, next checks, odd readings and advice are those of the finder fed by hand."""
    unit = units(demo_board())[0]
    finder, steps = investigate(demo_board(), unit)
    list(itertools.islice(steps, 6))
    board = demo_board()
    job = begin(bench, board, *(bodies.Symptom(text=text) for text in unit.symptoms))
    taken = [reading for reading in finder.readings if reading.quantity != "symptom"]
    bench.record(job, *map(kept, taken))
    hand = by_hand(board_of(bench.job(job), job), finder.readings)
    assert len(taken) >= 5
    replayed = of_job(bench, job)
    assert told(replayed) == told(hand)
    assert replayed.next_checks(5) == hand.next_checks(5)
    assert replayed.advice() == hand.advice()
    # The board kept with the job is as good as the one it was written from.
    first = by_hand(board, finder.readings).suspects(3)
    assert [s.text for s in first] == [s.text for s in replayed.suspects(3)]
    assert [s.probability for s in first] == pytest.approx([s.probability for s in replayed.suspects(3)])


def test_at_every_moment_as_with_the_readings_up_to_there(bench: Bench) -> None:
    """A job looked at as of any event knows what was recorded by then, and no more."""
    job = begin(bench, small())
    numbers = [bench.record(job, kept(reading))[0].number for reading in some_readings()]
    bench.record(job, bodies.Note(text="tea"))
    for count, number in enumerate(numbers, start=1):
        hand = by_hand(small(), some_readings()[:count])
        assert told(of_job(bench, job, number)) == told(hand), f"as of reading {count}"
    assert told(of_job(bench, job, numbers[0] - 1)) == told(FaultFinder(small()))


def test_a_corrected_reading_counts_as_corrected_where_it_stood(bench: Bench) -> None:
    """A correction takes the old reading's place; before it was made, the old one counts."""
    job = begin(bench, small())
    events = bench.record(job, *map(kept, some_readings()))
    right = Reading("resistance", some_readings()[6].a, "GND", "31k")
    fixed = bench.record(job, kept(right), supersedes=events[6].uid)[0]
    corrected = [*some_readings()[:6], right, some_readings()[7]]
    assert told(of_job(bench, job)) == told(by_hand(small(), corrected))
    assert told(of_job(bench, job, fixed.number - 1)) == told(by_hand(small(), some_readings()))
    bench.undo(job)
    assert told(of_job(bench, job)) == told(by_hand(small(), some_readings()))


def test_undo_and_redo_of_a_reading(bench: Bench) -> None:
    """What was taken back does not count; brought back, it does."""
    job = begin(bench, small())
    for reading in some_readings():
        bench.record(job, kept(reading))
    bench.undo(job)
    bench.undo(job)
    assert told(of_job(bench, job)) == told(by_hand(small(), some_readings()[:-2]))
    bench.redo(job)
    assert told(of_job(bench, job)) == told(by_hand(small(), some_readings()[:-1]))


def test_what_was_done_counts_once(bench: Bench) -> None:
    """A deed moves the finder, whether recorded alone or with a reading of its own for the finder."""
    ref = small().nets[signal_nets(small())[0]][0].ref
    hand = by_hand(small(), [*some_readings()[:4], Reading("reflowed", ref), some_readings()[7]])
    there = bodies.Reading(entry="", quantity="reflowed", a=ref)
    deed = bodies.Action(deed="reflowed", where=ref.lower())
    for said in ((deed,), (deed, there), (there,)):
        job = begin(bench, small())
        bench.record(job, *map(kept, some_readings()[:4]))
        bench.record(job, *said)
        bench.record(job, bodies.Action(deed="adjusted", where="the picture"), kept(some_readings()[7]))
        assert told(of_job(bench, job)) == told(hand)


def test_a_symptom_declared_and_seen_is_one_symptom(bench: Bench) -> None:
    """The seller's word and the bench's own look are no two readings; after a deed it counts anew."""
    seen = bodies.Reading(entry="", quantity="symptom", value="shows no picture")
    job = begin(bench, small(), bodies.Symptom(text="no picture"), bodies.Symptom(text="sticky keys, rust"))
    bench.record(job, seen)
    found = pieces(bench.job(job).events, small())
    assert [piece.reading is not None for piece in found] == [True, False, False]
    assert "not a symptom" in found[1].problem
    assert "once already" in found[2].problem
    bench.record(job, bodies.Action(deed="replaced", where="U1"), seen)
    assert sum(piece.reading is not None for piece in pieces(bench.job(job).events, small())) == 3


def test_the_state_the_board_was_put_in(bench: Bench) -> None:
    """Checks are proposed from the state told last: by an event of its own, or by a measurement."""
    job = begin(bench, small())
    net = small().nets[signal_nets(small())[0]]
    bench.record(job, kept(Reading("voltage", str(net[0]), "GND", "2.1", power=True)))
    assert of_job(bench, job).state == BoardState.of(True)
    bench.record(job, bodies.BoardState(state=bodies.State(False, ("U2",))))
    assert of_job(bench, job).state == BoardState.of(False, ["U2"])
    bench.record(job, kept(Reading("look", "U1", value="nothing")))
    assert of_job(bench, job).state == BoardState.of(False, ["U2"])
    bench.record(job, kept(Reading("resistance", str(net[0]), str(net[1]), "0.3")))
    assert of_job(bench, job).state == BoardState()


def test_what_cannot_be_used_is_named_and_the_rest_counts(bench: Bench) -> None:
    """Points that the board has not, deeds that name no part, states with strange parts: each is told of."""
    job = begin(bench, small())
    strange = Reading("resistance", "U99.1", "GND", "3k")
    odd = bench.record(
        job, kept(strange), bodies.Action(deed="cleaned", where=""),
        bodies.Action(deed="replaced", where="U99"), bodies.BoardState(state=bodies.State(False, ("U99",))),
    )  # fmt: skip
    bench.record(job, *map(kept, some_readings()))
    finder, found = replay(bench.job(job), small())
    assert told(finder) == told(by_hand(small(), some_readings()))
    assert [piece.event.number for piece in found if piece.problem] == [event.number for event in odd]
    assert all("U99" in piece.problem for piece in (found[0], found[2], found[3]))


def test_a_job_without_a_board_says_what_is_missing(bench: Bench) -> None:
    """It says what to do and what works without; a file that is no board is named."""
    job = bench.new_job("a machine", "EUR", kept(some_readings()[1]))
    with pytest.raises(NoBoard, match=r"its 1 reading cannot .* job set 1 --board FILE"):
        board_of(bench.job(job), job)
    bench.record(job, bodies.Identity(board_file="heron.toml", board_text="[board\n"))
    with pytest.raises(BadFile, match=r"the board kept with job 1 \(heron.toml\), line 1: this is not TOML"):
        board_of(bench.job(job), job)


# -- what changed our mind -------------------------------------------------------------------------------


def test_the_history_of_a_belief_is_that_of_the_finder(bench: Bench) -> None:
    """Each step's probabilities are the finder's before and after it; turns name the strongest evidence."""
    job = begin(bench, small())
    numbers = [bench.record(job, kept(reading))[0].number for reading in some_readings()]
    made = story(bench.job(job), small(), top=4)
    assert [step.event.number for step in made.steps] == numbers
    hand = FaultFinder(small())
    seen: dict[int, list[tuple[float, int]]] = {}
    for reading, step in zip(some_readings(), made.steps, strict=True):
        before, _, none_before = hand.place_chances()
        hand.record(reading)
        after, _, none = hand.place_chances()
        assert (step.none_before, step.none_after) == (none_before, none)
        assert step.nats >= 0
        for move in step.moves:
            assert (move.before, move.after) == (before[move.place], after[move.place])
        for turn in made.turns:
            odds = [math.log(p / (1 - p)) for p in (before[turn.place], after[turn.place])]
            seen.setdefault(turn.place, []).append((odds[1] - odds[0], step.event.number))
    for turn in made.turns:
        for one, best in ((turn.raised, max(seen[turn.place])), (turn.lowered, min(seen[turn.place]))):
            if one is not None:
                assert (one[1].nats, one[0].number) == (pytest.approx(best[0], rel=1e-6), best[1])
    leader = hand.suspects(1)[0]
    assert made.turns[0].last == leader.probability
    assert leader.text.startswith(made.texts[made.turns[0].place])
    assert made.turns[0].raised is not None
    assert made.turns[0].raised[0].number in (numbers[1], numbers[2])


def test_a_job_without_evidence_has_no_history_of_belief(bench: Bench) -> None:
    """Nothing was said, so nothing moved."""
    job = begin(bench, small())
    made = story(bench.job(job), small())
    assert made.steps == ()
    assert told(made.finder) == told(FaultFinder(small()))


@pytest.mark.parametrize(
    ("nats", "words"),
    [
        (0.05, "hardly moved"), (math.log(2), "2.0 times likelier"), (-math.log(20), "20 times less likely"),
        (math.log(4321), "over 1,000 times likelier"), (90.0, "over 10,000,000,000,000 times likelier"),
    ],
)  # fmt: skip
def test_nats_in_words(nats: float, words: str) -> None:
    """A nat is the natural logarithm of a factor on the odds."""
    assert in_words(nats) == words
