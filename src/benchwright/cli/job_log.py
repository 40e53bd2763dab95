"""`benchwright job log`, `undo` and `redo`."""

from __future__ import annotations

import sys
from collections.abc import Sequence
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
    from ..jobs import Event, JobState
    from ..jobs.log import TakenBack


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
        from ..jobs.entry import BadEntry
        from ..jobs.log import log_lines

        try:
            done = log_lines(
                bench, number, typed, at=at, meter=meter, corrected=corrected, functions=_functions(typed)
            )
        except BadEntry as problem:
            hint = "`benchwright job log --help` shows what can be typed"
            click.echo(f"benchwright: {problem}\n({hint})", err=True)
            sys.exit(2)
        _answer(number, done.after, done.events, done.before, as_json)
        if not as_json and done.after.wanted:
            tell_still_wanted(done.after, bench.stock(), [event.body for event in done.events])


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
    from ..sheets.condition import names_of_functions

    return names_of_functions()


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
        from ..jobs.log import take_back

        _tell_back("Taken back", "taken_back", number, take_back(bench, number, why), as_json)


@click.command("redo")
@job_argument
@bench_option
@json_option
def redo_command(number: int, where: str | None, as_json: bool) -> None:
    """Bring back what was taken back last."""
    with opened(where) as bench:
        from ..jobs.log import bring_back

        _tell_back("Brought back", "brought_back", number, bring_back(bench, number), as_json)


def _tell_back(head: str, key: str, number: int, done: TakenBack, as_json: bool) -> None:
    """What was taken or brought back, and what stands again because of it."""
    from ..jobs.telling import tell_state

    if as_json:
        print_json(
            {
                "job": number,
                key: [event_json(event) for event in done.gone],
                "stands_again": [event_json(event) for event in done.again],
            }
        )
        return
    job = done.after
    click.echo(hanging("", f"{head} in job {number}, {job.title}:"))
    print_events(_told(job, done.gone))
    if done.again:
        click.echo("So this stands again:")
        print_events(_told(job, done.again))
    if job.board_state != done.before.board_state:
        click.echo(f"The board is now: {tell_state(job.board_state)}.")
