"""Jobs of the demo that have come to their end.

Readings of the Fulmar 65 are those of the demo's make-believe meter on `tour.units`; all else is made up.
"""

from __future__ import annotations

from ...jobs import bodies
from ..bench_files import heron_after, heron_before, picture_of_board, picture_of_machine
from .steps import Attach, Machine, Visit, price

_BROWN = Machine(
    "brown", "Fulmar 65, brown case", "2024-01-07 17:10", board=True,
    first=(
        bodies.Identity(case_label="Fulmar 65", board_revision="issue 2", serial="F65-004711"),
        bodies.TakenIn(
            source="flea market at Greywater", price=price("35"), declared="screen full of garbage",
            came_with=("power supply", "cassette lead", "manual without cover"),
        ),
        bodies.Symptom(text="garbage on the screen"),
    ),
    visits=(
        Visit("2024-01-07 17:40", (
            Attach("brown-front.png", "image/png", lambda: picture_of_machine("Fulmar 65", "#7a5c43"),
                   "photo", "as it came: all keys there"),
            "look: yellow at the left, no cracks, all feet there",
            "timer start",
            "SW1.2 SW1.1 28.2k",
            "J1.1 U1.8 1.91M",
            "look J7 fine",
            "C10.2 C10.1 132",
            "look U3 fine",
            "U15.54 U15.53 9.37k",
            "look U2 fine",
            "U21.7 GND 20.8k",
            "U21.15 GND 61.1k",
            "U21.11 U21.10 324k",
            "R16.2 U28.10 322k",
            "R16.2 U21.10 322k",
            "look C7 leaked",
            "timer stop measuring",
        )),
        Visit("2024-01-09 19:30", (
            "timer start",
            "found leaked C7: it ate the via of MA5 beside it",
            "replaced C7 from radial-47u: leaked on the board",
            "cleaned: the board around C7; with vinegar, then water, then alcohol",
            "linked R16.2 U21.10: by a wire; why the via beside C7 is gone; undo unsolder the wire",
            "R16.2 U21.10 0.3",
            "R16.2 U28.10 0.4",
            "U21.11 U21.10 38.1k",
            Attach("brown-board.png", "image/png", lambda: picture_of_board(("C7", "R16", "U21")),
                   "photo", "where it was: C7, and the wire from R16 to U21"),
            "power on",
            "U1.8 GND 5.04",
            "U32.8 GND 11.9",
            "power off",
            "timer stop mending",
            "spent 2.40 vinegar and alcohol, materials",
        ), minutes=5.0),
        Visit("2024-01-13 15:00", (
            "test power passed: on and off ten times",
            "test picture passed: complete and steady",
            "test colour passed: all eight, by the colour bars of the manual",
            "test video out passed: RGB and composite",
            "test modulator not tested: no television here",
            "test sound passed: three voices and noise",
            "test keyboard passed: each of 61 keys, twice",
            "test memory passed: all 64 KB, marching bits, 20 passes",
            "test firmware passed: it starts; checksum of U2 and U3 as on two other boards",
            "test tape load passed: the tape of the manual, three programs",
            "test tape save passed: saved and loaded again",
            "test serial port not tested: no lead",
            "test switches passed: reset and power lamp",
            "test capacitors passed: none of the others has leaked; C7 replaced",
            "test repairs passed: the wire on MA5 is the only one",
            "test case passed: yellow at the left",
            "test soak passed: 6 hours with the case closed",
            "1 h 10 min testing",
            "likely 140 60%",
            "likely 110 40%",
        )),
        Visit("2024-01-20 11:00", (
            "fee 11%",
            "sold 148 to a teacher in Saltmarsh",
            "spent 8.90 postage",
            "got 8.90 postage, paid by the buyer",
            bodies.Closed(outcome="sold", note="a week after the advertisement"),
        )),
        Visit("2024-02-02 18:00", ("note the buyer writes: it arrived safely and loads everything",)),
    ),
)  # fmt: skip

