"""Quantities as people at a bench write them: 0R8, 4k7, 100n, 12.7 V, -5V, 1,2k, OL."""

from __future__ import annotations

import math
import re

from .errors import BadQuantity

OVER_LIMIT = math.inf
"""What a meter shows as OL: above the range it has."""

_PREFIX = {
    "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3,
    "": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9,
}  # fmt: skip
_UNIT = {
    "ohm": "ohm", "ohms": "ohm", "Ohm": "ohm", "Ohms": "ohm", "OHM": "ohm", "Ω": "ohm", "Ω": "ohm", "R": "ohm",
    "r": "ohm", "V": "volt", "v": "volt", "volt": "volt", "volts": "volt", "Vdc": "volt", "VDC": "volt",
    "A": "ampere", "a": "ampere", "amp": "ampere", "amps": "ampere", "Hz": "hertz", "hz": "hertz",
    "HZ": "hertz", "F": "farad", "f": "farad", "H": "henry", "h": "henry", "W": "watt", "s": "second",
    "C": "celsius", "°C": "celsius", "degC": "celsius",
}  # fmt: skip
_OVER = {"ol", "o.l", "o.l.", "over", "overlimit", "over-limit", "over limit", "inf", "infinite", "infinity", "open"}
_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
_PLAIN = re.compile(rf"^\s*({_NUMBER})\s*([pnuµμmkKMG]?)\s*([A-Za-zΩΩ°]*)\s*$")
# The letter stands where the decimal point would (IEC 60062): 0R8, 4k7, R47, 4n7, 5V1.
_LETTER = re.compile(r"^\s*([+-]?)(\d*)([RrLpnuµμmkKMGVFH])(\d+)\s*([A-Za-zΩΩ]*)\s*$")
_LETTER_SCALE = {**_PREFIX, "R": 1.0, "r": 1.0, "V": 1.0, "L": 1e-3, "F": 1.0, "H": 1.0}
_WORDED = {"mega": 1e6, "meg": 1e6, "Meg": 1e6, "MEG": 1e6, "kilo": 1e3}


def parse_quantity(text: str | float | int) -> float:
    """Read a number with an optional prefix and unit, in SI base units.

    Parameters
    ----------
    text : str or number
        ``"0.8"``, ``"0R8"``, ``"4k7"``, ``"12.7 V"``, ``"100n"``, ``"1,5k"``, ``"OL"``.

    Returns
    -------
    float
        The value; ``math.inf`` for an over-limit display.

    Raises
    ------
    BadQuantity
        The text is none of these, or is not a number.

    Notes
    -----
    Letter in place of the decimal point after IEC 60062.
    """
    if isinstance(text, (int, float)):
        value = float(text)
        if math.isnan(value):
            raise BadQuantity("nan", "a number, or OL")
        return value
    cleaned = text.strip().lstrip("~≈").strip()
    cleaned = cleaned.replace("−", "-")  # noqa: RUF001 - a typeset minus sign is what phones insert
    if cleaned.lower() in _OVER:
        return OVER_LIMIT
    if cleaned.startswith((">", "<")):
        return parse_quantity(cleaned[1:])
    for word, scale in _WORDED.items():
        match = re.match(rf"^\s*({_NUMBER})\s*{word}\s*([A-Za-zΩΩ]*)$", cleaned)
        if match and (match[2] == "" or match[2] in _UNIT):
            return float(match[1].replace(",", ".")) * scale
    match = _LETTER.match(cleaned)
    if match and (match[5] == "" or match[5] in _UNIT):
        sign, whole, letter, part = match[1], match[2] or "0", match[3], match[4]
        value = float(f"{whole}.{part}") * _LETTER_SCALE[letter]
        return -value if sign == "-" else value
    match = _PLAIN.match(cleaned)
    if match:
        number, prefix, unit = match[1].replace(",", "."), match[2], match[3]
        value = float(number)
        # "5m" is milli; "5A" has no prefix; "3 meg" was handled above.
        if unit == "" or unit in _UNIT:
            return value * _PREFIX[prefix]
        if prefix + unit in _UNIT:
            return value
    raise BadQuantity(text, "a number with an optional unit such as 0.8, 0R8, 4k7, 12.7 V, 100n, or OL")


def unit_of(text: str) -> str | None:
    """Name the unit written in `text` (``"volt"``, ``"ohm"`` ...), or None if none is written."""
    match = _PLAIN.match(text.strip())
    if match and match[3]:
        return _UNIT.get(match[3]) or _UNIT.get(match[2] + match[3])
    match = _LETTER.match(text.strip())
    if match:
        if match[5]:
            return _UNIT.get(match[5])
        return {"R": "ohm", "r": "ohm", "V": "volt", "F": "farad", "H": "henry"}.get(match[3])
    return None


def _scaled(value: float) -> tuple[str, str]:
    for limit, scale, prefix in (
        (1e9, 1e9, "G"), (1e6, 1e6, "M"), (1e3, 1e3, "k"), (1.0, 1.0, ""),
        (1e-3, 1e-3, "m"), (1e-6, 1e-6, "µ"), (1e-9, 1e-9, "n"), (0.0, 1e-12, "p"),
    ):  # fmt: skip
        if abs(value) >= limit * 0.9995:
            return f"{value / scale:.3g}" if abs(value / scale) < 999.5 else f"{value / scale:.0f}", prefix
    return f"{value:g}", ""


def format_quantity(value: float, unit: str = "") -> str:
    """Write a value for reading: three significant figures, prefix and unit.

    Parameters
    ----------
    value : float
        In SI base units; infinity is written ``OL``.
    unit : str
        ``"ohm"`` is written with the Greek letter, any other unit as given.
    """
    if math.isinf(value):
        return "OL"
    symbol = "Ω" if unit == "ohm" else unit
    if value == 0:
        return f"0 {symbol}".strip()
    if unit in ("ohm", "V") and abs(value) < 1.0 and (unit == "ohm" or abs(value) >= 0.001):
        return f"{value:.2g} {symbol}" if unit == "ohm" else f"{value:.3g} {symbol}"
    number, prefix = _scaled(value)
    return f"{number} {prefix}{symbol}".strip()
