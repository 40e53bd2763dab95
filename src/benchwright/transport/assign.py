"""From measured flutter lines to the parts they come from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from .association import Expected, Measured, associate
from .deck import Deck
from .errors import BadDeck
from .rotation import MAINS_SIGMA, Known, follow, tape_speed
from .spools import Tape, tape_named
from .uncertain import Uncertain
from .wear import Wear, multiple, normal_density, often, wear_of
from .words import tell_line

LINE_SIGMA = 0.02
"""Standard deviation of a line's frequency where none is given, hertz: half a minute of recording
resolves 0.03 Hz (by hand: 1/T)."""
STRAYS = 0.06
"""Lines from nowhere per unit of log frequency: one in two recordings has one between 0.1 and 300 Hz (own
estimate)."""
STRAY_PERCENT, STRAY_SPREAD = 0.06, 1.2
"""Median size of such a line and the standard deviation of its logarithm (own estimate)."""
PLACES = 17
"""Places along the tape that are tried where nobody says where it stood."""
PULSES: dict[int | str, str] = {
    "segments": "once per segment of its commutator",
    "twice segments": "twice per segment of its commutator",
    "poles": "once per pole",
    "teeth": "once per tooth",
}
USUAL_TAPES = ("C15", "C60", "C90")
"""Cassettes that are tried where nobody says which it was."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a flutter spectrum.

    Attributes
    ----------
    hertz : float
    percent : float or None
        Peak size, unweighted, percent of the speed; None if not known.
    sigma : float
        Standard deviation of the frequency, hertz.
    """

    hertz: float
    percent: float | None = None
    sigma: float = LINE_SIGMA


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that would make the line.

    Attributes
    ----------
    part, kind : str
        The part's name (``belt main`` for a belt) and its kind.
    wear : Wear
    probability : float
        Of all that the line could be.
    """

    part: str
    kind: str
    wear: Wear
    probability: float


@dataclass(frozen=True, slots=True)
class Match:
    """What a line could be.

    Attributes
    ----------
    parts : tuple of str
        Parts that turn as one and so share the line.
    times : int
        Lines per turn; 0 for one that does not come from turning (mains).
    hertz : Uncertain
        Where the line is expected, before the measured lines are looked at.
    moves : bool
        It moves while the tape runs.
    position : float or None
        For a line that moves and a tape position that was not given: where the tape would have stood, 0 to 1.
    probability : float
    causes : tuple of Cause
        Likeliest first.
    """

    parts: tuple[str, ...]
    times: int
    hertz: Uncertain
    moves: bool
    position: float | None
    probability: float
    causes: tuple[Cause, ...]

    @property
    def where(self) -> str:
        """``once per turn of the pinch roller``."""
        named = _the(self.causes[0].part, self.causes[0].kind)
        if self.times == 0:
            return f"twice the mains frequency, from {named}"
        if self.causes[0].wear.times in PULSES:
            return f"{self.times} times per turn of {named}, {PULSES[self.causes[0].wear.times]}"
        return f"{often(self.times)} per turn of {named}"


@dataclass(frozen=True, slots=True)
class Assignment:
    """What one measured line is.

    Attributes
    ----------
    line : Line
    matches : tuple of Match
        Likeliest first.
    none_of_these : float
        Probability that it comes from no part of the deck.
    sentence : str
        For the person at the bench.
    cautions : tuple of str
        Keys of the cautions that what is proposed needs.
    """

    line: Line
    matches: tuple[Match, ...]
    none_of_these: float
    sentence: str
    cautions: tuple[str, ...]

    @property
    def best(self) -> Match | None:
        """The likeliest match; None if none of these is likelier."""
        if self.matches and self.matches[0].probability > self.none_of_these:
            return self.matches[0]
        return None


