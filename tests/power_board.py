"""A small board with every way to feed a rail: inlet, fuse, switch, diode, regulators, zener, ferrite."""

from __future__ import annotations

from benchwright.board import Board, Kind, KindPin, Part, Pin, Rail, Supply


def power_board() -> Board:
    """9 V comes in and makes +5 V and an adjustable +6.25 V; +12 V and -12 V come in; -5 V by a zener."""
    passive = {
        name: Kind(name, category=name, family="passive")
        for name in ("resistor", "fuse", "switch", "ferrite", "diode", "zener", "connector")
    }
    three = (KindPin("1", "IN", "P"), KindPin("2", "GND", "G"), KindPin("3", "OUT", "P"))
    adjustable = (KindPin("1", "ADJ", "X"), KindPin("2", "OUT", "P"), KindPin("3", "IN", "P"))
    logic = (
        KindPin("1", "A", "I"), KindPin("2", "Y", "O"), KindPin("7", "GND", "G"), KindPin("14", "VCC", "P"),
    )  # fmt: skip
    kinds = {
        **passive,
        "7805": Kind("7805", category="regulator", family="bipolar", pins=three),
        "LM317": Kind("LM317", category="regulator", family="bipolar", pins=adjustable),
        "gate": Kind(
            "gate", category="logic", family="ls", pins=logic, supplies=(Supply("VCC", 5.0, 0.3, 0.5),)
        ),
        "op": Kind(
            "op", category="opamp", family="bipolar",
            pins=(KindPin("4", "V-", "P"), KindPin("8", "V+", "P"), KindPin("1", "OUT", "O")),
            supplies=(Supply("V+", 12.0, 0.006), Supply("V-", -12.0, 0.006)),
        ),
    }  # fmt: skip
    parts = {
        part.ref: part for part in (
            Part("J1", "connector"), Part("F1", "fuse"), Part("SW1", "switch", closed=True),
            Part("D1", "diode", "1N4001"), Part("REG1", "7805"), Part("REG2", "LM317"),
            Part("R1", "resistor", size=240.0), Part("R2", "resistor", size=960.0),
            Part("R3", "resistor", size=220.0), Part("D2", "zener", size=5.1), Part("FB1", "ferrite"),
            Part("U1", "gate", socket=True), Part("U2", "gate"), Part("U3", "op"),
        )
    }  # fmt: skip
    wires = {
        "GND": "J1.2 REG1.2 R2.2 D2.1 U1.7 U2.7", "VIN": "J1.1 F1.1", "VF": "F1.2 SW1.1", "VS": "SW1.2 D1.2",
        "VU": "D1.1 REG1.1 REG2.3", "+5V": "REG1.3 U1.14 FB1.1", "+5A": "FB1.2 U2.14", "+6V": "REG2.2 R1.1",
        "ADJ": "REG2.1 R1.2 R2.1", "+12V": "J1.3 U3.8", "-12V": "J1.4 R3.1 U3.4", "-5V": "R3.2 D2.2",
        "Y": "U1.2 U2.1",
    }  # fmt: skip
    nets = {net: tuple(Pin(*point.split(".")) for point in points.split()) for net, points in wires.items()}
    rails = {
        net: Rail(net, volts, (min(0.95 * volts, 1.05 * volts), max(0.95 * volts, 1.05 * volts)))
        for net, volts in {
            "+5V": 5.0,
            "+5A": 5.0,
            "+6V": 6.25,
            "+12V": 12.0,
            "-12V": -12.0,
            "-5V": -5.0,
        }.items()
    }
    return Board(name="power", parts=parts, nets=nets, rails=rails, kinds=kinds, inlets=("J1",))
