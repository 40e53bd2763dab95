"""A bench's own history as a file: factors on failure rates, and how past jobs went."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ..toml_file import TomlFile
from .troubles import PastJob

_EXAMPLE = '[[rate]] with kind = "4164", mode = "dead", factor = 2.0'


@dataclass(frozen=True, slots=True)
class History:
    """What a bench has seen.

    Attributes
    ----------
    rates : dict of (kind, mode) to float
        Factors on published failure rates.
    past : tuple of PastJob
    """

    rates: dict[tuple[str, str], float]
    past: tuple[PastJob, ...]


def read_history(path: Path) -> History:
    """Read a history file.

    Raises
    ------
    BadFile
        With the line and key that cannot be used.
    """
    file = TomlFile(path)
    file.known((), file.data, ("rate", "job"))
    rates: dict[tuple[str, str], float] = {}
    for place, row in _rows(file, "rate", _EXAMPLE):
        file.known(place, row, ("kind", "mode", "factor"))
        kind, mode = (file.string((*place, key), row) for key in ("kind", "mode"))
        factor = file.number((*place, "factor"), row.get("factor"), "a factor such as 2.0")
        if not kind or not mode:
            raise file.bad(place, f"a rate needs a kind and a mode: expected {_EXAMPLE}")
        if factor <= 0:
            raise file.bad((*place, "factor"), f"{factor:g}: expected a factor above 0")
        rates[kind, mode] = factor
    past = []
    for place, row in _rows(file, "job", "[[job]] with hours = 3.5, mended = true"):
        file.known(place, row, ("hours", "mended"))
        hours = file.number((*place, "hours"), row.get("hours"), "a number of hours such as 3.5")
        if hours <= 0:
            raise file.bad((*place, "hours"), f"{hours:g}: expected hours above 0")
        if "mended" not in row:
            raise file.bad(place, "a job needs mended = true or mended = false")
        past.append(PastJob(hours, file.flag((*place, "mended"), row)))
    return History(rates, tuple(past))


def _rows(file: TomlFile, name: str, example: str) -> list[tuple[tuple[str, ...], dict[str, object]]]:
    rows = file.data.get(name, [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise file.bad((name,), f"expected {example}")
    return [((name,), row) for row in rows]
