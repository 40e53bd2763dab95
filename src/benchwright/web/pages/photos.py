"""A job's photos: straight from a phone's camera, shown without what the camera wrote beside the picture."""

from __future__ import annotations

import msgspec
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...jobs import Event, JobState
from ...jobs.bodies import Attachment, Undone
from ...jobs.log import with_corrected
from ..page import bench_of, go, known_as, number_of, shows, takes, text_of
from ..photo_files import MOST_AT_ONCE, SIZES, BadPhoto, looked_at, photos_of, shown
from .job_frame import job_of, job_page


@shows
def photos(request: Request) -> Response:
    job = job_of(request)
    return job_page(request, "photos/photos.html", job, photos=photos_of(job))


@takes(files=MOST_AT_ONCE)
def add(request: Request, form: FormData) -> Response:
    """Each photo that can be read is kept, whatever is wrong with the others."""
    number, bench = number_of(request), bench_of(request)
    bench.job(number)  # it must be there before anything is read
    caption, name = text_of(form, "caption"), known_as(form)
    sent = [one for one in form.getlist("photo") if isinstance(one, UploadFile) and one.filename]
    if not sent:
        raise BadPhoto("no photo was chosen: take one, or choose one or more files")
    problems, kept = [], 0
    for place, one in enumerate(sent):
        called = (one.filename or "photo").replace("\\", "/").rpartition("/")[2][:120]
        data = one.file.read()
        try:
            kind = looked_at(data, called)
        except BadPhoto as problem:
            problems.append(str(problem))
            continue
        bench.attach(
            number, data, called, kind, what="photo", caption=caption,
            known_as=f"{name} {place}" if name else "",
        )  # fmt: skip
        kept += 1
    if kept:
        request.app.state.feed.changed(number)
    said = f"{kept} photo{'s' * (kept != 1)} kept." if kept else ""
    if problems:
        raise BadPhoto(" ".join([said, "Not kept:" if kept else "", "; ".join(problems)]).strip())
    return go(request, f"/jobs/{number}/photos", said)


def _photo(request: Request) -> tuple[JobState, Event, Attachment]:
    """The photo in the address, by its event; no other file can be named."""
    job, wanted = job_of(request), int(request.path_params["event"])
    for event in photos_of(job):
        if event.number == wanted and isinstance(event.body, Attachment):
            return job, event, event.body
    raise HTTPException(404)


@shows
def photo(request: Request) -> Response:
    job, event, body = _photo(request)
    return job_page(request, "photos/photo.html", job, event=event, body=body)


@shows
def picture(request: Request) -> Response:
    _, _, body = _photo(request)
    size = request.path_params["size"]
    if size not in SIZES:
        raise HTTPException(404)
    tag = f'"{body.sha256[:32]}-{size}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    made = shown(bench_of(request), body.sha256, size, request.app.state.settings.cache_folder)
    return Response(made, media_type="image/jpeg", headers=headers)


@takes()
def caption(request: Request, form: FormData) -> Response:
    number = number_of(request)
    _, event, body = _photo(request)
    changed = msgspec.structs.replace(body, caption=text_of(form, "caption"))
    (new,) = bench_of(request).record(
        number, changed, at=event.at, supersedes=event.uid, known_as=known_as(form)
    )
    request.app.state.feed.changed(number)
    return go(request, f"/jobs/{number}/photos/{new.number}", "The words are kept.")


@takes()
def take_away(request: Request, form: FormData) -> Response:
    number = number_of(request)
    job, event, _ = _photo(request)
    gone = [(Undone(), None, old.uid) for old in with_corrected(job.events, event)]
    bench_of(request).record_each(number, gone, known_as=known_as(form))
    request.app.state.feed.changed(number)
    return go(request, f"/jobs/{number}/photos", "Taken away. The history keeps it.")


routes = [
    Route("/jobs/{number:int}/photos", photos),
    Route("/jobs/{number:int}/photos", add, methods=["POST"]),
    Route("/jobs/{number:int}/photos/{event:int}", photo),
    Route("/jobs/{number:int}/photos/{event:int}/{size}.jpg", picture),
    Route("/jobs/{number:int}/photos/{event:int}/caption", caption, methods=["POST"]),
    Route("/jobs/{number:int}/photos/{event:int}/take-away", take_away, methods=["POST"]),
]
