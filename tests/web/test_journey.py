"""The whole job in a browser: a faulty machine is taken in, its fault found, mended, proved and told of.

What the bench shows is answered by the make-believe unit of the demo, which solves its network by itself; the
person knows nothing but what stands on the page.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from people import AtTheKeyboard, Person, WithAFinger
from playwright.sync_api import Page, expect
from pypdfium2 import PdfDocument
from serving import Serving

from benchwright.demo import fulmar65
from benchwright.demo.tour import units
from benchwright.demo.virtual_unit import VirtualUnit

MOST_CHECKS = 30
WAIT = 60_000
"""Milliseconds for the fault finder to begin; afterwards it answers in a fraction of a second."""


class Unit:
    """The machine on the bench, as its meter and eyes see it."""

    def __init__(self) -> None:
        board = fulmar65.board()
        self.story = units(board)[1]
        self.real = VirtualUnit(board, self.story.harms, np.random.default_rng(self.story.seed))
        self.power = False
        self.out: tuple[str, ...] = ()

    def obey(self, line: str) -> None:
        """Do to the machine what was said to be done first."""
        verb, *refs = line.split()
        match verb:
            case "power":
                self.power = refs == ["on"]
            case "out":
                self.out += tuple(refs)
            case "in":
                self.out = tuple(ref for ref in self.out if ref not in refs)

    def shows(self, quantity: str, a: str, b: str) -> str:
        """What would be read off, as somebody would type it."""
        if quantity in ("voltage", "logic"):
            assert self.power, "a voltage is measured with the power on"
        elif quantity != "look":
            assert not self.power, f"{quantity} is measured with the power off"
        found = self.real.answer(quantity, a, b, self.power, self.out)
        if isinstance(found, str):
            return found
        if math.isinf(found):
            return "OL"
        return f"{found:g}V" if quantity == "voltage" else f"{found:g}R"


def quantity_of(prefix: list[str], units_there: str) -> tuple[str, str, str]:
    """What the card asks for, and between which points, by its words and the keys it offers."""
    named = prefix[0] if prefix[0] in ("look", "logic", "diode", "heat", "frequency", "current") else ""
    points = [*(prefix[1:] if named else prefix), "", ""]
    return named or ("voltage" if "V" in units_there else "resistance"), points[0], points[1]


def take_reading(person: Person, unit: Unit, write: Callable[[Person, str, str], None]) -> None:
    """Do what the card says and put in what comes out."""
    page = person.page
    while (first := page.locator("#card form input[name=line]")).count():
        line = first.first.input_value()
        unit.obey(line)
        known = judged_up_to(page)
        print(f"after {known}: {line}, for {page.locator('#card .what').inner_text()}")
        person.press("button", re.compile(r"^1\. "), "#card")
        settled(page, known)
    card = page.locator("#card")
    prefix = (card.get_attribute("data-prefix") or "").split()
    quantity, a, b = quantity_of(prefix, card.get_attribute("data-units") or "")
    assert all(point in card.inner_text() for point in (a, b)), "the card names both points"
    known = judged_up_to(page)
    value = unit.shows(quantity, a, b)
    print(f"after {known}: {' '.join(prefix)} {value}")  # shown when the test fails
    write(person, " ".join(prefix), value)
    expect(page.locator("#said")).to_contain_text("Recorded")
    expect(page.get_by_label("What did you measure, see or do?")).to_have_value("")
    settled(page, known)


def type_it(person: Person, prefix: str, value: str) -> None:
    """The line, written out."""
    person.write("What did you measure, see or do?", f"{prefix} {value}")
    person.page.keyboard.press("Enter")


def thumb_it(person: Person, prefix: str, value: str) -> None:
    """The keys below the line, and none other."""
    page = person.page
    if page.locator(".pad.words.open").count():
        person.press("button", value, ".pad.words")
    else:
        number, sign = re.fullmatch(r"([\d.]*)(OL|[RV])", value).groups()  # type: ignore[union-attr]
        for digit in number:
            person.press("button", {".": "Decimal point"}.get(digit, digit), ".pad.numbers")
        person.press("button", {"OL": "over limit", "R": "Ω", "V": "V"}[sign], ".pad.numbers")
    expect(page.get_by_label("What did you measure, see or do?")).to_have_value(f"{prefix} {value}")
    person.press("button", "Record")


def judged_up_to(page: Page) -> str:
    """Number of the last event that the card rests on; none before there is a card."""
    there = page.locator("#card")
    return there.get_attribute("data-newest") or "" if there.count() else ""


def settled(page: Page, known: str = "") -> None:
    """Wait until the card rests on the last entry, which was not yet known."""
    expect(page.locator("#card")).not_to_have_attribute("data-newest", known, timeout=WAIT)
    expect(page.locator("[data-working]")).to_have_count(0, timeout=WAIT)
    expect(page.locator(".next.stale")).to_have_count(0, timeout=WAIT)


def find_the_fault(person: Person, unit: Unit, write: Callable[[Person, str, str], None]) -> str:
    """Follow the card until it says to mend; the part it names."""
    page = person.page
    for _ in range(MOST_CHECKS):
        settled(page)
        if page.get_by_role("heading", name="Now mend").count():
            return page.locator("#card .what").first.inner_text()
        take_reading(person, unit, write)
    raise AssertionError(f"no fault in {MOST_CHECKS} checks")


def say(person: Person, line: str) -> None:
    """Record a line on the job's first page."""
    person.write("What did you measure, see or do?", line)
    person.press("button", "Record", "#entry")
    expect(person.page.locator("#said")).to_contain_text("Recorded")


