"""How far the estimated chance of a load can be trusted: against plain machines that load make-believe tapes.

For each encoding and amount of noise, a few recordings are looked at with `benchwright.tape.margin`, and a
plain machine (band-pass, comparator with hysteresis, lengths against thresholds) loads many others like them.
The two should agree within a factor of two.

    python benchmarks/tape_margin.py
    python benchmarks/tape_margin.py --encoding msx-1200 --loads 200 --bytes 1024
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from benchwright.demo.tape_channel import (
    Channel,
    Dropouts,
    Electronics,
    Head,
    Noise,
    Programme,
    Speed,
    alternating,
    play,
)
from benchwright.demo.tape_channel import Recording as Magnetised
from benchwright.tape import Recording
from benchwright.tape.encoding import Encoding, encoding_named
from benchwright.tape.margin import NoMargin, measure_margin
from benchwright.tape.render import half_waves

Floats = NDArray[np.float64]
RATE = 44100
NOISES = {"cuts-1200": (7.0, 6.0, 5.0), "msx-1200": (7.0, 6.0, 5.0), "pulse-width": (9.0, 8.0, 7.0)}
"""Signal to white noise over the whole band, dB, at which some loads pass and some fail."""


def channel(noise_db: float, drops: float) -> Channel:
    """A plain cassette deck with some flutter, and with noise and dropouts as asked for."""
    return Channel(
        recording=Magnetised(shape="sine", flux_law=True),
        speed=Speed(offset=0.01, wander=0.004, lines=[(7.6, 0.001), (4.5, 0.001)], flutter=0.001),
        head=Head(gap=2e-6, derivative=True),
        dropouts=Dropouts(per_second=drops, depth_db=(20, 30), seconds=(2e-3, 6e-3)),
        electronics=Electronics(equaliser=True, highpass_hz=(30.0,), lowpass_hz=(12e3,), full_scale=0.4),
        noise=Noise(white_db=noise_db),
    )


def programme(data: bytes, encoding: Encoding) -> tuple[Programme, Floats, int]:
    """Leader and one block between two rests; the half-waves, and how many of them are leader."""
    lengths, sign = half_waves(data, encoding)
    leader = round(encoding.leader_seconds / sum(encoding.leader)) * len(encoding.leader)
    made = alternating(lengths, sign)
    seconds = np.concatenate(([0.3], made.seconds, [0.3]))
    levels = np.concatenate(([0.0], made.levels, [0.0]))
    return Programme(seconds, levels), lengths, leader


def crossings(samples: Floats, encoding: Encoding, hysteresis: float) -> Floats:
    """What the machine's comparator sees, in seconds: a band-pass without delay, then hysteresis.

    The band is the one that `benchwright.tape.margin` takes a machine to have: how much noise reaches the
    comparator depends on it more than on anything else.
    """
    low, high = 0.165 / (2 * encoding.longest), 2.53 / (2 * encoding.shortest)
    taps = signal.firwin(1023, [low, min(high, 0.48 * RATE)], pass_zero=False, fs=RATE)
    wave = signal.resample_poly(np.convolve(samples, taps, "same"), 4, 1)
    level = hysteresis * math.pi / 2 * np.mean(np.abs(wave[len(wave) // 4 : -len(wave) // 4]))
    beyond = np.flatnonzero(np.abs(wave) > level)
    side = wave[beyond] > 0
    turns = np.flatnonzero(side[1:] != side[:-1])
    out = np.empty(len(turns))
    for k, turn in enumerate(turns):
        first, last = beyond[turn], beyond[turn + 1]
        piece = wave[first : last + 1]
        at = int(np.flatnonzero((piece[:-1] > 0) != (piece[1:] > 0))[-1])
        out[k] = first + at + piece[at] / (piece[at] - piece[at + 1])
    return out / (4 * RATE)


def loads(samples: Floats, encoding: Encoding, lengths: Floats, leader: int) -> bool:
    """A machine that takes the speed from the leader and then times one cycle after the other."""
    lengths_seen = np.diff(crossings(samples, encoding, 0.15))
    usual = encoding.leader[0]
    near = np.abs(lengths_seen / usual - 1) < 0.3
    run = np.convolve(near, np.ones(40), "valid")
    starts = np.flatnonzero(run >= 39)
    if not len(starts):
        return False
    begin = int(starts[0])
    # Less the last half-waves, which end in silence.
    wanted = lengths[leader:-4]
    count = len(wanted) // 2 * 2
    cycles = wanted[:count].reshape(-1, 2).sum(axis=1)
    scale = float(np.median(lengths_seen[begin + 100 : begin + leader - 100])) / usual
    zero, one = 2 * encoding.zero[0], 2 * encoding.one[0]
    threshold = (zero + one) / 2
    known = np.isclose(cycles, zero) | np.isclose(cycles, one)
    # Where the leader ends is found by trying: a machine waits for the sync.
    for shift in range(-12, 13):
        first = begin + leader + shift
        got = lengths_seen[first : first + count] / scale
        if len(got) < count:
            continue
        seen = got.reshape(-1, 2).sum(axis=1)
        if np.all(((seen > threshold) == (cycles > threshold))[known]):
            return True
    return False


def main() -> None:
    """Read the command line, make tapes, print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--encoding", nargs="*", default=list(NOISES), choices=list(NOISES))
    parser.add_argument("--noise", type=float, nargs="*", help="signal to noise in dB, for all encodings")
    parser.add_argument("--drops", type=float, default=0.0, help="dropouts a second")
    parser.add_argument("--bytes", type=int, default=512, dest="size", help="of a load")
    parser.add_argument("--seen", type=int, default=6000, help="bytes of a recording that is looked at")
    parser.add_argument("--loads", type=int, default=80)
    parser.add_argument("--looks", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    print(f"{'encoding':16} {'dB':>5} {'loaded':>7}  estimated chance that {asked.size} bytes load")
    agree = total = 0
    for name in asked.encoding:
        encoding = replace(encoding_named(name), leader_seconds=1.0)
        for noise_db in asked.noise or NOISES[name]:
            rng = np.random.default_rng([asked.seed, list(NOISES).index(name), round(1000 + 10 * noise_db)])
            way = channel(noise_db, asked.drops)
            passed = 0
            for _ in range(asked.loads):
                tape, lengths, leader = programme(rng.bytes(asked.size), encoding)
                samples = play(tape, way, RATE, rng).samples.astype(float)
                passed += loads(samples, encoding, lengths, leader)
            share = passed / asked.loads
            told = []
            for _ in range(asked.looks):
                tape, _, _ = programme(rng.bytes(asked.seen), encoding)
                recording = Recording.from_array(play(tape, way, RATE, rng).samples, RATE)
                try:
                    found = measure_margin(recording, encoding, machine="leader", size=asked.size)
                except NoMargin as problem:
                    told.append(str(problem))
                    continue
                total += 1
                agree += share / 2 <= found.load.value <= 2 * share
                told.append(
                    f"{found.load.value:.2f} ({found.load.low:.2f}-{found.load.high:.2f}; "
                    f"{found.in_hand:.1f} sigmas)"
                )
            error = math.sqrt(max(share * (1 - share), 0.25 / asked.loads) / asked.loads)
            print(f"{name:16} {noise_db:5.1f} {share:4.2f}±{error:.2f}  {', '.join(told)}", flush=True)
    print(f"{agree} of {total} estimates lie within a factor of two of the share that loaded")


if __name__ == "__main__":
    main()
