"""`benchwright job close` and `job reopen`."""

from __future__ import annotations

from datetime import UTC, datetime

import click

from ..jobs.stages import ENDS
from .at_bench import bench_option, opened
from .columns import hanging
from .job_common import at_option, job_argument, json_option, print_json
from .job_money import statement_json, tell_statement
from .moments import parse_moment


@click.command("close")
@job_argument
@click.argument("outcome", type=click.Choice(ENDS))
@click.option("--for", "price", metavar="AMOUNT", help="What it was sold for: recorded as the sale.")
@click.option("--note", default="", metavar="TEXT")
@at_option
@bench_option
@json_option
def close_command(
    number: int,
    outcome: str,
    price: str | None,
    note: str,
    when: str | None,
    where: str | None,
    as_json: bool,
) -> None:
    """End a job. Money that comes late, notes and files can still be recorded."""
    at = parse_moment(when) if when else datetime.now(UTC)
    if price is not None and outcome != "sold":
        raise click.UsageError("--for is what it was sold for; the outcome is another")
    with opened(where) as bench:
        from ..jobs import bodies
        from ..jobs.entry_money import sold
        from ..jobs.telling import tell

        job = bench.job(number)
        said: list[bodies.AnyBody] = []
        if price is not None:
            said.append(sold(price, job.currency))
        if job.timer_since is not None and job.timer_since <= at:
            said.append(bodies.TimerStopped(note="closed"))
        said.append(bodies.Closed(outcome=outcome, note=note))  # type: ignore[arg-type]
        bench.record(number, *said, at=at)
        job = bench.job(number)
        statement = job.ledger(bench.prices(job)).statement()
    if as_json:
        print_json({"job": number, "stage": job.stage, "money": statement_json(statement)})
        return
    click.echo(hanging("", f"Job {number}, {job.title}: {'; '.join(tell(body) for body in said)}"))
    if job.open_points:
        points = "; ".join(point.text for point in job.open_points)
        click.echo(hanging("  still open: ", points))
    tell_statement(statement, job)


@click.command("reopen")
@job_argument
@click.option("--note", default="", metavar="TEXT", help="Why.")
@bench_option
@json_option
def reopen_command(number: int, note: str, where: str | None, as_json: bool) -> None:
    """Go on with a job that was closed."""
    with opened(where) as bench:
        from ..jobs import bodies

        bench.record(number, bodies.Reopened(note=note))
        job = bench.job(number)
    if as_json:
        print_json({"job": number, "stage": job.stage})
        return
    click.echo(f"Job {number}, {job.title}: open again ({job.stage})")
