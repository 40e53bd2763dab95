"""Somebody at the bench who works the pages with the keyboard alone, or with a finger alone."""

from __future__ import annotations

import re
from typing import Protocol

from playwright.sync_api import Locator, Page, expect

MOST_STEPS = 250
"""Presses of Tab after which somebody gives up looking for something on a page."""

UNCOVERED = """one => {
  const box = one.getBoundingClientRect();
  const top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
  return top !== null && (one.contains(top) || top.contains(one));
}"""


class Person(Protocol):
    """How somebody does what is to be done on a page; everything is found by the name it bears."""

    page: Page

    def press(self, role: str, name: str | re.Pattern[str], within: str = "body") -> None:
        """Press a button, follow a link, tick a box."""

    def write(self, label: str, text: str) -> None:
        """Put text in a field in place of what is there."""


def _find(page: Page, role: str, name: str | re.Pattern[str], within: str = "body") -> Locator:
    exact = {"exact": True} if isinstance(name, str) else {}
    found = page.locator(within).first.get_by_role(role, name=name, **exact).first  # type: ignore[arg-type]
    expect(found).to_be_visible()
    return found


class AtTheKeyboard:
    """Tab, arrows, Enter, Space and letters; no mouse."""

    def __init__(self, page: Page) -> None:
        self.page = page

    def reach(self, wanted: Locator) -> None:
        """Tab from where the focus is until it is on what is wanted, on the way forwards."""
        for _ in range(MOST_STEPS):
            if wanted.evaluate("one => one === document.activeElement"):
                break
            self.page.keyboard.press("Tab")
        else:
            raise AssertionError(f"the Tab key does not lead to {wanted}")
        ring = wanted.evaluate(
            "one => { const look = getComputedStyle(one); return look.outlineStyle + look.boxShadow }"
        )
        assert "none" not in ring.split("rgb")[0], "where the focus is cannot be seen"

    def press(self, role: str, name: str | re.Pattern[str], within: str = "body") -> None:
        found = _find(self.page, role, name, within)
        self.reach(found)
        self.page.keyboard.press("Enter" if role in ("link", "button") else "Space")

    def write(self, label: str, text: str) -> None:
        field = self.page.get_by_label(label, exact=True).first
        self.reach(field)
        self.page.keyboard.press("Control+a")
        self.page.keyboard.press("Delete")
        for number, line in enumerate(text.split("\n")):
            if number:
                self.page.keyboard.press("Enter")
            self.page.keyboard.type(line)


class WithAFinger:
    """Taps; letters come from the keyboard that a phone lays over its screen."""

    def __init__(self, page: Page) -> None:
        self.page = page

    def tap(self, wanted: Locator) -> None:
        # As a thumb swipes: until nothing lies over it.
        for place in ("nearest", "start", "center", "end"):
            wanted.evaluate("(one, block) => one.scrollIntoView({ block, behavior: 'instant' })", place)
            if wanted.evaluate(UNCOVERED):
                break
        box = wanted.bounding_box()
        assert box
        # WCAG 2.2, 2.5.8 Target Size (Minimum): 24 by 24 CSS pixels; this is made for gloves.
        inline = wanted.evaluate("one => getComputedStyle(one).display === 'inline'")
        assert inline or min(box["height"], box["width"]) >= 24, f"{wanted} is too small for a finger: {box}"
        wanted.tap()

    def press(self, role: str, name: str | re.Pattern[str], within: str = "body") -> None:
        self.tap(_find(self.page, role, name, within))

    def write(self, label: str, text: str) -> None:
        field = self.page.get_by_label(label, exact=True).first
        self.tap(field)
        expect(field).to_be_focused()
        field.evaluate("one => one.select?.()")
        if text:
            self.page.keyboard.insert_text(text)
        else:
            self.page.keyboard.press("Delete")
