"""Part kinds: the tables hold together, and parts lists are read as a practitioner would read them."""

from __future__ import annotations

import re
import tomllib
from collections import ChainMap

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwright.board.kinds import (
    generic_kind,
    kind_from_table,
    kind_named,
    kind_to_table,
    load_kinds,
    recognise,
)
from benchwright.board.model import CATEGORIES, Kind
from benchwright.errors import BadFile

ALL = sorted(load_kinds())
POWERED = {
    "cpu", "support", "video", "sound", "dynamic_ram", "static_ram", "rom", "eprom", "logic",
    "programmable_logic", "timer", "line_driver", "line_receiver", "converter",
}  # fmt: skip

WANTED = """
6502 6507 6510 65C02 6800 6802 6803 6809 6809E 8080A 8085 8088 8086 68000 uPD780 8224 8228 8048 6520
6821 6522 6526 6532 6530 6845 6847 9918 6850 6551 6840 8251 8253 8255 8257 8259 8279 8272 1793 AY-3-8910
SN76489 2101 2102 2111 2114 2147 4116 4164 41256 4416 4464 44256 6116 6264 62256 5101 2708 2716 2732
2764 27128 27256 27512 2316 2332 2364 23128 23256 82S123 82S129 PAL16L8 PAL16R8 PAL20L8 82S100 7805
78L12 79M05 7915 LM317 LM337 723 78S40 34063 741 301 LM324 LM358 1458 TL072 TL084 NE5532 LM386 LM311
LM339 LM393 555 556 1488 1489 MAX232 ULN2003 ULN2803 75451 75452 1408 ZN426 4N25 4N35 BC547 BC557 2N2222
2N3904 2N3906 2N2369 BC107 npn pnp TIP29 TIP42 BD135 2N7000 BS170 1N4148 1N914 1N4001 1N4007 1N5400
1N5817 germanium zener led bridge_rectifier crystal oscillator resistor resistor_network potentiometer
inductor ferrite transformer fuse switch relay header edge_connector din_connector d_connector jack
coax_connector membrane battery speaker modulator jumper
"""


# -- the tables -------------------------------------------------------------------------------------


@pytest.mark.parametrize("start", range(8))
def test_every_shipped_kind_survives_writing_and_reading(start: int) -> None:
    """A kind written as a TOML table and read back is the same kind."""
    for name in ALL[start::8]:
        kind = load_kinds()[name]
        text = tomlkit.dumps({name: kind_to_table(kind)})
        assert kind_from_table(name, tomllib.loads(text)[name], "again.toml") == kind


def test_pin_counts_agree_with_packages() -> None:
    """A kind in a dual-in-line package lists each of its pins once, in order."""
    for name in ALL:
        kind = load_kinds()[name]
        package = re.fullmatch(r"DIP-(\d+)", kind.package)
        if package is None or not kind.pins or kind.category == "oscillator":
            continue
        assert [pin.number for pin in kind.pins] == [str(n) for n in range(1, int(package[1]) + 1)], name


def test_powered_chips_have_supply_and_ground() -> None:
    """Every chip whose pins are known has a supply pin, a ground pin and a supply current."""
    for name in ALL:
        kind = load_kinds()[name]
        if kind.category not in POWERED or not kind.pins:
            continue
        letters = {pin.direction for pin in kind.pins}
        assert {"P", "G"} <= letters, name
        assert sum(supply.worst for supply in kind.supplies) > 0, name
        supplied = {supply.pin for supply in kind.supplies}
        fed = {pin.name for pin in kind.pins if pin.direction == "P"}
        assert supplied == fed, f"{name}: supplies {supplied}, supply pins {fed}"


def test_no_signal_name_is_used_twice_on_one_chip() -> None:
    """Only supply, ground and free pins share a name, so that U3.D0 means one pin."""
    for name in ALL:
        kind = load_kinds()[name]
        signals = [pin.name for pin in kind.pins if pin.direction not in "PGN"]
        assert len(signals) == len(set(signals)), name


def test_buses_are_whole() -> None:
    """Address and data pins of memories and processors have no gap and no double number."""
    for name in ALL:
        kind = load_kinds()[name]
        if kind.category not in ("cpu", "dynamic_ram", "static_ram", "rom", "eprom"):
            continue
        for bus in ("A", "D", "DQ", "O", "AD"):
            numbers = sorted(
                int(found[1]) for pin in kind.pins if (found := re.fullmatch(rf"{bus}(\d+)", pin.name))
            )
            if bus == "A" and name in ("68000", "68010"):
                assert numbers == list(range(1, 24)), name
            elif len(numbers) > 2 and not (bus == "A" and kind.category == "cpu"):
                first = numbers[0]
                assert numbers == list(range(first, first + len(numbers))), f"{name} {bus}: {numbers}"


