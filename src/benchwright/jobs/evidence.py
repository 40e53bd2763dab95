"""A job's readings and the fault finder: what they mean at any moment, and what changed our mind.

All that stands is taken in the order of the history: what the machine shows, readings, and what was done to
the board. A deed that is recorded with a reading of its own for the finder counts once.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..board import Board
from ..board.blocks import match_symptom
from ..circuit import BoardState, Meter
from ..errors import BadReading, UnknownName
from ..faults.learned_rates import Key
from ..finding import FaultFinder, Reading
from ..finding.finder import METER_AND_EYES
from ..finding.reading import EVENTS, understand
from . import bodies
from .entry_plain import REF
from .history import Event, standing
from .state import JobState

Floats = NDArray[np.float64]

NO_STATE = ("look", "smell", "symptom", *EVENTS)
"""Readings that say nothing of the state the board is in."""
NAMES_NO_PART = "it names no part, so the fault finder cannot tell what it cures"
LEAST = 0.01
"""A suspect below this before and after a reading is not told of."""
_FLOOR = 1e-9
"""Chances nearer to 0 or 1 than this are taken as this, so that nats stay finite."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One event of a job that the finder may take in.

    Attributes
    ----------
    event : Event
    reading : Reading or None
        What it tells the finder; None where it says nothing or cannot be used.
    state : BoardState or None
        The state the board was put in, where that is what the event says.
    problem : str
        Why it cannot be used; empty if it can.
    """

    event: Event
    reading: Reading | None = None
    state: BoardState | None = None
    problem: str = ""


def pieces(events: Sequence[Event], board: Board) -> list[Piece]:
    """What a job tells the fault finder, in the order of its history.

    Parameters
    ----------
    events : sequence of Event
        All of the job up to some moment, in the order of their numbers.
    board : Board

    Returns
    -------
    list of Piece
        Without events that are no evidence: notes, money, parts.
    """
    found = []
    kept = standing(events)
    declared: set[str] = set()
    for event, after in zip(kept, [*kept[1:], None], strict=True):
        body = event.body
        if isinstance(body, bodies.BoardState):
            found.append(_board_state(event, body, board))
            continue
        reading, problem = _said(body, after.body if after is not None else None)
        if problem:
            found.append(Piece(event, problem=problem))
        if reading is None:
            continue
        try:
            spot, value = understand(board, reading)
        except (BadReading, UnknownName) as bad:
            wordy = isinstance(body, bodies.Action) and not REF.fullmatch(_ref(body.where))
            found.append(Piece(event, problem=NAMES_NO_PART if wordy else str(bad)))
            continue
        if spot.quantity == "symptom" and value == "yes":
            # What a seller declares and the bench then sees is one symptom, not two.
            again = spot.phrase in declared
            if isinstance(body, bodies.Symptom):
                declared.add(spot.phrase)
            if again:
                found.append(Piece(event, problem="this symptom is counted once already"))
                continue
        elif spot.quantity in EVENTS:
            declared.clear()
        found.append(Piece(event, reading))
    return found


def _said(body: bodies.AnyBody, after: bodies.AnyBody | None) -> tuple[Reading | None, str]:
    """The reading in an event, and why there is none where one could be expected."""
    if isinstance(body, bodies.Reading):
        return reading_of(body), ""
    if isinstance(body, bodies.Symptom):
        if match_symptom(body.text) is None:
            return None, "not a symptom that the fault finder knows"
        return Reading("symptom", value=body.text, power=True), ""
    if isinstance(body, bodies.Action) and body.deed in EVENTS:
        ref = _ref(body.where)
        if isinstance(after, bodies.Reading) and (after.quantity, _ref(after.a)) == (body.deed, ref):
            return None, ""
        if not ref:
            return None, NAMES_NO_PART
        return Reading(body.deed, ref), ""
    return None, ""


def reading_of(body: bodies.Reading) -> Reading:
    """A recorded reading as the fault finder takes it."""
    return Reading(
        body.quantity, body.a, body.b, body.value, body.state.power, body.state.removed, body.note,
        body.good_unit,
    )  # fmt: skip


def _ref(where: str) -> str:
    """The part's reference that a place begins with: "U5.3", "U5 socket"."""
    words = re.split(r"[\s,.]+", where.strip())
    return words[0].upper()


