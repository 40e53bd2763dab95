"""Quantities as people at a bench write them: 0R8, 4k7, 100n, 12.7 V, -5V, 1,2k, OL."""

from __future__ import annotations

import math
import re
from typing import SupportsFloat

from .errors import BadQuantity

OVER_LIMIT = math.inf
"""What a meter shows as OL: above the range it has."""

_PREFIX = {
    "p": 1e-12, "n": 1e-9, "u": 1e-6, "\u00b5": 1e-6, "\u03bc": 1e-6, "m": 1e-3,
    "": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9,
    "kilo": 1e3, "meg": 1e6, "Meg": 1e6, "MEG": 1e6, "mega": 1e6, "Mega": 1e6,
}  # fmt: skip
_UNIT_WORDS = {
    "ohm": "ohm ohms Ohm Ohms OHM R r \u03a9 \u2126",  # Greek letter, ohm sign
    "volt": "V v volt volts Volt Volts Vdc VDC",
    "ampere": "A a amp amps ampere",
    "hertz": "Hz hz HZ hertz",
    "farad": "F f farad",
    "henry": "H h henry",
    "watt": "W w watt watts",
    "second": "s sec second seconds",
    "celsius": "C \u00b0C degC",
}
_UNIT = {word: unit for unit, words in _UNIT_WORDS.items() for word in words.split()}
_OVER = frozenset((
    "ol", "o.l", "o.l.", "o l", ".ol", "0l", "0.l", "ofl", "over", "overlimit", "over-limit", "over limit",
    "overload", "inf", "infinite", "infinity", "\u221e", "open",
))  # fmt: skip

_LETTERS = "A-Za-z\u03a9\u2126\u00b0"
_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
_PLAIN = re.compile(rf"({_NUMBER})\s*((?:[Mm]ega?|MEG|kilo|[pnu\u00b5\u03bcmkKMG])?)\s*([{_LETTERS}]*)")
_BARE = re.compile(rf"({_NUMBER})\s*([{_LETTERS}]*)")
# The letter stands where the decimal point would: 0R8, 4k7, R47, 4n7, 5V1 (IEC 60062).
_LETTER = re.compile(rf"([+-]?)(?:(\d*)([RrLpnu\u00b5\u03bcmkKMG])|(\d+)([VFH]))(\d+)\s*([{_LETTERS}]*)")
_LETTER_SCALE = {**_PREFIX, "R": 1.0, "r": 1.0, "L": 1e-3, "V": 1.0, "F": 1.0, "H": 1.0}
_LETTER_UNIT = {"R": "ohm", "r": "ohm", "L": "ohm", "V": "volt", "F": "farad", "H": "henry"}
_EXPECTED = "a number with an optional unit such as 0.8, 0R8, 4k7, 12.7 V, 100n, or OL"


def parse_quantity(text: str | SupportsFloat) -> float:
    """Read a number with an optional prefix and unit, in SI base units.

    Parameters
    ----------
    text : str or number
        ``"0.8"``, ``"0R8"``, ``"4k7"``, ``"12.7 V"``, ``"100n"``, ``"1,5k"``, ``"OL"``. A comma is a
        decimal comma. A leading ``>``, ``<``, ``~`` is read and its bound taken as the value.

    Returns
    -------
    float
        The value; ``math.inf`` for an over-limit display.

    Raises
    ------
    BadQuantity
        The text is none of these, is not a number, or is too large to be one.

    Notes
    -----
    Letter in place of the decimal point after IEC 60062.
    """
    if isinstance(text, str):
        return _read(text)[0]
    try:
        value = float(text)
    except (TypeError, ValueError, OverflowError):
        raise BadQuantity(repr(text)[:80], _EXPECTED) from None
    if math.isnan(value) or value == -math.inf:
        raise BadQuantity(str(value), "a number, or OL")
    return value


def unit_of(text: str) -> str | None:
    """Name the unit written in `text` (``"volt"``, ``"ohm"`` ...), or None if none can be read."""
    try:
        return _read(text)[1]
    except BadQuantity:
        return None


def _read(text: str) -> tuple[float, str | None]:
    cleaned = text.strip().replace("\u2212", "-")  # a typeset minus sign is what phones insert
    if cleaned[:1] in ("~", "\u2248", ">", "<"):
        cleaned = cleaned[1:].lstrip("=").strip()
    if cleaned.lower() in _OVER:
        return OVER_LIMIT, None
    found = _letter(cleaned) or _plain(cleaned)
    if found is None or math.isinf(found[0]):
        raise BadQuantity(text, _EXPECTED)
    return found


def _letter(text: str) -> tuple[float, str | None] | None:
    match = _LETTER.fullmatch(text)
    if match is None:
        return None
    whole, letter = match[2] or match[4] or "0", match[3] or match[5]
    unit = _LETTER_UNIT.get(letter)
    if match[7]:
        written = _UNIT.get(match[7])
        if written is None or unit not in (None, written):
            return None
        unit = written
    value = float(f"{whole}.{match[6]}") * _LETTER_SCALE[letter]
    return (-value if match[1] == "-" else value), unit


def _plain(text: str) -> tuple[float, str | None] | None:
    match = _PLAIN.fullmatch(text)
    if match is not None and (match[3] == "" or match[3] in _UNIT):
        prefix = match[2]
        if prefix == "m" and match[3] == "hz":
            prefix = "M"  # nobody at a bench means millihertz by 3.58 mhz
        return _number(match[1]) * _PREFIX[prefix], _UNIT.get(match[3])
    match = _BARE.fullmatch(text)
    if match is not None and match[2] in _UNIT:
        return _number(match[1]), _UNIT[match[2]]
    return None


def _number(text: str) -> float:
    return float(text.replace(",", "."))


_STEPS = (
    (1e9, "G"),
    (1e6, "M"),
    (1e3, "k"),
    (1.0, ""),
    (1e-3, "m"),
    (1e-6, "\u00b5"),
    (1e-9, "n"),
    (1e-12, "p"),
)


def format_quantity(value: float, unit: str = "") -> str:
    """Write a value for reading: three significant figures, prefix and unit.

    Parameters
    ----------
    value : float
        In SI base units; infinity is written ``OL``.
    unit : str
        ``"ohm"`` is written with the Greek letter, any other unit as given.

    Notes
    -----
    `parse_quantity` reads the text back, to the three figures shown.
    """
    if math.isinf(value):
        return "OL"
    symbol = "\u03a9" if unit == "ohm" else unit
    size = abs(value)
    number, prefix = f"{value:.3g}", ""
    # A meter shows fractions of an ohm or a volt as 0.8 and 0.65, not as 800 m; so does a bench note.
    if size >= 999.5 or (0 < size < 0.9995 and not (unit in ("ohm", "V") and size >= 0.001)):
        for scale, letter in _STEPS:
            # 999.5 and more of one step would be rounded up to 1 of the next
            if 0.9995 <= size / scale < 999.5:
                number, prefix = f"{value / scale:.3g}", letter
                break
    return f"{number if value else '0'} {prefix}{symbol}".strip()