@pytest.mark.parametrize(
    ("name", "bits"),
    [
        ("2101", 256 * 4), ("2102", 1024), ("2111", 256 * 4), ("2112", 256 * 4), ("2114", 1024 * 4),
        ("2147", 4096), ("5101", 256 * 4), ("6810", 128 * 8), ("6116", 2048 * 8), ("6264", 8192 * 8),
        ("62256", 32768 * 8), ("628128", 131072 * 8), ("628512", 524288 * 8), ("2708", 1024 * 8),
        ("TMS2716", 2048 * 8), ("2716", 2048 * 8), ("2732", 4096 * 8), ("TMS2532", 4096 * 8),
        ("2764", 8192 * 8), ("27128", 16384 * 8), ("27256", 32768 * 8), ("27512", 65536 * 8),
        ("2316", 2048 * 8), ("2332", 4096 * 8), ("2364", 8192 * 8), ("2364-28", 8192 * 8),
        ("23128", 16384 * 8), ("23256", 32768 * 8), ("MCM68764", 8192 * 8), ("82S123", 32 * 8),
        ("82S129", 256 * 4), ("82S131", 512 * 4), ("28C64", 8192 * 8), ("28C256", 32768 * 8),
        ("29F010", 131072 * 8), ("29F020", 262144 * 8), ("29F040", 524288 * 8), ("74LS189", 64),
    ],
)  # fmt: skip
def test_memories_have_the_pins_their_size_needs(name: str, bits: int) -> None:
    """Address pins and data pins of a static memory or ROM multiply to the size in its title."""
    kind = kind_named(name)
    assert kind is not None
    address = sum(1 for pin in kind.pins if re.fullmatch(r"A\d+", pin.name))
    data = sum(
        1
        for pin in kind.pins
        if re.fullmatch(r"(?:D|O|IO|DO|Q)\d+#?|DOUT", pin.name) and pin.direction in "TBO"
    )
    assert 2**address * data == bits


@pytest.mark.parametrize(
    ("name", "rows", "data", "bits"),
    [
        ("4116", 7, 1, 1 << 14), ("4816", 7, 1, 1 << 14), ("4164", 8, 1, 1 << 16), ("41256", 9, 1, 1 << 18),
        ("4464", 8, 4, 1 << 18), ("44256", 9, 4, 1 << 20), ("411000", 10, 1, 1 << 20),
        ("MK4027", 6, 1, 1 << 12),
    ],
)  # fmt: skip
def test_dynamic_memories_have_the_address_pins_their_size_needs(
    name: str, rows: int, data: int, bits: int
) -> None:
    """Twice the address pins of a dynamic memory, times its width, give its size."""
    kind = load_kinds()[name]
    address = [pin for pin in kind.pins if re.fullmatch(r"A\d", pin.name)]
    lines = [pin for pin in kind.pins if pin.name == "DOUT" or pin.name.startswith("DQ")]
    assert (len(address), len(lines)) == (rows, data)
    assert 2 ** (2 * rows) * data == bits


def test_substitutes_marked_ok_fit_the_same_holes() -> None:
    """A substitute that is simply ok has the same category and, for chips, pins of the same use."""
    for name in ALL:
        kind = load_kinds()[name]
        for other in kind.substitutes:
            twin = kind_named(other.kind)
            if other.condition.rstrip(".") != "ok" or twin is None:
                continue
            assert twin.category == kind.category, (name, other.kind)
            if kind.pins and twin.pins and kind.category not in ("regulator", "transistor"):
                assert [pin.direction for pin in twin.pins] == [pin.direction for pin in kind.pins], (
                    name,
                    other.kind,
                )


def test_a_4164_is_no_substitute_for_a_4116() -> None:
    """The three-rail memory says that the single-rail one does not replace it, and why."""
    (row,) = [each for each in load_kinds()["4116"].substitutes if each.kind == "4164"]
    assert row.condition.startswith("not a substitute")
    assert "+12 V" in row.condition