_BITTERN = Machine(
    "bittern", "Bittern 16, stood in water", "2024-01-14 16:00",
    first=(
        bodies.Identity(case_label="Bittern 16", serial="1 083"),
        bodies.TakenIn(source="cellar clearance, Mr Alder", price=price("18"), declared="untested",
                       came_with=("no power supply",)),
        bodies.Symptom(text="dead"),
    ),
    visits=(
        Visit("2024-01-14 16:20", (
            "look: mud in the keyboard, tracks eaten along the whole front edge",
            "+5V GND 1R2",
            "U3.7 GND OL",
            "U7.10 U8.10 OL",
            "look U12 corroded",
            "note eleven tracks gone, two sockets rotten: more hours than it can bring",
            "45 min looking it over",
        )),
        Visit("2024-01-28 17:00", (
            bodies.Action(deed="removed", where="eight memories, two 74LS157, all key caps"),
            "40 min taking parts out and testing them",
            bodies.Closed(outcome="broken for parts", note="six of eight memories good"),
        )),
    ),
)  # fmt: skip

_HERON = Machine(
    "heron", "Heron data recorder", "2024-02-10 14:00",
    first=(
        bodies.Identity(case_label="Heron data recorder", serial="H 22 310"),
        bodies.TakenIn(source="Ms Sedge, with a box of tapes", price=price("12"),
                       declared="plays too slowly and eats tape", came_with=("mains lead", "nine tapes")),
        bodies.Symptom(text="tape does not load"),
    ),
    visits=(
        Visit("2024-02-10 14:30", (
            Attach("heron-before.wav", "audio/wav", heron_before, "take", "test tape, as it came: 3150 Hz"),
            "note tape measure on heron-before.wav: 1.20 % slow, weighted flutter 0.33 %",
            "look: belt stretched and shiny; pinch roller with a flat spot; head brown with dirt",
            "test tape deck failed: 1.2 % slow; weighted flutter 0.33 %, and it can be heard",
            "25 min measuring",
        )),
        Visit("2024-02-11 10:00", (
            "timer start",
            "cleaned: head, capstan and guides; with alcohol",
            "used 1 x belt-1 for main drive",
            "replaced: main drive belt; the old one had stretched",
            "adjusted: motor speed; by the trimmer at the back of the motor",
            "adjusted: azimuth; loudest at 6.3 kHz, a sixth of a turn to the left",
            "spent 6.50 parts: pinch roller from Miller's Mouldings",
            "replaced: pinch roller",
            Attach("heron-after.wav", "audio/wav", heron_after, "take", "the same test tape, after service"),
            "timer stop service",
        ), minutes=7.0),
        Visit("2024-02-11 16:00", (
            "test tape deck passed: 0.1 % fast, weighted flutter 0.06 %; belt, roller and azimuth done",
            "test tape load passed: all nine tapes",
            "test tape save passed: one side written and read back",
            "test switches passed: every key, counter and its reset",
            "test power passed: two hours",
            bodies.Closed(outcome="kept", note="the bench needs one"),
        )),
    ),
)  # fmt: skip

_CURLEW = Machine(
    "curlew", "Curlew 8 of Jonas", "2024-02-17 18:00",
    first=(
        bodies.Identity(case_label="Curlew 8", board_revision="D", serial="C8/1 551"),
        bodies.TakenIn(source="Jonas, to be mended for him", declared="letters come in pairs",
                       came_with=("power supply", "his own monitor lead")),
        bodies.Symptom(text="every second letter is doubled"),
    ),
    visits=(
        Visit("2024-02-17 19:00", (
            "timer start",
            "power on",
            "+5V 5.06",
            "U9.16 GND 5.05",
            "U9.4 low",
            "U9.7 toggling",
            "U9.9 toggling",
            "U9.12 toggling",
            "good: U9.4 toggling",
            "power off",
            "found dead 74LS157 U9: output 1Y does not move",
            "replaced U9 from 74LS157-1: output stuck",
            "used 1 x socket-16 for U9",
            "power on",
            "U9.4 toggling",
            "power off",
            "timer stop",
        )),
        Visit("2024-02-24 11:00", (
            "test picture passed: every letter single",
            "test memory passed: 8 KB, 10 passes",
            "test keyboard passed: all keys",
            "open: Jonas brings his cassette lead",
            "got 45 for the work",
            "done 1: he will try it at home",
            bodies.Closed(outcome="returned"),
        )),
        Visit("2024-03-01 18:30", (
            bodies.Reopened(note="Jonas rings: pairs again"),
            "reseated U9: it had crept out of its new socket",
            "15 min",
            "test picture passed: every letter single, also when it is warm",
            bodies.Closed(outcome="returned", note="no charge"),
        )),
    ),
)  # fmt: skip

FINISHED = (_BROWN, _BITTERN, _HERON, _CURLEW)
