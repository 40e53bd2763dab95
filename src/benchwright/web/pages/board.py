"""The map of a job's board: where the next probe goes and what is known, on a drawing or a photo."""

from __future__ import annotations

import hashlib
from concurrent.futures import TimeoutError as TooLate
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

import msgspec
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...errors import BenchwrightError, UnknownName
from ...jobs import JobState, bodies
from ...jobs.kept_board import NoBoard, board_of
from ..judge import NotJudged
from ..page import bench_of, go, known_as, number_of, shows, takes, text_of
from ..photo_files import photos_of, shown
from .check import card_of
from .job_frame import job_of, job_page

if TYPE_CHECKING:
    from ...board import Board, Pin
    from ...board.drawing import Placed
    from ...board.photo_tie import Tie
    from ..board_marks import Verdict

PATIENCE = 4.0
"""Seconds that a page waits for the fault finder before it goes without."""
PHOTO_SIZE = "large"
MOST_LISTED = 400
"""Pins of one net or part that the page lists."""


class BadPoints(BenchwrightError):
    """The places of a tie cannot be read: what was wrong, and how they are written."""


@lru_cache(maxsize=8)
def _drawn(text: str) -> tuple[bytes, str, Placed]:
    """The drawing of a kept board as JSON, its tag, and its pads."""
    from ...board.drawing import columns, placed
    from ...jobs.kept_board import read_kept

    board = read_kept(text)
    data = msgspec.json.encode(columns(board))
    return data, hashlib.sha256(data).hexdigest()[:32], placed(board)


@shows
def data(request: Request) -> Response:
    """The drawing, which only changes with the board, or what lies on top of it."""
    job = job_of(request)
    board = board_of(job, number_of(request))
    what = request.path_params["what"]
    if what == "drawing":
        return _tagged(request, *_drawn(job.board_text)[:2])
    if what == "marks":
        text = msgspec.json.encode(_marks(request, job, board))
        return _tagged(request, text, hashlib.sha256(text).hexdigest()[:32])
    raise HTTPException(404)


def _tagged(request: Request, text: bytes, tag: str) -> Response:
    headers = {"ETag": f'"{tag}"', "Cache-Control": "private, no-cache"}
    if request.headers.get("if-none-match") == f'"{tag}"':
        return Response(status_code=304, headers=headers)
    return Response(text, media_type="application/json", headers=headers)


def _marks(request: Request, job: JobState, board: Board) -> dict[str, Any]:
    from ..board_marks import evidence, probes

    whole = _drawn(job.board_text)[2]
    known = request.app.state.judge.look(number_of(request), job.events[-1].number)
    judgement = known.judgement
    fresh = judgement is not None and judgement.newest == job.events[-1].number
    found = _verdicts(request) if fresh else []
    shown_of = evidence(board, whole, found, judgement.suspects if judgement else ())
    check = judgement.checks[0] if judgement and judgement.checks else None
    where = probes(board, whole, check)
    return {
        "pads": "".join(map(str, shown_of.pads)), "parts": "".join(map(str, shown_of.parts)),
        "nets": "".join(map(str, shown_of.nets)), "fresh": fresh,
        "red": where.red, "black": where.black, "look": where.part,
    }  # fmt: skip


def _asked(request: Request, function: Any, *arguments: Any) -> Any:
    """What the fault finder answers; None if it cannot, or not soon."""
    try:
        return request.app.state.judge.ask(number_of(request), function, *arguments).result(PATIENCE)
    except (TooLate, NotJudged):
        return None


def _verdicts(request: Request) -> list[Verdict]:
    from ..board_marks import verdicts

    return _asked(request, verdicts) or []


