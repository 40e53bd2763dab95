"""The two worked examples of the IPC-D-356 reference note, row by row.

The note (columns read in a public record-by-record description of IPC-D-356A, habits in the sources of public
writers) invents both files and gives the values a reader must return; a second, independent reader returned
them too. Expected millimetres are the note's, printed to 0.001 mm: 0.0001 inch and 0.001 mm per count.
"""

from __future__ import annotations

import pytest

from benchwright.board import ImportReport, Pin
from benchwright.board.ipc356 import read_ipc356, read_test_records

CLEAN = """\
C  invented board for importer tests
P  JOB   LAMPDRV-01
P  CODE  00
P  UNITS CUST 0
P  TITLE Lamp driver demo
P  NUM   LD-01
P  REV   A
P  VER   IPC-D-356A
P  IMAGE PRIMARY
P  NNAME00001 LAMP_DRIVER_FEEDBACK_SENSE
317+5V              J1    -1    D0400PA00X+001000Y+001000X0700Y0700R000 S0
317GND              J1    -2    D0400PA00X+002000Y+001000X0700Y0000R000 S0
327+5V              C1    -1          A01X+003000Y+001500X0500Y0600R090 S0
327GND              C1    -2          A01X+004000Y+001500X0500Y0600R090 S0
327NNAME00001       U1    -7          A02X+004500Y+003000X0250Y0600R000 S0
317NNAME00001       VIA   -    MD0150PA00X+004500Y+002500X0350Y0000R000 S3
317NNAME00001       R1    -2    D0320PA00X+002500Y+003500X0600Y0000R000 S0
327N/C              U1    -3          A02X+003500Y+003000X0250Y0600R000 S0
327N/C              U1    -5          A02X+004000Y+003000X0250Y0600R000 S0
367N/C              H1    -1    D1250UA00X+005000Y+000500X1250Y0000R000 S0
378GND            L02 X200 X2000Y1000 X4000 Y1500*X2000Y1000 Y3800
389BOARD_EDGE         X50 X0Y0 X5500 Y4000 X0 Y0
379GND +5V NNAME00001
999
"""

UNTIDY = """\
C  invented, metric, with the habits of careless writers
P  JOB   C:\\jobs\\buzzer
P  UNITS CUST 1
P  arrayDim   N
C  NNAMEm0000 timer_discharge_to_threshold
317m0000            U2    -6    D0800PA00X+010160Y-005080X1600Y0000R000S0
317m0000            U2    -7    D0800PA00X+010160Y-007620X1600Y0000
317vcc              U2    -8    D0800PA00X+010160Y-010160
327VCC              CONN12-A1         A01X+025400Y-002540X1500Y9999R000 S1
317VCC              VIA        MD0300PA00X+020000Y-006000X0600Y0000R000S3
327gnd              BT1   -NEG        A02X+1016000Y-020320X2000Y2000R000 S0
099VCC               X+000400Y+000200 T01X+020000Y-006000
512UNKNOWN RECORD KIND
999
"""

LAMP = "LAMP_DRIVER_FEEDBACK_SENSE"
TIMER = "timer_discharge_to_threshold"

# line: net key, ref, pin, access, x, y, drill, plated, size, round, turn, mask, midpoint
ROWS = {
    CLEAN: {
        11: ("+5V", "J1", "1", 0, 2.540, 2.540, 1.016, True, (1.778, 1.778), False, 0, 0, False),
        12: ("GND", "J1", "2", 0, 5.080, 2.540, 1.016, True, (1.778, 1.778), True, 0, 0, False),
        13: ("+5V", "C1", "1", 1, 7.620, 3.810, None, None, (1.270, 1.524), False, 90, 0, False),
        14: ("GND", "C1", "2", 1, 10.160, 3.810, None, None, (1.270, 1.524), False, 90, 0, False),
        15: ("NNAME00001", "U1", "7", 2, 11.430, 7.620, None, None, (0.635, 1.524), False, 0, 0, False),
        16: ("NNAME00001", "", "", 0, 11.430, 6.350, 0.381, True, (0.889, 0.889), True, 0, 3, True),
        17: ("NNAME00001", "R1", "2", 0, 6.350, 8.890, 0.813, True, (1.524, 1.524), True, 0, 0, False),
        18: ("N/C", "U1", "3", 2, 8.890, 7.620, None, None, (0.635, 1.524), False, 0, 0, False),
        19: ("N/C", "U1", "5", 2, 10.160, 7.620, None, None, (0.635, 1.524), False, 0, 0, False),
        20: ("N/C", "H1", "1", 0, 12.700, 1.270, 3.175, False, (3.175, 3.175), True, 0, 0, False),
    },
    UNTIDY: {
        6: ("m0000", "U2", "6", 0, 10.160, -5.080, 0.800, True, (1.600, 1.600), True, 0, 0, False),
        7: ("m0000", "U2", "7", 0, 10.160, -7.620, 0.800, True, (1.600, 1.600), True, None, None, False),
        8: ("vcc", "U2", "8", 0, 10.160, -10.160, 0.800, True, None, True, None, None, False),
        9: ("VCC", "CONN12", "A1", 1, 25.400, -2.540, None, None, (1.500, 9.999), False, 0, 1, False),
        10: ("VCC", "", "", 0, 20.000, -6.000, 0.300, True, (0.600, 0.600), True, 0, 3, True),
        11: ("gnd", "BT1", "NEG", 2, 1016.000, -20.320, None, None, (2.000, 2.000), False, 0, 0, False),
    },
}


