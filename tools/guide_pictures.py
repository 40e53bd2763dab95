"""Copy pictures of pages that the tests made into the guide: the first screen of each, small in bytes.

Run `make tests ARGS="-k test_every_page"` first, then `.venv/bin/python tools/guide_pictures.py`, and look at
what changed.
"""

from __future__ import annotations

from pathlib import Path

from PIL import Image

ROOT = Path(__file__).parents[1]
FROM, INTO = ROOT / "test-pictures", ROOT / "docs" / "pictures"
WANTED = {
    "guide-queue.png": ("desktop-light/queue.png", (1280, 900)),
    "guide-check.png": ("desktop-light/jobs-9.png", (1280, 900)),
    "guide-check-phone.png": ("phone-dark/jobs-9.png", (390, 844)),
    "guide-tests-phone.png": ("phone-light/jobs-9-tests.png", (390, 844)),
    "guide-sheets.png": ("desktop-light/jobs-9-sheets.png", (1280, 900)),
}
"""What it is called in the guide, the test's picture, and how much of it."""


def main() -> None:
    for name, (picture, (wide, high)) in WANTED.items():
        with Image.open(FROM / picture) as opened:
            first = opened.convert("RGB").crop((0, 0, wide, min(high, opened.height)))
        first.quantize(64).save(INTO / name, optimize=True)


if __name__ == "__main__":
    main()
