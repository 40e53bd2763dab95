"""What a machine's decisions have in hand, against published figures and against machines that load tapes."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from benchwright.tape import Recording
from benchwright.tape.encoding import Encoding, encoding_named
from benchwright.tape.margin import (
    Margin,
    NoMargin,
    Timing,
    block_chance,
    gaussian_tail,
    margin_of,
    measure_margin,
)
from benchwright.tape.render import half_waves, render

Floats = NDArray[np.float64]


@pytest.mark.parametrize(
    ("z", "chance"),
    [(0, 0.5), (0.5, 0.30854), (1, 0.15866), (1.5, 0.06681), (2, 0.02275), (2.5, 0.00621), (3, 0.00135),
     (3.5, 0.00023)],
)  # fmt: skip
def test_the_tail_of_the_normal_distribution(z: float, chance: float) -> None:
    """T. S. Rappaport, Wireless Communications, table of Q(z), to its five places."""
    assert float(gaussian_tail(z)) == pytest.approx(chance, abs=5.1e-6)


@pytest.mark.parametrize(
    ("wrong", "count", "chance"),
    [
        (1e-3, 16, 0.83854), (1e-4, 256, 0.75456), (1e-5, 1024, 0.89347), (1e-5, 16384, 0.16493),
        (1e-6, 16384, 0.83508),
    ],
)  # fmt: skip
def test_from_bit_errors_to_the_chance_of_a_block(wrong: float, count: int, chance: float) -> None:
    """(1 - p)^n for 11 bits a byte, worked out by hand."""
    assert block_chance(wrong, 11 * count) == pytest.approx(chance, abs=5e-6)


# -- make-believe tapes, and machines that load them


class Tape:
    """Half-waves of one load, leader first, and where the bytes lie."""

    def __init__(self, encoding: Encoding, size: int, seed: int = 5) -> None:
        self.encoding, self.size = encoding, size
        data = np.random.default_rng(seed).integers(0, 256, size, dtype=np.uint8).tobytes()
        self.nominal, _ = half_waves(data, encoding)
        cycle = sum(encoding.leader) or 1.0
        self.leader = round(encoding.leader_seconds / cycle) * len(encoding.leader)
        self.true = np.concatenate(([0.0], np.cumsum(self.nominal)))

    def timing(self, edges: Floats, lost: NDArray[np.bool_] | None = None) -> Timing:
        """As it would be read."""
        return Timing(
            edges, np.concatenate(([math.nan], self.nominal)), np.array([[edges[self.leader], edges[-1]]]),
            np.zeros(len(edges), bool) if lost is None else lost, self.size,
        )  # fmt: skip


def loads(tape: Tape, edges: Floats, by: str, machine: str) -> bool:
    """A plain machine: thresholds half-way, at nominal speed or at that of the last second of leader."""
    data = tape.nominal[tape.leader :]
    lengths = np.diff(edges)
    scale = 1.0
    if machine == "leader":
        last = slice(tape.leader - 2000, tape.leader)
        scale = float(np.sum(lengths[last]) / np.sum(tape.nominal[last]))
    lengths = lengths[tape.leader :] / scale
    if by == "cycles":
        count = len(data) // 2 * 2
        lengths, data = lengths[:count].reshape(-1, 2).sum(axis=1), data[:count].reshape(-1, 2).sum(axis=1)
    zero, one = tape.encoding.zero[0], tape.encoding.one[0]
    threshold = (zero + one) / 2 * (2 if by == "cycles" else 1)
    wanted = np.isclose(data, max(zero, one) * (2 if by == "cycles" else 1))
    known = wanted | np.isclose(data, min(zero, one) * (2 if by == "cycles" else 1))
    return bool(np.all(((lengths > threshold) == wanted)[known]))


def normal(sigma: float) -> Callable[[Tape, np.random.Generator], Floats]:
    """Every edge off by chance."""
    return lambda tape, rng: tape.true + sigma * rng.standard_normal(len(tape.true))


def at_times_worse(sigma: float) -> Callable[[Tape, np.random.Generator], Floats]:
    """One edge in twenty is off twice as far as the others."""

    def play(tape: Tape, rng: np.random.Generator) -> Floats:
        size = np.where(rng.random(len(tape.true)) < 0.05, 2.0, 1.0)
        return tape.true + sigma * size * rng.standard_normal(len(tape.true))

    return play


def wandering(sigma: float, peak: float) -> Callable[[Tape, np.random.Generator], Floats]:
    """The speed swings to and fro in three seconds."""

    def play(tape: Tape, rng: np.random.Generator) -> Floats:
        omega, phase = 2 * math.pi / 3.0, rng.uniform(0, 2 * math.pi)
        wander = peak / omega * (np.cos(phase) - np.cos(omega * tape.true + phase))
        return tape.true + wander + sigma * rng.standard_normal(len(tape.true))

    return play


def uneven(sigma: float, seconds: float) -> Callable[[Tape, np.random.Generator], Floats]:
    """Every other edge is late."""

    def play(tape: Tape, rng: np.random.Generator) -> Floats:
        late = np.where(np.arange(len(tape.true)) % 2, seconds, 0.0)
        return tape.true + late + sigma * rng.standard_normal(len(tape.true))

    return play


def with_dropouts(sigma: float, a_second: float) -> Callable[[Tape, np.random.Generator], Floats]:
    """Now and then the edges of 6 ms are off tenfold."""

    def play(tape: Tape, rng: np.random.Generator) -> Floats:
        size = np.full(len(tape.true), sigma)
        for start in rng.uniform(0, tape.true[-1], rng.poisson(a_second * tape.true[-1])):
            first, last = np.searchsorted(tape.true, (start, start + 6e-3))
            size[first:last] *= 10
        return tape.true + size * rng.standard_normal(len(tape.true))

    return play


CASES = [
    ("cuts-1200", "cycles", "fixed", normal(34e-6)),
    ("cuts-1200", "cycles", "leader", at_times_worse(24e-6)),
    ("msx-1200", "cycles", "fixed", wandering(30e-6, 0.06)),
    ("pulse-width", "half-waves", "fixed", uneven(18e-6, 16e-6)),
    ("msx-1200", "half-waves", "leader", normal(17e-6)),
    ("pulse-width", "cycles", "leader", with_dropouts(20e-6, 0.06)),
]


@pytest.mark.parametrize(("name", "by", "machine", "play"), CASES)
def test_the_chance_of_a_load_is_that_of_machines_that_load(
    rng: np.random.Generator,
    name: str,
    by: Any,
    machine: Any,
    play: Callable[[Tape, np.random.Generator], Floats],
) -> None:
    """What one tape says about the next lies within a factor of two of how many of 120 others load."""
    tape, load = (
        Tape(encoding_named(name), 20_000 if name == "pulse-width" else 5000),
        Tape(encoding_named(name), 2048),
    )
    share = float(np.mean([loads(load, play(load, rng), by, machine) for _ in range(120)]))
    assert 0.2 < share < 0.95  # else the case asks nothing
    for _ in range(2):
        seen = margin_of(tape.timing(play(tape, rng)), tape.encoding, decision=by, machine=machine, size=2048)
        assert share / 2 < seen.load.value < min(1.0, 2 * share), (share, seen)
        assert seen.load.low <= share + 0.05
        assert seen.load.high >= share - 0.1
        assert seen.decision == by


def of(name: str, edges: Callable[[Tape], Floats], size: int = 1500, **options: Any) -> Margin:
    """Margin of one tape."""
    tape = Tape(encoding_named(name), size)
    return margin_of(tape.timing(edges(tape)), tape.encoding, **options)


def test_sigmas_in_hand_are_distance_over_jitter(rng: np.random.Generator) -> None:
    """A threshold 104.2 µs away and a jitter of 26 µs: 4 sigmas, one wrong decision in 31,600 (by hand)."""
    # Each half-wave has two edges, so its length is off by root two times what an edge is.
    seen = of("msx-1200", lambda tape: tape.true + 26e-6 / math.sqrt(2) * rng.standard_normal(len(tape.true)),
              size=6000, decision="half-waves", machine="fixed")  # fmt: skip
    (eye,) = seen.eyes
    assert eye.threshold == pytest.approx(312.5e-6)
    assert eye.sigma_shorter == pytest.approx(26e-6, rel=0.03)
    assert eye.sigma_longer == pytest.approx(26e-6, rel=0.03)
    assert eye.hand_shorter == pytest.approx(4.0, abs=0.12)
    assert eye.hand_longer == pytest.approx(4.0, abs=0.12)
    assert seen.wrong.value == pytest.approx(3.167e-5, rel=0.3)
    assert seen.wrong.low < 3.167e-5 < seen.wrong.high


def test_half_way_and_the_same_ratio(rng: np.random.Generator) -> None:
    """1200 and 2400 Hz: 312.5 µs half-way, 294.6 µs at the same ratio (by hand)."""
    for threshold, wanted in (("midway", 312.5e-6), ("ratio", 294.6e-6)):
        seen = of(
            "kansas-city-300", normal_of(rng, 5e-6), size=40, decision="half-waves", threshold=threshold
        )
        assert seen.eyes[0].threshold == pytest.approx(wanted, abs=0.05e-6)


def normal_of(rng: np.random.Generator, sigma: float) -> Callable[[Tape], Floats]:
    return lambda tape: tape.true + sigma * rng.standard_normal(len(tape.true))


def test_a_wrong_speed_hurts_fixed_thresholds_only(rng: np.random.Generator) -> None:
    """12 % slow: the shorter length comes nearer to the threshold, unless the machine goes by the leader."""

    def slow(tape: Tape) -> Floats:
        return 1.12 * tape.true + 10e-6 * rng.standard_normal(len(tape.true))

    fixed, leader, follows = (
        of("msx-1200", slow, machine=machine) for machine in ("fixed", "leader", "follows")
    )
    assert fixed.speed == pytest.approx(1 / 1.12, rel=1e-3)
    assert fixed.eyes[0].centre_shorter == pytest.approx(1.12 / 2400, rel=0.01)
    assert leader.eyes[0].centre_shorter == pytest.approx(1 / 2400, rel=0.01)
    assert fixed.in_hand < 0.8 * leader.in_hand
    assert follows.in_hand == pytest.approx(leader.in_hand, rel=0.1)
    assert fixed.eyes[0].best == pytest.approx(leader.eyes[0].best, rel=0.05)


def test_uneven_halves_do_not_touch_whole_cycles(rng: np.random.Generator) -> None:
    """Halves that differ by 20 % of the cycle: told, and ruinous for half-waves only."""

    def uneven_edges(tape: Tape) -> Floats:
        late = np.where(np.arange(len(tape.true)) % 2, 0.1 / 2400, 0.0)
        return tape.true + late + 6e-6 * rng.standard_normal(len(tape.true))

    cycles = of("msx-1200", uneven_edges)
    halves = of("msx-1200", uneven_edges, decision="half-waves")
    assert cycles.decision == "cycles"
    assert cycles.unevenness == pytest.approx(0.2, abs=0.02)
    assert halves.in_hand < 0.6 * of("msx-1200", normal_of(rng, 6e-6), decision="half-waves").in_hand
    assert cycles.in_hand == pytest.approx(of("msx-1200", normal_of(rng, 6e-6)).in_hand, rel=0.1)


def test_bits_have_more_in_hand_than_the_cycles_they_are_made_of(rng: np.random.Generator) -> None:
    """A 1 of eight cycles is told by its mean; a pair code by one cycle, where both are the same; an order of
    lengths by their difference."""
    for name, gain in (("kansas-city-300", 2.0), ("pulse-width", 0.99)):
        size = 300
        cycles = of(name, normal_of(rng, 12e-6), size=size)
        bits = of(name, normal_of(rng, 12e-6), size=size, decision="bits")
        assert bits.in_hand > gain * cycles.in_hand * 0.95
    (eye,) = of("pulse-length", normal_of(rng, 12e-6), size=300, decision="bits").eyes
    assert eye.threshold == pytest.approx(0.0, abs=1e-9)
    assert (eye.shorter, eye.longer) == pytest.approx((-80e-6, 80e-6))


def test_three_lengths_have_two_eyes(rng: np.random.Generator) -> None:
    """Each pair of neighbours has its own eye; the narrowest counts."""
    seen = of("pulse-length", normal_of(rng, 10e-6))
    assert [(eye.shorter, eye.longer) for eye in seen.eyes] == [
        (pytest.approx(360e-6), pytest.approx(520e-6)),
        (pytest.approx(520e-6), pytest.approx(680e-6)),
    ]
    assert seen.in_hand == min(eye.in_hand for eye in seen.eyes)


def test_lost_half_waves_are_events_of_their_own(rng: np.random.Generator) -> None:
    """Three places where the comparator sees nothing: three failures, and jitter as before."""
    tape = Tape(encoding_named("msx-1200"), 2000)
    edges = normal_of(rng, 10e-6)(tape)
    lost = np.zeros(len(edges), bool)
    for place in (0.3, 0.5, 0.9):
        first = tape.leader + int(place * (len(edges) - tape.leader))
        lost[first : first + 6] = True
    seen = margin_of(tape.timing(edges, lost), tape.encoding)
    clean = margin_of(tape.timing(edges), tape.encoding)
    assert (seen.events, seen.failing) == (3, 3)
    assert (clean.events, clean.failing) == (0, 0)
    assert seen.failing_a_minute.value == pytest.approx(3 * 60 / seen.seconds)
    assert seen.load.value < 0.01 < 0.9 < seen.without_events.value
    assert seen.in_hand == pytest.approx(clean.in_hand, rel=0.05)


def test_a_decision_that_makes_no_sense_is_refused(rng: np.random.Generator) -> None:
    """Cycles of a phase encoding, a leader that is not there, a few bytes: each says what to do."""
    for name, options, wanted in (
        ("phase-1500", {"decision": "cycles", "machine": "fixed"}, "take half-waves"),
        ("phase-1500", {"decision": "bits", "machine": "fixed"}, "take half-waves"),
        ("phase-1500", {"machine": "leader"}, "fixed or follows"),
        ("msx-1200", {"size": 0}, "1 or more"),
    ):
        tape = Tape(encoding_named(name), 300)
        with pytest.raises(NoMargin, match=wanted):
            margin_of(tape.timing(tape.true), tape.encoding, **options)  # type: ignore[arg-type]
    few = Tape(encoding_named("msx-1200"), 5)
    with pytest.raises(NoMargin, match="200 or more"):
        margin_of(few.timing(few.true), few.encoding)


# -- recordings


def noisy(name: str, size: int, noise: float, rng: np.random.Generator, rate: int = 44100) -> Recording:
    encoding = encoding_named(name)
    data = rng.integers(0, 256, size, dtype=np.uint8).tobytes()
    wave = render([data], encoding, rate, shape="sine", add_check=encoding.check is not None)
    return Recording.from_array(wave + noise * rng.standard_normal(len(wave)), rate)


def test_more_noise_leaves_less_in_hand(rng: np.random.Generator) -> None:
    """Jitter grows as the noise does: twice the noise, half of the sigmas."""
    quiet = measure_margin(noisy("msx-1200", 400, 0.12, rng), "msx-1200")
    loud = measure_margin(noisy("msx-1200", 400, 0.24, rng), "msx-1200")
    assert loud.in_hand == pytest.approx(quiet.in_hand / 2, rel=0.2)
    assert quiet.failing == 0


def test_a_dropout_is_seen_as_one(rng: np.random.Generator) -> None:
    """8 ms at a twentieth of the level: a comparator loses it; misread, it may count twice."""
    recording = noisy("pulse-width", 600, 0.005, rng)
    wave = recording.samples(channel="mean").copy()
    middle = len(wave) - 60_000
    wave[middle : middle + round(0.008 * recording.rate)] *= 0.05
    seen = measure_margin(Recording.from_array(wave, recording.rate), "pulse-width")
    assert 1 <= seen.failing <= 2
    assert measure_margin(recording, "pulse-width").failing == 0


def test_a_recording_without_data_is_refused() -> None:
    """There is nothing to decide on."""
    silence = Recording.from_array(np.zeros(44100), 44100, "silence.wav")
    with pytest.raises(NoMargin, match=r"silence\.wav"):
        measure_margin(silence, "msx-1200")
