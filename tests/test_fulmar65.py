"""The Fulmar 65 is a whole, sensible machine, and its shipped files are what its script makes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path

import pytest

from benchwright.board import Board, Pad, Pin
from benchwright.demo import fulmar65


@pytest.fixture(scope="module")
def board() -> Board:
    return fulmar65.board()


def _chips(board: Board) -> Iterator[tuple[str, Pin, str]]:
    """Reference, pin and direction of all pins of parts that have directions."""
    for ref in board.parts:
        for pin in board.pins_of[ref]:
            yield ref, pin, board.kind_pin(pin).direction


def test_shipped_files_are_what_the_script_makes(tmp_path: Path) -> None:
    """Running the script again gives the shipped files to the byte."""
    assert fulmar65.main([str(tmp_path)]) == 0
    for shipped in fulmar65.paths():
        assert (tmp_path / shipped.name).read_bytes() == shipped.read_bytes(), shipped.name


def test_script_says_how_it_is_run(capsys: pytest.CaptureFixture[str]) -> None:
    """Without a folder the script ends with 2 and its usage."""
    assert fulmar65.main([]) == 2
    assert "DIR" in capsys.readouterr().err


def test_import_refuses_and_repairs_nothing(board: Board) -> None:
    """Every record of the netlist, the parts list and the overlay is used as it stands."""
    assert board.report is not None
    assert board.report.of("refused") == []
    assert board.report.of("repaired") == []


def test_files_carry_all_that_was_drawn(board: Board) -> None:
    """Nets (long names too), pads, vias and copper come back from the files as they were laid out."""
    drawn = fulmar65.draw_board()
    assert {net: set(pins) for net, pins in board.nets.items()} == {
        net: set(pins) for net, pins in drawn.nets.items()
    }
    assert sum(len(net) > 14 for net in board.nets) >= 5

    def copper(pads: tuple[Pad, ...]) -> set[tuple[Pin | None, str | None, float, float]]:
        return {(pad.pin, pad.net, round(pad.at[0], 2), round(pad.at[1], 2)) for pad in pads}

    assert copper(board.pads) == copper(drawn.pads)
    assert {track.net for track in board.tracks} == {"MA5", "+5V"}
    assert len(board.outline) >= 4
    for ref, part in drawn.parts.items():
        read = board.parts[ref]
        assert (read.kind, read.size, read.style, read.socket) == (
            part.kind,
            part.size,
            part.style,
            part.socket,
        ), ref


def test_every_part_is_recognised(board: Board) -> None:
    """About a hundred parts, none of them generic, and the video chip by the overlay's kind."""
    assert 90 <= len(board.parts) <= 130
    assert [ref for ref in board.parts if board.kind_of(ref).generic] == []
    assert board.kind_of("U15").package == "PLCC-68"


def test_no_net_ends_in_the_air(board: Board) -> None:
    """Every net joins at least two pins."""
    assert {net: pins for net, pins in board.nets.items() if len(pins) < 2} == {}


def test_supplies_stand_on_their_rails(board: Board) -> None:
    """Supply pins are on the rail of their voltage, ground pins on ground."""
    for ref, pin, direction in _chips(board):
        kind = board.kind_of(ref)
        net = board.net_of.get(pin)
        if direction == "G":
            assert net == "GND", pin
        if direction == "P":
            assert net in board.rails, pin
            name = board.kind_pin(pin).name
            for supply in kind.supplies:
                if supply.pin == name and supply.nominal:
                    assert board.rails[net].nominal == pytest.approx(supply.nominal), pin


def test_no_input_is_left_floating(board: Board) -> None:
    """Every chip input is on a net, and so is driven, pulled or tied."""
    assert [str(pin) for _, pin, way in _chips(board) if way == "I" and pin not in board.net_of] == []


def test_every_signal_has_a_source(board: Board) -> None:
    """A net with inputs also has an output, a resistor, a connector or a supply on it."""
    drivers = {"resistor", "resistor_network", "potentiometer", "connector", "regulator", "transistor"}
    for net, pins in board.nets.items():
        if net in board.rails or net == board.ground:
            continue
        ways = {board.kind_pin(pin).direction for pin in pins}
        kinds = {board.kind_of(pin.ref).category for pin in pins}
        assert "I" not in ways or ways & set("OTBCX") or kinds & drivers, net


def test_no_two_outputs_fight(board: Board) -> None:
    """At most one plain output drives a net."""
    for net, pins in board.nets.items():
        outputs = [str(pin) for pin in pins if board.kind_pin(pin).direction == "O"]
        assert len(outputs) <= 1, (net, outputs)


def test_polarised_parts_stand_the_right_way(board: Board) -> None:
    """Electrolytic and tantalum capacitors across rails have their positive leg on the higher one."""
    volts = {board.ground: 0.0, **{net: rail.nominal for net, rail in board.rails.items()}}
    checked = 0
    for ref, part in board.parts.items():
        if part.style in ("electrolytic", "tantalum"):
            plus, minus = (board.net_of[Pin(ref, number)] for number in ("1", "2"))
            if plus in volts and minus in volts:
                assert volts[plus] > volts[minus], ref
                checked += 1
    assert checked >= 8


def test_regulators_can_feed_the_logic(board: Board) -> None:
    """All chips together draw no more than the ampere that the 5 V regulator gives."""
    drawn = sum(
        supply.typical
        for ref in board.parts
        for supply in board.kind_of(ref).supplies
        if supply.nominal == 5.0
    )
    assert 0.5 < drawn < 1.0


def test_pads_do_not_touch(board: Board) -> None:
    """No two pads of different parts, and no via and a pad, come closer than 0.3 mm."""
    for one, other in combinations(board.pads, 2):
        if one.pin is not None and other.pin is not None and one.pin.ref == other.pin.ref:
            continue
        if abs(one.at[0] - other.at[0]) < 4.0:
            apart = math.dist(one.at, other.at) - (max(one.size) + max(other.size)) / 2
            assert apart > 0.3, (one, other)


def test_everything_is_on_the_board(board: Board) -> None:
    """All pads lie inside the outline, which is about 300 x 200 mm."""
    width, depth = (max(point[axis] for point in board.outline) for axis in (0, 1))
    assert width == pytest.approx(300, abs=5)
    assert depth == pytest.approx(200, abs=5)
    for pad in board.pads:
        assert 1.0 < pad.at[0] < width - 1.0, pad
        assert 1.0 < pad.at[1] < depth - 1.0, pad


def test_ma5_passes_a_via_beside_an_electrolytic(board: Board) -> None:
    """Between the multiplexer's resistor and the first memory MA5 changes sides close to a capacitor."""
    (via,) = (pad for pad in board.pads if pad.pin is None and pad.net == "MA5")
    nearest = min(
        (ref for ref, part in board.parts.items() if part.style == "electrolytic"),
        key=lambda ref: math.dist(via.at, board.parts[ref].at or (0.0, 0.0)),
    )
    assert math.dist(via.at, board.parts[nearest].at or (0.0, 0.0)) < 6.0
    layers = {
        track.layer for track in board.tracks if track.net == "MA5" and via.at in _rounded(track.points)
    }
    assert layers == {1, 2}


def _rounded(points: tuple[tuple[float, float], ...]) -> set[tuple[float, float]]:
    return {(round(x, 4), round(y, 4)) for x, y in points}
