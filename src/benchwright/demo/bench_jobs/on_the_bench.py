"""Jobs of the demo that are still on the bench.

Readings of the Fulmar 65 are those of the demo's make-believe meter on `tour.units`; all else is made up.
"""

from __future__ import annotations

from ...jobs import bodies
from ..bench_files import picture_of_board, picture_of_machine
from .steps import Attach, Correct, Machine, Redo, Undo, Visit, price

_POUND = "1.17"
"""Euro to the pound, invented."""

_OVERSEAS = Machine(
    "overseas", "Fulmar 65 from overseas", "2024-02-03 13:00", board=True,
    first=(
        bodies.Identity(case_label="Fulmar 65", board_revision="issue 3", serial="F65-010022"),
        bodies.TakenIn(
            source="Tidewater Surplus, overseas", price=price("41", "GBP", _POUND),
            postage=price("19.50", "GBP", _POUND), declared="dead, no power light",
            came_with=("no power supply",),
        ),
        bodies.Symptom(text="dead"),
    ),
    visits=(
        Visit("2024-02-03 14:00", (
            "spent 14.20 other: duty and handling",
            "timer start",
            "C10.2 C10.1 2.8",
            "out C7",
            "U1.8 GND 2.4",
            "in C7",
            "U20.14 GND 3.85k",
            "REG2.1 GND 21.3k",
            "REG1.1 GND 13.02k",
            "U20.1 GND 11.8k",
            "REG3.2 GND 23.1k",
            "out C4",
            "U1.8 GND 132",
            "timer stop measuring",
        ), meter="yellow meter"),
        Visit("2024-02-06 20:00", (
            "found shorted C4",
            "replaced C4 from tantalum-10u: shorted, on +5 V",
            "in C4",
            "C10.2 C10.1 132",
            "power on",
            "U1.8 GND 5.02",
            "U32.8 GND 12.1",
            "power off",
            "30 min mending",
            "test power passed: on and off ten times",
        )),
        Visit("2024-02-18 15:00", (
            Attach("overseas-before.png", "image/png", lambda: picture_of_board(("MOD1", "J6", "R10")),
                   "photo", "before the change: modulator, J6 and R10"),
            "beep MOD1.1 R10.2 beep",
            "changed: cut MOD1.1 | R10.2 J6.1; why the modulator loads the video; undo bridge with solder",
            "beep MOD1.1 R10.2 no beep",
            "beep J3.4 C34.2 no beep",
            "linked J3.4 C34.2: sound on a free pin; why the monitor has a speaker; undo unsolder the wire",
            "beep J3.4 C34.2 beep",
            "test picture passed: sharper than before, by composite",
            "test sound not tested",
            "test keyboard not tested",
            "open: test sound at the new pin with the monitor",
            "1 h 5 min the two changes",
            "likely 160 50%",
            "likely 130",
        ), minutes=4.0),
    ),
)  # fmt: skip

_BLACK = Machine(
    "black", "Fulmar 65, black screen", "2024-03-02 16:00", board=True,
    first=(
        bodies.Identity(case_label="Fulmar 65", board_revision="issue 2", serial="F65-007340"),
        bodies.TakenIn(
            source="Ms Teal, school attic", price=price("48"),
            declared="black screen, and tapes never loaded", came_with=("power supply", "two manuals"),
        ),
        bodies.Symptom(text="black screen"),
        bodies.Symptom(text="tape does not load"),
    ),
    visits=(
        Visit("2024-03-02 16:30", (
            "timer start",
            "SW1.2 SW1.1 26.2k",
            "C10.2 C10.1 82.9",
            "U15.54 U15.53 8.97k",
            "J1.1 U1.8 2.4M",
            "REG1.1 GND 15.13k",
            "look J7 fine",
            "look U3 fine",
            "look U15 fine",
            "look U2 fine",
            "look U1 debris",
            "U1.38 U1.8 4.59k",
            "U1.6 U1.5 OL",
            "timer stop",
        )),
        Visit("2024-03-09 20:15", (
            "timer start",
            "U1.4 U1.3 33.2k",
            "U1.2 U1.3 32.8k",
            "U14.4 U1.39 42.4k",
            "U1.37 U1.36 OL",
            "U1.34 U1.35 OL",
            "U1.34 U1.33 32.8k",
            "U1.7 GND 27.6k",
            "U1.9 GND 22.2k",
            "U1.23 U1.22 48.8k",
            "U1.30 U1.29 0.7",
            "timer stop",
            "open: lens and a needle between U1.30 and U1.29",
        )),
    ),
)  # fmt: skip

