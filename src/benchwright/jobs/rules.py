"""What may be recorded: checked against the present state before an event is written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from decimal import Decimal

from . import bodies
from .bodies import AnyBody
from .errors import BadEvent, NoSuchEvent
from .history import Event, standing
from .state import JobState
from .stock import Lot, lot_for, same_price


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
    plain_fields(body)
    if job is not None:
        _check_job(body, job, at)
    if isinstance(body, bodies.PartUsed):
        assert job is not None
        lot = _lot(lots, body.lot, job.uid)
        _check_rate(body, job, lot)
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
        _check_kind(body, known)
        if known is not None and known.price and body.price and not same_price(known.price, body.price):
            raise BadEvent(f"lot {body.lot} cost another price: name another lot, so that jobs keep theirs")


def _check_job(body: AnyBody, job: JobState, at: datetime | None) -> None:
    """What the job itself says against an event, when it happens or in the place of another."""
    letting_go = isinstance(body, bodies.PartReserved) and body.quantity == 0
    if job.closed is not None and not isinstance(body, _AFTER) and not letting_go:
        raise BadEvent(f"this job is closed ({job.stage}): reopen it first")
    since = job.timer_since
    if isinstance(body, bodies.TimerStarted) and since is not None:
        raise BadEvent(f"the timer has been running since {since:%Y-%m-%d %H:%M} UTC: stop it first")
    if isinstance(body, bodies.TimerStopped) and since is None:
        raise BadEvent("the timer is not running: start it, or give the minutes by hand")
    ends = isinstance(body, bodies.TimerStopped | bodies.Closed)
    if ends and since is not None and at is not None and at < since:
        raise BadEvent(
            f"the timer was started later, at {since:%Y-%m-%d %H:%M} UTC: give a later time, or take the "
            "start back"
        )
    if isinstance(body, bodies.PointClosed):
        point = job.point(body.point)
        if point is None or point.closed is not None:
            raise BadEvent("there is no such open point")
    if isinstance(body, bodies.PhotoTied):
        _check_tie(body, job)
    if isinstance(body, bodies.Reopened) and job.closed is None:
        raise BadEvent("this job is not closed")


def _check_tie(body: bodies.PhotoTied, job: JobState) -> None:
    files = (event.body for event in job.attachments)
    if not any(
        isinstance(file, bodies.Attachment) and (file.what, file.sha256) == ("photo", body.sha256)
        for file in files
    ):
        raise BadEvent("this photo is not with the job: attach it first")
    pins = [point.pin for point in body.points]
    if len(set(pins)) != len(pins):
        raise BadEvent("a photo is tied by a pin twice: give each pin one place")
    if len(pins) in (1, 2) or len(pins) > 100:
        raise BadEvent(f"a photo is tied by {len(pins)} pins: expected 3 to 100")
    if not (0 < body.wide <= 100_000 and 0 < body.high <= 100_000):
        raise BadEvent(f"a picture of {body.wide} × {body.high} points: expected its size")
    for point in body.points:
        if not (0 <= point.x <= body.wide and 0 <= point.y <= body.high):
            raise BadEvent(f"{point.pin} is not on the photo: expected a place inside of it")


def _check_rate(body: bodies.PartUsed, job: JobState, lot: Lot) -> None:
    price = lot.price
    if price is None or price.currency == job.currency or body.rate is not None:
        return
    if price.rate is None or price.rate_in not in ("", job.currency):
        known = f" (its own rate leads to {price.rate_in})" if price.rate is not None else ""
        raise BadEvent(
            f"lot {lot.lot} was paid in {price.currency} and the job is in {job.currency}: give the rate, "
            f"what one {price.currency} is in {job.currency}, with `stock use --exchange`{known}"
        )


def _check_kind(body: bodies.StockReceived, known: Lot | None) -> None:
    if known is not None and (known.kind, known.value) != (body.kind, body.value):
        raise BadEvent(f"lot {body.lot} holds {known.kind} {known.value}".rstrip() + ": name another lot")


def check_correction(
    body: AnyBody, of: Event | None, lots: Mapping[str, Lot], job: JobState | None = None,
    at: datetime | None = None,
) -> None:  # fmt: skip
    """Refuse a correction, or an undo, that makes no sense. One of what is past may be made at any time.

    What is put in the place of an event must make sense in that place. How many parts are left is for the
    stock to say, with all that came later.

    Parameters
    ----------
    body : AnyBody
        What is put in its place.
    of : Event or None
        What it supersedes; None if that is not there, or superseded already.
    lots : mapping
        The stock without what is corrected.
    job : JobState, optional
        As it was before what is corrected; None for what concerns the whole bench.
    at : datetime, optional
        When it happened.

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
    if type(body) is not type(of.body) and not (isinstance(body, _SAID) and isinstance(of.body, _SAID)):
        raise BadEvent(
            f"{of.kind} cannot be corrected to {bodies.kind_of(body)}: take it back, and record anew"
        )
    plain_fields(body)
    if job is not None and not first:
        _check_job(body, job, at)
    if isinstance(body, bodies.PartUsed | bodies.PartReserved):
        lot = _lot(lots, body.lot, of.job)
        if isinstance(body, bodies.PartUsed) and job is not None:
            _check_rate(body, job, lot)
    elif isinstance(body, bodies.StockReceived):
        _check_kind(body, lots.get(body.lot))
    elif isinstance(body, bodies.StockCounted | bodies.StockMoved):
        _lot(lots, body.lot)