def _board_state(event: Event, body: bodies.BoardState, board: Board) -> Piece:
    try:
        removed = [board.ref(ref) for ref in body.state.removed]
    except UnknownName as bad:
        return Piece(event, problem=str(bad))
    return Piece(event, state=BoardState.of(body.state.power, removed))


class JobFinder(FaultFinder):
    """A fault finder that also knows what state the board was put in since the last reading."""

    told: BoardState | None = None

    @property
    def state(self) -> BoardState:
        """The state the board is in: as told, else that of the last reading."""
        return self.told if self.told is not None else super().state

    def take(self, piece: Piece) -> None:
        """Take in one piece of a job."""
        if piece.state is not None:
            self.told = piece.state
        if piece.reading is not None:
            self.record(piece.reading)
            if self.entries[-1].spot.quantity not in NO_STATE and not piece.reading.good_unit:
                self.told = None


def replay(
    state: JobState,
    board: Board,
    history: Mapping[Key, float] | None = None,
    quantities: Iterable[str] = METER_AND_EYES,
    meter: Meter | None = None,
    progress: Callable[[float], None] = lambda _: None,
) -> tuple[JobFinder, list[Piece]]:
    """The fault finder as it stands with all that a job knows.

    Parameters
    ----------
    state : JobState
        Of any moment.
    board : Board
    history : Mapping of (kind, mode) to float, optional
        Factors on published rates, see `experience`.
    quantities, meter
        See `FaultFinder`.
    progress : callable
        Called with the share done.

    Returns
    -------
    (JobFinder, list of Piece)
        The pieces tell what could not be used, and why.
    """
    finder = JobFinder(board, meter, history, quantities)
    told = pieces(state.events, board)
    for done, piece in enumerate(told):
        progress(done / len(told))
        finder.take(piece)
    progress(1.0)
    return finder, told


# -- what changed our mind -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Move:
    """How one piece of evidence moved one suspect.

    Attributes
    ----------
    place : int
        Number of the suspect's place in `Story.texts`.
    before, after : float
        Probabilities.
    """

    place: int
    before: float
    after: float

    @property
    def nats(self) -> float:
        """Weight of the evidence: change of the logarithm of the odds."""
        return _log_odds(self.after) - _log_odds(self.before)


@dataclass(frozen=True, slots=True)
class Step:
    """One piece of evidence and what it did.

    Attributes
    ----------
    event : Event
    nats : float
        How far belief moved in all: relative entropy of after to before, over places, none of these and
        nothing wrong any more.
    moves : tuple of Move
        The leading suspects before and after, most moved first.
    none_before, none_after : float
        Probability of none of these.
    sound_before, sound_after : float
        Probability that what was done has put everything right.
    """

    event: Event
    nats: float
    moves: tuple[Move, ...]
    none_before: float
    none_after: float
    sound_before: float = 0.0
    sound_after: float = 0.0


@dataclass(frozen=True, slots=True)
class Turn:
    """What made and unmade one suspect.

    Attributes
    ----------
    place : int
    first, last : float
        Probability before all evidence, and by now.
    raised, lowered : (Event, Move) or None
        The evidence that spoke most for it, and most against it.
    """

    place: int
    first: float
    last: float
    raised: tuple[Event, Move] | None
    lowered: tuple[Event, Move] | None


@dataclass(frozen=True)
class Story:
    """The history of a belief.

    Attributes
    ----------
    texts : dict
        Number of each place that is told of: its likeliest fault in words.
    steps : tuple of Step
    turns : tuple of Turn
        For those that lead now, and those that led before, likeliest first.
    """

    finder: JobFinder
    pieces: tuple[Piece, ...]
    texts: dict[int, str]
    steps: tuple[Step, ...]
    turns: tuple[Turn, ...]


