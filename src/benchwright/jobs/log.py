"""Lines typed as they would be jotted down, recorded in a job; taken back and brought back as whole deeds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from .bodies import AnyBody, BoardState, OpenPoint, PartUsed, State, Undone
from .entry import BadEntry, Desk, Entry, read_lines
from .errors import BadEvent, NoSuchEvent
from .history import Event, last_to_undo, not_superseded, standing, up_to
from .state import JobState, derive
from .stock import lot_for
from .telling import one_deed

if TYPE_CHECKING:
    from .bench import Bench

Change = tuple[AnyBody, datetime | None, str]


@dataclass(frozen=True)
class Logged:
    """What was recorded.

    Attributes
    ----------
    events : list of Event
    before, after : JobState
        The job without it and with it.
    """

    events: list[Event]
    before: JobState
    after: JobState


@dataclass(frozen=True)
class TakenBack:
    """What was taken back, or brought back.

    Attributes
    ----------
    gone : list of Event
        What the deed was about.
    again : list of Event
        What stands again because of it.
    before, after : JobState
    """

    gone: list[Event]
    again: list[Event]
    before: JobState
    after: JobState


def log_lines(
    bench: Bench, number: int, lines: Sequence[str], *, at: datetime | None = None, meter: str = "",
    corrected: int | None = None, functions: Mapping[str, str] | None = None, known_as: str = "",
) -> Logged:  # fmt: skip
    """Record lines as they were typed; all of them or none.

    Parameters
    ----------
    bench : Bench
    number : int
        Of the job.
    lines : sequence of str
        One entry each. If none can be understood on its own and no line has a space, they are taken for the
        words of one line.
    at : datetime, optional
        When it happened; by default now, or when what is corrected happened.
    meter : str
        What it was measured with; kept with readings.
    corrected : int, optional
        Number of the event whose place the (one) line takes.
    functions : mapping of str to str, optional
        What a test may be called, in small letters, and the key of that function.
    known_as : str
        See `Bench.record`: lines that were recorded under this name are not even read again.

    Raises
    ------
    BadEntry
        A line cannot be understood.
    BadEvent
        It makes no sense now.
    NoSuchJob, NoSuchEvent
    """
    job = bench.job(number)
    if known := bench.recorded(known_as):
        return Logged(known, _as_it_was(job, known), job)
    target = None if corrected is None else _event_of(bench, number, corrected)
    state = job.board_state if target is None else _state_before(job.events, target)
    desk = Desk(job if target is None else _without(job, target), state, dict(functions or {}), meter)
    try:
        entries = read_lines(lines, desk)
    except BadEntry:
        if len(lines) < 2 or any(" " in line for line in lines):
            raise
        desk = replace(desk, state=state)
        entries = read_lines([" ".join(lines)], desk)  # the quotes were left out
    if target is not None:
        changes = _correction(job.events, target, entries, at)
        _know_lots(bench, job, entries)
    else:
        changes = _additions(entries, at or datetime.now(UTC))
    events = bench.record_each(number, changes, known_as=known_as)
    return Logged(events, job, bench.job(number))


def take_back(bench: Bench, number: int, why: str = "", *, known_as: str = "") -> TakenBack:
    """Take back the latest deed of a job that stands: all that one line recorded.

    Raises
    ------
    BadEvent
        There is nothing to take back.
    NoSuchJob
    """
    job = bench.job(number)
    if known := bench.recorded(known_as):
        return _repeated(job, known)
    last = last_to_undo(job.events)
    if last is None:
        raise BadEvent(f"job {number}: there is nothing to take back")
    gone = one_deed(job.events, last)
    back = [*reversed(gone), *_dropped(job.events, gone)]
    bench.record_each(number, [(Undone(why=why), None, event.uid) for event in back], known_as=known_as)
    return _taken(gone, job, bench.job(number))


def bring_back(bench: Bench, number: int, *, known_as: str = "") -> TakenBack:
    """Bring back what was taken back last.

    Raises
    ------
    BadEvent
        Nothing was taken back.
    NoSuchJob
    """
    job = bench.job(number)
    if known := bench.recorded(known_as):
        return _repeated(job, known)
    undos = _last_undos(job.events)
    if not undos:
        raise BadEvent(f"job {number}: nothing was taken back")
    bench.record_each(number, [(Undone(), None, undo.uid) for undo in undos], known_as=known_as)
    wanted = {undo.supersedes for undo in undos}
    back = [event for event in job.events if event.uid in wanted]
    return _taken(back, job, bench.job(number))


def _as_it_was(job: JobState, known: Sequence[Event]) -> JobState:
    """The job as it was before something was recorded."""
    return derive(job.uid, up_to(job.events, known[0].number - 1))


def _repeated(job: JobState, known: Sequence[Event]) -> TakenBack:
    """What taking back, or bringing back, did when it was done."""
    by_uid = {event.uid: event for event in job.events}
    before = _as_it_was(job, known)
    after = derive(job.uid, up_to(job.events, known[-1].number))
    back = [by_uid[undo.supersedes] for undo in known]
    undone = [by_uid[event.supersedes] for event in back if event.kind == "undone"]
    gone = [event for event in undone or back if event.kind != "undone"]
    return _taken(sorted(gone, key=lambda event: event.number), before, after)


def _taken(gone: list[Event], before: JobState, after: JobState) -> TakenBack:
    stood = {event.uid for event in (*standing(before.events), *gone)}
    again = [event for event in standing(after.events) if event.uid not in stood]
    return TakenBack(gone, again, before, after)


def _additions(entries: Sequence[Entry], at: datetime) -> list[Change]:
    """One moment for each line, in order: what belongs to one line is known by it."""
    return [
        (body, at + timedelta(microseconds=n), "") for n, entry in enumerate(entries) for body in entry.said
    ]


def _event_of(bench: Bench, number: int, wanted: int) -> Event:
    """The event of that number in a job, if it can be corrected."""
    events = bench.events(number)
    target = next((event for event in events if event.number == wanted), None)
    if target is None:
        raise NoSuchEvent(f"job {number} has no event {wanted}: `benchwright job show {number}` lists them")
    if target not in standing(events):
        later = [event.number for event in events if event.supersedes == target.uid]
        taken = f": event {later[-1]} took its place" if later else ""
        raise NoSuchEvent(f"event {wanted} no longer stands{taken}")
    if target.kind in ("opened", "identity", "taken-in"):
        raise NoSuchEvent(f"event {wanted} says what the machine is: correct it by `benchwright job set`")
    return target


def _state_before(events: Sequence[Event], target: Event) -> State:
    """What the board was in where an event stands in the history."""
    state = State()
    for event in standing(events):
        if event.uid == target.uid:
            break
        if isinstance(event.body, BoardState):
            state = event.body.state
    return state


def _correction(
    events: Sequence[Event], target: Event, entries: Sequence[Entry], at: datetime | None
) -> list[Change]:
    """The bodies of one line in the place of those of another; what has none to replace is added."""
    if len(entries) != 1:
        raise BadEvent(f"one event is corrected by one line; {len(entries)} were given")
    left = one_deed(events, target)
    when = at or target.at
    changes: list[Change] = []
    said = list(entries[0].said)
    for body in said:
        old = next((event for event in left if type(event.body) is type(body)), None)
        if old is None and body is said[0]:
            old = next((event for event in left if event.uid == target.uid), None)
        if old is not None:
            left.remove(old)
        changes.append((body, when, "" if old is None else old.uid))
    gone: list[Change] = [
        (Undone(why="corrected"), None, old.uid) for event in left for old in with_corrected(events, event)
    ]
    return gone + changes


def with_corrected(events: Sequence[Event], event: Event) -> list[Event]:
    """An event and those in whose place it stands, which would stand again without it."""
    by_uid = {one.uid: one for one in events}
    chain = [event]
    while (old := by_uid.get(chain[-1].supersedes)) is not None:
        chain.append(old)
    return chain


def _without(job: JobState, target: Event) -> JobState:
    """The job without the event to correct, so that what takes its place does not meet it."""
    if isinstance(target.body, OpenPoint):
        return job  # its number goes on
    last = job.events[-1]
    gone = [
        Event(last.number + n, f"without {n}", job.uid, last.at, last.recorded, old.uid, Undone())
        for n, old in enumerate(with_corrected(job.events, target), start=1)
    ]
    return derive(job.uid, [*job.events, *gone])


def _together(events: Sequence[Event], one: Event) -> list[Event]:
    """What was recorded in one breath with an event, that one among them."""
    at = events.index(one)
    first, end = at, at + 1
    while first and events[first - 1].recorded == one.recorded:
        first -= 1
    while end < len(events) and events[end].recorded == one.recorded:
        end += 1
    return list(events[first:end])


def _dropped(events: Sequence[Event], gone: Sequence[Event]) -> list[Event]:
    """What a correction took back because its line no longer said it: the latest first."""
    if not any(event.supersedes for event in gone):
        return []
    kept = {event.uid for event in not_superseded(events)}
    first = min(gone, key=lambda event: event.number)
    together = [event for event in _together(events, first) if event.number < first.number]
    return [event for event in reversed(together) if event.kind == "undone" and event.uid in kept]


def _know_lots(bench: Bench, job: JobState, entries: Sequence[Entry]) -> None:
    """What a corrected line takes out of stock must be there under that name."""
    wanted = [body.lot for entry in entries for body in entry.said if isinstance(body, PartUsed)]
    lots = bench.stock() if wanted else {}
    for name in wanted:
        if lot_for(lots, job.uid, name) is None:
            near = ", ".join(sorted(lots)[:8]) or "none yet"
            raise BadEvent(f"there is no lot {name!r} in stock (there are: {near})")


def _last_undos(events: Sequence[Event]) -> list[Event]:
    """The undos of the latest `undo` that stands: of one deed, and of what its correction had dropped.

    What a correction dropped is no such thing, nor what brought something back.
    """
    by_uid = {event.uid: event for event in events}
    kept = [event for event in not_superseded(events) if event.kind == "undone"]
    for last in reversed(kept):
        target = by_uid.get(last.supersedes)
        if target is not None and target.kind == "undone":
            continue
        together = _together(events, last)
        if all(event.kind == "undone" for event in together):
            return [event for event in together if event in kept]
    return []