def check_timer(before: Sequence[Event], after: Sequence[Event]) -> None:
    """Refuse a correction that lets a timer stop before it was started.

    Raises
    ------
    BadEvent
    """
    if len(_stopped_early(after)) > len(_stopped_early(before)):
        stop = _stopped_early(after)[-1]
        raise BadEvent(f"the timer was stopped at {stop.at:%Y-%m-%d %H:%M} UTC: that must be after its start")


def _stopped_early(events: Sequence[Event]) -> list[Event]:
    since: datetime | None = None
    found = []
    for event in standing(events):
        if isinstance(event.body, bodies.TimerStarted):
            since = event.at if since is None else since
        elif isinstance(event.body, bodies.TimerStopped | bodies.Closed):
            if since is not None and event.at < since:
                found.append(event)
            since = None
    return found


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
    bodies.PhotoTied,
)  # fmt: skip
"""What may still come after the end: money comes late."""
_SAID = (
    bodies.Symptom, bodies.Reading, bodies.BoardState, bodies.Look, bodies.Action, bodies.PartWanted,
    bodies.Time, bodies.Cost, bodies.Income, bodies.Fee, bodies.LikelyPrice, bodies.OpenPoint,
    bodies.Acceptance, bodies.Confirmed, bodies.Note,
)  # fmt: skip
"""What is typed as a line and nothing else is counted from: a line may turn out to mean another of these."""
MOST = 10**9
"""Of parts, minutes or money: more is a slip of the keyboard, and no sum of it can be stored."""


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
    """Numbers that cannot be below nothing or beyond all measure, and texts that cannot be empty."""
    quantity = getattr(body, "quantity", None)
    least = 1 if isinstance(body, bodies.PartUsed | bodies.StockReceived) else 0
    if isinstance(quantity, int) and quantity < least:
        raise BadEvent(f"a quantity of {quantity}: expected {least} or more")
    if isinstance(quantity, int) and quantity > MOST:
        raise BadEvent(f"a quantity above {MOST:,}: count again")
    minutes = getattr(body, "minutes", None)
    if minutes is not None and not (minutes.is_finite() and minutes > 0):
        raise BadEvent(f"{_told(minutes)} minutes: expected more than 0")
    _sane(minutes, "minutes")
    _sane(getattr(body, "rate_per_hour", None), "a rate per hour")
    for name in ("price", "postage"):
        price = getattr(body, name, None)
        if isinstance(price, bodies.Price):
            _sane(price.value, f"a {name}")
            _sane(price.rate, "an exchange rate")
            _sane(price.tax_percent, "a tax")
    if isinstance(body, bodies.PartUsed) and body.rate is not None:
        if not (body.rate.is_finite() and body.rate > 0):
            raise BadEvent(f"an exchange rate of {_told(body.rate)}: expected a number above 0")
        _sane(body.rate, "an exchange rate")
    if isinstance(body, bodies.LikelyPrice):
        _sane(body.value, "a likely price")
        _sane(body.chance, "a chance")
    if isinstance(body, bodies.Fee):
        _sane(body.percent, "a fee")
    if isinstance(body, bodies.LikelyPrice):
        if not (body.value.is_finite() and body.value >= 0):
            raise BadEvent(f"a likely price of {body.value}: expected 0 or more")
        if body.chance is not None and not (body.chance.is_finite() and 0 <= body.chance <= 100):
            raise BadEvent(f"a chance of {body.chance} percent: expected 0 to 100")
    for name in ("title", "text", "lot", "kind", "what"):
        value = getattr(body, name, None)
        if isinstance(value, str) and not value.strip():
            raise BadEvent(f"{bodies.kind_of(body)}: {name} is empty")


def _sane(value: Decimal | None, what: str) -> None:
    """A number that sums can be made of: not beyond all measure, and not of endless digits."""
    if value is None or not value.is_finite():
        return  # the account refuses what is no number, in its own words
    if value and (value.adjusted() >= 10 or abs(value) > MOST):
        raise BadEvent(f"{what} of {_told(value)}: expected {MOST:,} at most")
    exponent = value.as_tuple().exponent
    if isinstance(exponent, int) and (exponent < -_DIGITS or exponent > _DIGITS):
        raise BadEvent(f"{what} of {_told(value)}: expected {_DIGITS} digits after the point at most")


def _told(value: Decimal) -> str:
    text = str(value)
    return text if len(text) <= 40 else f"{value:.6e}"


_DIGITS = 30
