"""Parts on hand, set aside and short: derived from the events that stand."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, field
from itertools import count
from typing import NamedTuple, Protocol

import msgspec

from . import bodies
from .history import Event


@dataclass
class Lot:
    """Parts of one kind that came in together.

    Attributes
    ----------
    lot : str
        Name of the lot, as on its box.
    kind, value, condition, source, where, donor : str
    price : bodies.Price or None
        For one.
    on_hand : int
    reserved : dict
        Job's identity: how many are set aside for it.
    of_job, origin : str
        See `bodies.StockReceived`; empty for what this bench had in stock itself.
    """

    lot: str
    kind: str
    value: str
    condition: str
    source: str
    price: bodies.Price | None
    where: str
    donor: str
    replaces: tuple[str, ...]
    on_hand: int
    reserved: dict[str, int] = field(default_factory=dict)
    of_job: str = ""
    origin: str = ""

    @property
    def free(self) -> int:
        """Neither used nor set aside."""
        return self.on_hand - sum(self.reserved.values())

    def copy(self) -> Lot:
        """The same, to be changed by itself."""
        return Lot(
            self.lot, self.kind, self.value, self.condition, self.source, self.price, self.where, self.donor,
            self.replaces, self.on_hand, dict(self.reserved), self.of_job, self.origin,
        )  # fmt: skip

    def free_for(self, job: str) -> int:
        """What a job may use: what is free, and what is set aside for it."""
        return self.free + self.reserved.get(job, 0)


@dataclass(frozen=True)
class Shortage:
    """Parts to buy."""

    kind: str
    value: str
    quantity: int
    jobs: tuple[str, ...]


def key_of(lot: str, of_job: str) -> str:
    """The name in the stock of a lot: those that came with a job from another bench name the job as well."""
    return f"{lot} (job {of_job})" if of_job else lot


def lot_for(lots: Mapping[str, Lot], job: str, name: str) -> Lot | None:
    """The lot that a job means by a name: that which came with it, or else the bench's own."""
    return lots.get(key_of(name, job)) or lots.get(name)


def free_name(kind: str, taken: Container[str]) -> str:
    """A name for a new lot: its kind and the first number that is free."""
    stem = "-".join(kind.lower().split()) or "lot"
    return next(name for n in count(1) if (name := f"{stem}-{n}") not in taken)


class Said(Protocol):
    """What the stock has to know of an event."""

    @property
    def job(self) -> str: ...
    @property
    def body(self) -> bodies.AnyBody: ...


class StockLine(NamedTuple):
    """A `Said` and no more, for reading the stock of years."""

    job: str
    body: bodies.AnyBody


def stock_of(events: Iterable[Said]) -> dict[str, Lot]:
    """Every lot, by name. What came with a job from another bench is not on hand, whatever the job used.
    What is set aside for a job is let go when it is closed.

    Parameters
    ----------
    events : iterable of Event or StockLine
        All that stand of kinds `KINDS`, of all jobs, in order; or of these that name lots only those of
        certain lots.
    """
    events = list(events)
    # A correction stands where the corrected stood: a use may so come before the lot it takes from.
    brought: set[tuple[str, str]] = set()
    lots: dict[str, Lot] = {}
    for event in events:
        body = event.body
        if isinstance(body, bodies.StockReceived):
            lots.setdefault(key_of(body.lot, body.of_job), _received(body, None))
            if body.of_job:
                brought.add((body.lot, body.of_job))
    closed: set[str] = set()
    aside: dict[str, set[str]] = {}  # job: lots of which parts may be set aside for it
    for event in events:
        body = event.body
        if isinstance(body, bodies.Closed):
            closed.add(event.job)
            for name in aside.pop(event.job, ()):
                lots[name].reserved.pop(event.job, None)
        elif isinstance(body, bodies.Reopened):
            closed.discard(event.job)
        elif isinstance(body, bodies.PartReserved) and event.job in closed:
            pass  # nothing is set aside for a job that is closed
        elif isinstance(body, bodies.PartUsed | bodies.PartReserved):
            if body.lot in lots and (body.lot, event.job) not in brought:
                _taken(lots[body.lot], event.job, body)
                aside.setdefault(event.job, set()).add(body.lot)
        elif isinstance(body, bodies.StockReceived):
            key = key_of(body.lot, body.of_job)
            lots[key] = _received(body, lots[key])
        elif isinstance(body, bodies.StockCounted) and body.lot in lots:
            lots[body.lot].on_hand = body.quantity
        elif isinstance(body, bodies.StockMoved) and body.lot in lots:
            lots[body.lot].where = body.where
    return lots


def _taken(lot: Lot, job: str, body: bodies.PartUsed | bodies.PartReserved) -> None:
    """Parts used by a job, or set aside for it."""
    left = body.quantity
    if isinstance(body, bodies.PartUsed):
        lot.on_hand -= body.quantity
        left = lot.reserved.get(job, 0) - body.quantity
    if left > 0:
        lot.reserved[job] = left
    else:
        lot.reserved.pop(job, None)


def _received(body: bodies.StockReceived, known: Lot | None) -> Lot:
    """A lot after a delivery; without the lot as it was, an empty one."""
    price = body.price
    if known and not body.of_job and (price is None or same_price(known.price, price)):
        price = known.price
    return Lot(
        body.lot, body.kind, body.value, body.condition, body.source, price, body.where,
        body.donor, body.replaces, body.quantity + known.on_hand if known else 0,
        known.reserved if known else {}, body.of_job, body.origin,
    )  # fmt: skip


def same_price(known: bodies.Price | None, given: bodies.Price | None) -> bool:
    """Whether a lot keeps its price; an old record does not say which currency its rate leads to."""
    if known is None or given is None or known == given:
        return known == given
    unsaid = "" in (known.rate_in, given.rate_in)
    return unsaid and msgspec.structs.replace(known, rate_in=given.rate_in) == given


def shopping_list(events: Iterable[Event], lots: dict[str, Lot]) -> list[Shortage]:
    """What jobs want and the stock has not, by kind and value.

    Parameters
    ----------
    events : iterable of Event
        The `PartWanted` that stand, of open jobs, in order.
    lots : dict
        What `stock_of` tells.
    """
    wanted: dict[tuple[str, str], dict[str, int]] = {}
    for event in events:
        body = event.body
        if isinstance(body, bodies.PartWanted):
            by_job = wanted.setdefault((body.kind, body.value), {})
            by_job[event.job] = body.quantity
    found = []
    for (kind, value), by_job in sorted(wanted.items()):
        # What is set aside for a job that wants it is there for it.
        have = sum(
            lot.free + sum(lot.reserved.get(job, 0) for job in by_job)
            for lot in lots.values()
            if matches(lot, kind, value)
        )
        short = sum(by_job.values()) - max(0, have)
        if short > 0:
            found.append(Shortage(kind, value, short, tuple(job for job, n in by_job.items() if n)))
    return found


def matches(lot: Lot, kind: str, value: str = "") -> bool:
    """Whether a lot serves where a kind and value are wanted."""
    same = kind.lower() in (lot.kind.lower(), *(other.lower() for other in lot.replaces))
    return same and (not value or value.lower() == lot.value.lower())


ENDS = ("closed", "reopened")
KINDS = ("stock-received", "stock-counted", "stock-moved", "part-used", "part-reserved", *ENDS)
