"""Who may ask the app for what: each rule is tried with the bad request, which must be refused."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.testclient import TestClient

from benchwright.web.app import make_app
from benchwright.web.feed import Feed
from benchwright.web.guard import FORM_BYTES, POLICY, GuardedApp, allow_body
from benchwright.web.pages import doors as doors_pages
from benchwright.web.records import Records
from benchwright.web.sessions import PHONE_LIFE, WRONG_FROM_ONE, Sessions
from benchwright.web.settings import Settings, lan_doors, own_doors

OURS, PHONES = "http://127.0.0.1:8137", "https://192.168.1.20:8138"
SECRET = "the price that was paid"
BROWSER = {"user-agent": "Mozilla/5.0", "accept": "text/html"}
SAME = {"sec-fetch-site": "same-origin"}
LED = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate", "sec-fetch-dest": "document"}


@dataclass
class Stand:
    """A small app behind the guard, with all ways in, and what was done to it."""

    app: GuardedApp
    sessions: Sessions
    done: list[str] = field(default_factory=list)

    def client(self, door: str = OURS, *, let_in: bool = True, address: str = "127.0.0.1") -> TestClient:
        """A client at a door, with the cookie of a session unless `let_in` is false."""
        client = TestClient(
            self.app, door, client=(address, 50000), follow_redirects=False, raise_server_exceptions=False
        )
        if let_in:
            client.headers["cookie"] = f"{name_of(door)}={self.secret(lan=door == PHONES)}"
        return client

    def secret(self, *, lan: bool = False) -> str:
        use, token = (
            ("pair", self.sessions.pairing_token()) if lan else ("start", self.sessions.start_token())
        )
        return self.sessions.spend(use, token, "192.168.1.77" if lan else "127.0.0.1", "a computer", lan)[1]


def name_of(door: str) -> str:
    return "__Host-benchwright-8138" if door == PHONES else "benchwright-8137"


def settings_in(folder: Path) -> Settings:
    there = own_doors(8137) + lan_doors(("192.168.1.20",), 8138)
    return Settings(str(folder / "bench"), there, folder / "state", folder / "cache", "ABCD 1234")


@pytest.fixture
def stand(tmp_path: Path) -> Stand:
    done: list[str] = []

    async def show(request: Request) -> Response:
        return PlainTextResponse(SECRET)

    async def data(request: Request) -> Response:
        return JSONResponse({"kept": SECRET}, headers={"Cache-Control": "private, no-cache", "ETag": '"1"'})

    async def record(request: Request) -> Response:
        done.append((await request.body()).decode())
        return PlainTextResponse("recorded")

    async def upload(request: Request) -> Response:
        allow_body(request, 3 * FORM_BYTES)
        done.append(str(len(await request.body())))
        return PlainTextResponse("taken")

    async def fails(request: Request) -> Response:
        raise RuntimeError(SECRET)

    async def shares(request: Request) -> Response:
        return PlainTextResponse(SECRET, headers={"Access-Control-Allow-Origin": "*", "Server": "me"})

    async def cached(request: Request) -> Response:
        return HTMLResponse(SECRET, headers={"Cache-Control": "public, max-age=9"})

    async def told(request: Request, problem: Exception) -> Response:
        status = problem.status_code if isinstance(problem, HTTPException) else 500
        return PlainTextResponse(problem.detail if isinstance(problem, HTTPException) else "failed", status)

    static = tmp_path / "static"
    static.mkdir()
    (static / "a.js").write_text("1;", encoding="utf-8")
    (tmp_path / "outside.txt").write_text(SECRET, encoding="utf-8")
    app = GuardedApp(
        routes=[
            *doors_pages.routes,
            Route("/", show),
            Route("/data.json", data),
            Route("/record", record, methods=["POST", "PUT", "PATCH", "DELETE"]),
            Route("/upload", upload, methods=["POST"]),
            Route("/fails", fails),
            Route("/shares", shares),
            Route("/cached", cached),
            Mount("/static", StaticFiles(directory=static)),
        ],
        exception_handlers={HTTPException: told, Exception: told},
    )
    settings = settings_in(tmp_path)
    app.state.settings, app.state.sessions = settings, Sessions(settings.state_folder, 8137)
    app.state.feed = Feed(Records(settings.bench))
    return Stand(app, app.state.sessions, done)


# -- the name that a request was sent to ------------------------------------------------------------------


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:8137",
        "127.0.0.1",
        "127.0.0.1:80",
        "127.0.0.1:8138",
        "127.0.0.2:8137",
        "0.0.0.0:8137",
        "localhost",
        "localhost:9000",
        "localhost.:8137",
        "[::1]:1",
        "127.0.0.1:8137.evil.example",
        "evil.example@127.0.0.1:8137",
        "127.0.0.1:8137, evil.example",
        "192.168.1.20:8138",
        "",
    ],
)
@pytest.mark.parametrize("path", ["/", "/data.json", "/static/a.js", "/start", "/nothing"])
def test_a_foreign_name_or_port_is_not_answered(stand: Stand, host: str, path: str) -> None:
    """A name that was made to point at this machine would be its own site in the browser's eyes."""
    answer = stand.client().get(path, headers={"host": host})
    assert answer.status_code == 421
    assert SECRET not in answer.text


