"""How often every part of a deck turns, from its dimensions.

The capstan's diameter and the tape speed fix the capstan; belts, rims and gears lead on from there;
rollers and spools follow the tape. A belt of thickness t runs over a pulley of diameter d as over one of
diameter d + t.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from .deck import Belt, Deck, RoundPart, part_kinds
from .errors import BadDeck, ImpossiblePath
from .spools import Tape, packs, spool_frequency, tape_named
from .tables import table
from .uncertain import Uncertain

USUAL_TAPE = "C60"
"""What is taken for the spools where nobody says which cassette it is; C60 and C90 differ by 1 %."""


@dataclass(frozen=True, slots=True)
class Turn:
    """How often one part or belt turns.

    Attributes
    ----------
    name : str
        A part's name, or ``belt`` and a belt's.
    kind : str
        The part's kind, or ``belt``.
    hertz : Uncertain
        Turns a second at one place of the tape.
    by : str
        How it follows from the rest, in words.
    moves : bool
        It changes while the tape runs.
    start, end : float
        At the start and the end of a side, hertz; the same unless it moves.
    """

    name: str
    kind: str
    hertz: Uncertain
    by: str
    moves: bool
    start: float
    end: float

    @property
    def per_minute(self) -> float:
        return self.hertz.value * 60


@dataclass(frozen=True, slots=True)
class Turning:
    """All that turns in a deck.

    Attributes
    ----------
    turns : tuple of Turn
        Parts in the deck's order, then belts.
    unknown : tuple of str
        A sentence for each part whose rotation cannot be worked out.
    remarks : tuple of str
        What looks wrong: numbers that contradict each other or are far from usual.
    """

    turns: tuple[Turn, ...]
    unknown: tuple[str, ...]
    remarks: tuple[str, ...]

    def of(self, name: str) -> Turn | None:
        """The turn of that name, or None."""
        return next((turn for turn in self.turns if turn.name == name), None)


@dataclass(frozen=True, slots=True)
class Pulse:
    """A line that comes several times a turn by how a part is built.

    Attributes
    ----------
    name : str
        The part.
    what : str
        Such as ``once per segment of its commutator``.
    hertz : Uncertain
    """

    name: str
    what: str
    hertz: Uncertain


MAINS_SIGMA = 0.1
"""Standard deviation of twice the mains frequency, hertz (from memory)."""


def pulses(deck: Deck, found: Turning) -> tuple[Pulse, ...]:
    """Lines of commutators, magnet poles, teeth, and motors on the mains."""
    made = []
    for turn in found.turns:
        part = deck.parts.get(turn.name)
        if part is None:
            continue
        for count, what in (
            (part.segments, "once per segment of its commutator"),
            (2 * part.segments if part.segments % 2 else 0, "twice per segment (an odd number of them)"),
            (part.poles, "once per pole"),
            (part.teeth, "once per tooth"),
        ):
            if count:
                made.append(Pulse(turn.name, what, turn.hertz * float(count)))
        if part.mains:
            twice = Uncertain.of(2 * part.mains, MAINS_SIGMA, "mains")
            made.append(Pulse(turn.name, "twice the mains frequency", twice))
    return tuple(made)


def tape_speed(deck: Deck, ratio: float = 1.0, sigma: float | None = None) -> Uncertain:
    """Speed of the tape, millimetres a second.

    Parameters
    ----------
    deck : Deck
    ratio : float
        Measured speed over nominal speed.
    sigma : float, optional
        Relative standard deviation of that ratio; None if the speed was not measured.

    Raises
    ------
    BadDeck
        A ratio outside 0.5 to 2.
    """
    if not 0.5 <= ratio <= 2:
        raise BadDeck(f"a speed ratio of {ratio:g}: expected measured over nominal speed, 0.5 to 2")
    speed = deck.tape_speed * ratio
    return Uncertain.of(speed, speed * (deck.speed_sigma if sigma is None else sigma), "tape speed")


def turning(
    deck: Deck,
    *,
    speed_ratio: float = 1.0,
    speed_sigma: float | None = None,
    tape: str | Tape = "",
    position: float | None = None,
) -> Turning:
    """Rotation frequencies of all parts and belts.

    Parameters
    ----------
    deck : Deck
    speed_ratio : float
        Measured over nominal speed.
    speed_sigma : float, optional
        Its relative standard deviation; None if the speed was not measured.
    tape : str or Tape
        The cassette; the deck's own, or a C60, if not given.
    position : float, optional
        Where on the tape, 0 to 1; None for the middle.

    Raises
    ------
    BadDeck
        No capstan, or parts that cannot work together.
    UnknownPart
        No such cassette.
    """
    cassette = tape if isinstance(tape, Tape) else tape_named(tape or deck.tape or USUAL_TAPE)
    speed = tape_speed(deck, speed_ratio, speed_sigma)
    here = follow(deck, speed, cassette, 0.5 if position is None else position)
    ends = [follow(deck, speed, cassette, end) for end in (0.0, 1.0)]
    turns = []
    for name, (hertz, by) in here.parts.items():
        kind = deck.parts[name].kind
        start, end = (known.parts[name][0].value for known in ends)
        turns.append(Turn(name, kind, hertz, by, abs(start / end - 1) > 1e-9, start, end))
    for name, (hertz, by) in here.belts.items():
        start, end = (known.belts[name][0].value for known in ends)
        moves = abs(start / end - 1) > 1e-9
        turns.append(Turn(f"belt {name}", "belt", hertz, by, moves, start, end))
    return Turning(tuple(turns), tuple(here.unknown), (*here.remarks, *_unusual(turns)))


def _unusual(turns: list[Turn]) -> list[str]:
    said = []
    for turn in turns:
        if turn.kind == "belt":
            continue
        low, high = part_kinds()[turn.kind]["turns"]
        if not low <= turn.hertz.value <= high:
            said.append(
                f"{turn.name} would turn at {turn.hertz.value:.3g} Hz ({turn.per_minute:.0f} a minute); a "
                f"{turn.kind} usually turns at {low:g} to {high:g} Hz: check the diameters on the way to it"
            )
    return said


@dataclass(slots=True)
class Known:
    """What has been worked out so far: name to hertz and how it follows."""

    parts: dict[str, tuple[Uncertain, str]]
    belts: dict[str, tuple[Uncertain, str]]
    surface: dict[str, Uncertain]
    unknown: list[str]
    remarks: list[str]


def follow(
    deck: Deck, speed: Uncertain, cassette: Tape, position: float, position_sigma: float = 0.0
) -> Known:
    """Rotation of all parts at one place of the tape.

    Parameters
    ----------
    deck : Deck
    speed : Uncertain
        Of the tape, millimetres a second.
    cassette : Tape
    position : float
        0 to 1.
    position_sigma : float
        Its standard deviation.

    Returns
    -------
    Known
        `surface` is the speed of each belt's middle, millimetres a second.
    """
    known = Known({}, {}, {}, [], [])
    capstans = [name for name, part in deck.parts.items() if part.tape == "drives"]
    if not capstans:
        raise BadDeck(
            'the deck has no capstan: give one part kind = "capstan" with its diameter where the tape runs'
        )
    spools = {
        other for name, part in deck.parts.items() if part.tape == "pack" for other in deck.on_shaft(name)
    }
    both = packs(cassette, position, position_sigma)
    if deck.parts[capstans[0]].diameter is not None:
        _settle(deck, known, capstans[0], _rolling(deck.parts[capstans[0]], speed), "the tape's speed")
        _spread(deck, known, spools)
    for name, part in deck.parts.items():
        if part.tape in ("drives", "rolls") and name not in known.parts and part.diameter is not None:
            _settle(deck, known, name, _rolling(part, speed), "runs on the tape")
            _spread(deck, known, spools)
    for name, part in deck.parts.items():
        if part.tape == "pack" and name not in known.parts:
            radius = both.supply if part.kind == "supply spool" else both.take_up
            _settle(deck, known, name, spool_frequency(radius, speed), "the tape on it")
    _spread(deck, known, set())
    for name, part in deck.parts.items():
        if name not in known.parts:
            known.unknown.append(_why_unknown(deck, name, part))
    for name, belt in deck.belts.items():
        if name in known.surface:
            _belt_turn(deck, known, belt)
    known.parts = {name: known.parts[name] for name in deck.parts if name in known.parts}
    return known


def _rolling(part: RoundPart, speed: Uncertain) -> Uncertain:
    return speed / part.working_diameter() * (1 / math.pi)


def _settle(deck: Deck, known: Known, name: str, hertz: Uncertain, by: str) -> None:
    """Note a part's rotation, and that of all parts on its shaft."""
    for other in deck.on_shaft(name):
        if other not in known.parts:
            known.parts[other] = (hertz, by if other == name else f"turns with {name}")


