"""What can be typed on a job's line."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...finding.entry import HELP as READINGS
from ...jobs.entry import HELP as LINES
from ..page import page, shows


def _rows(text: str) -> list[tuple[str, str]]:
    """Examples with what they mean; one without goes on from the line above."""
    rows = []
    for line in text.splitlines():
        example, _, means = line.partition("  ")
        if example.strip():
            rows.append((example.strip(), means.strip()))
    return rows


@shows
def lines(request: Request) -> Response:
    return page(
        request, "bench/lines.html", groups=[("Readings", _rows(READINGS)), ("Everything else", _rows(LINES))]
    )


routes = [Route("/help/lines", lines)]
