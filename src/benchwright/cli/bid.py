"""`benchwright bid`: what a faulty machine is worth."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .boards import board_options
from .progress import progress_bar

if TYPE_CHECKING:
    from ..board import Board
    from ..jobs.bidding import Answer, Asked, Own
    from ..money.bid import Quantiles
    from ..money.history_file import History

_OPTIONS = {
    "working": "--working", "for_parts": "--for-parts", "fees": "--fee", "hourly": "--rate",
    "postage_in": "--postage-in", "postage_out": "--postage-out", "chance_of_loss": "--chance-of-loss",
    "bids": "--bid", "part_prices": "--part-price", "currency": "--currency", "euro": "--euro",
}  # fmt: skip
"""Where each field of what is asked stands on the command line."""


@click.command("bid")
@click.argument(
    "board_path",
    metavar="[BOARD]",
    required=False,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
)
@click.option("--symptom", "symptoms", multiple=True, metavar="TEXT", help="What it shows. Repeat it.")
@click.option(
    "--working",
    "working",
    required=True,
    metavar="PRICE",
    help="What it sells for mended: 120, or 90..150, or 90..120..150 (lowest, likeliest, highest).",
)
@click.option("--for-parts", "for_parts", required=True, metavar="PRICE", help="What its parts bring.")
@click.option(
    "--fee",
    "fees",
    multiple=True,
    metavar="FEE",
    help="Selling fee, in percent (12%) or fixed (0.35). Repeat it.",
)
@click.option(
    "--rate", "hourly", default="0", metavar="PRICE", help="What an hour at the bench is worth: 8/h."
)
@click.option("--postage-in", default="0", metavar="PRICE", help="To get it here, on top of the bid.")
@click.option(
    "--postage-out", default="0", metavar="PRICE", help="To send it, if the buyer does not pay that."
)
@click.option(
    "--chance-of-loss",
    default="20%",
    show_default=True,
    metavar="PERCENT",
    help="How often a loss may happen, hours counted.",
)
@click.option("--bid", "bids", multiple=True, metavar="PRICE", help="Judge this bid. Repeat it.")
@click.option(
    "--part-price",
    "part_prices",
    multiple=True,
    metavar="PART=PRICE",
    help="What a part costs, by its kind or reference: 4164=2.50. Repeat it.",
)
@click.option(
    "--history",
    "history_path",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Your own history, TOML: see docs/bid.md.",
)
@click.option(
    "--bench",
    "where",
    metavar="PATH",
    envvar="BENCHWRIGHT_BENCH",
    help="Use the history in the bench's records: a folder, postgresql+psycopg://..., or `default` for the "
    "platform's data folder. Left out, BENCHWRIGHT_BENCH if that is set, else none.",
)
@click.option(
    "--currency", "code", metavar="CODE", help="EUR, GBP ...; by default that of the working price, or EUR."
)
@click.option(
    "--euro", metavar="RATE", help="What one euro is in that currency: usual part prices are in euro."
)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Same seed, same answer.")
@click.option(
    "--draws",
    type=click.IntRange(100, 2_000_000),
    default=40_000,
    show_default=True,
    help="Make-believe repairs.",
)
@board_options
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def bid(**options: Any) -> None:
    """The most to pay for a faulty machine, and why.

    Without BOARD, for an 8-bit machine of no board in particular. The machine is repaired many times in
    make-believe: the fault is drawn by what fails how often and what the symptoms say, searched for, mended
    if that pays, or the machine is broken for parts.

    Exit code 1 if a --bid is above the most to pay.
    """
    from ..jobs.bidding import BadField, answer

    with progress_bar("repairing in make-believe") as progress:
        try:
            found = answer(*_asked(options), progress=progress)
        except BadField as problem:
            raise click.UsageError(f"{_OPTIONS[problem.field]}: {problem.said}") from None
    if options["as_json"]:
        click.echo(json.dumps(_as_json(found), indent=2))
    else:
        _print(found)
    click.get_current_context().exit(1 if any(one.bid > found.made.most for one in found.made.at) else 0)


# -- what was asked ----------------------------------------------------------------------------------


def _asked(options: dict[str, Any]) -> tuple[Asked, Board, Own, History | None]:
    from ..jobs.bidding import Asked
    from ..money.census import generic_board
    from ..money.history_file import read_history
    from .boards import open_board

    asked = Asked(
        **{name: options[name] for name in ("working", "for_parts", "symptoms", "fees", "hourly",
           "postage_in", "postage_out", "chance_of_loss", "bids", "part_prices", "seed", "draws")},
        currency=options["code"] or "", euro=_given(options["euro"]),
    )  # fmt: skip
    asked.read()  # before a board is read, which may take long
    path = options["board_path"]
    if path is None:
        board = generic_board()
    else:
        board = open_board(path, options["parts"], options["overlay"], options["kind"])
    own = _of_bench(options["where"], board)
    return asked, board, own, read_history(options["history_path"]) if options["history_path"] else None


def _given(text: str | None) -> str:
    """An option's text; one that is empty is no number, and not the same as left out."""
    return "" if text is None else text.strip() or "nothing"


