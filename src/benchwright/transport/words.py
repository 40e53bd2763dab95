"""What a line means, as a sentence for the person at the bench."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from .deck import Deck

if TYPE_CHECKING:
    from .assign import Cause, Line, Match

TOLD_FROM = 0.05
"""Possibilities below this are not told."""
SURE, LIKELY = 0.80, 0.50
SCRAPE_HERTZ = 100.0
"""Scrape flutter starts at about 100 Hz (glossary of the audio trade)."""


def tell_line(
    deck: Deck, line: Line, matches: Sequence[Match], none_of_these: float
) -> tuple[str, tuple[str, ...]]:
    """The sentence for a line, and the cautions that what it proposes needs."""
    size = f" of {line.percent:.2g} %" if line.percent is not None else ""
    head = f"{line.hertz:.4g} Hz line{size}: "
    if not matches or none_of_these >= max(matches[0].probability, LIKELY):
        return head + _nothing(line, matches, none_of_these), ()
    best = matches[0]
    if best.probability >= SURE:
        return head + _full(deck, line, best), _cautions(best)
    if best.probability >= LIKELY:
        text = f"most likely ({percent(best.probability)}) {_full(deck, line, best)}"
        return head + text + _others(matches[1:], none_of_these), _cautions(best)
    shown = [match for match in matches if match.probability >= TOLD_FROM][:4]
    listed = "; ".join(f"{match.where} ({percent(match.probability)})" for match in shown)
    text = f"cannot be told apart yet: {listed}"
    if none_of_these >= TOLD_FROM:
        text += f"; none of these ({percent(none_of_these)})"
    cautions = tuple(dict.fromkeys(key for match in shown for key in _cautions(match)))
    return f"{head}{text}. {_how_to_part(shown)}", cautions


def percent(probability: float) -> str:
    """A probability in whole percent, never told as certain."""
    if probability > 0.99:
        return "over 99 %"
    return f"{100 * probability:.0f} %" if probability >= 0.01 else "under 1 %"


def _full(deck: Deck, line: Line, match: Match) -> str:
    cause = match.causes[0]
    text = f"{match.where}{_shared(match, cause)}: {cause.wear.says}"
    text += _off_centre(deck, line, match, cause)
    rival = next((other for other in match.causes[1:] if other.probability > 0.25 * cause.probability), None)
    text += f"; {cause.wear.cure}"
    if rival is not None:
        who = "it" if rival.part == cause.part else f"the {rival.part.removeprefix('belt ')}"
        says = rival.wear.says if who == "it" else f"{who}: {rival.wear.says}"
        text += f". Or {says}: {rival.wear.cure}" if who == "it" else f". Or {says}; {rival.wear.cure}"
    if cause.wear.again:
        text += f". To be sure: {cause.wear.again}"
    if match.moves and match.position is not None:
        text += f". The tape would have stood at {_place(match.position)}"
    return text + "."


def _place(position: float) -> str:
    if position < 0.15:
        return "the start of the side"
    if position > 0.85:
        return "the end of the side"
    return f"about {100 * position:.0f} % of the side"


def _shared(match: Match, cause: Cause) -> str:
    others = [part for part in match.parts if part != cause.part]
    if not others:
        return ""
    verb = "turns" if len(others) == 1 else "turn"
    return f" ({' and '.join(others)} {verb} with it)"


def _off_centre(deck: Deck, line: Line, match: Match, cause: Cause) -> str:
    """How far off centre a capstan runs: the speed error is that over its radius."""
    if cause.kind != "capstan" or match.times != 1 or line.percent is None or cause.wear.name == "dirt":
        return ""
    diameter = deck.parts[cause.part].diameter
    if diameter is None:
        return ""
    return f" ({line.percent:.2g} % is an axis {1000 * line.percent / 100 * diameter / 2:.2g} µm off centre)"


def _others(matches: Sequence[Match], none_of_these: float) -> str:
    rest = [
        f"{match.where} ({percent(match.probability)})" for match in matches if match.probability >= TOLD_FROM
    ][:3]
    if none_of_these >= TOLD_FROM:
        rest.append(f"none of these ({percent(none_of_these)})")
    return f" Otherwise: {'; '.join(rest)}." if rest else ""


def _how_to_part(matches: Sequence[Match]) -> str:
    moving = {match.moves for match in matches}
    if moving == {True, False}:
        return "Record again near the other end of the tape: what comes from a spool moves, the rest stays."
    if moving == {True}:
        return (
            "Say where on the tape it was recorded, or record again at the start of a side: there the "
            "take-up spool turns fastest and the supply spool slowest."
        )
    return (
        "Measure the speed and the diameters of these parts more closely, or record for longer: the "
        "lines part."
    )


def _nothing(line: Line, matches: Sequence[Match], none_of_these: float) -> str:
    text = f"fits no part of this deck ({percent(none_of_these)})"
    if matches and matches[0].probability >= 0.02:
        near = matches[0]
        text += f"; nearest is {near.where} at {near.hertz.told('Hz')} ({percent(near.probability)})"
    if line.hertz >= SCRAPE_HERTZ:
        return (
            f"{text}. From about 100 Hz up it may be scrape flutter, tape rubbing on fixed parts: clean "
            "heads and guides, and try another cassette."
        )
    return (
        f"{text}. It may lie on the tape itself, from the machine that recorded it, or come from a part "
        "that the deck file does not have: play another tape, and see whether it stays."
    )


def _cautions(match: Match) -> tuple[str, ...]:
    return tuple(
        dict.fromkeys(
            key
            for cause in match.causes
            if cause.probability >= 0.2 * match.causes[0].probability
            for key in cause.wear.cautions
        )
    )
