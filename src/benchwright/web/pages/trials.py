"""What was tested of a machine, function by function; open points, symptoms, and what a sheet still lacks."""

from __future__ import annotations

from typing import Any

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...caution import get as caution
from ...jobs import JobState
from ...jobs.bodies import Acceptance, Result
from ...jobs.log import log_lines
from ...jobs.stages import ENDS
from ...jobs.telling import tell
from ..machine_form import BadForm
from ..page import bench_of, go, known_as, number_of, shows, takes, text_of
from .job_frame import job_of, job_page

RESULTS: tuple[Result, ...] = ("passed", "failed", "not tested")
MARKS = {
    "works": "✓", "fault": "△", "part": "◊", "fails": "✗", "absent": "–", "seen": "○", "off": "▲",
    "read": "●", "done": "▪",
}  # fmt: skip
"""As the condition report has them: a sign that stands without colour."""
CAUTIONS = {
    "supply": ("charged_capacitor",), "picture": ("picture_tube",), "soak": ("hot_parts",),
    "capacitors": ("charged_capacitor", "leaked_capacitor"), "battery": ("leaking_battery",),
    "tape_deck": ("moving_belts",),
}  # fmt: skip
"""Said before the test of a function, beyond what is said above all of them."""


def words_of(key: str) -> str:
    """A function in a word or two, as its test is called."""
    return key.replace("_", " ")


def _values(request: Request, job: JobState) -> dict[str, Any]:
    from ...sheets.condition import VERDICTS, all_functions
    from ...sheets.from_job import condition_report
    from ...sheets.from_tests import contradictions
    from ...sheets.lacking import lacking
    from ...sheets.told import History

    report = condition_report(job, number_of(request), lots=bench_of(request).stock())
    names: dict[str, list[str]] = {}
    for event in job.acceptance.values():
        assert isinstance(event.body, Acceptance)
        names.setdefault(event.body.function, []).append(event.body.what)
    rows = [
        {
            "key": key, "name": function.name, "asks": function.asks, "words": words_of(key).capitalize(),
            "test": report.standing.get(key), "what": (names.get(key) or [words_of(key)])[-1],
            "earlier": [one for one in report.tests_in_order if one.function == key and one.earlier],
            "cautions": [caution(one) for one in CAUTIONS.get(key, ())],
        }
        for key, function in all_functions().items()
    ]  # fmt: skip
    return {
        "rows": rows, "report": report, "verdicts": VERDICTS, "marks": MARKS, "results": RESULTS,
        "lacking": lacking(report), "against": contradictions(History(job)), "closed": job.stage in ENDS,
        "functions": all_functions(), "cautions": [caution("mains"), caution("powered_probing")],
        "points": [(n, point) for n, point in enumerate(job.points, 1) if point.closed is None],
    }  # fmt: skip


@shows
def tests(request: Request) -> Response:
    job = job_of(request)
    return job_page(request, "trials/trials.html", job, **_values(request, job))


@takes()
def test(request: Request, form: FormData) -> Response:
    from ...sheets.condition import all_functions

    number, key = number_of(request), request.path_params["key"]
    if key not in all_functions():
        raise HTTPException(404)
    result = next((one for one in RESULTS if one == text_of(form, "result")), None)
    if result is None:
        raise BadForm("How did the test come out? Expected passed, failed or not tested")
    what = " ".join(text_of(form, "what").split()) or words_of(key)
    body = Acceptance(what=what, result=result, found=text_of(form, "found"), function=key)
    bench_of(request).record(number, body, known_as=known_as(form))
    request.app.state.feed.changed(number)
    return go(request, f"/jobs/{number}/tests", f"Recorded: {tell(body)}")


def _line(request: Request, form: FormData, line: str, said: str) -> Response:
    number = number_of(request)
    log_lines(bench_of(request), number, [line], known_as=known_as(form))
    request.app.state.feed.changed(number)
    return go(request, f"/jobs/{number}/tests", said)


def _text(form: FormData, missing: str) -> str:
    text = " ".join(text_of(form, "text").split())
    if not text:
        raise BadForm(missing)
    return text


@takes()
def open_point(request: Request, form: FormData) -> Response:
    text = _text(form, "What is still open? Expected a few words, such as: key cap on order")
    return _line(request, form, f"open: {text}", f"Open point: {text}")


@takes()
def close_point(request: Request, form: FormData) -> Response:
    place, note = request.path_params["place"], " ".join(text_of(form, "text").split())
    return _line(request, form, f"done {place}: {note}" if note else f"done {place}", "Settled.")


@takes()
def symptom(request: Request, form: FormData) -> Response:
    text = _text(form, "What does it show? Expected a few words, such as: no picture")
    return _line(request, form, f"symptom: {text}", f"Symptom: {text}")


routes = [
    Route("/jobs/{number:int}/tests", tests),
    Route("/jobs/{number:int}/tests/points", open_point, methods=["POST"]),
    Route("/jobs/{number:int}/tests/points/{place:int}", close_point, methods=["POST"]),
    Route("/jobs/{number:int}/tests/symptoms", symptom, methods=["POST"]),
    Route("/jobs/{number:int}/tests/{key}", test, methods=["POST"]),
]
