"""Rendering pages and taking forms: what every page has in common."""

from __future__ import annotations

import functools
import hashlib
import uuid
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from functools import cache
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from ..errors import BenchwrightError
from ..jobs.errors import NoSuchEvent, NoSuchJob
from ..moments import ago, hours, local
from .guard import FILES_BYTES, FORM_BYTES, allow_body
from .records import NoBench, Records

if TYPE_CHECKING:
    from ..jobs import Bench

Endpoint = Callable[[Request], Awaitable[Response]]
SMALL = 256 * 1024
"""Bytes of one field of a form."""


@cache
def environment() -> Environment:
    """Templates; everything is escaped and every name must be there."""
    found = Environment(
        loader=PackageLoader("benchwright.web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.filters |= {"ago": ago, "local": local, "hours": hours, "percent": percent, "url": _url_part}
    found.globals |= {"once": once, "now": lambda: datetime.now(UTC)}
    return found


def _url_part(text: object) -> str:
    return quote(str(text), safe="")


def percent(share: float) -> str:
    """A probability as a person reads it."""
    if 0 < share < 0.005:
        return "under 1 %"
    if 0.995 < share < 1:
        return "over 99 %"
    return f"{share:.0%}".replace("%", " %")


def once() -> Markup:
    """The hidden field that makes a form count once, however often it is sent."""
    return Markup('<input type="hidden" name="once" value="{}">').format(uuid.uuid4().hex)


def known_as(form: FormData) -> str:
    """The name of the deed that a form carries, for `Bench.record_each` and its like.

    A form that is sent again as it was has the same name; one that was changed in between has not.
    """
    once = form.get("once")
    if not isinstance(once, str) or not once:
        return ""
    said = [
        (name, value if isinstance(value, str) else f"{value.filename} {value.size}")
        for name, value in form.multi_items()
    ]
    return hashlib.sha256(repr((once, sorted(said))).encode()).hexdigest()


def text_of(form: FormData, name: str, default: str = "") -> str:
    """A text field of a form, without spaces around it."""
    found = form.get(name)
    return found.strip() if isinstance(found, str) else default


def page(request: Request, template: str, status: int = 200, **values: Any) -> Response:
    """Render a page.

    Parameters
    ----------
    request : Request
    template : str
        Below `templates/`.
    status : int
    values
        For the template; `path`, `local_page` and `flash` are there already.
    """
    state = request.app.state
    values = {
        "path": request.url.path, "flash": _flash(request), "lan": state.settings.lan,
        "has_bench": True, **values,
    }  # fmt: skip
    html = environment().get_template(template).render(values)
    answer = HTMLResponse(html, status)
    if values["flash"]:
        answer.delete_cookie(_FLASH, path="/")
    return answer


_FLASH = "benchwright-said"


def _flash(request: Request) -> str:
    """What the last form's answer said, shown once, and not to a part of a page that nobody sees it on."""
    if "hx-request" in request.headers:
        return ""
    return unquote(request.cookies.get(_FLASH, ""))[:300]


def go(request: Request, where: str, said: str = "") -> Response:
    """Lead on to another page after a form was taken.

    Parameters
    ----------
    request : Request
    where : str
        A path of this app.
    said : str
        Told at the top of that page, once.
    """
    answer = RedirectResponse(where, 303)
    if said:
        answer.set_cookie(
            _FLASH, quote(said[:300], safe=""), max_age=20, httponly=True, samesite="strict", path="/"
        )
    return answer


def records_of(request: Request) -> Records:
    """The app's records."""
    records: Records = request.app.state.records
    return records


def bench_of(request: Request) -> Bench:
    """The bench.

    Raises
    ------
    NoBench
        There is none yet.
    """
    return records_of(request).bench()


def number_of(request: Request) -> int:
    """The job's number in the address."""
    return int(request.path_params["number"])


def problem_page(
    request: Request, problem: Exception, status: int, typed: FormData | None = None
) -> Response:
    """What went wrong, in plain words, with what was typed."""
    if isinstance(problem, NoBench):
        return RedirectResponse("/welcome", 303)
    if isinstance(problem, NoSuchJob | NoSuchEvent):
        status = 404
    kept = [
        (name, value) for name, value in (typed.multi_items() if typed is not None else ())
        if isinstance(value, str) and value.strip() and name != "once"
    ]  # fmt: skip
    return page(request, "problem.html", status, problem=str(problem), typed=kept, back=_back(request))


def _back(request: Request) -> str:
    came_from = request.headers.get("referer", "")
    ours = str(request.base_url)
    return "/" + came_from.removeprefix(ours) if came_from.startswith(ours) else "/"


def shows(work: Callable[[Request], Response]) -> Endpoint:
    """A page that is read: the work runs in a thread, and its problems are told in plain words."""

    @functools.wraps(work)
    async def endpoint(request: Request) -> Response:
        try:
            return await run_in_threadpool(work, request)
        except BenchwrightError as problem:
            return await run_in_threadpool(problem_page, request, problem, 422)

    return endpoint


def takes(
    *, files: int = 0, field: int = SMALL, most: int = 0
) -> Callable[[Callable[[Request, FormData], Response]], Endpoint]:
    """A form that is taken: the work runs in a thread, and a problem keeps what was typed.

    Parameters
    ----------
    files : int
        How many files it may carry.
    field : int
        Bytes of one text field.
    most : int
        Bytes of the whole form; 0 for the usual limit of forms with files, or without.
    """

    def around(work: Callable[[Request, FormData], Response]) -> Endpoint:
        @functools.wraps(work)
        async def endpoint(request: Request) -> Response:
            allow_body(request, most or (FILES_BYTES if files else max(FORM_BYTES, 2 * field)))
            try:
                form = await request.form(max_files=files, max_fields=400, max_part_size=field)
            except HTTPException as problem:
                said = BenchwrightError(f"the form cannot be read: {problem.detail}")
                return await run_in_threadpool(problem_page, request, said, problem.status_code)
            try:
                return await run_in_threadpool(work, request, form)
            except BenchwrightError as problem:
                return await run_in_threadpool(problem_page, request, problem, 422, form)
            finally:
                await form.close()

        return endpoint

    return around
