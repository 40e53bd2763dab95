"""Several at one bench at once, and a bench that goes away for a moment: nobody misses or loses anything."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect
from serving import Serving, environment

from benchwright.jobs import Bench, bodies, open_bench

JOB = 9
LINE = "What did you measure, see or do?"


def entries(page: Page) -> Any:
    return page.locator("#suspects .events")


def write(page: Page, text: str) -> None:
    page.get_by_label(LINE).fill(text)


def notes(bench: Path) -> list[str]:
    with open_bench(bench) as records:
        return [e.body.text for e in records.job(JOB).events if isinstance(e.body, bodies.Note)]


@pytest.fixture
def desk(page: Page, served: Serving) -> Page:
    page.goto(served.start)
    page.goto(f"{served.home}/jobs/{JOB}")
    return page


@pytest.fixture
def phone(browser: Browser, desk: Page, served: Serving) -> Any:
    """A second browser at the same bench."""
    context = browser.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True,
        storage_state=desk.context.storage_state(),
    )  # fmt: skip
    page = context.new_page()
    page.goto(f"{served.home}/jobs/{JOB}")
    yield page
    context.close()


def test_what_one_records_the_other_sees_at_once(desk: Page, phone: Page) -> None:
    """Both ways, and when it is taken back; neither loads its page again."""
    for page in (desk, phone):
        page.evaluate("window.sameAsBefore = true")
    write(desk, "note from the desk")
    desk.get_by_role("button", name="Record").click()
    expect(entries(phone)).to_contain_text("from the desk")
    phone.get_by_role("button", name="Take back the last entry").tap()
    expect(entries(desk)).not_to_contain_text("from the desk")
    write(phone, "note from the phone")
    phone.get_by_role("button", name="Record").tap()
    expect(entries(desk)).to_contain_text("from the phone")
    assert all(page.evaluate("window.sameAsBefore") for page in (desk, phone))


def test_what_is_typed_here_outlives_what_comes_from_there(desk: Page, phone: Page) -> None:
    """A page that brings itself up to date leaves the line alone."""
    write(phone, "U3.14 GND 0R")
    write(desk, "note from the desk")
    desk.get_by_role("button", name="Record").click()
    expect(entries(phone)).to_contain_text("from the desk")
    expect(phone.get_by_label(LINE)).to_have_value("U3.14 GND 0R")
    phone.get_by_label(LINE).press_sequentially("8")
    expect(phone.get_by_label(LINE)).to_have_value("U3.14 GND 0R8")


def test_the_command_line_is_seen_as_well(desk: Page, served: Serving, tmp_path: Path) -> None:
    """Another program on the same records."""
    words = ["job", "log", str(JOB), "note from the terminal", "--bench", str(served.bench)]
    subprocess.run(
        [sys.executable, "-m", "benchwright", *words], check=True, env=environment(tmp_path),
        capture_output=True,
    )  # fmt: skip
    expect(entries(desk)).to_contain_text("from the terminal")


def kill(server: Serving) -> None:
    """As when the power goes."""
    server.process.send_signal(signal.SIGKILL)
    server.process.wait()


def port_of(server: Serving) -> int:
    return int(server.home.rpartition(":")[2])


def test_a_restart_in_the_middle_of_typing_loses_nothing(
    desk: Page, served: Serving, serve_again: Callable[..., Serving]
) -> None:
    """What was recorded is there; what was being typed stands on the line, and is recorded once."""
    write(desk, "note recorded before")
    desk.get_by_role("button", name="Record").click()
    expect(desk.locator("#said")).to_contain_text("Recorded")
    write(desk, "note typed when")
    kill(served)
    desk.get_by_label(LINE).press_sequentially(" the power went")
    desk.get_by_role("button", name="Record").click()
    expect(desk.get_by_role("alert")).to_contain_text("does not answer")
    expect(desk.get_by_label(LINE)).to_have_value("note typed when the power went")
    serve_again(port=port_of(served))
    desk.reload()
    expect(desk.get_by_label(LINE)).to_have_value("note typed when the power went")
    desk.get_by_role("button", name="Record").click()
    expect(desk.locator("#said")).to_contain_text("Recorded")
    expect(desk.get_by_label(LINE)).to_have_value("")
    desk.reload()
    expect(desk.get_by_label(LINE)).to_have_value("")
    assert notes(served.bench)[-2:] == ["recorded before", "typed when the power went"]


def test_a_page_left_open_goes_on_by_itself(
    desk: Page, served: Serving, serve_again: Callable[..., Serving]
) -> None:
    """The bench is back: what happened meanwhile comes, with no key pressed."""
    kill(served)
    with open_bench(served.bench) as records:
        records.record(JOB, bodies.Note(text="while the page was alone"))
    serve_again(port=port_of(served))
    expect(entries(desk)).to_contain_text("while the page was alone", timeout=15_000)


def test_an_answer_that_is_lost_records_nothing_twice(desk: Page, served: Serving) -> None:
    """The bench has recorded it, but the answer does not arrive; the same is sent again."""

    def lose(route: Route) -> None:
        route.fetch(max_redirects=0)
        route.abort()

    desk.route(re.compile(r"/log$"), lose)
    write(desk, "note sent twice")
    desk.get_by_role("button", name="Record").click()
    expect(desk.get_by_role("alert")).to_contain_text("does not answer")
    desk.unroute(re.compile(r"/log$"))
    desk.get_by_role("button", name="Record").click()
    expect(desk.locator("#said")).to_contain_text("sent twice")
    assert notes(served.bench).count("sent twice") == 1


def test_a_line_that_makes_no_sense_stays_with_what_is_wrong(desk: Page, served: Serving) -> None:
    """And can be put right where it stands."""
    write(desk, "U999.1 GND 0R8")
    desk.get_by_role("button", name="Record").click()
    expect(desk.get_by_role("alert")).to_contain_text("U999")
    expect(desk.get_by_label(LINE)).to_have_value("U999.1 GND 0R8")
    write(desk, "U3.14 GND 0R8")
    desk.get_by_role("button", name="Record").click()
    expect(desk.locator("#said")).to_contain_text("U3.14")
    expect(desk.get_by_role("alert")).to_have_count(0)


def test_a_phone_is_paired_and_works_the_same_job(
    browser: Browser, page: Page, bench_folder: Path, serve_again: Callable[..., Serving]
) -> None:
    """With the code of the terminal, once; both see what the other does; it is put out from the desk."""
    server = serve_again("--lan-address", "127.0.0.1", "--lan-port", "0")
    page.goto(server.start)
    page.goto(f"{server.home}/jobs/{JOB}")
    phones: list[BrowserContext] = [
        browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, ignore_https_errors=True)
        for _ in range(2)
    ]  # the certificate was made on the spot: a person compares its fingerprint, this browser does not
    phone, stranger = (context.new_page() for context in phones)
    phone.goto(server.pair)
    phone.get_by_role("button", name="Pair this device").tap()
    expect(phone.get_by_role("heading", name="On the bench")).to_be_visible()
    home = server.pair.partition("/pair")[0]
    stranger.goto(server.pair)
    expect(stranger.get_by_role("heading", name="This address does not work any more")).to_be_visible()
    assert stranger.goto(f"{home}/jobs/{JOB}").status == 403  # type: ignore[union-attr]
    phone.goto(f"{home}/jobs/{JOB}")
    expect(page.locator("#card .what")).to_be_visible(timeout=60_000)
    expect(phone.locator("#card .what")).to_have_text(page.locator("#card .what").inner_text())
    write(phone, "note from the paired phone")
    phone.get_by_role("button", name="Record").tap()
    expect(entries(page)).to_contain_text("from the paired phone")
    write(page, "note from the desk")
    page.get_by_role("button", name="Record").click()
    expect(entries(phone)).to_contain_text("from the desk")
    page.goto(f"{server.home}/phones")
    page.on("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name=re.compile("Disconnect Android|Disconnect .*127")).last.click()
    expect(page.locator("#let-in li")).to_have_count(1)
    assert phone.goto(f"{home}/jobs/{JOB}").status == 403  # type: ignore[union-attr]
    for context in phones:
        context.close()


def test_records_of_the_bench_are_sound_afterwards(served: Serving, desk: Page) -> None:
    """Four tabs that record at the same time leave a history in one order."""
    tabs = [desk, *(desk.context.new_page() for _ in range(3))]
    for number, tab in enumerate(tabs):
        tab.goto(f"{served.home}/jobs/{JOB}")
        write(tab, f"note of tab {number}")
    for tab in tabs:
        tab.evaluate("document.getElementById('entry').requestSubmit()")
    for tab in tabs:
        expect(tab.locator("#said")).to_contain_text("Recorded")
    assert sorted(notes(served.bench)[-4:]) == [f"of tab {number}" for number in range(4)]
    with Bench(open_bench(served.bench).place) as records:
        from benchwright.jobs.verify import verify

        assert not verify(records).problems