@pytest.mark.parametrize("host", ["127.0.0.1:8137", "localhost:8137", "[::1]:8137", "LOCALHOST:8137"])
def test_its_own_names_are_answered(stand: Stand, host: str) -> None:
    """With their port, in any case."""
    assert stand.client().get("/", headers={"host": host}).text == SECRET


@pytest.mark.parametrize(
    "hosts", [(), ("127.0.0.1:8137", "evil.example"), ("evil.example", "127.0.0.1:8137")]
)
def test_no_name_or_two_are_not_answered(stand: Stand, hosts: tuple[str, ...]) -> None:
    """Which of two counts would be a guess."""
    sent = [(b"host", host.encode()) for host in hosts]
    sent.append((b"cookie", f"benchwright-8137={stand.secret()}".encode()))
    assert ask(stand.app, "/", sent)[0] == 421


def test_the_door_for_phones_answers_by_https_only(stand: Stand) -> None:
    """And the machine's own by http only."""
    assert stand.client(PHONES).get("/").text == SECRET
    assert stand.client("http://192.168.1.20:8138").get("/").status_code == 421
    assert stand.client("https://127.0.0.1:8137").get("/").status_code == 421


def test_sockets_are_refused(stand: Stand) -> None:
    """The app has none."""
    sent: list[Any] = []

    async def receive() -> dict[str, str]:
        return {"type": "websocket.connect"}

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {"type": "websocket", "path": "/", "headers": [(b"host", b"127.0.0.1:8137")], "scheme": "ws"}
    asyncio.run(stand.app(scope, receive, send))
    assert [message["type"] for message in sent] == ["websocket.close"]


def ask(app: Any, path: str, headers: list[tuple[bytes, bytes]], method: str = "GET") -> tuple[int, str]:
    """Send a request as it is, without a client that sets it right; status and text."""
    sent: list[Any] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
        "path": path, "raw_path": path.encode(), "query_string": b"", "root_path": "", "headers": headers,
        "client": ("127.0.0.1", 50000), "server": ("127.0.0.1", 8137),
    }  # fmt: skip
    asyncio.run(app(scope, receive, send))
    body = b"".join(message.get("body", b"") for message in sent)
    return sent[0]["status"], body.decode("utf-8", "replace")


