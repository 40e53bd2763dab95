"""How well tapes are read: seven grades of damage, seven encodings, known truth, and rivals.

Every tape is written by plain writers (tape_encoders.py), recorded and played on a make-believe machine
(benchwright.demo.tape_channel) and then read by

- package: benchwright.tape.decode,
- plain: zero crossings and nominal lengths, at the speed of the first leader (tape_plain.py),
- filtered: the same behind a band-pass, at the speed of each block's own leader,
- told: the same, told the true speed: its recording is stretched to an even speed first, so it shows how
  much is there to be read,
- minimodem, where it knows the modulation (its bytes count wherever they come; it claims nothing).

A block is recovered when its bytes are found exactly among a reader's blocks that it claims to be good. A
false good block is claimed good and equals no block that was sent.

    python benchmarks/tape_grades.py --tapes 4
    python benchmarks/tape_grades.py --severity 5 --encoding msx-1200 --tapes 20 --failures
    python benchmarks/tape_grades.py --takes 3 --severity 4 5
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import json
import math
import pickle
import shutil
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

import tape_encoders
from benchwright.demo import tape_channel
from benchwright.demo.tape_channel import (
    Channel,
    Dropouts,
    Electronics,
    Head,
    Noise,
    Played,
    Programme,
    Recording,
    Sound,
    Speed,
    arcminutes,
    play,
    speech,
)
from tape_encoders import WAYS, Sent, Written, payloads, write_tape
from tape_plain import filtered, read_plain

Range = tuple[float, float]


@dataclass(frozen=True)
class Grade:
    """One grade of damage; pairs are least and most, drawn anew for each tape.

    Attributes
    ----------
    offset, wander : pair, pair
        Steady speed error (either sign) and peak of the slow wander, shares.
    wander_seconds : pair
        From one extreme of the wander to the next.
    flutter : pair
        RMS of all flutter, share: half of its power broadband (1 to 60 Hz), half in four lines.
    scrape : pair
        RMS of scrape flutter (150 to 1500 Hz), share.
    angle : pair
        Azimuth error, minutes of arc, either sign.
    spacing, spacing_wander : pairs
        Micrometres.
    noise_db, hiss_db, hum_db : pairs
        Signal to white noise, tape hiss, hum, over the whole band, dB.
    modulation : pair
        RMS of the modulation noise, share.
    drops, drop_db, drop_ms : pairs
        Dropouts a second, depth at 2400 Hz, length.
    bias, offset_level, drift, level_db : pairs
        Bias of the recording; steady and slow offsets against the peak; wander of the level, dB.
    lowpass : pair
        Corner of the replay amplifier, hertz.
    clicks : pair
        A second.
    talk : float
        Chance of speech before the data.
    """

    offset: Range = (0, 0)
    wander: Range = (0, 0)
    wander_seconds: Range = (2, 5)
    flutter: Range = (0, 0)
    scrape: Range = (0, 0)
    angle: Range = (0, 0)
    spacing: Range = (0, 0)
    spacing_wander: Range = (0, 0)
    noise_db: Range = (90, 90)
    hiss_db: Range = (90, 90)
    hum_db: Range = (90, 90)
    modulation: Range = (0, 0)
    drops: Range = (0, 0)
    drop_db: Range = (4, 6)
    drop_ms: Range = (2, 6)
    bias: Range = (0, 0)
    offset_level: Range = (0, 0)
    drift: Range = (0, 0)
    level_db: Range = (0, 0)
    lowpass: Range = (12e3, 15e3)
    clicks: Range = (0, 0)
    talk: float = 0.0


GRADES: tuple[Grade, ...] = (
    Grade(),
    Grade(
        offset=(0, 0.01), wander=(0.002, 0.004), flutter=(0.001, 0.002), angle=(0, 3), noise_db=(42, 48),
        hiss_db=(45, 50), hum_db=(45, 55), modulation=(0.01, 0.02),
    ),
    Grade(
        offset=(0, 0.02), wander=(0.004, 0.01), flutter=(0.002, 0.003), scrape=(0.0002, 0.0005), angle=(2, 5),
        spacing=(0.2, 0.5), noise_db=(36, 42), hiss_db=(40, 45), hum_db=(38, 45), modulation=(0.02, 0.04),
        drops=(0.05, 0.15), bias=(0, 0.03), lowpass=(9e3, 13e3), talk=0.2,
    ),
    Grade(
        offset=(0, 0.04), wander=(0.015, 0.03), flutter=(0.004, 0.006), scrape=(0.0004, 0.001), angle=(4, 8),
        spacing=(0.4, 0.8), spacing_wander=(0.1, 0.3), noise_db=(28, 34), hiss_db=(32, 38), hum_db=(30, 38),
        modulation=(0.03, 0.06), drops=(0.1, 0.3), drop_db=(5, 8), drop_ms=(2, 8), bias=(0, 0.06),
        offset_level=(0, 0.05), drift=(0, 0.05), level_db=(0.5, 1.5), lowpass=(8e3, 12e3), clicks=(0, 0.05),
        talk=0.3,
    ),
    Grade(
        offset=(0, 0.05), wander=(0.04, 0.06), flutter=(0.007, 0.010), scrape=(0.0008, 0.0015), angle=(6, 11),
        spacing=(0.6, 1.0), spacing_wander=(0.2, 0.5), noise_db=(20, 25), hiss_db=(26, 32), hum_db=(24, 32),
        modulation=(0.05, 0.08), drops=(0.2, 0.4), drop_db=(6, 10), drop_ms=(2, 8), bias=(0, 0.10),
        offset_level=(0, 0.08), drift=(0.02, 0.08), level_db=(1, 3), lowpass=(7e3, 10e3),
        clicks=(0, 0.1), talk=0.3,
    ),
    Grade(
        offset=(0, 0.05), wander=(0.09, 0.11), wander_seconds=(0.4, 2),
        flutter=(0.013, 0.017), scrape=(0.001, 0.002), angle=(10, 15),
        spacing=(0.8, 1.2), spacing_wander=(0.3, 0.6), noise_db=(15, 18), hiss_db=(22, 28), hum_db=(20, 28),
        modulation=(0.06, 0.10), drops=(0.25, 0.5), drop_db=(8, 12), drop_ms=(2, 8), bias=(0, 0.12),
        offset_level=(0, 0.10), drift=(0.03, 0.10), level_db=(2, 4), lowpass=(6e3, 9e3),
        clicks=(0, 0.1), talk=0.3,
    ),
    Grade(
        offset=(0, 0.05), wander=(0.14, 0.16), wander_seconds=(0.4, 2),
        flutter=(0.018, 0.024), scrape=(0.0015, 0.003), angle=(11, 15),
        spacing=(0.9, 1.3), spacing_wander=(0.3, 0.6), noise_db=(12, 14), hiss_db=(20, 25), hum_db=(18, 26),
        modulation=(0.08, 0.12), drops=(0.6, 1.2), drop_db=(8, 13), drop_ms=(2, 10), bias=(0, 0.12),
        offset_level=(0, 0.10), drift=(0.03, 0.12), level_db=(2, 5), lowpass=(6e3, 9e3),
        clicks=(0, 0.1), talk=0.3,
    ),
)  # fmt: skip
"""0 clean, 1-2 mild, 3 a typical bad tape, 4 bad, 5 very bad, 6 worst: all invented."""


@dataclass(frozen=True)
class Ease:
    """How an encoding departs from the table, so that a grade asks about the same of each.

    Attributes
    ----------
    short_waves : float
        Factor on azimuth error, spacing and on how far the amplifier's corner lies down.
    noise_db : float
        Added to all signal-to-noise figures from grade 4 up.
    drops : float
        Factor on the number of dropouts.
    """

    short_waves: float = 1.0
    noise_db: float = 0.0
    drops: float = 1.0


EASES: dict[str, Ease] = {
    "msx-2400": Ease(short_waves=0.4, noise_db=6.0, drops=0.6),
    "pulse-length": Ease(noise_db=1.5, drops=0.5),
    "cuts-1200": Ease(noise_db=1.5, drops=0.8),
    "msx-1200": Ease(noise_db=1.0),
}

RATES = (22_050, 44_100, 44_100, 44_100, 48_000)
BYTES_A_TAPE = {"kansas-city-300": 400}


# -- making a tape -------------------------------------------------------------------------------------------


def draw_channel(grade: Grade, ease: Ease, rng: np.random.Generator, severity: int) -> Channel:
    """One machine and one tape of a grade."""

    def pick(pair: Range) -> float:
        return float(rng.uniform(*pair))

    def either(pair: Range) -> float:
        return pick(pair) * float(rng.choice([-1.0, 1.0]))

    if severity == 0:
        return Channel(
            recording=Recording(),
            electronics=Electronics(
                highpass_hz=(20.0,), lowpass_hz=(15e3,), inverted=bool(rng.random() < 0.5)
            ),
        )
    flutter = pick(grade.flutter)
    # Capstan, belt, motor and pinch roller of a plain drive, and what each has of half the power.
    hertz = np.array([7.58, 4.465, 56.85, 1.26]) * rng.uniform(0.85, 1.15)
    shares = rng.dirichlet([2.0, 2.0, 1.0, 2.0])
    lines = [
        (float(f), flutter * math.sqrt(0.5 * float(s)) * math.sqrt(2))
        for f, s in zip(hertz, shares, strict=True)
    ]
    extra = ease.noise_db if severity >= 4 else 0.0
    corner = pick(grade.lowpass)
    return Channel(
        recording=Recording(
            highpass_hz=pick((60, 150)), lowpass_hz=pick((6e3, 12e3)), drive=pick((1.0, 2.0)),
            bias=either(grade.bias), flux_law=True,
            print_through_db=pick((-55, -45)) if severity >= 2 else None, radius=pick((0.012, 0.024)),
        ),
        speed=Speed(
            offset=either(grade.offset), wander=pick(grade.wander), wander_seconds=pick(grade.wander_seconds),
            lines=lines, flutter=flutter * math.sqrt(0.5), scrape=pick(grade.scrape),
        ),
        head=Head(
            gap=pick((1.5e-6, 3e-6)), angle=arcminutes(either(grade.angle)) * ease.short_waves,
            angle_wander=arcminutes(0.5), spacing=pick(grade.spacing) * 1e-6 * ease.short_waves,
            spacing_wander=pick(grade.spacing_wander) * 1e-6 * ease.short_waves, derivative=True,
        ),
        dropouts=Dropouts(
            per_second=pick(grade.drops) * ease.drops, depth_db=grade.drop_db,
            seconds=(grade.drop_ms[0] * 1e-3, grade.drop_ms[1] * 1e-3),
        ),
        electronics=Electronics(
            equaliser=True, highpass_hz=(pick((30, 80)), pick((30, 120))),
            lowpass_hz=(corner / ease.short_waves, 15e3), allpass_hz=(pick((2e3, 8e3)),),
            inverted=bool(rng.random() < 0.5), clip=pick((0.7, 0.95)) if rng.random() < 0.15 else None,
            offset=either(grade.offset_level), drift=pick(grade.drift), level_wander_db=pick(grade.level_db),
            level_steps=6.0 if severity >= 4 else 0.0, level_step_db=4.0,
            full_scale=pick((0.1, 0.6)), bits=16,
        ),
        noise=Noise(
            white_db=pick(grade.noise_db) + extra, tape_db=pick(grade.hiss_db) + extra,
            hum_db=pick(grade.hum_db), hum_hz=float(rng.choice([50.0, 60.0])),
            modulation=pick(grade.modulation), clicks=pick(grade.clicks),
        ),
    )  # fmt: skip


@dataclass(frozen=True)
class Case:
    """Which tape: everything else follows from it."""

    severity: int
    encoding: str
    tape: int
    seed: int
    takes: int = 1


@dataclass
class Made:
    """A tape, and each take of it."""

    written: Written
    channels: list[Channel]
    played: list[Played]
    rate: int


def make(case: Case, cache: str = "") -> Made:
    """Write, record and play the tape of a case, or take it from the folder `cache` if it is there."""
    if not cache:
        return _make(case)
    sources = [Path(__file__), Path(tape_encoders.__file__), Path(tape_channel.__file__)]
    key = hashlib.sha256(b"".join(path.read_bytes() for path in sources) + repr(case).encode()).hexdigest()
    path = Path(cache) / f"{case.encoding}-{case.severity}-{case.seed}-{case.tape}-{key[:12]}.pickle"
    if path.exists():
        with path.open("rb") as file:
            made: Made = pickle.load(file)
        return made
    made = _make(case)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(pickle.dumps(made))
    return made


def _make(case: Case) -> Made:
    names = list(WAYS)
    rng = np.random.default_rng([case.seed, case.severity, names.index(case.encoding), case.tape])
    way, grade = WAYS[case.encoding], GRADES[case.severity]
    data = payloads(rng, BYTES_A_TAPE.get(case.encoding, 1200))
    talk = rng.random() < grade.talk
    before = rng.uniform(3.0, 5.0) if talk else rng.uniform(0.3, 1.0)
    written = write_tape(case.encoding, data, rng, float(before))
    sounds = [Sound(0.2, 0.6 * speech(before - 0.6, rng), 22_050.0)] if talk else []
    programme = Programme(written.seconds, written.levels, sounds)
    rate = int(rng.choice(RATES))
    tracks = 2 if rng.random() < 0.3 else 1
    channels, played = [], []
    ease = EASES.get(case.encoding, Ease())
    worse = damage_of_takes(written, case.takes, rng) if case.takes > 1 else [()]
    for take in range(case.takes):
        channel = draw_channel(grade, ease, rng, case.severity)
        recording = replace(channel.recording, shape=way.shape)
        if take:
            # One recording, played anew: only the replay differs.
            recording = channels[0].recording
        channel = replace(channel, recording=recording, dropouts=replace(channel.dropouts, at=worse[take]))
        channels.append(channel)
        played.append(play(programme, channel, rate, rng, tracks))
    return Made(written, channels, played, rate)


def damage_of_takes(
    written: Written, takes: int, rng: np.random.Generator
) -> list[list[tuple[float, float, float]]]:
    """Deep dropouts for each take, such that no place is spoilt in all of them.

    The tape is cut into stretches of 0.25 s; in each, one take stays whole and the others lose 20 to 40 dB
    for 20 to 80 ms, each with a chance of one half.
    """
    spoilt: list[list[tuple[float, float, float]]] = [[] for _ in range(takes)]
    for number, start in enumerate(np.arange(0.0, written.duration - 0.25, 0.25)):
        whole = int(rng.integers(takes)) if takes > 2 else number % takes
        for take in range(takes):
            if take != whole and rng.random() < 0.5:
                length = float(rng.uniform(0.02, 0.08))
                spoilt[take].append(
                    (float(start + rng.uniform(0.05, 0.12)), length, float(rng.uniform(20, 40)))
                )
    return spoilt


# -- reading it ----------------------------------------------------------------------------------------------


@dataclass
class Count:
    """What one reader made of one tape."""

    recovered: int = 0
    unclaimed: int = 0
    false_good: int = 0
    seconds: float = 0.0
    missed: list[dict[str, Any]] = field(default_factory=list)
    invented: list[dict[str, Any]] = field(default_factory=list)
    broke: str = ""


@lru_cache(maxsize=16)
def _encoding(name: str) -> Any:
    from benchwright.tape.encoding import encoding_named, parse_encoding

    definition = WAYS[name].definition
    return parse_encoding(definition) if definition else encoding_named(name)


def read_blocks(samples: NDArray[np.float32], rate: int, encoding_name: str) -> Sequence[Any]:
    """The reader under test: blocks with ``data``, ``good`` and ``start``."""
    from benchwright.tape.decode import decode
    from benchwright.tape.recording import Recording as Take

    with Take.from_array(samples, rate) as take:
        return decode(take, _encoding(encoding_name)).blocks


def can_merge() -> bool:
    """Whether the package knows how to merge takes; until then the first take is read alone."""
    return importlib.util.find_spec("benchwright.tape.merge") is not None


def merge_blocks(takes: Sequence[NDArray[np.float32]], rate: int, encoding_name: str) -> Sequence[Any]:
    """The merger under test: blocks from several takes of one tape."""
    from benchwright.tape.merge import merge
    from benchwright.tape.recording import Recording as Take

    return merge([Take.from_array(take, rate) for take in takes], _encoding(encoding_name)).blocks


def _nearest(sent: Sent, blocks: Sequence[Any], begin: float, end: float) -> dict[str, Any]:
    """Of the blocks read at the time of the one sent, that with fewest wrong bytes."""
    best: dict[str, Any] = {"wrong": None}
    for block in blocks:
        if not begin - 0.1 < block.start < end:
            continue
        for meant in (sent.framed, sent.data):
            length = min(len(meant), len(block.data))
            a, b = np.frombuffer(meant[:length], np.uint8), np.frombuffer(block.data[:length], np.uint8)
            wrong = int(np.count_nonzero(a != b)) + abs(len(meant) - len(block.data))
            if best["wrong"] is None or wrong < best["wrong"]:
                first = int(np.argmax(a != b)) if np.any(a != b) else length
                best = {
                    "wrong": wrong, "first": first, "length": len(block.data), "good": bool(block.good),
                    "at": round(float(block.start), 3),
                }  # fmt: skip
    return best


def score(sent: Sequence[Sent], blocks: Sequence[Any], when: Sequence[Range]) -> Count:
    """Mark one reader on one tape; `when` each block was played, seconds."""
    count = Count()
    good = {bytes(b.data) for b in blocks if b.good}
    every = {bytes(b.data) for b in blocks}
    for number, block in enumerate(sent):
        if {block.data, block.framed} & good:
            count.recovered += 1
            continue
        if {block.data, block.framed} & every:
            count.unclaimed += 1
        begin, end = when[number]
        count.missed.append({
            "block": number, "bytes": len(block.data), "from": round(begin, 3), "to": round(end, 3),
            **_nearest(block, blocks, begin, end),
        })  # fmt: skip
    meant = {text for block in sent for text in (block.data, block.framed)}
    for block in blocks:
        if block.good and bytes(block.data) not in meant:
            count.false_good += 1
            count.invented.append({"at": round(float(block.start), 3), "bytes": len(block.data)})
    return count


def _timed(sent: Sequence[Sent], when: Sequence[Range], read: Any) -> Count:
    begun, blocks, broke = time.perf_counter(), [], ""
    try:
        blocks = read()
    except Exception:
        # One reader that breaks must not cost the others their table.
        broke = traceback.format_exc(limit=-4)
    spent = time.perf_counter() - begun
    count = score(sent, blocks, when)
    count.seconds, count.broke = spent, broke
    return count


_MINIMODEM = {
    "kansas-city-300": ("300", 2400, 1200),
    "cuts-1200": ("1200", 2400, 1200),
    "msx-1200": ("1200", 2400, 1200),
    "msx-2400": ("2400", 4800, 2400),
}


def read_minimodem(samples: NDArray[np.float32], rate: int, name: str, sent: Sequence[Sent]) -> Count | None:
    """A general-purpose modem program; a block counts wherever its bytes stand in what it prints."""
    if name not in _MINIMODEM or shutil.which("minimodem") is None:
        return None
    baud, mark, space = _MINIMODEM[name]
    mono = samples if samples.ndim == 1 else samples[:, 0]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        soundfile.write(path, mono, rate, subtype="PCM_16")
        begun = time.perf_counter()
        told = subprocess.run(
            ["minimodem", "--rx", baud, "-M", str(mark), "-S", str(space), "--startbits", "1", "--stopbits",
             "2", "-f", str(path)],
            capture_output=True, check=False, timeout=600,
        )  # fmt: skip
        spent = time.perf_counter() - begun
    return Count(recovered=sum(block.data in told.stdout for block in sent), seconds=spent)


READERS = ("package", "plain", "filtered", "told", "minimodem")


def run(job: tuple[Case, tuple[str, ...], str, str]) -> tuple[Case, dict[str, Any]]:
    """Make one tape and let every reader have it."""
    case, readers, keep, cache = job
    made = make(case, cache)
    sent, rate, name = made.written.blocks, made.rate, case.encoding
    first = made.played[0]
    samples = first.samples
    long = len(samples) / rate
    when: list[Range] = [tuple(first.speed.time([b.start, b.stop]).tolist()) for b in sent]
    found: dict[str, Count] = {}
    if "package" in readers:
        if case.takes > 1 and can_merge():
            takes = [p.samples for p in made.played]
            found["package"] = _timed(sent, when, lambda: merge_blocks(takes, rate, name))
        else:
            found["package"] = _timed(sent, when, lambda: read_blocks(samples, rate, name))
    if "plain" in readers:
        found["plain"] = _timed(sent, when, lambda: read_plain(samples, rate, name))
    if "filtered" in readers:
        found["filtered"] = _timed(
            sent, when, lambda: read_plain(_mono_filtered(samples, rate, name), rate, name, "each")
        )
    if "told" in readers:
        even = [_mono_filtered(p.steady(), rate, name) for p in made.played]
        found["told"] = _timed(
            sent, when, lambda: [b for take in even for b in read_plain(take, rate, name, "even")]
        )
    if "minimodem" in readers:
        modem = read_minimodem(samples, rate, name, sent)
        if modem is not None:
            found["minimodem"] = modem
    if keep:
        _keep(case, made, found, Path(keep))
    return case, {
        "blocks": len(sent), "long": long, "rate": rate, "tracks": 1 if samples.ndim == 1 else 2,
        "readers": {reader: asdict(count) for reader, count in found.items()},
    }  # fmt: skip


def _mono_filtered(samples: NDArray[np.float32], rate: int, name: str) -> NDArray[np.float64]:
    mono = samples.astype(float) if samples.ndim == 1 else samples[:, 0].astype(float)
    return filtered(mono, rate, name)


def _keep(case: Case, made: Made, found: dict[str, Count], folder: Path) -> None:
    """Write the takes and the truth to a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    stem = f"{case.encoding}-{case.severity}-{case.seed}-{case.tape}"
    for take, played in enumerate(made.played):
        soundfile.write(folder / f"{stem}-{take}.wav", played.samples, made.rate, subtype="PCM_16")
    truth = {
        "case": asdict(case),
        "channel": [asdict(channel) for channel in made.channels],
        "blocks": [
            {
                "data": block.data.hex(), "framed": block.framed.hex(),
                "from_to": [
                    np.round(take.speed.time([block.start, block.stop]), 4).tolist() for take in made.played
                ],
            }
            for block in made.written.blocks
        ],
        "readers": {reader: asdict(count) for reader, count in found.items()},
    }  # fmt: skip
    (folder / f"{stem}.json").write_text(json.dumps(truth, indent=1, default=float))


