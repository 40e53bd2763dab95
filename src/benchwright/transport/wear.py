"""What wears in a deck and which line of the flutter spectrum that makes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from .deck import RoundPart
from .tables import table

WORDS = ("", "once", "twice", "three times", "four times", "five times", "six times")


@dataclass(frozen=True, slots=True)
class Wear:
    """One way in which a kind of part shows; the table's head tells what each field means."""

    kinds: tuple[str, ...]
    times: int | str
    name: str
    chance: float
    percent: float
    spread: float
    says: str
    cure: str
    again: str = ""
    cautions: tuple[str, ...] = ()

    def size_density(self, percent: float) -> float:
        """Probability density of the natural logarithm of the line's size, if this wear makes it."""
        return normal_density(math.log(percent / self.percent), self.spread)


@cache
def all_wear() -> tuple[Wear, ...]:
    """Every row of the table."""
    made = []
    for row in table("wear.toml")["wear"]:
        lists = {"kinds": tuple(row["kinds"]), "cautions": tuple(row.get("cautions", ()))}
        made.append(Wear(**{**row, **lists}))
    return tuple(made)


def wear_of(kind: str) -> tuple[Wear, ...]:
    """The ways in which a kind of part shows."""
    return tuple(row for row in all_wear() if kind in row.kinds)


def multiple(times: int | str, part: RoundPart | None) -> int:
    """How many times a turn a line comes; 0 if the part has not what the line needs."""
    if isinstance(times, int):
        return times
    if part is None:
        return 0
    counts = {
        "segments": part.segments,
        "twice segments": 2 * part.segments if part.segments % 2 else 0,
        "poles": part.poles,
        "teeth": part.teeth,
    }
    return counts.get(times, 0)


def often(times: int) -> str:
    """``once``, ``twice``, ``17 times``."""
    return WORDS[times] if 0 < times < len(WORDS) else f"{times} times"


def normal_density(deviation: float, sigma: float) -> float:
    return math.exp(-0.5 * (deviation / sigma) ** 2) / (sigma * math.sqrt(2 * math.pi))
