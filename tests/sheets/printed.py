"""What a printed PDF shows: its words, where each letter stands, how each page looks."""

from __future__ import annotations

import ctypes
import re
from collections.abc import Iterator
from functools import cached_property

import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as raw

MM = 72 / 25.4
INVISIBLE = re.compile(r"[\s\u200b\u00ad\ufffe\u0002]+")


def bare(text: str) -> str:
    """Text without spaces and break marks: where lines break does not matter."""
    return INVISIBLE.sub("", text)


class Printed:
    def __init__(self, pdf: bytes) -> None:
        self.document = pdfium.PdfDocument(pdf)
        self.leaves = list(self.document)
        self.sizes_mm = [tuple(round(side / MM, 1) for side in page.get_size()) for page in self.leaves]
        self._letters: dict[int, list[tuple[str, float, float, float, float]]] = {}

    def __len__(self) -> int:
        return len(self.document)

    @cached_property
    def pages(self) -> list[str]:
        return [page.get_textpage().get_text_bounded() for page in self.leaves]

    @property
    def text(self) -> str:
        return "\n".join(self.pages)

    @cached_property
    def bare(self) -> str:
        return bare(self.text)

    def picture(self, number: int, dots_per_mm: float = 4.0) -> np.ndarray:
        """Page `number`, from 0, as rows x columns x (red, green, blue)."""
        return self.leaves[number].render(scale=dots_per_mm / MM).to_numpy()[..., :3]

    def pictures(self) -> int:
        """How many photos are on the pages."""
        return sum(1 for page in self.leaves for _ in page.get_objects(filter=(3,), max_depth=4))

    def letter_sizes(self, number: int) -> set[float]:
        """Sizes of the letters of a page, in points."""
        text = self.leaves[number].get_textpage()
        signs = (
            index for index in range(text.count_chars()) if bare(chr(raw.FPDFText_GetUnicode(text, index)))
        )
        return {round(raw.FPDFText_GetFontSize(text, index), 2) for index in signs}

    def letters(self, number: int) -> list[tuple[str, float, float, float, float]]:
        """Each visible sign of a page with its box: left, bottom, right, top in mm."""
        if number not in self._letters:
            self._letters[number] = list(_signs(self.leaves[number].get_textpage()))
        return self._letters[number]

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
        letters = self.letters(number)
        if not letters:
            return []
        left, bottom, right, top = np.array([box for _, *box in letters]).T
        # Signs that overlap share a square of a millimetre: pairs are looked for in each.
        shared = [
            (x, y, index)
            for index, (_, x0, y0, x1, y1) in enumerate(letters)
            for x in range(int(x0), int(x1) + 1)
            for y in range(int(y0), int(y1) + 1)
        ]
        squares = np.array(sorted(shared))
        found: set[str] = set()
        for step in range(1, len(squares)):
            same = (squares[step:, :2] == squares[:-step, :2]).all(axis=1)
            if not same.any():
                break
            one, other = squares[:-step][same, 2], squares[step:][same, 2]
            wide = np.minimum(right[one], right[other]) - np.maximum(left[one], left[other])
            high = np.minimum(top[one], top[other]) - np.maximum(bottom[one], bottom[other])
            area = (right - left) * (top - bottom)
            over = (wide > 0) & (high > 0) & (wide * high > np.minimum(area[one], area[other]) / 3)
            found |= {letters[i][0] + letters[j][0] for i, j in zip(one[over], other[over], strict=True)}
        return sorted(found)


def _signs(text: pdfium.PdfTextPage) -> Iterator[tuple[str, float, float, float, float]]:
    # Straight from the library: a text page's own functions take five times as long for each sign.
    left, bottom, right, top = (ctypes.c_double() for _ in range(4))
    for index in range(text.count_chars()):
        sign = chr(raw.FPDFText_GetUnicode(text, index))
        if not bare(sign):
            continue
        raw.FPDFText_GetCharBox(text, index, left, right, bottom, top)
        if right.value > left.value and top.value > bottom.value:
            yield sign, left.value / MM, bottom.value / MM, right.value / MM, top.value / MM
