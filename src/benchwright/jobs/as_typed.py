"""Values with the digits that were typed, and kinds of part as people call them."""

from __future__ import annotations

import re

_UNITS = {"resistance": "Ω", "diode": "V", "voltage": "V", "frequency": "Hz", "current": "A"}
_BARE_NUMBER = re.compile(r"[<>~±\s]*[+\-−]?(?:\d+(?:[.,]\d*)?|[.,]\d+)\s*")
_LETTER_CODE = re.compile(r"([+\-−]?)(\d*)([RrkKMmnuµp])(\d+)\s*")
_MIDDLE_PREFIX = {"R": "", "r": "", "K": "k"}
_PREFIXED = re.compile(r"[+\-−]?\d+(?:[.,]\d+)?\s*[kKMmuµ]")


def with_unit(value: str, quantity: str) -> str:
    """A value as it is printed: with the quantity's unit where only a number or 0R8 was typed."""
    value, unit = value.strip(), _UNITS.get(quantity, "")
    if not unit:
        return f"{value} (no unit)" if _BARE_NUMBER.fullmatch(value) else value
    if (code := _LETTER_CODE.fullmatch(value)) and quantity == "resistance":
        sign, whole, letter, rest = code.groups()
        return f"{sign}{whole or '0'}.{rest} {_MIDDLE_PREFIX.get(letter, letter)}{unit}"
    if _BARE_NUMBER.fullmatch(value):
        return f"{value} {unit}"
    if _PREFIXED.fullmatch(value):
        return f"{value[:-1].rstrip()} {_MIDDLE_PREFIX.get(value[-1], value[-1])}{unit}"
    spaced = re.fullmatch(r"([<>~±+\-−]*\s*[\d.,]+)((?:[kMmuµ]?(?:Ω|V|A|Hz)))", value)
    return f"{spaced[1]} {spaced[2]}" if spaced else value


def kind_words(kind: str) -> str:
    """A kind of part as people call it: a name of the kinds' tables is no word."""
    from ..board.kinds import kind_named  # its tables are read for such names alone

    known = kind_named(kind) if "_" in kind else None
    return (known.title if known is not None else "") or kind.replace("_", " ")
