"""The board map: where the next probe goes, what is known, on a drawing or on one's own photo."""

from __future__ import annotations

import html
import io
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Page, expect
from serving import Serving
from starlette.testclient import TestClient

from benchwright.board.photo_tie import tie as photo_tie
from benchwright.demo import fulmar65
from benchwright.demo.bench_files import picture_of_board
from benchwright.jobs import Bench, bodies

JOB = 9
BOARD = fulmar65.board()
SCALE, STRIP = 3.2, 44
"""Of the demo's picture of the board: points to a millimetre, and of the strip above."""
TOP = max(pad.at[1] for pad in BOARD.pads) + 8.0
PINS = ("U1.1", "U1.40", "U15.1", "J6.1", "R10.1", "REG1.1")


def on_photo(at: tuple[float, float]) -> tuple[float, float]:
    return at[0] * SCALE, (TOP - at[1]) * SCALE + STRIP


def place(pin: str) -> tuple[float, float]:
    return next(pad.at for pad in BOARD.pads if pad.pin is not None and str(pad.pin) == pin)


def lines(pins: tuple[str, ...] = PINS) -> str:
    return "\n".join("{} {:.1f} {:.1f}".format(pin, *on_photo(place(pin))) for pin in pins)


def bench_of(client: TestClient) -> Bench:
    bench: Bench = client.app.state.records.bench()  # type: ignore[attr-defined]
    return bench


def photo(client: TestClient) -> int:
    """The number of a photo of the board that is with the job."""
    bench = bench_of(client)
    return bench.attach(
        JOB, picture_of_board(()), "board.png", "image/png", what="photo", caption="the board"
    ).number


def tie(client: TestClient, number: int, points: str, **more: str) -> Any:
    data = {"once": "a" * 32, "photo": str(number), "points": points, "side": "top", "do": "tie", **more}
    return client.post(f"/jobs/{JOB}/board/tie", data=data, follow_redirects=False)


def test_a_part_is_found_with_its_pins_and_readings(client: TestClient) -> None:
    """Without scripting: pins, nets, and what was read."""
    reading = next(e.body for e in bench_of(client).job(JOB).readings if isinstance(e.body, bodies.Reading))
    text = html.unescape(client.get(f"/jobs/{JOB}/board", params={"at": reading.a}).text)
    assert reading.a in text[text.index('id="found"') :]
    lost = client.get(f"/jobs/{JOB}/board", params={"at": "<b>U999"}).text
    assert "&lt;b&gt;U999" in lost
    assert "<b>U999" not in lost


def test_a_job_without_a_board_says_how_to_give_it_one(client: TestClient) -> None:
    """Nothing is drawn of nothing."""
    assert "/jobs/10/machine" in client.get("/jobs/10/board").text


def test_the_photo_of_a_board_is_tied_by_its_pins(client: TestClient) -> None:
    """Kept as an event; every other pad falls where the picture has it; sent twice, it counts once."""
    number = photo(client)
    for _ in range(2):
        assert tie(client, number, lines()).status_code == 303
    kept = [e.body for e in bench_of(client).job(JOB).events if isinstance(e.body, bodies.PhotoTied)]
    assert len(kept) == 1
    page = html.unescape(client.get(f"/jobs/{JOB}/board", params={"ground": str(number)}).text)
    assert "Off by 0." in page
    found = re.search(r'"matrix":\s*\[([^\]]+)\]', page)
    assert found
    matrix = np.array([float(v) for v in found[1].split(",")]).reshape(3, 3)
    for pad in BOARD.pads[::17]:
        x, y, depth = matrix @ np.array([*pad.at, 1.0])
        assert (x / depth, y / depth) == pytest.approx(on_photo(pad.at), abs=1.0)


@pytest.mark.parametrize("points", ["U1.1 10 10", "U999.1 1 2\nU1.1 3 4\nU1.2 5 6", "U1.1 here there", ""])
def test_what_ties_nothing_is_told_and_kept_as_typed(client: TestClient, points: str) -> None:
    """No event is made."""
    number, before = photo(client), bench_of(client).newest()
    answer = tie(client, number, points)
    assert answer.status_code == 422
    assert html.escape(points.split("\n")[0]) in answer.text
    assert bench_of(client).newest() == before


def test_the_map_is_worked_by_keys(page: Page, served: Serving) -> None:
    """Find by typing, then along the net; the words say where one is."""
    page.goto(served.start)
    page.goto(f"{served.home}/jobs/{JOB}/board")
    page.get_by_label("Part, pin or net").fill("U1.1")
    page.keyboard.press("Enter")
    expect(page.locator("#found")).to_contain_text("U1")
    page.locator("#map").focus()
    page.keyboard.press("n")
    line = page.locator("#map-line")
    expect(line).not_to_be_empty()
    first = line.inner_text()
    page.keyboard.press("n")
    expect(line).not_to_have_text(first)


