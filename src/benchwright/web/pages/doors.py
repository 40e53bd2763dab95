"""The ways in: the start token of this machine's browser, pairing a phone, and who is connected."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from markupsafe import Markup
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from ...errors import BenchwrightError
from ...moments import ago, local
from ..account import is_another_account
from ..guard import cookie_name, door_of, outside_page, session_of
from ..page import go, page, shows, takes, text_of
from ..sessions import PAIRING_LIFE, Refused, Session, Sessions, device_of


class NotHere(BenchwrightError):
    """Something that only the bench's own computer may do."""


def sessions_of(request: Request) -> Sessions:
    """The app's sessions."""
    found: Sessions = request.app.state.sessions
    return found


def address_of(request: Request) -> str:
    """Where a request comes from."""
    return request.client.host if request.client is not None else ""


@shows
def start(request: Request) -> Response:
    """Trade the token of the printed address for a cookie, and lead on to an address without it."""
    if request.method == "HEAD":  # something looks ahead of the person
        return Response()
    door, sessions = door_of(request), sessions_of(request)
    try:
        if door.lan or _is_another_account(request):
            raise Refused
        session, secret = sessions.spend(
            "start", request.query_params.get("token", ""), address_of(request), _device(request), door.lan
        )
    except Refused as problem:
        if session_of(request) is not None:
            return RedirectResponse("/", 303)  # the address is opened once more in a browser that is in
        return outside_page("doors/spent.html", 429 if problem.wait else 403, use="start", wait=problem.wait)
    answer: Response = RedirectResponse("/", 303)
    if request.headers.get("sec-fetch-site") not in (None, "none", "same-origin"):
        # Led here by another page: the browser would keep the fresh cookie back on a redirect.
        answer = outside_page("doors/in.html")
    return _with_cookie(request, answer, session, secret)


@shows
def pair(request: Request) -> Response:
    """Ask before the code is spent: whatever looks at links ahead of the person spends nothing."""
    token = request.path_params["token"]
    try:
        good = door_of(request).lan and sessions_of(request).good("pair", token, address_of(request))
        wait = 0
    except Refused as problem:
        good, wait = False, problem.wait
    if not good:
        return outside_page("doors/spent.html", 429 if wait else 403, use="pair", wait=wait)
    return outside_page("doors/pair.html", token=token)


@takes()
def pair_now(request: Request, form: FormData) -> Response:
    door = door_of(request)
    try:
        if not door.lan:
            raise Refused
        session, secret = sessions_of(request).spend(
            "pair", text_of(form, "token"), address_of(request), _device(request), door.lan
        )
    except Refused as problem:
        return outside_page("doors/spent.html", 429 if problem.wait else 403, use="pair", wait=problem.wait)
    return _with_cookie(request, RedirectResponse("/", 303), session, secret)


def _is_another_account(request: Request) -> bool:
    client, server = request.scope.get("client"), request.scope.get("server")
    return client is not None and server is not None and is_another_account(client, server)


def _device(request: Request) -> str:
    return device_of(request.headers.get("user-agent", ""))


def _with_cookie(request: Request, answer: Response, session: Session, secret: str) -> Response:
    door = door_of(request)
    request.app.state.feed.let_in()
    answer.set_cookie(
        cookie_name(door), secret, max_age=int(session.ends - session.made), path="/",
        secure=door.scheme == "https", httponly=True, samesite="strict",
    )  # fmt: skip
    return answer


# -- phones and tablets -----------------------------------------------------------------------------------


@shows
def phones(request: Request) -> Response:
    return _phones(request)


@takes()
def new_code(request: Request, form: FormData) -> Response:
    """Show a fresh code: it stands in this answer alone, and only its digest is kept."""
    _only_here(request, "new codes are made")
    lan = [door for door in request.app.state.settings.doors if door.lan]
    if not lan:
        raise NotHere("phones cannot reach this bench: start it with `benchwright serve --lan`")
    address = f"{lan[0].address}/pair/{sessions_of(request).pairing_token()}"
    ends = datetime.now(UTC) + timedelta(seconds=PAIRING_LIFE)
    return _phones(
        request, code=qr_picture(address), code_address=address, code_ends=f"{ends.astimezone():%H:%M}"
    )


@takes()
def disconnect(request: Request, form: FormData) -> Response:
    key, own = text_of(form, "key"), session_of(request)
    if own is None or key != own.key:
        _only_here(request, "others are disconnected")
    said = "Disconnected: it is not let in any more."
    if not sessions_of(request).revoke(key):
        said = "It was disconnected already."
    request.app.state.feed.let_in()
    return go(request, "/phones", said)


def _only_here(request: Request, what: str) -> None:
    """A phone must not be able to let others in, or itself for longer."""
    if door_of(request).lan:
        raise NotHere(f"{what} at the bench's own computer only")


def _phones(
    request: Request, code: Markup | str = "", code_address: str = "", code_ends: str = ""
) -> Response:
    settings, sessions, own = request.app.state.settings, sessions_of(request), session_of(request)
    who = [
        {
            "key": one.key, "device": one.device, "address": one.address, "seen": ago(one.last_seen),
            "until": local(one.until), "lan": one.lan, "own": own is not None and own.key == one.key,
        }
        for one in sessions.connected()
    ]  # fmt: skip
    lan = [door for door in settings.doors if door.lan]
    return page(
        request, "doors/phones.html", who=who, here=not door_of(request).lan,
        at=lan[0].address if lan else "", fingerprint=settings.fingerprint, trouble=sessions.trouble,
        code=code, code_address=code_address, code_ends=code_ends,
    )  # fmt: skip


def qr_picture(text: str) -> Markup:
    """A QR code as a drawing in the page, dark on light in dark mode as well."""
    import segno

    drawn = segno.make(text, error="m", micro=False).svg_inline(
        omitsize=True, border=4, light="#fff", dark="#000", svgclass="code", lineclass=None,
        title="Pairing code", svgid=None,
    )  # fmt: skip
    return Markup(drawn)  # made of numbers by us; the text itself does not stand in it


routes = [
    Route("/start", start),
    Route("/pair", pair_now, methods=["POST"]),
    Route("/pair/{token}", pair),
    Route("/phones", phones),
    Route("/phones/code", new_code, methods=["POST"]),
    Route("/phones/disconnect", disconnect, methods=["POST"]),
]