def test_the_kinds_the_trade_meets_are_there() -> None:
    """At least 150 kinds besides 74 logic, 60 logic functions in each family, 25 of the 4000 series."""
    kinds = load_kinds()
    logic = {name for name in kinds if re.fullmatch(r"74[A-Z]*\d+", name)}
    assert len(set(kinds) - logic) >= 150
    for family in ("", "LS", "HC", "HCT"):
        assert sum(1 for name in logic if re.fullmatch(rf"74{family}\d+", name)) >= 60
    assert sum(1 for name in kinds if re.fullmatch(r"4[05]\d\d|40\d\d\d", name)) >= 25
    for name in WANTED.split():
        assert name in kinds, name


def test_every_kind_says_where_it_comes_from() -> None:
    """Each kind has a title, a source, time to change it, a skill and a known category."""
    for name in ALL:
        kind = load_kinds()[name]
        assert kind.title, name
        assert kind.source, name
        assert kind.rate_group, name
        assert kind.minutes > 0, name
        assert kind.category in CATEGORIES
        assert all(supply.source for supply in kind.supplies), name


# -- reading a table --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "field", "said"),
    [
        ({"catgory": "cpu"}, "catgory", "category"),
        ({"category": "procesor"}, "category", "one of"),
        ({"category": "logic", "family": "lss"}, "family", "ls"),
        ({"pins": "VCC:Q"}, "pins", "VCC:Q"),
        ({"pins": "1=A:I 1=B:I"}, "pins", "pin 1"),
        ({"pins": "=A:I"}, "pins", "NUMBER=NAME"),
        ({"pins": "D0..Q7:B"}, "pins", "range"),
        ({"pins": "D0..D99999:B"}, "pins", "range"),
        ({"pins": 40}, "pins", "text"),
        ({"title": 3}, "title", "text"),
        ({"minutes": "long"}, "minutes", "number"),
        ({"minutes": -1}, "minutes", "0 or more"),
        ({"minutes": float("nan")}, "minutes", "finite"),
        ({"minutes": 10**400}, "minutes", "finite"),
        ({"price": True}, "price", "number"),
        ({"skill": 4}, "skill", "1"),
        ({"generic": "yes"}, "generic", "true or false"),
        ({"substitutes": ["x"]}, "substitutes", "table"),
        ({"substitutes": {"x": 1}}, "substitutes.x", "text"),
        ({"supplies": {}}, "supplies", "list"),
        ({"supplies": [5]}, "supplies", "table"),
        ({"supplies": [{"pin": "VCC"}]}, "supplies.nominal", "volts"),
        ({"supplies": [{"pin": "VCC", "volts": 5}]}, "supplies.volts", "nominal"),
        ({"pins": "VDD:P", "supplies": [{"pin": "VCC", "nominal": 5}]}, "supplies.pin", "pins"),
        (
            {"supplies": [{"pin": "V", "nominal": 5, "typical": 0.2, "worst": 0.1}]},
            "supplies.worst",
            "typical",
        ),
    ],
)
def test_a_bad_table_is_refused_with_field_and_reason(
    table: dict[str, object], field: str, said: str
) -> None:
    """A kind table that cannot be used names the file, the field and what was expected."""
    with pytest.raises(BadFile) as caught:
        kind_from_table("MY1", table, "board.toml")
    assert caught.value.path == "board.toml"
    assert caught.value.field == f"MY1.{field}"
    assert said in str(caught.value)


def test_pin_ranges_and_own_numbers() -> None:
    """Ranges count up and down, keep the active-low mark, and a number may be set for one pin."""
    kind = kind_from_table("X", {"pins": "D7..D5:B Y0..Y1#:O TAB=GND:G VCC:P"}, "x")
    assert [(pin.number, pin.name, pin.direction) for pin in kind.pins] == [
        ("1", "D7", "B"), ("2", "D6", "B"), ("3", "D5", "B"), ("4", "Y0#", "O"), ("5", "Y1#", "O"),
        ("TAB", "GND", "G"), ("7", "VCC", "P"),
    ]  # fmt: skip


def test_time_to_change_follows_the_pins() -> None:
    """Twenty-five minutes for forty pins, in proportion, three at least."""
    kinds = load_kinds()
    assert kinds["6522"].minutes == 25.0
    assert kinds["4164"].minutes == 10.0
    assert kinds["resistor"].minutes == 3.0