# -- writing ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": ""},
        {"sec-fetch-site": "same-origin, cross-site"},
        {"sec-fetch-site": "cross-site", "origin": OURS},
        {"sec-fetch-site": "same-origin", "origin": "http://evil.example"},
        {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate", "sec-fetch-dest": "document"},
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": "https://127.0.0.1:8137"},
        {"origin": "http://localhost:8137"},
        {"origin": OURS + ".evil.example"},
        {"origin": ""},
        {"referer": OURS + "/"},
        {"benchwright-token": "wrong"},
        {"benchwright-token": ""},
        {},
    ],
    ids=str,
)
@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
def test_another_site_writes_nothing(stand: Stand, headers: dict[str, str], method: str) -> None:
    """Though the cookie came along."""
    answer = stand.client().request(method, "/record", content=b"bad", headers=headers)
    assert answer.status_code == 403
    assert stand.done == []


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "same-origin"},
        {"sec-fetch-site": "same-origin", "origin": OURS},
        # A form of a page with the policy no-referrer: Fetch standard, "append a request Origin header".
        {"sec-fetch-site": "same-origin", "origin": "null"},
        {"sec-fetch-site": "none"},
        {"origin": OURS},
    ],
    ids=str,
)
def test_its_own_pages_write(stand: Stand, headers: dict[str, str]) -> None:
    """By what every browser says of them."""
    assert stand.client().post("/record", content=b"good", headers=headers).status_code == 200
    assert stand.done == ["good"]


def test_a_program_writes_with_its_token_in_a_header(stand: Stand) -> None:
    """A header that no page of another site can send."""
    client, secret = stand.client(let_in=False), stand.secret()
    assert client.post("/record", content=b"good", headers={"benchwright-token": secret}).status_code == 200
    assert client.get("/", headers={"benchwright-token": secret}).text == SECRET
    with_cookie = client.post("/record", headers={"cookie": f"benchwright-8137={secret}"})
    assert with_cookie.status_code == 403
    assert stand.done == ["good"]


def test_nobody_writes_without_a_session(stand: Stand) -> None:
    """Wherever the request comes from."""
    assert stand.client(let_in=False).post("/record", content=b"bad", headers=SAME).status_code == 403
    assert stand.done == []


def test_a_preflight_is_answered_with_no_permission(stand: Stand) -> None:
    """So that no other site may send what a plain form cannot."""
    asked = {"origin": "http://evil.example", "access-control-request-method": "PUT"}
    answer = stand.client().options("/record", headers=asked)
    assert answer.status_code == 403
    assert not [name for name in answer.headers if name.startswith("access-control")]


# -- reading ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("site", ["cross-site", "same-site", "unknown", ""])
@pytest.mark.parametrize(
    ("mode", "dest"),
    [
        ("cors", "empty"),
        ("no-cors", "empty"),
        ("no-cors", "image"),
        ("no-cors", "script"),
        ("no-cors", "style"),
        ("navigate", "iframe"),
        ("navigate", "frame"),
        ("navigate", "object"),
        ("navigate", "embed"),
        ("navigate", ""),
        ("websocket", "websocket"),
    ],
)
@pytest.mark.parametrize("path", ["/", "/data.json", "/static/a.js", "/start", "/pair/x"])
def test_another_site_loads_nothing(stand: Stand, site: str, mode: str, dest: str, path: str) -> None:
    """A page on another port of this machine is of the same site, and its requests carry the cookie."""
    headers = {"sec-fetch-site": site, "sec-fetch-mode": mode, "sec-fetch-dest": dest}
    answer = stand.client().get(path, headers=headers)
    assert (answer.status_code, answer.text) == (403, "Another site may not do this.\n")


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:9999"])
def test_an_older_browser_loads_nothing_for_another_site(stand: Stand, origin: str) -> None:
    """One that does not say where a request comes from, but names the site that asks to read."""
    assert stand.client().get("/data.json", headers={"origin": origin}).status_code == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
@pytest.mark.parametrize("path", ["/", "/data.json", "/nothing?a=1&b=2"])
def test_a_link_on_another_site_leads_to_a_question(stand: Stand, site: str, path: str) -> None:
    """As without the cookie, even if it came along; the person goes on by a link of ours."""
    answer = stand.client().get(path, headers={**LED, "sec-fetch-site": site})
    assert answer.status_code == 403
    assert SECRET not in answer.text
    assert f'href="{path.replace("&", "&amp;")}"' in answer.text
    assert stand.client().head(path, headers={**LED, "sec-fetch-site": site}).status_code == 403
    assert stand.client().get("/static/a.js", headers=LED).status_code == 200
    assert stand.client().head("/static/a.js", headers=LED).status_code == 403