# -- what was tapped or typed ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Found:
    """A part, pin or net, as the page tells it.

    Attributes
    ----------
    told : str
        In one line.
    pins : list of (str, str, str)
        Each pin of it: as typed, with its function, and its net.
    readings : list of (str, bool or None)
        Taken there, latest first, and whether they are fine.
    expected : list of (str, str, str)
        Point, quantity, what a sound board shows.
    line : str
        What a line begins with that records a reading here.
    """

    name: str
    kind: str
    told: str
    state: str
    pins: list[tuple[str, str, str]]
    more: int
    readings: list[tuple[str, bool | None]]
    expected: list[tuple[str, str, str]]
    line: str


def _find(board: Board, text: str) -> tuple[str, Pin | None, str | None]:
    """The part, pin and net that was typed."""
    try:
        return board.ref(text), None, None
    except UnknownName:
        pin, net = board.point(text)
        return "", pin, net


def _found(request: Request, job: JobState, board: Board, text: str) -> Found:
    from ..board_marks import STATE_WORDS, evidence, expected_at, pin_told

    ref, pin, net = _find(board, text)
    if ref:
        name, kind = ref, "part"
        pins = list(board.pins_of.get(ref, ()))
    elif pin is not None:
        name, kind, pins = str(pin), "pin", [pin]
    else:
        assert net is not None
        name, kind = net, "net"
        pins = list(board.nets.get(net, ()))
    known = request.app.state.judge.judgement(number_of(request))
    current = known is not None and known.newest == job.events[-1].number
    found = _verdicts(request) if current else []
    whole = _drawn(job.board_text)[2]
    shown_of = evidence(board, whole, found, known.suspects if known else ())
    state = 0
    if ref:
        state = shown_of.parts[list(board.pins_of).index(ref)]
    elif pin is not None:
        state = max(
            (s for s, pad in zip(shown_of.pads, whole.pads, strict=True) if pad.pin == pin), default=0
        )
    elif net is not None and net in board.nets:
        state = shown_of.nets[list(board.nets).index(net)]
    here = [
        one for one in found
        if ref in one.parts or any(str(p) in one.pins for p in pins) or (kind != "part" and net in one.nets)
    ]  # fmt: skip
    readings: list[tuple[str, bool | None]] = [
        (f"{one.what}: {one.text}" + (f" (expected {one.expected})" if one.expected else ""), one.fine)
        for one in reversed(here)
    ]
    expected: list[tuple[str, str, str]] = []
    if kind != "part" and net != board.ground and current:
        expected = _asked(request, expected_at, [name]) or []
    if net is not None and (rail := board.rails.get(net)) is not None:
        low, high = rail.limits
        expected = [(name, "rail", f"{rail.nominal:g} V, {low:g} to {high:g} V"), *expected]
    told = name if pin is None else f"{pin.ref} pin {pin.number}"
    if ref:
        part = board.parts.get(ref)
        told += f", {part.kind} {part.value}".rstrip() if part else ""
        told += f", {len(pins)} pins"
    elif pin is not None:
        told += f", net {net}" if net else ", on no net"
    else:
        told = f"net {name}, {len(pins)} pins"
    if expected:
        told += f", expected {expected[0][2]}"
    if here:
        told += f", read {here[-1].text}"
    told += f", {STATE_WORDS[state]}"
    line = f"look {name} " if ref else f"{name} {board.ground} "
    listed = [(str(p), pin_told(board, p), board.net_of.get(p, "")) for p in pins[:MOST_LISTED]]
    return Found(
        name,
        kind,
        told,
        STATE_WORDS[state],
        listed,
        max(0, len(pins) - MOST_LISTED),
        readings,
        expected,
        line,
    )


def _near(board: Board, text: str) -> list[str]:
    """Names that what was typed could mean."""
    wanted = text.strip().upper()
    return [name for name in [*board.pins_of, *board.nets] if wanted and wanted in name.upper()][:12]


@shows
def point(request: Request) -> Response:
    """What is known of one place, for a page that is open."""
    job = job_of(request)
    board = board_of(job, number_of(request))
    return job_page(request, "board/found.html", job, **_asked_for(request, job, board))


