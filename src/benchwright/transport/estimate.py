"""An unknown dimension from a line that is surely its part's own."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from .assign import LINE_SIGMA
from .deck import Belt, Deck, RoundPart
from .errors import BadDeck
from .rotation import USUAL_TAPE, follow, tape_speed
from .spools import tape_named
from .uncertain import SIGMAS, Uncertain


@dataclass(frozen=True, slots=True)
class Estimate:
    """A dimension worked out from a line.

    Attributes
    ----------
    name : str
        Part or belt.
    what : str
        What the value is, such as ``diameter of its pulley at the bottom of the groove``.
    value : Uncertain
        Millimetres.
    stated : float or None
        What the deck says so far, millimetres.
    sentence : str
    key : str
        Key in the deck file that takes the value; empty if none does.
    """

    name: str
    what: str
    value: Uncertain
    stated: float | None
    sentence: str
    key: str


def estimate_dimension(
    deck: Deck,
    part: str,
    hertz: float,
    sigma: float = LINE_SIGMA,
    *,
    times: int = 1,
    speed_ratio: float = 1.0,
    speed_sigma: float | None = None,
    tape: str = "",
) -> Estimate:
    """Work out a diameter, a belt's length or a spool's pack from the part's line.

    Parameters
    ----------
    deck : Deck
        The part's own diameter may be missing or wrong in it.
    part : str
        A part, or a belt.
    hertz : float
        Frequency of the line.
    sigma : float
        Its standard deviation, hertz.
    times : int
        Lines per turn: 2 if the line is the second multiple.
    speed_ratio, speed_sigma, tape
        As for `assign_lines`.

    Returns
    -------
    Estimate

    Raises
    ------
    BadDeck
        The line says nothing about the part's own size, or what it depends on is not known.
    UnknownPart
    """
    if not (
        math.isfinite(hertz) and hertz > 0 and math.isfinite(sigma) and 0 <= sigma < hertz and times >= 1
    ):
        raise BadDeck(f"a line at {hertz:g} ± {2 * sigma:g} Hz, {times} times per turn, cannot be used")
    turn = Uncertain.of(hertz, sigma, "line") / float(times)
    speed = tape_speed(deck, speed_ratio, speed_sigma)
    if deck.has_belt(part):
        return _belt_length(deck, deck.belt(part), turn, speed, tape)
    found = deck.part(part)
    if found.tape == "pack":
        return _pack(deck, found, turn, speed, tape)
    if found.tape:
        value = speed / turn * (1 / math.pi)
        return _told(found.name, found.size_words, value, _stated(found), "the tape's speed", "diameter")
    return _driven(deck, found, turn, speed, tape)


def _stated(part: RoundPart) -> Uncertain | None:
    return None if part.diameter is None else part.working_diameter()


def _told(
    name: str, what: str, value: Uncertain, stated: Uncertain | None, rests_on: str, key: str
) -> Estimate:
    sentence = f"{name}: {what} {value.told('mm')}, from {rests_on}"
    if stated is not None:
        off = stated.value - value.value
        if abs(off) <= SIGMAS * math.hypot(value.sigma, stated.sigma):
            sentence += f"; the deck file says {stated.value:g} mm, which agrees"
        else:
            sentence += f"; the deck file says {stated.value:g} mm, which is {abs(off):.2g} mm too "
            sentence += "large" if off > 0 else "small"
    return Estimate(name, what, value, None if stated is None else stated.value, sentence + ".", key)


def _driven(deck: Deck, part: RoundPart, turn: Uncertain, speed: Uncertain, tape: str) -> Estimate:
    """Diameter of what a belt or a rim drives: the speed of that, over the turns."""
    bare = deck.with_part(replace(part, diameter=None))
    cassette = tape_named(tape or deck.tape or USUAL_TAPE)
    known = follow(bare, speed, cassette, 0.5)
    if part.name in known.parts:
        raise BadDeck(
            f"{part.name} {known.parts[part.name][1]}: its line is the same whatever its diameter. Give "
            "the line of a part that it drives by belt or rim, or estimate the part it turns with"
        )
    for belt in deck.belts.values():
        if any(over.part == part.name for over in belt.over) and belt.name in known.surface:
            # the belt's middle runs half a thickness off the pulley
            value = known.surface[belt.name] / turn * (1 / math.pi) - belt.thick
            if value.value <= 0:
                raise BadDeck(
                    f"{part.name}: belt {belt.name} runs at {known.surface[belt.name].value:.0f} mm/s, "
                    "and no "
                    f"pulley would turn at {turn.value:.4g} Hz under it: the line belongs to something else"
                )
            return _told(part.name, part.size_words, value, _stated(part), f"belt {belt.name}", "diameter")
    for name in known.parts:
        other = deck.parts[name]
        touching = part.runs_against == name or other.runs_against == part.name
        if touching and other.diameter is not None:
            value = known.parts[name][0] * other.working_diameter() / turn
            return _told(part.name, part.size_words, value, _stated(part), f"the rim of {name}", "diameter")
    raise BadDeck(
        f"{part.name}: nothing whose speed is known drives it, so its line says nothing about its size; "
        "give the belt that runs over it, or what it runs against"
    )


def _belt_length(deck: Deck, belt: Belt, turn: Uncertain, speed: Uncertain, tape: str) -> Estimate:
    known = follow(deck, speed, tape_named(tape or deck.tape or USUAL_TAPE), 0.5)
    if belt.name not in known.surface:
        raise BadDeck(f"belt {belt.name}: the speed of none of its parts is known")
    # the line gives the length of the belt's middle; a string lies on its inner side
    value = known.surface[belt.name] / turn - belt.thick * math.pi
    what = "length along its inner side as it runs (the path a string measures)"
    stated = None if belt.string_length is None else Uncertain(belt.string_length)
    rests_on = f"its speed of {known.surface[belt.name].value:.0f} mm/s"
    return _told(f"belt {belt.name}", what, value, stated, rests_on, "string_length")


def _pack(deck: Deck, part: RoundPart, turn: Uncertain, speed: Uncertain, tape: str) -> Estimate:
    value = speed / turn * (1 / (2 * math.pi))
    made = _told(part.name, "radius of the tape on it", value, None, "the tape's speed", "")
    name = tape or deck.tape
    if not name:
        return made
    cassette = tape_named(name)
    wound = math.pi * (value.value**2 - cassette.hub.value**2) / cassette.thickness.value
    share = wound / cassette.length.value
    if not -0.1 <= share <= 1.1:
        raise BadDeck(
            f"{part.name}: a pack of {value.value:.1f} mm radius is not possible with a "
            f"{cassette.name}: the line belongs to something else, or to another tape"
        )
    share = min(max(share, 0.0), 1.0)
    position = 1 - share if part.kind == "supply spool" else share
    text = (
        f"{made.sentence[:-1]}: with a {cassette.name}, {100 * share:.0f} % of the tape, so the side "
        f"has run to {100 * position:.0f} %."
    )
    return replace(made, sentence=text)
