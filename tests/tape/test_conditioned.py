"""Filtering and weighing a recording, against plain and slow ways of doing the same."""

import numpy as np
import pytest
from scipy import signal

from benchwright.tape.conditioned import Conditioner, band_pass, convolved
from benchwright.tape.encoding import encoding_named
from benchwright.tape.equalise import lagged_products
from benchwright.tape.follower import Follower, Seed, Settings
from benchwright.tape.grammar import grammar_of
from benchwright.tape.kernels import common_ancestor, half_sines, running_mean


@pytest.mark.parametrize("up", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("count", [1, 7, 5000, 20_011])
@pytest.mark.parametrize("taps", [1, 3, 357, 1501])
def test_filtering_in_pieces_is_filtering_at_once(rng, up, count, taps):
    samples = rng.normal(size=count).astype(np.float32)
    response = rng.normal(size=taps).astype(np.float32)
    stuffed = np.zeros(count * up)
    stuffed[::up] = samples
    at_once = np.convolve(stuffed, response.astype(float))[taps // 2 :][: count * up]
    assert np.allclose(convolved(samples, response, up), at_once, atol=1e-4 * np.sqrt(taps))


@pytest.mark.parametrize("count", [1, 4, 50, 3000])
@pytest.mark.parametrize("size", [3, 21, 801])
def test_running_mean_is_the_mean_of_what_lies_around(rng, count, size):
    values = rng.normal(size=count).astype(np.float32)
    beyond = np.pad(np.abs(values.astype(float)), size // 2, mode="edge")
    plain = 2.0 * np.lib.stride_tricks.sliding_window_view(beyond, size).mean(axis=1)
    assert np.allclose(running_mean(values, size, 2.0), plain, rtol=1e-5)


def test_band_pass_and_equaliser_in_one_are_the_same_as_one_after_the_other(rng):
    """Away from the ends of the recording, where there is nothing to filter."""
    encoding = encoding_named("msx-2400")
    samples = rng.normal(size=30_000).astype(np.float32)
    equaliser = rng.normal(size=41).astype(np.float32)
    plain = Conditioner(encoding, 44_100).window(samples, 0, 0, 0).signal
    both = Conditioner(encoding, 44_100, equaliser=equaliser).window(samples, 0, 0, 0).signal
    after = np.convolve(plain.astype(float), equaliser.astype(float), mode="same")
    assert np.allclose(both[600:-600], after[600:-600], atol=1e-4 * np.std(after))


def test_what_all_living_readings_have_in_common(rng):
    """Against walking all their ancestors."""
    count = 400
    parents = np.array([-1, *(int(rng.integers(max(0, k - 6), k)) for k in range(1, count))], np.int32)
    links = np.zeros(count, [("parent", np.int32)])
    links["parent"] = parents

    def ancestors(h):
        found = set()
        while h >= 0:
            found.add(h)
            h = int(parents[h])
        return found

    for _ in range(50):
        living = rng.choice(np.arange(300, count), 5, replace=False).astype(np.int32)
        common = set.intersection(*(ancestors(int(h)) for h in living))
        assert common_ancestor(links, living, count) == max(common)


def test_seeds_stand_where_reading_begins():
    encoding = encoding_named("cuts-1200")
    grammar = grammar_of(encoding)
    follower = Follower(grammar, 44_100.0, encoding.shortest, encoding.longest, Settings(0.3, 1.0), 4000.0)
    follower.begin(
        [Seed(grammar.starts[0], 1000.0, 1, 1.0), Seed(grammar.starts[0], 1009.0, -1, 1.0, cost=2.0)]
    )
    living = follower.living()
    assert sorted(follower.edge_at[living]) == [1000.0, 1009.0]
    assert sorted(follower.cost[living]) == [0.0, 2.0]
    assert common_ancestor(follower.links, living, follower.size) == 0


@pytest.mark.parametrize(("count", "low", "high"), [(301, 200.0, 5000.0), (1001, 50.0, 21_000.0)])
def test_the_band_pass_is_the_library_s(count, low, high):
    """scipy.signal.firwin designs the same."""
    wanted = signal.firwin(count, [low, high], pass_zero=False, fs=44_100)
    assert np.allclose(band_pass(count, low / 44_100, high / 44_100), wanted, atol=1e-12)


@pytest.mark.parametrize("count", [40, 5000, 30_011])
@pytest.mark.parametrize("reach", [1, 20, 700])
def test_products_of_signals_moved_against_each_other(rng, count, reach):
    """In pieces as in one go; where one is moved beyond the other there is nothing."""
    fixed, moved = rng.normal(size=(2, count)).astype(np.float32)
    beyond = np.pad(moved.astype(float), reach)
    plain = np.correlate(beyond, fixed.astype(float), "valid") / count
    assert np.allclose(lagged_products(fixed, moved, reach), plain, atol=1e-5)


def test_half_sines_stand_between_edges(rng):
    """Each is nought at its edges, one in its middle, and has the sign of its half-wave."""
    edges = 100.3 + np.cumsum(rng.uniform(8, 40, 50))
    signs = np.where(rng.random(49) < 0.5, 1, -1).astype(np.int8)
    wave = half_sines(edges, signs, 90, 2500)
    at = 90 + np.arange(2500)
    inside = (at >= edges[0]) & (at < edges[-1])
    k = np.searchsorted(edges, at[inside], side="right") - 1
    phase = (at[inside] - edges[k]) / (edges[k + 1] - edges[k])
    assert np.allclose(wave[inside], signs[k] * np.sin(np.pi * phase), atol=1e-6)
    assert np.all(wave[~inside] == 0)
