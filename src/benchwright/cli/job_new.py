"""`benchwright job new` and `job set`: what machine it is, where it came from, in what condition."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .at_bench import bench_option, opened
from .columns import hanging
from .job_common import job_argument, json_option, print_events, print_json

if TYPE_CHECKING:
    from ..jobs import Event, JobState
    from ..jobs.bodies import AnyBody, Identity, Price, TakenIn

EURO = "EUR"


def _facts(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options that say what a machine is."""
    for option in reversed((
        click.option("--case", "case_label", metavar="TEXT", help="What the label on the case says."),
        click.option("--revision", "board_revision", metavar="TEXT",
                     help="What is printed on the board; it often differs."),
        click.option("--serial", metavar="TEXT", help="Serial number."),
        click.option("--rom", "rom_version", metavar="TEXT", help="Version of the built-in programs."),
        click.option("--source", metavar="TEXT", help="Where it came from."),
        click.option("--price", metavar="AMOUNT", help="What was paid for it: 40, or '40 EUR'."),
        click.option("--postage", metavar="AMOUNT", help="To get it here, if on top of that."),
        click.option("--declared", metavar="TEXT", help="Condition as the seller told it."),
        click.option("--with", "came_with", multiple=True, metavar="TEXT",
                     help="What came with it. Repeat it, or separate by commas."),
        click.option("--board", metavar="FILE",
                     help="Its board, for the fault finder: a board file or netlist, kept with the job; or "
                     "fulmar65, the invented computer of the demo."),
        click.option("--rate", metavar="AMOUNT", help="What an hour at the bench is worth."),
    )):  # fmt: skip
        command = option(command)
    return command


@click.command("new")
@click.argument("title", metavar="[TITLE]", required=False)
@_facts
@click.option("--currency", metavar="CODE",
              help="Of the job's money.  [default: as the price, or the job before, or EUR]")  # fmt: skip
@click.option("--symptom", "symptoms", multiple=True, metavar="TEXT", help="What it shows. Repeat it.")
@click.option("--ask", is_flag=True, help="Ask for what is not given; ENTER leaves it out.")
@bench_option
@json_option
def new_command(title: str | None, where: str | None, as_json: bool, ask: bool, **said: Any) -> None:
    """Take in a machine: TITLE is what you call it.

    The first one makes the bench as well. An hour is worth what it was in the job before.
    """
    if ask:
        title = title or click.prompt("Title", err=True)
        _ask(said)
    if not title or not title.strip():
        raise click.UsageError('a job needs a title, such as "Brown one from the flea market" (or --ask)')
    _board(said)  # before a bench is made for a job that cannot be
    with opened(where, create=True) as bench:
        from ..jobs import bodies
        from ..money.currency import currency

        before = next(iter(sorted(bench.jobs(), key=lambda line: -line.number)), None)
        code = said["currency"] or _code_of(said["price"], before.currency if before else EURO)
        code = currency(code).code
        rate = _rate(said["rate"], code)
        inherited = ""
        if rate is None and before is not None and before.currency == code:
            rate = bench.job(before.number).rate_per_hour
            inherited = f" (as in job {before.number})" if rate is not None else ""
        taken_in = _taken_in(bodies.TakenIn(), said, code)
        first: list[AnyBody] = [bodies.Symptom(text=text) for text in said["symptoms"]]
        if taken_in != bodies.TakenIn():
            first.insert(0, taken_in)
        if (identity := _identity(said)) != bodies.Identity():
            first.insert(0, identity)
        number = bench.new_job(title.strip(), code, *first, rate_per_hour=rate)
        job = bench.job(number)
        place = bench.place.name
    if as_json:
        print_json({"job": number, "uid": job.uid, "title": job.title, "currency": job.currency,
                    "rate_per_hour": None if rate is None else f"{rate:f}", "bench": place})  # fmt: skip
        return
    click.echo(hanging(f"Job {number}: ", job.title))
    for line in _known(job):
        click.echo(hanging("  ", line))
    worth = f", an hour at {rate:f} {code}{inherited}" if rate is not None else ""
    click.echo(hanging("  ", f"in {code}{worth}; records in {place}"))
    if not job.board_text:
        click.echo(hanging("  ", f"no board: readings are kept as typed, and `benchwright job set {number} "
                           "--board FILE` lets the fault finder use them"))  # fmt: skip


@click.command("set")
@job_argument
@click.option("--title", metavar="TEXT", help="What you call it.")
@_facts
@bench_option
@json_option
def set_command(number: int, where: str | None, as_json: bool, title: str | None, **said: Any) -> None:
    """Say more about a machine, or correct what was said; what is not given stays as it is."""
    _board(said)
    with opened(where) as bench:
        from ..jobs import bodies
        from ..jobs.bodies import Opened

        job = bench.job(number)
        changes: list[tuple[AnyBody, None, str]] = []
        identity = _identity({**said, "title": title})
        if identity != bodies.Identity():
            changes.append((identity, None, ""))
        old = job.taken_in or bodies.TakenIn()
        taken_in = _taken_in(old, said, job.currency)
        if taken_in != old:
            changes.append((taken_in, None, job.taken_in_event.uid if job.taken_in_event else ""))
        if said["rate"] is not None:
            begun = next(event for event in reversed(job.events) if isinstance(event.body, Opened))
            body = Opened(title=begun.body.title, currency=job.currency,
                          rate_per_hour=_rate(said["rate"], job.currency))  # fmt: skip
            changes.append((body, None, begun.uid))
        if not changes:
            raise click.UsageError("nothing to set was given: see `benchwright job set --help`")
        events = bench.record_each(number, changes)
        job = bench.job(number)
    _tell_set(number, job, events, as_json)


