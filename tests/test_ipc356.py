"""Netlists of bare boards: habits of writers, and what is written reads back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board import Board, ImportReport, Pad, Pin, Track
from benchwright.board.ipc356 import read_ipc356, read_test_records, write_ipc356
from benchwright.board.ipc356_read import _ENDS  # the line ends the reader knows
from benchwright.board.netlist_data import NetlistData
from benchwright.errors import BadFile

HEAD = "P  JOB   test\nP  UNITS CUST 1\n"


def _read(body: str, head: str = HEAD) -> tuple[NetlistData, ImportReport]:
    report = ImportReport()
    return read_ipc356(f"{head}{body}\n999\n", "test.ipc", report), report


def _texts(report: ImportReport, grade: str) -> list[str]:
    return [remark.text for remark in report.of(grade)]


# -- points ------------------------------------------------------------------------------------------


def test_three_lines_of_one_hole_are_one_pin() -> None:
    """Top pad, bottom pad and hole of one pin give one pin with two pads, both drilled."""
    data, _ = _read(
        "317CLK              U1    -14         A01X+010000Y+020000X1500Y1500R000 S0\n"
        "017                 U1    -14         A02X+010000Y+020000X1700Y0000R000 S0\n"
        "017                       -     D0800PA00X+010000Y+020000"
    )
    assert data.nets == {"CLK": (Pin("U1", "14"),)}
    assert [(pad.side, pad.size, pad.drill) for pad in data.pads] == [
        ("top", (1.5, 1.5), 0.8), ("bottom", (1.7, 1.7), 0.8),
    ]  # fmt: skip


def test_moved_continuation_stays_with_its_pin() -> None:
    """A continuation that a writer moved by a column still belongs to the pin above it."""
    data, _ = _read(
        "317CLK             U1    -14         A01X+010000Y+020000X1500Y1500R000 S0\n"
        "017                U1    -14         A02X+010000Y+020000X1700Y0000R000 S0"
    )
    assert data.nets == {"CLK": (Pin("U1", "14"),)}
    assert [(pad.pin, pad.side) for pad in data.pads] == [
        (Pin("U1", "14"), "top"),
        (Pin("U1", "14"), "bottom"),
    ]


def test_every_unconnected_line_stands_alone() -> None:
    """N/C is no net: its pins are joined to nothing."""
    data, _ = _read(
        "317N/C              U1    -1    D0800PA00X+000000Y+000000X1500Y0000R000 S0\n"
        "317N/C              U2    -1    D0800PA00X+010000Y+000000X1500Y0000R000 S0\n"
        "317A                U2    -2    D0800PA00X+020000Y+000000X1500Y0000R000 S0"
    )
    assert list(data.nets) == ["A"]
    assert data.unconnected == (Pin("U1", "1"), Pin("U2", "1"))
    assert [pad.net for pad in data.pads] == [None, None, "A"]


def test_contradicting_nets_of_one_point_are_told() -> None:
    """A pin that two lines put on two nets at one place keeps the first; the second is refused by line."""
    data, report = _read(
        "317A                U1    -1    D0800PA00X+001000Y+000000X1500Y0000R000 S0\n"
        "317B                U1    -1    D0800PA00X+001000Y+000000X1500Y0000R000 S0\n"
        "317B                U1    -2    D0800PA00X+009000Y+000000X1500Y0000R000 S0"
    )
    assert data.nets == {"A": (Pin("U1", "1"),), "B": (Pin("U1", "2"),)}
    (refused,) = report.of("refused")
    assert refused.line == 4
    assert "U1.1" in refused.text


def test_shortened_references_do_not_join_two_nets() -> None:
    """Two connectors cut to one reference keep both nets apart and both pins reachable."""
    data, report = _read(
        "317A                CONN12-1    D0800PA00X+001000Y+000000X1500Y0000R000 S0\n"
        "317B                CONN12-1    D0800PA00X+030000Y+000000X1500Y0000R000 S0"
    )
    assert data.nets == {"A": (Pin("CONN12", "1"),), "B": (Pin("CONN12", "1#2"),)}
    assert any("1#2" in text for text in _texts(report, "repaired"))


@pytest.mark.parametrize(
    ("units", "turn", "x", "wanted"),
    [
        ("CUST 0", "090", 25.4, 90.0), ("CUST", "090", 25.4, 90.0), ("CUST 1", "090", 10.0, 90.0),
        ("SI", "270", 10.0, 270.0), ("CUST 2", "003", 25.4, 171.887338539), ("CUST 2", "090", 25.4, 90.0),
    ],
)  # fmt: skip
def test_units_scale_lengths_and_angles(units: str, turn: str, x: float, wanted: float) -> None:
    """Each unit system has its count; radians are believed only up to a full turn."""
    line = f"317A                U1    -1    D0800PA00X+010000Y+000000X1500Y1200R{turn} S0"
    data, _ = _read(line, f"P  UNITS {units}\n")
    assert data.pads[0].at == pytest.approx((x, 0.0))
    assert data.pads[0].turn == pytest.approx(wanted)


def test_missing_units_are_inferred_aloud() -> None:
    """Without UNITS the counts are 0.0001 inch, and the report says so."""
    data, report = _read("317A                U1    -1    D0800PA00X+010000Y+000000", "")
    assert data.pads[0].at == pytest.approx((25.4, 0.0))
    assert any("CUST 0" in text for text in _texts(report, "inferred"))


@pytest.mark.parametrize(
    ("alias", "key"),
    [
        ("P  NNAME00001 A_VERY_LONG_NET_NAME", "NNAME00001"),
        ("P  NNAME00001  A_VERY_LONG_NET_NAME" + " " * 30, "NNAME00001"),
        ("P  NNAME00001 A_VERY_LONG_NET_NAME", "00001"),
        ("C  NNAMEm0000 A_VERY_LONG_NET_NAME", "m0000"),
        ("C  NNAMEm0000 A_VERY_LONG_NET_NAME", "M0000"),
    ],
)
def test_long_names_in_all_their_habits(alias: str, key: str) -> None:
    """Aliases are found as a parameter or comment, with or without their prefix, in any capitals."""
    data, _ = _read(f"{alias}\n317{key:<17}U1    -1    D0800PA00X+010000Y+000000")
    assert list(data.nets) == ["A_VERY_LONG_NET_NAME"]


def test_only_the_primary_image_is_the_board() -> None:
    """Stepped images and the panel add no pin; each is told."""
    data, report = _read(
        "P  IMAGE PRIMARY\n"
        "317A                U1    -1    D0800PA00X+010000Y+000000X1500Y0000R000 S0\n"
        "P  IMAGE 2\n"
        "309 MY R090 X+050000Y-001000\n"
        "P  IMAGE PANEL\n"
        "317A                U9    -1    D0800PA00X+090000Y+000000X1500Y0000R000 S0"
    )
    assert data.nets == {"A": (Pin("U1", "1"),)}
    assert [(step.image, step.mirrored, step.turn, step.at) for step in data.steps] == [
        ("2", True, 90, (50.0, -1.0))
    ]
    assert len([text for text in _texts(report, "noted") if "image" in text]) == 2


def test_surface_features_on_any_other_layer_are_the_solder_side() -> None:
    """The solder side is A02 or the last layer, and a buried via cannot be probed."""
    data, _ = _read(
        "327A                U1    -1          A04X+010000Y+000000X1500Y0600R000 S0\n"
        "327A                U1    -2          A02X+020000Y+000000X1500Y0600R000 S0\n"
        "307A                VIA   -     D0300P   X+030000Y+000000X0600Y0000R000 S0L02L03".replace(
            "-     D", "-    MD"
        )
        + "\n307A                VIA   -    MD0300PA01X+040000Y+000000X0600Y0000R000 S0L01L02"
    )
    assert [pad.side for pad in data.pads] == ["bottom", "bottom", "inner", "top"]


def test_inverted_soldermask_digits() -> None:
    """A writer that says 3 for every bare pad is seen through: pins bare, vias the other way round."""
    pins = "\n".join(
        f"317A{' ' * 16}U1    -{n:<4}D0800PA00X+0{n}0000Y+000000X1500Y0000R000 S3" for n in range(1, 6)
    )
    via = "317A                VIA   -    MD0300PA00X+003000Y+005000X0600Y0000R000 S0"
    data, report = _read(f"{pins}\n{via}")
    assert [pad.covered for pad in data.pads] == [False] * 5 + [True]
    assert any("other way round" in text for text in _texts(report, "repaired"))


@pytest.mark.parametrize(
    ("line", "ref", "pin", "net"),
    [
        ("317SIG              U1-3           D0800PA00X+010000Y+020000X1500", "U1", "3", "SIG"),
        ("317SIG              J1    -RESETN  D0800PA00X+010000Y+020000X1500", "J1", "RESETN", "SIG"),
        ("317A_NAME_OF_MORE_THAN_17 U1 -3 D0800PA00X+010000Y+020000", "U1", "3", "A_NAME_OF_MORE_THAN_17"),
        ("317SIG\tU1\t-3\tD0800PA00X+010000Y+020000X1500", "U1", "3", "SIG"),
        ("317SIG              U1    -3     D0800PA00X  1000 Y 20000X1500", "U1", "3", "SIG"),
        ("317SIG              U1    -3    D0800PA00X 10000Y 20000X1500Y0000R000 S0", "U1", "3", "SIG"),
        ("  317SIG              U1    -3    D0800PA00X+010000Y+020000", "U1", "3", "SIG"),
    ],
)  # fmt: skip
def test_shifted_columns_lose_no_pin(line: str, ref: str, pin: str, net: str) -> None:
    """Fields out of their columns are found by their letters."""
    data, _ = _read(line)
    assert data.nets == {net: (Pin(ref, pin),)}
    assert data.pads[0].at[1] == pytest.approx(20.0)


def test_leading_blanks_stand_for_zeros() -> None:
    """Blank-padded numbers in their columns are read without a repair."""
    data, report = _read("317A                U1    -1    D 800PA00X+ 10000Y-   500X1500Y   0R  0 S0")
    assert data.pads[0].at == (10.0, -0.5)
    assert data.pads[0].drill == 0.8
    assert report.of("repaired") == []


def test_negative_size_is_read_as_its_extent() -> None:
    """A slanted pad that a writer prints with a negative size has the size without the sign."""
    data, report = _read("327A                U1    -1          A01X+010000Y+000000X-150Y0600R045 S0")
    assert data.pads[0].size == (0.15, 0.6)
    assert report.of("repaired")


def test_pin_without_a_place_stays_on_its_net() -> None:
    """A record cut before its place still connects its pin, and says so."""
    data, report = _read(
        "317A                U1    -1\n317A                U2    -1    D0800PA00X+010000Y+000000"
    )
    assert data.nets == {"A": (Pin("U1", "1"), Pin("U2", "1"))}
    assert [pad.pin for pad in data.pads] == [Pin("U2", "1")]
    assert any(remark.line == 3 and "no place" in remark.text for remark in report.of("repaired"))


def test_end_record_and_what_follows() -> None:
    """A missing end is told, and lines after the end are no part of the netlist."""
    line = "317A                U1    -1    D0800PA00X+010000Y+000000"
    report = ImportReport()
    read_ipc356(f"{HEAD}{line}", "f", report)
    assert any("999 is missing" in text for text in _texts(report, "repaired"))
    data, report = _read(f"{line}\n999\n317B                U2    -1    D0800PA00X+020000Y+000000")
    assert list(data.nets) == ["A"]
    assert any("after the end" in text for text in _texts(report, "noted"))


def test_part_inside_the_board() -> None:
    """A resistor buried in the board is a part with two pins, its value in ohms."""
    data, _ = _read(
        "317A                U1    -1    D0800PA00X+010000Y+000000\n"
        "317B                U1    -2    D0800PA00X+020000Y+000000\n"
        "370A               A01 X+010000Y+000000 R 4.70E+3 4.60E+3 4.80E+3 RB1\n"
        "070B               A01 X+020000Y+000000 X 015000 Y 000000"
    )
    (row,) = data.rows.values()
    assert (row.kind, row.size) == ("resistor", pytest.approx(4700.0))
    assert Pin(row.ref, "1") in data.nets["A"]
    assert Pin(row.ref, "2") in data.nets["B"]


def test_conductors_go_on_in_continuations() -> None:
    """A 078 line carries the path on: coordinates are modal over lines, an asterisk lifts the pen."""
    data, _ = _read(
        "317A                U1    -1    D0800PA00X+010000Y+000000\n"
        "378A              L01 X300Y200 X0Y0 X5000\n"
        "078                   Y2000*X100Y100 X900\n"
    )
    assert data.tracks == (
        Track("A", 1, 0.2, ((0, 0), (5, 0), (5, 2))),
        Track("A", 1, 0.2, ((0.1, 0.1), (0.9, 0.1))),
    )


def test_nothing_usable_is_one_clear_error() -> None:
    """A file without a single test record is refused whole, by name and with what was expected."""
    with pytest.raises(BadFile, match=r"test\.ipc: no test record .* expected an IPC-D-356"):
        _read("P  IMAGE PRIMARY\nhello")


# -- written and read back ---------------------------------------------------------------------------

_NAME = (
    st.text(st.sampled_from("ABCXYZabc019_/+-#~*.[] ()é"), min_size=1, max_size=24)
    .map(str.strip)
    .filter(bool)
)
_REF = st.from_regex(r"(?a:[A-Z]{1,4}\d{1,5}[AB]?)", fullmatch=True)
_NUMBER = st.one_of(
    st.integers(1, 9999).map(str), st.sampled_from(["A1", "B12", "VCC", "RESET#", "+", "-", "1-2", "GND"])
)


@st.composite
def _boards(draw: st.DrawFn) -> Board:
    """Boards whose lengths are whole counts of 0.01 mm, which neither unit system need round far."""
    pins = draw(st.lists(st.tuples(_REF, _NUMBER), min_size=1, max_size=12, unique=True))
    names = draw(st.lists(_NAME, min_size=1, max_size=5, unique=True))
    nets: dict[str, list[Pin]] = {name: [] for name in names}
    pads: list[Pad] = []
    spots = iter(draw(st.permutations(range(1, 60))))

    def pad(pin: Pin | None, net: str | None) -> Pad:
        square = draw(st.integers(30, 400)) / 100
        other = draw(st.integers(30, 400)) / 100
        rounded = draw(st.booleans())
        side = draw(st.sampled_from(("both", "top", "bottom")))
        return Pad(
            pin, net, (next(spots) * 1.27, draw(st.integers(-5000, 5000)) / 100),
            (square, square if rounded else other), rounded, float(draw(st.integers(0, 359))), side,
            draw(st.sampled_from((0.0, 0.8))), pin is None and draw(st.booleans()), draw(st.booleans()),
        )  # fmt: skip

    for pin in (Pin(*each) for each in pins):
        net = draw(st.sampled_from([*names, None]))
        if net is not None:
            nets[net].append(pin)
        if net is None or draw(st.booleans()):
            pads.append(pad(pin, net))
            if draw(st.integers(0, 4)) == 0:
                pads.append(pad(pin, net))
    for name in names:
        if not nets[name] or draw(st.booleans()):
            pads.append(pad(None, name))
    tracks = [
        Track(
            draw(st.sampled_from(names)), draw(st.integers(1, 2)), draw(st.integers(1, 30)) / 10, tuple(path)
        )
        for path in draw(
            st.lists(
                st.lists(st.tuples(st.integers(-99, 99), st.integers(-99, 99)), min_size=2, max_size=8),
                max_size=3,
            )
        )
    ]
    pairs = (
        draw(st.lists(st.sets(st.sampled_from(names), min_size=2, max_size=2), max_size=3))
        if names[1:]
        else []
    )
    return Board(
        name="board",
        nets={name: tuple(on) for name, on in nets.items()},
        pads=tuple(pads),
        tracks=tuple(tracks),
        adjacency=frozenset(frozenset(pair) for pair in pairs),
        outline=draw(st.sampled_from([(), ((0.0, 0.0), (50.0, 0.0), (50.0, 40.0))])),
    )


def _key(pad: Pad) -> tuple[object, ...]:
    return (str(pad.pin), str(pad.net), pad.at, pad.side)


@given(_boards())
def test_metric_netlist_reads_back_the_same(board: Board) -> None:
    """Nets, pins, pads, tracks, adjacency and outline survive writing and reading, whatever the names."""
    data = read_ipc356(write_ipc356(board), "made", ImportReport())
    assert data.nets == board.nets
    assert list(data.nets) == list(board.nets)
    flat = [pad for pad in board.pads if not (pad.round and pad.size[0] != pad.size[1])]
    wanted = sorted((_rounded(pad) for pad in flat), key=_key)
    assert sorted((_rounded(pad) for pad in data.pads), key=_key) == wanted
    assert sorted(map(repr, map(_track, data.tracks))) == sorted(map(repr, map(_track, board.tracks)))
    assert data.adjacency == board.adjacency
    assert data.outline == board.outline


def _rounded(pad: Pad) -> Pad:
    return Pad(
        pad.pin, pad.net, (round(pad.at[0], 3), round(pad.at[1], 3)), pad.size, pad.round, pad.turn, pad.side,
        pad.drill, pad.covered, pad.midpoint,
    )  # fmt: skip


def _track(track: Track) -> Track:
    points = tuple((float(round(x, 3)), float(round(y, 3))) for x, y in track.points)
    return Track(track.net, track.layer, track.width, points)


@given(_boards())
def test_inch_netlist_reads_back_within_half_a_count(board: Board) -> None:
    """In 0.0001 inch the nets are the same and every place is within 1.27 micrometres."""
    data = read_ipc356(write_ipc356(board, cust=0), "made", ImportReport())
    assert data.nets == board.nets
    pads = sorted(board.pads, key=_key)
    read = sorted(
        data.pads, key=lambda pad: (str(pad.pin), str(pad.net), round(pad.at[0] / 1.27) * 1.27, pad.side)
    )
    assert len(read) == len(pads)
    for one, other in zip(pads, read, strict=True):
        assert other.at == pytest.approx(one.at, abs=0.00127 + 1e-9)


@given(_boards())
def test_written_lines_keep_to_the_columns(board: Board) -> None:
    """Every written data record fits 80 columns, and all its points are read by column, with no repair."""
    text = write_ipc356(board)
    assert text.isascii() or any(not name.isascii() for name in board.nets)
    for line in _ENDS.split(text):
        if line[:3].isdecimal():
            assert len(line) <= 80
    assert not any(record.overflow for record in read_test_records(text, "made", ImportReport()))


def test_short_references_are_explained() -> None:
    """References and pins that do not fit are cut, kept apart, explained, and restored on reading."""
    pins = (Pin("CONNECTOR1", "1"), Pin("CONNECTOR2", "1"), Pin("U1", "RESET_IN"), Pin("U1", "RESET_OUT"))
    board = Board(nets={"A": pins[:1], "B": pins[1:2], "C": pins[2:3], "D": pins[3:]})
    text = write_ipc356(board)
    assert "STANDS FOR CONNECTOR2" in text
    assert all(len(line) <= 80 for line in text.splitlines())
    assert read_ipc356(text, "made", ImportReport()).nets == board.nets


def test_pins_without_pads_have_no_place() -> None:
    """A board without geometry is written with a warning, and read back without geometry."""
    board = Board(nets={"A": (Pin("U1", "1"), Pin("U2", "1")), "B": (Pin("U1", "2"),)})
    text = write_ipc356(board)
    assert "PLACES ARE NOT KNOWN" in text
    data = read_ipc356(text, "made", ImportReport())
    assert data.nets == board.nets
    assert data.pads == ()


def test_what_does_not_fit_is_named() -> None:
    """A pad beyond the columns is cut, and a comment names it."""
    board = Board(
        nets={"A": (Pin("U1", "1"),)}, pads=(Pad(Pin("U1", "1"), "A", (2000.0, 0.0), (30.0, 30.0)),)
    )
    text = write_ipc356(board)
    assert "CUT: U1.1" in text
    assert read_ipc356(text, "made", ImportReport()).nets == board.nets


def test_unknown_unit_system_is_refused() -> None:
    """Only the two unit systems that can be written are accepted."""
    with pytest.raises(ValueError, match="expected 0"):
        write_ipc356(Board(), cust=7)
