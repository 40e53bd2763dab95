"""Currencies by their ISO 4217 codes, with their minor digits, and the symbols people write for them."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from .errors import BadAmount


@dataclass(frozen=True, slots=True)
class Currency:
    """One currency.

    Attributes
    ----------
    code : str
        Three capital letters.
    digits : int
        Digits after the point of the smallest amount: 2 for cents, 0 where there is none smaller than one.
    name : str
    """

    code: str
    digits: int
    name: str


@cache
def currencies() -> Mapping[str, Currency]:
    """Every currency of ISO 4217 that one can pay with, by code.

    Codes without minor digits (gold, test codes, units of account) are left out.

    Notes
    -----
    From the list of the standard's maintenance agency, by the package ``iso4217``.
    """
    from iso4217 import Currency as Listed

    return {
        one.code: Currency(one.code, one.exponent, one.currency_name)
        for one in Listed
        if one.exponent is not None
    }


def currency(code: str) -> Currency:
    """The currency of a code; its case does not matter.

    Raises
    ------
    BadAmount
        There is no such code, or nothing can be paid in it.
    """
    known = currencies()
    found = known.get(code.strip().upper())
    if found is None:
        near = difflib.get_close_matches(code.strip().upper(), list(known), 3, 0.6)
        hint = f"; did you mean {', '.join(near)}?" if near else ""
        raise BadAmount(f"no currency {code!r}: expected an ISO 4217 code such as EUR, GBP or JPY{hint}")
    return found


@cache
def symbols() -> Mapping[str, tuple[str, ...]]:
    """For each symbol, the codes of the currencies that use it."""
    text = files(__package__).joinpath("symbols.toml").read_text(encoding="utf-8")
    return {symbol: tuple(codes) for symbol, codes in tomllib.loads(text)["symbols"].items()}


def currency_written(mark: str, expected: str | None) -> str:
    """The code that a mark beside an amount means.

    Parameters
    ----------
    mark : str
        A code or a symbol.
    expected : str or None
        Code of the currency in use, which decides between several with one symbol.

    Raises
    ------
    BadAmount
        No currency is written so, or several are and none of them is expected.
    """
    codes = symbols().get(mark) or symbols().get(mark.lower())
    if codes is None:
        return currency(mark).code
    if expected in codes:
        return expected
    if len(codes) == 1 or mark == "£":  # all but one pound are rarely met, and say so
        return codes[0]
    raise BadAmount(f"{mark} may be {', '.join(codes)}: write the code, such as 12.50 {codes[0]}")
