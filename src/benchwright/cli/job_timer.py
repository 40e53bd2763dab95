"""`benchwright job timer`: start, stop, show."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

from ..jobs.stages import ENDS
from .at_bench import bench_option, opened
from .columns import hanging
from .complete import complete_job
from .job_common import at_option, job_argument, json_option, print_json
from .moments import hours, local, parse_moment

if TYPE_CHECKING:
    from ..jobs import JobState


@click.group()
def timer() -> None:
    """Take the time spent on a job. It runs on, whatever happens to this program.

    By hand: benchwright job log 14 "25 min cleaning"
    """


@timer.command("start")
@job_argument
@at_option
@bench_option
@json_option
def start_command(number: int, when: str | None, where: str | None, as_json: bool) -> None:
    """Start it."""
    from ..jobs.bodies import TimerStarted

    _record(number, TimerStarted(), when, where, as_json)


@timer.command("stop")
@job_argument
@click.option("--note", default="", metavar="TEXT", help="What the time went into.")
@at_option
@bench_option
@json_option
def stop_command(number: int, note: str, when: str | None, where: str | None, as_json: bool) -> None:
    """Stop it; the time goes to the job."""
    from ..jobs.bodies import TimerStopped

    _record(number, TimerStopped(note=note), when, where, as_json)


@timer.command("show")
@click.argument(
    "number", metavar="[JOB]", type=click.IntRange(1), required=False, shell_complete=complete_job
)
@bench_option
@json_option
def show_command(number: int | None, where: str | None, as_json: bool) -> None:
    """Show it: of one job, or every one that runs. Exit code 1 if none runs."""
    with opened(where) as bench:
        numbers = (
            [line.number for line in bench.jobs() if line.stage not in ENDS] if number is None else [number]
        )
        jobs = {n: bench.job(n) for n in numbers}
    running = {n: job for n, job in jobs.items() if job.timer_since is not None}
    shown = jobs if number is not None else running
    if as_json:
        print_json([_json(n, job) for n, job in shown.items()])
    else:
        for n, job in shown.items():
            click.echo(hanging("", f"Job {n}, {job.title}: {_told(job)}"))
        if not shown:
            click.echo("No timer runs.")
    click.get_current_context().exit(0 if running else 1)


def _record(number: int, body: Any, when: str | None, where: str | None, as_json: bool) -> None:
    at = parse_moment(when) if when else None
    with opened(where) as bench:
        from ..jobs import BadEvent

        since = bench.job(number).timer_since
        if since is not None and at is not None and at < since:
            raise BadEvent(f"the timer was started at {local(since)}, after that")
        bench.record(number, body, at=at)
        job = bench.job(number)
    if as_json:
        print_json(_json(number, job))
    else:
        click.echo(hanging("", f"Job {number}, {job.title}: {_told(job)}"))


def _running(job: JobState) -> float:
    assert job.timer_since is not None
    return max(0.0, (datetime.now(UTC) - job.timer_since).total_seconds() / 60)


def _told(job: JobState) -> str:
    total = f"{hours(job.minutes)} recorded"
    if job.timer_since is None:
        return f"the timer does not run; {total}"
    return f"the timer has run for {hours(_running(job))}, since {local(job.timer_since)}; {total}"


def _json(number: int, job: JobState) -> dict[str, Any]:
    from ..jobs.history import to_iso

    since = job.timer_since
    return {
        "job": number, "title": job.title, "running": since is not None,
        "since": None if since is None else to_iso(since),
        "minutes_running": None if since is None else f"{_running(job):.1f}",
        "minutes": f"{job.minutes.normalize():f}",
    }  # fmt: skip
