"""What stands before every page: who may ask, from where, how much, and what browsers are told to forbid.

Any page open in the same browser can send requests to this machine, so each of them is looked at: the
name it was sent to, the site it came from, and the session that its cookie opens.
"""

from __future__ import annotations

from typing import Any

from starlette.applications import Starlette
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request, cookie_parser
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from .sessions import Session, Sessions
from .settings import Door, Settings

FORM_BYTES = 1024 * 1024
"""A form without files."""
FILES_BYTES = 256 * 1024 * 1024
"""A form with files, unless its page says otherwise."""
READ_PAST = 64 * 1024 * 1024
"""Bytes read past a limit and thrown away: a browser shows an answer only once it could send its body."""
TOKEN_HEADER = "benchwright-token"
"""A session's secret, for programs that are no browsers."""

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "connect-src 'self'; font-src 'self'; media-src 'self' blob:; worker-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), microphone=(self), geolocation=(), payment=(), usb=(), serial=(), "
    "hid=(), midi=(), display-capture=()",
}

_SAFE = ("GET", "HEAD")
_OURS = ("same-origin", "none")
_LIMIT = "benchwright.body"


class Guard:
    """Passes on what is allowed and answers the rest; outermost, so that every answer has its headers.

    Parameters
    ----------
    app : ASGI application
    settings : Settings
        Its doors are the only names that are answered.
    sessions : Sessions
    """

    def __init__(self, app: ASGIApp, settings: Settings, sessions: Sessions) -> None:
        self.app, self.settings, self.sessions = app, settings, sessions

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
        elif scope["type"] == "http":
            body = _Body(receive)
            scope[_LIMIT] = body
            answer = self._refusal(scope)
            await (answer or self.app)(scope, body.receive, _Answer(scope, send).send)
        else:  # the app has no sockets
            await send({"type": "websocket.close", "code": 1008})

    def _refusal(self, scope: Scope) -> Response | None:
        """What is answered instead of the app; None if the request may pass."""
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        door = self.settings.door(scope["scheme"], hosts[0]) if len(hosts) == 1 else None
        if door is None:
            # A foreign name that was made to point here would make us its own site in the browser's eyes.
            return PlainTextResponse("This bench does not answer to that name.\n", 421)
        address = scope["client"][0] if scope.get("client") else ""
        session = self._session(headers, door, address)
        scope.setdefault("state", {}).update(door=door, session=session)
        return (
            _write_refusal(headers, door, session)
            if scope["method"] not in _SAFE
            else _read_refusal(headers, door, scope)
        ) or (None if session is not None or is_open(scope["path"]) else self._stranger(headers, door))

    def _session(self, headers: Headers, door: Door, address: str) -> Session | None:
        secret = headers.get(TOKEN_HEADER) or cookies_of(headers).get(cookie_name(door), "")
        return self.sessions.find(secret, door.lan, address) if secret else None

    def _stranger(self, headers: Headers, door: Door) -> Response:
        if not _wants_page(headers):
            said = "Not let in: open the bench by the address that benchwright serve printed.\n"
            return PlainTextResponse(said, 403)
        first = next((one for one in self.settings.doors if not one.lan), None)
        elsewhere = first.address if first is not None and first != door and not door.lan else ""
        return outside_page("doors/stranger.html", 403, lan=door.lan, elsewhere=elsewhere)


class GuardedApp(Starlette):
    """An app behind a guard, which stands before the answers to the app's own faults as well.

    Its ``state`` must have ``settings`` and ``sessions``.
    """

    def build_middleware_stack(self) -> ASGIApp:
        return Guard(super().build_middleware_stack(), self.state.settings, self.state.sessions)


def _write_refusal(headers: Headers, door: Door, session: Session | None) -> Response | None:
    """Whether a request that may change something comes from one of our own pages."""
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if origin not in (None, "null", door.address):
        return _from_elsewhere()
    if site is not None:
        return None if site in _OURS else _from_elsewhere()
    if origin is not None:  # a browser of before 2023
        return None if origin == door.address else _from_elsewhere()
    if session is not None and headers.get(TOKEN_HEADER):
        return None
    return PlainTextResponse(
        f"A program that is no browser must send its token in the header {TOKEN_HEADER}.\n", 403
    )


