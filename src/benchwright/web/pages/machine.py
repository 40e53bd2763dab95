"""What machine a job is about: its facts, its board, and correcting both; its end."""

from __future__ import annotations

from typing import get_args

import msgspec
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...errors import BadFile, BenchwrightError
from ...jobs import JobState, bodies
from ...jobs.kept_board import read_kept
from ...jobs.stages import ENDS
from ..machine_form import DEMO_BOARD, FACTS, BadForm, identity_of, rate_of, taken_in_of
from ..page import bench_of, go, known_as, number_of, shows, takes, text_of
from .job_frame import job_of, job_page


def _board_words(job: JobState) -> tuple[str, str]:
    """What the kept board is, and what is wrong with it."""
    if not job.board_text.strip():
        return "", ""
    try:
        board = read_kept(job.board_text)
    except BadFile as problem:
        return job.board_file, str(problem)
    name = " ".join(f"{board.name} {board.revision}".split())
    return f"{name}: {len(board.parts)} parts, {len(board.nets)} nets ({job.board_file})", ""


@shows
def machine(request: Request) -> Response:
    job = job_of(request)
    board, problem = _board_words(job)
    taken = job.taken_in or bodies.TakenIn()
    return job_page(
        request, "job/machine.html", job, facts=FACTS, taken=taken, board=board, board_problem=problem,
        demo_board=DEMO_BOARD, price=_typed(taken.price), postage=_typed(taken.postage),
        rate="" if job.rate_per_hour is None else f"{job.rate_per_hour:f}", ended=job.stage in ENDS,
        outcomes=get_args(bodies.Outcome),
    )  # fmt: skip


def _typed(price: bodies.Price | None) -> str:
    """An amount as it could have been typed."""
    if price is None:
        return ""
    rate = "" if price.rate is None else f" at {price.rate:f}"
    tax = ""
    if price.tax_percent is not None:
        tax = f" {'with' if price.tax_included else 'plus'} {price.tax_percent:f}% tax"
    return f"{price.value:f} {price.currency}{rate}{tax}"


@takes(files=3)
def save(request: Request, form: FormData) -> Response:
    job, number = job_of(request), number_of(request)
    known = bodies.Identity(
        case_label=job.case_label, board_revision=job.board_revision, serial=job.serial,
        rom_version=job.rom_version,
    )  # fmt: skip
    changes: list[tuple[bodies.AnyBody, None, str]] = []
    identity = identity_of(form, known)
    title = text_of(form, "title")
    if not title:
        raise BadForm("the title: a job needs one")
    if title != job.title:
        identity = bodies.Identity(
            title=title, case_label=identity.case_label, board_revision=identity.board_revision,
            serial=identity.serial, rom_version=identity.rom_version, board_file=identity.board_file,
            board_text=identity.board_text,
        )  # fmt: skip
    if identity != bodies.Identity():
        changes.append((identity, None, ""))
    old = job.taken_in or bodies.TakenIn()
    taken = _taken_in(form, old, job.currency)
    if taken != old:
        changes.append((taken, None, job.taken_in_event.uid if job.taken_in_event else ""))
    rate = rate_of(form, job.currency)
    if rate != job.rate_per_hour:
        uid, begun = next(
            (event.uid, event.body) for event in reversed(job.events) if isinstance(event.body, bodies.Opened)
        )
        changes.append((msgspec.structs.replace(begun, rate_per_hour=rate), None, uid))
    if not changes:
        return go(request, f"/jobs/{number}/machine", "Nothing was changed.")
    bench_of(request).record_each(number, changes, known_as=known_as(form))
    request.app.state.feed.changed(number)
    return go(request, f"/jobs/{number}/machine", "Recorded.")


def _taken_in(form: FormData, old: bodies.TakenIn, currency: str) -> bodies.TakenIn:
    """As typed; an amount that was left as it stood keeps what a line cannot say of it."""
    taken = taken_in_of(form, old, currency)
    kept = {
        name: getattr(old, name) for name in ("price", "postage")
        if text_of(form, name) == _typed(getattr(old, name))
    }  # fmt: skip
    return bodies.TakenIn(
        source=taken.source, declared=taken.declared, came_with=taken.came_with,
        price=kept.get("price", taken.price), postage=kept.get("postage", taken.postage),
    )  # fmt: skip


@takes()
def end(request: Request, form: FormData) -> Response:
    number, outcome = number_of(request), text_of(form, "outcome")
    if outcome == "reopen":
        said: bodies.AnyBody = bodies.Reopened(note=text_of(form, "note"))
    elif outcome in get_args(bodies.Outcome):
        said = bodies.Closed(outcome=outcome, note=text_of(form, "note"))  # type: ignore[arg-type]
    else:
        raise BenchwrightError(f"how did it end? Expected one of {', '.join(get_args(bodies.Outcome))}")
    bench_of(request).record(number, said, known_as=known_as(form))
    request.app.state.feed.changed(number)
    return go(request, f"/jobs/{number}/machine", "The job goes on." if outcome == "reopen" else "Closed.")


routes = [
    Route("/jobs/{number:int}/machine", machine),
    Route("/jobs/{number:int}/machine", save, methods=["POST"]),
    Route("/jobs/{number:int}/end", end, methods=["POST"]),
]