def test_a_place_is_tapped_on_the_photo(page: Page, served: Serving, size: str, tmp_path: Path) -> None:
    """A pin is typed, its place tapped: the line for it stands in the form, and can be moved by a key."""
    (tmp_path / "board.png").write_bytes(picture_of_board(()))
    page.emulate_media(reduced_motion="reduce")  # the page stands still when the finger comes down
    page.goto(served.start)
    page.goto(f"{served.home}/jobs/{JOB}/photos")
    page.get_by_label("Take a photo" if size == "phone" else "Choose photos").set_input_files(
        tmp_path / "board.png"
    )
    expect(page.get_by_role("img", name="board.png")).to_be_visible()
    page.goto(f"{served.home}/jobs/{JOB}/board")
    page.get_by_role("link", name="board.png").click()
    expect(page.locator("#map[data-ready]")).to_be_visible()
    points = page.get_by_label("Places found")
    for number, pin in enumerate(("U1.1", "U15.1", "J6.1")):
        page.get_by_label("Pin to find on the photo").fill(pin)
        box = page.locator("#map").bounding_box()
        assert box
        spot = {"x": box["width"] * (0.3 + 0.2 * number), "y": box["height"] * (0.55 - 0.03 * number)}
        the_map = page.locator("#map")
        (the_map.tap if size == "phone" else the_map.click)(position=spot)  # type: ignore[arg-type]
        expect(points).to_have_value(re.compile(rf"{re.escape(pin)} [\d.]+ [\d.]+"))
    page.get_by_label("Places found").fill(lines())
    page.get_by_role("button", name="Save the tie").click()
    expect(page.locator("#said")).to_contain_text("Tied. Off by 0.")


def test_the_arithmetic_of_the_map_holds() -> None:
    """Fit, zoom about a point, what a finger means: without a page, by Node."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("needs Node: apt-get install nodejs")
    done = subprocess.run(
        [node, "--test", str(Path(__file__).with_name("board_sums.test.mjs"))],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_check_that_comes_late_brings_its_caution_and_its_probes(page: Page, served: Serving) -> None:
    """The page is open before the fault finder is ready; what it proposes then has its caution."""
    page.goto(served.start)
    page.goto(f"{served.home}/jobs/{JOB}/board")
    check = page.locator("#next")
    expect(check.locator(".check-text")).to_contain_text("Resistance", timeout=30_000)
    expect(check).to_contain_text("Power off first")
    expect(check.locator(".probe")).to_have_count(2)
    expect(check).to_contain_text("Red probe")


def test_a_photo_taken_askew_is_tied_by_taps(page: Page, served: Serving, tmp_path: Path) -> None:
    """The camera is known here: pads that nobody tapped fall within two pixels of where it saw them."""
    flat = Image.open(io.BytesIO(picture_of_board(()))).convert("RGB")
    wide, high = flat.size
    camera = photo_tie(
        [(0, 0), (wide, 0), (wide, high), (0, high)], [(120, 90), (1400, 40), (1500, 1000), (60, 1130)]
    )
    back = np.linalg.inv(camera.matrix)
    askew = flat.transform(
        (1600, 1200), Image.Transform.PERSPECTIVE, list((back / back[2, 2]).ravel()[:8])
    )  # fmt: skip
    askew.save(tmp_path / "askew.png")

    def truth(at: tuple[float, float]) -> Any:
        return camera.on_photo(np.array([on_photo(at)]))[0]

    page.emulate_media(reduced_motion="reduce")  # the page stands still when the finger comes down
    page.goto(served.start)
    page.goto(f"{served.home}/jobs/{JOB}/photos")
    page.get_by_label("Choose photos").set_input_files(tmp_path / "askew.png")
    expect(page.get_by_role("img", name="askew.png")).to_be_visible()
    page.goto(f"{served.home}/jobs/{JOB}/board")
    page.get_by_role("link", name="askew.png").click()
    expect(page.locator("#map[data-ready]")).to_be_visible()
    for pin in ("U1.1", "U15.33", "J6.1", "R10.1", "REG1.1"):
        view = page.locator("#map").evaluate("map => map.viewOf()")
        x, y = truth(place(pin)) * view["scale"] + (view["x"], view["y"])
        page.get_by_label("Pin to find on the photo").fill(pin)
        page.locator("#map").click(position={"x": float(x), "y": float(y)})
    expect(page.locator("#tie-told")).to_contain_text("root mean square")
    page.get_by_role("button", name="Save the tie").click()
    expect(page.locator("#said")).to_contain_text("Tied. Off by")
    expect(page.locator("#map[data-ready]")).to_be_visible()
    for pad in [pad for pad in BOARD.pads if pad.pin is not None][::40]:
        seen = page.locator("#map").evaluate("(map, name) => map.spotOf(name)", str(pad.pin))
        assert seen[2:] == pytest.approx(truth(pad.at), abs=2.0)


def test_what_was_done_is_told_to_the_page_and_not_to_a_part_of_it(client: TestClient) -> None:
    """A part that is fetched between a form and its answer does not take the words away."""
    assert tie(client, photo(client), lines()).status_code == 303
    path = f"/jobs/{JOB}/board"
    assert "Tied." not in client.get(f"{path}/next", headers={"hx-request": "true"}).text
    assert "Tied." in client.get(path).text
    assert "Tied." not in client.get(path).text
