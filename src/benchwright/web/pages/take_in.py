"""Taking in a machine, and saying more about it later."""

from __future__ import annotations

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...jobs import JobLine, bodies
from ..machine_form import DEMO_BOARD, FACTS, BadForm, code_of, identity_of, rate_of, taken_in_of
from ..page import bench_of, go, known_as, page, shows, takes, text_of

USUAL = "EUR"


@shows
def form(request: Request) -> Response:
    before = _before(bench_of(request).jobs())
    rate, code = None, before.currency if before else USUAL
    if before is not None:
        rate = bench_of(request).job(before.number).rate_per_hour
    return page(
        request, "job/new.html", facts=FACTS, currency=code, demo_board=DEMO_BOARD,
        rate="" if rate is None else f"{rate:f}", first=before is None,
    )  # fmt: skip


def _before(lines: list[JobLine]) -> JobLine | None:
    return max(lines, key=lambda line: line.number, default=None)


@takes(files=3)
def take_in(request: Request, form: FormData) -> Response:
    from ...money.currency import currency

    title = text_of(form, "title")
    if not title:
        raise BadForm('what do you call it? A job needs a title, such as "Brown one from the flea market"')
    code = currency(text_of(form, "currency") or code_of(text_of(form, "price"), USUAL)).code
    first: list[bodies.AnyBody] = []
    if (identity := identity_of(form, bodies.Identity())) != bodies.Identity():
        first.append(identity)
    if (taken := taken_in_of(form, bodies.TakenIn(), code)) != bodies.TakenIn():
        first.append(taken)
    symptoms = [line.strip() for line in text_of(form, "symptoms").splitlines() if line.strip()]
    first += [bodies.Symptom(text=text) for text in symptoms]
    number = bench_of(request).new_job(
        title, code, *first, rate_per_hour=rate_of(form, code), known_as=known_as(form)
    )
    request.app.state.feed.changed(number)
    return go(request, f"/jobs/{number}", f"Taken in as job {number}.")


routes = [Route("/jobs/new", form), Route("/jobs/new", take_in, methods=["POST"])]