@pytest.mark.parametrize(
    ("text", "line"), [(text, line) for text, rows in ROWS.items() for line in rows],
    ids=[f"{name}-{line}" for name, text in (("clean", CLEAN), ("untidy", UNTIDY)) for line in ROWS[text]],
)  # fmt: skip
def test_record_has_the_reference_values(text: str, line: int) -> None:
    """Each test record gives the net, pin, side, place, hole, size, turn and mask of the note's table."""
    net, ref, pin, access, x, y, drill, plated, size, rounded, turn, mask, midpoint = ROWS[text][line]
    records = {record.line: record for record in read_test_records(text, "example", ImportReport())}
    assert set(records) == set(ROWS[text])
    seen = records[line]
    assert (seen.net, seen.ref, seen.pin, seen.access) == (net, ref, pin, access)
    assert seen.at == pytest.approx((x, y), abs=5e-7)
    assert (seen.drill is None) == (drill is None)
    assert seen.drill is None or seen.drill == pytest.approx(drill, abs=0.0005)
    assert seen.plated is plated
    assert seen.size is None if size is None else seen.size == pytest.approx(size, abs=5e-7)
    assert (seen.round, seen.turn, seen.mask, seen.midpoint) == (rounded, turn, mask, midpoint)
    assert seen.via == (ref == "")


def test_clean_example_as_a_whole() -> None:
    """The clean example has the note's nets, parts, hole, conductor, outline and adjacency."""
    data = read_ipc356(CLEAN, "clean.ipc", ImportReport())
    assert (data.name, data.title, data.number, data.revision, data.version) == (
        "LAMPDRV-01", "Lamp driver demo", "LD-01", "A", "IPC-D-356A",
    )  # fmt: skip
    assert data.nets == {
        "+5V": (Pin("J1", "1"), Pin("C1", "1")),
        "GND": (Pin("J1", "2"), Pin("C1", "2")),
        LAMP: (Pin("U1", "7"), Pin("R1", "2")),
    }
    assert data.unconnected == (Pin("U1", "3"), Pin("U1", "5"))
    (via,) = [pad for pad in data.pads if pad.pin is None]
    assert (via.net, via.covered, via.midpoint) == (LAMP, True, True)
    (hole,) = data.holes
    assert (hole.at, hole.drill, hole.net) == ((12.7, 1.27), 3.175, None)
    assert [(track.net, track.layer, track.width) for track in data.tracks] == [("GND", 2, 0.508)] * 2
    assert data.tracks[0].points == ((5.08, 2.54), (10.16, 2.54), (10.16, 3.81))
    assert data.tracks[1].points == ((5.08, 2.54), (5.08, 9.652))
    assert data.outline == ((0, 0), (13.97, 0), (13.97, 10.16), (0, 10.16))
    assert data.adjacency == {frozenset(("GND", "+5V")), frozenset(("GND", LAMP))}


def test_untidy_example_as_a_whole() -> None:
    """The untidy example keeps vcc and VCC apart, finds the alias in a comment, and drops no net or pin."""
    data = read_ipc356(UNTIDY, "untidy.ipc", ImportReport())
    assert data.nets == {
        TIMER: (Pin("U2", "6"), Pin("U2", "7")),
        "vcc": (Pin("U2", "8"),),
        "VCC": (Pin("CONN12", "A1"),),
        "gnd": (Pin("BT1", "NEG"),),
    }
    assert [pad.net for pad in data.pads if pad.pin is None] == ["VCC"]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (4, "unknown parameter 'arrayDim'"), (5, "in a comment"), (9, "largest its columns can hold"),
        (9, "CONN12"), (9, "vcc and VCC differ only in capitals"), (11, "column overflow"),
        (12, "tester location"), (13, "unknown record 512"),
    ],
)  # fmt: skip
def test_untidy_example_is_not_read_in_silence(line: int, words: str) -> None:
    """Each liberty that the note lists for the untidy example is reported with its line."""
    report = ImportReport()
    read_ipc356(UNTIDY, "untidy.ipc", report)
    told = [remark for remark in report.remarks if words in remark.text]
    assert [remark.line for remark in told] == [line]
    assert str(told[0]).startswith(f"untidy.ipc, line {line}: ")


def test_clean_example_earns_no_repair() -> None:
    """A file that keeps the rules has nothing repaired or refused."""
    report = ImportReport()
    read_ipc356(CLEAN, "clean.ipc", report)
    assert report.of("repaired") == report.of("refused") == []
