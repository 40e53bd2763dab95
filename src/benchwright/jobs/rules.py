"""What may be recorded: checked against the present state before an event is written."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from . import bodies
from .bodies import AnyBody
from .errors import BadEvent, NoSuchEvent
from .history import Event
from .state import JobState
from .stock import Lot, lot_for


def check(body: AnyBody, job: JobState | None, lots: Mapping[str, Lot], at: datetime | None = None) -> None:
    """Refuse what makes no sense, saying what to do instead.

    Parameters
    ----------
    body : AnyBody
    job : JobState or None
        None for what concerns the whole bench.
    lots : mapping
        The stock; may be empty where the event does not touch it.
    at : datetime, optional
        When it happened.

    Raises
    ------
    BadEvent
    """
    if isinstance(body, bodies.Opened):
        raise BadEvent("a job is begun once: its first event can be corrected")
    if isinstance(body, bodies.Undone):
        raise BadEvent("an undo without what it takes back: name the event")
    if (job is None) != isinstance(body, bodies.STOCK_ONLY):
        raise BadEvent(f"{bodies.kind_of(body)} belongs to {'the stock' if job is not None else 'a job'}")
    if job is not None and job.closed is not None and not isinstance(body, _AFTER):
        raise BadEvent(f"this job is closed ({job.stage}): reopen it first")
    plain_fields(body)
    if isinstance(body, bodies.PartUsed):
        assert job is not None
        lot = _lot(lots, body.lot, job.uid)
        if body.quantity > lot.free_for(job.uid):
            raise BadEvent(
                f"{body.quantity} of {lot.lot} wanted, {max(0, lot.free_for(job.uid))} free for this job "
                f"({lot.on_hand} on hand, {sum(lot.reserved.values())} set aside): take fewer or count again"
            )
    elif isinstance(body, bodies.PartReserved):
        assert job is not None
        lot = _lot(lots, body.lot, job.uid)
        if body.quantity > lot.free_for(job.uid):
            raise BadEvent(f"{body.quantity} of {lot.lot} to set aside, {lot.free_for(job.uid)} free")
    elif isinstance(body, bodies.StockCounted | bodies.StockMoved):
        _lot(lots, body.lot)
    elif isinstance(body, bodies.StockReceived):
        known = lots.get(body.lot)
        if known is not None and (known.kind, known.value) != (body.kind, body.value):
            raise BadEvent(f"lot {body.lot} holds {known.kind} {known.value}".rstrip() + ": name another lot")
        if known is not None and body.price is not None and known.price not in (None, body.price):
            raise BadEvent(f"lot {body.lot} cost another price: name another lot, so that jobs keep theirs")
    elif isinstance(body, bodies.TimerStarted) and job is not None and job.timer_since is not None:
        raise BadEvent(
            f"the timer has been running since {job.timer_since:%Y-%m-%d %H:%M} UTC: stop it first"
        )
    elif isinstance(body, bodies.TimerStopped) and job is not None and job.timer_since is None:
        raise BadEvent("the timer is not running: start it, or give the minutes by hand")
    elif isinstance(body, bodies.TimerStopped) and job is not None and at is not None:
        assert job.timer_since is not None
        if at < job.timer_since:
            raise BadEvent(f"the timer was started later, at {job.timer_since:%Y-%m-%d %H:%M} UTC")
    elif isinstance(body, bodies.PointClosed) and job is not None:
        if body.point not in {point.event.uid for point in job.open_points}:
            raise BadEvent("there is no such open point")
    elif isinstance(body, bodies.Reopened) and job is not None and job.closed is None:
        raise BadEvent("this job is not closed")


def check_correction(body: AnyBody, of: Event | None, lots: Mapping[str, Lot]) -> None:
    """Refuse a correction, or an undo, that makes no sense. One of what is past may be made at any time.

    Parameters
    ----------
    body : AnyBody
        What is put in its place.
    of : Event or None
        What it supersedes; None if that is not there, or superseded already.
    lots : mapping
        The stock.

    Raises
    ------
    NoSuchEvent, BadEvent
    """
    if of is None:
        raise NoSuchEvent("the event to correct is not there, or no longer stands")
    if isinstance(of.body, bodies.StockReceived) and of.body.of_job:
        raise BadEvent(f"lot {of.body.lot} came with a job from another bench: it stays with it")
    undo, first = isinstance(body, bodies.Undone), isinstance(of.body, bodies.Opened)
    if isinstance(of.body, bodies.Undone) and not undo:
        raise BadEvent("an undo is not corrected: take it back, or record anew")
    if undo and first:
        raise BadEvent("the beginning of a job cannot be taken back: close the job, or correct its title")
    if undo:
        return
    if isinstance(body, bodies.Opened) != first:
        raise BadEvent("the beginning of a job is corrected by a beginning, and nothing else is")
    if (of.job == "") != isinstance(body, bodies.STOCK_ONLY):
        raise BadEvent(f"{bodies.kind_of(body)} belongs to {'a job' if of.job == '' else 'the stock'}")
    plain_fields(body)
    if isinstance(body, bodies.PartUsed | bodies.PartReserved):
        _lot(lots, body.lot, of.job)
    elif isinstance(body, bodies.StockCounted | bodies.StockMoved):
        _lot(lots, body.lot)


def check_moment(at: datetime, now: datetime) -> None:
    """Refuse a time that nothing can have happened at.

    Raises
    ------
    BadEvent
    """
    if at.tzinfo is None:
        raise BadEvent("a time without its zone: give one, such as +00:00")
    if at.year < 1970:
        raise BadEvent(f"{at:%d %B} {at.year}: before any machine for this bench was made")
    if at > now + _CLOCKS_DIFFER:
        raise BadEvent(
            f"{at:%Y-%m-%d %H:%M %Z} has not come yet (it is {now:%Y-%m-%d %H:%M %Z}): give when it happened"
        )


_CLOCKS_DIFFER = timedelta(minutes=10)
_AFTER = (
    bodies.Reopened, bodies.Undone, bodies.Cost, bodies.Income, bodies.Fee, bodies.Note, bodies.Attachment,
)  # fmt: skip
"""What may still come after the end: money comes late."""


def _lot(lots: Mapping[str, Lot], name: str, job: str = "") -> Lot:
    lot = lot_for(lots, job, name)
    if lot is None:
        near = ", ".join(sorted(lots)[:8]) or "none yet"
        raise BadEvent(f"there is no lot {name!r} in stock (there are: {near})")
    if lot.of_job:
        raise BadEvent(
            f"lot {lot.lot} came with this job from another bench, and none of it is here: "
            "receive the parts that are here as a lot of another name"
        )
    return lot


def plain_fields(body: AnyBody) -> None:
    """Numbers that cannot be below nothing, and texts that cannot be empty."""
    quantity = getattr(body, "quantity", None)
    least = 1 if isinstance(body, bodies.PartUsed | bodies.StockReceived) else 0
    if isinstance(quantity, int) and quantity < least:
        raise BadEvent(f"a quantity of {quantity}: expected {least} or more")
    minutes = getattr(body, "minutes", None)
    if minutes is not None and not (minutes.is_finite() and minutes > 0):
        raise BadEvent(f"{minutes} minutes: expected more than 0")
    if isinstance(body, bodies.LikelyPrice):
        if not (body.value.is_finite() and body.value >= 0):
            raise BadEvent(f"a likely price of {body.value}: expected 0 or more")
        if body.chance is not None and not (body.chance.is_finite() and 0 <= body.chance <= 100):
            raise BadEvent(f"a chance of {body.chance} percent: expected 0 to 100")
    for name in ("title", "text", "lot", "kind", "what"):
        value = getattr(body, name, None)
        if isinstance(value, str) and not value.strip():
            raise BadEvent(f"{bodies.kind_of(body)}: {name} is empty")
