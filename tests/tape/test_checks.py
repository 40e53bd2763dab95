"""Check values over the bytes of a block."""

from __future__ import annotations

import binascii
import zlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.tape.checks import LONG, BadCheck, Check

DIGITS = b"123456789"

# CRC of the nine digits. 16/ARC, XMODEM, CCITT with FFFF and with 1D0F, DNP and CRC-32 stand so on the pages
# of an on-line CRC calculator; the others were worked out bit by bit from their parameters (by hand).
PUBLISHED: list[tuple[str, dict[str, Any], int]] = [
    ("CRC-16/ARC", {"polynomial": 0x8005, "reflected": True}, 0xBB3D),
    ("CRC-16/MODBUS", {"polynomial": 0x8005, "start": 0xFFFF, "reflected": True}, 0x4B37),
    ("CRC-16/USB", {"polynomial": 0x8005, "start": 0xFFFF, "final": 0xFFFF, "reflected": True}, 0xB4C8),
    ("CRC-16 unreflected", {"polynomial": 0x8005}, 0xFEE8),
    ("CRC-16/XMODEM", {"polynomial": 0x1021}, 0x31C3),
    ("CRC-16 CCITT, FFFF", {"polynomial": 0x1021, "start": 0xFFFF}, 0x29B1),
    ("CRC-16 CCITT, 1D0F", {"polynomial": 0x1021, "start": 0x1D0F}, 0xE5CC),
    ("CRC-16/GENIBUS", {"polynomial": 0x1021, "start": 0xFFFF, "final": 0xFFFF}, 0xD64E),
    ("CRC-16/KERMIT", {"polynomial": 0x1021, "reflected": True}, 0x2189),
    ("CRC-16/MCRF4XX", {"polynomial": 0x1021, "start": 0xFFFF, "reflected": True}, 0x6F91),
    ("CRC-16/X-25", {"polynomial": 0x1021, "start": 0xFFFF, "final": 0xFFFF, "reflected": True}, 0x906E),
    ("CRC-16/DNP", {"polynomial": 0x3D65, "final": 0xFFFF, "reflected": True}, 0xEA82),
    ("CRC-8", {"width": 8, "polynomial": 0x07}, 0xF4),
    ("CRC-8/MAXIM", {"width": 8, "polynomial": 0x31, "reflected": True}, 0xA1),
    (
        "CRC-32",
        {"width": 32, "polynomial": 0x04C11DB7, "start": 2**32 - 1, "final": 2**32 - 1, "reflected": True},
        0xCBF43926,
    ),
]


@pytest.mark.parametrize(("name", "parameters", "value"), PUBLISHED, ids=[row[0] for row in PUBLISHED])
def test_published_cyclic_checks(name: str, parameters: dict[str, Any], value: int) -> None:
    """The check of "123456789" is the one in print."""
    check = Check("crc", **{"width": 16, **parameters})
    assert check.value(DIGITS) == value
    assert check.holds(check.append(DIGITS))


@pytest.mark.parametrize(
    ("rule", "width", "final", "value"),
    [
        ("xor", 8, 0, 0x31), ("sum", 8, 0, 0xDD), ("sum", 16, 0, 0x01DD),
        ("negative sum", 8, 0, 0x23), ("sum", 8, 0xFF, 0x22),
    ],
)  # fmt: skip
def test_simple_checks(rule: str, width: int, final: int, value: int) -> None:
    """XOR 31h, sum 477 = 01DDh, its two's complement 23h and one's complement 22h (by hand)."""
    assert Check(rule, width, final=final).value(DIGITS) == value


@given(st.binary(max_size=300))
def test_cyclic_checks_agree_with_the_standard_library(data: bytes) -> None:
    """CRC-32 as zlib has it, and CRC-CCITT with 0000 as binascii has it (Python's own)."""
    full = 2**32 - 1
    crc32 = Check("crc", 32, 0x04C11DB7, full, full, reflected=True)
    assert crc32.value(data) == zlib.crc32(data)
    assert Check("crc", 16, 0x1021).value(data) == binascii.crc_hqx(data, 0)


CHECKS = st.one_of(
    st.builds(Check, st.just("xor"), start=st.integers(0, 255), skip=st.integers(0, 3)),
    st.builds(
        Check, st.sampled_from(["sum", "negative sum"]), st.sampled_from([8, 16]),
        low_byte_first=st.booleans(), skip=st.integers(0, 3),
    ),
    st.builds(
        Check, st.just("crc"), st.just(16), st.sampled_from([0x8005, 0x1021]), st.integers(0, 65535),
        reflected=st.booleans(), low_byte_first=st.booleans(),
    ),
)  # fmt: skip


