"""Takes tied together and added: the path of likeness, the tape's own clock, and whole damaged takes."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import uniform_filter1d

from benchwright.tape.encoding import encoding_named
from benchwright.tape.likeness import find_delays
from benchwright.tape.merge import CannotMerge, merge
from benchwright.tape.recording import Recording
from benchwright.tape.render import render
from benchwright.tape.smooth_path import smoothest_path
from benchwright.tape.take_clock import TakeClock

RATE = 22_050


@given(
    rows=st.integers(1, 5),
    columns=st.integers(2, 5),
    seed=st.integers(0, 2**32 - 1),
    looseness=st.floats(0.2, 3.0),
)
@settings(max_examples=60, deadline=None)
def test_no_other_path_scores_more(rows: int, columns: int, seed: int, looseness: float) -> None:
    """Against every path there is."""
    rng = np.random.default_rng(seed)
    score = rng.normal(0, 1, (rows, columns)).astype(np.float32)
    loose = looseness * rng.uniform(0.5, 1.5, rows)

    def total(path: tuple[int, ...]) -> float:
        steps = ((b - a) ** 2 / (2 * loose[r] ** 2) for r, (a, b) in enumerate(itertools.pairwise(path), 1))
        return sum(float(score[r, c]) for r, c in enumerate(path)) - sum(steps)

    path, found = smoothest_path(score, loose)
    most = max(total(p) for p in itertools.product(range(columns), repeat=rows))
    assert found == pytest.approx(most, abs=1e-5)
    assert total(tuple(path)) == pytest.approx(most, abs=1e-5)


def wandering(seconds: float, share: float, rng: np.random.Generator) -> np.ndarray:
    """A speed curve at RATE that wanders by a share of one."""
    walk = uniform_filter1d(rng.normal(size=int(seconds * RATE)), RATE // 3, mode="wrap")
    return 1 + share * walk / np.max(np.abs(walk))


@pytest.mark.parametrize("inverted", [False, True])
def test_delay_is_followed_and_bridged(inverted: bool) -> None:
    """Noise in band, played with a delay that drifts by 10 ms, and gone for 60 ms twice: within 0.1 ms."""
    rng = np.random.default_rng(5)
    noise = rng.normal(size=4 * RATE)
    spectrum = np.fft.rfft(noise)
    hertz = np.fft.rfftfreq(len(noise), 1 / RATE)
    spectrum[(hertz < 800) | (hertz > 2800)] = 0
    here = np.fft.irfft(spectrum, len(noise))
    here /= np.std(here)
    at = np.arange(len(here))
    delay = 0.010 * RATE * np.sin(2 * np.pi * 0.1 * at / RATE)
    there = np.interp(at - delay, at, here) * (-1 if inverted else 1)
    heard = np.ones(len(here), np.float32)
    for start in (1.0, 2.5):
        gone = slice(int(start * RATE), int((start + 0.06) * RATE))
        there[gone] *= 0.01
        heard[gone] = 0.0
    doubt = at / RATE * 0.003**2
    doubt += np.cumsum(heard < 0.5) / RATE * 0.004**2
    found = find_delays(here.astype(np.float32), there.astype(np.float32), heard, doubt, RATE)
    assert found.inverted is inverted
    inner = slice(RATE // 4, -RATE // 4)
    off = np.abs(found.samples - np.interp(at + delay, at, delay))[inner]
    assert np.max(off) < 1e-4 * RATE * 3
    assert np.median(off) < 1e-4 * RATE


def test_a_clock_goes_there_and_back() -> None:
    """A time in the take gives back itself by way of its place, beyond the ends as well."""
    rng = np.random.default_rng(2)
    times = np.arange(0, 10, 0.004)
    places = np.cumsum(0.004 * rng.uniform(0.9, 1.1, len(times)))
    clock = TakeClock(times, places, 1e-6 * times)
    asked = rng.uniform(-1, 11, 200)
    assert clock.time(clock.place(asked)) == pytest.approx(asked, abs=1e-9)


def test_nothing_to_merge_is_said() -> None:
    with pytest.raises(CannotMerge, match="at least one recording"):
        merge([], "cuts-1200")


def take_of(
    wave: np.ndarray, share: float, level: float, gaps: list[float], rng: np.random.Generator
) -> Recording:
    """Play a wave at a wandering speed and a level, with gaps of 60 ms at some places of it."""
    wave = wave.copy()
    for start in gaps:
        wave[int(start * RATE) : int((start + 0.06) * RATE)] *= 0.03
    place = np.cumsum(wandering(len(wave) / RATE, share, rng))
    played = np.interp(place[place < len(wave) - 1], np.arange(len(wave)), wave)
    noise = rng.normal(0, 0.01, len(played))
    return Recording.from_array((level * (played + noise)).astype(np.float32), RATE, name=f"at {level}")


@pytest.mark.parametrize("name", ["kansas-city-300", "cuts-1200", "msx-1200", "phase-1500", "pulse-length"])
def test_blocks_that_no_take_holds_are_recovered(name: str) -> None:
    """60 ms gone four times a second, by turns in two takes, each at its own speed, one upside down."""
    encoding = encoding_named(name)
    rng = np.random.default_rng(8)
    data = rng.integers(0, 256, 120 if name == "kansas-city-300" else 400, np.uint8).tobytes()
    check = encoding.check is not None
    wave = np.concatenate((np.zeros(RATE), render([data], encoding, RATE, add_check=check), np.zeros(RATE)))
    seconds = len(wave) / RATE
    places = np.arange(1.2, seconds - 1.3, 0.25)
    takes = [
        take_of(wave, 0.03, 0.5, list(places[0::2]), rng),
        take_of(wave, 0.04, -0.2, list(places[1::2]), rng),
    ]
    tape = merge(takes, encoding)
    wanted = encoding.check.append(data) if encoding.check else data
    assert [block.data for block in tape.blocks if block.good] == [wanted]


def test_takes_of_different_tapes_are_not_mixed() -> None:
    """It is said that they share nothing, and the better one stands as it is."""
    encoding = encoding_named("cuts-1200")
    rng = np.random.default_rng(1)
    takes = []
    for level in (0.5, 0.4):
        data = rng.integers(0, 256, 300, np.uint8).tobytes()
        wave = np.concatenate((np.zeros(RATE), render([data], encoding, RATE), np.zeros(RATE)))
        takes.append((data, take_of(wave, 0.01, level, [], rng)))
    tape = merge([take for _, take in takes], encoding)
    assert any("shares nothing" in warning for warning in tape.warnings)
    assert any(block.data in [data for data, _ in takes] for block in tape.blocks)
