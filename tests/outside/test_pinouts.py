"""Pinouts and supply currents against the reference tables.

`data/pinouts.toml` is a copy of the reference pinout table; each row carries the mark READ with its sources
(public symbol libraries, data sheets, service text: listed in the table's own notes) or MEMORY.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from benchwright.board.kinds import kind_named, recognise

TABLE = tomllib.loads((Path(__file__).parent / "data" / "pinouts.toml").read_text(encoding="utf-8"))["part"]


@pytest.mark.parametrize("number", sorted(TABLE))
def test_pinout_agrees_with_the_reference(number: str) -> None:
    """Every pin has the reference's name and direction, found through recognition as a parts list would."""
    row = TABLE[number]
    kind = recognise(number, ref="U1", pin_count=len(row["pins"])).kind
    assert kind.name == number
    seen = [(pin.number, pin.name, pin.direction) for pin in kind.pins]
    wanted = zip(row["pins"], row["kind"], strict=True)
    assert seen == [(str(n), name, letter) for n, (name, letter) in enumerate(wanted, 1)]


@pytest.mark.parametrize("number", sorted(name for name in TABLE if name.startswith("74LS")))
@pytest.mark.parametrize("family", ["", "S", "ALS", "F", "HC", "HCT", "AC", "ACT"])
def test_other_families_have_the_same_pins(number: str, family: str) -> None:
    """The reference gives LS; the other families are pin for pin the same (common practice, no source)."""
    kind = kind_named(number.replace("LS", family))
    assert kind is not None
    assert [(pin.name, pin.direction) for pin in kind.pins] == list(
        zip(TABLE[number]["pins"], TABLE[number]["kind"], strict=True)
    )


# name, supply pin, typical and worst in amperes (None: not given there).
# Source: data sheet figures as read for the project's electrical reference, section 2 (mark READ there).
CURRENTS = [
    ("74LS138", "VCC", 6.3e-3, 10e-3),
    ("74LS157", "VCC", 9.7e-3, 16e-3),
    ("74LS158", "VCC", 4.8e-3, 8e-3),
    ("74LS00", "VCC", (0.8e-3 + 2.4e-3) / 2, 4.4e-3),  # outputs high and low: 0.8 and 2.4 typical
    ("74LS08", "VCC", (2.4e-3 + 4.4e-3) / 2, 8.8e-3),
    ("74LS161", "VCC", (18e-3 + 19e-3) / 2, 32e-3),
    ("8255", "VCC", None, 120e-3),
    ("8251", "VCC", 45e-3, 80e-3),
    ("8253", "VCC", None, 140e-3),
    ("2732", "VCC", None, 125e-3),
    ("2764", "VCC", None, 150e-3),
    ("2114", "VCC", 45e-3, None),
    ("4116", "VDD(+12V)", None, 35e-3),
    ("4164", "VCC(+5V)", None, 55e-3),
    ("41256", "VCC(+5V)", None, 70e-3),
    ("1489", "VCC", 16e-3, 26e-3),
    ("7805", "IN", 5e-3, 8e-3),  # quiescent, section 3
]


@pytest.mark.parametrize(("name", "pin", "typical", "worst"), CURRENTS)
def test_supply_currents_agree_with_data_sheets(
    name: str, pin: str, typical: float | None, worst: float | None
) -> None:
    """Typical and worst supply currents are those of the data sheets."""
    kind = kind_named(name)
    assert kind is not None
    (supply,) = [row for row in kind.supplies if row.pin == pin]
    if typical is not None:
        assert supply.typical == pytest.approx(typical)
    if worst is not None:
        assert supply.worst == pytest.approx(worst)
