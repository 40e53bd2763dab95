"""Sheets of a job: what is still missing, how they will look, and the PDF."""

from __future__ import annotations

import base64
import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.datastructures import FormData, QueryParams
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...jobs import open_bench
from ...jobs.opening import default_folder
from ..machine_form import BadForm
from ..page import bench_of, go, number_of, shows, takes
from .job_frame import job_of, job_page

if TYPE_CHECKING:
    from ...sheets.of_job import Wish

ABOUT = {
    "condition": "For the buyer: what was tested, what was not, changes, open points. No money, no hours.",
    "job": "For the bench: everything, with time and money.",
    "change": "Stays with the machine: each change, how to undo it, the readings that prove it.",
    "label": "For the machine's box: its number, its name and a code to scan.",
}
MOST_PAGES = 12
"""Pages shown before printing."""


def wish_of(asked: QueryParams | FormData) -> tuple[Wish, str]:
    """What is wanted on a sheet, and the paper, by the fields of a form.

    Raises
    ------
    BadForm
    """
    from ...sheets.of_job import Wish
    from ...sheets.of_stock import LABEL_MM, LabelPlace
    from ...sheets.press import PAPERS

    def said(name: str) -> str:
        found = asked.get(name)
        return found.strip() if isinstance(found, str) else ""

    def number(name: str, usual: float, label: str) -> float:
        try:
            found = float(said(name).replace(",", ".") or usual)
        except ValueError:
            found = -1.0
        if not 0 < found < 10_000:
            raise BadForm(f"{label}: expected a number above 0, not {said(name)[:20]!r}")
        return found

    place = LabelPlace(
        said("labels") or None, int(number("first", 1, "First free place")),
        number("width", LABEL_MM[0], "Width"), number("height", LABEL_MM[1], "Height"),
    )  # fmt: skip
    paper = said("paper") or "a4"
    if paper not in PAPERS:
        raise BadForm(f"Paper: expected {' or '.join(PAPERS)}, not {paper[:20]!r}")
    wish = Wish(
        said("photos") == "1", said("suspects") == "1", said("own_numbers") == "1", place, said("name")
    )
    return wish, paper


def _kind(request: Request) -> str:
    from ...sheets.of_job import KINDS

    kind: str = request.path_params["kind"]
    if kind not in KINDS:
        raise HTTPException(404)
    return kind


@shows
def sheets(request: Request) -> Response:
    from ...sheets.label import label_stocks
    from ...sheets.lacking import lacking
    from ...sheets.of_job import KINDS, sheet_of_job
    from ...sheets.of_stock import LABEL_MM

    bench, number, job = bench_of(request), number_of(request), job_of(request)
    missing = {kind: lacking(sheet_of_job(bench, number, kind)[0]) for kind in ("condition", "change")}
    photos = sum(getattr(event.body, "what", "") == "photo" for event in job.attachments)
    return job_page(
        request, "sheets/sheets.html", job, kinds=KINDS, about=ABOUT, missing=missing, photos=photos,
        stocks=label_stocks(), size=LABEL_MM, usual_name=os.environ.get("BENCHWRIGHT_NAME", ""),
    )  # fmt: skip


@shows
def sheet(request: Request) -> Response:
    from ...sheets import make_pdf
    from ...sheets.of_job import sheet_of_job

    number, kind = number_of(request), _kind(request)
    wish, paper = wish_of(request.query_params)
    printed, _ = sheet_of_job(bench_of(request), number, kind, wish)
    return _pdf(make_pdf(printed, paper), number, kind)


def _pdf(data: bytes, number: int, kind: str) -> Response:
    name = f"job-{number}-{kind}.pdf"
    return Response(
        data, media_type="application/pdf",
        headers={"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"},
    )  # fmt: skip


@shows
def preview(request: Request) -> Response:
    from ...sheets.of_job import KINDS, sheet_of_job
    from ...sheets.press import make_pages

    number, kind = number_of(request), _kind(request)
    wish, paper = wish_of(request.query_params)
    printed, left_out = sheet_of_job(bench_of(request), number, kind, wish)
    pages = make_pages(printed, paper)
    return job_page(
        request, "sheets/preview.html", job_of(request), kind=kind, title=KINDS[kind], left_out=left_out,
        pages=[base64.b64encode(one).decode() for one in pages[:MOST_PAGES]], count=len(pages),
        pdf=f"/jobs/{number}/sheets/{kind}.pdf?{request.query_params}",
    )  # fmt: skip


# -- with suspects: the fault finder needs its time ----------------------------------------------------------


def weigh_and_print(
    progress: Callable[[float, str], None], where: str | None, number: int, wish: Wish, paper: str
) -> bytes:
    """The job sheet with what is most likely wrong; runs in a process of its own."""
    from ...sheets import make_pdf
    from ...sheets.of_job import sheet_of_job

    def told(share: float) -> None:
        progress(0.9 * share, "Weighing the readings")

    with open_bench(where or default_folder(), create=False) as bench:
        printed, _ = sheet_of_job(bench, number, "job", wish, told)
    progress(0.95, "Printing")
    return make_pdf(printed, paper)


@takes()
def with_suspects(request: Request, form: FormData) -> Response:
    number = number_of(request)
    wish, paper = wish_of(form)
    folder = request.app.state.settings.cache_folder / "sheets"
    job_of(request)
    keys: list[str] = []

    def keep(data: bytes) -> str:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"{keys[0]}.pdf").write_bytes(data)
        _forget_old(folder)
        return f"/jobs/{number}/sheets/made/{keys[0]}"

    import uuid

    keys.append(uuid.uuid4().hex)
    key = request.app.state.tasks.start(
        f"Job sheet of job {number} with suspects", weigh_and_print, request.app.state.records.where, number,
        wish, paper, job=number, back=f"/jobs/{number}/sheets", finish=keep,
    )  # fmt: skip
    return go(request, f"/tasks/{key}")


def _forget_old(folder: Path, most: int = 20) -> None:
    """Only the latest are kept: they can be made again."""
    for old in sorted(folder.glob("*.pdf"), key=lambda path: path.stat().st_mtime)[:-most]:
        old.unlink(missing_ok=True)


def _made(request: Request) -> Path:
    key = request.path_params["key"]
    path: Path = request.app.state.settings.cache_folder / "sheets" / f"{key}.pdf"
    if len(key) != 32 or not key.isalnum() or not path.is_file():
        raise HTTPException(404)
    return path


@shows
def made(request: Request) -> Response:
    _made(request)
    return job_page(request, "sheets/made.html", job_of(request), pdf=f"{request.url.path}/job.pdf")


@shows
def made_pdf(request: Request) -> Response:
    return _pdf(_made(request).read_bytes(), number_of(request), "job")


routes = [
    Route("/jobs/{number:int}/sheets", sheets),
    Route("/jobs/{number:int}/sheets/job-with-suspects", with_suspects, methods=["POST"]),
    Route("/jobs/{number:int}/sheets/made/{key}", made),
    Route("/jobs/{number:int}/sheets/made/{key}/job.pdf", made_pdf),
    Route("/jobs/{number:int}/sheets/{kind}.pdf", sheet),
    Route("/jobs/{number:int}/sheets/{kind}/preview", preview),
]
