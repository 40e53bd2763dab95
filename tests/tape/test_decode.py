"""What is rendered is read back bit for bit, whatever the rate, level, polarity and shape."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwright.demo.tape_channel import speech
from benchwright.errors import BadFile, UnknownName
from benchwright.tape import Recording
from benchwright.tape.decode import Tape, decode
from benchwright.tape.encoding import Encoding, encoding_named, known_encodings
from benchwright.tape.render import half_waves, render, waveform
from benchwright.tape.starts import can_begin_amid

NAMES = sorted(known_encodings())


def short(name: str) -> Encoding:
    """The encoding with a leader of half a second, so that reading is quick."""
    encoding = encoding_named(name)
    return replace(encoding, leader_seconds=min(0.5, encoding.leader_seconds), pause=0.5)


def read(data: list[bytes], encoding: Encoding, rate: int = 44100, **how: object) -> Tape:
    wave = render(data, encoding, rate, add_check=encoding.check is not None, **how)  # type: ignore[arg-type]
    return decode(Recording.from_array(wave, rate), encoding)


def framed(data: list[bytes], encoding: Encoding) -> list[bytes]:
    return [encoding.check.append(row) if encoding.check else row for row in data]


RATES = [16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000]


def good(tape: Tape) -> list[bytes]:
    return [block.data for block in tape.blocks if block.good]


def round_trip(encoding: Encoding, data: bytes, rate: int, level: float, inverted: bool, shape: str) -> None:
    """One block comes back as that block, every byte as it was, and good."""
    rate = rate if rate * encoding.shortest >= 2 else 22050
    checked = encoding.check is not None
    wave = render([data], encoding, rate, level=10 ** (level / 20), shape=shape, add_check=checked)
    tape = decode(Recording.from_array(-wave if inverted else wave, rate), encoding)
    assert [block.data for block in tape.blocks] == framed([data], encoding)
    assert tape.blocks[0].good
    assert tape.blocks[0].check == ("holds" if checked else "none")


WAYS = {
    "rate": st.sampled_from(RATES), "level": st.floats(-40, 0), "inverted": st.booleans(),
    "shape": st.sampled_from(["sine", "square"]),
}  # fmt: skip


@given(
    name=st.sampled_from(NAMES),
    data=st.binary(min_size=4, max_size=40),
    **WAYS,
)
@settings(max_examples=40)
def test_what_is_rendered_is_read(
    name: str, data: bytes, rate: int, level: float, inverted: bool, shape: str
) -> None:
    """Bytes, encoding, rate from 16 to 96 kHz, level, polarity and shape of the wave are drawn."""
    round_trip(short(name), data, rate, level, inverted, shape)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("speed", [0.9, 1.0, 1.08])
def test_noise_and_a_wrong_speed_do_not_matter(rng: np.random.Generator, name: str, speed: float) -> None:
    """With noise 30 dB down and a speed up to a tenth off, each block is read, and none is made up."""
    encoding = short(name)
    data = [rng.integers(0, 256, size, dtype=np.uint8).tobytes() for size in (9, 40, 23)]
    wave = render(data, encoding, 44100, add_check=encoding.check is not None)
    wave = wave + 0.7 * 10 ** (-30 / 20) * rng.standard_normal(len(wave))
    tape = decode(Recording.from_array(wave, round(44100 * speed)), encoding)
    assert good(tape) == framed(data, encoding)
    for block in tape.blocks:
        if block.good:
            assert block.speed == pytest.approx(speed, rel=0.01)


@pytest.mark.parametrize("name", NAMES)
def test_where_a_block_lies(name: str) -> None:
    """Start, end and the time of each byte are those at which they were written."""
    encoding = short(name)
    data = [bytes(range(60)), bytes(range(100, 140))]
    tape = read(data, encoding)
    at = 0.1
    for block, wanted in zip(tape.blocks, framed(data, encoding), strict=True):
        assert block.data == wanted
        lengths, _ = half_waves(wanted, encoding)
        head, _ = half_waves(b"", encoding)
        before = np.sum(head) - np.sum(encoding.trailer)
        if encoding.idle:
            before -= np.sum(lengths[-2 * round(0.02 / sum(encoding.leader)) :])
        if encoding.is_phase:
            before = len(encoding.preamble) * encoding.cell
        assert block.start == pytest.approx(at + before, abs=2e-3)
        assert len(block.byte_times) == len(wanted)
        assert np.diff(block.byte_times) == pytest.approx(encoding.byte_seconds, rel=0.7)
        assert block.end - block.start == pytest.approx(
            np.sum(half_waves(wanted, encoding)[0]) - np.sum(head), abs=3e-3
        )
        at += np.sum(lengths) + encoding.pause


def test_either_channel_or_their_mean() -> None:
    """A stereo recording with data on one side: that side is read, and so is the mean."""
    encoding = short("pulse-width")
    wave = render([bytes(range(40))], encoding, 44100, add_check=True)
    both = Recording.from_array(np.stack((np.zeros_like(wave), wave), axis=1), 44100)
    wanted = framed([bytes(range(40))], encoding)
    assert good(decode(both, encoding, channel=1)) == wanted
    assert good(decode(both, encoding)) == wanted
    assert good(decode(both, encoding, channel=0)) == []
    with pytest.raises(BadFile, match="no channel 3"):
        decode(both, encoding, channel=2)


def test_a_repaired_byte_is_said_to_be_repaired(rng: np.random.Generator) -> None:
    """A byte damaged for some milliseconds never makes a block good with wrong bytes in it."""
    encoding = short("pulse-width")
    data = rng.integers(0, 256, 60, dtype=np.uint8).tobytes()
    clean = render([data], encoding, 44100, add_check=True)
    wanted = framed([data], encoding)
    for _ in range(12):
        wave = clean.copy()
        at = int(rng.integers(len(wave) - 40_000, len(wave) - 25_000))
        wave[at : at + 60] *= 0.1
        wave = wave + 0.05 * rng.standard_normal(len(wave)).astype(np.float32)
        tape = decode(Recording.from_array(wave, 44100), encoding)
        assert all(block == wanted[0] for block in good(tape))
        for block in tape.blocks:
            assert len(block.confidence) == len(block.data)
            assert np.all((block.confidence >= 0) & (block.confidence <= 1))


def test_silence_and_noise_hold_no_blocks(rng: np.random.Generator) -> None:
    """Nothing good is read where nothing was written."""
    for name in NAMES:
        for wave in (np.zeros(60_000), 0.1 * rng.standard_normal(60_000)):
            assert good(decode(Recording.from_array(wave, 44100), encoding_named(name))) == []


def test_progress_goes_from_nothing_to_all() -> None:
    """It never goes back, and ends at one."""
    told: list[float] = []
    wave = render([bytes(50)], short("kansas-city-300"), 44100)
    decode(Recording.from_array(np.tile(wave, 6), 44100), "kansas-city-300", progress=told.append)
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0)


def test_half_waves_are_kept_when_asked_for() -> None:
    """Edges ascend, and each lies as far from the one before as it should."""
    encoding = short("msx-1200")
    wave = render([bytes(range(50))], encoding, 44100)
    recording = Recording.from_array(wave, 44100)
    assert len(decode(recording, encoding).edges) == 0
    tape = decode(recording, encoding, keep_edges=True)
    real = np.isfinite(tape.nominal[1:])
    lengths = np.diff(tape.edges)
    assert np.all(lengths[real] > 0)
    assert np.all(np.isclose(tape.nominal[1:][real][:, None], encoding.lengths).any(axis=1))
    off = np.abs(lengths[real] - tape.nominal[1:][real])
    assert float(np.quantile(off, 0.98)) < 0.2 * encoding.shortest


def test_an_encoding_by_a_wrong_name_is_refused() -> None:
    """The error lists the names there are."""
    with pytest.raises(UnknownName, match="msx-1200"):
        decode(Recording.from_array(np.zeros(1000), 44100), "nosuch")


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("asymmetry", [0.0, 0.12, -0.2])
def test_asymmetry_is_the_one_that_was_written(rng: np.random.Generator, name: str, asymmetry: float) -> None:
    """Half-waves above the middle made longer by a share, those below shorter: that share is told."""
    encoding = short(name)
    data = framed([bytes(range(60))], encoding)[0]
    lengths, sign = half_waves(data, encoding)
    sides = sign * (1 - 2 * (np.arange(len(lengths)) % 2))
    wave = np.pad(waveform(lengths * (1 + asymmetry * sides), sign, 44100), 4410)
    wave = wave + 0.02 * rng.standard_normal(len(wave))
    for turn in (1, -1):
        tape = decode(Recording.from_array(turn * wave, 44100), encoding)
        assert good(tape) == [data]
        assert tape.asymmetry == pytest.approx(turn * asymmetry, abs=0.004)


@pytest.mark.parametrize("share", [0.1, -0.2])
def test_asymmetry_of_an_offset(share: float) -> None:
    """A steady part under a sine moves its crossings: 2 asin(share) / pi."""
    encoding = short("kansas-city-300")
    wave = render([bytes(range(40))], encoding, 44100, level=0.5) + 0.5 * share
    tape = decode(Recording.from_array(wave, 44100), encoding)
    assert tape.asymmetry == pytest.approx(2 * np.arcsin(share) / np.pi, abs=0.003)


@pytest.mark.parametrize("name", NAMES)
def test_polarity_is_told_where_the_encoding_has_one(name: str) -> None:
    """Upright 1, upside down -1; 0 where one cycle upside down is as good a cycle."""
    encoding = short(name)
    wave = render([bytes(range(40))], encoding, 44100, add_check=encoding.check is not None)
    told = encoding.is_phase or encoding.begins != 0
    for turn in (1, -1):
        tape = decode(Recording.from_array(turn * wave, 44100), encoding)
        assert tape.polarity == (turn if told else 0)
    nothing = decode(Recording.from_array(np.zeros(44100), 44100), encoding)
    assert nothing.polarity == 0
    assert np.isnan(nothing.asymmetry)


FRAMED = [name for name in NAMES if can_begin_amid(encoding_named(name))]


def amid(encoding: Encoding, data: bytes, byte: float) -> np.ndarray:
    """A recording that begins so many bytes after the first byte did."""
    wave = render([data], encoding, 44100)
    head, _ = half_waves(b"", encoding)
    whole, _ = half_waves(data, encoding)
    after_leader = np.sum(head) - round(0.02 / sum(encoding.leader)) * sum(encoding.leader)
    size = np.sum(whole) - np.sum(head)
    return wave[int((0.1 + after_leader + size * byte / len(data)) * 44100) :]


@pytest.mark.parametrize("name", FRAMED)
@pytest.mark.parametrize("kind", ["random", "text", "one byte again and again"])
def test_a_recording_that_begins_amid_data(rng: np.random.Generator, name: str, kind: str) -> None:
    """All bytes are read that are there whole; their block is not called good, for its beginning is lost."""
    data = {
        "random": rng.integers(0, 256, 60, dtype=np.uint8).tobytes(),
        "text": b"10 REM THE FULMAR COUNTS ITS EGGS\r20 FOR N=1 TO 12\r30 PRINT N",
        "one byte again and again": b"\x7f\xdf" * 2 + b"\x7f" * 40 + bytes(range(20)),
    }[kind]
    for byte in rng.uniform(0.2, 25.0, 3):
        wave = amid(encoding_named(name), data, byte)
        wave = wave + 0.05 * rng.standard_normal(len(wave))
        tape = decode(Recording.from_array(wave, 44100), encoding_named(name))
        assert len(tape.blocks) == 1
        block = tape.blocks[0]
        assert not block.good
        assert not block.whole
        # A byte begins somewhat sooner or later than the mean says.
        assert data.endswith(block.data)
        assert len(block.data) >= len(data) - int(byte) - 4


@pytest.mark.parametrize("name", FRAMED)
def test_bytes_that_can_be_divided_otherwise_are_doubtful(name: str) -> None:
    """One byte for ever, cut off at both ends: 7F may as well be DF, and so nothing is sure."""
    encoding = encoding_named(name)
    wave = amid(encoding, b"\x7f" * 80, 10.3)[: round(40 * encoding.byte_seconds * 44100)]
    tape = decode(Recording.from_array(wave, 44100), encoding)
    assert len(tape.blocks) == 1
    for block in tape.blocks:
        assert not block.good
        assert np.all(block.confidence < 0.95)


def test_a_leader_of_two_bits_is_enough() -> None:
    """After silence, eight half-waves of leader lead to every byte."""
    encoding = replace(encoding_named("cuts-1200"), leader_seconds=2 / 1200)
    data = bytes(range(30, 90))
    tape = read([data], encoding)
    assert [block.data for block in tape.blocks] == [data]


def test_music_and_speech_hold_no_data(rng: np.random.Generator) -> None:
    """Notes of a wave with vibrato, and a voice: no byte is made up."""
    notes = []
    for hertz in 110 * 2 ** (rng.integers(0, 60, 60) / 12):
        at = np.arange(int(rng.choice([0.05, 0.1, 0.2]) * 44100)) / 44100
        notes.append(
            np.sign(np.sin(2 * np.pi * hertz * at + 0.1 * np.sin(2 * np.pi * 5 * at))) * np.exp(-3 * at)
        )
    for wave in (0.5 * np.concatenate(notes), 0.7 * speech(8.0, rng, 44100)):
        for name in FRAMED:
            assert good(decode(Recording.from_array(wave, 44100), encoding_named(name))) == []