# -- the table -----------------------------------------------------------------------------------------------


def _show(results: list[tuple[Case, dict[str, Any]]], readers: Sequence[str]) -> None:
    groups: dict[tuple[int, str], list[dict[str, Any]]] = {}
    for case, result in results:
        groups.setdefault((case.severity, case.encoding), []).append(result)
        groups.setdefault((case.severity, "all"), []).append(result)
    head = f"{'':1} {'encoding':16} {'tapes':>5} {'blocks':>6}"
    for reader in readers:
        head += f" | {reader:>9} {'false':>5}" + (f" {'x time':>6}" if reader == "package" else "")
    print(head)
    order = [*WAYS, "all"]
    for severity, name in sorted(groups, key=lambda key: (key[0], order.index(key[1]))):
        rows = groups[severity, name]
        blocks = sum(row["blocks"] for row in rows)
        line = f"{severity} {name:16} {len(rows):5} {blocks:6}"
        for reader in readers:
            counts = [(row["readers"][reader], row) for row in rows if reader in row["readers"]]
            if not counts:
                line += f" | {'-':>9} {'':>5}" + (f" {'':>6}" if reader == "package" else "")
                continue
            of = sum(row["blocks"] for _, row in counts)
            share = sum(count["recovered"] for count, _ in counts) / of
            wrong = sum(count["false_good"] for count, _ in counts)
            line += f" | {share:8.1%}  {wrong:5}"
            if reader == "package":
                pace = sum(row["long"] for _, row in counts) / max(1e-9, sum(c["seconds"] for c, _ in counts))
                line += f" {pace:6.0f}"
        print(line)
        if name == "all":
            print()


