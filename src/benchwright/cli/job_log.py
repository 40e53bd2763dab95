"""`benchwright job log`, `undo` and `redo`."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import click

from .at_bench import bench_option, opened
from .columns import hanging
from .job_common import (
    at_option,
    event_json,
    job_argument,
    json_option,
    print_events,
    print_json,
    tell_still_wanted,
    tell_wanted_change,
)
from .moments import parse_moment

if TYPE_CHECKING:
    from ..jobs import Bench, Event, JobState
    from ..jobs.bodies import AnyBody, State
    from ..jobs.entry import Entry

Change = tuple["AnyBody", datetime | None, str]


def _examples() -> str:
    """The examples, laid out for click, without loading what understands them."""
    return """\b
      U3.14 GND 0R8                        a reading, as for `benchwright find`
      power on, power off, out U7, in U7   the state that what follows is taken in
      look U5 debris                       something seen
      good: U3.14 GND 4k7                  a reading of a known good unit
      cleaned U5, reflowed U5, reseated U5, adjusted RV1: azimuth
      replaced U5 from 4116-1: was dead    with a part out of stock
      changed: composite video out; why no monitor; undo unsolder C9
      removed: eight memories              with a colon; 'done: ...' for anything else
      symptom no picture                   what the machine shows
      note smells of smoke
      25 min cleaning                      time spent; also 1 h 20 min, 1.5 h
      spent 12.50 postage                  also 'spent 5 GBP at 1.17 parts'
      sold 120 EUR, got 5 refund, fee 12%, likely 120 60%
      open: key cap on order               an open point
      done 1                               its end, by its number in `job show`
      test keyboard passed: all keys       passed, failed or not tested
      found shorted 74LS157 U9             a fault that was proved
      found broken track MA5 at R16        the same, where no part is at fault
      want 2 x 4116 150 ns                 parts to get
      used 1 x 4116-1 for U5               parts out of stock
      serial: 004711                       also case:, revision:, rom:, title:
    """


@click.command(
    "log",
    help="Record what was measured, seen, done or spent, as you would jot it down.\n\n"
    "Each LINE is one entry; - reads lines from standard input. All of them are recorded or none, and each "
    "is told back as it was understood.\n\n" + _examples(),
    context_settings={"ignore_unknown_options": True},
)
@job_argument
@click.argument("lines", metavar="LINE...", nargs=-1, required=True)
@at_option
@click.option(
    "--correct", "corrected", type=click.IntRange(1), metavar="EVENT",
    help="The line takes the place of this event, at its time and with the board in its state.",
)  # fmt: skip
@click.option("--meter", metavar="TEXT", default="", help="What it was measured with; kept with readings.")
@bench_option
@json_option
def log_command(
    number: int,
    lines: tuple[str, ...],
    when: str | None,
    corrected: int | None,
    meter: str,
    where: str | None,
    as_json: bool,
) -> None:
    typed = _typed(lines)
    at = parse_moment(when) if when else None
    with opened(where) as bench:
        from ..jobs.entry import BadEntry, Desk, read_lines

        job = bench.job(number)
        target = None if corrected is None else _event_of(bench, number, corrected)
        state = job.board_state if target is None else _state_before(job.events, target)
        desk = Desk(job if target is None else _without(job, target), state, _functions(typed), meter)
        try:
            try:
                entries = read_lines(typed, desk)
            except BadEntry:
                if len(typed) < 2 or any(" " in line for line in typed):
                    raise
                desk = replace(desk, state=state)
                entries = read_lines([" ".join(typed)], desk)  # the quotes were left out
        except BadEntry as problem:
            hint = "`benchwright job log --help` shows what can be typed"
            click.echo(f"benchwright: {problem}\n({hint})", err=True)
            sys.exit(2)
        if target is not None:
            changes = _correction(job.events, target, entries, at)
            _know_lots(bench, job, entries)
        else:
            changes = _additions(entries, at or datetime.now(UTC))
        events = bench.record_each(number, changes)
        after = bench.job(number)
        _answer(number, after, events, job, as_json)
        if not as_json and after.wanted:
            tell_still_wanted(after, bench.stock(), [event.body for event in events])


def _typed(lines: Sequence[str]) -> list[str]:
    """The lines, with those of standard input in the place of -."""
    typed: list[str] = []
    for line in lines:
        typed += (sys.stdin.read() if line == "-" else line).splitlines()
    return typed


def _functions(typed: Sequence[str]) -> dict[str, str]:
    """What a test may be called, for the condition report; looked up only where a test is logged."""
    if not any(line.lstrip().lower().startswith("test") for line in typed):
        return {}
    from ..sheets.condition import all_functions

    return {
        name.lower(): key
        for key, function in all_functions().items()
        for name in (key, key.replace("_", " "), function.name)
    }


def _additions(entries: Sequence[Entry], at: datetime) -> list[Change]:
    """One moment for each line, in order: what belongs to one line is known by it."""
    return [
        (body, at + timedelta(microseconds=n), "") for n, entry in enumerate(entries) for body in entry.said
    ]


def _event_of(bench: Bench, number: int, wanted: int) -> Event:
    """The event of that number in a job, if it can be corrected."""
    from ..jobs import NoSuchEvent
    from ..jobs.history import standing

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
    from ..jobs.bodies import BoardState, State
    from ..jobs.history import standing

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
    from ..jobs.bodies import Undone
    from ..jobs.telling import one_deed

    if len(entries) != 1:
        raise click.UsageError(f"one event is corrected by one line; {len(entries)} were given")
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
        (Undone(why="corrected"), None, old.uid) for event in left for old in _with_corrected(events, event)
    ]
    return gone + changes


def _with_corrected(events: Sequence[Event], event: Event) -> list[Event]:
    """An event and those in whose place it stands, which would stand again without it."""
    by_uid = {one.uid: one for one in events}
    chain = [event]
    while (old := by_uid.get(chain[-1].supersedes)) is not None:
        chain.append(old)
    return chain


def _without(job: JobState, target: Event) -> JobState:
    """The job without the event to correct, so that what takes its place does not meet it."""
    from ..jobs.bodies import OpenPoint, Undone
    from ..jobs.history import Event as Made
    from ..jobs.state import derive

    if isinstance(target.body, OpenPoint):
        return job  # its number goes on
    last = job.events[-1]
    gone = [
        Made(last.number + n, f"without {n}", job.uid, last.at, last.recorded, old.uid, Undone())
        for n, old in enumerate(_with_corrected(job.events, target), start=1)
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
    from ..jobs.history import not_superseded

    if not any(event.supersedes for event in gone):
        return []
    kept = {event.uid for event in not_superseded(events)}
    first = min(gone, key=lambda event: event.number)
    together = [event for event in _together(events, first) if event.number < first.number]
    return [event for event in reversed(together) if event.kind == "undone" and event.uid in kept]


def _know_lots(bench: Bench, job: JobState, entries: Sequence[Entry]) -> None:
    """What a corrected line takes out of stock must be there under that name."""
    from ..jobs import BadEvent
    from ..jobs.bodies import PartUsed
    from ..jobs.stock import lot_for

    wanted = [body.lot for entry in entries for body in entry.said if isinstance(body, PartUsed)]
    lots = bench.stock() if wanted else {}
    for name in wanted:
        if lot_for(lots, job.uid, name) is None:
            near = ", ".join(sorted(lots)[:8]) or "none yet"
            raise BadEvent(f"there is no lot {name!r} in stock (there are: {near})")


def _answer(number: int, job: JobState, events: Sequence[Event], before: JobState, as_json: bool) -> None:
    from ..jobs.telling import tell_state

    if as_json:
        print_json({"job": number, "recorded": [event_json(event) for event in events]})
        return
    click.echo(hanging("", f"Job {number}, {job.title}:"))
    print_events(_told(job, [event for event in events if event.kind != "undone"]))
    tell_wanted_change(before.wanted, job, [event.body for event in events])
    if job.board_state != before.board_state:
        click.echo(f"The board is now: {tell_state(job.board_state)}.")


def _told(job: JobState, events: Sequence[Event]) -> list[tuple[Event, str]]:
    from ..jobs.telling import told_with_points, without_echoes

    return told_with_points(without_echoes(events), {point.event.uid: point.text for point in job.points})


@click.command("undo")
@job_argument
@click.option("--why", default="", metavar="TEXT", help="Kept in the history.")
@bench_option
@json_option
def undo_command(number: int, why: str, where: str | None, as_json: bool) -> None:
    """Take back what was recorded last; again for what was before it.

    Parts that were used go back into stock. The history keeps both.
    """
    with opened(where) as bench:
        from ..jobs import BadEvent
        from ..jobs.bodies import Undone
        from ..jobs.history import last_to_undo
        from ..jobs.telling import one_deed

        job = bench.job(number)
        last = last_to_undo(job.events)
        if last is None:
            raise BadEvent(f"job {number}: there is nothing to take back")
        gone = one_deed(job.events, last)
        back = [*reversed(gone), *_dropped(job.events, gone)]
        bench.record_each(number, [(Undone(why=why), None, event.uid) for event in back])
        _tell_back("Taken back", "taken_back", number, job, bench.job(number), gone, as_json)


@click.command("redo")
@job_argument
@bench_option
@json_option
def redo_command(number: int, where: str | None, as_json: bool) -> None:
    """Bring back what was taken back last."""
    with opened(where) as bench:
        from ..jobs import BadEvent
        from ..jobs.bodies import Undone

        job = bench.job(number)
        undos = _last_undos(job.events)
        if not undos:
            raise BadEvent(f"job {number}: nothing was taken back")
        bench.record_each(number, [(Undone(), None, undo.uid) for undo in undos])
        wanted = {undo.supersedes for undo in undos}
        back = [event for event in job.events if event.uid in wanted]
        _tell_back("Brought back", "brought_back", number, job, bench.job(number), back, as_json)


def _last_undos(events: Sequence[Event]) -> list[Event]:
    """The undos of the latest `undo` that stands: of one deed, and of what its correction had dropped.

    What a correction dropped is no such thing, nor what brought something back.
    """
    from ..jobs.history import not_superseded

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


def _tell_back(
    head: str,
    key: str,
    number: int,
    before: JobState,
    job: JobState,
    events: Sequence[Event],
    as_json: bool,
) -> None:
    """What was taken or brought back, and what stands again because of it."""
    from ..jobs.history import standing
    from ..jobs.telling import tell_state

    stood = {event.uid for event in (*standing(before.events), *events)}
    again = [event for event in standing(job.events) if event.uid not in stood]
    if as_json:
        print_json(
            {
                "job": number,
                key: [event_json(event) for event in events],
                "stands_again": [event_json(event) for event in again],
            }
        )
        return
    click.echo(hanging("", f"{head} in job {number}, {job.title}:"))
    print_events(_told(job, events))
    if again:
        click.echo("So this stands again:")
        print_events(_told(job, again))
    if job.board_state != before.board_state:
        click.echo(f"The board is now: {tell_state(job.board_state)}.")