def pitch(part: RoundPart, belt: Belt) -> Uncertain:
    """Diameter at which a belt's middle runs over a part, millimetres."""
    return part.working_diameter() + belt.thick


def _creep(name: str) -> Uncertain:
    return Uncertain.of(1.0, table("limits.toml")["slip"]["percent"] / 100, f"slip at {name}")


def _spread(deck: Deck, known: Known, closed: set[str]) -> None:
    """Lead the rotations known so far on over belts, rims and gears; not to the parts in `closed`."""
    more = True
    while more:
        more = False
        for name, belt in deck.belts.items():
            more |= _over_belt(deck, known, name, belt, closed)
        for name, part in deck.parts.items():
            for other, ratio, by in _contacts(deck, name, part):
                more |= _lead(deck, known, name, other, ratio, by, closed)


def _over_belt(deck: Deck, known: Known, name: str, belt: Belt, closed: set[str]) -> bool:
    members = [over.part for over in belt.over if deck.parts[over.part].diameter is not None]
    driving = next((m for m in members if m in known.parts and m not in closed), None)
    if driving is None:
        return False
    middle = pitch(deck.parts[driving], belt)
    more = name not in known.surface
    known.surface[name] = known.parts[driving][0] * middle * math.pi
    for other in members:
        if other != driving:
            ratio = middle / pitch(deck.parts[other], belt) * _creep(f"belt {name}")
            more |= _lead(deck, known, driving, other, ratio, f"belt {name}", closed)
    return more


