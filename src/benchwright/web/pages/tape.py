"""Tapes of a job: takes, what they measure, the data on them, and what comes of several together."""

from __future__ import annotations

import math
import re
import shutil
import tempfile
import uuid
from pathlib import Path
from typing import Any

from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...errors import BenchwrightError
from ...jobs import Event, JobState
from ...jobs.bodies import Attachment
from ...jobs.stages import ENDS
from ..page import bench_of, go, known_as, number_of, page, records_of, shows, takes, text_of
from ..tape_work import TAKE, Asked, answer_of, ending, examine, folder_of, kept
from .job_frame import job_of, job_page

MOST = 1_000_000_000
"""Bytes of one take: 45 minutes of stereo at 48 kHz and 24 bit are 778 MB."""
PICTURES = {
    "waveform": "Waveform", "half-waves": "How often each length of half-wave occurs",
    "speed": "Speed over time", "flutter": "Flutter by frequency", "eye": "How clear the decisions were",
}  # fmt: skip
_DATA = re.compile(r"block-\d{3,6}\.bin")


def takes_of(job: JobState) -> list[Event]:
    """The recordings of a job that stand, the latest first."""
    return [
        event for event in reversed(job.attachments)
        if isinstance(event.body, Attachment) and event.body.what == "take"
    ]  # fmt: skip


def _cache(request: Request) -> Path:
    cache: Path = request.app.state.settings.cache_folder
    return cache


@shows
def bench_tapes(request: Request) -> Response:
    jobs = [line for line in bench_of(request).jobs() if line.stage not in ENDS]
    return page(request, "tape/tape.html", jobs=jobs)


@shows
def tape(request: Request) -> Response:
    from ...tape.encoding import known_encodings

    job = job_of(request)
    return job_page(
        request, "tape/job.html", job, takes=takes_of(job), found=kept(_cache(request), number_of(request)),
        encodings=list(known_encodings()), most=MOST,
    )  # fmt: skip


@takes(files=4, most=MOST)
def add(request: Request, form: FormData) -> Response:
    """Keep takes; each must be a recording that can be read."""
    number, bench = number_of(request), bench_of(request)
    bench.job(number)
    sent = [one for one in form.getlist("take") if isinstance(one, UploadFile) and one.filename]
    if not sent:
        raise BenchwrightError("no recording was chosen: expected a WAV file or another recording")
    name, looked = known_as(form), []
    for one in sent:  # all are looked at before the first is kept
        called = (one.filename or "take.wav").replace("\\", "/").rpartition("/")[2][:120]
        looked.append((one, called, _looked_at(one, called, _cache(request))))
    for place, (one, called, kind) in enumerate(looked):
        one.file.seek(0)
        bench.attach(
            number, one.file, called, kind, what="take", caption=text_of(form, "caption"),
            known_as=f"{name} {place}" if name else "",
        )  # fmt: skip
    request.app.state.feed.changed(number)
    return go(request, f"/jobs/{number}/tape", f"{len(sent)} take{'s' * (len(sent) != 1)} kept.")


def _looked_at(one: UploadFile, called: str, cache: Path) -> str:
    """The media type of a take that can be read."""
    from ...tape import Recording

    beside = _put(one.file, called, cache)
    try:
        with Recording.open(beside) as recording:
            if recording.frames == 0:
                raise BenchwrightError(f"{called}: there is no sound in it")
            return "audio/wav" if recording.format.upper().startswith("WAV") else "application/octet-stream"
    except BenchwrightError as problem:
        raise BenchwrightError(str(problem).replace(str(beside), called)) from None
    finally:
        beside.unlink(missing_ok=True)


def _put(source: Any, called: str, cache: Path) -> Path:
    """A recording in a file of its own; of its name only the ending counts."""
    folder = folder_of(cache)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{TAKE}{uuid.uuid4().hex}{ending(called)}"
    with path.open("wb") as opened:
        source.seek(0)
        shutil.copyfileobj(source, opened)
    return path


def _deck_of(form: FormData) -> str:
    """The text of a deck file that came with the form; empty if none did."""
    from ...transport import read_deck_file

    sent = form.get("deck")
    if not isinstance(sent, UploadFile) or not sent.filename:
        return ""
    data = sent.file.read(200_000)
    with tempfile.TemporaryDirectory(prefix="benchwright-deck-") as folder:
        path = Path(folder) / "deck.toml"
        path.write_bytes(data)
        try:
            read_deck_file(path)
        except BenchwrightError as problem:
            raise BenchwrightError(str(problem).replace(str(path), sent.filename)) from None
    return data.decode()


