"""Checks that the data of several sheets share; each message names the thing and what to do."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from .errors import BadSheet, shortened

_LONGEST_JOB = 12
_BARE_NUMBER = re.compile(r"[<>~±\s]*[+\-−]?\d+(?:[.,]\d+)?\s*")


def said(text: str, what: str) -> None:
    """Refuse a text that says nothing."""
    if not isinstance(text, str):
        raise BadSheet(f"{what}: expected text, got {shortened(repr(text))}")
    if not text.strip():
        raise BadSheet(f"{what} is empty: expected a few words")


def job_number(job: str) -> None:
    """Refuse a job's number that does not fit into its box."""
    said(job, "the job's number")
    if len(job) > _LONGEST_JOB:
        raise BadSheet(f"job {shortened(job)!r}: expected a number of at most {_LONGEST_JOB} characters")


def with_unit(value: str, what: str) -> None:
    """Refuse a measured value that is a number alone."""
    said(value, f"{what}: the value")
    if _BARE_NUMBER.fullmatch(value):
        raise BadSheet(f"{what}: {value.strip()!r} has no unit: expected a value such as 4.98 V, 0.8 Ω or OL")


def known(value: str, allowed: Iterable[str], what: str) -> None:
    """Refuse a word that is not one of a fixed list."""
    allowed = tuple(allowed)
    if value not in allowed:
        raise BadSheet(
            f"{what}: {shortened(str(value))!r} is not known; expected one of {', '.join(allowed)}"
        )


def numbered(event: int, what: str) -> None:
    """Refuse an event number that no history can hold."""
    if isinstance(event, bool) or not isinstance(event, int) or event < 1:
        raise BadSheet(
            f"{what}: {event!r} is not an event number; expected 1, 2, 3 ... as in the job's history"
        )


def counted(number: int, what: str, least: int = 0) -> None:
    """Refuse a count that is not a whole number of at least `least`."""
    if isinstance(number, bool) or not isinstance(number, int) or number < least:
        raise BadSheet(f"{what}: {number!r} is no count; expected a whole number, {least} or more")


def sized(mm: float, what: str, least: float, most: float) -> None:
    """Refuse a length in millimetres outside what can be printed."""
    if (
        isinstance(mm, bool)
        or not isinstance(mm, (int, float))
        or not math.isfinite(mm)
        or not least <= mm <= most
    ):
        raise BadSheet(f"{what}: {mm!r} mm is out of range; expected {least:g} to {most:g} mm")
