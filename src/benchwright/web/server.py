"""Runs the app: its doors on this machine, one for phones if asked for, and how it starts and ends."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import signal
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import uvicorn

from .greeting import greeting
from .listening import CannotServe, lan_addresses, open_lan, open_own
from .settings import LAN_PORT, USUAL_PORT, Settings, cache_folder, own_doors, state_folder

if TYPE_CHECKING:
    from .certificate import Certificate

STOP_WITHIN = 2
"""Seconds that open streams are given when the server ends."""


@dataclass(frozen=True)
class Wanted:
    """What the person asks for.

    Attributes
    ----------
    bench : str or None
        Where the records are; None for the usual place.
    port : int
        0 for a free one.
    lan : bool
        Whether phones and tablets may come.
    lan_addresses : tuple of str
        Where they come by; found out if empty.
    lan_port : int
        0 for a free one.
    browser : bool
        Whether to open the browser.
    state, cache : Path or None
        Folders instead of the platform's.
    """

    bench: str | None = None
    port: int = USUAL_PORT
    lan: bool = False
    lan_addresses: tuple[str, ...] = ()
    lan_port: int = LAN_PORT
    browser: bool = True
    state: Path | None = None
    cache: Path | None = None


def run(wanted: Wanted, say: Callable[[str], object] = print) -> None:
    """Serve until Ctrl-C.

    Parameters
    ----------
    wanted : Wanted
    say : callable
        Takes each line for the person.

    Raises
    ------
    CannotServe
        A port is taken, or an address is not this machine's.
    """
    state, cache = wanted.state or state_folder(), wanted.cache or cache_folder()
    with contextlib.ExitStack() as sockets:
        own = open_own(wanted.port)
        for one in own:
            sockets.enter_context(one)
        port = own[0].getsockname()[1]
        doors = own_doors(port)
        if len(own) == 1:
            doors = tuple(door for door in doors if door.host != "::1")
        lan: list[socket.socket] = []
        made = None
        if wanted.lan:
            hosts = wanted.lan_addresses or lan_addresses()
            lan, doors_there = open_lan(hosts, wanted.lan_port)
            for one in lan:
                sockets.enter_context(one)
            doors += doors_there
            made = _certificate(state, [door.host for door in doors_there])
        settings = Settings(wanted.bench, doors, state, cache, made.fingerprint if made else "")
        asyncio.run(_serve(settings, own, lan, made, wanted.browser, say))


async def _serve(
    settings: Settings, own: list[socket.socket], lan: list[socket.socket], made: Certificate | None,
    browser: bool, say: Callable[[str], object],
) -> None:  # fmt: skip
    from .app import make_app

    app = make_app(settings)
    servers = [(_Server(_config(app)), own)]
    if made is not None:
        secure = _config(app, ssl_certfile=str(made.file), ssl_keyfile=str(made.key_file))
        servers.append((_Server(secure), lan))
    loop = asyncio.get_running_loop()

    def end() -> None:
        app.state.feed.close()  # streams have no end of their own
        for server, _ in servers:
            server.force_exit = server.should_exit
            server.should_exit = True

    async with app.router.lifespan_context(app):
        with _signals(lambda: loop.call_soon_threadsafe(end)):
            tasks = [asyncio.create_task(server.serve(sockets)) for server, sockets in servers]
            while not all(
                server.started or task.done() for (server, _), task in zip(servers, tasks, strict=True)
            ):
                await asyncio.sleep(0.005)
            sessions = app.state.sessions
            for line in greeting(settings, sessions.start_token(), sessions.pairing_token, made):
                say(line)
            gc.collect()
            gc.freeze()  # what is loaded stays; looking through it again and again costs pages their time
            if browser:
                address = f"{settings.doors[0].address}/start?token={sessions.start_token()}"
                threading.Thread(target=_open, args=(address,), daemon=True).start()
            await asyncio.gather(*tasks)


class _Server(uvicorn.Server):
    """One of several servers in a program: the program listens for signals, not each server."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def _config(app: Any, **more: Any) -> uvicorn.Config:
    return uvicorn.Config(
        app, lifespan="off", loop="asyncio", http="h11", ws="none", log_config=None, log_level="warning",
        access_log=False, server_header=False, proxy_headers=False,
        timeout_graceful_shutdown=STOP_WITHIN, **more,
    )  # fmt: skip


@contextlib.contextmanager
def _signals(end: Callable[[], object]) -> Iterator[None]:
    """Call `end` at Ctrl-C, and when the program is asked to go."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    heard = [signal.SIGINT, signal.SIGTERM]
    if sys.platform == "win32":
        heard.append(signal.SIGBREAK)
    before = {one: signal.signal(one, lambda *_: end()) for one in heard}
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


def _open(address: str) -> None:
    with contextlib.suppress(Exception):  # the address is printed as well
        webbrowser.open(address)


def _certificate(folder: Path, hosts: list[str]) -> Certificate:
    from .certificate import certificate

    try:
        return certificate(folder, hosts)
    except OSError as problem:
        raise CannotServe(
            f"the certificate for phones cannot be kept in {folder}: "
            f"{(problem.strerror or str(problem)).lower()}"
        ) from None
