"""Events in a person's words, one line each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

from . import bodies
from .as_typed import kind_words, with_unit
from .bodies import AnyBody
from .entry_deeds import FOR_FINDER
from .history import Event, standing

MEASURED = ("resistance", "diode", "voltage", "frequency", "current")
"""Quantities that a number with a unit is read of."""


def tell(body: AnyBody) -> str:
    """What an event says, in one line.

    Texts of the person stand as they were typed; what was understood of a reading is told with units.
    """
    how: Callable[[Any], str] = _TELL[type(body)]
    return " ".join(how(body).split())


def tell_state(state: bodies.State) -> str:
    """The state of a board."""
    text = "power on" if state.power else "power off"
    return text + (f", without {', '.join(state.removed)}" if state.removed else "")


def tell_price(price: bodies.Price) -> str:
    """An amount, with its rate and tax."""
    text = f"{price.value:f} {price.currency}"
    if price.rate is not None:
        text += f" at {price.rate:f}"
    if price.tax_percent is not None:
        text += f" {'with' if price.tax_included else 'plus'} {price.tax_percent:f} % tax"
    return text


def _and(text: str, *more: str) -> str:
    return "; ".join(part for part in (text, *more) if part)


def _noted(text: str, note: str) -> str:
    return f"{text}: {note}" if note else text


def _opened(body: bodies.Opened) -> str:
    rate = f", {body.rate_per_hour:f} an hour" if body.rate_per_hour is not None else ""
    return f"job begun: {body.title} (in {body.currency}{rate})"


def _identity(body: bodies.Identity) -> str:
    said = [
        f"{name} {value}"
        for name, value in (
            ("title", body.title), ("case", body.case_label), ("board revision", body.board_revision),
            ("serial", body.serial), ("ROM", body.rom_version), ("board file", body.board_file),
        )
        if value is not None
    ]  # fmt: skip
    return "machine: " + (", ".join(said) or "nothing said")


def _taken_in(body: bodies.TakenIn) -> str:
    text = "taken in"
    text += f" from {body.source}" if body.source else ""
    text += f" for {tell_price(body.price)}" if body.price else ""
    text += f", postage {tell_price(body.postage)}" if body.postage else ""
    came = f"with {', '.join(body.came_with)}" if body.came_with else ""
    return _and(text, f"declared: {body.declared}" if body.declared else "", came)


def tell_value(body: bodies.Reading) -> str:
    """A reading's value with its unit, and with the digits that were typed."""
    if body.quantity == "continuity":
        return with_unit(body.value, "resistance")
    return with_unit(body.value, body.quantity) if body.quantity in MEASURED else body.value


def _reading(body: bodies.Reading) -> str:
    if body.quantity in FOR_FINDER:
        return f"for the finder: {body.a} {body.quantity}"
    if body.quantity == "symptom":
        return f"shows {body.value or body.a}"
    where = f"{body.a} to {body.b}" if body.b else body.a
    if body.quantity in ("look", "smell"):
        told = f"{body.quantity} {where}".strip() + f": {body.value}"
    else:
        told = f"{body.quantity} {where}".strip() + f" = {tell_value(body)}, {tell_state(body.state)}"
    return _and(told, "known good unit" if body.good_unit else "", body.instrument, body.note)


def _attachment(body: bodies.Attachment) -> str:
    return _noted(f"{body.what} {body.name} ({tell_size(body.size)})", body.caption)


def tell_size(size: int) -> str:
    """Bytes for reading."""
    for step, unit in ((10**6, "MB"), (10**3, "kB")):
        if size >= step:
            return f"{size / step:.1f} {unit}"
    return f"{size} bytes"


def _tied(body: bodies.PhotoTied) -> str:
    if not body.points:
        return "photo untied from the board"
    return f"photo tied to the board's {body.side} by {', '.join(point.pin for point in body.points)}"


def _action(body: bodies.Action) -> str:
    told = _noted(f"{body.deed} {body.where}".strip(), body.note)
    return _and(told, f"why: {body.why}" if body.why else "", f"to undo: {body.undo}" if body.undo else "")


def _where(where: str) -> str:
    return f" for {where}" if where else ""


def _wanted(body: bodies.PartWanted) -> str:
    what = f"{body.kind} {body.value}".strip()
    if not body.quantity:
        return f"no longer wanted: {what}"
    return f"wanted: {body.quantity} x {what}" + (f", {body.note}" if body.note else "")


def _reserved(body: bodies.PartReserved) -> str:
    return f"set aside: {body.quantity} x {body.lot}" if body.quantity else f"let go: {body.lot}"


def _likely(body: bodies.LikelyPrice) -> str:
    if body.chance == 0:
        return f"not likely after all: {body.value:f}"
    return f"may sell for {body.value:f}" + (
        f" (chance {body.chance:f} %)" if body.chance is not None else ""
    )


def _acceptance(body: bodies.Acceptance) -> str:
    return _noted(f"test {body.what} {body.result}", body.found)


