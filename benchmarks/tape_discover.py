"""How often an unknown encoding is found: invented encodings of five families on tapes of grades 0 to 3.

Every encoding has its own lengths, order of bits, frame and check; every tape its own speed error
of up to 12 %, polarity, sampling rate and damage (the grades of tape_grades.py). A tape counts as
found if the first proposal reads every block that the true encoding reads, bit for bit; for phase
encoding if the proposal has the same cells, order and check, since what can be read of it is the
reader's affair.

    python benchmarks/tape_discover.py --tapes 24
    python benchmarks/tape_discover.py --family tones --severity 3 --tapes 10 --show

Found, of those that the true encoding reads:

    tapes                                    before   now       wrong but convincing, before and now
    --tapes 5 --seed 900                     99/100   100/100   0, 0
    --tapes 5 --seed 910 --family
        pulse-width two-to-one phase         58/60    59/60     1, 0
    --tapes 5 --seed 200 --family
        pulse-width two-to-one               36/40    40/40     3, 0

Nothing was tuned on the first two rows; the last is where the faults were looked for. Of those said to be
90 % sure or more, all were found in the first two rows.

Where nothing but custom tells the order of the bits (--bare --tapes 2 --seed 400 --severity 0 3, all families
but phase) 8 of 16 tapes were said to be 97 % sure, and are said to be 89 % sure; 3 of the 8 are right. That
is still too much for these tapes, since half of one family have the rarer order; how rare it is on tapes
that people wrote is by hand, no source. The doubt is told in words.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from benchwright.demo.tape_channel import Channel, Electronics, Programme, Speed, play, speech
from benchwright.tape.checks import Check
from benchwright.tape.decode import decode
from benchwright.tape.discover import Discovery, discover
from benchwright.tape.encoding import Encoding
from benchwright.tape.recording import Recording
from benchwright.tape.render import half_waves

FAMILIES = ("tones", "pulse-width", "pulse-length", "two-to-one", "phase")
RATES = (22_050, 32_000, 44_100, 48_000, 96_000)
CHECKS = (
    None, Check("xor"), Check("sum"), Check("negative sum"), Check("xor", skip=1),
    Check("crc", 16, 0x1021), Check("crc", 16, 0x1021, 0xFFFF), Check("crc", 16, 0x8005, reflected=True,
    low_byte_first=True), Check("crc", 8, 0x07), Check("sum", 16, low_byte_first=True),
)  # fmt: skip
WORDS = (
    b"PRINT GOTO IF THEN FOR NEXT TO LET INPUT READ DATA REM THE OF AND A SCORE LIVES PRESS ANY KEY START"
).split()


def draw_encoding(family: str, rng: np.random.Generator) -> Encoding:
    """An invented encoding of a family."""

    def us(low: float, high: float) -> float:
        return round(float(rng.uniform(low, high)), 1) * 1e-6

    common: dict[str, Any] = {
        "name": family, "least_first": bool(rng.random() < 0.5), "leader_seconds": 1.2, "pause": 0.7,
        "check": CHECKS[int(rng.integers(len(CHECKS)))],
    }  # fmt: skip
    if family == "tones":
        few, many = ((2, 4), (4, 8), (8, 16), (4, 6), (6, 10), (3, 6))[int(rng.integers(6))]
        whole = us(200, 420) * few
        common["least_first"] = bool(rng.random() < 0.85)
        return Encoding(
            **common, zero=(whole / few,) * few, one=(whole / many,) * many, leader=(whole / many,) * 2,
            start="0", stop="1" * int(rng.integers(1, 3)), idle=True,
            parity=str(rng.choice(["none", "none", "odd", "even"])),
        )  # fmt: skip
    if family == "pulse-width":
        short = us(160, 300)
        long = short * float(rng.uniform(1.6, 2.2))
        leader = long * float(rng.uniform(1.2, 1.5)) if rng.random() < 0.7 else long
        return Encoding(
            **common, zero=(short,) * 2, one=(long,) * 2, leader=(leader,) * 2,
            sync=(short * 0.75, short * 0.85) if rng.random() < 0.7 else (short, leader),
            trailer=(short * 1.3,),
        )  # fmt: skip
    if family == "pulse-length":
        short = us(150, 220)
        medium = short * float(rng.uniform(1.4, 1.55))
        long = medium * float(rng.uniform(1.3, 1.45))
        a, b = (short,) * 2 + (medium,) * 2, (medium,) * 2 + (short,) * 2
        return Encoding(
            **common, zero=a, one=b, leader=(short,) * 2, marker=(long,) * 2 + (medium,) * 2,
            parity=str(rng.choice(["none", "odd", "even"])), trailer=(long,) * 2 + (short,) * 2,
        )  # fmt: skip
    if family == "two-to-one":
        short = us(150, 320)
        return Encoding(
            **common, zero=(2 * short,), one=(short,) * 2, leader=(short,) * 2, start="0",
            stop="1" * int(rng.integers(1, 3)), idle=True,
        )  # fmt: skip
    if family == "phase":
        common["check"] = Check("crc", 16, 0x8005, reflected=True, low_byte_first=True)
        return Encoding(
            **common, cell=us(400, 800), preamble="10" * int(rng.choice([4, 8])), postamble="10101010",
            block_gap=0.05,
        )  # fmt: skip
    raise ValueError(family)


def draw_payloads(rng: np.random.Generator, count: int, longest: int = 120) -> list[bytes]:
    """Blocks of text, of program-like bytes and of random ones; the first is text."""
    out = []
    for number in range(count):
        length = int(rng.integers(40, longest))
        kind = "text" if number == 0 else str(rng.choice(["text", "code", "random"]))
        if kind == "text":
            words = [WORDS[int(rng.integers(len(WORDS)))] for _ in range(length)]
            data = b" ".join(words)[: length - 2] + b"\r\n"
        elif kind == "code":
            common = rng.integers(0, 256, 24)
            data = bytes(
                0 if rng.random() < 0.15 else int(rng.choice(common))
                if rng.random() < 0.6 else int(rng.integers(256)) for _ in range(length)
            )  # fmt: skip
        else:
            data = rng.bytes(length)
        out.append(data)
    return out


@dataclass
class Unknown:
    """A tape whose encoding is to be found, and the truth about it."""

    encoding: Encoding
    sent: list[bytes]
    samples: np.ndarray
    rate: int


def make(
    family: str, severity: int, seed: int, blocks: int = 3, longest: int = 120, bare: bool = False
) -> Unknown:
    """One tape of a family and a grade; if bare, of a short block or two of random bytes without a check."""
    from tape_grades import GRADES, Ease, draw_channel

    rng = np.random.default_rng([seed, severity, FAMILIES.index(family)])
    encoding = draw_encoding(family, rng)
    rate = int(rng.choice(RATES))
    # A grade is made for waves down to 104 or 180 us; shorter ones meet a better head.
    ease = Ease(short_waves=0.6 if encoding.shortest < 140e-6 else 1.0)
    channel = draw_channel(GRADES[severity], ease, rng, severity)
    channel = replace(
        channel,
        recording=replace(channel.recording, shape=str(rng.choice(["square", "sine"]))),
        speed=replace(channel.speed, offset=channel.speed.offset + float(rng.uniform(-0.12, 0.12))),
    )
    if bare:
        encoding = replace(encoding, check=None)
        data = [rng.bytes(int(rng.integers(20, 60))) for _ in range(int(rng.integers(1, 3)))]
        return _played(encoding, channel, rate, rng, data)
    return _played(encoding, channel, rate, rng, draw_payloads(rng, blocks, longest))


def plain_channel(rng: np.random.Generator, noise: bool = True) -> Channel:
    """A machine with a speed error, noise and either polarity, and nothing else."""
    from benchwright.demo.tape_channel import Noise

    return Channel(
        speed=Speed(offset=float(rng.uniform(-0.15, 0.15)), lines=((4.5, 0.002),)),
        electronics=Electronics(highpass_hz=(40.0,), lowpass_hz=(12e3,), inverted=bool(rng.random() < 0.5)),
        noise=Noise(white_db=36.0 if noise else None),
    )


def _played(
    encoding: Encoding, channel: Channel, rate: int, rng: np.random.Generator, data: list[bytes]
) -> Unknown:
    seconds: list[np.ndarray] = [np.array([0.4])]
    levels: list[np.ndarray] = [np.array([0.0])]
    sent = []
    for block in data:
        body = encoding.check.append(block) if encoding.check else block
        sent.append(body)
        lengths, sign = half_waves(body, encoding)
        seconds += [lengths, np.array([encoding.pause])]
        levels += [sign * np.where(np.arange(len(lengths)) % 2, -1.0, 1.0), np.array([0.0])]
    programme = Programme(np.concatenate(seconds), np.concatenate(levels))
    return Unknown(encoding, sent, play(programme, channel, rate, rng).samples, rate)


def make_plain(family: str, seed: int, blocks: int = 3, longest: int = 60) -> Unknown:
    """One tape of a family with noise and a speed error only."""
    rng = np.random.default_rng([seed, FAMILIES.index(family)])
    encoding = replace(draw_encoding(family, rng), leader_seconds=0.6, pause=0.7)
    return _played(
        encoding,
        plain_channel(rng),
        int(rng.choice([22_050, 44_100])),
        rng,
        draw_payloads(rng, blocks, longest),
    )


def make_sound(kind: str, seed: int, seconds: float, rate: int = 44_100) -> np.ndarray:
    """No tape of data at all: ``speech``, ``music`` or ``noise``."""
    rng = np.random.default_rng([seed, 99])
    if kind == "speech":
        return np.asarray(speech(seconds, rng, float(rate)), np.float32)
    if kind == "noise":
        return np.asarray(0.2 * rng.normal(size=int(seconds * rate)), np.float32)
    at = np.arange(int(seconds * rate)) / rate
    out = np.zeros(len(at))
    start = 0.0
    while start < seconds:
        length = float(rng.choice([0.15, 0.3, 0.6]))
        for _ in range(int(rng.integers(1, 4))):
            hertz = 220.0 * 2 ** (int(rng.integers(0, 30)) / 12)
            own = (at >= start) & (at < start + length)
            place = at[own] - start
            for order in (1, 2, 3):
                out[own] += np.exp(-4 * place) * np.sin(2 * np.pi * order * hertz * place) / order**1.5
        start += length
    return np.asarray(0.2 * out, np.float32)


@dataclass
class Outcome:
    """What became of one tape."""

    found: bool
    convincing: bool
    chance: float
    readable: int
    read: int
    seconds: float
    discovery: Discovery = field(repr=False, default_factory=Discovery)


def same_phase(found: Encoding, truth: Encoding) -> bool:
    """Whether two phase encodings have cells, order and check in common."""
    return (
        found.is_phase and 0.75 < found.cell / truth.cell < 1.35 and found.least_first == truth.least_first
        and found.check == truth.check
    )  # fmt: skip


def judge(unknown: Unknown) -> Outcome:
    """Discover a tape and hold the answer against the truth."""
    begin = time.perf_counter()
    with Recording.from_array(unknown.samples, unknown.rate) as take:
        discovery = discover(take)
    spent = time.perf_counter() - begin
    best = discovery.proposals[0] if discovery.proposals else None
    if unknown.encoding.is_phase:
        same = best is not None and same_phase(best.encoding, unknown.encoding)
        return Outcome(
            same, discovery.convincing, best.chance if best else 0.0, 1, int(same), spent, discovery
        )
    with Recording.from_array(unknown.samples, unknown.rate) as take:
        true = [b.data for b in decode(take, unknown.encoding).blocks]
        # Blocks of the true encoding may have its check mended: so may the proposal's.
        ours = [b.data for b in decode(take, best.encoding).blocks] if best else []
    readable = [data for data in unknown.sent if data in true]
    read = sum(data in ours for data in readable)
    return Outcome(
        best is not None and bool(readable) and read == len(readable), discovery.convincing,
        best.chance if best else 0.0, len(readable), read, spent, discovery,
    )  # fmt: skip


def main() -> None:
    """Run the benchmark and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tapes", type=int, default=6, help="tapes of each family and grade")
    parser.add_argument("--family", nargs="+", default=list(FAMILIES), choices=FAMILIES)
    parser.add_argument("--severity", nargs="+", type=int, default=[0, 1, 2, 3])
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument(
        "--bare",
        action="store_true",
        help="short blocks of random bytes without a check: little can be known",
    )
    parser.add_argument("--show", action="store_true", help="tell of each tape that was not found")
    chosen = parser.parse_args()
    chances: list[tuple[float, bool]] = []
    print(f"{'family':14} grade  found  convincing  wrong but convincing  seconds a tape")
    for family in chosen.family:
        for severity in chosen.severity:
            outcomes = []
            for number in range(chosen.tapes):
                unknown = make(family, severity, chosen.seed + number, bare=chosen.bare)
                outcome = judge(unknown)
                if not outcome.readable:
                    continue
                outcomes.append(outcome)
                chances.append((outcome.chance, outcome.found))
                if chosen.show and not outcome.found:
                    told = outcome.discovery
                    print(f"  tape {number}: {unknown.encoding}")
                    print(f"    {told.notes} read {outcome.read} of {outcome.readable}")
                    for p in told.proposals[:2]:
                        print(f"    {p.chance:.2f} {p.reasons} {p.encoding}")
            found = sum(o.found for o in outcomes)
            wrong = sum(o.convincing and not o.found for o in outcomes)
            print(
                f"{family:14} {severity:5} {found:3}/{len(outcomes):<3} "
                f"{sum(o.convincing for o in outcomes):10} "
                f"{wrong:20} {np.mean([o.seconds for o in outcomes]) if outcomes else 0:12.1f}",
                flush=True,
            )
    said = np.array([c for c, _ in chances])
    true = np.array([f for _, f in chances])
    for low, high in ((0, 0.5), (0.5, 0.9), (0.9, 1.01)):
        mine = (said >= low) & (said < high)
        if np.any(mine):
            print(f"chance {low:.1f} to {min(1, high):.1f}: {np.mean(said[mine]):.2f} said, "
                  f"{np.mean(true[mine]):.2f} true, {int(mine.sum())} tapes")  # fmt: skip


if __name__ == "__main__":
    main()
