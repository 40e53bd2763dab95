"""`benchwright bid`: what a faulty machine is worth."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .boards import board_options
from .progress import progress_bar

if TYPE_CHECKING:
    from ..money import Amount, PriceRange
    from ..money.bid import Bid, Quantiles
    from ..money.history_file import History
    from ..money.terms import Terms

_BETWEEN = re.compile(r"\s*(?:\.\.|\u2013|(?<=[\d\s])-|\bto\b)\s*")
_MARKED = re.compile(r"[^\d\s.,'+-]")


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
    from ..money.bid import work_out

    terms = _terms(options)
    chance = float(_percent(options["chance_of_loss"], "--chance-of-loss")) / 100
    bids = tuple(_amount(text, terms.currency, "--bid") for text in options["bids"])
    with progress_bar("repairing in make-believe") as progress:
        troubles, past, about = _troubles(options, terms.currency)
        progress(0.3)
        made = work_out(
            troubles, terms, chance, bids, past, seed=options["seed"], draws=options["draws"],
            progress=lambda done: progress(0.3 + 0.7 * done),
        )  # fmt: skip
    if options["as_json"]:
        click.echo(json.dumps(_as_json(made, about, terms), indent=2))
    else:
        _print(made, about, terms)
    click.get_current_context().exit(1 if any(one.bid > made.most for one in made.at) else 0)


# -- what was asked ----------------------------------------------------------------------------------


def _amount(text: str, code: str, option: str) -> Amount:
    from ..money import BadAmount, parse_amount

    try:
        return parse_amount(text, code)
    except BadAmount as problem:
        raise click.UsageError(f"{option}: {problem}") from None


def _percent(text: str, option: str) -> Decimal:
    from ..money import BadAmount
    from ..money.amount import parse_percent

    try:
        return parse_percent(text)
    except BadAmount as problem:
        raise click.UsageError(f"{option}: {problem}") from None


def _terms(options: dict[str, Any]) -> Terms:
    from ..money import Amount
    from ..money.terms import Terms

    given = options["code"]
    pieces = [piece for piece in _BETWEEN.split(options["working"].strip()) if piece]
    marked = next((piece for piece in pieces if _MARKED.search(piece)), None)
    code = _amount("0", given, "--currency").currency if given else "EUR"
    if marked is not None:
        code = _amount(marked, given, "--working").currency
    hourly = re.sub(r"\s*(?:/|per|an|a)\s*(?:h|hour)\s*$", "", options["hourly"])
    percent, fixed = Decimal(0), Amount.zero(code)
    for fee in options["fees"]:
        if "%" in fee or "percent" in fee:
            percent += _percent(fee, "--fee")
        else:
            fixed += _amount(fee, code, "--fee")
    return Terms(
        working=_working(pieces, code),
        parts=_amount(options["for_parts"], code, "--for-parts"),
        fee_percent=percent,
        fee_fixed=fixed,
        hourly=_amount(hourly, code, "--rate"),
        postage_in=_amount(options["postage_in"], code, "--postage-in"),
        postage_out=_amount(options["postage_out"], code, "--postage-out"),
    )


def _working(pieces: list[str], code: str) -> PriceRange:
    from ..money import BadAccount, PriceRange

    prices = [_amount(piece, code, "--working") for piece in pieces]
    if not 1 <= len(prices) <= 3:
        raise click.UsageError("--working: expected a price such as 120, 90..150 or 90..120..150")
    try:
        return PriceRange(prices[0], prices[-1], prices[1] if len(prices) == 3 else None)
    except BadAccount as problem:
        raise click.UsageError(f"--working: {problem}") from None


def _troubles(options: dict[str, Any], code: str) -> tuple[Any, Any, dict[str, Any]]:
    """What may be wrong, the bench's own jobs, and what is known of the machine."""
    from ..faults.learned_rates import model_of
    from ..money.census import generic_board
    from ..money.from_board import troubles_of
    from ..money.history_file import History, read_history
    from .boards import open_board

    path = options["board_path"]
    if path is None:
        board = generic_board()
    else:
        board = open_board(path, options["parts"], options["overlay"], options["kind"])
    own = _of_bench(options["where"], model_of(board))
    file = read_history(options["history_path"]) if options["history_path"] else History({}, ())
    # What the person wrote down goes before what was worked out.
    rates, past = {**own.history.rates, **file.rates}, (*own.history.past, *file.past)
    troubles = troubles_of(
        board, options["symptoms"], rates, _prices(options["part_prices"], code),
        _euro(options["euro"], code),
    )  # fmt: skip
    about = {
        "board": " ".join(name for name in (board.name, board.revision) if name),
        "parts": len(board.parts),
        "symptoms": list(options["symptoms"]),
        "past jobs": len(past),
        "proved faults": own.proved,
    }
    return troubles, past, about


