"""The board map's frame time in Chromium: a board of 5,000 pads is dragged and zoomed.

A frame's time is from one call of `requestAnimationFrame` to the next, in the browser itself; beside it
stands what the same browser does on the same page while nothing moves, which is the screen's own rate. Needs
Debian's Chromium, which draws without a graphics card here.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import os
import platform
import sys
import tempfile
from pathlib import Path

import numpy as np
from playwright.sync_api import Page, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "web"))
from serving import serving

from benchwright.board.board_file import write_board_file
from benchwright.demo import fulmar65
from benchwright.jobs import bodies, open_bench

WATCH = """() => { window.frames_ = []; let last = performance.now();
  const tick = (now) => {
    window.frames_.push(now - last); last = now; window.watch_ = requestAnimationFrame(tick);
  };
  window.watch_ = requestAnimationFrame(tick); }"""
TAKE = "() => { cancelAnimationFrame(window.watch_); return window.frames_.slice(1); }"


def board_text(pads: int) -> str:
    """The demo's board with more pads beside it, in a grid of a tenth of an inch."""
    board = fulmar65.board()
    like = next(pad for pad in board.pads if pad.pin is not None)
    wide = max(pad.at[0] for pad in board.pads)
    more = [
        dataclasses.replace(like, pin=None, net=None, at=(wide + 5 + 2.54 * (n % 60), 2.54 * (n // 60)))
        for n in range(pads - len(board.pads))
    ]
    return write_board_file(dataclasses.replace(board, pads=(*board.pads, *more)))


def moved(page: Page) -> dict[str, list[float]]:
    """Frames while nothing moves, while the map is dragged, and while it is zoomed."""
    box = page.locator("#map").bounding_box()
    assert box
    x, y = box["x"] + box["width"] / 2, min(box["y"] + box["height"] / 2, 700)
    found = {}
    page.evaluate(WATCH)
    page.wait_for_timeout(1500)
    found["at rest"] = page.evaluate(TAKE)
    page.mouse.move(x, y)
    page.mouse.down()
    page.evaluate(WATCH)
    for step in range(120):
        page.mouse.move(x + 120 * np.sin(step / 9), y + 60 * np.cos(step / 7))
    found["dragged"] = page.evaluate(TAKE)
    page.mouse.up()
    page.wait_for_timeout(500)
    page.evaluate(WATCH)
    for step in range(60):
        page.mouse.wheel(0, -60 if step < 30 else 60)
    found["zoomed"] = page.evaluate(TAKE)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--pads", type=int, default=5000)
    options = parser.parse_args()
    load = os.getloadavg()[0]
    machine = f"Python {platform.python_version()}, {os.cpu_count()} processors, load {load:.1f}"
    print(f"{machine}, {options.pads} pads")
    print("\n| screen | what | frames | p50, ms | p95, ms |\n|---|---|---|---|---|")
    with tempfile.TemporaryDirectory(prefix="bench-map-") as folder, contextlib.ExitStack() as stack:
        with open_bench(Path(folder) / "bench") as bench:
            kept = bodies.Identity(board_file="large.toml", board_text=board_text(options.pads))
            bench.new_job("A large one", "EUR", kept)
        server = stack.enter_context(serving(Path(folder)))
        browser = stack.enter_context(sync_playwright()).chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.goto(server.start)
        state = page.context.storage_state()
        for name, size, dots in (("desktop", (1280, 800), 1), ("phone", (390, 844), 2)):
            context = browser.new_context(
                viewport={"width": size[0], "height": size[1]}, device_scale_factor=dots, storage_state=state
            )
            page = context.new_page()
            page.goto(f"{server.home}/jobs/1/board")
            page.wait_for_timeout(4000)
            page.get_by_role("button", name="Whole board").click()
            page.locator("#map").scroll_into_view_if_needed()
            page.wait_for_timeout(1000)
            for what, frames in moved(page).items():
                middle, late = np.percentile(frames, [50, 95])
                print(f"| {name} | {what} | {len(frames)} | {middle:.1f} | {late:.1f} |")
            context.close()
        browser.close()


if __name__ == "__main__":
    main()
