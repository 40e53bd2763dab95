"""The live meter, for turning a screw by, and recording from the sound input.

The figures are worked out in the browser, as they must follow a hand: `static/meter-sums.js`, with the
definitions, limits and tones of `benchwright.tape`, which this page hands on.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...caution import get as caution
from ...jobs.entry_plain import REF
from ...jobs.log import log_lines
from ...jobs.stages import ENDS
from ...jobs.telling import told_with_points, without_echoes
from ..guard import FILES_BYTES
from ..machine_form import BadForm
from ..page import bench_of, go, known_as, page, shows, takes, text_of

if TYPE_CHECKING:
    from ...jobs import Bench

CAUTIONS = ("adjusting", "mains", "moving_belts")
JOBS_OFFERED = 60
LIMITS = ("level", "azimuth", "speed", "treble")
LOUDEST = -3.0
"""dBFS that crests should stay below while recording; common practice, no source."""
HIGH_TONES = (6300, 8000, 10000, 12500)
"""Hz, for azimuth on cassettes (from memory)."""


@shows
def meter(request: Request) -> Response:
    from ...tape.azimuth import CASSETTE_SPEED, TRACK_SPACING
    from ...tape.tone import KNOWN_TONES
    from ...tape.verdict import limits

    bench = bench_of(request)
    known = limits()
    facts = {
        "limits": {key: {"good": known[key].good, "bad": known[key].bad} for key in LIMITS},
        "loudest": LOUDEST, "tones": KNOWN_TONES, "spacing": TRACK_SPACING, "speed": CASSETTE_SPEED,
    }  # fmt: skip
    asked = request.query_params.get("job", "")
    return page(
        request, "meter/meter.html", facts=json.dumps(facts), cautions=[caution(key) for key in CAUTIONS],
        jobs=_open_jobs(bench), job=asked if re.fullmatch(r"[0-9]{1,9}", asked) else "", most=FILES_BYTES,
        tones=KNOWN_TONES, high_tones=HIGH_TONES, spacing=1e3 * TRACK_SPACING,
        cm_per_second=1e2 * CASSETTE_SPEED, known=known,
    )  # fmt: skip


def _open_jobs(bench: Bench) -> list[tuple[int, str]]:
    latest = bench.jobs(limit=4 * JOBS_OFFERED)
    return [(line.number, line.title) for line in latest if line.stage not in ENDS][:JOBS_OFFERED]


@takes()
def note(request: Request, form: FormData) -> Response:
    """Record the figures that were held in a job, as a line that could have been typed there."""
    number = _job(form)
    done = log_lines(bench_of(request), number, [_line(form)], known_as=known_as(form))
    request.app.state.feed.changed(number)
    points = {point.event.uid: point.text for point in done.after.points}
    told = [text for _, text in told_with_points(without_echoes(done.events), points)]
    return go(request, f"/tape/meter?job={number}", f"Recorded in job {number}: {'; '.join(told)}")


def _job(form: FormData) -> int:
    """The number of the job that was named, with its title behind it or not."""
    text = text_of(form, "job")
    head = text.partition(".")[0].strip()
    if not re.fullmatch(r"[0-9]{1,9}", head):
        raise BadForm(f"Job: expected the number of a job, such as 14, not {text[:30]!r}")
    return int(head)


def _line(form: FormData) -> str:
    figures = " ".join(text_of(form, "figures").split())
    if not figures:
        raise BadForm("Figures: press Hold figures while the meter listens, or type what was measured")
    adjusted = " ".join(text_of(form, "adjusted").replace(";", ",").split())
    if not adjusted:
        return f"note {figures}"
    if REF.fullmatch(adjusted):
        return f"adjusted {adjusted}: {figures}"
    return f"adjusted: {adjusted}; {figures}"


routes = [
    Route("/tape/meter", meter),
    Route("/tape/meter/note", note, methods=["POST"]),
]
