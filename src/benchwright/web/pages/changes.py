"""What was changed on a machine and what was mended: why, how to undo it, what proves it; recording more."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, get_args

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...caution import get as caution
from ...errors import BenchwrightError
from ...jobs import JobState
from ...jobs.bodies import Action, AnyBody, Deed, PartUsed
from ...jobs.entry_deeds import FOR_FINDER
from ...jobs.log import log_lines
from ...jobs.stages import ENDS
from ...jobs.stock_deeds import MOST_PARTS
from ...jobs.telling import tell, told_with_points, without_echoes
from ..machine_form import BadForm
from ..page import bench_of, go, known_as, number_of, shows, takes, text_of
from .job_frame import job_of, job_page

DEEDS: dict[Deed, str] = {
    "changed": "Changed or added something",
    "linked": "Joined two points by a wire",
    "removed": "Took something out for good",
    "replaced": "Replaced a part",
    "adjusted": "Adjusted something",
    "cleaned": "Cleaned something",
    "reseated": "Reseated a part in its socket",
    "reflowed": "Reflowed joints",
    "done": "Something else",
}
CAUTIONS = (
    "mains", "charged_capacitor", "static", "solder", "desoldering", "tantalum", "solvent", "adjusting",
)  # fmt: skip
"""Said before the work: what it is, nobody knows until it is recorded."""


def _values(request: Request, job: JobState) -> dict[str, Any]:
    from ...sheets.foreseen import breaks
    from ...sheets.from_changes import NOT_RECORDED, board_changes, departures
    from ...sheets.from_job import condition_report
    from ...sheets.told import History

    bench, number = bench_of(request), number_of(request)
    lots = bench.stock()
    history = History(job, lots)
    made = [
        {
            "change": change, "breaks": breaks(one),
            "proved": {"yes": "Read before and after", "in part": "Readings are missing"}.get(
                change.proved, "Not proved: no reading after it was made"
            ),
        }
        for change, one in zip(board_changes(history), departures(history), strict=True)
    ]  # fmt: skip
    asked = request.query_params
    foreseen, problem = _foreseen(history, asked.get("what", ""))
    return {
        "made": made, "work": condition_report(job, number, lots=lots).work, "unknown": NOT_RECORDED,
        "deeds": DEEDS, "cautions": [caution(key) for key in CAUTIONS], "closed": job.stage in ENDS,
        "lots": [lot for lot in lots.values() if lot.on_hand > 0 and not lot.of_job], "most": MOST_PARTS,
        "typed": {name: asked.get(name, "")[:4000] for name in
                  ("deed", "what", "note", "why", "undo", "lot", "quantity")},
        "foreseen": foreseen, "problem": problem, "has_board": bool(job.board_text.strip()),
    }  # fmt: skip


def _foreseen(history: Any, what: str) -> tuple[Any, str]:
    """What a change that is being written would do, or why that cannot be told."""
    from ...sheets.foreseen import foresee

    if not what.strip():
        return None, ""
    try:
        found = foresee(history, what)
    except BenchwrightError as problem:
        return None, str(problem)
    words = "" if found else (
        "Nothing can be told of it from the board: a change is understood if it is written as cut, link, "
        "lift, fit or remove, with pins of the job's board."
    )  # fmt: skip
    return found, words


@shows
def changes(request: Request) -> Response:
    job = job_of(request)
    return job_page(request, "changes/changes.html", job, **_values(request, job))


@takes()
def record(request: Request, form: FormData) -> Response:
    bench, number = bench_of(request), number_of(request)
    deed = next((one for one in get_args(Deed) if one == text_of(form, "deed") and one in DEEDS), None)
    if deed is None:
        raise BadForm("What was done? Choose one of the list")
    said = {name: " ".join(text_of(form, name).split()) for name in ("what", "note", "why", "undo")}
    if not said["what"]:
        raise BadForm("What and where? Expected a few words, a part such as U5, or a change such as "
                      "cut U7.3 | U9.5")  # fmt: skip
    lot, quantity = text_of(form, "lot"), _count(form)
    if deed in FOR_FINDER:
        events = log_lines(bench, number, _lines(deed, said, lot, quantity), known_as=known_as(form)).events
    else:
        done: list[AnyBody] = [
            Action(deed=deed, where=said["what"], note=said["note"], why=said["why"], undo=said["undo"])
        ]
        if lot:
            done.append(PartUsed(lot=lot, quantity=quantity, where=said["what"]))
        at = datetime.now(UTC)  # one moment: it is taken back as one deed
        events = bench.record_each(number, [(body, at, "") for body in done], known_as=known_as(form))
    feed = request.app.state.feed
    feed.changed(number)
    if any(isinstance(event.body, PartUsed) for event in events):
        feed.changed(None)
    told = [text for _, text in told_with_points(without_echoes(events), {})] or [tell(events[0].body)]
    return go(request, f"/jobs/{number}/changes", f"Recorded: {'; '.join(told)}")


def _lines(deed: str, said: dict[str, str], lot: str, quantity: int) -> list[str]:
    """As it would be typed: the fault finder hears of it, and each part that is named counts by itself."""
    if lot and deed == "replaced" and quantity == 1:
        head, more = f"{deed} {_clause(said['what'])} from {lot}", []
    else:
        head = f"{deed} {_clause(said['what'])}"
        more = [f"used {quantity} x {lot} for {_clause(said['what'])}"] if lot else []
    note = f": {_clause(said['note'])}" if said["note"] else ""
    rest = "".join(f"; {name} {_clause(said[name])}" for name in ("why", "undo") if said[name])
    return [f"{head}{note}{rest}", *more]


def _clause(text: str) -> str:
    """Words that stand between two semicolons of a line."""
    return text.replace(";", ",")


def _count(form: FormData) -> int:
    text = text_of(form, "quantity") or "1"
    if not text.isdecimal() or not text.isascii() or len(text) > 9 or not 1 <= int(text) <= MOST_PARTS:
        raise BadForm(f"How many parts: expected a whole number from 1 to {MOST_PARTS}, not {text[:20]!r}")
    return int(text)


routes = [
    Route("/jobs/{number:int}/changes", changes),
    Route("/jobs/{number:int}/changes", record, methods=["POST"]),
]