@pytest.mark.parametrize(
    "path", ["//evil.example/", "/\\evil.example/", "http://evil.example/", "javascript:1"]
)
def test_the_question_leads_nowhere_else(stand: Stand, path: str) -> None:
    """Whatever was asked for."""
    sent = [(name.encode(), value.encode()) for name, value in {"host": "127.0.0.1:8137", **LED}.items()]
    status, text = ask(stand.app, path, sent)
    assert status == 403
    assert re.findall(r'<a [^>]*href="([^"]*)"', text) == ["/"]


# -- sessions ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    ["/", "/data.json", "/phones", "/nothing", "/fails", "/startle", "/start/", "/pairs", "/static",
     "/statics", "/favicon.ico", "//static/a.js", "/Static/a.js", "/x/static/a.js"],
)  # fmt: skip
def test_without_a_session_there_is_only_the_way_in(stand: Stand, path: str) -> None:
    """What is there and what is not look the same from outside."""
    client = stand.client(let_in=False)
    answer = client.get(path, headers=BROWSER)
    assert answer.status_code == 403
    assert "benchwright serve" in answer.text
    assert SECRET not in answer.text
    assert client.get(path).text.startswith("Not let in")
    assert client.get("/static/a.js").text == "1;"


def test_a_stranger_at_the_door_for_phones_is_told_of_pairing(stand: Stand) -> None:
    """And at another name of this machine, where the bench may be open already."""
    text = stand.client(PHONES, let_in=False).get("/", headers=BROWSER).text
    assert "make a new code" in text
    assert "127.0.0.1" not in text
    text = stand.client("http://localhost:8137", let_in=False).get("/", headers=BROWSER).text
    assert f'href="{OURS}/"' in text


@pytest.mark.parametrize(
    "cookie",
    ["", "benchwright-8137=", "benchwright-8137=wrong", "benchwright-8140={}", "benchwright={}",
     "__Host-benchwright-8138={}", "benchwright-8137=%22{}%22"],
)  # fmt: skip
def test_a_wrong_cookie_opens_nothing(stand: Stand, cookie: str) -> None:
    """Nor does the right secret under another port's name."""
    headers = {"cookie": cookie.format(stand.secret())}
    assert stand.client(let_in=False).get("/", headers=headers).status_code == 403


def test_a_cookie_of_one_kind_of_door_opens_no_other(stand: Stand) -> None:
    """A phone's secret is no good on the machine itself, nor the other way round."""
    phone, bench = stand.secret(lan=True), stand.secret()
    here, there = stand.client(let_in=False), stand.client(PHONES, let_in=False)
    assert here.get("/", headers={"cookie": f"benchwright-8137={phone}"}).status_code == 403
    assert there.get("/", headers={"cookie": f"__Host-benchwright-8138={bench}"}).status_code == 403
    assert there.get("/", headers={"cookie": f"__Host-benchwright-8138={phone}"}).text == SECRET


def cookie_of(answer: Any) -> tuple[str, str, set[str]]:
    """Name, value and the rest of the one cookie that an answer sets."""
    (line,) = answer.headers.get_list("set-cookie")
    first, *rest = line.split("; ")
    name, _, value = first.partition("=")
    return name, value, {one.lower() for one in rest}


def test_the_start_token_is_traded_for_a_cookie_once(stand: Stand) -> None:
    """The address that it leads to is clean; a second browser is told how to get in."""
    client, token = stand.client(let_in=False), stand.sessions.start_token()
    answer = client.get("/start", params={"token": token})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    name, value, flags = cookie_of(answer)
    assert (name, value != token) == ("benchwright-8137", True)
    assert flags == {"httponly", "samesite=strict", "path=/", f"max-age={30 * 86400}"}
    assert stand.client(let_in=False).get("/", headers={"cookie": f"{name}={value}"}).text == SECRET
    other = stand.client(let_in=False).get("/start", params={"token": token})
    assert other.status_code == 403
    assert "works once" in other.text
    assert "set-cookie" not in other.headers
    again = stand.client().get("/start", params={"token": token})
    assert (again.status_code, again.headers["location"]) == (303, "/")


