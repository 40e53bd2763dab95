"""Safety texts, said before the step that needs them."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

LICENSED = (
    "Mains wiring, picture-tube circuits and supply repairs are left to licensed practice and local codes."
)


@dataclass(frozen=True, slots=True)
class Caution:
    """One thing that can hurt a person or a part.

    Attributes
    ----------
    key : str
        What checks and remedies name it by, such as ``power_off_first``.
    title : str
        A few words, for a heading.
    text : str
        What can happen and how to avoid it. Where mains, picture tubes or supply repairs come into it,
        the last sentence is `LICENSED`.
    source : str
        Where the figures come from.
    """

    key: str
    title: str
    text: str
    source: str


@cache
def all_cautions() -> dict[str, Caution]:
    """Every caution by key, in the order of the data file."""
    rows = tomllib.loads(Path(__file__).with_name("cautions.toml").read_text(encoding="utf-8"))
    return {
        key: Caution(
            key,
            row["title"],
            f"{row['text']} {LICENSED}" if row.get("licensed") else row["text"],
            row["source"],
        )
        for key, row in rows.items()
    }


def get(key: str) -> Caution:
    """Give the caution named `key`.

    Raises
    ------
    KeyError
        No caution has that key: keys come from the tables of this package, never from a person.
    """
    return all_cautions()[key]
