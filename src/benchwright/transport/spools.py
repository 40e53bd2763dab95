"""How the two spools turn while the tape moves from one to the other.

A pack of length L and thickness t on a hub of radius r0 has the radius sqrt(r0^2 + L t / pi); what one pack
loses the other gains, so the sum of the squares of both radii stays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from .errors import BadDeck, UnknownPart
from .tables import table
from .uncertain import Uncertain

TAPE_SPEED = 47.625
"""Millimetres a second: 1 7/8 inch, the speed of the compact cassette (IEC 60094-1)."""


@dataclass(frozen=True, slots=True)
class Tape:
    """A tape as it lies in its cassette.

    Attributes
    ----------
    name : str
    length : Uncertain
        Millimetres.
    thickness : Uncertain
        Millimetres.
    hub : Uncertain
        Radius of the empty hub, millimetres.
    minutes : float
        A side is sold as.
    """

    name: str
    length: Uncertain
    thickness: Uncertain
    hub: Uncertain
    minutes: float = 0.0


@cache
def all_tapes() -> dict[str, Tape]:
    """The usual cassettes by name, C10 to C120."""
    rows = table("tapes.toml")
    hub = Uncertain.of(rows["hub_diameter"] / 2, rows["hub_sigma"] / 2, "hub")
    return {
        name: Tape(
            name,
            Uncertain.of(1000 * row["length"], 1000 * row["length"] * row["length_spread"], "tape length"),
            Uncertain.of(
                row["thickness"] / 1000, row["thickness"] / 1000 * row["thickness_spread"], "tape thickness"
            ),
            hub,
            row["minutes"],
        )
        for name, row in rows.items()
        if isinstance(row, dict)
    }


def tape_named(name: str) -> Tape:
    """The usual cassette of that name.

    Raises
    ------
    UnknownPart
    """
    found = all_tapes().get(name.strip().upper())
    if found is None:
        raise UnknownPart("cassette", name, all_tapes(), "in the table")
    return found


@dataclass(frozen=True, slots=True)
class Packs:
    """Both packs at one place of the tape.

    Attributes
    ----------
    position : float
        Share of the tape that lies on the take-up side, 0 at the start of a side, 1 at its end.
    supply, take_up : Uncertain
        Radii, millimetres.
    """

    position: float
    supply: Uncertain
    take_up: Uncertain


def packs(tape: Tape, position: float, step: float = 0.0) -> Packs:
    """Radii of both packs.

    Parameters
    ----------
    tape : Tape
    position : float
        0 at the start of a side to 1 at its end.
    step : float
        Standard deviation of the position.

    Raises
    ------
    BadDeck
        A position outside 0 to 1.
    """
    if not 0 <= position <= 1:
        raise BadDeck(f"a tape position of {position:g}: expected 0 (start of the side) to 1 (its end)")
    return Packs(
        position,
        _radius(tape, Uncertain.of(1 - position, -step, "tape position")),
        _radius(tape, Uncertain.of(position, step, "tape position")),
    )


def _radius(tape: Tape, share: Uncertain) -> Uncertain:
    square = tape.hub * tape.hub + tape.length * tape.thickness * share * (1 / math.pi)
    root = math.sqrt(square.value)
    return square.apply(root, 1 / (2 * root))


def turns_on(tape: Tape, length: float) -> float:
    """Turns of a hub that wind on so much tape (millimetres)."""
    full = math.sqrt(tape.hub.value**2 + length * tape.thickness.value / math.pi)
    return (full - tape.hub.value) / tape.thickness.value


def spool_frequency(radius: Uncertain, speed: Uncertain) -> Uncertain:
    """Turns a second of a spool whose pack has that radius, v / (2 pi R)."""
    return speed / radius * (1 / (2 * math.pi))


@dataclass(frozen=True, slots=True)
class SpoolRow:
    """One line of the table along a tape.

    Attributes
    ----------
    minutes : float
        Since the start of the side, at the speed given.
    position : float
    supply_radius, take_up_radius : Uncertain
        Millimetres.
    supply_hertz, take_up_hertz : Uncertain
    turns : float
        Of the take-up hub since the start: what a counter counts, times its own ratio.
    """

    minutes: float
    position: float
    supply_radius: Uncertain
    take_up_radius: Uncertain
    supply_hertz: Uncertain
    take_up_hertz: Uncertain
    turns: float


def spool_table(tape: Tape, rows: int = 7, speed: Uncertain | None = None) -> tuple[SpoolRow, ...]:
    """Radii and rotation of both spools along a tape, evenly from its start to its end."""
    if rows < 2:
        raise BadDeck(f"a table of {rows} rows: expected 2 or more")
    return tuple(spool_row(tape, number / (rows - 1), speed) for number in range(rows))


def spool_row(tape: Tape, position: float, speed: Uncertain | None = None) -> SpoolRow:
    """Radii and rotation of both spools at one place of a tape."""
    speed = speed or Uncertain(TAPE_SPEED)
    both = packs(tape, position)
    wound = tape.length.value * position
    return SpoolRow(
        wound / speed.value / 60,
        position,
        both.supply,
        both.take_up,
        spool_frequency(both.supply, speed),
        spool_frequency(both.take_up, speed),
        turns_on(tape, wound),
    )


def position_after(tape: Tape, minutes: float, speed: float = TAPE_SPEED) -> float:
    """Share of the tape played after so many minutes.

    Raises
    ------
    BadDeck
        The tape is not that long.
    """
    position = minutes * 60 * speed / tape.length.value
    if not 0 <= position <= 1:
        raise BadDeck(
            f"{minutes:g} minutes are not on a {tape.name}: it holds {tape.length.value / speed / 60:.1f}"
        )
    return position