def _asked_for(request: Request, job: JobState, board: Board) -> dict[str, Any]:
    text = request.query_params.get("at", "")[:200]
    if not text.strip():
        return {"found": None, "missing": "", "near": [], "typed": ""}
    try:
        return {"found": _found(request, job, board, text), "missing": "", "near": [], "typed": text}
    except UnknownName as problem:
        return {"found": None, "missing": str(problem), "near": _near(board, text), "typed": text}


# -- the page ----------------------------------------------------------------------------------------------


@shows
def board(request: Request) -> Response:
    job, number = job_of(request), number_of(request)
    try:
        kept = board_of(job, number)
    except (NoBoard, BenchwrightError) as problem:
        return job_page(
            request, "board/none.html", job, problem="" if isinstance(problem, NoBoard) else str(problem)
        )
    photos = photos_of(job)
    chosen = next((e for e in photos if str(e.number) == request.query_params.get("ground")), None)
    whole = _drawn(job.board_text)[2]
    ground = _ground(request, job, kept, whole, chosen) if chosen is not None else None
    return job_page(
        request, "board/board.html", job, kept=kept, parts=list(kept.pins_of), nets=list(kept.nets),
        photos=photos, ties=job.ties, chosen=chosen, ground=ground,
        invented=whole.invented, has_bottom=any(pad.side in ("both", "bottom") for pad in whole.pads),
        ground_json=_json(ground), tying="tie" in request.query_params,
        **_next(request, job), **_asked_for(request, job, kept),
    )  # fmt: skip


def _next(request: Request, job: JobState) -> dict[str, Any]:
    """The proposed check, with its cautions and what is to be done before it."""
    known = request.app.state.judge.look(number_of(request), job.events[-1].number)
    checks = known.judgement.checks if known.judgement else ()
    return {
        "card": card_of(checks[0], job) if checks else None, "working": known.working,
        "finder_problem": known.problem,
    }  # fmt: skip


@shows
def next_part(request: Request) -> Response:
    """The check alone, for a page that is open."""
    job = job_of(request)
    return job_page(request, "board/next.html", job, **_next(request, job))


def _json(value: Any) -> str:
    """Plain data for an attribute of a page, which the template escapes."""
    return msgspec.json.encode(value).decode()


def _ground(request: Request, job: JobState, board: Board, whole: Placed, chosen: Any) -> dict[str, Any]:
    """A photo as the map's ground, with its tie if it has one that fits this board."""
    body = chosen.body
    event = job.ties.get(body.sha256)
    found: dict[str, Any] = {
        "event": chosen.number, "src": f"/jobs/{number_of(request)}/photos/{chosen.number}/{PHOTO_SIZE}.jpg",
        "side": "top", "points": [], "matrix": None, "told": "", "problem": "",
    }  # fmt: skip
    if event is None or not isinstance(event.body, bodies.PhotoTied):
        return found
    kept = event.body
    found |= {"side": kept.side, "points": [[p.pin, p.x, p.y] for p in kept.points], "wide": kept.wide}
    try:
        made = _tie(board, whole, kept.points)
    except BenchwrightError as problem:
        return found | {"problem": str(problem)}
    return found | {"matrix": [float(v) for v in made.matrix.ravel()], "told": _told(made, kept.points)}


def _tie(board: Board, whole: Placed, points: tuple[bodies.TiedPoint, ...]) -> Tie:
    from ...board.photo_tie import tie

    places = {pad.pin: pad.at for pad in reversed(whole.pads) if pad.pin is not None}
    pins = [board.pin(point.pin) for point in points]
    lost = [str(pin) for pin in pins if pin not in places]
    if lost:
        raise BadPoints(f"the board says no place of {', '.join(lost)}: choose other pins")
    return tie([places[pin] for pin in pins], [(point.x, point.y) for point in points])


