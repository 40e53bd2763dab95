"""Flutter lines find their parts, with probabilities that mean what they say."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright import caution
from benchwright.transport import BadDeck, Belt, Deck, Line, Over, RoundPart, assign_lines, tape_named
from benchwright.transport.assign import STRAY_PERCENT, STRAY_SPREAD, STRAYS, expected_lines
from benchwright.transport.association import LOWERED, RAISED, Expected, Measured, associate
from benchwright.transport.deck import part_kinds
from benchwright.transport.rotation import follow, tape_speed
from benchwright.transport.wear import all_wear, multiple

DECK = Deck(
    "bench",
    tape="C60",
    parts={
        part.name: part
        for part in (
            RoundPart("capstan", "capstan", 2.0, 0.005),
            RoundPart("flywheel", "flywheel", 60.0, 0.05, turns_with="capstan"),
            RoundPart("motor", "motor", 8.0, 0.03, segments=5),
            RoundPart("pinch roller", "pinch roller", 11.7, 0.1),
            RoundPart("drive", "pulley", 7.0, 0.03, turns_with="capstan"),
            RoundPart("wheel", "idler", 22.0, 0.1, runs_against="drive"),
            RoundPart("supply spool", "supply spool", 22.0),
            RoundPart("take-up spool", "take-up spool", 22.0),
        )
    },
    belts={"main": Belt("main", (Over("motor"), Over("flywheel")), thickness=1.0, string_length=320)},
)


def _one(line: Line, **options):
    (found,) = assign_lines(DECK, [line], **options)
    return found


def test_a_flat_pinch_roller_is_named_with_its_cure():
    """1.3 Hz of 0.4 %: once per turn of the pinch roller (11.7 mm), a flat spot, replace it."""
    found = _one(Line(1.30, 0.4), speed_sigma=0.003)
    assert found.sentence.startswith(
        "1.3 Hz line of 0.4 %: once per turn of the pinch roller: it has a flat spot; replace it"
    )
    assert found.best is not None
    assert found.best.parts == ("pinch roller",)
    assert found.best.probability > 0.95
    assert found.best.causes[0].wear.name == "flat spot"


def test_parts_of_one_shaft_share_their_line():
    """Capstan, flywheel and drive pulley turn as one: the line names them all, each cause its part."""
    found = _one(Line(7.58, 0.1), speed_sigma=0.003)
    assert found.best is not None
    assert set(found.best.parts) == {"capstan", "flywheel", "drive"}
    assert {cause.part for cause in found.best.causes} == {"capstan", "flywheel", "drive"}
    assert sum(cause.probability for cause in found.best.causes) == pytest.approx(found.best.probability)


def test_probabilities_of_a_line_add_up_to_one():
    """What it is, or none of these."""
    for hertz in (0.5, 1.3, 4.5, 7.6, 30.0, 51.0, 257.0):
        found = _one(Line(hertz, 0.1))
        total = sum(match.probability for match in found.matches) + found.none_of_these
        assert total == pytest.approx(1, abs=2e-3)


def test_a_line_far_from_everything_fits_nothing():
    """30 Hz is no part's; 700 Hz is put down to scrape flutter."""
    found = _one(Line(30.0, 0.1), speed_sigma=0.002)
    assert found.best is None
    assert found.none_of_these > 0.95
    assert "fits no part" in found.sentence
    assert "scrape flutter" in _one(Line(700.0, 0.02)).sentence


def test_a_measured_speed_error_moves_every_expected_line():
    """At 5 % too fast the pinch roller's line lies at 1.36 Hz; taken at the right speed it fits worse."""
    hertz = 1.05 * 47.625 / (math.pi * 11.7)
    told = _one(Line(hertz, 0.4, 0.005), speed_ratio=1.05, speed_sigma=0.001)
    untold = _one(Line(hertz, 0.4, 0.005), speed_ratio=1.0, speed_sigma=0.001)
    assert told.none_of_these < 0.02 < untold.none_of_these


def test_one_line_helps_to_place_another():
    """A capstan line 3 % high says that the deck is fast, and so which of two candidates the next one is."""
    high = 1.03
    alone = _one(Line(51.374 * high, 0.05))
    helped = assign_lines(DECK, [Line(7.580 * high, 0.1, 0.005), Line(51.374 * high, 0.05)])[1]
    assert helped.none_of_these < alone.none_of_these


