"""What the commands on stock share: telling a lot, recording what concerns one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from .at_bench import opened
from .columns import hanging
from .job_common import price_json, print_json, tell_still_wanted

if TYPE_CHECKING:
    from ..jobs.bodies import AnyBody
    from ..jobs.stock import Lot


def record_of_lot(number: int | None, body: AnyBody, name: str, where: str | None, as_json: bool) -> None:
    """Record what concerns one lot, and tell what is left of it."""
    with opened(where) as bench:
        from ..jobs.telling import tell

        bench.record(number, body)
        lots, numbers = bench.stock(), bench.numbers()
        job = None if number is None else bench.job(number)
    lot = lots.get(name)
    if as_json:
        print_json(None if lot is None else lot_json(lot, numbers))
        return
    click.echo(("" if job is None else f"Job {number}, {job.title}: ") + tell(body))
    if lot is not None:
        click.echo(hanging("  ", told_lot(lot)))
    if job is not None:
        tell_still_wanted(job, lots, [body])


def told_lot(lot: Lot) -> str:
    """A lot in one line."""
    left = f"{lot.lot}: {lot.on_hand} x {lot.kind} {lot.value}".rstrip() + " here"
    left += f", {lot.free} free" if lot.reserved else ""
    return left + (f", {lot.where}" if lot.where else "")


def lot_json(lot: Lot, numbers: dict[str, int]) -> dict[str, Any]:
    """A lot; the price is a string, jobs are numbers."""
    return {
        "lot": lot.lot, "kind": lot.kind, "value": lot.value, "condition": lot.condition,
        "source": lot.source, "price": price_json(lot.price), "where": lot.where,
        "donor_job": numbers.get(lot.donor), "replaces": list(lot.replaces), "on_hand": lot.on_hand,
        "free": lot.free,
        "reserved": [{"job": numbers.get(job), "quantity": n} for job, n in lot.reserved.items() if n],
    }  # fmt: skip
