"""What a job is now, or was at any moment: derived from its events alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any

import msgspec

from .. import money
from ..money import Amount
from . import bodies
from .history import Event, standing

MENDS = ("cleaned", "reseated", "reflowed", "replaced", "linked", "adjusted", "changed", "done")
"""Deeds that may have put a fault right."""


@dataclass
class Point:
    """An open point: the event that opened it, and the one that settled it."""

    event: Event
    text: str
    closed: Event | None = None


@dataclass
class JobState:
    """One machine on the bench.

    Attributes
    ----------
    uid : str
    title, case_label, board_revision, serial, rom_version, board_file, board_text : str
    currency : str
    rate_per_hour : Decimal or None
    taken_in : bodies.TakenIn or None
        The latest that stands.
    symptoms, readings, looks, attachments, actions, parts, notes, confirmed, costs, incomes, fees : lists
        Of events that stand, in order.
    times : list of (Event, Decimal)
        Minutes spent; a timer's to 28 digits.
    exact_times : list of Fraction
        The same minutes exactly.
    ties : dict
        SHA-256 of a photo: the event that ties it to the board.
    board_state : bodies.State
        What the board is in now.
    points : list of Point
    acceptance : dict
        Name of the test, as `key_of_test` has it: its latest event.
    reserved : dict
        Lot: how many are set aside for this job.
    wanted : dict
        (kind, value): how many are short.
    likely_prices : dict
        Price: chance in percent or None.
    timer_since : datetime or None
        When the running timer was started.
    minutes : Decimal
        Spent, without the running timer.
    closed : Event or None
    """

    uid: str
    events: list[Event]
    title: str = ""
    case_label: str = ""
    board_revision: str = ""
    serial: str = ""
    rom_version: str = ""
    board_file: str = ""
    board_text: str = ""
    currency: str = ""
    rate_per_hour: Decimal | None = None
    opened: datetime | None = None
    updated: datetime | None = None
    taken_in: bodies.TakenIn | None = None
    taken_in_event: Event | None = None
    identity_events: list[Event] = field(default_factory=list)
    symptoms: list[Event] = field(default_factory=list)
    readings: list[Event] = field(default_factory=list)
    looks: list[Event] = field(default_factory=list)
    attachments: list[Event] = field(default_factory=list)
    ties: dict[str, Event] = field(default_factory=dict)
    actions: list[Event] = field(default_factory=list)
    parts: list[Event] = field(default_factory=list)
    notes: list[Event] = field(default_factory=list)
    confirmed: list[Event] = field(default_factory=list)
    costs: list[Event] = field(default_factory=list)
    incomes: list[Event] = field(default_factory=list)
    fees: list[Event] = field(default_factory=list)
    times: list[tuple[Event, Decimal]] = field(default_factory=list)
    exact_times: list[Fraction] = field(default_factory=list)
    board_state: bodies.State = field(default_factory=bodies.State)
    points: list[Point] = field(default_factory=list)
    acceptance: dict[str, Event] = field(default_factory=dict)
    reserved: dict[str, int] = field(default_factory=dict)
    wanted: dict[tuple[str, str], int] = field(default_factory=dict)
    likely_prices: dict[Decimal, Decimal | None] = field(default_factory=dict)
    timer_since: datetime | None = None
    minutes: Decimal = Decimal(0)
    closed: Event | None = None

    @property
    def open_points(self) -> list[Point]:
        return [point for point in self.points if point.closed is None]

    def point(self, uid: str) -> Point | None:
        """The point that was opened by an event, or by one that the event was corrected to."""
        before = {event.uid: event.supersedes for event in self.events}
        for point in self.points:
            known = point.event.uid
            while known and known != uid:
                known = before.get(known, "")
            if known:
                return point
        return None

    def own_price(self, price: bodies.Price, used: bodies.PartUsed) -> bodies.Price:
        """What a lot's part costs this job: a rate that leads to another currency says nothing here.

        A lot may serve jobs in several currencies. In its own no rate is needed.
        """
        if price.currency == self.currency:
            rate = None
        elif used.rate is not None:
            rate = used.rate
        else:
            rate = price.rate if price.rate_in in ("", self.currency) else None
        return msgspec.structs.replace(price, rate=rate, rate_in="")

    @property
    def stage(self) -> str:
        """Where the job is, in a word or two."""
        if self.closed is not None:
            assert isinstance(self.closed.body, bodies.Closed)
            return self.closed.body.outcome
        if self.wanted:
            return "waiting for parts"
        if self.acceptance and all(_result(e) == "passed" for e in self.acceptance.values()):
            return "proved"
        if self.confirmed and not self._more_is_wrong():
            return "being mended"
        if self.readings or self.confirmed:
            return "being diagnosed"
        return "taken in" if self.taken_in is not None else "opened"

    def _more_is_wrong(self) -> bool:
        """Whether it still shows something, or failed a test, after the last proved fault was mended.

        Readings alone say nothing of that: they are also taken to see whether the mend is good.
        """
        place = {event.uid: n for n, event in enumerate(standing(self.events))}
        fault = self.confirmed[-1]
        proved, ref = place[fault.uid], _only([fault], bodies.Confirmed)[0].body.place.partition(".")[0]
        mends = [
            e for e in _only([*self.actions, *self.parts], bodies.Action | bodies.PartUsed)
            if getattr(e.body, "deed", "replaced") in MENDS
            and (place[e.uid] > proved or (ref and e.body.where.startswith(ref)))
        ]  # fmt: skip
        if not mends:
            return False
        since = max(proved, *(place[e.uid] for e in mends))
        shown = [e for e in _only(self.readings, bodies.Reading) if e.body.quantity == "symptom"]
        failed = [e for e in self.acceptance.values() if _result(e) == "failed"]
        return any(place[e.uid] > since for e in (*self.symptoms, *shown, *failed))

    @property
    def waiting_for(self) -> str:
        """What it waits for: parts that are short, then the first open point."""
        parts = [f"{n} x {kind} {value}".strip() for (kind, value), n in self.wanted.items()]
        points = [point.text for point in self.open_points]
        return "; ".join([*parts, *points[:1]])

    def ledger(self, prices: dict[str, bodies.Price] | None = None) -> money.Ledger:
        """The job's money.

        Parameters
        ----------
        prices : dict, optional
            Lot: what one of it cost; parts of other lots cost nothing.
        """
        entries: list[Any] = []
        if self.taken_in is not None and self.taken_in_event is not None:
            for kind, price in (("purchase", self.taken_in.price), ("postage", self.taken_in.postage)):
                if price is not None:
                    entries.append(_entry(money.Cost, kind, price, self.taken_in_event))
        entries += [_entry(money.Cost, e.body.kind, e.body.price, e) for e in _only(self.costs, bodies.Cost)]
        entries += [
            _entry(money.Income, e.body.kind, e.body.price, e) for e in _only(self.incomes, bodies.Income)
        ]
        entries += [
            money.PercentFee(e.body.percent, evidence=e.uid, text=e.body.note)
            for e in _only(self.fees, bodies.Fee)
        ]
        for e in _only(self.parts, bodies.PartUsed):
            price = (prices or {}).get(e.body.lot)
            if price is not None:
                own = self.own_price(price, e.body)
                entries.append(_entry(money.Cost, "parts", own, e, times=e.body.quantity))
        entries += [
            money.Hours(minutes / 60, evidence=e.uid)
            for (e, _), minutes in zip(self.times, self.exact_times, strict=True)
        ]
        hourly = None if self.rate_per_hour is None else Amount(self.rate_per_hour, self.currency)
        return money.Ledger(self.currency, entries, hourly)


def derive(uid: str, events: Sequence[Event], before: Event | None = None) -> JobState:
    """What a job is, by its events in the order of their numbers.

    Parameters
    ----------
    uid : str
        The job's identity.
    events : sequence of Event
        All of the job, or those up to a moment.
    before : Event, optional
        One that stands: only what stands before it is looked at.
    """
    state = JobState(uid, list(events))
    for event in standing(events):
        if before is not None and event.uid == before.uid:
            break
        _APPLY.get(type(event.body), _ignore)(state, event, event.body)
    if events:
        state.opened = events[0].at
        state.updated = max(event.recorded for event in events)
    return state


def key_of_test(what: str) -> str:
    """A test's name as it is known by: capital letters, spaces and underlines make no other test."""
    return " ".join(what.replace("_", " ").casefold().split())


