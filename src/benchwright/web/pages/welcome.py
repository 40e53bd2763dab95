"""The first run: try the demo bench, or begin one's own."""

from __future__ import annotations

from pathlib import Path

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

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


def fill_demo(progress: object, folder: str) -> str:
    """Write the demo bench, if it is not there; its folder."""
    from ...demo.bench_tour import fill

    fill(Path(folder))
    return folder


routes = [
    Route("/welcome", welcome),
    Route("/welcome/own", begin_own, methods=["POST"]),
    Route("/welcome/demo", begin_demo, methods=["POST"]),
]
