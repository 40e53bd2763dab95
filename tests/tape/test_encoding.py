"""Encodings as files: what is written is read back, and what is wrong is named with its line."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.errors import BadFile, UnknownName
from benchwright.tape.checks import Check
from benchwright.tape.encoding import (
    Encoding,
    encoding_named,
    encoding_text,
    known_encodings,
    load_encoding,
    parse_encoding,
    save_encoding,
)

NAMES = sorted(known_encodings())

LENGTHS = st.one_of(
    st.integers(21, 19_999).map(lambda us: us * 1e-6),
    st.integers(26, 24_000).map(lambda hertz: 0.5 / hertz),
)
WAVES = st.lists(LENGTHS, min_size=1, max_size=6).map(tuple)
BITS = st.text("01", max_size=8)
TEXT = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=30)
CHECKS = st.one_of(
    st.none(),
    st.builds(Check, st.just("xor"), start=st.integers(0, 255), skip=st.integers(0, 4)),
    st.builds(Check, st.sampled_from(["sum", "negative sum"]), st.sampled_from([8, 16])),
    st.builds(
        Check, st.just("crc"), st.sampled_from([8, 16]), st.integers(1, 255), st.integers(0, 255),
        st.integers(0, 255), st.booleans(), st.booleans(),
    ),
)  # fmt: skip


@st.composite
def encodings(draw: st.DrawFn) -> Encoding:
    """Anything the file can say."""
    common: dict[str, Any] = {
        "name": draw(TEXT), "title": draw(TEXT), "source": draw(TEXT),
        "notes": tuple(draw(st.lists(TEXT, max_size=2))),
        "start": draw(BITS), "stop": draw(BITS), "data_bits": draw(st.integers(5, 8)),
        "parity": draw(st.sampled_from(["none", "odd", "even"])), "least_first": draw(st.booleans()),
        "trailer": draw(st.one_of(st.just(()), WAVES)), "idle": draw(st.booleans()), "check": draw(CHECKS),
        "block_gap": draw(st.integers(1, 5000)) / 1000, "pause": draw(st.integers(0, 5000)) / 1000,
        "begins": draw(st.sampled_from([-1, 0, 1])), "shape": draw(st.sampled_from(["sine", "square"])),
        "postamble": draw(BITS),
    }  # fmt: skip
    if draw(st.booleans()):
        cell = draw(st.integers(100, 5000)) * 1e-6
        return Encoding(cell=cell, one_rises=draw(st.booleans()), preamble="1010", **common)
    zero, one = draw(st.tuples(WAVES, WAVES).filter(lambda pair: encoded_apart(*pair)))
    return Encoding(
        zero=zero, one=one, leader=draw(WAVES), leader_seconds=draw(st.integers(0, 90)) / 4,
        sync=draw(st.one_of(st.just(()), WAVES)), marker=draw(st.one_of(st.just(()), WAVES)),
        preamble=draw(BITS), **common,
    )  # fmt: skip


def encoded_apart(zero: tuple[float, ...], one: tuple[float, ...]) -> bool:
    return len(zero) != len(one) or any(abs(a - b) > 1e-7 for a, b in zip(zero, one, strict=True))


def close(a: Any, b: Any) -> bool:
    """Equal, lengths to a millionth of a microsecond."""
    if isinstance(a, float):
        return abs(a - b) < 1e-12
    if isinstance(a, tuple):
        return len(a) == len(b) and all(close(x, y) for x, y in zip(a, b, strict=True))
    return bool(a == b)


@given(encodings())
def test_a_file_says_all_that_an_encoding_is(encoding: Encoding) -> None:
    """Written and read back, every field is what it was."""
    back = parse_encoding(encoding_text(encoding))
    for field in encoding.__dataclass_fields__:
        assert close(getattr(encoding, field), getattr(back, field)), field


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused_with_a_reason(text: str) -> None:
    """Nothing but our own error comes out of a file that is no encoding."""
    with pytest.raises(BadFile):
        parse_encoding(text)


@given(st.sampled_from(NAMES), st.data())
def test_a_spoilt_file_is_read_or_refused_with_a_reason(name: str, data: st.DataObject) -> None:
    """A line left out, cut short or turned to rubbish gives an encoding or our own error."""
    lines = text_of(name).splitlines()
    place = data.draw(st.integers(0, len(lines) - 1))
    lines[place] = data.draw(
        st.one_of(st.just(""), st.just(lines[place][: len(lines[place]) // 2]), st.text())
    )
    with suppress(BadFile):
        parse_encoding("\n".join(lines), "spoilt.toml")


def text_of(name: str) -> str:
    folder = resources.files("benchwright.tape").joinpath("encodings")
    return folder.joinpath(f"{name}.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", NAMES)
def test_every_known_encoding_is_sound(name: str, tmp_path: Path) -> None:
    """It has a title and a source, its file's name is its own, and it survives being saved and loaded."""
    encoding = encoding_named(name)
    assert encoding.title
    assert encoding.source
    assert parse_encoding(text_of(name), f"{name}.toml") == encoding
    path = tmp_path / "mine.toml"
    save_encoding(path, encoding)
    back = load_encoding(path)
    for field in encoding.__dataclass_fields__:
        assert close(getattr(encoding, field), getattr(back, field)), field
    assert encoding_named(str(path)) == back


