"""From a sheet's data to the bytes of a PDF, the same bytes each time.

What people wrote reaches the templates as JSON and is set as text; it is never read as markup. Fonts are the
two that lie beside this file: none of the system's, and nothing from a network.
"""

from __future__ import annotations

import json
import re
import tempfile
import unicodedata
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from functools import cache
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from ..money import Amount
from .checks import known
from .errors import BadSheet, shortened
from .label import Svg
from .photo import Photo

if TYPE_CHECKING:
    from typst import Compiler, Fonts

PAPERS = {"a4": "a4", "letter": "us-letter"}
MOST_TEXT = 20_000
"""Characters of one text."""
MOST_ROWS = 5_000
"""Rows of one list."""

_HERE = Path(__file__).parent
_UNITS = r"[pnu\u00b5\u03bcmkKMG]?(?:[\u03a9\u2126VAFHWsgm]|Hz|bit)|[KM]i?B|\u00b0C|%|min|h|dB"
_BEFORE_UNIT = re.compile(rf"(?<=\d) (?=(?:{_UNITS})(?!\w))")
_TYPED_MICRO = re.compile(r"(?<!\w)(\d*[.,]?\d+)( ?)u(?=[FHsAV](?!\w))")
_TOO_FULL = re.compile(r"label (\d+) is too full")


class Sheet(Protocol):
    """What can be printed: every sheet of this package."""

    @property
    def on(self) -> date:
        """Date of the sheet."""

    @property
    def template(self) -> str:
        """Name of its template."""

    @property
    def title(self) -> str:
        """What kind of sheet it is."""

    def shown(self) -> dict[str, Any]:
        """What the template needs beyond the fields."""


def make_pdf(sheet: Sheet, paper: str = "a4") -> bytes:
    """Print a sheet.

    Parameters
    ----------
    sheet : JobSheet, ConditionReport, ChangeSheet, ShoppingList, StockList, LabelSheet or SingleLabel
    paper : str
        ``a4`` or ``letter``. Labels bring their own size and do not heed it.

    Returns
    -------
    bytes
        A PDF that screen readers can read (PDF/UA-1). Equal data gives equal bytes.

    Raises
    ------
    BadSheet
        The paper is not known; a text, list or photo is too large or damaged; or a label is too full.
    OSError
        The folder for temporary files cannot be written.
    """
    printed = _set(sheet, paper, format="pdf", timestamp=_noon(sheet.on), pdf_standards="ua-1")
    assert isinstance(printed, bytes)
    return printed


def make_pages(sheet: Sheet, paper: str = "a4", dots: float = 100.0) -> list[bytes]:
    """The pages of a sheet as pictures, to look at before printing.

    Parameters
    ----------
    sheet, paper
        As in `make_pdf`.
    dots : float
        To the inch.

    Returns
    -------
    list of bytes
        A PNG for each page.

    Raises
    ------
    BadSheet, OSError
    """
    printed = _set(sheet, paper, format="png", ppi=dots)
    return [printed] if isinstance(printed, bytes) else list(printed)


def _set(sheet: Sheet, paper: str, **how: Any) -> Any:
    """Have the typesetter set a sheet."""
    known(paper, PAPERS, "paper")
    photos: list[Photo] = []
    data = {**_plain(sheet, photos), **_plain(sheet.shown(), photos)}
    data |= {"title": sheet.title, "paper": PAPERS[paper]}

    import typst

    with tempfile.TemporaryDirectory(prefix="benchwright-") as folder:
        for template in (_HERE / "templates").glob("*.typ"):
            (Path(folder) / template.name).write_bytes(template.read_bytes())
        for number, photo in enumerate(photos, 1):
            (Path(folder) / f"photo-{number}.{photo.ending}").write_bytes(photo.picture)
        # No package is ever fetched: both places for packages are the empty temporary folder.
        compiler = typst.Compiler(
            root=folder, font_paths=_fonts(), ignore_system_fonts=True, package_path=folder,
            package_cache_path=folder,
            sys_inputs={"data": json.dumps(data, ensure_ascii=False, allow_nan=False, sort_keys=True)},
        )  # fmt: skip
        try:
            return compiler.compile(Path(folder) / f"{sheet.template}.typ", **how)
        except typst.TypstError as problem:
            for number, photo in enumerate(photos, 1):
                if not _can_be_printed(compiler, f"photo-{number}.{photo.ending}"):
                    raise BadSheet(
                        f"photo {shortened(photo.caption)!r} (event {photo.event}) is damaged and cannot be "
                        "printed: take it out or attach it again"
                    ) from None
            raise _told(problem, sheet) from None


