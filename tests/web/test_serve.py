"""`benchwright serve` as a person meets it: what it prints, where it answers, how it ends."""

from __future__ import annotations

import hashlib
import http.client
import inspect
import os
import re
import socket
import ssl
import subprocess
import sys
import threading
import webbrowser
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from serving import Serving, environment, serving

from benchwright.cli import serve as command
from benchwright.web import account, listening, server, settings
from benchwright.web.certificate import Certificate
from benchwright.web.greeting import greeting
from benchwright.web.listening import CannotServe, lan_addresses, open_lan, open_own
from benchwright.web.settings import Settings, lan_doors, own_doors


def ask(
    address: str, method: str = "GET", body: str | None = None, context: ssl.SSLContext | None = None,
    **headers: str,
) -> Any:  # fmt: skip
    """One request; the answer, read."""
    parts = urlsplit(address)
    assert parts.hostname
    connection = (
        http.client.HTTPSConnection(parts.hostname, parts.port, context=context, timeout=20)
        if parts.scheme == "https"
        else http.client.HTTPConnection(parts.hostname, parts.port, timeout=20)
    )
    sent = {name.replace("_", "-"): value for name, value in headers.items()}
    connection.request(method, f"{parts.path or '/'}?{parts.query}".rstrip("?"), body, sent)
    answer = connection.getresponse()
    answer.text = answer.read().decode()  # type: ignore[attr-defined]
    connection.close()
    return answer


def cookie(answer: Any) -> str:
    return str(answer.headers["set-cookie"]).partition(";")[0]


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    """With a door for phones on this machine's loopback, where a test needs no network."""
    with serving(tmp_path_factory.mktemp("run"), "--lan-address", "127.0.0.1", "--lan-port", "0") as found:
        yield found


def test_the_printed_address_lets_in(running: Serving) -> None:
    """And leads to the page for a bench that is not there yet, which makes none by itself."""
    first = ask(running.start)
    assert (first.status, first.headers["location"]) == (303, "/")
    second = ask(running.home, cookie=cookie(first))
    assert (second.status, second.headers["location"]) == (303, "/welcome")
    page = ask(running.home + "/welcome", cookie=cookie(first))
    assert page.status == 200
    assert "empty bench" in page.text
    assert not running.bench.exists()
    assert "server" not in page.headers
    assert ask(running.home).status == 403


@pytest.mark.parametrize("header", [{"x_forwarded_proto": "https"}, {"x_forwarded_host": "evil.example"}])
def test_what_a_proxy_would_say_is_not_believed(running: Serving, header: dict[str, str]) -> None:
    """There is none."""
    assert ask(running.home + "/static/bench.css", **header).status == 200
    port = urlsplit(running.home).port
    told = {"host": f"127.0.0.1:{urlsplit(running.pair).port}", "x_forwarded_proto": "https"}
    assert ask(f"http://127.0.0.1:{port}/static/bench.css", **told).status == 421


def test_a_phone_pairs_over_the_certificate_that_was_told(running: Serving) -> None:
    """The fingerprint is that of the certificate that the door shows; the code works once."""
    parts = urlsplit(running.pair)
    pem = ssl.get_server_certificate((str(parts.hostname), parts.port or 0))
    told = "".join(re.findall(r"^  ((?:[0-9A-F]{4} ?){8})$", running.text, re.MULTILINE))
    assert told.replace(" ", "") == hashlib.sha256(ssl.PEM_cert_to_DER_cert(pem)).hexdigest().upper()
    trusting = ssl.create_default_context(cadata=pem)
    shown = ask(running.pair, context=trusting)
    assert shown.status == 200
    body, site = "token=" + running.pair.rpartition("/")[2], "same-origin"
    form = {"content_type": "application/x-www-form-urlencoded", "sec_fetch_site": site}
    target = running.pair.partition("/pair/")[0]
    first = ask(target + "/pair", "POST", body, trusting, **form)
    assert first.status == 303
    assert cookie(first).startswith(f"__Host-benchwright-{parts.port}=")
    assert "Secure" in first.headers["set-cookie"]
    assert ask(target + "/phones", context=trusting, cookie=cookie(first)).status == 200
    assert ask(target + "/pair", "POST", body, trusting, **form).status == 403


