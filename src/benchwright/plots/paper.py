"""The sheet that every picture is drawn on, and how it is written to a file, the same bytes each time."""

from __future__ import annotations

import io
import os
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FORMATS = ("png", "svg")
WIDTH_MM = 170.0
"""An A4 page less two margins of 20 mm."""
DOTS_PER_INCH = 150

INK = "#000000"
DARK = "#1d4f91"
LIGHT = "#e69f00"
FAINT = "#8a8a8a"
"""Dark and light differ by a factor of two in lightness, and in blue against yellow, which nearly everybody
tells apart; no meaning rests on colour alone."""
DASHES = ("-", "--", "-.", ":", (0, (6, 1.5, 1, 1.5, 1, 1.5)))
HATCHES = ("", "////", "....", "\\\\\\\\", "xxxx")
SHADES = (DARK, LIGHT, "#56707f", "#f5d491", "#303030")

_MM_PER_INCH = 25.4
_PALETTE = 128


@dataclass(frozen=True)
class Picture:
    """A drawn picture.

    Attributes
    ----------
    figure : matplotlib Figure
    kind : str
        ``waveform``, ``half-waves``, ``speed``, ``flutter`` or ``eye``.
    title : str
        What was measured.
    words : str
        What is to be seen, for those who cannot see it.
    """

    figure: Figure
    kind: str
    title: str
    words: str


@contextmanager
def paper() -> Iterator[None]:
    """Draw and write with our own style, whatever the person has set for other work."""
    import matplotlib

    with (
        matplotlib.rc_context(),
        as_file(files(__package__).joinpath("paper.mplstyle")) as style,
        warnings.catch_warnings(),
    ):
        # A file name in a script that the fonts lack is shown as boxes; that is no fault of the picture.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        matplotlib.rcdefaults()
        matplotlib.rc_file(style, use_default_template=False)
        yield


def sheet(
    title: str, rows: int = 1, heights: tuple[float, ...] = (1.0,), height_mm: float = 80.0,
    width_mm: float = WIDTH_MM, share: bool = True,
) -> tuple[Figure, list[Axes]]:  # fmt: skip
    """An empty sheet with a title and panels one below the other.

    Parameters
    ----------
    title : str
    rows : int
        Number of panels.
    heights : tuple of float
        Their relative heights.
    height_mm, width_mm : float
        Of the whole sheet.
    share : bool
        Whether the panels share their horizontal axis.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_mm / _MM_PER_INCH, height_mm / _MM_PER_INCH), layout="constrained")
    panels = figure.subplots(
        rows, 1, sharex=share, squeeze=False, gridspec_kw={"height_ratios": heights, "hspace": 0.02}
    )
    figure.suptitle(title, x=0.008, ha="left")
    return figure, list(panels[:, 0])


def finished(figure: Figure) -> Figure:
    """Settle where everything lies, once: it would come out a little different for each size and format."""
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    return figure


def save(picture: Picture, path: Path, form: str = "", dots_per_inch: float = DOTS_PER_INCH) -> None:
    """Write a picture, whole or not at all; the same picture gives the same bytes.

    Parameters
    ----------
    picture : Picture
    path : Path
    form : str
        ``"png"`` or ``"svg"``; by the path's ending if left out.
    dots_per_inch : float
        Of a PNG.

    Raises
    ------
    ValueError
        The format is neither.
    OSError
        It cannot be written there.
    """
    form = form or path.suffix.lower().removeprefix(".")
    _write(path, rendered(picture, form, dots_per_inch))


def rendered(picture: Picture, form: str, dots_per_inch: float = DOTS_PER_INCH) -> bytes:
    """The bytes of a picture file; see `save`."""
    if form not in FORMATS:
        raise ValueError(f"format {form!r}: expected {' or '.join(FORMATS)}")
    about = {"Title": picture.title, "Description": picture.words}
    held = io.BytesIO()
    with paper():
        if form == "png":
            picture.figure.savefig(held, format="png", dpi=dots_per_inch)
            return _few_colours(held, about, dots_per_inch)
        # No time, and no version of the drawing library: what did not change does not differ.
        none: dict[str, Any] = {"Date": None, "Creator": None}
        picture.figure.savefig(held, format="svg", metadata=about | none)
    return held.getvalue()


def _few_colours(held: io.BytesIO, about: dict[str, str], dots_per_inch: float) -> bytes:
    """The same picture in a third of the bytes: lines and greys need no more than a palette."""
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    words = PngInfo()
    for key, text in about.items():
        words.add_itxt(key, text)
    small = io.BytesIO()
    with Image.open(held) as whole:
        few = whole.convert("RGB").quantize(
            _PALETTE, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE
        )
        few.save(small, "PNG", optimize=True, pnginfo=words, dpi=(dots_per_inch, dots_per_inch))
    return small.getvalue()


def _write(path: Path, data: bytes) -> None:
    path = path.resolve()
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:100]}.")
    except OSError as problem:
        raise type(problem)(problem.errno, problem.strerror, str(path)) from None
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        mask = os.umask(0)
        os.umask(mask)
        Path(name).chmod(0o666 & ~mask)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def clean_name(text: str, most: int = 70) -> str:
    """A name as it can stand in a picture: on one line, shortened in the middle."""
    text = "".join(letter if letter.isprintable() else "?" for letter in text)
    if len(text) <= most:
        return text
    half = (most - 1) // 2
    return f"{text[:half]}…{text[-half:]}"


def key_below(axes: Axes, columns: int) -> None:
    """The legend of a panel, below the sheet's axes, where it hides nothing."""
    handles, labels = axes.get_legend_handles_labels()
    if handles:
        figure = axes.get_figure()
        assert figure is not None
        figure.legend(handles, labels, loc="outside lower left", ncols=columns)


def with_minus(text: str) -> str:
    """A figure with the minus sign that the axes have."""
    return text.replace("-", "\u2212")


def time_axis(axes: Axes, start: float, stop: float) -> float:
    """Label a time axis in s, min or h and set its ends; what a time in s has to be divided by."""
    span = stop - start
    unit, scale = ("s", 1.0) if stop <= 300.0 else ("min", 60.0) if stop <= 7200.0 else ("h", 3600.0)
    if span < 0.2:
        # A close look: the differences matter.
        unit, scale = "ms", 1e-3
    axes.set_xlabel(f"Time from the start of the recording ({unit})")
    axes.set_xlim(start / scale, max(stop, start + 1e-6) / scale)
    return scale