def _read_refusal(headers: Headers, door: Door, scope: Scope) -> Response | None:
    """Other sites may lead here, in a tab of its own; they may not load anything into their own pages.

    A program on another port of this machine counts as the same site, so that its cookie would come along:
    only our own pages and the person count here.
    """
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if origin not in (None, door.address):
        return _from_elsewhere()
    if site is None or site in _OURS:
        return None
    top = headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest") == "document"
    if not top or scope["method"] != "GET":
        return _from_elsewhere()
    if is_open(scope["path"]):
        return None
    # Led here from elsewhere: answered as without a cookie, with a way on that the person takes.
    return outside_page("doors/led_here.html", 403, here=_here(scope))


def _from_elsewhere() -> Response:
    return PlainTextResponse("Another site may not do this.\n", 403)


def _here(scope: Scope) -> str:
    raw = scope.get("raw_path") or b""
    path = raw.decode("latin-1").partition("?")[0]
    if not path.startswith("/") or path.startswith("//") or "\\" in path:
        path = "/"
    query = scope.get("query_string", b"").decode("latin-1")
    return f"{path}?{query}" if query else path


def _wants_page(headers: Headers) -> bool:
    mode = headers.get("sec-fetch-mode")
    return mode == "navigate" if mode else "text/html" in headers.get("accept", "")


def is_open(path: str) -> bool:
    """Whether a path is answered without a session: the way in, and the app's own files."""
    return path in ("/start", "/pair") or path.startswith(("/static/", "/pair/"))


# -- cookies ----------------------------------------------------------------------------------------------


def cookie_name(door: Door) -> str:
    """The session's cookie: cookies do not know ports, so its name does."""
    return f"__Host-benchwright-{door.port}" if door.scheme == "https" else f"benchwright-{door.port}"


def cookies_of(headers: Headers) -> dict[str, str]:
    """The cookies of a request."""
    found: dict[str, str] = {}
    for line in headers.getlist("cookie"):
        found |= cookie_parser(line)
    return found


def session_of(request: Request) -> Session | None:
    """Whose request it is; None at a door that is open to strangers."""
    found: Session | None = getattr(request.state, "session", None)
    return found


def door_of(request: Request) -> Door:
    """The door that a request came through."""
    door: Door = request.state.door
    return door


# -- answers ----------------------------------------------------------------------------------------------


def outside_page(template: str, status: int = 200, **values: Any) -> Response:
    """A page for somebody who is not let in (yet): nothing of the bench is on it."""
    from .page import environment

    return HTMLResponse(environment().get_template(template).render(values), status)


class _Answer:
    """Adds to every answer what browsers are told to forbid."""

    def __init__(self, scope: Scope, send: Send) -> None:
        self._static, self._send = scope["path"].startswith("/static/"), send

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            message.setdefault("headers", [])
            headers = MutableHeaders(scope=message)
            for name in [name for name in headers if name.startswith("access-control-")]:
                del headers[name]  # nobody else may read anything
            if "server" in headers:
                del headers["server"]
            for name, value in HEADERS.items():
                headers[name] = value
            if self._static:
                headers["Cache-Control"] = "no-cache"  # kept, but asked for anew: an ETag answers at once
            elif "cache-control" not in headers or headers.get("content-type", "").startswith("text/html"):
                headers["Cache-Control"] = "no-store"
        await self._send(message)


# -- bodies -----------------------------------------------------------------------------------------------


class TooLarge(HTTPException):
    """A body over the limit of its page."""

    def __init__(self, most: int) -> None:
        size = f"{most // 2**20} MB" if most >= 2**20 else f"{most // 2**10} KB"
        super().__init__(
            413, f"that is more than the {size} that this page takes: send less, or a smaller file"
        )


class _Body:
    """Counts what a request sends."""

    def __init__(self, receive: Receive) -> None:
        self._receive, self.most, self._size = receive, FORM_BYTES, 0

    async def receive(self) -> Message:
        message = await self._receive()
        if message["type"] == "http.request":
            self._size += len(message.get("body", b""))
            if self._size > self.most:
                await self._read_past(message)
                raise TooLarge(self.most)
        return message

    async def _read_past(self, message: Message) -> None:
        end = self._size + READ_PAST
        while message["type"] == "http.request" and message.get("more_body") and self._size < end:
            message = await self._receive()
            self._size += len(message.get("body", b""))


def allow_body(request: Request, most: int) -> None:
    """Let a request send more, or less, than a form without files; to be called before its body is read.

    Parameters
    ----------
    request : Request
    most : int
        Bytes in all.
    """
    body = request.scope.get(_LIMIT)
    if body is not None:
        body.most = most