def _told(made: Tie, points: tuple[bodies.TiedPoint, ...]) -> str:
    """How well a tie fits, in words."""
    if made.spare == 0:
        return (
            f"{len(points)} pins tie it exactly, so nothing checks them: find one more to see how well it "
            "fits."
        )
    said = f"Off by {made.rms_pixels:.1f} pixels or {made.rms_mm:.2f} mm (root mean square)."
    if made.odd:
        said += f" Does not fit the others: {', '.join(points[n].pin for n in made.odd)}."
    else:
        worst = max(range(len(points)), key=lambda n: made.off_pixels[n])
        said += f" Most at {points[worst].pin}: {made.off_mm[worst]:.2f} mm."
    return said


def _points_in(form: FormData, board: Board) -> tuple[bodies.TiedPoint, ...]:
    """Places as they are written, one to a line: pin, pixels from the left, pixels from the top."""
    found = []
    for number, line in enumerate(text_of(form, "points").splitlines(), 1):
        words = line.split()
        if not words:
            continue
        try:
            pin, x, y = words
            found.append(bodies.TiedPoint(str(board.pin(pin)), round(float(x), 2), round(float(y), 2)))
        except ValueError:
            raise BadPoints(
                f"line {number}, {line.strip()[:60]!r}: expected a pin and its place in pixels from the "
                "left and from the top, such as U1.1 310 442"
            ) from None
    return tuple(found)


def _photo_in(request: Request, form: FormData, job: JobState) -> Any:
    for event in photos_of(job):
        if str(event.number) == text_of(form, "photo"):
            return event
    raise BadPoints("this photo is no longer with the job: choose another")


@takes()
def try_tie(request: Request, form: FormData) -> Response:
    """How well the points fit, before they are saved."""
    job = job_of(request)
    kept = board_of(job, number_of(request))
    try:
        points = _points_in(form, kept)
        made = _tie(kept, _drawn(job.board_text)[2], points)
    except BenchwrightError as problem:
        return Response(_json({"told": str(problem), "matrix": None}), media_type="application/json")
    answer = {
        "told": _told(made, points), "matrix": [float(v) for v in made.matrix.ravel()],
        "off": [round(v, 2) for v in made.off_pixels], "odd": list(made.odd),
    }  # fmt: skip
    return Response(_json(answer), media_type="application/json")


@takes()
def save_tie(request: Request, form: FormData) -> Response:
    import io

    from PIL import Image

    job, number = job_of(request), number_of(request)
    kept = board_of(job, number)
    event = _photo_in(request, form, job)
    points = () if text_of(form, "do") == "untie" else _points_in(form, kept)
    made = _tie(kept, _drawn(job.board_text)[2], points) if text_of(form, "do") != "untie" else None
    bench = bench_of(request)
    jpeg = shown(bench, event.body.sha256, PHOTO_SIZE, request.app.state.settings.cache_folder)
    with Image.open(io.BytesIO(jpeg)) as picture:
        wide, high = picture.size
    side: Literal["top", "bottom"] = "bottom" if text_of(form, "side") == "bottom" else "top"
    bench.record(
        number, bodies.PhotoTied(sha256=event.body.sha256, wide=wide, high=high, side=side, points=points),
        known_as=known_as(form),
    )  # fmt: skip
    request.app.state.feed.changed(number)
    said = f"Tied. {_told(made, points)}" if made is not None else "Untied."
    return go(request, f"/jobs/{number}/board?ground={event.number}", said)


routes = [
    Route("/jobs/{number:int}/board", board),
    Route("/jobs/{number:int}/board/{what}.json", data),
    Route("/jobs/{number:int}/board/next", next_part),
    Route("/jobs/{number:int}/board/told", point),
    Route("/jobs/{number:int}/board/tie", save_tie, methods=["POST"]),
    Route("/jobs/{number:int}/board/tie/try", try_tie, methods=["POST"]),
]