def test_looking_ahead_spends_no_start_token(stand: Stand) -> None:
    """A request for the head alone."""
    client, token = stand.client(let_in=False), stand.sessions.start_token()
    assert "set-cookie" not in client.head("/start", params={"token": token}).headers
    assert "set-cookie" in client.get("/start", params={"token": token}).headers


def test_a_start_from_another_page_goes_on_by_a_page_of_ours(stand: Stand) -> None:
    """A browser keeps a strict cookie back on a redirect that another site began."""
    answer = stand.client(let_in=False).get(
        "/start", params={"token": stand.sessions.start_token()}, headers=LED
    )
    assert answer.status_code == 200
    assert "set-cookie" in answer.headers
    assert 'href="/"' in answer.text


@pytest.mark.parametrize("token", ["", "wrong", "é", "\ud800", "a" * 5000])
def test_a_wrong_start_token_lets_nobody_in(stand: Stand, token: str) -> None:
    """Of whatever form."""
    sent = token.encode("utf-8", "surrogatepass")
    answer = stand.client(let_in=False).get("/start?token=" + "".join(f"%{byte:02X}" for byte in sent))
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


def test_the_start_token_is_no_good_at_the_door_for_phones(stand: Stand) -> None:
    """Nor a pairing code on the machine itself."""
    start, pairing = stand.sessions.start_token(), stand.sessions.pairing_token()
    there, here = stand.client(PHONES, let_in=False), stand.client(let_in=False)
    assert there.get("/start", params={"token": start}).status_code == 403
    assert there.post("/pair", data={"token": start}, headers=SAME).status_code == 403
    assert here.get(f"/pair/{pairing}").status_code == 403
    assert here.post("/pair", data={"token": pairing}, headers=SAME).status_code == 403
    assert here.get("/start", params={"token": pairing}).status_code == 403


