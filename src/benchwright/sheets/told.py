"""A job's events in words and with their numbers, for every sheet; nothing about money.

Events have the numbers under which the bench shows them (`job show`). These differ between benches; where a
sheet must be the same on every bench that holds the job, they are counted 1, 2, 3 ... within the job instead,
those that no longer stand among them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime

from ..finding.reading import EVENTS
from ..jobs import Event, JobState, bodies
from ..jobs.as_typed import kind_words, with_unit
from ..jobs.history import standing
from ..jobs.stock import Lot, lot_for
from .things import Evidence, Machine, Reading

CHANGE_VERB = re.compile(r"\s*(cut|link|lift|fit|remove)\b", re.IGNORECASE)
_SHOWN = {
    "diode": "diode drop",
    "look": "look at",
    "smell": "smell of",
    "heat": "heat of",
    "symptom": "shows",
}
SENSED = ("look", "smell", "heat", "symptom")
"""Quantities that no instrument tells."""
_TWO_POINTS = ("resistance", "continuity", "diode", "voltage")
_IDENTITY = {
    "title": "", "case_label": "label on the case", "board_revision": "board revision",
    "serial": "serial number", "rom_version": "ROM version",
}  # fmt: skip


class History:
    """A job's events that stand, with the numbers under which they are printed.

    Parameters
    ----------
    state : JobState
    lots : mapping, optional
        The stock by lot, so that parts used can be named.
    own_numbers : bool
        Number events within the job, instead of as the bench does.
    """

    def __init__(
        self, state: JobState, lots: Mapping[str, Lot] | None = None, own_numbers: bool = False
    ) -> None:
        self.state = state
        self.lots = dict(lots or {})
        self.events = standing(state.events)
        self._numbers = {
            event.uid: place if own_numbers else event.number for place, event in enumerate(state.events, 1)
        }
        self._places = {event.uid: place for place, event in enumerate(self.events)}
        self.deeds = _deeds(self.events)
        self._corrected = {event.supersedes: event for event in state.events if event.supersedes}

    def number(self, event: Event) -> int:
        """The event's number, as it is printed."""
        return self._numbers[event.uid]

    def place(self, event: Event) -> int:
        """Where it stands among those that stand: a correction stands where the corrected event stood."""
        return self._places[event.uid]

    def find(self, uid: str) -> Event | None:
        """The event of that identity, or what stands in its place; None if it was taken back."""
        seen: set[str] = set()
        while uid not in self._places:
            later = self._corrected.get(uid)
            if later is None or later.uid in seen:
                return None
            seen.add(later.uid)
            uid = later.uid
        return self.events[self._places[uid]]

    def evidence(self, event: Event) -> Evidence:
        """The event as what a statement stands on."""
        return Evidence(self.number(event), event.at, self.told(event.body))

    @property
    def latest(self) -> datetime:
        """When the latest thing happened or was written down, of all events: the date of a sheet."""
        return max(max(event.at, event.recorded) for event in self.state.events)

    @property
    def machine(self) -> Machine:
        state = self.state
        return Machine(state.title, state.case_label, state.board_revision, state.serial, state.rom_version)

    @property
    def identified(self) -> tuple[Evidence, ...]:
        """The events that say what machine it is: for each field the last that says it."""
        found: dict[str, Event] = {}
        for event in self.events:
            if isinstance(event.body, bodies.Opened):
                found["title"] = event
            elif isinstance(event.body, bodies.Identity):
                found |= {name: event for name in _IDENTITY if getattr(event.body, name) is not None}
        kept = {event.uid: event for event in found.values()}
        return tuple(self.evidence(event) for event in sorted(kept.values(), key=self.place))

    def lot(self, name: str) -> Lot | None:
        """The lot that the job means by a name."""
        return lot_for(self.lots, self.state.uid, name)

    def part(self, lot: str) -> str:
        """What is in a lot, in words."""
        known = self.lot(lot)
        if known is None:
            return f"part of lot {lot}"
        used = f" ({known.condition})" if known.condition not in ("", "new") else ""
        return f"{known.kind} {known.value}".strip() + used

    def told(self, body: bodies.AnyBody) -> str:
        """What an event says, in words; never what anything cost."""
        told = _told(self, body)
        return told if told.strip() else bodies.kind_of(body).replace("-", " ")


