"""Labels with a QR code for the box: many on a sheet of labels, or one alone.

The code is drawn as vectors. It has error correction level M or better (15 % of it may be dirty), and a
border of four modules of white, as ISO/IEC 18004 asks for (both from memory).
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from .checks import counted, known, said, sized
from .errors import BadSheet, shortened

SMALLEST_MODULE_MM = 0.3
"""Side of the smallest square that a telephone reads with ease off a printed label: own judgement."""
_QUIET = 4
_EDGE_MM = 1.0
"""Between the code's own white border and the edges of the label."""
_LEAST_TEXT_MM = 24.0
_MOST_SIDE_MM = 45.0
_PAPER_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}


class Svg(str):
    """A picture drawn here: no text of a person, so it is passed on as it is."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class BoxLabel:
    """One label.

    Attributes
    ----------
    title : str
        Large: ``Job 14``.
    lines : tuple of str
        Below it, smaller.
    code : str
        What the QR code says; no code if empty.
    """

    title: str
    lines: tuple[str, ...] = ()
    code: str = ""

    def __post_init__(self) -> None:
        said(self.title, "a label's title")


@dataclass(frozen=True, slots=True)
class LabelStock:
    """How labels lie on a sheet, in millimetres; `left` and `top` are the edges of the first one.

    Raises
    ------
    BadSheet
        They do not fit on the paper, or overlap.
    """

    paper: str
    across: int
    down: int
    width: float
    height: float
    left: float
    top: float
    step_across: float
    step_down: float

    def __post_init__(self) -> None:
        known(self.paper, _PAPER_MM, "paper of the labels")
        counted(self.across, "labels across", 1)
        counted(self.down, "labels down", 1)
        _label_size(self.width, self.height)
        sized(self.left, "left edge of the labels", 0.0, 200.0)
        sized(self.top, "top edge of the labels", 0.0, 280.0)
        if self.across > 1:
            sized(self.step_across, "step from label to label across", self.width, 216.0)
        if self.down > 1:
            sized(self.step_down, "step from label to label down", self.height, 297.0)
        wide, high = _PAPER_MM[self.paper]
        right = self.left + (self.across - 1) * self.step_across + self.width
        bottom = self.top + (self.down - 1) * self.step_down + self.height
        if right > wide + 0.1 or bottom > high + 0.1:
            raise BadSheet(
                f"{self.across} × {self.down} labels of {self.width:g} × {self.height:g} mm reach to "
                f"{right:.1f} × {bottom:.1f} mm; the paper has {wide:g} × {high:g} mm"
            )

    @property
    def places(self) -> int:
        """Labels on one sheet."""
        return self.across * self.down


@cache
def label_stocks() -> dict[str, LabelStock]:
    """The sheets of labels that are known by name."""
    rows = tomllib.loads(Path(__file__).with_name("label_stock.toml").read_text(encoding="utf-8"))
    return {name: LabelStock(**row) for name, row in rows.items()}


def label_stock(name: str) -> LabelStock:
    """Give a sheet of labels by its name.

    Raises
    ------
    BadSheet
        None is known by that name; the message lists those that are.
    """
    known(name, label_stocks(), "sheet of labels")
    return label_stocks()[name]


@dataclass(frozen=True, slots=True)
class LabelSheet:
    """Labels on sheets of labels.

    Attributes
    ----------
    on : date
        The PDF's own date; not printed.
    labels : tuple of BoxLabel
    stock : LabelStock
    first : int
        Place of the first label, from 1, row by row: a sheet that is partly used up is used on.
    outlines : bool
        Thin lines round the labels, to cut plain paper by.
    """

    on: date
    labels: tuple[BoxLabel, ...]
    stock: LabelStock
    first: int = 1
    outlines: bool = False

    template = "labels"
    title = "Labels"

    def __post_init__(self) -> None:
        if not self.labels:
            raise BadSheet("no label to print: name at least one")
        if isinstance(self.first, bool) or not 1 <= self.first <= self.stock.places:
            raise BadSheet(
                f"the first label cannot go on place {self.first}: the sheet has places "
                f"1 to {self.stock.places}"
            )
        for number, label in enumerate(self.labels, 1):
            _module_mm(label, self.stock.width, self.stock.height, f"label {number}")

    def shown(self) -> dict[str, Any]:
        """What the template needs beyond the fields."""
        return {
            "width": self.stock.width,
            "height": self.stock.height,
            "labels": [_drawn(label, self.stock.width, self.stock.height) for label in self.labels],
        }


@dataclass(frozen=True, slots=True)
class SingleLabel:
    """One label on a page of its own size, for a label printer; sizes in millimetres."""

    on: date
    label: BoxLabel
    width: float = 62.0
    height: float = 29.0

    template = "label"
    title = "Label"

    def __post_init__(self) -> None:
        _label_size(self.width, self.height)
        _module_mm(self.label, self.width, self.height, "the label")

    def shown(self) -> dict[str, Any]:
        """What the template needs beyond the fields."""
        return {"labels": [_drawn(self.label, self.width, self.height)]}


def _label_size(width: float, height: float) -> None:
    sized(width, "width of a label", 20.0, 210.0)
    sized(height, "height of a label", 10.0, 290.0)


def _code_side_mm(width: float, height: float) -> float:
    """Side of the square that the code may take, its white border included."""
    return min(height - 2 * _EDGE_MM, width - 2 * _EDGE_MM - _LEAST_TEXT_MM, _MOST_SIDE_MM)


def _module_mm(label: BoxLabel, width: float, height: float, whose: str) -> float:
    """Side of one module of a label's code.

    Raises
    ------
    BadSheet
        Too small to be read, or more text than a QR code holds.
    """
    if not label.code:
        return 0.0
    modules = len(_matrix(label.code)) + 2 * _QUIET
    module = _code_side_mm(width, height) / modules
    if module < SMALLEST_MODULE_MM:
        raise BadSheet(
            f"{whose} ({shortened(label.title)}): the code would have squares of {max(module, 0):.2f} mm on "
            f"{width:g} × {height:g} mm, too small to read; choose a larger label or a shorter code"
        )
    return module


@lru_cache(maxsize=256)
def _matrix(code: str) -> tuple[bytearray, ...]:
    import segno

    try:
        # The encoding is fixed: left to choose, it could follow what the text happens to hold.
        return segno.make_qr(code, error="m", encoding="utf-8").matrix
    except (segno.DataOverflowError, ValueError):
        raise BadSheet(
            f"{shortened(code)!r} is too long for a QR code ({len(code)} characters): shorten it"
        ) from None


def _drawn(label: BoxLabel, width: float, height: float) -> dict[str, Any]:
    """A label with its code as an SVG picture of one path, a run of dark modules at a time."""
    drawn: dict[str, Any] = {"title": label.title, "lines": label.lines, "code": "", "side": 0.0}
    if not label.code:
        return drawn
    matrix = _matrix(label.code)
    side = len(matrix) + 2 * _QUIET
    steps = []
    for y, row in enumerate(matrix, _QUIET):
        x = 0
        while x < len(row):
            run = x
            while run < len(row) and row[run]:
                run += 1
            if run > x:
                steps.append(f"M{x + _QUIET} {y}h{run - x}v1h-{run - x}z")
            x = max(run, x + 1)
    drawn["code"] = Svg(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {side} {side}" width="{side}" height="{side}" '
        f'shape-rendering="crispEdges"><path fill="#000" d="{"".join(steps)}"/></svg>'
    )
    drawn["side"] = round(_code_side_mm(width, height), 3)
    return drawn