def test_the_start_token_is_refused_to_another_account(stand: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    """Which may have read it in the list of programs."""
    monkeypatch.setattr(doors_pages, "is_another_account", lambda client, server: True)
    token = stand.sessions.start_token()
    assert stand.client(let_in=False).get("/start", params={"token": token}).status_code == 403
    monkeypatch.undo()
    assert stand.client(let_in=False).get("/start", params={"token": token}).status_code == 303


def test_pairing_asks_first_and_works_once(stand: Stand) -> None:
    """Looking at the address, as previews of links do, spends nothing."""
    client, token = stand.client(PHONES, let_in=False), stand.sessions.pairing_token()
    for _ in range(2):
        shown = client.get(f"/pair/{token}", headers=BROWSER)
        assert shown.status_code == 200
        assert "set-cookie" not in shown.headers
        assert shown.text.count("<button") == 1
    assert client.get("/").status_code == 403
    answer = client.post("/pair", data={"token": token}, headers=SAME)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    name, value, flags = cookie_of(answer)
    assert name == "__Host-benchwright-8138"
    assert flags == {"httponly", "samesite=strict", "path=/", "secure", f"max-age={PHONE_LIFE}"}
    assert stand.client(PHONES, let_in=False).get("/", headers={"cookie": f"{name}={value}"}).text == SECRET
    spent = client.post("/pair", data={"token": token}, headers=SAME)
    assert spent.status_code == 403
    assert "works once" in spent.text
    assert "Make a new code" in spent.text
    assert client.get(f"/pair/{token}").status_code == 403


@pytest.mark.parametrize("headers", [{}, {"sec-fetch-site": "cross-site"}, {"origin": "http://evil.example"}])
def test_another_site_cannot_pair_a_phone(stand: Stand, headers: dict[str, str]) -> None:
    """Not even with a good code."""
    client, token = stand.client(PHONES, let_in=False), stand.sessions.pairing_token()
    assert client.post("/pair", data={"token": token}, headers=headers).status_code == 403
    assert stand.sessions.good("pair", token, "192.168.1.77")


def test_wrong_codes_are_slowed_down(stand: Stand) -> None:
    """By looking or by sending; a good one must wait as well, and others need not."""
    client = stand.client(PHONES, let_in=False, address="192.168.1.66")
    for n in range(WRONG_FROM_ONE):
        if n % 2:
            assert client.get(f"/pair/wrong{n}").status_code == 403
        else:
            assert client.post("/pair", data={"token": f"wrong{n}"}, headers=SAME).status_code == 403
    token = stand.sessions.pairing_token()
    for answer in (client.get(f"/pair/{token}"), client.post("/pair", data={"token": token}, headers=SAME)):
        assert answer.status_code == 429
        assert re.search(r"looked at in \d+ seconds", answer.text)
    other = stand.client(PHONES, let_in=False, address="192.168.1.77")
    assert other.get(f"/pair/{token}").status_code == 200


# -- what every answer says -------------------------------------------------------------------------------

ALWAYS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data: blob:; connect-src 'self'; font-src 'self'; media-src 'self' blob:; "
    "worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


def assert_guarded(answer: Any, *, static: bool = False) -> None:
    """The headers that browsers act on are there, once, and none that opens anything."""
    for name, value in ALWAYS.items():
        assert answer.headers.get_list(name) == [value], name
    allowed = answer.headers["permissions-policy"].split(", ")
    assert {one for one in allowed if not one.endswith("=()")} == {"camera=(self)", "microphone=(self)"}
    assert answer.headers["cache-control"] in (("no-cache",) if static else ("no-store", "private, no-cache"))
    assert not [name for name in answer.headers if name.startswith("access-control") or name == "server"]


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/", 200), ("/data.json", 200), ("/fails", 500), ("/nothing", 404), ("/record", 405),
        ("/shares", 200),
        ("/static/nothing.js", 404), ("/start", 303), ("/pair/x", 403), ("/phones", 200),
    ],
)  # fmt: skip
def test_every_answer_tells_the_browser_what_to_forbid(stand: Stand, path: str, status: int) -> None:
    """Also the answers to faults, to strangers and to what does not exist."""
    answer = stand.client().get(path)
    assert answer.status_code == status
    assert_guarded(answer, static=path.startswith("/static/"))
    assert_guarded(stand.client(let_in=False).get(path), static=path.startswith("/static/"))
    for headers in ({"host": "evil.example"}, {"sec-fetch-site": "cross-site"}, LED):
        assert_guarded(stand.client().get(path, headers=headers), static=path.startswith("/static/"))
    assert_guarded(stand.client().post(path), static=path.startswith("/static/"))


def test_the_policy_of_the_code_is_that_of_the_test() -> None:
    """No inline script or style, no other site."""
    assert ALWAYS["content-security-policy"] == POLICY
    assert "unsafe" not in POLICY


def test_pages_are_not_kept_and_static_files_are_asked_for_anew(stand: Stand) -> None:
    """A file that is unchanged is not sent again."""
    client = stand.client()
    assert client.get("/").headers["cache-control"] == "no-store"
    assert client.get("/cached").headers["cache-control"] == "no-store"
    first = client.get("/static/a.js")
    assert_guarded(first, static=True)
    again = client.get("/static/a.js", headers={"if-none-match": first.headers["etag"]})
    assert again.status_code == 304
    assert_guarded(again, static=True)