_PLOVER = Machine(
    "plover", "Plover 32, keys missing", "2024-02-24 12:00",
    first=(
        bodies.Identity(case_label="Plover 32", serial="PL 3307"),
        bodies.TakenIn(source="Greywater club, swap for a monitor lead", price=price("0"),
                       declared="worked until the keyboard was dropped", came_with=("monitor", "lead")),
        bodies.Symptom(text="no key answers"),
    ),
    visits=(
        Visit("2024-02-24 14:00", (
            "power on",
            "+5V 5.01",
            "U4.2 low",
            "U4.3 low",
            "good: U4.2 toggling",
            "power off",
            "look: left shift and two function keys gone, their plungers too",
            "found dead 6821 U4: port A does not move",
            bodies.PartReserved(lot="6821-1", quantity=1),
            "want 2 x 6821",
            "want 3 x key plunger",
            "test picture passed: complete",
            "test keyboard failed: no key",
            "35 min",
        )),
        Visit("2024-03-03 18:00", (
            "ordered: key plungers, Miller's Mouldings; three weeks",
            "open: key plungers on order since 3 March",
            bodies.PartReserved(lot="key-cap-1", quantity=3),
        )),
    ),
)  # fmt: skip

_WHIMBREL = Machine(
    "whimbrel", "Whimbrel 48", "2024-02-25 15:00",
    first=(
        bodies.Identity(case_label="Whimbrel 48", board_revision="3B", serial="W48 6112", rom_version="1.1"),
        bodies.TakenIn(source="small advertisement, Mr Rush", price=price("55"),
                       declared="says 16 KB instead of 48", came_with=("power supply", "joystick", "box")),
        bodies.Symptom(text="finds only 16 KB"),
    ),
    visits=(
        Visit("2024-02-25 15:30", (
            "timer start",
            "power on",
            "+5V 5.03",
            "+12V 11.95",
            "-5V -5.1",
            "U22.14 toggling",
            "U23.14 low",
            "test memory failed: bit 3 of the upper 32 KB, U23",
            "power off",
            "found bad bit 4116 U23",
            "replaced U23 from 4116-2: bit 3 always 0",
            "used 1 x socket-16 for U23",
            "power on",
            "U23.14 toggling",
            "power off",
            "timer stop",
        )),
        Visit("2024-03-03 10:00", (
            "test memory passed: all 48 KB, marching bits, 50 passes over three hours",
            "test keyboard passed: each of 40 keys, ten times",
            "test power passed: cold start ten times",
            "test soak passed: 8 hours, case closed",
            "test supply passed: +5 V 5.03, +12 V 11.95, -5 V -5.1 under load",
            "test picture passed: complete, sharp, steady",
            "test colour passed: all eight",
            "test video out passed: monitor socket",
            "test modulator passed: channel 36, sound as well",
            "test sound passed: the one voice it has",
            "test firmware passed: version 1.1 starts, checksum as printed in the manual",
            "test tape load passed: two tapes",
            "test tape save passed: 16 KB saved and loaded again",
            "test joystick passed: eight directions, both buttons",
            "test expansion passed: with a printer interface plugged in",
            "test switches passed: reset",
            "test capacitors passed: none leaked, supply ripple 20 mV",
            "test repairs passed: socket at U23, nothing else",
            "test case passed: one scratch on the lid",
            "test key caps passed: all there, all legible",
            "test accessories passed: supply, joystick and box, all used",
            "2 h 30 min testing",
            "likely 150 50%",
            "likely 125 30%",
            "likely 100 20%",
            "fee 11%",
        ), minutes=6.0),
    ),
)  # fmt: skip