@pytest.mark.parametrize(
    ("name", "zero", "one", "rate", "frame"),
    [
        # BYTE, February 1976: 8 cycles of 2400 Hz, 4 of 1200 Hz; 11 bits of 1/300 s.
        ("kansas-city-300", (4, 1200), (8, 2400), 300 / 11, ("0", "11", True)),
        # MSX2 Technical Handbook, chapter 5 section 2: one cycle of 1200 Hz, two of 2400 Hz, or double.
        ("msx-1200", (1, 1200), (2, 2400), 1200 / 11, ("0", "11", True)),
        ("msx-2400", (1, 2400), (2, 4800), 2400 / 11, ("0", "11", True)),
        ("cuts-1200", (1, 1200), (2, 2400), 1200 / 11, ("0", "11", True)),
    ],
)  # fmt: skip
def test_published_encodings(
    name: str, zero: tuple[int, float], one: tuple[int, float], rate: float, frame: tuple[str, str, bool]
) -> None:
    """Cycles a bit, frame and bytes a second are those in print."""
    encoding = encoding_named(name)
    for (cycles, hertz), halves in ((zero, encoding.zero), (one, encoding.one)):
        assert halves == pytest.approx([0.5 / hertz] * (2 * cycles))
    assert (encoding.start, encoding.stop, encoding.least_first) == frame
    assert 1 / encoding.byte_seconds == pytest.approx(rate)


def test_the_headers_of_the_cassette_standard_last_as_printed() -> None:
    """16000 cycles of 2400 Hz and 32000 of 4800 Hz (MSX2 Technical Handbook, chapter 5 section 2)."""
    assert encoding_named("msx-1200").leader_seconds == pytest.approx(16000 / 2400, abs=1e-5)
    assert encoding_named("msx-2400").leader_seconds == pytest.approx(32000 / 4800, abs=1e-5)


def test_phase_encoding_has_the_published_density() -> None:
    """800 bit/in (ECMA-34: 32 bits a millimetre, 1600 flux transitions an inch) at 1 7/8 in/s: 1500 bit/s."""
    assert 1 / encoding_named("phase-1500").cell == pytest.approx(800 * 1.875, rel=1e-6)


BASE = """\
[encoding]
name = "mine"

[wave]
zero = "2 half-waves 240 us"
one = "2 half-waves 480 us"

[leader]
wave = "1 cycle 1200 Hz"
seconds = 4.0

[byte]
bits = 8

[block]
gap_seconds = 0.5

[check]
rule = "xor"
"""