# -- how much ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("chunked", [False, True])
def test_too_much_is_refused(stand: Stand, chunked: bool) -> None:
    """Whether its length was said before or not; a page may allow more for itself."""
    client = stand.client()

    def body(size: int) -> Any:
        return iter([b"x" * (size // 4)] * 4) if chunked else b"x" * size

    assert client.post("/record", content=body(FORM_BYTES), headers=SAME).status_code == 200
    answer = client.post("/record", content=body(FORM_BYTES + 4), headers=SAME)
    assert answer.status_code == 413
    assert "1 MB" in answer.text
    assert_guarded(answer)
    assert client.post("/upload", content=body(3 * FORM_BYTES), headers=SAME).status_code == 200
    assert client.post("/upload", content=body(3 * FORM_BYTES + 4), headers=SAME).status_code == 413
    assert len(stand.done) == 2


def test_a_stranger_may_not_even_send(stand: Stand) -> None:
    """What is refused is not read."""
    asked: list[str] = []

    async def receive() -> dict[str, Any]:
        asked.append("more")
        return {"type": "http.request", "body": b"x" * FORM_BYTES, "more_body": True}

    async def send(message: Any) -> None:
        asked.append(message["type"])

    scope = {
        "type": "http", "method": "POST", "scheme": "http", "path": "/upload", "raw_path": b"/upload",
        "query_string": b"", "client": ("127.0.0.1", 50000), "server": ("127.0.0.1", 8137),
        "headers": [(b"host", b"127.0.0.1:8137"), (b"sec-fetch-site", b"same-origin")],
    }  # fmt: skip
    asyncio.run(stand.app(scope, receive, send))
    assert asked == ["http.response.start", "http.response.body"]


# -- files ------------------------------------------------------------------------------------------------

PATHS = [
    "/static/../outside.txt",
    "/static/../../outside.txt",
    "/static/..\\outside.txt",
    "/static/./../outside.txt",
    "/static//etc/passwd",
    "/static/a.js/../../outside.txt",
    "/static/a.js\0.txt",
    "/static/",
    "/static/..",
]


@pytest.mark.parametrize("path", PATHS, ids=repr)
def test_static_files_end_at_their_folder(stand: Stand, path: str) -> None:
    """Paths as a program sends them, already decoded."""
    status, text = ask(stand.app, path, [(b"host", b"127.0.0.1:8137")])
    assert status in (403, 404)
    assert SECRET not in text
    assert "root:" not in text


# -- phones and tablets -----------------------------------------------------------------------------------


def test_a_code_is_made_at_the_bench_and_pairs_a_phone(stand: Stand) -> None:
    """It is drawn without a style attribute, and its address stands beside it."""
    page = stand.client().post("/phones/code", headers=SAME)
    assert page.status_code == 200
    assert "<svg" in page.text
    assert " style=" not in page.text
    found = re.search(rf"{re.escape(PHONES)}/pair/([\w-]+)", page.text)
    assert found
    phone = stand.client(PHONES, let_in=False)
    assert phone.post("/pair", data={"token": found[1]}, headers=SAME).status_code == 303
    assert found[1] not in stand.client().get("/phones").text


def test_a_phone_lets_nobody_else_in_and_puts_nobody_else_out(stand: Stand) -> None:
    """It may leave."""
    bench, phone = stand.client(), stand.client(PHONES)
    (other,) = (one.key for one in stand.sessions.connected() if not one.lan)
    assert phone.post("/phones/code", headers=SAME).status_code == 422
    assert phone.post("/phones/disconnect", data={"key": other}, headers=SAME).status_code == 422
    assert bench.get("/").text == SECRET
    (own,) = (one.key for one in stand.sessions.connected() if one.lan)
    assert phone.post("/phones/disconnect", data={"key": own}, headers=SAME).status_code == 303
    assert phone.get("/").status_code == 403


def test_who_is_put_out_is_out(stand: Stand) -> None:
    """At the next request."""
    bench, phone = stand.client(), stand.client(PHONES)
    assert phone.get("/").text == SECRET
    text = bench.get("/phones").text
    assert "this one" in text
    (key,) = (one.key for one in stand.sessions.connected() if one.lan)
    assert key in text
    assert bench.post("/phones/disconnect", data={"key": key}, headers=SAME).status_code == 303
    assert phone.get("/").status_code == 403
    assert bench.get("/").text == SECRET


def test_without_a_door_for_phones_the_page_says_how_to_open_one(tmp_path: Path) -> None:
    """And makes no code."""
    settings = Settings(str(tmp_path / "bench"), own_doors(8137), tmp_path / "state", tmp_path / "cache")
    app = make_app(settings)
    client = TestClient(app, OURS, client=("127.0.0.1", 50000))
    token = app.state.sessions.start_token()
    secret = app.state.sessions.spend("start", token, "127.0.0.1", "a computer", False)[1]
    client.headers["cookie"] = f"benchwright-8137={secret}"
    assert "benchwright serve --lan" in client.get("/phones").text
    answer = client.post("/phones/code", headers=SAME)
    assert answer.status_code == 422
    assert "<svg" not in answer.text


# -- the app itself ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """The whole app, let in."""
    app = make_app(settings_in(tmp_path_factory.mktemp("real")))
    token = app.state.sessions.start_token()
    secret = app.state.sessions.spend("start", token, "127.0.0.1", "a computer", False)[1]
    with TestClient(app, OURS, client=("127.0.0.1", 50000), follow_redirects=False) as client:
        client.headers["cookie"] = f"benchwright-8137={secret}"
        yield client


def routes(method: str) -> list[str]:
    """Paths of all routes of the app that take a method, with something in the places of names."""
    import importlib

    from benchwright.web.app import PAGES

    found = []
    for name in PAGES:
        for route in importlib.import_module(f"benchwright.web.pages.{name}").routes:
            if method in (route.methods or ()):
                path = re.sub(r"\{\w+:int\}", "1", route.path)
                found.append(re.sub(r"\{[^}]*\}", "0" * 64, path))
    return found


@pytest.mark.parametrize("path", [path for path in routes("GET") if path != "/changes"])
def test_every_page_of_the_app_is_guarded(real: TestClient, path: str) -> None:
    """Read as the person, as a stranger, as another site, under another name; before there is a bench."""
    own = real.get(path)
    assert own.status_code < 500
    assert_guarded(own)
    stranger = real.get(path, headers={"cookie": ""})
    assert stranger.status_code == 403
    assert_guarded(stranger)
    assert (
        real.get(path, headers={"sec-fetch-site": "same-site", "sec-fetch-mode": "cors"}).status_code == 403
    )
    assert real.get(path, headers={"host": "evil.example:8137"}).status_code == 421


@pytest.mark.parametrize("path", routes("POST"))
def test_every_form_of_the_app_is_guarded(real: TestClient, path: str) -> None:
    """Sent by another site, by a stranger, without a word on where it comes from."""
    for headers in ({}, {"origin": "null"}, {"sec-fetch-site": "same-site"}, {"host": "evil.example"}):
        answer = real.post(path, data={"once": "1"}, headers=headers)
        assert answer.status_code in (403, 421)
        assert_guarded(answer)
    assert real.post(path, headers={**SAME, "cookie": ""}).status_code == 403
    assert not Path(real.app.state.settings.bench).exists()  # type: ignore[attr-defined]


def test_the_stream_of_changes_is_guarded(real: TestClient) -> None:
    """It has no end, so only its refusals are asked for here."""
    assert real.get("/changes", headers={"cookie": ""}).status_code == 403
    assert real.get("/changes", headers={"sec-fetch-site": "cross-site"}).status_code == 403


@pytest.mark.parametrize(
    "path",
    ["/static/../app.py", "/static/../../errors.py", "/static//etc/passwd", "/attachments/../../etc/passwd",
     "/attachments//etc/passwd", "/attachments/..%2f..%2fetc%2fpasswd", "/attachments/" + "0" * 63 + "/"],
)  # fmt: skip
def test_no_path_leads_out_of_the_app(real: TestClient, path: str) -> None:
    """Neither to its own code, nor to the system's files."""
    sent = [(b"host", b"127.0.0.1:8137"), (b"cookie", real.headers["cookie"].encode())]
    status, text = ask(real.app, path, sent)
    assert status in (303, 404)
    assert "import" not in text
    assert "root:" not in text