@given(CHECKS, st.binary(min_size=4, max_size=60), st.data())
def test_a_check_holds_until_a_byte_changes(check: Check, data: bytes, draw: st.DataObject) -> None:
    """What was appended holds; any one byte changed among those covered, or in the check, is found."""
    block = check.append(data)
    assert check.holds(block)
    place = draw.draw(st.integers(check.skip, len(block) - 1))
    other = draw.draw(st.integers(1, 255))
    spoilt = block[:place] + bytes([block[place] ^ other]) + block[place + 1 :]
    assert not check.holds(spoilt)


def test_residues() -> None:
    """Data and its own CRC leave nothing: 16/ARC low byte first, XMODEM high byte first (by hand)."""
    arc = Check("crc", 16, 0x8005, reflected=True, low_byte_first=True)
    xmodem = Check("crc", 16, 0x1021)
    assert arc.value(arc.append(DIGITS)) == 0
    assert xmodem.value(xmodem.append(DIGITS)) == 0


def test_a_block_with_nothing_to_check_does_not_hold() -> None:
    """A block must be longer than its check and what the check leaves out."""
    check = Check("xor", skip=1)
    assert not check.holds(b"")
    assert not check.holds(b"\0")
    assert not check.holds(b"\0\0")
    assert check.holds(b"\x55\0\0")


@pytest.mark.parametrize(
    ("arguments", "wanted"),
    [
        ({"rule": "parity"}, "expected 'xor', 'sum'"),
        ({"rule": "crc", "width": 12, "polynomial": 0x80F}, "expected 8, 16 or 32"),
        ({"rule": "crc", "width": 16}, "not nought"),
        ({"rule": "crc", "width": 8, "polynomial": 0x107}, "expected 8 bits"),
        ({"rule": "xor", "width": 16}, "has 8 bits"),
        ({"rule": "sum", "skip": -1}, "nought or more"),
    ],
)
def test_senseless_checks_are_refused(arguments: dict[str, Any], wanted: str) -> None:
    """What was wrong, and what was expected."""
    with pytest.raises(BadCheck, match=wanted):
        Check(**arguments)


CHECKS = [
    Check("xor", start=0x5A), Check("sum", 16, final=0xFF00, skip=2),
    Check("negative sum", 16, low_byte_first=True),
    Check("crc", 16, 0x1021, start=0xFFFF, final=0xFFFF), Check("crc", 16, 0x8005, reflected=True, skip=1),
    Check("crc", 8, 0x07), Check("crc", 32, 0x04C11DB7, start=2**32 - 1, reflected=True),
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=str)
@given(data=st.binary(min_size=LONG, max_size=3 * LONG))
def test_long_data_is_checked_like_short(check: Check, data: bytes) -> None:
    """A check goes on from what it was after the first bytes, however many are given at once."""
    plain = check.start
    if check.rule == "crc":
        plain = Check("crc", check.width, check.polynomial, check.start, 0, check.reflected).value(b"")
        top, mask = check.width - 1, (1 << check.width) - 1
        register = check.start
        for byte in data[check.skip :]:
            for bit in range(8):
                one = byte >> (bit if check.reflected else 7 - bit) & 1
                turn = (register >> top & 1) ^ one
                register = (register << 1 & mask) ^ (check.polynomial if turn else 0)
        plain = int(f"{register:0{check.width}b}"[::-1], 2) if check.reflected else register
    elif check.rule == "xor":
        for byte in data[check.skip :]:
            plain ^= byte
    else:
        plain = sum(data[check.skip :]) * (-1 if check.rule == "negative sum" else 1) % (1 << check.width)
    assert check.value(data) == plain ^ check.final


@pytest.mark.parametrize("check", CHECKS, ids=str)
@given(
    data=st.binary(min_size=12, max_size=90), other=st.binary(min_size=90, max_size=90), cut=st.integers(1, 8)
)
def test_gaps_add_up(check: Check, data: bytes, other: bytes, cut: int) -> None:
    """Two parts of a block changed together make of the gap what each makes of it alone."""
    other = other[: len(data)]
    one, both = other[:cut] + data[cut:], other[:cut] + data[cut : cut + 2] + other[cut + 2 :]
    two = data[: cut + 2] + other[cut + 2 :]
    gaps = [check.gap(block) for block in (data, one, two, both)]
    if check.adds_by_xor:
        assert gaps[3] == gaps[1] ^ gaps[2] ^ gaps[0]
    else:
        assert gaps[3] == (gaps[1] + gaps[2] - gaps[0]) % (1 << check.width)
    assert (gaps[0] == 0) == check.holds(data)
    assert check.gap(check.append(data)) == 0