_CRACKED = Machine(
    "cracked", "Fulmar 65, cracked lid", "2024-03-05 18:00", board=True,
    first=(
        bodies.Identity(case_label="Fulmar 65", serial="F65-01002"),
        bodies.TakenIn(source="Ms Teal, school attic", price=price("20"), declared="reset hangs"),
        bodies.Symptom(text="black screen"),
    ),
    visits=(
        Visit("2024-03-05 19:00", (
            "serial: F65-010029",
            "SW1.2 SW1.1 2.62k",
            Correct("SW1.2 SW1.1 2.62k", "SW1.2 SW1.1 26.2k"),
            "C10.2 C10.1 829",
            Correct("C10.2 C10.1 829", "C10.2 C10.1 128"),
            "look U15 corroded",
            Undo("that was flux"),
            "spent 9.90 postage",
            Undo("belongs to another job"),
            "U15.54 U15.53 8.97k",
            Undo(""),
            Redo(),
            "note the lid is cracked from the left hinge to the badge",
            "open: glue the lid",
            "open: is the reset chip warm?",
            "15 min",
        )),
        Visit("2024-03-12 18:40", (
            "done 2: cold to the finger after ten minutes",
            "spent 4.10 glue",
            "want 1 x capacitor 22 uF 16 V for C9",
            "want 0 x capacitor 22 uF 16 V for C9",
            "cleaned J2: flux of an earlier repair",
        )),
    ),
)  # fmt: skip

_TURNSTONE = Machine(
    "turnstone", "Turnstone 64, half a screen", "2024-03-10 13:00",
    first=(
        bodies.Identity(case_label="Turnstone 64", board_revision="A", serial="T64 0 902"),
        bodies.TakenIn(source="Greywater club, raffle", price=price("5"), declared="half a screen",
                       came_with=("power supply",)),
        bodies.Symptom(text="lower half of the screen stays empty"),
    ),
    visits=(
        Visit("2024-03-10 14:00", (
            "power on",
            "+5V 4.97",
            "U31.14 toggling",
            "U32.14 floating",
            "test memory failed: rows 128 to 255 do not keep what is written, U32",
            "test keyboard passed: each of 58 keys, twice",
            "test sound not tested",
            "test tape load not tested: memory first",
            "power off",
            bodies.PartReserved(lot="4116-1", quantity=2),
            "want 4 x 4116 150 ns",
            "want 0 x 4116 150 ns",
            "50 min",
            "open: borrow a logic probe from the club for U32",
        )),
    ),
)  # fmt: skip

_DUNLIN = Machine(
    "dunlin", "Dunlin portable", "2024-03-16 11:00",
    first=(
        bodies.Identity(case_label="Dunlin portable, model 2", serial="DP2-0417"),
        bodies.TakenIn(source="estate of an engineer", price=price("60"), postage=price("14.50"),
                       declared="last used long ago; batteries inside",
                       came_with=("bag", "charger", "three cartridges", "service notes by hand")),
        bodies.Symptom(text="not switched on yet"),
    ),
    visits=(
        Visit("2024-03-16 11:20", (
            Attach("dunlin-front.png", "image/png", lambda: picture_of_machine("Dunlin portable", "#8d949b"),
                   "photo", "front, lid open"),
            Attach("dunlin-back.png", "image/png", lambda: picture_of_machine("back", "#6f767d", keys=False),
                   "photo", "back: the battery door is stuck"),
            "look: battery door stuck, white crust at its edge",
            "open: take the batteries out before anything else",
        )),
    ),
)  # fmt: skip

_SANDPIPER = Machine(
    "sandpiper", "Sandpiper 8, spares wanted", "2024-03-17 16:00",
    first=(
        bodies.Identity(case_label="Sandpiper 8"),
        bodies.TakenIn(source="Mr Rush again", price=price("22"), declared="sound distorted",
                       came_with=("power supply",)),
        bodies.Symptom(text="sound distorted"),
    ),
    visits=(
        Visit("2024-03-17 16:30", (
            "power on",
            "U6.5 GND 8.9",
            "power off",
            "want 1 x LM386",
            "want 1 x 6821",
            "note U6.5 should stand at half the supply, 6 V",
            "20 min",
        )),
    ),
)  # fmt: skip

_REDSHANK = Machine(
    "redshank", "Redshank 128, to be collected", "2024-03-18 20:00",
    visits=(
        Visit("2024-03-18 20:05", (
            "note Ms Sedge gives it for nothing if it goes to somebody who mends it",
            "open: collect it on Saturday, ring before",
        )),
    ),
)  # fmt: skip

ON_THE_BENCH = (
    _OVERSEAS, _BLACK, _PLOVER, _WHIMBREL, _CRACKED, _TURNSTONE, _DUNLIN, _SANDPIPER, _REDSHANK,
)  # fmt: skip