def _of_bench(where: str | None, board: Board) -> Own:
    from ..jobs.bidding import Own

    if where is None or _not_begun(where):
        return Own()
    from .at_bench import opened

    with opened(None if where == "default" else where) as bench:
        return Own.of(bench, board)


def _not_begun(where: str) -> bool:
    """Whether the surroundings name a bench that has no job yet: the first machine is still to be bought."""
    from ..jobs.opening import FILE

    source = click.get_current_context().get_parameter_source("where")
    named = source is click.core.ParameterSource.ENVIRONMENT and "://" not in where
    return named and not (Path(where) / FILE).exists() and not Path(where).is_file()


# -- what is answered --------------------------------------------------------------------------------


def _as_json(found: Answer) -> dict[str, Any]:
    from ..money.words import ENDS, reasons

    made, prices = found.made, found.terms.range

    def spread(values: Quantiles, digits: int) -> dict[str, float]:
        return {
            name: round(value, digits)
            for name, value in (
                ("mean", values.mean), ("one in ten below", values.low), ("half below", values.middle),
                ("one in ten above", values.high),
            )
        }  # fmt: skip

    return {
        "board": found.board,
        "parts": found.parts,
        "symptoms": list(found.symptoms),
        "past jobs": found.past_jobs,
        "proved faults": found.proved_faults,
        "currency": made.currency,
        "working": [f"{one.value:f}" for one in (prices.low, prices.likely, prices.high) if one is not None],
        "seed": made.seed,
        "draws": made.draws,
        "chance of loss": made.chance_of_loss,
        "most to pay": f"{made.most.value:f}",
        "most to pay, 95 % of draws": [f"{made.most_low.value:f}", f"{made.most_high.value:f}"],
        "search at most, minutes, for that chance": round(made.most_limit, 1),
        "nothing left on average at": f"{made.even.value:f}",
        "search at most, minutes": round(made.limit, 1),
        "bids": [
            {
                "bid": f"{one.bid.value:f}", "expected profit": f"{one.expected_profit.value:f}",
                "chance of loss": round(one.chance_of_loss, 6), "plus or minus": round(one.error, 6),
            }
            for one in made.at
        ],
        "ends": [
            {"end": text, "chance": round(float(chance), 6), "plus or minus": round(float(error), 6)}
            for text, chance, error in zip(ENDS, made.ends, made.ends_error, strict=True)
        ],
        "further fault": round(made.more_faults, 6),
        "hours": spread(made.hours, 3),
        "repair cost": spread(made.cost, 2),
        "leaves": spread(made.leaves, 2),
        "groups": [
            {
                "name": one.name, "chance": round(one.chance, 6), "cost each": round(one.cost, 2),
                "share of cost": round(one.share, 6), "mended": round(one.mended, 6),
            }
            for one in made.groups
        ],
        "reasons": list(reasons(made)),
    }  # fmt: skip


def _print(found: Answer) -> None:
    from ..jobs.bidding import told_history, told_terms
    from ..money.words import ENDS, by_cost, percent, reasons

    made = found.made
    shows = "; ".join(found.symptoms) or "it does not work"
    click.echo(f"{found.board}, {found.parts} parts. Said of it: {shows}.")
    click.echo(told_terms(found.terms))
    if history := told_history(found.past_jobs, found.proved_faults):
        click.echo(history)
    click.echo()
    click.echo(
        f"Most to pay: {made.most}, for a loss in at most {100 * made.chance_of_loss:g} % of cases "
        f"({made.most_low.value:f} to {made.most_high.value:f}, with {made.draws} draws)."
    )
    if made.even.value > 0:
        click.echo(f"On average nothing is left at {made.even}.")
    for one in made.at:
        click.echo(
            f"At a bid of {one.bid}: expected profit {one.expected_profit}, a loss in "
            f"{100 * one.chance_of_loss:.1f} % ± {100 * one.error:.1f} % of cases."
        )
    click.echo("\nHow it ends (± is two standard errors):")
    for text, chance, error in zip(ENDS, made.ends, made.ends_error, strict=True):
        if chance > 0:
            click.echo(f"  {100 * chance:5.1f} % ± {100 * error:.1f} %  {text}")
    click.echo(f"\n{'':28}{'1 in 10 below':>14}{'half below':>12}{'1 in 10 above':>15}{'mean':>9}")
    for title, values, digits in (
        ("Hours at the bench", made.hours, 1),
        (f"Repair, hours and parts, {made.currency}", made.cost, 2),
        (f"Leaves, unpaid, {made.currency}", made.leaves, 2),
    ):
        click.echo(
            f"{title:28}{values.low:14.{digits}f}{values.middle:12.{digits}f}{values.high:15.{digits}f}"
            f"{values.mean:9.{digits}f}"
        )
    leading = by_cost(made, 8)
    if leading:
        click.echo("\nWhere the cost of repair goes:")
        click.echo(f"  {'of the cost':>11} {'is the fault':>13} {'costs then':>11} {'mended':>7}")
        for group in leading:
            click.echo(
                f"  {percent(group.share):>11} {percent(group.chance):>13} {group.cost:11.2f} "
                f"{percent(group.mended):>7}  {group.name}"
            )
    click.echo("\nWhy:")
    for text in reasons(made):
        click.echo(f"- {text}")
