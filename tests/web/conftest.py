"""A bench that a page can be asked of: the demo's, a fresh copy for each test, with a client or a browser."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect
from serving import Serving, serving
from starlette.testclient import TestClient

from benchwright.web.app import make_app
from benchwright.web.settings import Settings, own_doors

expect.set_options(timeout=20_000)  # no test is about time, and the machine may be busy
CHROMIUM = "/usr/bin/chromium"
HERE = "http://127.0.0.1:8137"
SIZES = {"desktop": (1280, 800), "phone": (390, 844)}
"""Points of the browser's window."""


@pytest.fixture(scope="session")
def demo_bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo bench, made once; copy it before you write to it."""
    from benchwright.demo.bench_tour import fill

    folder = tmp_path_factory.mktemp("demo") / "bench"
    fill(folder)
    return folder


@pytest.fixture
def bench_folder(demo_bench: Path, tmp_path: Path) -> Path:
    """A copy of the demo bench that a test may change."""
    return Path(shutil.copytree(demo_bench, tmp_path / "bench"))


@pytest.fixture
def client(bench_folder: Path, tmp_path: Path) -> Iterator[TestClient]:
    """Somebody who was let in to the app on a demo bench, at this machine, in a browser."""
    settings = Settings(str(bench_folder), own_doors(8137), tmp_path / "state", tmp_path / "cache")
    app = make_app(settings)
    token = app.state.sessions.start_token()
    _, secret = app.state.sessions.spend("start", token, "127.0.0.1", "a computer", False)
    there = TestClient(app, HERE, client=("127.0.0.1", 50000), raise_server_exceptions=True)
    there.headers |= {"sec-fetch-site": "same-origin", "accept": "text/html"}
    there.cookies.set("benchwright-8137", secret)
    with there:
        yield there


@pytest.fixture
def served(demo_bench: Path, tmp_path: Path) -> Iterator[Serving]:
    """The program `benchwright serve` on a copy of the demo bench."""
    shutil.copytree(demo_bench, tmp_path / "bench")
    with serving(tmp_path) as server:
        yield server


@pytest.fixture
def empty_served(tmp_path: Path) -> Iterator[Serving]:
    """The program on a bench that is not there yet."""
    with serving(tmp_path) as server:
        yield server


@pytest.fixture
def serve_again(tmp_path: Path) -> Iterator[Callable[..., Serving]]:
    """Start the program on this test's bench, again if need be; it ends with the test."""
    with ExitStack() as stack:
        yield lambda *options, **more: stack.enter_context(serving(tmp_path, *options, **more))


# -- the browser, for pytest-playwright --------------------------------------------------------------------


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    """Debian's Chromium: nothing is downloaded."""
    return {
        **browser_type_launch_args,
        "executable_path": CHROMIUM,
        "args": ["--no-sandbox", "--disable-gpu"],
    }


@pytest.fixture(params=list(SIZES))
def size(request: pytest.FixtureRequest) -> str:
    """Every test that asks for it runs at the desk and on a phone."""
    return str(request.param)


@pytest.fixture
def browser_context_args(
    browser_context_args: dict[str, Any], request: pytest.FixtureRequest
) -> dict[str, Any]:
    """The window, and a finger in place of a mouse on the phone."""
    name = request.getfixturevalue("size") if "size" in request.fixturenames else "desktop"
    width, height = SIZES[name]
    phone = {"has_touch": True, "is_mobile": True, "device_scale_factor": 2} if name == "phone" else {}
    return {**browser_context_args, "viewport": {"width": width, "height": height}, **phone}
