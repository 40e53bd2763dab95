"""What is done with the stock, as a person says it: below the command line and the pages."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from . import bodies, schema
from .entry_deeds import counted, kind_and_value
from .errors import BadEvent
from .history import Event, last_to_undo, standing
from .stock import Lot

if TYPE_CHECKING:
    from ..money import Amount
    from .bench import Bench
    from .state import JobState

MOST_PARTS = 999_999
"""Parts in one entry; more is a slip of the finger."""
_KINDS = ("stock-received", "stock-counted", "stock-moved", "part-used", "part-reserved")


def lots_like(lots: Mapping[str, Lot], about: str = "", *, every: bool = False) -> list[Lot]:
    """The bench's own lots, by kind, value and name.

    Parameters
    ----------
    lots : mapping
        `Bench.stock`.
    about : str
        Only those with this in kind, value, name, place, source, condition, or what they can replace.
    every : bool
        Those of which nothing is left as well.
    """
    wanted = about.lower()
    return [
        lot
        for _, lot in sorted(lots.items(), key=lambda item: (item[1].kind.lower(), item[1].value, item[0]))
        if (every or lot.on_hand) and not lot.of_job and wanted in _words(lot).lower()
    ]


def _words(lot: Lot) -> str:
    return " ".join((lot.lot, lot.kind, lot.value, lot.where, lot.source, lot.condition, *lot.replaces))


def kept_for(lot: Lot, numbers: Mapping[str, int]) -> list[tuple[int | None, int]]:
    """For which jobs parts of a lot are set aside: number of the job, parts."""
    return [(numbers.get(job), quantity) for job, quantity in lot.reserved.items() if quantity]


def usual_currency(bench: Bench) -> str:
    """The currency of the job that was touched last: the one meant by a price that names none."""
    latest = bench.jobs(limit=1)
    return latest[0].currency if latest else "EUR"


def rate_of(text: str) -> Decimal:
    """What one of a currency is in another, as it was typed.

    Raises
    ------
    BadEvent
    """
    found = re.fullmatch(r"\d{1,10}(?:[.,]\d{1,10})?", text.strip())
    rate = Decimal(found[0].replace(",", ".")) if found else Decimal(0)
    if rate <= 0:
        raise BadEvent(f"{text[:30]}: expected a number above 0, such as 1.17")
    return rate


def price_each(amount: Amount, own: str, rate: Decimal | None) -> bodies.Price:
    """What one part cost.

    Parameters
    ----------
    amount : Amount
    own : str
        Currency of the jobs.
    rate : Decimal, optional
        What one of the amount's currency is in that.

    Raises
    ------
    BadEvent
    """
    if amount.value < 0:
        raise BadEvent(f"{amount}: a price is 0 or more")
    return bodies.Price(
        value=amount.value, currency=amount.currency, rate=rate, rate_in="" if rate is None else own
    )


def parts_of_donor(
    job: JobState, number: int, parts: Iterable[str], place: str = "", condition: str = "used"
) -> list[bodies.StockReceived]:
    """Parts out of a machine that is broken for parts, each as ``8 x 4116 150 ns``; for `Bench.receive`.

    Raises
    ------
    BadReading
        A line cannot be read.
    """
    said = []
    for text in parts:
        quantity, what = counted(text)
        kind, value = kind_and_value(what)
        said.append(
            bodies.StockReceived(
                lot="", kind=kind, quantity=quantity, value=value, condition=condition,
                source=f"out of job {number}, {job.title}", where=place, donor=job.uid,
            )
        )  # fmt: skip
    return said


def received(events: Iterable[Event]) -> list[bodies.StockReceived]:
    """What came in, of events just recorded."""
    return [event.body for event in events if isinstance(event.body, bodies.StockReceived)]


def take_back(bench: Bench, why: str = "", *, known_as: str = "") -> list[Event]:
    """Take back what was recorded of the stock last, and all that came in with it from one donor.

    Returns
    -------
    list of Event
        Those taken back, the latest first.

    Raises
    ------
    BadEvent
        There is nothing to take back.
    """
    events = bench.events(None)
    if undone_before := {event.supersedes for event in bench.recorded(known_as)}:
        return [event for event in reversed(events) if event.uid in undone_before]
    last = last_to_undo(events)
    if last is None:
        raise BadEvent("there is nothing in the stock's history to take back")
    gone = _with(events, last)
    undone: list[tuple[bodies.AnyBody, Any, str]] = [
        (bodies.Undone(why=why), None, event.uid) for event in gone
    ]
    bench.record_each(None, undone, known_as=known_as)
    return gone


def _with(events: Sequence[Event], last: Event) -> list[Event]:
    """Receipts that were recorded in one breath with an event, the latest first: the parts of one donor."""

    def receipt_of(event: Event) -> tuple[Any, ...] | None:
        body = event.body
        return (
            (event.recorded, body.donor)
            if isinstance(body, bodies.StockReceived) and not body.of_job
            else None
        )

    same = receipt_of(last)
    return [e for e in reversed(standing(events)) if e is last or (same and receipt_of(e) == same)]


def history_of(bench: Bench, name: str) -> list[tuple[int | None, Event]]:
    """What happened to a lot and stands, in order, each with the number of the job that it concerns."""
    import msgspec

    table = schema.event
    with bench.place.reading() as connection:
        within = func.instr if connection.dialect.name == "sqlite" else func.strpos
        said = f'"lot":{msgspec.json.encode(name).decode()}'
        query = (
            select(table, schema.job.c.uid.label("job_uid"))
            .outerjoin(schema.job, table.c.job == schema.job.c.number)
            .where(table.c.kind.in_(_KINDS), table.c.stands == 1, within(table.c.body, said) > 0)
            .order_by(table.c.place, table.c.number)
        )
        rows = connection.execute(query).all()
    from .bench import _event

    found = [(row.job, _event(row, row.job_uid or "")) for row in rows]
    return [(job, event) for job, event in found if getattr(event.body, "lot", "") == name]