@given(
    st.dictionaries(
        st.sampled_from(
            ["title", "category", "family", "pins", "supplies", "substitutes", "minutes", "skill", "x"]
        ),
        st.recursive(
            st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
            lambda inner: (
                st.lists(inner, max_size=3)
                | st.dictionaries(st.sampled_from(["pin", "nominal", "worst", "y"]), inner, max_size=3)
            ),
            max_leaves=6,
        ),
        max_size=5,
    )
)
def test_any_table_is_read_or_refused(table: dict[str, object]) -> None:
    """Whatever stands in a kind table, reading gives a kind or a BadFile that names the kind."""
    try:
        kind = kind_from_table("MY1", table, "board.toml")
    except BadFile as problem:
        field = problem.field or ""
    else:
        field = "MY1."
        assert kind_from_table("MY1", kind_to_table(kind), "again") == kind
    assert field.startswith("MY1.")


# -- recognising ------------------------------------------------------------------------------------

# value, reference, kind, size; spelling as found in parts lists: common practice, no source.
SPELLINGS = [
    ("SN74LS245N", "U1", "74LS245", None), ("HD74LS245P", "IC3", "74LS245", None),
    ("DM74LS245", "", "74LS245", None), ("74 LS 245", "U1", "74LS245", None),
    ("SN54LS138J", "U1", "74LS138", None), ("7400", "U1", "7400", None), ("SN7406N", "U1", "7406", None),
    ("74HCT245", "U1", "74HCT245", None), ("74ALS244", "U1", "74ALS244", None),
    ("MC74F245N", "U1", "74F245", None), ("74S04", "U1", "74S04", None),
    ("74LS04 (spare)", "U1", "74LS04", None), ("CD74HC4040E", "U1", "74HC4040", None),
    ("74LS245/SO20", "U1", "74LS245", None), ("MC6821P", "U1", "6821", None),
    ("MC68B21P", "U1", "6821", None), ("HD46821P", "U1", "6821", None), ("MOS 6522A", "U1", "6522", None),
    ("SY6522", "U1", "6522", None), ("R6522AP", "U1", "6522", None), ("UM6502A", "U1", "6502", None),
    ("W65C02S6TPG-14", "U1", "65C02", None), ("MOS6510", "U1", "6510", None),
    ("EF6809P", "U1", "6809", None), ("HD63C09EP", "U1", "6809E", None), ("HD46505SP", "U1", "6845", None),
    ("uPD780C", "U1", "uPD780", None), ("µPD780C-1", "U1", "uPD780", None),
    ("LH0080A", "U1", "uPD780", None), ("NEC D8255AC-5", "U1", "8255", None),
    ("P8251A", "U1", "8251", None), ("82C51A", "U1", "82C51", None), ("uPD765AC", "U1", "8272", None),
    ("FD1793B-02", "U1", "1793", None), ("TMS9918ANL", "U1", "9918", None),
    ("AY-3-8910", "U1", "AY-3-8910", None), ("AY38912A", "U1", "AY-3-8912", None),
    ("SN76489AN", "U1", "SN76489", None), ("AM2764-2DC", "U1", "2764", None),
    ("HN4827128G-25", "U1", "27128", None), ("M27C512-12F1", "U1", "27C512", None),
    ("TMS2516JL", "U1", "2716", None), ("TMS2716JL", "U1", "TMS2716", None),
    ("TMS2532A", "U1", "TMS2532", None), ("TMS4164-15NL", "U1", "4164", None),
    ("MK4116", "U1", "4116", None), ("HM4864-2", "U1", "4164", None), ("M5K4164ANP-15", "U1", "4164", None),
    ("HM50256P-15", "U1", "41256", None), ("TMS4464-12", "U1", "4464", None),
    ("HM6116LP-3", "U1", "6116", None), ("TMM2016P", "U1", "6116", None),
    ("HM62256LP", "U1", "62256", None), ("2114", "U1", "2114", None), ("P2114AL-2", "U1", "2114", None),
    ("MCM6810P", "U1", "6810", None), ("N82S123N", "U1", "82S123", None),
    ("PAL16L8ACN", "U1", "PAL16L8", None), ("EPROM 27C256-15", "U1", "27C256", None),
    ("CD4011BE", "U1", "4011", None), ("HEF4053", "U1", "4053", None), ("MC14011B", "U1", "4011", None),
    ("MB84066", "U1", "4066", None), ("CD4027BE", "U1", "4027", None), ("MK4027-3", "U1", "MK4027", None),
    ("LM7805CT", "REG1", "7805", 5.0), ("uA7805", "U1", "7805", 5.0), ("L7812CV", "VR1", "7812", 12.0),
    ("MC79L05ACP", "U1", "79L05", -5.0), ("LM340T-5", "U1", "7805", 5.0), ("LM317T", "VR2", "LM317", None),
    ("NE555N", "U1", "555", None), ("555", "U1", "555", None), ("TL072CP", "U1", "TL072", None),
    ("LM 324", "U1", "LM324", None), ("324", "IC2", "LM324", None), ("uPC1458C", "U1", "1458", None),
    ("MC1488P", "U1", "1488", None), ("SN75189AN", "U1", "1489", None), ("MAX232CPE", "U1", "MAX232", None),
    ("ULN2003AN", "U1", "ULN2003", None), ("SN75451BP", "U1", "75451", None), ("4N25", "OK1", "4N25", None),
    ("1N4148", "D1", "1N4148", None), ("4148", "D1", "1N4148", None), ("1N4001", "D1", "1N4001", None),
    ("4001", "D1", "1N4001", None), ("4001", "U1", "4001", None), ("BZX79-C5V1", "D2", "zener", 5.1),
    ("5V6", "ZD1", "zener", 5.6), ("1N4733A", "D1", "zener", 5.1), ("1N751", "D1", "zener", 5.1),
    ("OA91", "D1", "germanium", None), ("LED red", "D1", "led", None), ("1N5819", "D1", "1N5819", None),
    ("BC547B", "Q1", "BC547", None), ("BC107", "TR1", "BC107", None), ("2N3904", "Q1", "2N3904", None),
    ("PN2222A", "Q1", "2N2222", None), ("C945", "Q1", "2SC945", None), ("A733", "Q1", "2SA733", None),
    ("TIP31C", "T1", "TIP31", None), ("BC547", "T2", "BC547", None), ("7805", "Q1", "7805", 5.0),
    ("4k7", "R1", "resistor", 4700.0), ("4.7k 5%", "R1", "resistor", 4700.0),
    ("470", "R4", "resistor", 470.0), ("4K7J", "R1", "resistor", 4700.0), ("0R", "R1", "resistor", 0.0),
    ("1/4W 10K", "R1", "resistor", 10000.0), ("10 ohm", "R1", "resistor", 10.0),
    ("22R/5W", "R1", "resistor", 22.0), ("1meg", "R1", "resistor", 1000000.0),
    ("103", "R1", "resistor", 10000.0), ("R47", "R1", "resistor", 0.47), ("4,7k", "R1", "resistor", 4700.0),
    ("2k2", "", "resistor", 2200.0), ("7805", "R1", "resistor", 7805.0),
    ("8x10k SIL", "RN1", "resistor_network_bussed", 10000.0),
    ("10k x 8 isolated", "RN1", "resistor_network_isolated", 10000.0),
    ("100k lin", "VR1", "potentiometer", 100000.0), ("10k preset", "RV1", "trimmer", 10000.0),
    ("100n", "C1", "capacitor_ceramic", 1e-07), ("470", "C1", "capacitor_ceramic", 4.7e-11),
    ("104", "C1", "capacitor_ceramic", 1e-07), ("0.1", "C1", "capacitor_ceramic", 1e-07),
    (".1uF 50V X7R", "C1", "capacitor_ceramic", 1e-07), ("22PF", "C1", "capacitor_ceramic", 2.2e-11),
    ("0.01MFD", "C1", "capacitor_ceramic", 1e-08), ("4n7", "C1", "capacitor_ceramic", 4.7e-09),
    ("10u 16V", "C1", "capacitor_electrolytic", 1e-05), ("100/25", "C1", "capacitor_electrolytic", 0.0001),
    ("10/16V", "C1", "capacitor_electrolytic", 1e-05), ("4u7", "C1", "capacitor_electrolytic", 4.7e-06),
    ("2200uF 25V", "", "capacitor_electrolytic", 0.0022),
    ("22uF/25V tantalum", "C1", "capacitor_tantalum", 2.2e-05),
    ("100n polyester", "C1", "capacitor_film", 1e-07), ("330p mica", "C1", "capacitor_mica", 3.3e-10),
    ("10uH", "L1", "inductor", 1e-05), ("100", "L1", "inductor", 1e-05),
    ("2.2mH", "L1", "inductor", 0.0022), ("ferrite bead", "L3", "ferrite", None),
    ("1A slow", "F1", "fuse", None), ("4.433618MHz", "X1", "crystal", 4433618.0),
    ("14.31818", "Y1", "crystal", 14318180.0), ("32.768kHz", "Y1", "crystal", 32768.0),
    ("14M318", "X1", "crystal", 14318000.0), ("16 MHz oscillator", "U1", "oscillator", 16000000.0),
    ("12MHz", "OSC1", "oscillator", 12000000.0), ("DIN-5", "J1", "din_connector", None),
    ("DB25", "CN1", "d_connector", None), ("2x20 header", "J1", "header", None),
    ("user port edge", "CN2", "edge_connector", None), ("6502 bus", "J1", "connector", None),
    ("phono", "SK1", "coax_connector", None), ("SPST slide", "SW1", "slide_switch", None),
    ("", "JP3", "jumper", None), ("", "TP1", "test_point", None), ("3mm", "MH1", "mechanical", None),
    ("12V", "RL1", "relay", None), ("8 ohm", "LS1", "speaker", None), ("9V", "BT1", "battery", None),
    ("UHF", "MOD1", "modulator", None), ("mains 2x9V", "T1", "transformer", None),
]  # fmt: skip