def story(
    state: JobState,
    board: Board,
    history: Mapping[Key, float] | None = None,
    quantities: Iterable[str] = METER_AND_EYES,
    meter: Meter | None = None,
    top: int = 3,
    progress: Callable[[float], None] = lambda _: None,
) -> Story:
    """What each piece of a job's evidence did to the leading suspects.

    Parameters
    ----------
    state, board, history, quantities, meter, progress
        See `replay`.
    top : int
        How many leading suspects to follow.
    """
    finder = JobFinder(board, meter, history, quantities)
    told = pieces(state.events, board)
    events: list[Event] = []
    places, _, none = finder.place_chances()
    beliefs = [(places, none)]
    for done, piece in enumerate(told):
        progress(done / len(told))
        finder.take(piece)
        if piece.reading is not None:
            places, _, none = finder.place_chances()
            beliefs.append((places, none))
            events.append(piece.event)
    progress(1.0)
    steps = [
        _step(event, before, after, top)
        for event, before, after in zip(events, beliefs, beliefs[1:], strict=False)
    ]
    leading = set(_leaders(beliefs[-1][0], top))
    leading |= {number for places, _ in beliefs[1:] for number in _leaders(places, 1)}
    turns = [_turn(place, events, beliefs) for place in leading]
    turns.sort(key=lambda turn: (-turn.last, turn.place))
    texts = {move.place: "" for step in steps for move in step.moves} | dict.fromkeys(leading, "")
    chances = finder.place_chances()[1]
    for place in texts:
        members = np.flatnonzero(finder.groups == place)
        texts[place] = finder.faults[int(members[np.argmax(chances[members])])].text
    return Story(finder, tuple(told), texts, tuple(steps), tuple(turns))


def _leaders(places: Floats, top: int) -> list[int]:
    best = np.argsort(places, kind="stable")[::-1][:top]
    return [int(place) for place in best if places[place] >= LEAST]


def _step(event: Event, before: tuple[Floats, float], after: tuple[Floats, float], top: int) -> Step:
    numbers = dict.fromkeys([*_leaders(after[0], top), *_leaders(before[0], top)])
    moves = [Move(place, float(before[0][place]), float(after[0][place])) for place in numbers]
    moves.sort(key=lambda move: -abs(move.nats))
    p, q = (np.append(places, (none, _sound(places, none))) for places, none in (after, before))
    p, q = p / p.sum(), q / q.sum()
    there = p > 0
    nats = float(np.sum(p[there] * np.log(p[there] / np.maximum(q[there], 1e-300))))
    return Step(
        event, max(nats, 0.0), tuple(moves), before[1], after[1], _sound(*before), _sound(*after)
    )  # fmt: skip


def _sound(places: Floats, none: float) -> float:
    """What is left over once something was mended: the chance that nothing is wrong any more."""
    return max(0.0, 1.0 - float(places.sum()) - none)


def _turn(place: int, events: Sequence[Event], beliefs: Sequence[tuple[Floats, float]]) -> Turn:
    chances = [float(places[place]) for places, _ in beliefs]
    moves = [
        (event, Move(place, before, after))
        for event, before, after in zip(events, chances, chances[1:], strict=False)
    ]
    up = max(moves, key=lambda one: one[1].nats, default=None)
    down = min(moves, key=lambda one: one[1].nats, default=None)
    return Turn(
        place, chances[0], chances[-1],
        up if up is not None and up[1].nats > 0.1 else None,
        down if down is not None and down[1].nats < -0.1 else None,
    )  # fmt: skip


def _log_odds(chance: float) -> float:
    kept = min(max(chance, _FLOOR), 1.0 - _FLOOR)
    return math.log(kept) - math.log1p(-kept)


def in_words(nats: float) -> str:
    """A weight of evidence as a person would say it: how its odds changed."""
    times = math.exp(min(abs(nats), 30.0))
    if times < 1.1:
        return "hardly moved"
    if times < 1000:
        size = f"{times:.1f}" if times < 9.95 else f"{times:.0f}"
    else:
        size = f"over {10 ** math.floor(math.log10(times)):,}"
    return f"{size} times likelier" if nats > 0 else f"{size} times less likely"
