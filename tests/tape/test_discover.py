"""An unknown tape is analysed, and the encoding proposed for it reads it."""

from __future__ import annotations

import importlib.util
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwright.cli.main import cli
from benchwright.tape.checks import Check
from benchwright.tape.decode import decode
from benchwright.tape.discover import discover
from benchwright.tape.discover.byte_frames import find_frames
from benchwright.tape.discover.check_search import find_check, rules
from benchwright.tape.discover.likely_bytes import mirrored
from benchwright.tape.discover.same_encoding import named_if_known
from benchwright.tape.discover.symbols import find_codes
from benchwright.tape.encoding import Encoding, encoding_named, load_encoding
from benchwright.tape.recording import Recording
from benchwright.tape.render import frame_bits, render, write_recording

_BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


@pytest.fixture(scope="module")
def unknown():
    """The module that invents encodings, which lies outside the package."""
    spec = importlib.util.spec_from_file_location("tape_discover_bench", _BENCHMARKS / "tape_discover.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["tape_discover_bench"] = module
    sys.path.insert(0, str(_BENCHMARKS))
    spec.loader.exec_module(module)
    yield module
    sys.path.remove(str(_BENCHMARKS))
    for name in ("tape_discover_bench", "tape_grades", "tape_encoders", "tape_plain"):
        sys.modules.pop(name, None)


# -- whole tapes ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("family", "seeds"),
    [
        ("tones", (3,)),
        ("pulse-width", (3,)),
        ("pulse-length", (1,)),
        ("two-to-one", (1, 3)),
        ("phase", (1, 3)),
    ],
)
def test_invented_encodings_are_found_and_read(unknown, family, seeds):
    """With noise, a speed error of up to 15 % and either polarity, every one of a fixed list."""
    for seed in seeds:
        tape = unknown.make_plain(family, seed)
        outcome = unknown.judge(tape)
        best = outcome.discovery.proposals[0]
        assert outcome.found, (seed, best)
        assert best.chance > 0.5
        if best.encoding.check is not None and not tape.encoding.is_phase:
            # The proposal's own account of the blocks is what was sent.
            assert [b.data for b in best.blocks if b.check == "holds"] == tape.sent


@pytest.mark.parametrize(
    ("family", "grade", "seed"),
    [
        ("pulse-width", 3, 10),  # speed wander of 3 %, flutter, dropouts, hum and noise
        ("two-to-one", 3, 700),  # short half-waves after a long one are a fifth longer than the others
        ("pulse-width", 1, 202),  # the long half-wave of the sync pushes the first bit out of shape
    ],
)
def test_a_damaged_tape(unknown, family, grade, seed):
    assert unknown.judge(unknown.make(family, grade, seed, blocks=2, longest=60)).found


@pytest.mark.parametrize("least_first", [False, True])
def test_what_only_custom_says_is_no_certainty(least_first):
    """Random bytes without a check do not tell which bit comes first."""
    encoding = Encoding(
        "x", zero=(500e-6,), one=(250e-6,) * 2, leader=(250e-6,) * 2, leader_seconds=0.6, start="0", stop="1",
        idle=True, least_first=least_first,
    )  # fmt: skip
    rng = np.random.default_rng(4)
    blocks = [rng.bytes(40) for _ in range(2)]
    with Recording.from_array(render(blocks, encoding, 22_050), 22_050) as take:
        best, other = discover(take).proposals[:2]
    assert {best.encoding.least_first, other.encoding.least_first} == {False, True}
    assert best.chance < 0.95
    assert any("other order" in doubt for doubt in best.doubts)


@pytest.mark.parametrize(
    ("factor", "known"), [(1.0, True), (0.9, True), (1.1, True), (0.82, False), (1.2, False)]
)
def test_a_tape_a_fifth_off_is_not_given_the_lengths_of_a_known_encoding(factor, known):
    """Phase encoding with other cells reads badly; no deck is that far off."""
    truth = encoding_named("phase-1500")
    found, name, words = named_if_known(replace(truth, name="unknown", cell=truth.cell * factor))
    assert (found.cell == truth.cell, name == truth.name) == (known, known)
    assert truth.name in words
    assert known or found.cell == truth.cell * factor