@pytest.mark.parametrize(("value", "ref", "kind", "size"), SPELLINGS)
def test_values_are_read_as_the_trade_writes_them(
    value: str, ref: str, kind: str, size: float | None
) -> None:
    """Each spelling gives the kind, and the size where it holds one."""
    found = recognise(value, ref=ref)
    assert found.kind.name == kind
    assert found.size == size
    assert not found.kind.generic


@settings(max_examples=150, deadline=None)
@given(
    st.text(max_size=40) | st.from_regex(r"[A-Za-z0-9./, +\-%x_]{0,16}", fullmatch=True),
    st.text(max_size=5)
    | st.sampled_from(["R1", "C1", "L1", "D1", "Q1", "U1", "X1", "Y1", "RN1", "VR1", "J1", "T1", "P1"]),
    st.text(max_size=20),
    st.none() | st.integers(-5, 10_000),
)
def test_recognise_takes_any_text(value: str, ref: str, footprint: str, pins: int | None) -> None:
    """No value, reference, footprint or pin count makes recognition fail, and a guess says so."""
    found = recognise(value, ref=ref, footprint=footprint, pin_count=pins)
    assert found.kind.name
    assert found.certain or found.note
    if found.kind.generic:
        assert not found.certain
        assert found.kind.name not in load_kinds()
    if found.size is not None:
        assert abs(found.size) < float("inf")