def test_a_spool_line_needs_its_place_on_the_tape():
    """0.65 Hz at the start of a side is the take-up spool, at its end the supply spool; unknown, either."""
    line = Line(0.65, 0.15, 0.01)
    start = _one(line, position=0.04, speed_sigma=0.002)
    end = _one(line, position=0.96, speed_sigma=0.002)
    unknown = _one(line, speed_sigma=0.002)
    assert start.best is not None
    assert end.best is not None
    assert start.best.parts == ("take-up spool",)
    assert end.best.parts == ("supply spool",)
    both = {match.parts[0]: match for match in unknown.matches if match.times == 1}
    assert both["take-up spool"].probability == pytest.approx(both["supply spool"].probability, abs=0.15)
    assert both["take-up spool"].position is not None
    assert both["take-up spool"].position < 0.2
    assert both["supply spool"].position is not None
    assert both["supply spool"].position > 0.8
    assert "start of a side" in unknown.sentence


def _once_a_spool(found) -> float:
    """Expected number of lines that come once per turn of a spool."""
    return sum(
        match.probability
        for one in found
        for match in one.matches
        if match.times == 1 and "spool" in match.parts[0]
    )


def test_two_spool_lines_must_agree_on_one_place():
    """Two lines that no place of the tape can give together are not both spools'."""
    radius = [math.sqrt(11**2 + 90_000 * 0.016 * share / math.pi) for share in (0.2, 0.8)]
    fast, slow = (47.625 / (2 * math.pi * r) for r in radius)
    good = assign_lines(DECK, [Line(slow, 0.12, 0.003), Line(fast, 0.12, 0.003)], speed_sigma=0.002)
    assert _once_a_spool(good) > 1.8
    bad = assign_lines(DECK, [Line(0.66, 0.12, 0.003), Line(0.60, 0.12, 0.003)], speed_sigma=0.002)
    assert _once_a_spool(bad) < 1.1


def test_a_multiple_is_likelier_beside_its_first():
    """9.1 Hz alone is doubtful; with the belt's 4.54 Hz beside it, it is the belt's second multiple."""
    alone = _one(Line(9.078, 0.08))
    beside = assign_lines(DECK, [Line(4.539, 0.2), Line(9.078, 0.08)])[1]

    def second(found) -> float:
        return sum(m.probability for m in found.matches if m.parts == ("belt main",) and m.times == 2)

    assert second(beside) > second(alone)
    assert second(beside) > 0.9


def test_mains_lines_do_not_follow_the_tape_speed():
    """A motor on 50 Hz mains pulses at 100 Hz, at whatever speed; its caution comes along."""
    fed = DECK.with_part(replace(DECK.parts["motor"], mains=50.0, segments=0))
    (found,) = assign_lines(fed, [Line(100.0, 0.05)], 0.95, speed_sigma=0.002)
    assert found.best is not None
    assert "twice the mains frequency" in found.sentence
    assert "mains" in found.cautions


@pytest.mark.parametrize(
    "line",
    [
        Line(0, 0.1),
        Line(-1, 0.1),
        Line(math.nan, 0.1),
        Line(1, 0),
        Line(1, 120),
        Line(1, 0.1, 0),
        Line(1, 0.1, 2),
    ],
)
def test_lines_that_cannot_be_are_refused(line):
    """Frequencies, sizes and uncertainties above 0, and the last below the first."""
    with pytest.raises(BadDeck):
        assign_lines(DECK, [line])


def test_no_lines_no_answers():
    """An empty spectrum has nothing to say."""
    assert assign_lines(DECK, []) == []


@given(st.lists(st.tuples(st.floats(0.05, 2000), st.none() | st.floats(0.001, 100)), min_size=1, max_size=5))
def test_any_lines_get_a_sentence(pairs):
    """Whatever was measured: one answer per line, in order, each with its sentence and known cautions."""
    lines = [Line(hertz, percent, 0.005 * hertz) for hertz, percent in pairs]
    found = assign_lines(DECK, lines, position=0.3)
    assert [one.line for one in found] == lines
    for one in found:
        assert one.sentence.endswith(".")
        assert all(caution.get(key) for key in one.cautions)
        probabilities = [match.probability for match in one.matches]
        assert probabilities == sorted(probabilities, reverse=True)


def test_every_kind_of_part_can_be_named_as_worn():
    """No kind of part is missing from the table of wear, and each row can show."""
    rows = all_wear()
    kinds = {kind for row in rows for kind in row.kinds}
    assert kinds == {*part_kinds(), "belt"}
    example = RoundPart("x", "motor", 8.0, segments=5, poles=2, teeth=20, mains=50.0)
    for row in rows:
        assert row.times == "mains" or multiple(row.times, example) > 0
        assert 0 < row.chance < 0.5


# -- the mathematics -----------------------------------------------------------------------------


