"""Histories: events that are never changed, only superseded by later ones.

An event is in force unless an undo that is in force takes it back; so an undo can be undone. An event that is
in force stands unless a correction that is in force has taken its place; so a correction can be corrected
without bringing back what it corrected. What takes an event's place stands where that event stood.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from .bodies import AnyBody, Undone, kind_of, to_json


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened.

    Attributes
    ----------
    number : int
        Place in the bench's history; later events have higher numbers.
    uid : str
        Identity, the same on every bench.
    job : str
        Identity of the job; empty for what concerns the whole bench.
    at : datetime
        When it happened, UTC.
    recorded : datetime
        When it was written down, UTC.
    supersedes : str
        Identity of the event that it corrects or takes back; empty if none.
    body : AnyBody
    """

    number: int
    uid: str
    job: str
    at: datetime
    recorded: datetime
    supersedes: str
    body: AnyBody

    @property
    def kind(self) -> str:
        return kind_of(self.body)

    def digest(self) -> str:
        """SHA-256 of all that was recorded but the number, which differs between benches."""
        return digest(
            self.uid, self.job, to_iso(self.at), to_iso(self.recorded), self.supersedes, to_json(self.body)
        )


def digest(uid: str, job: str, at: str, recorded: str, supersedes: str, body: str) -> str:
    """SHA-256 of an event's fields, a line feed between them."""
    return hashlib.sha256("\n".join((uid, job, at, recorded, supersedes, body)).encode()).hexdigest()


def to_iso(moment: datetime) -> str:
    """A moment as stored: UTC, microseconds, Z."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def from_iso(text: str) -> datetime:
    """A moment from how it is stored."""
    return datetime.fromisoformat(text.replace("Z", "+00:00"))


def standing(events: Sequence[Event]) -> list[Event]:
    """The events that stand, in the order of what they took the place of.

    Parameters
    ----------
    events : sequence of Event
        In the order of their numbers. One that supersedes comes after what it supersedes.

    Returns
    -------
    list of Event
        Without undos, which say nothing themselves.
    """
    place = places(events)
    kept = [event for event in not_superseded(events) if not isinstance(event.body, Undone)]
    return sorted(kept, key=lambda e: (place[e.uid], e.number))


def places(events: Iterable[Event]) -> dict[str, int]:
    """Where each event stands, by its identity: the number of what it took the place of in the end.

    Parameters
    ----------
    events : iterable of Event
        In the order of their numbers.
    """
    place: dict[str, int] = {}
    for event in events:
        place[event.uid] = place.get(event.supersedes, event.number) if event.supersedes else event.number
    return place


def not_superseded(events: Sequence[Event]) -> list[Event]:
    """What can still be corrected or taken back: the events that stand, and the undos that do."""
    taken_back: set[str] = set()
    replaced: set[str] = set()
    for event in reversed(events):  # what supersedes comes later
        if event.supersedes and event.uid not in taken_back:
            (taken_back if isinstance(event.body, Undone) else replaced).add(event.supersedes)
    gone = taken_back | replaced
    return [event for event in events if event.uid not in gone]


def rivals(events: Sequence[Event]) -> dict[str, list[Event]]:
    """Corrections in force of one and the same event, by its identity, where there is more than one."""
    taken_back: set[str] = set()
    found: dict[str, list[Event]] = {}
    for event in reversed(events):
        if event.supersedes and event.uid not in taken_back:
            if isinstance(event.body, Undone):
                taken_back.add(event.supersedes)
            else:
                found.setdefault(event.supersedes, []).insert(0, event)
    return {uid: several for uid, several in found.items() if len(several) > 1}


def last_to_undo(events: Sequence[Event]) -> Event | None:
    """The latest event that stands and can be taken back; None if only the beginning is left."""
    kept = {event.uid for event in standing(events)}
    for event in reversed(events):
        # A lot that came with a job from another bench stays with it.
        if event.uid in kept and event.kind != "opened" and not getattr(event.body, "of_job", ""):
            return event
    return None


def last_undo(events: Sequence[Event]) -> Event | None:
    """The latest undo that stands, for taking it back; what took back an undo is none itself."""
    by_uid = {event.uid: event for event in events}
    for event in reversed(not_superseded(events)):
        if isinstance(event.body, Undone):
            target = by_uid.get(event.supersedes)
            if target is None or not isinstance(target.body, Undone):
                return event
    return None


def up_to(events: Iterable[Event], number: int) -> list[Event]:
    """The history as it was when the event of that number had been recorded."""
    return [event for event in events if event.number <= number]
