"""Whether a reading is what was expected of it, where the expectation is written so that this can be told."""

from __future__ import annotations

import re

from ..errors import BadQuantity
from ..units import parse_quantity, unit_of

_BETWEEN = re.compile(r"(.+?)\s*(?:\bto\b|\.\.\.?|–|…)\s*(.+)")
_AROUND = re.compile(r"(.+?)\s*(?:±|\+/-|\+-)\s*([\d.,]+\s*%|.+)")
_OVER = re.compile(r"(?:over|above|at least|more than|>=?|≥)\s*(.+)", re.IGNORECASE)
_UNDER = re.compile(r"(?:under|below|at most|less than|<=?|≤)\s*(.+)", re.IGNORECASE)
_BOUND = re.compile(r"[<>~≈]")


def as_expected(value: str, expected: str) -> bool | None:
    """Whether a value is as expected.

    Parameters
    ----------
    value : str
        As it was read: ``4.98 V``, ``OL``, ``beeps``.
    expected : str
        ``4.75 to 5.25 V``, ``5 V ± 5 %``, ``over 3.5 V``, ``under 1 Ω``, or the very words.

    Returns
    -------
    bool or None
        None where it cannot be told: a number alone has no tolerance.
    """
    value, expected = value.strip(), expected.strip()
    if not value or not expected:
        return None
    if value.casefold() == expected.casefold():
        return True
    limits = _limits(expected)
    if limits is None or _BOUND.match(value):
        return None
    try:
        read = parse_quantity(value)
    except BadQuantity:
        return None
    low, high, unit = limits
    if None not in (unit, unit_of(value)) and unit != unit_of(value):
        return None
    return low <= read <= high


def _limits(expected: str) -> tuple[float, float, str | None] | None:
    """Least, most, and the unit."""
    try:
        if found := _OVER.fullmatch(expected):
            return parse_quantity(found[1]), float("inf"), unit_of(found[1])
        if found := _UNDER.fullmatch(expected):
            return float("-inf"), parse_quantity(found[1]), unit_of(found[1])
        if found := _AROUND.fullmatch(expected):
            middle, unit = parse_quantity(found[1]), unit_of(found[1])
            percent = found[2].strip().endswith("%")
            spread = parse_quantity(found[2].rstrip("% ")) * (abs(middle) / 100 if percent else 1)
            return middle - spread, middle + spread, unit or (None if percent else unit_of(found[2]))
        if found := _BETWEEN.fullmatch(expected):
            low, high = found[1], found[2]
            unit = unit_of(high)
            tail = re.search(r"[^\d.,\s]+$", high)
            if unit_of(low) is None and tail and re.fullmatch(r"[+\-−]?[\d.,]+", low):
                low += tail[0]  # 4.75 to 5.25 V: the unit is said once
            first, second = parse_quantity(low), parse_quantity(high)
            return min(first, second), max(first, second), unit
    except BadQuantity:
        return None
    return None
