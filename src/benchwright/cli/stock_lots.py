"""`benchwright stock` add, donor, count, move, list, undo: what is in the drawers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

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
)
from .stock_common import lot_json, record_of_lot, told_lot

if TYPE_CHECKING:
    from ..jobs import Bench
    from ..jobs.bodies import Price, StockReceived
    from ..jobs.stock import Lot


def _lot_options(command: Any) -> Any:
    for option in reversed((
        click.option("--lot", metavar="NAME", help="Name of the lot.  [default: its kind and a number]"),
        click.option("--value", default="", metavar="TEXT", help="150 ns, 100 uF 25 V ..."),
        click.option("--where", "place", default="", metavar="TEXT", help="Which drawer or box."),
        click.option("--replaces", multiple=True, metavar="KIND",
                     help="Another kind that it can stand in for. Repeat it."),
    )):  # fmt: skip
        command = option(command)
    return command


@click.command("add")
@click.argument("kind")
@click.argument("quantity", type=click.IntRange(1, MOST_PARTS), default=1)
@_lot_options
@click.option("--price", metavar="AMOUNT", help="For one: 2.50, or '2.50 GBP'.")
@click.option("--exchange", metavar="RATE", help="What one of that currency is in the jobs' currency.")
@click.option("--condition", default="new", show_default=True, metavar="TEXT", help="New, used, untested ...")
@click.option("--source", default="", metavar="TEXT", help="Where they came from.")
@bench_option
@json_option
def add_command(
    kind: str,
    quantity: int,
    lot: str | None,
    value: str,
    place: str,
    replaces: tuple[str, ...],
    price: str | None,
    exchange: str | None,
    condition: str,
    source: str,
    where: str | None,
    as_json: bool,
) -> None:
    """Put QUANTITY parts of a KIND into stock.

    \b
    benchwright stock add 4116 8 --value "150 ns" --price 2.50 --where "drawer 3"
    """
    with opened(where, create=True) as bench:
        from ..jobs import bodies
        from ..jobs.stock_deeds import received

        body = bodies.StockReceived(
            lot=_given_name(lot), kind=kind, quantity=quantity, value=value,
            condition=condition, source=source, price=_price(bench, price, exchange), where=place,
            replaces=replaces,
        )  # fmt: skip
        _tell_lots(bench, received(bench.receive(body)), as_json)


@click.command("donor")
@job_argument
@click.argument("parts", nargs=-1, required=True, metavar="PARTS...")
@click.option("--where", "place", default="", metavar="TEXT", help="Which drawer or box.")
@click.option("--condition", default="used", show_default=True, metavar="TEXT")
@bench_option
@json_option
def donor_command(
    number: int, parts: tuple[str, ...], place: str, condition: str, where: str | None, as_json: bool
) -> None:
    """Take PARTS out of a machine that is broken for parts, into stock.

    \b
    benchwright stock donor 9 "8 x 4116 150 ns" "2 x 74LS157" --where "box 9"
    """
    with opened(where) as bench:
        from ..jobs.stock_deeds import parts_of_donor, received

        said = parts_of_donor(bench.job(number), number, parts, place, condition)
        _tell_lots(bench, received(bench.receive(*said)), as_json)


@click.command("count")
@lot_argument
@click.argument("quantity", type=click.IntRange(0, MOST_PARTS))
@click.option("--note", default="", metavar="TEXT", help="Why it differs.")
@bench_option
@json_option
def count_command(lot: str, quantity: int, note: str, where: str | None, as_json: bool) -> None:
    """Say how many of a LOT there are, as counted."""
    from ..jobs.bodies import StockCounted

    record_of_lot(None, StockCounted(lot=lot, quantity=quantity, note=note), lot, where, as_json)


@click.command("move")
@lot_argument
@click.argument("place", metavar="WHERE")
@bench_option
@json_option
def move_command(lot: str, place: str, where: str | None, as_json: bool) -> None:
    """Put a LOT into another drawer or box."""
    from ..jobs.bodies import StockMoved

    record_of_lot(None, StockMoved(lot=lot, where=place), lot, where, as_json)


@click.command("list")
@click.argument("about", required=False, metavar="[TEXT]")
@click.option("--all", "every", is_flag=True, help="Lots of which nothing is left as well.")
@bench_option
@json_option
def list_command(about: str | None, every: bool, where: str | None, as_json: bool) -> None:
    """What is in stock: all, or where TEXT is in kind, value, lot, place or source.

    Exit code 1 if a TEXT was given and nothing is found.
    """
    with opened(where) as bench:
        lots = bench.stock()
        numbers = bench.numbers()
    from ..jobs.stock_deeds import lots_like

    shown = lots_like(lots, about or "", every=every)
    if as_json:
        print_json([lot_json(lot, numbers) for lot in shown])
    elif shown:
        rows = [
            (
                lot.lot, f"{lot.kind} {lot.value}".strip(), str(lot.on_hand),
                str(lot.free) if lot.reserved else "", _kept_for(lot, numbers),
                f"{lot.price.value:f} {lot.price.currency}" if lot.price else "",
                "" if lot.condition == "new" else lot.condition, lot.where,
            )
            for lot in shown
        ]  # fmt: skip
        heads = ("Lot", "What", "Here", "Free", "For job", "Each", "Condition", "Where")
        click.echo(table(heads, rows, flex=(1, 6, 7), right=(2, 3, 5)))
    else:
        click.echo("Nothing in stock" + (f" is like {about!r}." if about else " yet."))
    click.get_current_context().exit(1 if about and not shown else 0)


@click.command("undo")
@click.option("--why", default="", metavar="TEXT")
@bench_option
@json_option
def undo_command(why: str, where: str | None, as_json: bool) -> None:
    """Take back the last add, donor, count or move. (What a job used: `benchwright job undo JOB`.)"""
    with opened(where) as bench:
        from ..jobs.stock_deeds import take_back
        from ..jobs.telling import tell

        gone = take_back(bench, why)
    if as_json:
        print_json({"taken back": [event_json(event) for event in gone]})
    else:
        for event in reversed(gone):
            click.echo(hanging("Taken back: ", tell(event.body)))


def _tell_lots(bench: Bench, said: list[StockReceived], as_json: bool) -> None:
    lots, numbers = bench.stock(), bench.numbers()
    if as_json:
        print_json([lot_json(lots[body.lot], numbers) for body in said])
        return
    for body in said:
        click.echo(hanging("", f"+{body.quantity}  {told_lot(lots[body.lot])}"))


def _given_name(lot: str | None) -> str:
    """The name given; none where the bench is to choose one."""
    if lot is not None and not lot.strip():
        raise click.UsageError("--lot: the name is empty")
    return lot or ""


def _price(bench: Bench, text: str | None, exchange: str | None) -> Price | None:
    """The price of one, in the currency written or that of the latest job."""
    if text is None:
        return None
    from ..jobs.errors import BadEvent
    from ..jobs.stock_deeds import price_each, usual_currency
    from ..money import parse_amount

    own = usual_currency(bench)
    amount = parse_amount(text, own)
    rate = exchange_rate(exchange)
    try:
        return price_each(amount, own, rate)
    except BadEvent as problem:
        raise click.UsageError(f"--price {problem}") from None


def _kept_for(lot: Lot, numbers: dict[str, int]) -> str:
    from ..jobs.stock_deeds import kept_for

    return ", ".join(f"{job or '?'}: {quantity}" for job, quantity in kept_for(lot, numbers))