@given(
    st.sampled_from(["SN", "HD", "DM", "MC", "M", "N", "TC", "uPD", "AM", ""]),
    st.sampled_from(["", "LS", "S", "ALS", "F", "HC", "HCT", "AC", "ACT", "L"]),
    st.sampled_from(["00", "04", "138", "157", "161", "245", "273", "374", "670"]),
    st.sampled_from(["", "N", "P", "AN", "D", "-20", "BE", "J/883", " (bus)"]),
)
def test_maker_and_grade_letters_do_not_matter(maker: str, family: str, function: str, ending: str) -> None:
    """A 74-series value is the same kind whoever made it and whatever letters follow, in its family."""
    found = recognise(f"{maker}74{family}{function}{ending}", ref="U1")
    assert found.kind.name == f"74{family}{function}"
    twin = load_kinds()[f"74LS{function}"]
    assert found.kind.pins == twin.pins


@given(st.sampled_from([10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82]), st.integers(0, 5))
def test_resistor_codes_agree(first: int, power: int) -> None:
    """One resistance written plainly, with a letter for the point and with a unit gives one size."""
    ohms = first * 10.0**power / 10
    for scale, letter in ((1.0, "R"), (1e3, "k"), (1e6, "M")):
        if not 1 <= ohms / scale < 1000:
            continue
        number = f"{ohms / scale:.10g}"
        whole, _, part = number.partition(".")
        for text in (f"{number}{letter}", f"{whole}{letter}{part}", f"{number} {letter}".replace("R", "ohm")):
            assert recognise(text, ref="R1").size == pytest.approx(ohms), text