@dataclass(slots=True)
class ExpectedLine:
    """A line that a deck may show.

    Attributes
    ----------
    parts : tuple of str
        What turns as one and so shares the line.
    times : int
        Lines per turn; 0 for one that does not come from turning (mains).
    hertz : Uncertain
    causes : list of (str, str, Wear)
        Name and kind of a part, and what on it would make the line.
    """

    parts: tuple[str, ...]
    times: int
    hertz: Uncertain
    causes: list[tuple[str, str, Wear]] = field(default_factory=list)

    @property
    def chance(self) -> float:
        absent = 1.0
        for _, _, wear in self.causes:
            absent *= 1 - wear.chance
        return 1 - absent

    def shares(self, percent: float | None) -> list[float]:
        """Chance of each cause times the density of the line's size under it."""
        return [
            wear.chance * (1.0 if percent is None else wear.size_density(percent))
            for _, _, wear in self.causes
        ]


def assign_lines(
    deck: Deck,
    lines: Sequence[Line],
    speed_ratio: float = 1.0,
    *,
    speed_sigma: float | None = None,
    tape: str = "",
    position: float | None = None,
    position_sigma: float = 0.02,
) -> list[Assignment]:
    """Say which part each line of a flutter spectrum comes from, and what is worn there.

    Parameters
    ----------
    deck : Deck
    lines : sequence of Line
        All lines of one recording: each helps to place the others.
    speed_ratio : float
        Measured speed over nominal speed.
    speed_sigma : float, optional
        Its relative standard deviation; None if the speed was not measured (the deck's own then counts).
    tape : str
        The cassette; the deck's own if not given, several if that has none either.
    position : float, optional
        Where on the tape the recording was made, 0 (start of the side) to 1; None if not known.
    position_sigma : float
        Standard deviation of a given position.

    Returns
    -------
    list of Assignment
        In the order of `lines`.

    Raises
    ------
    BadDeck
        Lines, speed or position that cannot be used, or a deck without a capstan.
    """
    for line in lines:
        _usable(line)
    if not lines:
        return []
    speed = tape_speed(deck, speed_ratio, speed_sigma)
    cells = _cells(deck, tape, position, position_sigma)
    made = [
        expected_lines(deck, follow(deck, speed, cassette, place, sigma)) for cassette, place, sigma in cells
    ]
    results = [_cell(found, lines) for found in made]
    evidence = np.array([log for _, log in results])
    share = np.exp(evidence - evidence.max())
    share /= share.sum()
    posterior = np.tensordot(share, np.array([table for table, _ in results]), axes=1)
    places = np.array([place for _, place, _ in cells])
    weights = np.array([table for table, _ in results]) * share[:, None, None]
    moving = _moving(made)
    given = []
    for number, line in enumerate(lines):
        matches = []
        for c, candidate in enumerate(made[0]):
            probability = float(posterior[number, c])
            if probability < 1e-4:
                continue
            by_cell = weights[:, number, c] / probability
            likeliest = int(np.argmax(by_cell))
            where = float(by_cell @ places) if moving[c] and position is None else None
            shares = candidate.shares(line.percent)
            total = sum(shares) or 1.0
            causes = tuple(
                Cause(part, kind, wear, probability * one / total)
                for one, (part, kind, wear) in sorted(
                    zip(shares, candidate.causes, strict=True), key=lambda pair: -pair[0]
                )
            )
            hertz = made[likeliest][c].hertz
            matches.append(
                Match(candidate.parts, candidate.times, hertz, moving[c], where, probability, causes)
            )
        matches.sort(key=lambda match: -match.probability)
        sentence, cautions = tell_line(deck, line, matches, float(posterior[number, -1]))
        given.append(Assignment(line, tuple(matches), float(posterior[number, -1]), sentence, cautions))
    return given


def _usable(line: Line) -> None:
    if not (math.isfinite(line.hertz) and 0 < line.hertz < 1e5):
        raise BadDeck(f"a line at {line.hertz:g} Hz: expected a frequency above 0")
    if line.percent is not None and not (math.isfinite(line.percent) and 0 < line.percent <= 100):
        raise BadDeck(f"a line of {line.percent:g} %: expected a size above 0 and up to 100 %")
    if not (math.isfinite(line.sigma) and 0 < line.sigma < line.hertz):
        raise BadDeck(
            f"a line at {line.hertz:g} Hz with a standard deviation of {line.sigma:g} Hz: expected more "
            "than 0 and less than the frequency itself"
        )


