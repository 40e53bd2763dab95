"""A job's first page: the next check, the line to type on, and the suspects."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...caution import Caution
from ...caution import get as caution
from ...finding.reading import HEATS, LOGIC, LOOKS
from ...jobs import Event, JobState
from ...jobs.bodies import TimerStarted, TimerStopped
from ...jobs.log import bring_back, log_lines, take_back
from ...jobs.stages import ENDS
from ...jobs.telling import tell_state, told_with_points, without_echoes
from ..judge import Known
from ..page import bench_of, go, known_as, number_of, shows, takes, text_of
from .job_frame import job_of, job_page

if TYPE_CHECKING:
    from ...finding import Check  # the finders' process loads what belongs to it; this one starts without

WORDS = {"look": LOOKS, "heat": HEATS, "logic": LOGIC}
"""What may be seen at a check that has words and no number."""
LATEST = 4


@dataclass(frozen=True)
class Card:
    """A check as the page shows it.

    Attributes
    ----------
    first : list of (str, str)
        What to do before it, each with the line that records it.
    prefix : str
        What a line begins with that records its reading.
    words : tuple of str
        What may be seen, where it is no number.
    units : tuple of (str, str)
        Keys of the number pad: what each says and what it writes.
    """

    check: Check
    cautions: list[Caution]
    first: list[tuple[str, str]]
    prefix: str
    words: tuple[str, ...]
    units: tuple[tuple[str, str], ...]


_UNITS = {
    "resistance": (("Ω", "R"), ("kΩ", "k"), ("MΩ", "M"), ("over limit", "OL")),
    "continuity": (("Ω", "R"), ("beep", "beep"), ("no beep", "no beep"), ("over limit", "OL")),
    "voltage": (("V", "V"), ("mV", "mV"), ("−", "-")),
    "diode": (("V", "V"), ("mV", "mV"), ("over limit", "OL")),
    "frequency": (("Hz", "Hz"), ("kHz", "kHz"), ("MHz", "MHz")),
    "current": (("A", "A"), ("mA", "mA")),
}
_NAMED = ("diode", "heat", "look", "frequency", "current", "logic")


def card_of(check: Check, job: JobState) -> Card:
    """A check with what is to be done first, from the state that the board is in."""
    state = job.board_state
    first: list[tuple[str, str]] = []
    missing = [ref for ref in check.removed if ref not in state.removed]
    fit = [ref for ref in state.removed if ref not in check.removed]
    if (missing or fit) and state.power:
        first.append(("Switch the power off", "power off"))
    if missing:
        first.append((f"Take out {', '.join(missing)}", f"out {' '.join(missing)}"))
    if fit:
        first.append((f"Put back {', '.join(fit)}", f"in {' '.join(fit)}"))
    needs_off = check.quantity in ("resistance", "continuity", "diode")
    if check.power and (not state.power or missing or fit):
        first.append(("Switch the power on", "power on"))
    elif needs_off and state.power and not (missing or fit):
        first.append(("Switch the power off", "power off"))
    where = " ".join(part for part in (check.a, check.b) if part)
    prefix = f"{check.quantity} {where}" if check.quantity in _NAMED else where
    return Card(
        check, [caution(key) for key in check.cautions], first, prefix, WORDS.get(check.quantity, ()),
        _UNITS.get(check.quantity, ()),
    )  # fmt: skip


def _known(request: Request, job: JobState) -> Known:
    """What the fault finder says; nothing is asked of it for a job without a board."""
    if not job.board_text.strip():
        return Known(problem="no board")
    known: Known = request.app.state.judge.look(number_of(request), job.events[-1].number)
    return known


def _values(request: Request, job: JobState) -> dict[str, Any]:
    known = _known(request, job)
    judgement = known.judgement
    cards = [] if judgement is None else [card_of(check, job) for check in judgement.checks]
    stale = judgement is not None and judgement.newest != job.events[-1].number
    return {
        "known": known, "judgement": judgement, "card": cards[0] if cards else None, "others": cards[1:],
        "stale": stale, "latest": latest(job), "remedies": _remedies(known), "closed": job.stage in ENDS,
        "running": _running(job),
    }  # fmt: skip


def _remedies(known: Known) -> list[tuple[object, list[Caution]]]:
    """What to do about the likeliest suspect, with its cautions, where mending is due."""
    judgement = known.judgement
    if judgement is None or not judgement.suspects or (judgement.checks and judgement.advice.due != "mend"):
        return []
    found = judgement.suspects[0].remedies
    return [(remedy, [caution(key) for key in remedy.cautions]) for remedy in found]


def _running(job: JobState) -> int | None:
    """Minutes that the timer has run; None if it does not."""
    if job.timer_since is None:
        return None
    return max(0, int((datetime.now(UTC) - job.timer_since).total_seconds() // 60))


def latest(job: JobState, limit: int = LATEST) -> list[tuple[Event, str]]:
    """What stands of what was recorded last, in words, newest first."""
    from ...jobs.history import standing

    points = {point.event.uid: point.text for point in job.points}
    kept = [event for event in without_echoes(standing(job.events)) if event.kind != "undone"]
    return list(reversed(told_with_points(kept[-limit:], points)))


@shows
def check(request: Request) -> Response:
    job = job_of(request)
    line = request.query_params.get("line", "")[:200]  # begun elsewhere, such as on the board's map
    return job_page(request, "job/check.html", job, line=line, **_values(request, job))


@shows
def next_part(request: Request) -> Response:
    """The card alone, for a page that is open."""
    job = job_of(request)
    return job_page(request, "job/next.html", job, **_values(request, job))


@shows
def suspects_part(request: Request) -> Response:
    job = job_of(request)
    return job_page(request, "job/suspects.html", job, **_values(request, job))


@shows
def head_part(request: Request) -> Response:
    job = job_of(request)
    return job_page(request, "job/head.html", job, running=_running(job))


@takes()
def log(request: Request, form: FormData) -> Response:
    from ...sheets.condition import names_of_functions  # what a test may be called

    number = number_of(request)
    line = text_of(form, "line")
    functions = names_of_functions() if re.search(r"^\s*test\b", line, re.IGNORECASE | re.MULTILINE) else {}
    done = log_lines(
        bench_of(request), number, line.splitlines() or [""], meter=text_of(form, "meter"),
        functions=functions, known_as=known_as(form),
    )  # fmt: skip
    request.app.state.feed.changed(number)
    points = {point.event.uid: point.text for point in done.after.points}
    told = [text for _, text in told_with_points(without_echoes(done.events), points)]
    if done.after.board_state != done.before.board_state:
        told.append(f"the board is now: {tell_state(done.after.board_state)}")
    return go(request, _back(request, form), f"Recorded: {'; '.join(told)}")


def _back(request: Request, form: FormData) -> str:
    """The page of this job that the form stood on."""
    number = number_of(request)
    back = text_of(form, "back")
    return back if re.fullmatch(rf"/jobs/{number}(/[a-z0-9/-]*)?", back) else f"/jobs/{number}"


@takes()
def undo(request: Request, form: FormData) -> Response:
    number = number_of(request)
    done = take_back(bench_of(request), number, known_as=known_as(form))
    request.app.state.feed.changed(number)
    points = {point.event.uid: point.text for point in done.before.points}
    told = [text for _, text in told_with_points(without_echoes(done.gone), points)]
    return go(request, _back(request, form), f"Taken back: {'; '.join(told)}")


@takes()
def redo(request: Request, form: FormData) -> Response:
    number = number_of(request)
    done = bring_back(bench_of(request), number, known_as=known_as(form))
    request.app.state.feed.changed(number)
    points = {point.event.uid: point.text for point in done.after.points}
    told = [text for _, text in told_with_points(without_echoes(done.gone), points)]
    return go(request, _back(request, form), f"Brought back: {'; '.join(told)}")


@takes()
def timer(request: Request, form: FormData) -> Response:
    number, bench = number_of(request), bench_of(request)
    if text_of(form, "do") == "start":
        bench.record(number, TimerStarted(), known_as=known_as(form))
        said = "The timer runs."
    else:
        bench.record(number, TimerStopped(note=text_of(form, "note")), known_as=known_as(form))
        said = "The timer is stopped; the time went to the job."
    request.app.state.feed.changed(number)
    return go(request, _back(request, form), said)


routes = [
    Route("/jobs/{number:int}", check),
    Route("/jobs/{number:int}/next", next_part),
    Route("/jobs/{number:int}/suspects", suspects_part),
    Route("/jobs/{number:int}/head", head_part),
    Route("/jobs/{number:int}/log", log, methods=["POST"]),
    Route("/jobs/{number:int}/undo", undo, methods=["POST"]),
    Route("/jobs/{number:int}/redo", redo, methods=["POST"]),
    Route("/jobs/{number:int}/timer", timer, methods=["POST"]),
]
