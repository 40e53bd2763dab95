"""What all pages of one job have around them: its title, stage, board state and tabs."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from ...jobs import JobState
from ...jobs.telling import tell_state
from ..page import bench_of, number_of, page

TABS = (
    ("", "Check"), ("/board", "Board"), ("/photos", "Photos"), ("/tests", "Tests"), ("/changes", "Changes"),
    ("/history", "History"), ("/money", "Money"), ("/sheets", "Sheets"), ("/tape", "Tape"),
    ("/machine", "Machine"),
)  # fmt: skip
FIRST = 3
"""Tabs that a phone shows at once; the others are behind "More"."""


def job_of(request: Request) -> JobState:
    """The job in the address, as it is now.

    Raises
    ------
    NoSuchJob
    """
    return bench_of(request).job(number_of(request))


def job_page(request: Request, template: str, job: JobState, status: int = 200, **values: Any) -> Response:
    """A page of a job: `page` with the job's frame around it; the template extends ``job/base.html``."""
    number = number_of(request)
    here = request.url.path.removeprefix(f"/jobs/{number}")
    return page(
        request, template, status, number=number, job=job, tabs=TABS, first_tabs=FIRST, here=here,
        board_is=tell_state(job.board_state), **values,
    )  # fmt: skip