def test_a_phone_that_is_put_out_hears_nothing_more(tmp_path: Path) -> None:
    """Its open stream of changes ends."""
    with serving(tmp_path, "--lan-address", "127.0.0.1", "--lan-port", "0") as own:
        parts = urlsplit(own.pair)
        trusting = ssl.create_default_context(
            cadata=ssl.get_server_certificate((str(parts.hostname), parts.port or 0))
        )
        form = {"content_type": "application/x-www-form-urlencoded", "sec_fetch_site": "same-origin"}
        target, code = own.pair.split("/pair/")
        phone = cookie(ask(target + "/pair", "POST", f"token={code}", trusting, **form))
        bench = cookie(ask(own.start))
        stream = http.client.HTTPSConnection(str(parts.hostname), parts.port, context=trusting, timeout=20)
        stream.request("GET", "/changes", headers={"Cookie": phone})
        heard = stream.getresponse()
        assert heard.readline() == b"retry: 2000\n"
        page = ask(own.home + "/phones", cookie=bench).text
        (row,) = [row for row in page.split("<li ")[1:] if "this one" not in row]
        key = re.search(r'name="key" value="(\w+)"', row)
        assert key
        gone = ask(own.home + "/phones/disconnect", "POST", f"key={key[1]}", cookie=bench, **form)
        assert gone.status == 303
        assert b"let-in-changed" not in heard.read()  # it comes to its end
        assert ask(target + "/phones", context=trusting, cookie=phone).status == 403
        assert ask(own.home + "/phones", cookie=bench).status == 200
        stream.close()


def test_a_page_left_open_goes_on_after_a_restart(tmp_path: Path) -> None:
    """Same port, same cookie; and Ctrl-C ends it at once, though a page listens for changes."""
    with serving(tmp_path) as first:
        kept, port = cookie(ask(first.start)), urlsplit(first.home).port
        listening_page = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
        listening_page.request("GET", "/changes", headers={"Cookie": kept})
        assert listening_page.getresponse().readline() == b"retry: 2000\n"
        assert first.end() == 0
        listening_page.close()
        assert "Traceback" not in first.text
        assert "Cancel" not in first.text
    with serving(tmp_path, port=port or 0) as second:
        assert second.home == first.home
        assert ask(second.home + "/phones", cookie=kept).status == 200
        assert ask(first.start).status == 403
        assert second.end() == 0


def test_a_port_in_use_is_told_with_what_to_do(tmp_path: Path) -> None:
    """By the program, with exit code 2 and no traceback."""
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        done = subprocess.run(
            [sys.executable, "-m", "benchwright", "serve", "--port", str(port), "--no-browser"],
            env=environment(tmp_path), capture_output=True, encoding="utf-8", check=False, timeout=60,
        )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.startswith(f"benchwright: port {port} at 127.0.0.1 is in use")
    assert "--port 0" in done.stderr
    assert "Traceback" not in done.stderr


def test_only_this_machines_own_addresses_listen_without_lan() -> None:
    """Not those that others reach."""
    opened = open_own(0)
    try:
        assert [one.getsockname()[0] for one in opened] in (["127.0.0.1"], ["127.0.0.1", "::1"])
        assert len({one.getsockname()[1] for one in opened}) == 1
        with pytest.raises(CannotServe, match="in use"):
            open_own(opened[0].getsockname()[1])
    finally:
        for one in opened:
            one.close()


@pytest.mark.parametrize(
    ("host", "said"),
    [
        ("192.0.2.77", "no address of this machine"),
        ("0.0.0.0", "stands for every address"),
        ("::", "stands for every address"),
        ("no such name", "neither an address nor a name"),
        ("bench.invalid", "neither an address nor a name"),  # RFC 6761: never a name of anything
    ],
)
def test_a_wrong_lan_address_is_told(host: str, said: str) -> None:
    """With what is expected, and nothing stays open."""
    with pytest.raises(CannotServe, match=said):
        open_lan([host], 0)


def test_a_lan_address_may_be_a_name() -> None:
    """Its address is a door as well; each address listens once."""
    opened, doors = open_lan(["LOCALHOST", "127.0.0.1"], 0)
    try:
        port = opened[0].getsockname()[1]
        assert {door.authority for door in doors} >= {f"localhost:{port}", f"127.0.0.1:{port}"}
        assert all(door.lan and door.scheme == "https" and door.port == port for door in doors)
        addresses = [one.getsockname()[0] for one in opened]
        assert len(addresses) == len(set(addresses))
    finally:
        for one in opened:
            one.close()


