"""What the commands on jobs share: arguments, printing of events, JSON."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import click

from .columns import hanging
from .complete import complete_job, complete_lot
from .moments import local

if TYPE_CHECKING:
    from ..jobs import Event, JobState
    from ..jobs.bodies import AnyBody
    from ..jobs.stock import Lot

MOST_JOBS = 2**31 - 1
"""A higher number is that of no job, and no database could look for it."""
MOST_PARTS = 999_999
"""Parts in one entry; more is a slip of the finger."""

job_argument = click.argument(
    "number", metavar="JOB", type=click.IntRange(1, MOST_JOBS), shell_complete=complete_job
)
lot_argument = click.argument("lot", metavar="LOT", shell_complete=complete_lot)
json_option = click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
at_option = click.option(
    "--at", "when", metavar="TIME", help="When it happened, if not now: 14:30, 'yesterday 20:00', 2024-11-03."
)


def exchange_rate(text: str | None) -> Decimal | None:
    """What one of a currency is in another, as it was typed; None if it was not."""
    if text is None:
        return None
    from ..jobs.errors import BadEvent
    from ..jobs.stock_deeds import rate_of

    try:
        return rate_of(text)
    except BadEvent as problem:
        raise click.UsageError(f"--exchange {problem}") from None


def print_json(value: Any) -> None:
    """As every program can read it."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False))


def event_json(event: Event) -> dict[str, Any]:
    """An event with its body; amounts are strings."""
    import msgspec

    from ..jobs.history import to_iso
    from ..jobs.telling import tell

    body = msgspec.to_builtins(event.body, builtin_types=())
    body.pop("board_text", None)  # the whole board file; `job export` has it
    return {
        "event": event.number, "uid": event.uid, "kind": event.kind, "at": to_iso(event.at),
        "recorded": to_iso(event.recorded), "supersedes": event.supersedes, "told": tell(event.body),
        "body": {name: value for name, value in body.items() if name != "type"},
    }  # fmt: skip


def price_json(price: Any) -> dict[str, str] | None:
    """A price, its value as a string."""
    return None if price is None else {"value": f"{price.value:f}", "currency": price.currency}


def tell_still_wanted(job: JobState, lots: Mapping[str, Lot], said: Iterable[AnyBody]) -> None:
    """Parts of which some were used just now, and which are still on the shopping list."""
    from ..jobs.bodies import PartUsed
    from ..jobs.stock import lot_for, matches

    used = [lot_for(lots, job.uid, body.lot) for body in said if isinstance(body, PartUsed)]
    for (kind, value), quantity in job.wanted.items():
        if any(lot is not None and matches(lot, kind, value) for lot in used):
            what = f"{kind} {value}".rstrip()
            click.echo(hanging("  ", f'Still wanted: {quantity} x {what}. "want 0 x {what}" takes it off.'))


def tell_wanted_change(before: Mapping[tuple[str, str], int], job: JobState, said: Iterable[AnyBody]) -> None:
    """How many are wanted now of what was wanted already, for the new number stands for all."""
    from ..jobs.bodies import PartWanted

    for key in dict.fromkeys((body.kind, body.value) for body in said if isinstance(body, PartWanted)):
        now, was = job.wanted.get(key, 0), before.get(key, 0)
        if was and now:
            click.echo(hanging("  ", f"{' '.join(key).strip()}: {now} wanted in all now, {was} before."))


def print_events(told: Iterable[tuple[Event, str]], *, by_day: bool = False) -> None:
    """Events with their numbers, one a line; under the day on which they happened if that is wanted."""
    day = ""
    for event, text in told:
        head = f"{event.number:6}  "
        if by_day:
            when = local(event.at)
            if when[:10] != day:
                day = when[:10]
                click.echo(f"  {day}")
            head += f"{when[11:]}  "
        click.echo(hanging(head, text))