@cache
def _fonts() -> Fonts:
    import typst

    return typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(_HERE / "fonts")]
    )


def _noon(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, 12, tzinfo=UTC)


def _can_be_printed(compiler: Compiler, name: str) -> bool:
    """Whether a photo in the compiler's folder can be set when nothing else is."""
    import typst

    try:
        compiler.compile(f'#image("{name}", alt: "photo")'.encode(), format="pdf")
    except typst.TypstError:
        return False
    return True


def _told(problem: Exception, sheet: Sheet) -> BadSheet:
    """An error of the typesetter, as something that a person can act on."""
    text = f"{problem} {getattr(problem, 'diagnostic', '')}"
    if label := _TOO_FULL.search(text):
        return BadSheet(
            f"label {label[1]}: the text does not fit even in the smallest letters; shorten it or choose a "
            "larger label"
        )
    return BadSheet(f"the {sheet.title.lower()} cannot be printed: {shortened(str(problem), 300)}")


# -- from data to JSON --------------------------------------------------------------------------------


def _plain(value: Any, photos: list[Photo]) -> Any:
    """Data as JSON has it; photos are collected and stand for themselves by file name."""
    if isinstance(value, Svg):
        return str(value)
    if isinstance(value, str):
        return clean(value)
    if value is None or isinstance(value, (bool, int, float)):
        return value
    if isinstance(value, Amount):
        return money(value)
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, Photo):
        if value not in photos:
            photos.append(value)
        name = f"photo-{photos.index(value) + 1}.{value.ending}"
        return {
            "file": name, "caption": clean(value.caption), "when": _plain(value.when, photos),
            "event": value.event,
        }  # fmt: skip
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d %H:%M}"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {key: _plain(inner, photos) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        if len(value) > MOST_ROWS:
            raise BadSheet(
                f"a list of {len(value)} rows; one sheet holds at most {MOST_ROWS}: print a part of it"
            )
        return [_plain(inner, photos) for inner in value]
    if is_dataclass(value):
        return {one.name: _plain(getattr(value, one.name), photos) for one in fields(value)}
    raise BadSheet(f"a sheet cannot print {shortened(repr(value))}: expected text, a number, a date or money")


def money(amount: Amount) -> str:
    """An amount as it is printed: with a true minus sign."""
    return f"−{-amount}" if amount < Amount.zero(amount.currency) else str(amount)


def clean(text: str) -> str:
    """Text as it is printed: composed letters, units kept beside their numbers and with their micro sign
    (22uF is 22µF), no sign that the fonts lack.

    A sign that they lack stands as its number, such as ``[U+1F4FC]``, so that nothing vanishes in silence; so
    do control characters.
    """
    if len(text) > MOST_TEXT:
        raise BadSheet(
            f"{shortened(text)!r} has {len(text)} characters; a sheet prints at most {MOST_TEXT} of one "
            "text: shorten it"
        )
    text = unicodedata.normalize("NFC", text).replace("\r\n", "\n").replace("\r", "\n")
    text = _TYPED_MICRO.sub("\\1\\2\u00b5", text.replace("\t", " ").strip())
    text = _BEFORE_UNIT.sub("\u00a0", text)
    return "".join(sign if sign in _covered() else f"[U+{ord(sign):04X}]" for sign in text)


@cache
def _covered() -> frozenset[str]:
    """Every sign that both fonts hold, and the line break."""
    rows = (_HERE / "fonts" / "covered.txt").read_text(encoding="ascii").split("\n")
    runs = (row.split("-") for row in rows if row and not row.startswith("#"))
    signs = chain.from_iterable(range(int(run[0], 16), int(run[-1], 16) + 1) for run in runs)
    return frozenset(map(chr, signs)) | {"\n"}