@pytest.mark.parametrize("kind", ["speech", "music", "noise"])
def test_what_is_no_tape_convinces_nobody(unknown, kind):
    for seed in (0, 21):
        samples = unknown.make_sound(kind, seed, 3.0, 22_050)
        with Recording.from_array(samples, 22_050) as take:
            found = discover(take)
        assert not found.convincing, found.proposals[0]
        assert found.notes


def test_silence_has_nothing_to_find():
    with Recording.from_array(np.zeros(22_050, np.float32), 22_050) as take:
        found = discover(take)
    assert not found.proposals
    assert "no signal" in found.notes[0]


@pytest.mark.parametrize(("name", "rate"), [("kansas-city-300", 22_050), ("pulse-width", 96_000)])
def test_a_known_encoding_is_named(name, rate):
    """Upside down and at another rate than it was made for, it is still the same encoding."""
    encoding = encoding_named(name)
    texts = [b"10 PRINT A" + bytes(range(k, k + 9)) for k in (3, 60, 130)]
    if encoding.check is not None:
        texts = [encoding.check.append(text) for text in texts]
    short = render(texts, encoding, rate)
    with Recording.from_array(-short, rate) as take:
        found = discover(take)
    best = found.proposals[0]
    assert best.known == name
    assert best.encoding == encoding
    assert found.leader is not None
    assert found.leader.half_seconds == pytest.approx(encoding.leader[0], rel=0.01)
    assert [b.data for b in best.blocks if len(b.data) > 1] == texts


def test_bits_left_over_at_every_end_are_a_doubt():
    """Text read one bit late still divides into bytes, but a part of one is left over in each block."""
    text = b"THE QUICK BROWN FOX JUMPS OVER THE LAZY DOG"
    whole = [np.unpackbits(np.frombuffer(part, np.uint8)).astype(np.int8) for part in (text, text[::-1])]
    late = [row[1:] for row in whole]
    right, wrong = (
        {f.left_everywhere for f in find_frames(rows) if f.data_bits == 8 and not f.preamble + f.start}
        for rows in (whole, late)
    )
    assert (right, wrong) == ({0}, {7})


# -- parts ----------------------------------------------------------------------------------------------


@given(
    rule=st.integers(0, len(rules()) - 1),
    seed=st.integers(0, 2**32 - 1),
    start=st.booleans(),
)
@settings(max_examples=25, deadline=None)
def test_the_rule_of_the_blocks_is_among_those_that_hold(rule, seed, start):
    """It, or one that gives the same on these blocks, is proposed; none on spoilt ones."""
    rng = np.random.default_rng(seed)
    check = rules()[rule]
    bodies = [rng.bytes(int(rng.integers(12, 24))) for _ in range(5)]
    blocks = [check.append(body) for body in bodies]
    found = find_check(blocks)
    assert found
    assert found[0].holds == 5
    assert all(found[0].check.holds(block) for block in blocks)
    spoilt = [bytes([block[0] ^ 1, *block[1:-1], block[-1] ^ (7 + 16 * k)]) for k, block in enumerate(blocks)]
    assert not any(each.holds == 5 and each.trailing == 0 for each in find_check(spoilt))


def test_luck_is_counted():
    """Two blocks with a check of 8 bits pass one rule in 65536 by luck; many rules make that likelier."""
    blocks = [Check("xor").append(bytes(range(k, 3 * k, 2))) for k in (10, 21)]
    best = find_check(blocks)[0]
    assert best.check == Check("xor")
    assert 2**-16 < best.luck < 0.01


