"""What may be recorded: checked against the present state before an event is written."""

from __future__ import annotations

from collections.abc import Mapping

from . import bodies
from .bodies import AnyBody
from .errors import BadEvent
from .state import JobState
from .stock import Lot, lot_for


def check(body: AnyBody, job: JobState | None, lots: Mapping[str, Lot]) -> None:
    """Refuse what makes no sense, saying what to do instead.

    Parameters
    ----------
    body : AnyBody
    job : JobState or None
        None for what concerns the whole bench.
    lots : mapping
        The stock; may be empty where the event does not touch it.

    Raises
    ------
    BadEvent
    """
    if (job is None) != isinstance(body, bodies.STOCK_ONLY):
        raise BadEvent(f"{bodies.kind_of(body)} belongs to {'the stock' if job else 'a job'}")
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
    elif isinstance(body, bodies.TimerStarted) and job is not None and job.timer_since is not None:
        raise BadEvent(
            f"the timer has been running since {job.timer_since:%Y-%m-%d %H:%M} UTC: stop it first"
        )
    elif isinstance(body, bodies.TimerStopped) and job is not None and job.timer_since is None:
        raise BadEvent("the timer is not running: start it, or give the minutes by hand")
    elif isinstance(body, bodies.PointClosed) and job is not None:
        if body.point not in {point.event.uid for point in job.open_points}:
            raise BadEvent("there is no such open point")
    elif isinstance(body, bodies.Reopened) and job is not None and job.closed is None:
        raise BadEvent("this job is not closed")


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
    for name in ("title", "text", "lot", "kind", "what"):
        value = getattr(body, name, None)
        if isinstance(value, str) and not value.strip():
            raise BadEvent(f"{bodies.kind_of(body)}: {name} is empty")