def _told(history: History, body: bodies.AnyBody) -> str:
    match body:
        case bodies.Opened():
            return f"job opened: {body.title}"
        case bodies.Identity():
            said = [(words, getattr(body, name)) for name, words in _IDENTITY.items()]
            return "identity: " + ", ".join(f"{words} {value}".strip() for words, value in said if value)
        case bodies.TakenIn():
            return _joined(
                "taken in", body.declared and f"declared: {body.declared}",
                body.came_with and f"came with {', '.join(body.came_with)}", by="; ",
            )  # fmt: skip
        case bodies.Symptom():
            return f"symptom: {body.text}"
        case bodies.Reading() if is_deed(body):
            return _joined(f"{body.quantity} {body.a}".strip(), body.note, by=": ")
        case bodies.Reading():
            return f"{subject(body)}: {reading_result(body)}"
        case bodies.Look():
            return _joined(f"looked at {body.where}" if body.where else "seen", body.seen, by=": ")
        case bodies.Attachment():
            return f"{body.what}: {body.caption.strip() or body.name.strip() or 'Photo'}"
        case bodies.PhotoTied():
            return "photo tied to the board" if body.points else "photo untied from the board"
        case bodies.Action():
            return _joined(action_words(body), body.why and f"why: {body.why}", by="; ")
        case bodies.PartUsed():
            at = f" at {body.where}" if body.where else ""
            return f"fitted{at}: {times(body.quantity, history.part(body.lot))}"
        case bodies.PartWanted():
            what = f"{body.kind} {body.value}".strip()
            return _joined(f"wanted: {times(body.quantity, what)}", body.note, by=", ")
        case bodies.OpenPoint():
            return f"open point: {body.text}"
        case bodies.Acceptance():
            return _joined(f"acceptance test, {body.what}: {body.result}", body.found, by="; ")
        case bodies.Confirmed():
            place = f" at {body.place}" if body.place else ""
            return _joined(
                f"fault found{place}: {kind_words(body.part_kind)}, {body.mode}", body.note, by="; "
            )
        case bodies.Note():
            return f"note: {body.text}"
        case _:
            return bodies.kind_of(body).replace("-", " ")


def _deeds(events: Sequence[Event]) -> tuple[tuple[Event, bodies.Action], ...]:
    """What was done, in order; a reading that only tells the fault finder of an action is left out."""
    actions = [(e.at, e.body.deed, e.body.where) for e in events if isinstance(e.body, bodies.Action)]

    def told_already(event: Event) -> bool:
        body = event.body
        return isinstance(body, bodies.Reading) and any(
            (event.at, body.quantity) == (at, deed) and where.startswith(body.a)
            for at, deed, where in actions
        )

    return tuple(
        (event, as_action(event.body)) for event in events if is_deed(event.body) and not told_already(event)
    )


def is_deed(body: bodies.AnyBody) -> bool:
    """Whether something was done; a reading may say so too ("replaced U5")."""
    return isinstance(body, bodies.Action) or (isinstance(body, bodies.Reading) and body.quantity in EVENTS)


def as_action(body: bodies.AnyBody) -> bodies.Action:
    """What was done, whichever way it was recorded."""
    if isinstance(body, bodies.Action):
        return body
    assert isinstance(body, bodies.Reading)
    note = _joined(body.value, body.note, by=", ")
    return bodies.Action(deed=body.quantity, where=body.a, note=note, function=body.function)  # type: ignore[arg-type]


def action_words(body: bodies.Action) -> str:
    """``replaced C14: by an electrolytic``."""
    wordless = body.deed == "done" and (body.where or body.note)
    deed = "" if wordless or (body.deed == "changed" and CHANGE_VERB.match(body.where)) else body.deed
    return _joined(f"{deed} {body.where}".strip(), body.note, by=": ")


def where_read(body: bodies.Reading) -> str:
    """``U3.14 to GND``; a missing second point means ground where the quantity has two."""
    if body.quantity in _TWO_POINTS and body.a:
        return f"{body.a} to {body.b or 'GND'}"
    return " to ".join(filter(None, (body.a, body.b)))


def subject(body: bodies.Reading) -> str:
    """What was read and where: ``voltage +5V to GND``."""
    if not where_read(body) and body.quantity in SENSED:
        return {"look": "looked over", "symptom": "shows"}.get(body.quantity, body.quantity)
    return f"{_SHOWN.get(body.quantity, body.quantity)} {where_read(body)}".strip()


def reading_result(body: bodies.Reading) -> str:
    """What came out, what was expected, and the state in which it was read."""
    came = _joined(with_unit(body.value, body.quantity) or body.note or body.entry, by="")
    if expected := with_unit(body.expected, body.quantity):
        came += f" (expected {expected})"
    note = body.note if body.value else ""
    return _joined(came, state_words(body), note, by="; ")


def state_words(body: bodies.Reading) -> str:
    """``power off, U7 out, on a good unit, meter 2``."""
    power = "power on" if body.state.power else "power off" if body.quantity in _TWO_POINTS else ""
    out = f"{', '.join(body.state.removed)} out" if body.state.removed else ""
    return _joined(power, out, body.good_unit and "on a good unit", body.instrument, by=", ")


def reading_of(history: History, event: Event) -> Reading:
    """A recorded reading as the sheets have it."""
    body = event.body
    assert isinstance(body, bodies.Reading)
    return Reading(
        what=_SHOWN.get(body.quantity, body.quantity) or "reading",
        where=where_read(body) or "–",
        value=with_unit(body.value, body.quantity) or body.note or body.entry or "–",
        when=event.at,
        event=history.number(event),
        expected=with_unit(body.expected, body.quantity),
        state=state_words(body),
    )


def times(quantity: int, what: str) -> str:
    """``2 × 4116``, kept on one line."""
    return f"{quantity}\u00a0×\u00a0{what}"


def _joined(*parts: object, by: str) -> str:
    return by.join(str(part).strip() for part in parts if part and str(part).strip())
