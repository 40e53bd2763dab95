"""Moments and times as people read them: local time on the screen, UTC in the records."""

from __future__ import annotations

from datetime import UTC, datetime


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
