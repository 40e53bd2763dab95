"""Looking for words in everything written: jobs and stock."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...jobs import Bench, Found
from ...jobs.errors import NoSuchJob
from ...jobs.telling import tell
from ...jobs.words import pieces, words_of
from ..page import bench_of, page, shows
from .stock import address

AT_FIRST, AT_MOST = 60, 600
"""Finds shown before one asks for more, and then."""
_LONGEST = 200
_LONGEST_TOLD = 240


@dataclass(frozen=True)
class Line:
    """An event found.

    Attributes
    ----------
    number : int
    at : datetime
    where : str
        Its page.
    told : str
        What it says, shortened.
    found : list of (str, bool)
        Words around the first one found, and which are.
    """

    number: int
    at: datetime
    where: str
    told: str
    found: list[tuple[str, bool]]


@dataclass
class Group:
    """What was found in one job, or in the stock."""

    job: int | None
    title: str
    lines: list[Line] = field(default_factory=list)


@shows
def search(request: Request) -> Response:
    asked = request.query_params
    wanted, every = asked.get("q", "").strip()[:_LONGEST], asked.get("all") == "1"
    bench = bench_of(request)
    most = AT_MOST if every else AT_FIRST
    found = bench.search(wanted, most + 1) if wanted else []
    groups: dict[int | None, Group] = {}
    for one in found[:most]:
        group = groups.setdefault(one.job, Group(one.job, one.title))
        group.lines.append(_line(one, wanted))
    return page(
        request, "search/search.html", wanted=wanted, groups=list(groups.values()),
        number=_number(bench, wanted),
        shown=_shown(min(len(found), most), len(groups), len(found) > most),
        more=f"/search?{urlencode({'q': wanted, 'all': '1'})}" if len(found) > most and not every else "",
    )  # fmt: skip


def _line(found: Found, wanted: str) -> Line:
    event = found.event
    if found.job is None:
        where = address(getattr(event.body, "lot", ""))
    else:
        where = f"/jobs/{found.job}/history#event-{event.number}"
    told = tell(event.body)
    if len(told) > _LONGEST_TOLD:
        told = told[:_LONGEST_TOLD].rstrip() + " …"
    return Line(event.number, event.at, where, told, pieces(words_of(event.body), wanted))


def _number(bench: Bench, wanted: str) -> tuple[int, str] | None:
    """The job whose number was typed."""
    if not (wanted.isascii() and wanted.isdecimal() and len(wanted) < 10):
        return None
    try:
        return int(wanted), bench.job(int(wanted)).title
    except NoSuchJob:
        return None


def _shown(events: int, groups: int, more: bool) -> str:
    count = f"the first {events}" if more else str(events)
    return f"{count} find{'s' * (events != 1)} in {groups} place{'s' * (groups != 1)}"


routes = [Route("/search", search)]
