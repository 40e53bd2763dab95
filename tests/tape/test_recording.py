"""Recordings in any format and condition."""

from __future__ import annotations

import io
import itertools
import shlex
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from benchwright import Recording
from benchwright.errors import BadFile

RATE = 44100


def tone(seconds: float = 1.0, rate: int = RATE, hz: float = 1000.0, level: float = 0.5) -> np.ndarray:
    return level * np.sin(2 * np.pi * hz * np.arange(int(seconds * rate)) / rate)


def wav_bytes(
    samples: np.ndarray, bits: int = 16, fmt: bytes | None = None, data_length: int | None = None,
    before: bytes = b"", after: bytes = b"",
) -> bytes:  # fmt: skip
    """A mono WAV file written by hand from the RIFF description."""
    scale = 2 ** (bits - 1)
    whole = np.clip(np.round(samples * scale), -scale, scale - 1).astype(np.int64)
    if bits == 8:
        data = (whole + 128).astype(np.uint8).tobytes()
    else:
        data = b"".join(int(v).to_bytes(bits // 8, "little", signed=True) for v in whole)
    if fmt is None:
        align = bits // 8
        fmt = struct.pack("<HHIIHH", 1, 1, RATE, RATE * align, align, bits)
    length = len(data) if data_length is None else data_length
    body = b"WAVE" + before + b"fmt " + struct.pack("<I", len(fmt)) + fmt
    body += b"data" + struct.pack("<I", length) + data + after
    return b"RIFF" + struct.pack("<I", len(body) & 0xFFFFFFFF) + body


@pytest.mark.parametrize(
    ("container", "subtype", "error"),
    [
        ("WAV", "PCM_U8", 2**-7), ("WAV", "PCM_16", 2**-15), ("WAV", "PCM_24", 2**-22),
        ("WAV", "PCM_32", 1e-7), ("WAV", "FLOAT", 1e-7), ("WAV", "DOUBLE", 1e-7),
        ("FLAC", "PCM_16", 2**-15), ("FLAC", "PCM_24", 2**-22),
        ("AIFF", "PCM_16", 2**-15), ("AIFF", "PCM_24", 2**-22), ("RF64", "PCM_16", 2**-15),
        ("W64", "PCM_16", 2**-15), ("OGG", "VORBIS", 0.12),
    ],
)  # fmt: skip
@pytest.mark.parametrize("channels", [1, 2, 3])
def test_every_format_and_depth(
    tmp_path: Path, container: str, subtype: str, error: float, channels: int
) -> None:
    """What libsndfile wrote is read back to within the depth of the format, without a warning."""
    wave = np.stack([tone(hz=500.0 * (n + 1)) for n in range(channels)], axis=1)
    path = tmp_path / "take"
    soundfile.write(path, wave, RATE, format=container, subtype=subtype)
    recording = Recording.open(path)
    assert (recording.rate, recording.channels, recording.frames) == (RATE, channels, RATE)
    assert recording.duration == 1.0
    assert recording.warnings == []
    assert_allclose(recording.samples(), wave, atol=error)
    assert_allclose(recording.samples(channel=channels - 1), wave[:, -1], atol=error)
    assert_allclose(recording.samples(channel="mean"), wave.mean(axis=1), atol=error)


@pytest.mark.parametrize("rate", [8000, 11025, 22050, 48000, 96000, 192000])
def test_usual_rates_are_read_in_silence(tmp_path: Path, rate: int) -> None:
    soundfile.write(tmp_path / "take.wav", tone(0.1, rate), rate)
    recording = Recording.open(tmp_path / "take.wav")
    assert (recording.rate, recording.warnings) == (rate, [])


@pytest.mark.parametrize("rate", [4000, 384000])
def test_unusual_rates_are_read_with_a_warning(tmp_path: Path, rate: int) -> None:
    soundfile.write(tmp_path / "take.wav", tone(0.1, rate), rate)
    recording = Recording.open(tmp_path / "take.wav")
    assert recording.rate == rate
    assert any(str(rate) in text for text in recording.warnings)


@given(
    length=st.integers(1, 5000), frames=st.integers(2, 900), overlap=st.integers(0, 899),
    start=st.integers(0, 5000), stop=st.one_of(st.none(), st.integers(0, 6000)),
)  # fmt: skip
def test_blocks_tile_the_stretch(
    length: int, frames: int, overlap: int, start: int, stop: int | None
) -> None:
    """Without their overlaps the blocks are exactly the samples asked for."""
    overlap %= frames
    wave = np.arange(2 * length, dtype=np.float32).reshape(length, 2) / (2 * length)
    recording = Recording.from_array(wave, RATE)
    blocks = list(recording.blocks(frames, overlap, start, stop))
    wanted = wave[start:stop]
    if len(wanted) == 0:
        assert blocks == []
        return
    assert all(len(block) <= frames for block in blocks)
    for before, after in itertools.pairwise(blocks):
        assert_array_equal(after[:overlap], before[len(before) - overlap :])
    joined = np.concatenate([blocks[0], *(block[overlap:] for block in blocks[1:])])
    assert_array_equal(joined, wanted)


def test_blocks_need_room_beside_the_overlap() -> None:
    with pytest.raises(ValueError, match="overlap"):
        Recording.from_array(tone(), RATE).blocks(100, overlap=100)


def test_a_channel_that_is_not_there() -> None:
    with pytest.raises(BadFile, match="no channel 2"):
        Recording.from_array(tone(), RATE).samples(channel=1)


@pytest.mark.parametrize("kind", [np.int16, np.uint8, np.int32, np.float64])
def test_arrays_of_whole_numbers_have_the_full_scale_of_their_type(kind: type) -> None:
    wave = tone()
    if np.dtype(kind).kind == "f":
        held = wave.astype(kind)
    else:
        half = 2.0 ** (8 * np.dtype(kind).itemsize - 1)
        held = np.round(wave * half + (half if kind == np.uint8 else 0)).astype(kind)
    assert_allclose(Recording.from_array(held, RATE).samples(channel=0), wave, atol=1 / 128)


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
@pytest.mark.parametrize("length", [0, 0xFFFFFFFF, 0x7FFFFFFF, 10**8, 64])
def test_wrong_length_of_the_samples(tmp_path: Path, bits: int, length: int) -> None:
    """A recorder that lost its power leaves any length in the header; the samples are there all the same."""
    wave = tone()
    path = tmp_path / "take.wav"
    path.write_bytes(wav_bytes(wave, bits=bits, data_length=length))
    recording = Recording.open(path)
    assert_allclose(recording.samples(channel=0), wave, atol=2.0 ** (1 - bits) + 1e-6)
    assert len(recording.warnings) == 1
    assert "read to" in recording.warnings[0]


def test_unknown_chunks_before_and_after_are_no_fault(tmp_path: Path) -> None:
    wave = tone()
    odd = b"odd " + struct.pack("<I", 3) + b"abc\0"
    path = tmp_path / "take.wav"
    path.write_bytes(wav_bytes(wave, before=odd, after=odd + b"LIST" + struct.pack("<I", 4) + b"INFO"))
    recording = Recording.open(path)
    assert recording.warnings == []
    assert recording.frames == len(wave)


def test_missing_padding_byte(tmp_path: Path) -> None:
    wave = tone()
    path = tmp_path / "take.wav"
    path.write_bytes(wav_bytes(wave, before=b"note" + struct.pack("<I", 5) + b"A-side"[:5]))
    recording = Recording.open(path)
    assert_allclose(recording.samples(channel=0), wave, atol=1e-4)
    assert any("padding" in text for text in recording.warnings)


@pytest.mark.parametrize(
    ("fmt", "words"),
    [
        (struct.pack("<HHIIHH", 1, 1, 0, 0, 2, 16), "0 Hz makes no sense"),
        (struct.pack("<HHIIHH", 1, 0, RATE, 0, 2, 16), "0 channels"),
        (struct.pack("<HHIIHH", 1, 1, RATE, 0, 0, 16), "frame of 0 bytes"),
        (struct.pack("<HHIIHH", 1, 1, RATE, 0, 2, 0), "bits per sample 0"),
        (struct.pack("<HHIIHH", 0, 0, 0, 0, 0, 0), "assumed 16 bit mono at 44100 Hz"),
        (b"", "assumed 16 bit mono at 44100 Hz"),
    ],
)
def test_missing_fields_are_completed_and_said(tmp_path: Path, fmt: bytes, words: str) -> None:
    wave = tone()
    path = tmp_path / "take.wav"
    path.write_bytes(wav_bytes(wave, fmt=fmt))
    recording = Recording.open(path)
    assert_allclose(recording.samples(channel=0), wave, atol=1e-4)
    assert (recording.rate, recording.channels) == (RATE, 1)
    assert any(words in text for text in recording.warnings), recording.warnings


def test_header_cut_off_says_what_was_assumed(tmp_path: Path) -> None:
    wave = tone()
    path = tmp_path / "take.wav"
    path.write_bytes(wav_bytes(wave)[44:])
    recording = Recording.open(path)
    assert_allclose(recording.samples(channel=0), wave, atol=1e-4)
    assert any("assumed 16 bit mono at 44100 Hz" in text for text in recording.warnings)


@pytest.mark.parametrize("name", ["take.wav", "take.flac", "notes"])
@pytest.mark.parametrize(
    "content",
    [
        b"x", b"RIFF", b"RIFF\x00\x00\x00\x00WAVE", b"These are notes about a tape, not a tape.\n" * 400,
        np.random.default_rng(5).bytes(40_000), b"\x89PNG\r\n\x1a\n" + bytes(5000), bytes(5000), b"fLaC",
        b"OggS\0\2", b"FORM\0\0\0\0AIFF",
    ],
)  # fmt: skip
def test_what_is_not_sound_is_refused_in_plain_words(tmp_path: Path, name: str, content: bytes) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(BadFile) as caught:
        Recording.open(path)
    assert str(path) in str(caught.value)
    assert "expected" in str(caught.value) or "no samples" in str(caught.value)


def test_folder_empty_file_and_nothing_at_all(tmp_path: Path) -> None:
    with pytest.raises(BadFile, match="folder"):
        Recording.open(tmp_path)
    (tmp_path / "empty.wav").touch()
    with pytest.raises(BadFile, match="empty"):
        Recording.open(tmp_path / "empty.wav")
    with pytest.raises(FileNotFoundError):
        Recording.open(tmp_path / "none.wav")


def test_samples_that_are_no_numbers_become_silence_and_are_counted_once(tmp_path: Path) -> None:
    wave = tone().astype(np.float32)
    wave[[100, 200]] = np.nan
    wave[300] = np.inf
    wave[400] = -3e38
    soundfile.write(tmp_path / "take.wav", wave, RATE, subtype="FLOAT")
    recording = Recording.open(tmp_path / "take.wav")
    for _ in range(2):
        read = recording.samples(channel=0)
        assert np.all(read[[100, 200, 300, 400]] == 0.0)
        assert_array_equal(np.delete(read, [100, 200, 300, 400]), np.delete(wave, [100, 200, 300, 400]))
    assert [text for text in recording.warnings if text.startswith("4 samples are not a number")]


def test_beyond_full_scale_is_kept_and_said() -> None:
    recording = Recording.from_array(3.0 * tone(level=1.0), RATE)
    assert recording.samples().max() == pytest.approx(3.0, rel=1e-3)
    assert any("3 times full scale" in text for text in recording.warnings)


@pytest.mark.parametrize("container", ["FLAC", "OGG", "AIFF", "WAV"])
def test_cut_off_files_give_what_is_left(tmp_path: Path, container: str, rng: np.random.Generator) -> None:
    wave = tone(4.0) + 0.01 * rng.standard_normal(4 * RATE)
    path = tmp_path / "take"
    soundfile.write(path, wave, RATE, format=container)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) * 6 // 10])
    recording = Recording.open(path)
    read = recording.samples(channel=0)
    assert 0.4 * len(wave) < len(read) < 0.7 * len(wave)
    assert recording.frames == len(read)
    good = len(read) - 4096  # the last page of a lossy file may be incomplete
    assert_allclose(read[:good], wave[:good], atol=0.06)
    assert recording.warnings


def test_hole_in_a_flac_file_keeps_the_times_of_what_follows(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    wave = tone(4.0) + 0.01 * rng.standard_normal(4 * RATE)
    path = tmp_path / "take.flac"
    soundfile.write(path, wave, RATE)
    content = bytearray(path.read_bytes())
    content[len(content) // 2 : len(content) // 2 + 50] = bytes(50)
    path.write_bytes(content)
    recording = Recording.open(path)
    read = recording.samples(channel=0)
    assert len(read) == len(wave)
    assert_allclose(read[3 * RATE :], wave[3 * RATE :], atol=1e-4)
    assert any("replaced by silence" in text for text in recording.warnings)
    assert np.count_nonzero(np.abs(read - wave) > 1e-3) <= 65_536


FILES: dict[str, bytes] = {}


def sound_file(container: str) -> bytes:
    if container not in FILES:
        held = io.BytesIO()
        soundfile.write(held, np.stack([tone(0.2)] * 2, axis=1), RATE, format=container)
        FILES[container] = held.getvalue()
    return FILES[container]


@given(
    container=st.sampled_from(["WAV", "WAV", "WAV", "RF64", "W64", "AIFF", "FLAC", "OGG"]),
    suffix=st.sampled_from([".wav", ".flac", ".raw", ""]),
    flips=st.lists(st.tuples(st.integers(0, 90), st.integers(0, 255)), max_size=6),
    cut=st.one_of(st.none(), st.integers(0, 400), st.integers(0, 40_000)),
    dropped=st.tuples(st.integers(0, 60), st.integers(0, 12)),
)
def test_no_header_makes_it_stumble(
    tmp_path_factory: pytest.TempPathFactory, container: str, suffix: str, flips: list[tuple[int, int]],
    cut: int | None, dropped: tuple[int, int],
) -> None:  # fmt: skip
    """Whatever becomes of a header, the answer is finite samples or a plain refusal."""
    content = bytearray(sound_file(container))
    for at, value in flips:
        content[at] = value
    del content[dropped[0] : dropped[0] + dropped[1]]
    path = tmp_path_factory.getbasetemp() / f"mutated{suffix}"
    path.write_bytes(content[:cut])
    try:
        recording = Recording.open(path)
        read = recording.samples()
    except BadFile:
        return
    assert read.dtype == np.float32
    assert read.shape == (recording.frames, recording.channels)
    assert np.all(np.isfinite(read))


def test_memory_stays_bounded(tmp_path: Path) -> None:
    """Five minutes in stereo, 106 MB as numbers, are passed over in well under a third of that."""
    path = tmp_path / "long.flac"
    with soundfile.SoundFile(path, "w", RATE, 2) as file:
        piece = np.stack([tone(10.0)] * 2, axis=1)
        for _ in range(30):
            file.write(piece)
    code = (
        "import resource, sys; import soundfile; from benchwright import Recording\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        f"r = Recording.open({str(path)!r})\n"
        "n = sum(len(b) for b in r.blocks(overlap=100)) \n"
        "print(n, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)"
    )
    pytest.importorskip("resource", reason="the memory of a process is read by a module of Unix")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    _, grown_kilobytes = done.stdout.split()
    assert int(grown_kilobytes) < 30_000


def test_reads_what_sox_writes(tmp_path: Path, tool: Callable[[str], Path]) -> None:
    """sox (a general-purpose sound program) as sender: amplitude and rate arrive as ordered."""
    sox = tool("sox")
    for name, options in (
        ("a.wav", "-b 8"), ("b.wav", "-b 24"), ("c.wav", "-e float -b 32"), ("d.aiff", "-b 16"),
        ("e.wav", "-e mu-law"),
    ):  # fmt: skip
        path = tmp_path / name
        order = f"{sox.as_posix()} -R -n -r 48000 -c 2 {options} {path.as_posix()} synth 1 sine 1000 gain -6"
        subprocess.run(shlex.split(order), check=True, capture_output=True)
        recording = Recording.open(path)
        read = recording.samples(channel=1)
        assert (recording.rate, recording.channels, len(read)) == (48000, 2, 48000)
        assert np.abs(read).max() == pytest.approx(10 ** (-6 / 20), rel=0.03)
        assert np.sqrt(np.mean(read**2)) == pytest.approx(10 ** (-6 / 20) / np.sqrt(2), rel=0.03)


def test_importing_the_package_loads_no_sound_library() -> None:
    code = (
        "import sys, benchwright; benchwright.Recording;"
        "print('soundfile' in sys.modules, 'scipy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]
