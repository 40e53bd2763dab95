"""What a printed PDF shows: its words, where each letter stands, how each page looks."""

from __future__ import annotations

import re
from collections import defaultdict
from functools import cached_property

import numpy as np
import pypdfium2 as pdfium

MM = 72 / 25.4
INVISIBLE = re.compile(r"[\s\u200b\u00ad\ufffe\u0002]+")


def bare(text: str) -> str:
    """Text without spaces and break marks: where lines break does not matter."""
    return INVISIBLE.sub("", text)


class Printed:
    def __init__(self, pdf: bytes) -> None:
        self.document = pdfium.PdfDocument(pdf)
        self.sizes_mm = [tuple(round(side / MM, 1) for side in page.get_size()) for page in self.document]

    def __len__(self) -> int:
        return len(self.document)

    @cached_property
    def pages(self) -> list[str]:
        return [page.get_textpage().get_text_bounded() for page in self.document]

    @property
    def text(self) -> str:
        return "\n".join(self.pages)

    @cached_property
    def bare(self) -> str:
        return bare(self.text)

    def picture(self, number: int, dots_per_mm: float = 4.0) -> np.ndarray:
        """Page `number`, from 0, as rows x columns x (red, green, blue)."""
        return self.document[number].render(scale=dots_per_mm / MM).to_numpy()[..., :3]

    def letters(self, number: int) -> list[tuple[str, float, float, float, float]]:
        """Each visible sign of a page with its box: left, bottom, right, top in mm."""
        text = self.document[number].get_textpage()
        found = []
        for index in range(text.count_chars()):
            sign = text.get_text_range(index, 1)
            left, bottom, right, top = (side / MM for side in text.get_charbox(index))
            if bare(sign) and right > left and top > bottom:
                found.append((sign, left, bottom, right, top))
        return found

    def outside(self, number: int, edge_mm: float) -> str:
        """What stands nearer to an edge of the page than `edge_mm`."""
        wide, high = self.sizes_mm[number]
        return "".join(
            sign
            for sign, left, bottom, right, top in self.letters(number)
            if left < edge_mm or bottom < edge_mm or right > wide - edge_mm or top > high - edge_mm
        )

    def on_top_of_each_other(self, number: int) -> list[str]:
        """Pairs of signs of which one covers a third or more of the other."""
        cells: dict[tuple[int, int], list[int]] = defaultdict(list)
        letters = self.letters(number)
        found = set()
        for index, (_, left, bottom, right, top) in enumerate(letters):
            for x in range(int(left), int(right) + 1):
                for y in range(int(bottom), int(top) + 1):
                    for other in cells[x, y]:
                        _, left2, bottom2, right2, top2 = letters[other]
                        wide = min(right, right2) - max(left, left2)
                        high = min(top, top2) - max(bottom, bottom2)
                        least = min((right - left) * (top - bottom), (right2 - left2) * (top2 - bottom2))
                        if wide > 0 and high > 0 and wide * high > least / 3:
                            found.add(letters[other][0] + letters[index][0])
                    cells[x, y].append(index)
        return sorted(found)