def _result(event: Event) -> str:
    assert isinstance(event.body, bodies.Acceptance)
    return event.body.result


def _only(events: Sequence[Event], kind: Any) -> list[Any]:
    return [event for event in events if isinstance(event.body, kind)]


def _entry(make: Any, kind: str, price: bodies.Price, event: Event, times: int = 1) -> Any:
    tax = None
    if price.tax_percent is not None:
        tax = money.Tax(price.tax_percent, price.tax_included, price.tax_settled)
    amount = Amount(price.value * times, price.currency)
    return make(
        kind, amount, rate=price.rate, tax=tax, evidence=event.uid, text=getattr(event.body, "note", "")
    )


# -- one function for each kind of event ---------------------------------------------------------------------


def _ignore(state: JobState, event: Event, body: Any) -> None:
    """What concerns the bench and not the job."""


def _opened(state: JobState, event: Event, body: bodies.Opened) -> None:
    state.title, state.currency, state.rate_per_hour = body.title, body.currency, body.rate_per_hour


def _identity(state: JobState, event: Event, body: bodies.Identity) -> None:
    for name in body.__struct_fields__:
        if getattr(body, name) is not None:
            setattr(state, name, getattr(body, name))
    state.identity_events.append(event)


def _taken_in(state: JobState, event: Event, body: bodies.TakenIn) -> None:
    state.taken_in, state.taken_in_event = body, event


