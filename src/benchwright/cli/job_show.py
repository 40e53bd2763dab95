"""`benchwright job show`: all of a job, now or as it was."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from .at_bench import bench_option, opened
from .columns import hanging
from .job_common import event_json, job_argument, json_option, price_json, print_events, print_json
from .job_money import (
    expectation_json,
    statement_json,
    tell_expectation,
    tell_statement,
)
from .moments import local, parse_moment

if TYPE_CHECKING:
    from ..jobs import Bench, Event, JobState
    from ..jobs.bodies import Price
    from ..jobs.outlook import Outlook
    from ..jobs.stock import Lot
    from ..money import Ledger


@click.command("show")
@job_argument
@click.option("--at", "when", metavar="EVENT|TIME",
              help="As it was when that event had been recorded, or at that time.")  # fmt: skip
@click.option("--all", "every", is_flag=True, help="What was corrected or taken back as well.")
@click.option("--money", "only_money", is_flag=True, help="Its money alone.")
@click.option("--history/--no-history", default=True, help="The history at the end.  [default: shown]")
@bench_option
@json_option
def show_command(
    number: int,
    when: str | None,
    every: bool,
    only_money: bool,
    history: bool,
    where: str | None,
    as_json: bool,
) -> None:
    """All of a job: the machine, what it shows, what was found and done, its money and its history.

    The numbers in the history are those for `log --correct` and `show --at`.
    """
    with opened(where) as bench:
        moment = None if when is None else _moment(bench, number, when)
        job = bench.job(number, moment)
        prices, lots = bench.prices(job), bench.stock()
    if as_json:
        print_json(_money_json(number, job, prices) if only_money else _json(number, job, prices, every))
        return
    if when is not None and job.updated is not None:
        click.echo(f"As it was {'then' if not when.isdigit() else f'at event {when}'}, "
                   f"{local(job.updated)}:\n")  # fmt: skip
    if only_money:
        click.echo(_title(number, job))
    else:
        _head(number, job)
        _work(job, lots)
    ledger = job.ledger(prices)
    click.echo()
    tell_statement(ledger.statement(), job)
    tell_expectation(_outlook(job, ledger))
    if history and not only_money:
        click.echo("\nHistory")
        print_events(_history(job, every), by_day=True)


def _moment(bench: Bench, number: int, when: str) -> int:
    """Number of the event up to which the history counts."""
    from ..jobs import NoSuchEvent

    events = bench.events(number)
    if re.fullmatch(r"#?\d{1,18}", when.strip()):
        moment = int(when.strip().lstrip("#"))
        if not events[0].number <= moment:
            raise NoSuchEvent(f"job {number} begins with event {events[0].number}, after event {moment}")
        return moment
    at: datetime = parse_moment(when, end_of_day=True)
    before = [event.number for event in events if event.recorded <= at]
    if not before:
        raise NoSuchEvent(f"job {number} was begun on {local(events[0].recorded)}, after that")
    return before[-1]


# -- on the screen -------------------------------------------------------------------------------------------


def _title(number: int, job: JobState) -> str:
    return hanging(f"Job {number}: ", f"{job.title}  [{job.stage}]")


def _head(number: int, job: JobState) -> None:
    from ..jobs.telling import tell, tell_price, tell_state

    click.echo(_title(number, job))
    facts = [
        ("Case", job.case_label), ("Board", job.board_revision), ("Serial", job.serial),
        ("ROM", job.rom_version), ("Board file", job.board_file),
    ]  # fmt: skip
    if taken := job.taken_in:
        facts += [
            ("From", taken.source), ("Price", tell_price(taken.price) if taken.price else ""),
            ("Postage", tell_price(taken.postage) if taken.postage else ""), ("Declared", taken.declared),
            ("Came with", ", ".join(taken.came_with)),
        ]  # fmt: skip
    if job.opened is not None:
        facts.append(("Opened", local(job.opened)))
    if job.closed is not None:
        facts.append(("Closed", f"{local(job.closed.at)}, {tell(job.closed.body).removeprefix('closed, ')}"))
    facts.append(
        ("Now", tell_state(job.board_state) if job.board_state.power or job.board_state.removed else "")
    )
    if job.timer_since is not None:
        facts.append(("Timer", f"runs since {local(job.timer_since)}"))
    for name, value in facts:
        if value:
            click.echo(hanging(f"  {name:11}", value))
    _section("It shows", (event.body.text for event in job.symptoms))  # type: ignore[union-attr]


def _section(title: str, texts: Iterable[str]) -> None:
    texts = list(texts)
    if texts:
        click.echo(f"\n{title}")
        for text in texts:
            click.echo(hanging("  ", text))


def _work(job: JobState, lots: Mapping[str, Lot]) -> None:
    """What it waits for, what was tested, proved, measured, done and used."""
    from ..jobs.bodies import Reading
    from ..jobs.entry_deeds import FOR_FINDER
    from ..jobs.telling import tell

    _section("Open points", (
        f"{n}. {point.text}" for n, point in enumerate(job.points, start=1) if point.closed is None
    ))  # fmt: skip
    _section("Parts to get", (f"{n} x {kind} {value}".rstrip() for (kind, value), n in job.wanted.items()))
    _section("Set aside", (f"{n} x {lot}{_what(lots, lot)}" for lot, n in job.reserved.items()))
    _section("Tests", (tell(e.body).removeprefix("test ") for e in job.acceptance.values()))
    _section("Faults proved", (tell(e.body).removeprefix("fault proved: ") for e in job.confirmed))
    measured = [e for e in job.readings if isinstance(e.body, Reading) and e.body.quantity not in FOR_FINDER]
    _section("Readings", _last(measured, 12))
    _section("Seen", _last(job.looks, 12, "seen"))
    _section("Done", _last(job.actions, 20))
    _section("Parts used", (
        tell(e.body).removeprefix("used: ") + _what(lots, e.body.lot) for e in job.parts  # type: ignore[union-attr]
    ))  # fmt: skip
    _section("Files", _last(job.attachments, 12))


def _what(lots: Mapping[str, Lot], name: str) -> str:
    lot = lots.get(name)
    return f" ({lot.kind} {lot.value}".rstrip() + ")" if lot else ""


def _last(events: Sequence[Event], most: int, prefix: str = "") -> list[str]:
    """The latest, with how many there are before them."""
    from ..jobs.telling import tell

    texts = [tell(event.body).removeprefix(prefix).lstrip(": ") for event in events[-most:]]
    if len(events) > most:
        texts.insert(0, f"({len(events) - most} earlier ones are in the history)")
    return texts


def _history(job: JobState, every: bool) -> list[tuple[Event, str]]:
    """Events that stand; with `every`, all, and what became of those that do not."""
    from ..jobs.history import standing
    from ..jobs.telling import told_with_points, without_echoes

    kept = standing(job.events)
    shown = job.events if every else without_echoes(kept)
    told = told_with_points(shown, {p.event.uid: p.text for p in job.points})
    stand = {event.uid for event in kept}
    by_uid = {event.uid: event for event in job.events}
    after = {event.supersedes: event for event in job.events if event.supersedes}
    lines = []
    for event, text in told:
        notes = []
        old = by_uid.get(event.supersedes)
        if old is not None and event.kind == "undone":
            back = by_uid.get(old.supersedes) if old.kind == "undone" else None
            verb = f"{old.number} taken back" if back is None else f"{back.number} brought back"
            text = text.replace("taken back", verb, 1)
        elif old is not None:
            notes.append(f"in place of {old.number}")
        if every and event.uid not in stand and (later := after.get(event.uid)):
            notes.append(f"{'taken back' if later.kind == 'undone' else 'corrected'} by {later.number}")
        lines.append((event, f"{text} [{'; '.join(notes)}]" if notes else text))
    return lines


# -- as JSON -------------------------------------------------------------------------------------------------


def _json(number: int, job: JobState, prices: dict[str, Price], every: bool) -> dict[str, Any]:
    from ..jobs.history import standing, to_iso

    ledger = job.ledger(prices)
    taken = job.taken_in
    return {
        "job": number, "uid": job.uid, "title": job.title, "stage": job.stage,
        "waiting_for": job.waiting_for, "case_label": job.case_label, "board_revision": job.board_revision,
        "serial": job.serial, "rom_version": job.rom_version, "board_file": job.board_file,
        "has_board": bool(job.board_text), "currency": job.currency,
        "rate_per_hour": None if job.rate_per_hour is None else f"{job.rate_per_hour:f}",
        "opened": to_iso(job.opened) if job.opened else None,
        "updated": to_iso(job.updated) if job.updated else None,
        "taken_in": None if taken is None else {
            "source": taken.source, "price": price_json(taken.price), "postage": price_json(taken.postage),
            "declared": taken.declared, "came_with": list(taken.came_with),
        },
        "board_state": {"power": job.board_state.power, "removed": list(job.board_state.removed)},
        "symptoms": _each(job.symptoms), "readings": _each(job.readings), "looks": _each(job.looks),
        "attachments": _each(job.attachments), "actions": _each(job.actions), "parts": _each(job.parts),
        "notes": _each(job.notes), "confirmed": _each(job.confirmed),
        "acceptance": _each(job.acceptance.values()),
        "open_points": [
            {"point": n, "text": point.text, "event": point.event.number, "closed": point.closed is not None}
            for n, point in enumerate(job.points, start=1)
        ],
        "reserved": [{"lot": lot, "quantity": n} for lot, n in job.reserved.items()],
        "wanted": [
            {"kind": kind, "value": value, "quantity": n} for (kind, value), n in job.wanted.items()
        ],
        "minutes": f"{job.minutes.normalize():f}",
        "timer_since": to_iso(job.timer_since) if job.timer_since else None,
        "closed": None if job.closed is None else event_json(job.closed)["body"],
        "money": statement_json(ledger.statement()),
        "if_it_sells": expectation_json(_outlook(job, ledger)),
        "history": _each(job.events if every else standing(job.events)),
    }  # fmt: skip


def _money_json(number: int, job: JobState, prices: dict[str, Price]) -> dict[str, Any]:
    ledger = job.ledger(prices)
    return {
        "job": number, "title": job.title, "stage": job.stage, "money": statement_json(ledger.statement()),
        "if_it_sells": expectation_json(_outlook(job, ledger)),
    }  # fmt: skip


def _each(events: Iterable[Event]) -> list[dict[str, Any]]:
    return [event_json(event) for event in events]


def _outlook(job: JobState, ledger: Ledger) -> Outlook | None:
    from ..jobs.outlook import expectation

    return expectation(job, ledger)
