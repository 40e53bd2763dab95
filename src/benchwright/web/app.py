"""The app: routes, what they share, and the order in which requests pass."""

from __future__ import annotations

import contextlib
import importlib
import mimetypes
from collections.abc import AsyncIterator
from importlib.resources import files
from pathlib import Path

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Mount
from starlette.staticfiles import StaticFiles

from ..errors import BenchwrightError
from .feed import Feed
from .guard import GuardedApp
from .judge import Judge
from .page import page, problem_page
from .records import Records
from .sessions import Sessions
from .settings import Settings
from .tasks import Tasks

PAGES = (
    "doors",
    "queue",
    "welcome",
    "live",
    "long_work",
    "help",
    "take_in",
    "check",
    "board",
    "machine",
    "trials",
    "changes",
    "sheets",
    "bid",
    "stock",
    "search",
    "photos",
    "history",
    "money",
    "meter",
    "tape",
)
"""Modules of `web/pages`, in the order in which their routes are looked at."""


def make_app(settings: Settings) -> Starlette:
    """The web app for one bench.

    Parameters
    ----------
    settings : Settings
    """
    mimetypes.add_type("text/javascript", ".js")  # some systems say otherwise
    mimetypes.add_type("font/woff2", ".woff2")
    records = Records(settings.bench)
    feed = Feed(records)
    app = GuardedApp(
        routes=_routes(),
        lifespan=_lifespan,
        exception_handlers={HTTPException: _not_found, Exception: _failed},
    )
    app.state.settings = settings
    app.state.records = records
    app.state.feed = feed
    app.state.judge = Judge(records, feed)
    app.state.tasks = Tasks(feed)
    app.state.sessions = Sessions(settings.state_folder, settings.port)
    return app


def _routes() -> list[BaseRoute]:
    found: list[BaseRoute] = []
    for name in PAGES:
        module = importlib.import_module(f".pages.{name}", __package__)
        found += module.routes
    static = Path(str(files("benchwright.web") / "static"))
    return [*found, Mount("/static", StaticFiles(directory=static), name="static")]


@contextlib.asynccontextmanager
async def _lifespan(app: Starlette) -> AsyncIterator[None]:
    yield
    app.state.feed.close()
    app.state.tasks.close()
    await run_in_threadpool(app.state.judge.close)
    app.state.records.close()


async def _not_found(request: Request, problem: Exception) -> Response:
    status = problem.status_code if isinstance(problem, HTTPException) else 500
    words = {
        404: "There is no such page. It may have moved, or the address is misspelt.",
        405: "This address takes no such request.",
        413: "That is more than this page takes: send a smaller file.",
    }
    said = words.get(status) or (problem.detail if isinstance(problem, HTTPException) else "")
    return await run_in_threadpool(problem_page, request, BenchwrightError(said), status)


async def _failed(request: Request, problem: Exception) -> Response:
    """A fault of the program: told without its insides; the terminal has those."""
    said = (
        "The program failed at this, which it should not. Nothing that was recorded is lost. What it said "
        "stands in the terminal that runs it; `benchwright doctor` prints what a report of it needs."
    )
    return await run_in_threadpool(page, request, "problem.html", 500, problem=said, typed=[], back="/")
