"""Mending a block with the help of its check."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.tape.checks import Check
from benchwright.tape.encoding import encoding_named
from benchwright.tape.repair import MOST_COST, Judged, Rival, judge

CHECKS = [Check("xor"), Check("sum", 16), Check("negative sum"), Check("crc", 16, 0x1021)]
RIVALS = st.lists(
    st.tuples(st.integers(0, 10), st.integers(0, 3), st.binary(min_size=0, max_size=3), st.integers(1, 400)),
    min_size=1, max_size=6,
)  # fmt: skip


def by_hand(data: bytes, rivals: list[Rival], check: Check) -> bytes | None:
    """The cheapest set of rivals that do not overlap and with which the check holds, by trying them all."""
    best: tuple[float, bytes] | None = None
    for count in range(1, len(rivals) + 1):
        for some in itertools.combinations(rivals, count):
            ordered = sorted(some, key=lambda r: r.first)
            if any(a.last > b.first for a, b in itertools.pairwise(ordered)):
                continue
            text, at = b"", 0
            for rival in ordered:
                text, at = text + data[at : rival.first] + rival.data, rival.last
            text += data[at:]
            cost = sum(rival.cost for rival in some)
            if check.holds(text) and cost <= MOST_COST and (best is None or cost < best[0] - 1e-9):
                best = cost, text
    return None if best is None else best[1]


@pytest.mark.parametrize("check", CHECKS, ids=str)
@given(data=st.binary(min_size=12, max_size=12), drawn=RIVALS, right=st.booleans())
def test_the_cheapest_set_with_which_the_check_holds(
    check: Check, data: bytes, drawn: list, right: bool
) -> None:
    """What is mended is what trying all sets finds: of rivals as long as what they replace, and of others."""
    written = check.append(data)
    # No two sets cost the same.
    rivals = [
        Rival(first, first + size, text, cost / 10 + 1e-3 * 2**k)
        for k, (first, size, text, cost) in enumerate(drawn)
        if text != written[first : first + size] and (text or size)
    ]
    if right and rivals:
        # What was read is wrong where the first rival is right.
        rival = rivals[0]
        wrong = bytes(b ^ 0x41 for b in written[rival.first : rival.last])
        if wrong:
            rivals[0] = replace(rival, data=written[rival.first : rival.last])
            written = written[: rival.first] + wrong + written[rival.last :]
    else:
        written = written[:-1] + bytes([written[-1] ^ 1])
    if check.holds(written):
        return
    judged: Judged = judge(written, rivals, True, replace(encoding_named("msx-1200"), check=check))
    wanted = by_hand(written, list({(r.first, r.last, r.data): r for r in rivals[::-1]}.values()), check)
    if wanted is None:
        assert judged.check == "fails"
        assert judged.data == written
    else:
        assert judged.check == "holds"
        assert judged.data == wanted


def test_two_bytes_far_apart_are_mended_together() -> None:
    """Neither alone makes the check hold: both do, and the words say so."""
    check = Check("crc", 16, 0x1021)
    right = check.append(bytes(range(200)))
    read = bytearray(right)
    read[20], read[150] = 0xEE, 0xDD
    rivals = [Rival(20, 21, right[20:21], 2.0), Rival(150, 151, right[150:151], 3.0)]
    rivals += [Rival(k, k + 1, b"\x00", 4.0 + k / 100) for k in range(30, 90)]
    judged = judge(bytes(read), rivals, True, replace(encoding_named("msx-1200"), check=check))
    assert judged.data == right
    assert judged.repaired == ("byte 20: ee read as 14", "byte 150: dd read as 96")
    assert judged.check == "holds"
