"""The first run: try the demo bench, or begin one's own."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from ...errors import BenchwrightError
from ..page import go, page, records_of, shows, takes
from ..records import NoBench

DEMO = "demo-bench"


@shows
def welcome(request: Request) -> Response:
    records = records_of(request)
    try:
        records.bench()
    except NoBench:
        return page(request, "bench/welcome.html", where=records.where or "")
    return RedirectResponse("/", 303)


@takes()
def begin_own(request: Request, form: FormData) -> Response:
    records_of(request).bench(create=True)
    return go(request, "/", "Your bench is ready.")


@takes()
def begin_demo(request: Request, form: FormData) -> Response:
    """The demo bench stands in a folder of its own, so that a real one can still be begun."""
    folder = Path(request.app.state.settings.state_folder) / DEMO
    key = request.app.state.tasks.start(
        "Writing the demo bench", fill_demo, str(folder), back="/welcome",
        finish=lambda place: _move_to(request, place),
    )  # fmt: skip
    return go(request, f"/tasks/{key}")


def _move_to(request: Request, place: str) -> str:
    records_of(request).move_to(place)
    return "/"


def fill_demo(progress: Callable[[float, str], object], folder: str) -> str:
    """Write the demo bench, if it is not there; its folder.

    It is written beside its place and put there when it is whole, so that it can be stopped and begun again.
    """
    from ...demo.bench_tour import fill
    from ...jobs.opening import FILE

    place = Path(folder)
    if not (place / FILE).exists():
        place.parent.mkdir(parents=True, exist_ok=True)
        beside = place.with_name(f"{DEMO}-being-written")
        try:
            shutil.rmtree(beside, ignore_errors=True)
            fill(beside, lambda share: progress(share, "Writing a year of invented jobs"))
            beside.replace(place)
        except OSError as problem:
            raise BenchwrightError(
                f"the demo bench cannot be written to {place}: {(problem.strerror or str(problem)).lower()}"
            ) from None
    return folder


routes = [
    Route("/welcome", welcome),
    Route("/welcome/own", begin_own, methods=["POST"]),
    Route("/welcome/demo", begin_demo, methods=["POST"]),
]
