"""The queue: machines on the bench, and what each waits for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...jobs import JobLine
from ...jobs.history import from_iso
from ...jobs.stages import ENDS, STAGES
from ..page import bench_of, page, shows

AT_FIRST = 60
"""Machines shown before one asks for more."""


@dataclass(frozen=True)
class Line:
    """A machine in the queue."""

    number: int
    title: str
    board: str
    stage: str
    waiting_for: str
    open_points: int
    profit: str
    currency: str
    minutes: str
    touched: datetime


@shows
def queue(request: Request) -> Response:
    asked = request.query_params
    about, stage = asked.get("about", "").strip(), asked.get("stage", "")
    waiting, every = bool(asked.get("waiting")), asked.get("all") == "1"
    stage = stage if stage in STAGES or stage == "all" else ""
    lines = bench_of(request).jobs(stage if stage != "all" else "")
    wanted = [
        line for line in lines
        if (stage or line.stage not in ENDS)
        and (not waiting or line.waiting_for or line.open_points)
        and about.lower() in f"{line.number} {line.title} {line.board}".lower()
    ]  # fmt: skip
    shown = wanted if every else wanted[:AT_FIRST]
    said = {"about": about, "stage": stage, "waiting": "1" if waiting else ""}
    query = {name: value for name, value in said.items() if value}
    closed = 0 if stage else sum(line.stage in ENDS for line in lines)
    return page(
        request, "bench/queue.html", any_jobs=bool(lines) or bool(stage), about=about, stage=stage,
        waiting=waiting, stages=STAGES, ends=ENDS, lines=[_line(line) for line in shown],
        shown=_shown(len(shown), len(wanted), closed),
        again=f"/?{urlencode(query | ({'all': '1'} if every else {}))}",
        more=f"/?{urlencode({**query, 'all': '1'})}" if len(shown) < len(wanted) else "",
    )  # fmt: skip


def _line(line: JobLine) -> Line:
    return Line(
        line.number, line.title, line.board, line.stage, line.waiting_for, line.open_points, line.profit,
        line.currency, line.minutes, from_iso(line.updated),
    )  # fmt: skip


def _shown(shown: int, wanted: int, closed: int) -> str:
    text = f"{shown} of {wanted} machines" if shown < wanted else f"{wanted} machine{'s' * (wanted != 1)}"
    return text + (f"; {closed} closed" if closed else "")


routes = [Route("/", queue)]
