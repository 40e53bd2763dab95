"""Moments as people type and read them; local time on the screen, UTC in the records."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import click

from ..moments import ago, hours, local

__all__ = ["ago", "hours", "local", "parse_moment"]

_FIRST_YEAR = 1970
"""As `jobs.rules.check_moment`."""
_DAY_WORDS = {"today": 0, "yesterday": 1}
_EXAMPLES = "'14:30', 'yesterday 14:30', '2024-11-03', '2024-11-03 14:30' or '2024-11-03T14:30+01:00'"


def parse_moment(text: str, now: datetime | None = None, *, end_of_day: bool = False) -> datetime:
    """A moment in the past.

    Parameters
    ----------
    text : str
        A time of today, a day, or both; local time unless it names its zone.
    now : datetime, optional
    end_of_day : bool
        A day alone means its end, not noon.

    Raises
    ------
    click.UsageError
        It is none, or lies ahead.
    """
    now = (now or datetime.now(UTC)).astimezone()
    words = text.strip().lower().split()
    try:
        if words and words[0] in _DAY_WORDS:
            day = (now - timedelta(days=_DAY_WORDS[words[0]])).date()
            moment = _at(day.isoformat(), " ".join(words[1:]), end_of_day)
        elif len(words) == 1 and re.fullmatch(r"\d{1,2}:\d\d(?::\d\d)?", words[0]):
            moment = _at(now.date().isoformat(), words[0], end_of_day)
        elif len(words) == 1 and re.fullmatch(r"\d{4}-\d\d-\d\d", words[0]):
            moment = _at(words[0], "", end_of_day)
        else:
            moment = datetime.fromisoformat(text.strip())
        early = moment.year < _FIRST_YEAR
        if not early:
            moment = moment.astimezone()
    except (ValueError, OverflowError):
        raise click.UsageError(f"cannot read the time {text!r}: expected, for example, {_EXAMPLES}") from None
    if early:
        raise click.UsageError(f"{text!r} lies before {_FIRST_YEAR}: nothing on this bench happened then")
    if end_of_day:
        return moment
    if moment > now + timedelta(minutes=1):
        if len(words) == 1 and words[0] in ("today", now.date().isoformat()):
            return now
        raise click.UsageError(f"{text!r} lies ahead: what is recorded has happened already")
    return moment


def _at(day: str, time: str, end_of_day: bool) -> datetime:
    time = time or ("23:59:59.999999" if end_of_day else "12:00")
    return datetime.fromisoformat(f"{day}T{time.zfill(5)}")