def test_without_a_network_the_person_is_asked_for_the_address(monkeypatch: pytest.MonkeyPatch) -> None:
    """No packet is sent to find out; here the system knows no way anywhere."""

    class Nowhere:
        def __init__(self, *_: object) -> None: ...
        def __enter__(self) -> Nowhere:
            return self

        def __exit__(self, *_: object) -> None: ...
        def connect(self, _: object) -> None:
            raise OSError("network is unreachable")

    monkeypatch.setattr(listening.socket, "socket", Nowhere)
    monkeypatch.setattr(listening.socket, "getaddrinfo", lambda *_: [(0, 0, 0, "", ("127.0.1.1", 0))])
    with pytest.raises(CannotServe, match="--lan-address 192"):
        lan_addresses()


@pytest.mark.parametrize("host", ["192.168.1.20", "fd00::20", "8.8.8.8"])
def test_what_is_said_of_phones(host: str, tmp_path: Path) -> None:
    """Address, fingerprint, cautions; a louder one where the whole internet could come."""
    doors = own_doors(8137) + lan_doors((host,), 8138)
    made = Certificate(tmp_path, tmp_path, " ".join(["ABCD"] * 16), made=True)
    said = "\n".join(greeting(Settings("", doors, tmp_path, tmp_path), "start", lambda: "code", made))
    shown = f"[{host}]" if ":" in host else host
    assert "http://127.0.0.1:8137/start?token=start" in said
    assert f"https://{shown}:8138/pair/code" in said
    assert said.count("ABCD") == 16
    assert "works once" in said
    assert "shares your network" in said
    assert ("whole internet" in said) == (host == "8.8.8.8")


def test_without_lan_no_code_is_made(tmp_path: Path) -> None:
    """Nor asked for."""

    def never() -> str:
        raise AssertionError

    said = "\n".join(greeting(Settings("", own_doors(8137), tmp_path, tmp_path), "start", never, None))
    assert "benchwright serve --lan" in said
    assert "https" not in said


def test_the_browser_is_opened_with_a_token_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that the printed address is still good; a browser that fails to open stops nothing."""
    opened = threading.Event()
    addresses: list[str] = []
    said: list[str] = []

    def open_it(address: str) -> bool:
        addresses.append(address)
        opened.set()
        raise webbrowser.Error("none here")

    async def serve(self: Any, sockets: Any) -> None:
        self.started = True

    monkeypatch.setattr(webbrowser, "open", open_it)
    monkeypatch.setattr(server._Server, "serve", serve)
    wanted = server.Wanted(str(tmp_path / "bench"), 0, state=tmp_path / "state", cache=tmp_path / "cache")
    server.run(wanted, said.append)
    assert opened.wait(20)
    (address,) = addresses
    assert re.fullmatch(r"http://127\.0\.0\.1:\d+/start\?token=[\w-]{22}", address)
    assert address not in "\n".join(said)


def test_the_command_and_the_server_mean_the_same_ports() -> None:
    """They are written down twice, so that help loads no server."""
    assert (command.PORT, command.LAN_PORT) == (settings.USUAL_PORT, settings.LAN_PORT)
    assert "starlette" not in inspect.getsource(command)


@pytest.mark.skipif(not Path("/proc/net/tcp").exists(), reason="only Linux tells whose a connection is")
@pytest.mark.parametrize("host", ["127.0.0.1", "::1"])
def test_whose_a_connection_is(host: str) -> None:
    """Seen in the kernel's table; another port's is nobody's."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.create_server((host, 0), family=family) as door:
        ours = door.getsockname()[:2]
        with socket.create_connection(ours) as client:
            theirs = client.getsockname()[:2]
            assert account.account_of(theirs, ours) == os.getuid()
            assert account.account_of((theirs[0], 1), ours) is None


@pytest.mark.parametrize(
    ("own", "seen", "another"),
    [(1000, 1001, True), (1000, 1000, False), (1000, 0, False), (1000, None, False), (0, 1000, False),
     (1000, 65534, False)],
)  # fmt: skip
def test_another_account_is_known(
    own: int, seen: int | None, another: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Root may do all anyway; what the system does not tell is not held against anybody."""
    monkeypatch.setattr(account.os, "getuid", lambda: own, raising=False)
    monkeypatch.setattr(account, "account_of", lambda client, server: seen)
    assert account.is_another_account(("127.0.0.1", 1), ("127.0.0.1", 2)) is another


def test_answers_are_not_held_back() -> None:
    """The event loop sets TCP_NODELAY where the socket says that it is TCP; else each answer waits 40 ms."""
    own = open_own(0)
    try:
        assert {one.proto for one in own} == {socket.IPPROTO_TCP}
    finally:
        for one in own:
            one.close()