def _confirmed(body: bodies.Confirmed) -> str:
    what = f"{kind_words(body.part_kind)} {body.place}".strip()
    return _noted(f"fault proved: {body.mode}" + (f", {what}" if what else ""), body.note)


def _received(body: bodies.StockReceived) -> str:
    told = f"{body.quantity} x {body.kind} {body.value}".strip() + f" into lot {body.lot}"
    told += f", {tell_price(body.price)} each" if body.price else ""
    return told + (f", {body.where}" if body.where else "")


_TELL: dict[type, Callable[[Any], str]] = {
    bodies.Opened: _opened,
    bodies.Identity: _identity,
    bodies.TakenIn: _taken_in,
    bodies.Symptom: lambda body: f"symptom: {body.text}",
    bodies.Reading: _reading,
    bodies.BoardState: lambda body: f"board: {tell_state(body.state)}",
    bodies.Look: lambda body: f"seen{f' at {body.where}' if body.where else ''}: {body.seen}",
    bodies.Attachment: _attachment,
    bodies.PhotoTied: _tied,
    bodies.Action: _action,
    bodies.PartUsed: lambda body: f"used: {body.quantity} x {body.lot}{_where(body.where)}",
    bodies.PartReserved: _reserved,
    bodies.PartWanted: _wanted,
    bodies.TimerStarted: lambda body: "timer started",
    bodies.TimerStopped: lambda body: _noted("timer stopped", body.note),
    bodies.Time: lambda body: _noted(f"{body.minutes:f} min", body.note),
    bodies.Cost: lambda body: _noted(f"spent {tell_price(body.price)}, {body.kind}", body.note),
    bodies.Income: lambda body: _noted(f"got {tell_price(body.price)}, {body.kind}", body.note),
    bodies.Fee: lambda body: _noted(f"fee {body.percent:f} % of the sale", body.note),
    bodies.LikelyPrice: _likely,
    bodies.OpenPoint: lambda body: f"open point: {body.text}",
    bodies.PointClosed: lambda body: _noted("open point settled", body.note),
    bodies.Acceptance: _acceptance,
    bodies.Confirmed: _confirmed,
    bodies.Note: lambda body: f"note: {body.text}",
    bodies.Closed: lambda body: _noted(f"closed, {body.outcome}", body.note),
    bodies.Reopened: lambda body: _noted("reopened", body.note),
    bodies.Undone: lambda body: _noted("taken back", body.why),
    bodies.StockReceived: _received,
    bodies.StockCounted: lambda body: _noted(f"{body.quantity} of {body.lot} counted", body.note),
    bodies.StockMoved: lambda body: f"{body.lot} moved to {body.where}",
}


def one_deed(events: Sequence[Event], event: Event) -> list[Event]:
    """The events that stand and were recorded as one deed with an event, that one among them.

    What was done to a part is an action, a reading for the finder and perhaps a part used: three events that
    are taken back and corrected together.
    """
    key = _deed(event)
    if key is None:
        return [event]
    by_uid = {one.uid: one for one in events}
    moments = _moments(event, by_uid)
    return [
        one for one in standing(events)
        if one.uid == event.uid or (_deed(one) == key and moments & _moments(one, by_uid))
    ]  # fmt: skip


def _moments(event: Event, by_uid: Mapping[str, Event]) -> set[datetime]:
    """When an event was written down, and all that it corrects: a deed's events have one in common."""
    found = {event.recorded}
    while (old := by_uid.get(event.supersedes)) is not None:
        event = old
        found.add(event.recorded)
    return found


def _deed(event: Event) -> tuple[object, ...] | None:
    body = event.body
    if isinstance(body, bodies.Action):
        return (event.at, body.deed, body.where.partition(" ")[0].partition(".")[0])
    if isinstance(body, bodies.Reading) and body.quantity in FOR_FINDER:
        return (event.at, body.quantity, body.a)
    if isinstance(body, bodies.PartUsed) and body.where:
        return (event.at, "replaced", body.where.partition(" ")[0].partition(".")[0])
    return None


def without_echoes(events: Sequence[Event]) -> list[Event]:
    """The events without readings that only tell the finder of a deed that stands among them."""
    deeds = {_deed(event) for event in events if isinstance(event.body, bodies.Action)}
    return [e for e in events if not (isinstance(e.body, bodies.Reading) and _deed(e) in deeds - {None})]


def told_with_points(events: Sequence[Event], points: Mapping[str, str]) -> list[tuple[Event, str]]:
    """Each event with its words; what settles an open point names it.

    Parameters
    ----------
    events : sequence of Event
    points : mapping
        Identity of the event that opened a point: its text.
    """
    told = []
    for event in events:
        text = tell(event.body)
        if isinstance(event.body, bodies.PointClosed) and event.body.point in points:
            text = text.replace("open point settled", f"settled: {points[event.body.point]}", 1)
        told.append((event, text))
    return told