@dataclass(frozen=True)
class _Own:
    """The history in a bench's records."""

    history: History
    proved: int


def _of_bench(where: str | None, model: str) -> _Own:
    from ..money.history_file import History

    if where is None or _not_begun(where):
        return _Own(History({}, ()), 0)
    from ..jobs.experience import bid_history
    from .at_bench import opened

    with opened(None if where == "default" else where) as bench:
        rates, past, proved = bid_history(bench, model)
    return _Own(History(rates, past), proved)


def _not_begun(where: str) -> bool:
    """Whether the surroundings name a bench that has no job yet: the first machine is still to be bought."""
    from ..jobs.opening import FILE

    source = click.get_current_context().get_parameter_source("where")
    named = source is click.core.ParameterSource.ENVIRONMENT and "://" not in where
    return named and not (Path(where) / FILE).exists() and not Path(where).is_file()


def _prices(texts: tuple[str, ...], code: str) -> dict[str, float]:
    found = {}
    for text in texts:
        name, equals, price = text.rpartition("=")
        if not equals or not name.strip():
            raise click.UsageError(f"--part-price {text}: expected PART=PRICE, such as 4164=2.50")
        found[name.strip()] = float(_amount(price, code, f"--part-price {name}").value)
    return found


def _euro(text: str | None, code: str) -> float:
    if text is None:
        if code == "EUR":
            return 1.0
        raise click.UsageError(
            f"part prices are in euro and the bid is in {code}: say what one euro is in {code}, with --euro"
        )
    try:
        rate = Decimal(text.strip().replace(",", "."))
    except InvalidOperation:
        rate = Decimal(0)
    if not rate.is_finite() or not 0 < rate < 10**9:
        raise click.UsageError(f"--euro {text}: expected a number above 0, such as 0.86")
    return float(rate)


# -- what is answered --------------------------------------------------------------------------------


def _as_json(made: Bid, about: dict[str, Any], terms: Terms) -> dict[str, Any]:
    from ..money.words import ENDS, reasons

    def spread(values: Quantiles, digits: int) -> dict[str, float]:
        return {
            name: round(value, digits)
            for name, value in (
                ("mean", values.mean), ("one in ten below", values.low), ("half below", values.middle),
                ("one in ten above", values.high),
            )
        }  # fmt: skip

    prices = terms.range
    return {
        **about,
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


def _print(made: Bid, about: dict[str, Any], terms: Terms) -> None:
    from ..money.words import ENDS, by_cost, percent, reasons

    shows = "; ".join(about["symptoms"]) or "it does not work"
    click.echo(f"{about['board']}, {about['parts']} parts. Said of it: {shows}.")
    click.echo(_told_terms(terms))
    if about["proved faults"] or about["past jobs"]:
        click.echo(_told_history(about))
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


def _told_history(about: dict[str, Any]) -> str:
    told = [
        f"{about[name]} {one if about[name] == 1 else one + 's'}"
        for name, one in (("proved faults", "proved fault"), ("past jobs", "past job"))
        if about[name]
    ]
    return f"Your own history counts: {' and '.join(told)}."


def _told_terms(terms: Terms) -> str:
    prices = terms.range
    working = " to ".join(
        dict.fromkeys(str(one) for one in (prices.low, prices.likely, prices.high) if one is not None)
    )
    told = [f"Mended {working}", f"for parts {terms.parts}"]
    if terms.fee_percent or terms.fee_fixed:
        fees = [f"{terms.fee_percent:f} %"] if terms.fee_percent else []
        fees += [str(terms.fee_fixed)] if terms.fee_fixed else []
        told.append(f"fees {' and '.join(fees)}")
    if terms.hourly:
        told.append(f"an hour {terms.hourly}")
    for name in ("postage_in", "postage_out"):
        if amount := getattr(terms, name):
            told.append(f"{name.replace('_', ' ')} {amount}")
    return ", ".join(told) + "."
