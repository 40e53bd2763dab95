"""Moments as people type and read them; local time on the screen, UTC in the records."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import click

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


def local(moment: datetime) -> str:
    """A moment on the screen."""
    return f"{moment.astimezone():%Y-%m-%d %H:%M}"


def ago(moment: datetime, now: datetime | None = None) -> str:
    """How long ago, in one or two short words."""
    seconds = ((now or datetime.now(UTC)) - moment).total_seconds()
    days = (datetime.now(UTC).astimezone().date() - moment.astimezone().date()).days if now is None else int(
        seconds // 86400
    )  # fmt: skip
    if seconds < 3600:
        return f"{max(0, int(seconds // 60))} min"
    if days < 1:
        return f"{int(seconds // 3600)} h"
    if days < 60:
        return f"{days} day" + ("" if days == 1 else "s")
    return f"{days // 30} mths" if days < 730 else f"{days // 365} yrs"


def hours(minutes: object) -> str:
    """Minutes as hours and minutes."""
    whole = round(float(str(minutes)))
    return f"{whole // 60} h {whole % 60:02} min" if whole >= 60 else f"{whole} min"