@pytest.mark.parametrize(
    ("zero", "one"),
    [("bbbb", "aaaaaaaa"), ("aa", "bb"), ("aabb", "bbaa"), ("ab", "ba"), ("b", "aa"), ("bbb", "aaaaaa")],
)
def test_symbols_are_found(zero, one):
    """Random bits written with two words give these two words."""
    bits = np.random.default_rng(8).integers(0, 2, 600)
    text = "".join(one if bit else zero for bit in bits)
    best = find_codes([text], [250e-6, 500e-6])[0]
    assert {best.first, best.second} == {zero, one}


def test_symbols_with_a_marker():
    rng = np.random.default_rng(9)
    texts = [
        "".join("ccbb" + "".join("bbaa" if b else "aabb" for b in rng.integers(0, 2, 9)) for _ in range(30))
        for _ in range(2)
    ]
    best = find_codes(texts, [180e-6, 260e-6, 340e-6])[0]
    assert (best.marker, best.per_byte) == ("ccbb", 9)
    assert {best.first, best.second} == {"aabb", "bbaa"}


@pytest.mark.parametrize(
    ("start", "stop", "parity", "data_bits"),
    [
        ("0", "11", "none", 8),
        ("0", "1", "even", 8),
        ("0", "1", "none", 8),
        ("1", "0", "odd", 8),
        ("", "", "none", 8),
        ("0", "11", "even", 7),
    ],
)
def test_frames_are_found(start, stop, parity, data_bits):
    encoding = Encoding(
        "x", zero=(1.0,), one=(2.0,), start=start, stop=stop, parity=parity, data_bits=data_bits
    )
    text = b"THE QUICK BROWN FOX JUMPS OVER THE LAZY DOG; 1234567890 THE END"
    rows = [
        np.array([int(b) for byte in part for b in frame_bits(byte, encoding)], np.int8)
        for part in (text[:40], text[20:])
    ]
    best = find_frames(rows)[0]
    assert (best.start, best.stop, best.parity, best.data_bits) == (start, stop, parity, data_bits)
    assert best.blocks == (text[:40], text[20:])


@given(st.binary(max_size=20))
def test_mirroring_twice_changes_nothing(data):
    assert mirrored(mirrored(data)) == data
    assert all(a.bit_count() == b.bit_count() for a, b in zip(data, mirrored(data), strict=True))


# -- at the keyboard -----------------------------------------------------------------------------------


def test_the_command_writes_an_encoding_that_reads(unknown, tmp_path):
    tape = unknown.make_plain("pulse-width", 1)
    path, out = tmp_path / "unknown.wav", tmp_path / "mine.toml"
    write_recording(path, tape.samples, tape.rate)
    done = CliRunner().invoke(cli, ["tape", "discover", str(path), "--out", str(out)])
    assert done.exit_code == 0, done.output
    assert "Written" in done.output
    encoding = load_encoding(out)
    assert encoding.name == "mine"
    with Recording.open(path) as take:
        assert [b.data for b in decode(take, encoding).blocks if b.data in tape.sent] == tape.sent
    # It is not overwritten in silence.
    before = out.read_text()
    again = CliRunner().invoke(cli, ["tape", "discover", str(path), "--out", str(out)])
    assert again.exit_code == 2
    assert "exists" in again.output
    assert out.read_text() == before


def test_the_command_says_no(unknown, tmp_path):
    path, out = tmp_path / "talk.wav", tmp_path / "mine.toml"
    write_recording(path, unknown.make_sound("speech", 5, 3.0, 22_050), 22_050)
    done = CliRunner().invoke(cli, ["tape", "discover", str(path), "--out", str(out), "--json"])
    assert done.exit_code == 1
    told = json.loads(done.stdout)
    assert told["convincing"] is False
    assert told["written"] is None
    assert not out.exists()


def test_the_command_wants_a_toml(tmp_path):
    path = tmp_path / "x.wav"
    write_recording(path, np.zeros(9000, np.float32), 22_050)
    done = CliRunner().invoke(cli, ["tape", "discover", str(path), "--out", str(tmp_path / "x.txt")])
    assert done.exit_code == 2
    assert ".toml" in done.output
