"""`benchwright stock` use, reserve, want, shopping: parts for jobs."""

from __future__ import annotations

import click

from .at_bench import bench_option, opened
from .columns import hanging, table
from .job_common import (
    MOST_PARTS,
    event_json,
    exchange_rate,
    job_argument,
    json_option,
    lot_argument,
    print_json,
    tell_wanted_change,
)
from .stock_common import record_of_lot


@click.command("use")
@job_argument
@lot_argument
@click.argument("quantity", type=click.IntRange(1, MOST_PARTS), default=1)
@click.option("--for", "place", default="", metavar="TEXT", help="Where they went: U5.")
@click.option("--exchange", metavar="RATE", help="What one of the lot's currency is in the job's.")
@bench_option
@json_option
def use_command(
    number: int,
    lot: str,
    quantity: int,
    place: str,
    exchange: str | None,
    where: str | None,
    as_json: bool,
) -> None:
    """Use parts of a LOT in a JOB: they leave the stock, and their cost goes to the job.

    `benchwright job undo JOB` gives them back.
    """
    from ..jobs.bodies import PartUsed

    used = PartUsed(lot=lot, quantity=quantity, where=place, rate=exchange_rate(exchange))
    record_of_lot(number, used, lot, where, as_json)


@click.command("reserve")
@job_argument
@lot_argument
@click.argument("quantity", type=click.IntRange(0, MOST_PARTS), default=1)
@bench_option
@json_option
def reserve_command(number: int, lot: str, quantity: int, where: str | None, as_json: bool) -> None:
    """Set parts of a LOT aside for a JOB; 0 lets them go."""
    from ..jobs.bodies import PartReserved

    record_of_lot(number, PartReserved(lot=lot, quantity=quantity), lot, where, as_json)


@click.command("want")
@job_argument
@click.argument("parts", nargs=-1, required=True, metavar="PARTS...")
@bench_option
@json_option
def want_command(number: int, parts: tuple[str, ...], where: str | None, as_json: bool) -> None:
    """Put PARTS that a JOB needs on the shopping list; "0 x ..." takes them off.

    \b
    benchwright stock want 14 "2 x 4116 150 ns" "1 x key cap left shift"
    """
    with opened(where) as bench:
        from ..jobs.entry_deeds import want, wishes_of
        from ..jobs.telling import tell

        before = bench.job(number)
        wishes = wishes_of(before)
        events = bench.record(number, *[want(text, wishes) for text in parts])
        job = bench.job(number)
    if as_json:
        print_json({"job": number, "recorded": [event_json(event) for event in events]})
        return
    click.echo(hanging("", f"Job {number}, {job.title}:"))
    for event in events:
        click.echo(hanging(f"{event.number:6}  ", tell(event.body)))
    tell_wanted_change(before.wanted, job, [event.body for event in events])


@click.command("shopping")
@bench_option
@json_option
def shopping_command(where: str | None, as_json: bool) -> None:
    """What open jobs need and the stock has not."""
    with opened(where) as bench:
        short = bench.shopping()
        numbers = bench.numbers()
    if as_json:
        print_json(
            [
                {"kind": one.kind, "value": one.value, "quantity": one.quantity,
                 "jobs": sorted(numbers[job] for job in one.jobs)}
                for one in short
            ]
        )  # fmt: skip
    elif short:
        rows = [
            (str(one.quantity), f"{one.kind} {one.value}".strip(),
             ", ".join(str(n) for n in sorted(numbers[job] for job in one.jobs)))
            for one in short
        ]  # fmt: skip
        click.echo(table(("Buy", "What", "For job"), rows, flex=(1,), right=(0,)))
    else:
        click.echo("Nothing is short.")