def go_to(person: Person, tab: str) -> None:
    """Another page of the job."""
    if isinstance(person, WithAFinger) and not person.page.get_by_role("link", name=tab).is_visible():
        person.tap(person.page.locator(".tabs summary"))
    person.press("link", tab, ".tabs")
    expect(person.page.locator(".tabs [aria-current]")).to_have_text(tab)


@pytest.fixture
def person(page: Page, size: str) -> Person:
    return AtTheKeyboard(page) if size == "desktop" else WithAFinger(page)


def test_from_taking_in_to_the_condition_report(
    person: Person, size: str, empty_served: Serving, tmp_path: Path
) -> None:
    """By keyboard alone at the desk, by touch alone on a phone."""
    page, unit = person.page, Unit()
    write = type_it if size == "desktop" else thumb_it
    page.goto(empty_served.start)
    person.press("button", "Begin an empty bench")
    person.press("link", "Take in a machine")
    person.write("What do you call it?", "Brown one from the flea market")
    person.write("What does it show?", "\n".join(unit.story.symptoms))
    person.write("Price", "40 EUR")
    person.press("checkbox", re.compile("the demo's invented board"))
    person.press("button", "Take it in")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Brown one")
    text = find_the_fault(person, unit, write)
    wrong = unit.story.harms[0].parts[0]
    assert wrong in text
    assert wrong in page.locator("#suspects li").first.inner_text()

    say(person, f"replaced {wrong}: shorted")
    say(person, f"found shorted {wrong}")
    say(person, "35 min finding and mending")
    go_to(person, "Tests")
    for name in ("Picture", "Keyboard", "Sound"):
        person.press("button", f"{name}: passed")
        expect(page.locator("#said")).to_contain_text("passed")
    go_to(person, "Money")
    person.write("Amount", "1.20")
    person.press("button", "Record money spent")
    expect(page.locator("#said")).to_contain_text("1.20 EUR")
    go_to(person, "Sheets")
    with page.expect_download() as waiting:
        person.press("button", "Condition report (PDF)")
    report = tmp_path / "report.pdf"
    waiting.value.save_as(report)
    with PdfDocument(report) as printed:
        text = "\n".join(one.get_textpage().get_text_range() for one in printed)
    for said in ("Brown one from the flea market", wrong, "Keyboard, every key", "Works"):
        assert said in text, said