def _failures(results: list[tuple[Case, dict[str, Any]]], reader: str) -> None:
    print(f"missed by {reader}:")
    for case, result in results:
        count = result["readers"].get(reader)
        for miss in count["missed"] if count else ():
            print(
                f"  severity {case.severity} {case.encoding} seed {case.seed} tape {case.tape} "
                f"({result['rate']} Hz, {result['tracks']} ch) block {miss['block']}, {miss['bytes']} bytes, "
                f"{miss['from']}..{miss['to']} s: "
                + (
                    f"read {miss['length']} bytes at {miss['at']} s, {miss['wrong']} wrong from byte "
                    f"{miss['first']}, {'good' if miss['good'] else 'not good'}"
                    if miss["wrong"] is not None
                    else "nothing read there"
                )
            )
        if count and count["broke"]:
            print(f"  severity {case.severity} {case.encoding} seed {case.seed} tape {case.tape} BROKE")
            print(count["broke"])
        for wrong in count["invented"] if count else ():
            print(
                f"  severity {case.severity} {case.encoding} seed {case.seed} tape {case.tape} "
                f"FALSE GOOD at {wrong['at']} s, {wrong['bytes']} bytes"
            )


def main() -> None:
    """Read the command line, make and read the tapes, print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--severity", type=int, nargs="*", default=list(range(len(GRADES))), help="grades")
    parser.add_argument("--encoding", nargs="*", default=list(WAYS), choices=list(WAYS), metavar="NAME")
    parser.add_argument("--tapes", type=int, default=3, help="tapes for each grade and encoding")
    parser.add_argument("--first", type=int, default=0, help="number of the first tape")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--takes", type=int, default=1, help="takes of each tape, to be merged")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--readers", nargs="*", default=list(READERS), choices=READERS)
    parser.add_argument("--failures", action="store_true", help="list every block missed")
    parser.add_argument("--missed-by", default="package", choices=READERS, help="whose misses to list")
    parser.add_argument("--keep", default="", metavar="FOLDER", help="write recordings and truth there")
    parser.add_argument("--cache", default="", metavar="FOLDER", help="keep tapes there for the next run")
    parser.add_argument("--json", action="store_true", help="print results as JSON")
    asked = parser.parse_args()
    jobs = [
        (Case(severity, name, tape, asked.seed, asked.takes), tuple(asked.readers), asked.keep, asked.cache)
        for severity in asked.severity
        for name in asked.encoding
        for tape in range(asked.first, asked.first + asked.tapes)
    ]
    results: list[tuple[Case, dict[str, Any]]] = []
    with ProcessPoolExecutor(asked.jobs) as pool:
        for done, result in enumerate(pool.map(run, jobs) if asked.jobs > 1 else map(run, jobs), start=1):
            results.append(result)
            print(f"\r{done}/{len(jobs)}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    if asked.json:
        print(json.dumps([{**asdict(case), **result} for case, result in results], default=float))
        return
    _show(results, asked.readers)
    if asked.failures:
        _failures(results, asked.missed_by)


if __name__ == "__main__":
    main()
