"""How fast tapes are read, and in how much memory, against reading the file and one Fourier transform of it.

For each encoding and grade of damage a side of tape is written as FLAC, 44.1 kHz, 16 bits, mono: a stretch
from the physical model of tape_grades.py, over and over, with a second of hiss between. Then, each in a
process of its own with one thread,

- reading: soundfile reads the file in pieces of 65,536 samples, and each is Fourier-transformed once;
- decoding: benchwright.tape.decode reads the blocks.

Time is that of the processor. Memory is the most that the process held, Python and its libraries included.
Compiling the inner loops, which happens once after installing, is left out and timed apart. The last stretch
on a side is cut off wherever the side ends, so a few more blocks may be found than stand there whole.

    python benchmarks/tape_speed.py
    python benchmarks/tape_speed.py --severity 2 --minutes 90 --encoding msx-1200
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
RATE = 44_100
PIECE = 65_536
BLOCK_BYTES = {"kansas-city-300": (300, 300)}
"""Of the blocks in a stretch; elsewhere 512, 2048 and 1024."""
NAMES = (
    "kansas-city-300", "cuts-1200", "msx-1200", "msx-2400", "phase-1500", "pulse-width", "pulse-length",
)  # fmt: skip


def write_side(path: Path, encoding: str, severity: int, minutes: float, seed: int) -> int:
    """Write a side of tape; how many blocks are on it."""
    from benchwright.demo.tape_channel import Programme, play
    from tape_encoders import WAYS, payload, write_tape
    from tape_grades import EASES, GRADES, Ease, draw_channel

    rng = np.random.default_rng([seed, severity, NAMES.index(encoding)])
    data = [payload(rng, "code", length) for length in BLOCK_BYTES.get(encoding, (512, 2048, 1024))]
    written = write_tape(encoding, data, rng, 0.5)
    channel = draw_channel(GRADES[severity], EASES.get(encoding, Ease()), rng, severity)
    channel = replace(channel, recording=replace(channel.recording, shape=WAYS[encoding].shape))
    stretch = play(Programme(written.seconds, written.levels), channel, RATE, rng).samples
    stretch = stretch * min(1.0, 0.99 / float(np.max(np.abs(stretch))))
    hiss = max(1e-5, float(np.std(stretch[: RATE // 5])))
    left = round(minutes * 60 * RATE)
    whole = 0
    with soundfile.SoundFile(path, "w", RATE, 1, "PCM_16", format="FLAC") as file:
        while left > 0:
            file.write(stretch[:left])
            whole += len(stretch) <= left
            left -= len(stretch)
            pause = rng.normal(0, hiss, RATE).astype(np.float32)
            file.write(pause[: max(0, left)])
            left -= RATE
    return whole * len(data)


def measure(what: str, path: str, encoding: str) -> dict[str, Any]:
    """One measurement, in this process."""
    found: dict[str, Any] = {}
    if what == "read":
        begun = time.process_time()
        total = 0.0
        for piece in soundfile.blocks(path, PIECE, dtype="float32"):
            total += float(np.abs(np.fft.rfft(piece)[0]))
        found["seconds"] = time.process_time() - begun
    else:
        from benchwright.tape.decode import decode
        from benchwright.tape.encoding import encoding_named, parse_encoding
        from benchwright.tape.recording import Recording
        from tape_encoders import WAYS

        text = WAYS[encoding].definition
        way = parse_encoding(text) if text else encoding_named(encoding)
        # A first stretch, so that nothing is compiled or loaded while time is taken.
        rng = np.random.default_rng(1)
        start = soundfile.read(path, 15 * RATE, dtype="float32")[0]
        start = start + rng.normal(0, 0.02 * float(np.std(start)), len(start)).astype(np.float32)
        begun = time.process_time()
        with Recording.from_array(start, RATE) as recording:
            decode(recording, way)
        found["first"] = time.process_time() - begun
        if what == "begin":
            return found
        begun = time.process_time()
        with Recording.open(path) as recording:
            tape = decode(recording, way)
        found["seconds"] = time.process_time() - begun
        found["blocks"] = sum(block.good for block in tape.blocks)
    found["megabytes"] = _most_memory()
    return found


def _most_memory() -> float:
    """The most that this process held, in MB."""
    try:
        # Not what getrusage says: there a process begins with what its parent held.
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith("VmHWM"):
                return int(line.split()[1]) / 1024
    except OSError:
        pass
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _apart(what: str, path: Path, encoding: str, cache: str = "") -> dict[str, Any]:
    """One measurement in a process of its own."""
    environment = {
        **os.environ,
        **dict.fromkeys(THREADS, "1"),
        **({"NUMBA_CACHE_DIR": cache} if cache else {}),
    }
    told = subprocess.run(
        [sys.executable, __file__, "--measure", what, str(path), encoding],
        check=True, capture_output=True, text=True, env=environment,
    )  # fmt: skip
    answer: dict[str, Any] = json.loads(told.stdout.splitlines()[-1])
    return answer


def _processor() -> str:
    try:
        for line in Path("/proc/cpuinfo").read_text().splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    except OSError:
        pass
    return platform.processor() or "unknown processor"


def run(names: Sequence[str], severities: Sequence[int], minutes: float, seed: int) -> None:
    """Make the sides, measure, print the table."""
    print(
        f"machine: {_processor()}, {os.cpu_count()} cores, {platform.platform()}, "
        f"Python {platform.python_version()}; load {os.getloadavg()[0]:.1f}; sides of {minutes:g} minutes"
    )
    print(
        f"{'grade':5} {'encoding':16} {'blocks':>9} {'read s':>7} {'decode s':>8} {'ratio':>6} {'x time':>6} "
        f"{'MB':>5}"
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "side.flac"
        for severity in severities:
            read, spent = 0.0, 0.0
            for name in names:
                sent = write_side(path, name, severity, minutes, seed)
                if not read:  # compiling takes memory of its own: let it be done, and its result kept
                    _apart("begin", path, name)
                reading, decoding = _apart("read", path, name), _apart("decode", path, name)
                read, spent = read + reading["seconds"], spent + decoding["seconds"]
                print(
                    f"{severity:5} {name:16} {decoding['blocks']:4}/{sent:<4} {reading['seconds']:7.2f} "
                    f"{decoding['seconds']:8.2f} {decoding['seconds'] / reading['seconds']:6.1f} "
                    f"{minutes * 60 / decoding['seconds']:6.0f} {decoding['megabytes']:5.0f}",
                    flush=True,
                )
            print(
                f"{severity:5} {'all':16} {'':9} {read:7.2f} {spent:8.2f} {spent / read:6.1f} "
                f"{len(names) * minutes * 60 / spent:6.0f}",
                flush=True,
            )
        cold = _apart("begin", path, names[-1], str(Path(folder) / "cache"))["first"]
        warm = _apart("begin", path, names[-1])["first"]
        print(f"compiling, once after installing: {cold - warm:.1f} s")


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--severity", type=int, nargs="*", default=[0, 2, 3, 5], help="grades")
    parser.add_argument("--encoding", nargs="*", default=list(NAMES), choices=NAMES, metavar="NAME")
    parser.add_argument("--minutes", type=float, default=5.0, help="length of a side")
    parser.add_argument("--seed", type=int, default=21)
    parser.add_argument("--measure", nargs=3, default=None, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.measure:
        print(json.dumps(measure(*asked.measure)))
        return
    run(asked.encoding, asked.severity, asked.minutes, asked.seed)


if __name__ == "__main__":
    main()
