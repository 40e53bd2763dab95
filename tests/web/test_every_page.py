"""Every page at the desk and on a phone, in light and dark: nothing for axe to find, nothing runs out of the
screen, little script; pictures of all are kept for people to look at.
"""

from __future__ import annotations

import gzip
import os
import re
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page
from serving import Serving
from starlette.routing import Route

from benchwright.web.app import _routes

AXE = (Path(__file__).parent / "vendor" / "axe.js").read_text(encoding="utf-8")
WANTED = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
MOST_SCRIPT = 200 * 1024
"""Bytes of script to a page, compressed."""
PICTURES = Path(os.environ.get("BENCHWRIGHT_PICTURES", "test-pictures"))
"""Where the pictures go."""

BOARD_JOB, PHOTO_JOB = 9, 1
FILLED = {
    "/jobs/{number:int}": f"/jobs/{BOARD_JOB}",
    "/tasks/{key}": "",  # seen while the demo bench is made: test_welcome
    "/tasks/{key}/state": "",
    "/jobs/{number:int}/next": "",  # parts of pages
    "/jobs/{number:int}/suspects": "",
    "/jobs/{number:int}/head": "",
    "/jobs/{number:int}/board/told": "",
    "/jobs/{number:int}/board/next": "",
    "/changes": "",
    "/start": "",
    "/pair/{token}": "",
    "/bid/answers/{key}": "",
    "/stock/lots/{name}": "/stock/lots/4116-1",
}
"""Addresses of routes with places to fill in; empty for what is no page of its own, or is met elsewhere."""


def pages() -> list[str]:
    """Addresses of all pages, by the app's own routes, so that none is forgotten."""
    found = []
    for route in _routes():
        if not isinstance(route, Route) or "GET" not in (route.methods or ()):
            continue
        path = FILLED.get(route.path, route.path.replace("{number:int}", str(BOARD_JOB)))
        if path and "{" not in path:
            found.append(path)
    return sorted(set(found))


def name_of(path: str) -> str:
    return re.sub(r"\W+", "-", path).strip("-") or "queue"


def problems(page: Page) -> list[str]:
    """What axe finds, each with the places."""
    page.evaluate(AXE)
    found: Any = page.evaluate(f"axe.run({{ runOnly: {WANTED} }})")
    return [
        f"{one['id']}: {one['help']}: {[node['html'][:160] for node in one['nodes']]}"
        for one in found["violations"]
    ]


@pytest.fixture(scope="module")
def bench(demo_bench: Path, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """One server for all pages: they are looked at only."""
    import shutil

    from serving import serving

    folder = tmp_path_factory.mktemp("pages")
    shutil.copytree(demo_bench, folder / "bench")
    with serving(folder) as server:
        yield server


@pytest.fixture(scope="module")
def let_in(browser: Browser, bench: Serving) -> Any:
    """The cookie of somebody who was let in."""
    context = browser.new_context()
    context.new_page().goto(bench.start)
    state = context.storage_state()
    context.close()
    return state


@pytest.mark.parametrize("look", ["desktop-light", "desktop-dark", "phone-light", "phone-dark"])
@pytest.mark.parametrize("path", pages())
def test_a_page(path: str, look: str, browser: Browser, bench: Serving, let_in: Any) -> None:
    """As a person meets it."""
    size, light = look.split("-")
    more: dict[str, Any] = (
        {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
        if size == "phone"
        else {"viewport": {"width": 1280, "height": 800}}
    )
    context = browser.new_context(storage_state=let_in, color_scheme=light, **more)  # type: ignore[arg-type]
    page = context.new_page()
    trouble: list[str] = []
    page.on("pageerror", lambda problem: trouble.append(str(problem)))
    page.on("console", lambda said: trouble.append(said.text) if said.type in ("error", "warning") else None)
    script = 0

    def weigh(answer: Any) -> None:
        nonlocal script
        if answer.request.resource_type == "script" and answer.ok:
            script += len(gzip.compress(answer.body(), 6))

    page.on("response", weigh)
    answer = page.goto(bench.home + path)
    assert answer is not None
    if "text/html" not in answer.headers.get("content-type", ""):
        pytest.fail(f"{path} is no page: give it a place in FILLED")
    assert answer.ok
    page.wait_for_load_state("load")
    page.locator("main").wait_for()
    if path == f"/jobs/{BOARD_JOB}":
        page.locator("#card .what").wait_for(timeout=60_000)
    page.wait_for_timeout(250)
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    folder = PICTURES / look
    folder.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=folder / f"{name_of(path)}.png", full_page=True)
    found = problems(page)
    context.close()
    assert not found
    assert not trouble
    assert wide <= 0, f"{wide} points run out of the screen"
    assert script <= MOST_SCRIPT
