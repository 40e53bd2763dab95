"""The benchmark's own writers of tapes keep to the published definitions."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

import numpy as np
import pytest

from benchwright.demo.tape_channel import Channel, Programme, Speed, play

_BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


def _loaded(name):
    sys.path.insert(0, str(_BENCHMARKS))
    try:
        return importlib.import_module(name)
    finally:
        sys.path.remove(str(_BENCHMARKS))


@pytest.fixture(scope="module")
def writers():
    """The writers, which lie outside the package."""
    return _loaded("tape_encoders")


@pytest.fixture(scope="module")
def plain(writers):
    """The plain reader beside them."""
    return _loaded("tape_plain")


def _tape(writers, name, *data):
    return writers.write_tape(name, data, np.random.default_rng(1))


def _halves(tape, block):
    """Half-waves between the start and the stop of a block."""
    edges = np.concatenate(([0.0], np.cumsum(tape.seconds)))
    first, last = np.searchsorted(edges, [block.start - 1e-9, block.stop - 1e-9])
    return tape.seconds[first:last], tape.levels[first:last]


def test_kansas_city_writes_27_bytes_a_second(writers):
    """300 bit/s and 11 bits a byte: 27 3/11 byte/s; 8 K take five minutes (BYTE, February 1976)."""
    tape = _tape(writers, "kansas-city-300", bytes(range(256)))
    block = tape.blocks[0]
    assert 256 / (block.stop - block.start) == pytest.approx(300 / 11)
    assert 8192 * (block.stop - block.start) / 256 / 60 == pytest.approx(5.0, abs=0.02)


def test_a_kansas_city_byte_by_hand(writers):
    """05h: start 0, then 10100000, then 11; eight halves of 1200 Hz for a 0, sixteen of 2400 Hz for a 1."""
    tape = _tape(writers, "kansas-city-300", b"\x05")
    seconds, levels = _halves(tape, tape.blocks[0])
    expected = []
    for bit in (0, 1, 0, 1, 0, 0, 0, 0, 0, 1, 1):
        expected += [1 / 4800] * 16 if bit else [1 / 2400] * 8
    assert seconds == pytest.approx(expected)
    assert np.all(levels[1:] == -levels[:-1])


@pytest.mark.parametrize(
    ("name", "rate", "first", "next_"),
    [("msx-1200", 1200, 6.667, 1.667), ("msx-2400", 2400, 6.667, 1.667), ("cuts-1200", 1200, 5.0, 2.0)],
)
def test_headers_and_rates(writers, name, rate, first, next_):
    """MSX headers last 6.7 and 1.7 s at both rates (MSX2 Technical Handbook, 5.2); 11 bits a byte."""
    tape = _tape(writers, name, b"\x00\x55\xff" * 20, b"\xaa" * 40)
    one, two = tape.blocks
    assert 60 / (one.stop - one.start) == pytest.approx(rate / 11)
    edges = np.concatenate(([0.0], np.cumsum(tape.seconds)))
    rests = np.flatnonzero(tape.levels == 0)
    assert one.start - edges[rests[0] + 1] == pytest.approx(first, abs=0.001)
    assert two.start - edges[rests[1] + 1] == pytest.approx(next_, abs=0.001)
    if name.startswith("msx"):
        assert tape.levels[rests[0] + 1] == -1  # low half first (figure 5.11)
        seconds, levels = _halves(tape, one)
        assert levels[0] == -1
        assert set(np.round(seconds * 1e6)) == ({417, 208} if rate == 1200 else {208, 104})


def test_phase_encoding_density(writers):
    """At most 63 transitions a millimetre at 47.625 mm/s, which is 3000 a second; 800 bit/in (ECMA-34)."""
    tape = _tape(writers, "phase-1500", b"\x00\xff\xa5" * 10)
    block = tape.blocks[0]
    seconds, levels = _halves(tape, block)
    assert 1 / seconds.min() / 47.625 == pytest.approx(63, abs=0.05)
    assert 32 * 8 / (block.stop - block.start) * 25.4 / 47.625 == pytest.approx(800)
    assert set(np.round(seconds * 3000).astype(int)) <= {1, 2}
    assert np.all(levels[1:] == -levels[:-1])


def test_phase_encoding_carries_the_bits_in_the_middle_of_the_cells(writers):
    """The level just after the middle of each cell gives the bytes, least bit first, and their CRC."""
    data = b"bench \x00\xff\x81"
    tape = _tape(writers, "phase-1500", data)
    edges = np.cumsum(tape.seconds)
    cells = tape.blocks[0].start + (np.arange(8 * (len(data) + 2)) + 0.75) / 1500
    before = cells - 0.5 / 1500
    late, early = (tape.levels[np.searchsorted(edges, at)] for at in (cells, before))
    assert np.all(late == -early)
    read = np.packbits(late > 0, bitorder="little").tobytes()
    assert read[: len(data)] == data
    assert int.from_bytes(read[len(data) :], "little") == writers.crc16(data)


def test_check_values(writers):
    """CRC-16 with 8005h, reflected, start 0 gives BB3Dh for "123456789" (catalogues list it as ARC)."""
    assert writers.crc16(b"123456789") == 0xBB3D
    assert writers.xor_of(b"123456789") == 0x31


def test_pulse_width_by_hand(writers):
    """Sync, flag 0, A5h most bit first, XOR; two equal half-waves a bit."""
    tape = _tape(writers, "pulse-width", b"\xa5")
    block = tape.blocks[0]
    assert block.framed == b"\x00\xa5\xa5"
    seconds, _ = _halves(tape, block)
    bits = [0] * 8 + [1, 0, 1, 0, 0, 1, 0, 1] * 2
    assert seconds == pytest.approx(np.repeat([460e-6 if b else 230e-6 for b in bits], 2))
    edges = np.cumsum(tape.seconds)
    before = np.searchsorted(edges, block.start - 1e-9)
    assert tape.seconds[before - 2 : before + 1] == pytest.approx([560e-6, 170e-6, 200e-6])


def test_pulse_length_has_odd_parity_and_even_bytes(writers):
    """Every byte lasts equally long, and its nine bits hold an odd number of ones."""
    tape = _tape(writers, "pulse-length", bytes(range(64)))
    seconds, _ = _halves(tape, tape.blocks[0])
    cycles = seconds[::2].reshape(65, 20)
    assert np.allclose(seconds[::2], seconds[1::2])
    assert np.allclose(cycles[:, :2], [340e-6, 260e-6])
    pairs = cycles[:, 2:].reshape(65, 9, 2)
    assert np.allclose(pairs.sum(axis=2), 440e-6)
    ones = pairs[:, :, 0] > pairs[:, :, 1]
    assert np.all(ones.sum(axis=1) % 2 == 1)
    assert np.array_equal(np.packbits(ones[:64, :8], axis=1, bitorder="little")[:, 0], np.arange(64))


def test_payloads_have_the_promised_lengths(writers):
    """32 to 512 bytes, at least two blocks, and the kinds differ in how varied their bytes are."""
    rng = np.random.default_rng(4)
    for _ in range(20):
        blocks = writers.payloads(rng, 900)
        assert len(blocks) >= 2
        assert all(32 <= len(block) <= 512 for block in blocks)
    varied = {kind: len(set(writers.payload(rng, kind, 512))) for kind in ("text", "code", "random")}
    assert varied["text"] < varied["code"] < varied["random"]


@pytest.mark.parametrize(
    "name",
    ["kansas-city-300", "cuts-1200", "msx-1200", "msx-2400", "phase-1500", "pulse-width", "pulse-length"],
)
def test_a_plain_reader_reads_a_clean_tape_and_fails_a_wandering_one(writers, plain, name):
    """Crossings and nominal lengths are enough for a clean tape, so what a bad tape costs is the damage.

    Told the speed, the reader gets through the same wander.
    """
    sent = [b"a block of text\r\n" * 2, bytes(range(0, 256, 3))]
    tape = _tape(writers, name, *sent)
    programme = Programme(tape.seconds, tape.levels)
    played = play(programme, Channel(), 44_100, np.random.default_rng(2))
    read = plain.read_plain(played.samples, played.rate, name)
    framed = [block.framed for block in tape.blocks]
    assert [block.data for block in read if block.good] == framed
    starts = [float(played.speed.time(block.start)) for block in tape.blocks]
    assert [block.start for block in read] == pytest.approx(starts, abs=0.03)

    wander = Channel(speed=Speed(lines=[(3.0, 0.5)]))
    played = play(programme, wander, 44_100, np.random.default_rng(2))
    read = plain.read_plain(played.samples, played.rate, name)
    assert not set(framed) <= {block.data for block in read if block.good}
    read = plain.read_plain(played.steady(), played.rate, name, "even")
    assert [block.data for block in read if block.good] == framed


def test_takes_are_never_all_spoilt_at_one_place(writers, plain):
    """Wherever one looks, at least one take has no deep dropout, and each take has many elsewhere."""
    grades = _loaded("tape_grades")
    tape = _tape(writers, "cuts-1200", bytes(512))
    for takes in (2, 3):
        spoilt = grades.damage_of_takes(tape, takes, np.random.default_rng(3))
        at = np.arange(0, tape.duration, 1e-3)
        # A dropout reaches beyond its stated length by its flanks.
        hit = np.array(
            [np.any([(s - 0.03 < at) & (at < s + n + 0.03) for s, n, _ in take], axis=0) for take in spoilt]
        )
        assert not np.any(np.all(hit, axis=0))
        assert all(len(take) > tape.duration / 2 for take in spoilt)
