"""A job's history: everything recorded, with what became of it; correcting what was recorded wrongly."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass
from datetime import date

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...jobs import Event, JobState, bodies
from ...jobs.history import standing
from ...jobs.log import log_lines
from ...jobs.telling import told_with_points
from ..page import bench_of, go, known_as, number_of, shows, takes, text_of
from .job_frame import job_of, job_page

KINDS = {
    "readings": (bodies.Reading, bodies.Look, bodies.Symptom, bodies.BoardState),
    "work": (bodies.Action, bodies.Confirmed, bodies.Acceptance),
    "parts": (bodies.PartUsed, bodies.PartWanted, bodies.PartReserved),
    "money and time": (
        bodies.Cost, bodies.Income, bodies.Fee, bodies.LikelyPrice, bodies.Time, bodies.TimerStarted,
        bodies.TimerStopped,
    ),
    "photos and files": (bodies.Attachment,),
    "notes and points": (bodies.Note, bodies.OpenPoint, bodies.PointClosed),
}  # fmt: skip
"""What can be shown alone."""
AT_ONCE = 150
"""Entries on one page."""
_FIXED = ("opened", "identity", "taken-in")


@dataclass(frozen=True)
class Row:
    """An entry as the page shows it.

    Attributes
    ----------
    event : Event
    text : str
    gone : str
        What became of it, empty if it stands.
    photo : bool
        Whether it is a photo that stands.
    correctable : bool
        Whether a line can take its place.
    """

    event: Event
    text: str
    gone: str
    photo: bool
    correctable: bool


def rows_of(job: JobState) -> list[Row]:
    """Everything recorded, the latest first."""
    points = {point.event.uid: point.text for point in job.points}
    stand = {event.uid for event in standing(job.events)}
    later: dict[str, Event] = {event.supersedes: event for event in job.events if event.supersedes}
    rows = []
    for event, text in reversed(told_with_points(list(job.events), points)):
        undone = isinstance(event.body, bodies.Undone)
        gone = ""
        if event.uid not in stand and not undone:
            by = later.get(event.uid)
            taken = by is None or isinstance(by.body, bodies.Undone)
            gone = "taken back" if taken else f"corrected by entry {by.number if by else ''}"
        photo = isinstance(event.body, bodies.Attachment) and event.body.what == "photo" and not gone
        fixed = undone or bool(gone) or event.kind in _FIXED or isinstance(event.body, bodies.Attachment)
        rows.append(Row(event, text, gone, photo, not fixed))
    return rows


@shows
def history(request: Request) -> Response:
    job, asked = job_of(request), request.query_params
    kind, about = asked.get("kind", ""), asked.get("about", "").strip()
    rows = rows_of(job)
    if kind in KINDS:
        rows = [row for row in rows if isinstance(row.event.body, KINDS[kind])]
    if about:
        rows = [row for row in rows if about.lower() in row.text.lower()]
    first = int(asked["from"]) if re.fullmatch(r"\d{1,9}", asked.get("from", "")) else 0
    shown = [row for row in rows if not first or row.event.number <= first]
    page, rest = shown[:AT_ONCE], shown[AT_ONCE:]
    days = [(day, list(there)) for day, there in itertools.groupby(page, _day)]
    return job_page(
        request, "history/history.html", job, days=days, kinds=list(KINDS), kind=kind, about=about,
        entries=len(rows), older=rest[0].event.number if rest else 0,
    )  # fmt: skip


def _day(row: Row) -> date:
    return row.event.at.astimezone().date()


def typed(body: bodies.AnyBody) -> str:
    """The line that would record it, where that is known."""
    match body:
        case bodies.Reading() | bodies.BoardState():
            return body.entry
        case bodies.Note():
            return f"note {body.text}"
        case bodies.Symptom():
            return f"symptom {body.text}"
        case bodies.OpenPoint():
            return f"open: {body.text}"
        case bodies.Time():
            return f"{body.minutes:f} min {body.note}".strip()
    return ""


def _wanted(request: Request) -> tuple[JobState, Row]:
    from ...jobs.errors import NoSuchEvent

    job, number = job_of(request), int(request.path_params["event"])
    row = next((row for row in rows_of(job) if row.event.number == number and row.correctable), None)
    if row is None:
        raise NoSuchEvent(f"entry {number} of job {number_of(request)} is not there, or cannot be corrected")
    return job, row


@shows
def correct(request: Request) -> Response:
    job, row = _wanted(request)
    return job_page(request, "history/correct.html", job, row=row, typed=typed(row.event.body))


@takes()
def corrected(request: Request, form: FormData) -> Response:
    from ...sheets.condition import names_of_functions

    number, event = number_of(request), int(request.path_params["event"])
    line = text_of(form, "line")
    tests = re.match(r"test\b", line, re.IGNORECASE)
    log_lines(
        bench_of(request), number, [line], corrected=event,
        functions=names_of_functions() if tests else None, known_as=known_as(form),
    )  # fmt: skip
    request.app.state.feed.changed(number)
    return go(request, f"/jobs/{number}/history", f"Entry {event} is corrected; the history keeps both.")


routes = [
    Route("/jobs/{number:int}/history", history),
    Route("/jobs/{number:int}/history/{event:int}", correct),
    Route("/jobs/{number:int}/history/{event:int}", corrected, methods=["POST"]),
]