def _by_hand(expected: Expected, measured: Measured) -> np.ndarray:
    """All assignments, each weighed by one joint normal density: no shortcuts."""
    lines, candidates = measured.size_density.shape
    table = np.zeros((lines, candidates + 1))
    for choice in itertools.product(range(candidates + 1), repeat=lines):
        real = [(line, c) for line, c in enumerate(choice) if c < candidates]
        taken = {c for _, c in real}
        if len(taken) < len(real):
            continue
        weight = 1.0
        for line, c in enumerate(choice):
            weight *= measured.stray_density[line] if c == candidates else measured.size_density[line, c]
        for c in range(candidates):
            chance = expected.chance[c]
            if expected.first[c] >= 0:
                chance *= RAISED if expected.first[c] in taken else LOWERED
            weight *= chance if c in taken else 1 - chance
        if real:
            rows = expected.loading[[c for _, c in real]]
            off = np.array([measured.log_hertz[line] - expected.log_hertz[c] for line, c in real])
            cov = rows @ rows.T + np.diag([measured.sigma[line] ** 2 for line, _ in real])
            weight *= math.exp(-0.5 * off @ np.linalg.solve(cov, off))
            weight /= math.sqrt(np.linalg.det(2 * np.pi * cov))
        for line, c in enumerate(choice):
            table[line, c] += weight
    return table / table.sum(axis=1, keepdims=True)


def test_association_agrees_with_weighing_every_assignment(rng):
    """Line by line with the best hypotheses kept gives what all assignments weighed at once give."""
    for _ in range(25):
        candidates, lines, errors = 5, 3, 3
        log_hertz = np.sort(rng.normal(0, 0.1, candidates))
        log_hertz[1] = log_hertz[0] + math.log(2)  # the second multiple of the first
        expected = Expected(
            log_hertz, rng.normal(0, 0.03, (candidates, errors)), rng.uniform(0.02, 0.14, candidates),
            np.array([-1, 0, -1, -1, -1]),
        )  # fmt: skip
        measured = Measured(
            np.append(rng.choice(log_hertz, lines - 1), log_hertz[1]) + rng.normal(0, 0.03, lines),
            rng.uniform(0.005, 0.03, lines),
            rng.uniform(0.1, 1, (lines, candidates)), rng.uniform(0.1, 2, lines),
        )  # fmt: skip
        made, _ = associate(expected, measured, keep=5000)
        exact = _by_hand(expected, measured)
        np.testing.assert_allclose(made, exact, atol=1e-6)


def _simulate(rng: np.random.Generator) -> tuple[list[Line], list[tuple[tuple[str, ...], int] | None]]:
    """A recording of a deck whose dimensions, wear and strays are drawn as the tables say."""
    speed = tape_speed(DECK, 1.0, 0.004)
    candidates = expected_lines(DECK, follow(DECK, speed, tape_named("C60"), 0.3, 0.02))
    sources = sorted({source for one in candidates for source in one.hertz.shares})
    errors = dict(zip(sources, rng.standard_normal(len(sources)), strict=True))
    lines, truth, there = [], [], set()
    for one in sorted(candidates, key=lambda one: one.times):
        chance = one.chance
        if one.times > 1 and any(other.parts == one.parts and other.times == 1 for other in candidates):
            chance = min(RAISED * chance, 0.6) if (one.parts, 1) in there else LOWERED * chance
        if rng.random() >= chance:
            continue
        there.add((one.parts, one.times))
        weights = np.array([wear.chance for _, _, wear in one.causes])
        wear = one.causes[rng.choice(len(weights), p=weights / weights.sum())][2]
        log = math.log(one.hertz.value) + sum(share * errors[s] for s, share in one.hertz.relative.items())
        hertz = math.exp(log)
        sigma = 0.004 * hertz
        percent = wear.percent * math.exp(wear.spread * rng.standard_normal())
        lines.append(Line(hertz * math.exp(0.004 * rng.standard_normal()), percent, sigma))
        truth.append((one.parts, one.times))
    for _ in range(rng.poisson(STRAYS * math.log(3000))):
        hertz = 0.1 * math.exp(rng.uniform(0, math.log(3000)))
        lines.append(
            Line(hertz, STRAY_PERCENT * math.exp(STRAY_SPREAD * rng.standard_normal()), 0.004 * hertz)
        )
        truth.append(None)
    return lines, truth


def test_probabilities_are_calibrated(rng):
    """Over many make-believe recordings, what is told with 70 % is true in 70 %: no bias, within chance."""
    expected = variance = right = 0.0
    count = 0
    for _ in range(150):
        lines, truth = _simulate(rng)
        for found, true in zip(
            assign_lines(DECK, lines, speed_sigma=0.004, position=0.3), truth, strict=True
        ):
            options = {(match.parts, match.times): match.probability for match in found.matches}
            options[None] = found.none_of_these
            best = max(options, key=lambda key: options[key])
            expected += options[best]
            variance += options[best] * (1 - options[best])
            right += best == true
            count += 1
    assert count > 200
    assert right / count > 0.85
    assert abs(right - expected) < 4 * math.sqrt(variance)