def _contacts(deck: Deck, name: str, part: RoundPart) -> list[tuple[str, Uncertain, str]]:
    """The parts one runs against or meshes with, and the ratio of their turns to its own."""
    found: list[tuple[str, Uncertain, str]] = []
    if part.runs_against:
        other = deck.parts[part.runs_against]
        if part.diameter is not None and other.diameter is not None:
            ratio = part.working_diameter() / other.working_diameter() * _creep(f"{name} on {other.name}")
            found.append((other.name, ratio, "rim"))
    if part.meshes_with:
        other = deck.parts[part.meshes_with]
        found.append((other.name, Uncertain(part.teeth / other.teeth), "gear"))
    return found


def _lead(
    deck: Deck, known: Known, one: str, other: str, ratio: Uncertain, by: str, closed: set[str]
) -> bool:
    """Carry a rotation from one part to the other, whichever is known; True if that was new."""
    if one in closed or other in closed:
        return False
    if one in known.parts and other not in known.parts:
        _settle(deck, known, other, known.parts[one][0] * ratio, f"{by} from {one}")
        return True
    if other in known.parts and one not in known.parts:
        _settle(deck, known, one, known.parts[other][0] / ratio, f"{by} from {other}")
        return True
    if one in known.parts and other in known.parts:
        _agree(deck, known, one, other, ratio, by)
    return False


def _agree(deck: Deck, known: Known, one: str, other: str, ratio: Uncertain, by: str) -> None:
    """Remark on two ways to a rotation that contradict each other."""
    if deck.parts[other].tape == "rolls" or deck.parts[one].tape == "rolls":
        return
    expected, stated = known.parts[one][0] * ratio, known.parts[other][0]
    apart = expected - stated
    if abs(apart.value) > 3 * apart.sigma + 0.02 * stated.value:
        text = (
            f"{other} turns at {stated.value:.3g} Hz ({known.parts[other][1]}), but {by} from {one} it would "
            f"turn at {expected.value:.3g} Hz: one of the two slips (then make it a part of its own, "
            "such as a clutch), or a diameter is wrong"
        )
        if text not in known.remarks:
            known.remarks.append(text)


def _why_unknown(deck: Deck, name: str, part: RoundPart) -> str:
    if part.diameter is None and not part.turns_with:
        return f"{name}: its diameter is not known; a line that is surely its own gives it (estimate)"
    return f"{name}: nothing that turns is known to drive it (turns_with, runs_against, a belt)"


def string_path(belt: Belt) -> Uncertain | None:
    """A belt's path as somebody measured it with a string, millimetres; None if nobody did."""
    if belt.string_length is None:
        return None
    sigma = belt.string_sigma
    if sigma is None:
        sigma = table("limits.toml")["measuring"]["string_millimetre"]
    return Uncertain.of(belt.string_length, sigma, f"length of belt {belt.name}")


def installed_length(deck: Deck, belt: Belt) -> tuple[Uncertain, str] | None:
    """Length of a belt's middle as it runs, millimetres, and where it comes from; None if not known."""
    source = f"length of belt {belt.name}"
    string = string_path(belt)
    if string is not None:
        return string + belt.thick * math.pi, "path measured with a string"
    try:
        path = deck.path(belt)
    except (BadDeck, ImpossiblePath):
        path = None
    if path is not None:
        return Uncertain.of(path.length, path.length_sigma, source), "path worked out"
    if belt.inside_circumference is not None:
        least, best, most = belt.stuff.stretch
        grown = belt.inside_circumference * (1 + best / 100)
        spread = belt.inside_circumference * (most - least) / 400
        string = Uncertain.of(grown, spread, source)
        return string + belt.thick * math.pi, f"its size and the usual {best:g} % of stretch"
    return None


def _belt_turn(deck: Deck, known: Known, belt: Belt) -> None:
    found = installed_length(deck, belt)
    try:
        deck.path(belt)
    except ImpossiblePath as problem:
        known.remarks.append(f"belt {belt.name}: {problem}")
    except BadDeck:
        pass  # a belt without places is no contradiction
    if found is None:
        known.unknown.append(
            f"belt {belt.name}: its length is not known: give the places of its parts (at), "
            "string_length, or inside_circumference"
        )
        return
    length, how = found
    known.belts[belt.name] = (
        known.surface[belt.name] / length,
        f"speed {known.surface[belt.name].value:.0f} mm/s over {length.value:.1f} mm ({how})",
    )