def _tell_set(number: int, job: JobState, events: list[Event], as_json: bool) -> None:
    from ..jobs.telling import tell
    from .job_common import event_json

    if as_json:
        print_json({"job": number, "recorded": [event_json(event) for event in events]})
        return
    click.echo(hanging("", f"Job {number}, {job.title}:"))
    print_events([(event, tell(event.body)) for event in events])


def _ask(said: dict[str, Any]) -> None:
    """Prompt for what is not given, on the error stream, so that --json stays clean."""
    for name, question in (
        ("case_label", "Label on the case"), ("board_revision", "Revision on the board"),
        ("serial", "Serial number"), ("rom_version", "ROM version"), ("source", "Where from"),
        ("price", "Price"), ("postage", "Postage to get it"), ("declared", "Condition as told"),
        ("came_with", "What came with it (commas between)"), ("symptoms", "Symptom"),
        ("board", "Board file"),
    ):  # fmt: skip
        if said[name]:
            continue
        answer = click.prompt(question, default="", show_default=False, err=True).strip()
        if answer:
            said[name] = (answer,) if name in ("came_with", "symptoms") else answer


def _code_of(price: str | None, usual: str) -> str:
    """The currency in which a price is written."""
    if price is None:
        return usual
    from ..money import parse_amount

    return parse_amount(price, usual).currency


def _rate(text: str | None, code: str) -> Decimal | None:
    if text is None:
        return None
    from ..money import parse_amount

    amount = parse_amount(text.removesuffix("/h").strip(), code)
    if amount.currency != code:
        raise click.UsageError(f"--rate {amount}: expected {code}, the job's currency")
    return amount.value


def _price(text: str | None, code: str, option: str) -> Price | None:
    if text is None:
        return None
    from ..errors import BadReading
    from ..jobs.entry_money import price_of

    try:
        price, rest = price_of(text, code, "40 EUR")
    except BadReading as problem:
        raise click.UsageError(f"{option}: {problem}") from None
    if rest:
        raise click.UsageError(f"{option} {text!r}: {rest!r} is too much; expected, for example, '40 EUR'")
    return price


def _identity(said: dict[str, Any]) -> Identity:
    from ..jobs.bodies import Identity

    name, text = said.get("board_kept") or (None, None)
    return Identity(
        title=said.get("title"), case_label=said["case_label"], board_revision=said["board_revision"],
        serial=said["serial"], rom_version=said["rom_version"], board_file=name, board_text=text,
    )  # fmt: skip


def _taken_in(old: TakenIn, said: dict[str, Any], code: str) -> TakenIn:
    import msgspec

    new: dict[str, Any] = {name: said[name] for name in ("source", "declared") if said[name] is not None}
    for name in ("price", "postage"):
        if (price := _price(said[name], code, f"--{name}")) is not None:
            new[name] = price
    if said["came_with"]:
        new["came_with"] = tuple(
            part.strip() for text in said["came_with"] for part in text.split(",") if part.strip()
        )
    return msgspec.structs.replace(old, **new)


def _board(said: dict[str, Any]) -> None:
    """Read the board, and keep it as a board file: that holds all of it, whatever it was read from."""
    given = said["board"]
    if given is None:
        return
    path = Path(given)
    if not path.exists() and "".join(given.lower().split()) == "fulmar65":
        from ..board.board_file import write_board_file
        from ..demo import fulmar65

        said["board_kept"] = ("fulmar65.toml", write_board_file(fulmar65.board()))
        return
    if not path.is_file():
        raise click.UsageError(f"--board {given}: there is no such file (and the demo's board is fulmar65)")
    from ..errors import BadFile
    from ..textfile import read_text
    from .boards import kind_of_file, open_board

    with path.open("rb") as file:
        head = file.read(4096)
    try:
        kind = kind_of_file(path, head)
    except BadFile:
        raise click.UsageError(
            f"--board {given}: cannot tell what this file is; `benchwright board import --help` says how to "
            "make a board file of it"
        ) from None
    board = open_board(path, kind=kind)
    if kind == "board":
        said["board_kept"] = (path.name, read_text(path))
        return
    from ..board.board_file import write_board_file

    said["board_kept"] = (f"{path.stem}.toml", write_board_file(board))


def _known(job: JobState) -> list[str]:
    from ..jobs.telling import tell

    return [tell(event.body) for event in job.events if event.kind in ("identity", "taken-in", "symptom")]


__all__ = ["new_command", "set_command"]
