"""minimodem, a general-purpose audio modem program, reads what is rendered, and what it sends is read.

Tones, rate and frame are those of the Kansas City standard (BYTE, February 1976, pp. 72-73) and of its
1200 bit/s version: a start bit, 8 bits with the least first, 2 stop bits; 2400 Hz is a 1 and 1200 Hz a 0.
minimodem 0.24.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from benchwright.tape import Recording
from benchwright.tape.decode import decode
from benchwright.tape.encoding import encoding_named
from benchwright.tape.render import render, write_recording

SPEEDS = [("kansas-city-300", "300"), ("cuts-1200", "1200"), ("msx-1200", "1200")]
TONES = ["-M", "2400", "-S", "1200", "--startbits", "1", "--stopbits", "2"]


@pytest.mark.parametrize(("name", "speed"), SPEEDS)
@pytest.mark.parametrize("shape", ["sine", "square"])
def test_it_reads_what_is_rendered(
    tool: Callable[[str], Path], tmp_path: Path, rng: np.random.Generator, name: str, speed: str, shape: str
) -> None:
    """Every byte comes out as it went in."""
    program = tool("minimodem")
    data = rng.integers(0, 256, 120, dtype=np.uint8).tobytes()
    path = tmp_path / "rendered.wav"
    write_recording(path, render([data], encoding_named(name), 48000, shape=shape), 48000)
    done = subprocess.run(
        [program, "--rx", "--quiet", *TONES, "--file", path, speed], capture_output=True, check=False
    )
    assert data in done.stdout, (data, done.stdout, done.stderr)


@pytest.mark.parametrize(("name", "speed"), SPEEDS)
@pytest.mark.parametrize("rate", [24000, 48000, 96000])
def test_what_it_sends_is_read(
    tool: Callable[[str], Path], tmp_path: Path, rng: np.random.Generator, name: str, speed: str, rate: int
) -> None:
    """Every byte that it sends is read, and the block is good with a second of the idle tone in front.

    Without, it is not called good: two bits of it, as it sends, are too few to see a beginning by.

    At these rates a bit is a whole number of samples. At others it rounds the bit, not the tones, and sends
    bits that are not whole cycles.
    """
    program = tool("minimodem")
    data = rng.integers(0, 256, 100, dtype=np.uint8).tobytes()
    path = tmp_path / "sent.wav"
    subprocess.run(
        [program, "--tx", *TONES, "--samplerate", str(rate), "--file", path, speed], input=data, check=True
    )
    sent, _ = soundfile.read(path)
    leader = np.max(np.abs(sent)) * np.sin(2 * np.pi * 2400 * np.arange(rate) / rate)
    tape = decode(Recording.from_array(np.concatenate((leader, sent)), rate), encoding_named(name))
    assert [block.data for block in tape.blocks] == [data]
    assert tape.blocks[0].good
    short = decode(Recording.from_array(np.pad(sent, rate // 2), rate), encoding_named(name))
    assert [block.data for block in short.blocks] == [data]
    assert not short.blocks[0].good


@pytest.mark.parametrize(
    ("name", "speed", "rate"),
    [("cuts-1200", "1200", 44100), ("msx-1200", "1200", 22050), ("kansas-city-300", "300", 22050)],
)
def test_bits_that_are_not_whole_cycles(
    tool: Callable[[str], Path], tmp_path: Path, rng: np.random.Generator, name: str, speed: str, rate: int
) -> None:
    """Bits of 37 samples for 36.75, 18 for 18.375, 74 for 73.5 slip against their tones, and are read."""
    program = tool("minimodem")
    data = rng.integers(0, 256, 100, dtype=np.uint8).tobytes()
    path = tmp_path / "sent.wav"
    subprocess.run(
        [program, "--tx", *TONES, "--samplerate", str(rate), "--file", path, speed], input=data, check=True
    )
    sent, _ = soundfile.read(path)
    leader = np.max(np.abs(sent)) * np.sin(2 * np.pi * 2400 * np.arange(rate) / rate)
    tape = decode(Recording.from_array(np.concatenate((leader, sent)), rate), encoding_named(name))
    assert [block.data for block in tape.blocks] == [data]
    assert not tape.blocks[0].good