def test_the_pin_count_can_veto() -> None:
    """A 64K memory on 28 pins is a generic part with 28 pins and a note that says why."""
    found = recognise("4164", ref="U1", pin_count=28)
    assert found.kind.generic
    assert len(found.kind.pins) == 28
    assert not found.certain
    assert "28" in found.note
    assert found.kind.name != "4164"


def test_unconnected_pins_missing_from_a_netlist_are_no_veto() -> None:
    """A processor whose free pins the netlist leaves out is still that processor."""
    assert recognise("6502", ref="U1", pin_count=37).kind.name == "6502"


def test_another_case_keeps_what_is_known() -> None:
    """A chip in a carrier with other pin numbers keeps its category and family, not its pins."""
    found = recognise("27C256", ref="U1", footprint="PLCC-32", pin_count=32)
    assert (found.kind.category, found.kind.family, found.kind.pins) == ("eprom", "cmos", ())
    assert not found.certain


def test_the_pin_count_picks_between_two_cases_of_one_number() -> None:
    """A 2364 mask ROM exists with 24 and 28 pins."""
    assert recognise("2364", ref="U1", pin_count=24).kind.name == "2364"
    assert recognise("2364", ref="U1", pin_count=28).kind.name == "2364-28"


def test_footprints_decide_what_values_leave_open() -> None:
    """A polarised footprint makes an electrolytic, a bead footprint no difference in size."""
    assert recognise("0.22u", ref="C1", footprint="CP_Radial_D5.0mm").style == "electrolytic"
    assert recognise("470", ref="C1", footprint="CP_Radial_D8.0mm").size == pytest.approx(470e-6)
    assert recognise("1u", ref="C1", footprint="C_0805").style == "ceramic"
    assert (
        recognise("8x1k", ref="R1", footprint="R_Array_SIP9", pin_count=9).kind.category == "resistor_network"
    )


def test_connectors_take_any_pin_count() -> None:
    """Kinds without pins fit whatever the netlist has."""
    for count in (2, 9, 50, 64):
        found = recognise("bus", ref="J1", pin_count=count)
        assert found.certain
        assert found.kind.category == "connector"


def test_own_kinds_go_first() -> None:
    """A kind of the board file is found by its name and replaces a shipped one of the same name."""
    own = {
        "VIDEO68": Kind("VIDEO68", category="video", generic=False),
        "6522": Kind("6522", title="mine", category="support"),
    }
    for kinds in (own, {**load_kinds(), **own}, ChainMap(own, dict(load_kinds()))):
        assert recognise("VIDEO68", ref="U9", kinds=kinds).kind is own["VIDEO68"]
        assert recognise("MC VIDEO68P", ref="U9", kinds=kinds).kind is own["VIDEO68"]
        assert recognise("R6522AP", ref="U9", kinds=kinds).kind is own["6522"]
        assert recognise("MC6821P", ref="U9", kinds=kinds).kind is load_kinds()["6821"]


def test_unknown_parts_are_generic_and_say_so() -> None:
    """What nobody knows keeps its value as name, gets numbered pins, and the note quotes the value."""
    found = recognise("QX9911-B", ref="U7", pin_count=16)
    assert found.kind == generic_kind([str(n) for n in range(1, 17)], "QX9911-B")
    assert not found.certain
    assert "QX9911-B" in found.note


def test_an_unknown_logic_function_keeps_its_family() -> None:
    """A 74-series part not in the table still looks like its family to a meter."""
    found = recognise("SN74LS999N", ref="U1", pin_count=20)
    assert (found.kind.family, found.kind.category, found.kind.generic) == ("ls", "logic", True)
    assert "999" in found.note


def test_kinds_made_on_demand() -> None:
    """Any family of a known function, HC versions of the 4000 series and CMOS versions exist by name."""
    for name, family in (("74AS245", "als"), ("74L00", "l"), ("74HC4040", "hc"), ("82C51", "cmos")):
        kind = kind_named(name)
        assert kind is not None
        assert (kind.name, kind.family) == (name, family)
    assert kind_named("74XX245") is None
    assert kind_named("74L93") is None, "the L version has other pins (from memory)"
    assert kind_named("nonsense") is None


def test_pin_order_written_in_a_transistor_value() -> None:
    """A symbol name that ends in a pin order gives the pins their functions."""
    found = recognise("Q_NPN_EBC", ref="Q1", pin_count=3)
    assert [pin.name for pin in found.kind.pins] == ["E", "B", "C"]
    assert found.kind.category == "transistor"