def _cells(
    deck: Deck, tape: str, position: float | None, position_sigma: float
) -> list[tuple[Tape, float, float]]:
    """Cassettes and places of the tape to try, each as likely as the others."""
    name = tape or deck.tape
    cassettes = [tape_named(name)] if name else [tape_named(usual) for usual in USUAL_TAPES]
    if position is not None:
        return [(cassette, position, position_sigma) for cassette in cassettes]
    if not any(part.tape == "pack" for part in deck.parts.values()):
        return [(cassettes[0], 0.5, 0.0)]
    # each place stands for a stretch of the tape, whose width is one more uncertainty
    step = 1 / PLACES
    return [
        (cassette, (number + 0.5) * step, step / math.sqrt(12))
        for cassette in cassettes
        for number in range(PLACES)
    ]


def expected_lines(deck: Deck, known: Known) -> list[ExpectedLine]:
    """All lines a deck may show, each with what would make it; in the same order for every tape position."""
    found: dict[tuple[str, int | str], ExpectedLine] = {}
    for name, (hertz, _) in known.parts.items():
        part = deck.parts[name]
        shaft = deck.shaft_of(name)
        together = tuple(other for other in deck.on_shaft(name) if other in known.parts)
        for wear in wear_of(part.kind):
            if wear.times == "mains":
                if part.mains:
                    line = ExpectedLine((name,), 0, Uncertain.of(2 * part.mains, MAINS_SIGMA, "mains"))
                    found.setdefault((name, "mains"), line).causes.append((name, part.kind, wear))
                continue
            times = multiple(wear.times, part)
            if times:
                line = ExpectedLine(together, times, hertz * float(times))
                found.setdefault((shaft, times), line).causes.append((name, part.kind, wear))
    for name, (hertz, _) in known.belts.items():
        for wear in wear_of("belt"):
            times = multiple(wear.times, None)
            line = ExpectedLine((f"belt {name}",), times, hertz * float(times))
            found.setdefault((f"belt {name}", times), line).causes.append((f"belt {name}", "belt", wear))
    return list(found.values())


def _moving(made: list[list[ExpectedLine]]) -> list[bool]:
    """Whether an expected line moves from one cell to another, or would along the tape."""
    return [
        any(
            "tape position" in cell[c].hertz.shares
            or abs(cell[c].hertz.value / made[0][c].hertz.value - 1) > 1e-9
            for cell in made
        )
        for c in range(len(made[0]))
    ]


def _cell(candidates: list[ExpectedLine], lines: Sequence[Line]) -> tuple[np.ndarray, float]:
    sources = sorted({source for one in candidates for source in one.hertz.shares})
    index = {source: number for number, source in enumerate(sources)}
    loading = np.zeros((len(candidates), max(1, len(sources))))
    firsts = {(one.parts, one.times): number for number, one in enumerate(candidates)}
    for number, one in enumerate(candidates):
        for source, relative in one.hertz.relative.items():
            loading[number, index[source]] = relative
    expected = Expected(
        np.log([one.hertz.value for one in candidates]),
        loading,
        np.array([one.chance for one in candidates]),
        np.array(
            [firsts.get((one.parts, 1), -1) if one.times > 1 else -1 for one in candidates], dtype=np.intp
        ),
    )
    sizes = np.ones((len(lines), len(candidates)))
    strays = np.full(len(lines), STRAYS)
    for row, line in enumerate(lines):
        if line.percent is not None:
            for column, one in enumerate(candidates):
                chances = sum(wear.chance for _, _, wear in one.causes)
                sizes[row, column] = sum(one.shares(line.percent)) / chances
            strays[row] *= normal_density(math.log(line.percent / STRAY_PERCENT), STRAY_SPREAD)
    measured = Measured(
        np.log([line.hertz for line in lines]),
        np.array([line.sigma / line.hertz for line in lines]),
        sizes,
        strays,
    )
    return associate(expected, measured)


def _the(part: str, kind: str) -> str:
    return f"the {part}" if kind != "belt" else f"the {part.removeprefix('belt ')} belt"