@takes(files=1)
def ask(request: Request, form: FormData) -> Response:
    """Examine takes: measure one, read the data of one, or merge several."""
    from ...tape.encoding import known_encodings

    number, bench, kind = number_of(request), bench_of(request), text_of(form, "do")
    wanted = {str(one) for one in form.getlist("take")}
    chosen = [e.body for e in takes_of(bench.job(number)) if str(e.number) in wanted]
    bodies = [body for body in chosen if isinstance(body, Attachment)]
    if kind not in ("measure", "decode", "merge"):
        raise BenchwrightError("what is to be done: expected to measure, to read, or to merge")
    if kind == "merge" and len(bodies) < 2:
        raise BenchwrightError("merging takes two takes of the same side or more: tick them")
    if not bodies:
        raise BenchwrightError("which take? It is not there (any more)")
    encoding, tone = text_of(form, "encoding"), text_of(form, "tone")
    if encoding and encoding not in known_encodings():
        raise BenchwrightError(f"there is no encoding {encoding!r}")
    if tone and not re.fullmatch(r"[\d.,]+\s*k?(Hz)?", tone):
        raise BenchwrightError(f"the tone {tone!r}: expected a frequency such as 3150 or 3.15k")
    if kind != "merge":
        bodies = bodies[:1]
    asked = Asked(
        kind, number, tuple(b.sha256 for b in bodies), tuple(b.name for b in bodies),  # type: ignore[arg-type]
        encoding, tone, _deck_of(form) if kind == "measure" else "",
    )  # fmt: skip
    if answer_of(_cache(request), number, asked.key):
        return go(request, f"/jobs/{number}/tape/found/{asked.key}")
    title = {"measure": "Measuring", "decode": "Reading the data of", "merge": "Merging"}[kind]
    key = request.app.state.tasks.start(
        f"{title} {', '.join(b.name for b in bodies)}", examine, asked, records_of(request).where,
        str(_cache(request)),
        job=number, back=f"/jobs/{number}/tape",
    )  # fmt: skip
    return go(request, f"/tasks/{key}")


def _answer(request: Request) -> tuple[Asked, dict[str, Any], Path]:
    found = answer_of(_cache(request), number_of(request), request.path_params["key"])
    if found is None:
        raise HTTPException(404)
    return found


@shows
def found(request: Request) -> Response:
    from ...caution import get as caution

    job = job_of(request)
    asked, answer, folder = _answer(request)
    verdicts = [one for channel in answer.get("channels", ()) for one in channel["verdicts"]]
    lines = [one for channel in answer.get("channels", ()) for one in channel.get("lines") or ()]
    cautions = dict.fromkeys(key for one in (*verdicts, *lines) for key in one["cautions"])
    return job_page(
        request, "tape/found.html", job, asked=asked, answer=answer, key=asked.key, told=_told,
        pictures={k: v for k, v in PICTURES.items() if (folder / f"{k}.svg").exists()},
        clean=(folder / "clean.wav").exists(), cautions=[caution(key) for key in cautions],
    )  # fmt: skip


def _told(figure: dict[str, Any], signed: bool) -> str:
    """A figure with its doubt and unit, as the engine tells it."""
    from ...tape import Figure

    value, doubt = (math.nan if figure[k] is None else figure[k] for k in ("value", "uncertainty"))
    return Figure(value, doubt, figure["unit"]).text(signed)


@shows
def file(request: Request) -> Response:
    """A picture, the data of a block, or the clean recording: no other name means anything."""
    asked, _, folder = _answer(request)
    name = request.path_params["name"]
    if name.endswith(".svg") and name.removesuffix(".svg") in PICTURES:
        path, kind = folder / name, "image/svg+xml"
    elif name == "clean.wav":
        path, kind = folder / name, "audio/wav"
    elif _DATA.fullmatch(name):
        path, kind = folder / "data" / name, "application/octet-stream"
    else:
        raise HTTPException(404)
    if not path.is_file():
        raise HTTPException(404)
    headers = {"Cache-Control": "private, no-cache"}
    if kind != "image/svg+xml":
        headers["Content-Disposition"] = f'attachment; filename="job-{asked.job}-{name}"'
    return Response(path.read_bytes(), media_type=kind, headers=headers)


routes = [
    Route("/tape", bench_tapes),
    Route("/jobs/{number:int}/tape", tape),
    Route("/jobs/{number:int}/tape", ask, methods=["POST"]),
    Route("/jobs/{number:int}/tape/takes", add, methods=["POST"]),
    Route("/jobs/{number:int}/tape/found/{key}", found),
    Route("/jobs/{number:int}/tape/found/{key}/{name}", file),
]