@pytest.mark.parametrize(
    ("old", "new", "line", "wanted"),
    [
        ('zero = "2 half-waves 240 us"', 'zero = "short"', 5, r"wave\.zero.*'4 cycles 1200 Hz'"),
        ('zero = "2 half-waves 240 us"', "zero = 240", 5, r"wave\.zero.*expected text or a list"),
        ('zero = "2 half-waves 240 us"', 'zero = "9999 cycles 240 us"', 5, "1 to 4096"),
        ('zero = "2 half-waves 240 us"', 'zero = "1 cycle 0 Hz"', 5, "not of nought"),
        ('zero = "2 half-waves 240 us"', 'zero = "1 cycle 1 MHz"', 5, "expected waves"),
        ('zero = "2 half-waves 240 us"', 'zero = "1 half-wave 1 us"', 5, "20 us to 20 ms"),
        ('one = "2 half-waves 480 us"', 'one = "2 half-waves 240 us"', 6, "looks like a zero"),
        ('one = "2 half-waves 480 us"', "", None, "expected zero and one"),
        ('one = "2 half-waves 480 us"', 'won = "2 half-waves 480 us"', 6, "unknown key: expected begins"),
        ("seconds = 4.0", "seconds = -1", 10, "nought or more"),
        ("seconds = 4.0", 'seconds = "4"', 10, "expected a whole number or a number"),
        ("seconds = 4.0", "seconds = true", 10, "expected"),
        ("bits = 8", "bits = 9", 13, "expected 5 to 8"),
        ("bits = 8", 'start = "2"', 13, r"byte\.start.*such as '011'"),
        ("bits = 8", 'order = "backwards"', 13, "'least first' or 'most first'"),
        ("bits = 8", 'parity = "both"', 13, "'none' or 'odd' or 'even'"),
        ("bits = 8", "idle = 1", 13, "true or false"),
        ("[block]", "[blocks]", 15, r"table \[blocks\]: expected encoding, wave"),
        ('rule = "xor"', 'rule = "magic"', 18, "expected 'xor', 'sum'"),
        ('rule = "xor"', 'rule = "crc"', 18, "not nought"),
        ('wave = "1 cycle 1200 Hz"', "", None, "something to begin with"),
        ("[byte]", "[byte", 12, "not TOML"),
        ('name = "mine"', 'name = 5', 2, "expected text"),
    ],
)  # fmt: skip
def test_errors_name_line_and_key(old: str, new: str, line: int | None, wanted: str) -> None:
    """Each mistake is named where it stands, with what was expected."""
    assert old in BASE
    assert parse_encoding(BASE).name == "mine"
    with pytest.raises(BadFile, match=wanted) as told:
        parse_encoding(BASE.replace(old, new, 1), "mine.toml")
    assert told.value.line == line
    assert str(told.value).startswith("mine.toml")


def test_phase_encoding_and_lengths_exclude_each_other() -> None:
    """A cell beside zero and one is a contradiction."""
    with pytest.raises(BadFile, match="neither zero nor one"):
        parse_encoding(BASE.replace("[wave]", '[wave]\ncell = "600 us"'))
    with pytest.raises(BadFile, match="'667 us'"):
        parse_encoding(BASE.replace("[wave]", '[wave]\ncell = "long"'))


def test_an_unknown_name_lists_those_there_are() -> None:
    """A person who mistypes sees what could have been meant."""
    with pytest.raises(UnknownName) as told:
        encoding_named("msx-12oo")
    assert all(name in str(told.value) for name in NAMES)


def test_waves_may_be_written_in_several_ways() -> None:
    """Cycles or half-waves, by frequency or by length, mean the same."""
    ways = ['"1 cycle 1200 Hz"', '"cycle 1.2 kHz"', '["half-wave 1200 Hz", "half-wave of 416.6666667 us"]',
            '"2 half-waves 0.4166666667 ms"', '"2 x half-wave 1200 Hz"']  # fmt: skip
    for text in ways:
        read = parse_encoding(BASE.replace('"1 cycle 1200 Hz"', text))
        assert read.leader == pytest.approx([1 / 2400, 1 / 2400], rel=1e-9), text


def test_another_name_leaves_the_rest() -> None:
    """Copying an encoding under a new name changes only that."""
    one = encoding_named("pulse-width")
    assert one.with_name("mine") == replace(one, name="mine")