def _board_state(state: JobState, event: Event, body: bodies.BoardState) -> None:
    state.board_state = body.state


def _tied(state: JobState, event: Event, body: bodies.PhotoTied) -> None:
    if body.points:
        state.ties[body.sha256] = event
    else:
        state.ties.pop(body.sha256, None)


def _open_point(state: JobState, event: Event, body: bodies.OpenPoint) -> None:
    state.points.append(Point(event, body.text))


def _point_closed(state: JobState, event: Event, body: bodies.PointClosed) -> None:
    point = state.point(body.point)
    if point is not None:
        point.closed = event


def _acceptance(state: JobState, event: Event, body: bodies.Acceptance) -> None:
    state.acceptance[key_of_test(body.what)] = event


def _reserved(state: JobState, event: Event, body: bodies.PartReserved) -> None:
    if body.quantity and state.closed is None:
        state.reserved[body.lot] = body.quantity
    else:
        state.reserved.pop(body.lot, None)


def _used(state: JobState, event: Event, body: bodies.PartUsed) -> None:
    state.parts.append(event)
    left = state.reserved.get(body.lot, 0) - body.quantity
    if left > 0:
        state.reserved[body.lot] = left
    else:
        state.reserved.pop(body.lot, None)


def _wanted(state: JobState, event: Event, body: bodies.PartWanted) -> None:
    if body.quantity:
        state.wanted[body.kind, body.value] = body.quantity
    else:
        state.wanted.pop((body.kind, body.value), None)


def _timer_started(state: JobState, event: Event, body: bodies.TimerStarted) -> None:
    if state.timer_since is None:
        state.timer_since = event.at


def _timer_stopped(state: JobState, event: Event, body: bodies.TimerStopped | bodies.Closed) -> None:
    if state.timer_since is not None:
        seconds = max(0, round((event.at - state.timer_since).total_seconds()))
        _add_time(state, event, Decimal(seconds) / 60, Fraction(seconds, 60))
        state.timer_since = None


def _time(state: JobState, event: Event, body: bodies.Time) -> None:
    _add_time(state, event, body.minutes, Fraction(body.minutes))


def _add_time(state: JobState, event: Event, minutes: Decimal, exact: Fraction) -> None:
    state.times.append((event, minutes))
    state.exact_times.append(exact)
    state.minutes += minutes


def _likely(state: JobState, event: Event, body: bodies.LikelyPrice) -> None:
    if body.chance == 0:
        state.likely_prices.pop(body.value, None)
    else:
        state.likely_prices[body.value] = body.chance


def _closed(state: JobState, event: Event, body: bodies.Closed) -> None:
    _timer_stopped(state, event, body)
    state.closed = event
    state.reserved.clear()


def _reopened(state: JobState, event: Event, body: bodies.Reopened) -> None:
    state.closed = None


def _to(name: str) -> Callable[[JobState, Event, Any], None]:
    def put(state: JobState, event: Event, body: Any) -> None:
        getattr(state, name).append(event)

    return put


_APPLY: dict[type, Callable[[JobState, Event, Any], None]] = {
    bodies.Opened: _opened,
    bodies.Identity: _identity,
    bodies.TakenIn: _taken_in,
    bodies.Symptom: _to("symptoms"),
    bodies.Reading: _to("readings"),
    bodies.BoardState: _board_state,
    bodies.Look: _to("looks"),
    bodies.Attachment: _to("attachments"),
    bodies.PhotoTied: _tied,
    bodies.Action: _to("actions"),
    bodies.PartUsed: _used,
    bodies.PartReserved: _reserved,
    bodies.PartWanted: _wanted,
    bodies.TimerStarted: _timer_started,
    bodies.TimerStopped: _timer_stopped,
    bodies.Time: _time,
    bodies.Cost: _to("costs"),
    bodies.Income: _to("incomes"),
    bodies.Fee: _to("fees"),
    bodies.LikelyPrice: _likely,
    bodies.OpenPoint: _open_point,
    bodies.PointClosed: _point_closed,
    bodies.Acceptance: _acceptance,
    bodies.Confirmed: _to("confirmed"),
    bodies.Note: _to("notes"),
    bodies.Closed: _closed,
    bodies.Reopened: _reopened,
}
