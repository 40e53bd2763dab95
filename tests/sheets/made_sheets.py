"""Sheets of an invented bench, as it might fill them; every machine, shop and reading is made up."""

from __future__ import annotations

import struct
import zlib
from datetime import date, datetime, timedelta
from functools import cache

from benchwright.money import Amount, parse_amount
from benchwright.sheets import (
    Acceptance,
    Action,
    BoardChange,
    BoxLabel,
    ChangeMade,
    ChangeSheet,
    Claim,
    ConditionReport,
    Evidence,
    FunctionTest,
    InStock,
    JobSheet,
    LabelSheet,
    LabelStock,
    Look,
    Machine,
    MoneyLine,
    OpenPoint,
    Outcome,
    PartUsed,
    Photo,
    Proof,
    Reading,
    ShoppingList,
    SingleLabel,
    StockList,
    Suspect,
    TimeSpent,
    Wanted,
    label_stock,
)

DAY = date(2026, 11, 21)
START = datetime(2026, 11, 2, 19, 40)
BENCH = "The back-room bench"
FULMAR = Machine("Fulmar 65", "Fulmar 65, 32K", "Issue 3 C", "F65-018834", "BASIC 2.1, 1983")


def euro(text: str) -> Amount:
    return parse_amount(text, "EUR")


def at(event: int) -> datetime:
    return START + timedelta(hours=7 * event, minutes=11 * event)


def evidence(event: int, recorded: str) -> Evidence:
    return Evidence(event, at(event), recorded)


@cache
def png(width: int = 120, height: int = 80, shade: int = 90) -> bytes:
    """A whole PNG: a grey field with a darker cross."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    rows = bytearray()
    for y in range(height):
        rows.append(0)
        rows += bytes(40 if abs(x * height - y * width) < 3 * width else shade for x in range(width))
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(bytes(rows)))
        + chunk(b"IEND", b"")
    )


def reading(event: int, what: str, where: str, value: str, expected: str = "", state: str = "") -> Reading:
    return Reading(what, where, value, at(event), event, expected, state)


OFF = "power off, board out"
ON = "power on, bench supply, limit 1.5 A"


def job_sheet(**more: object) -> JobSheet:
    values: dict[str, object] = {
        "job": "14", "on": DAY, "machine": FULMAR, "stage": "proved, waiting for a key cap", "bench": BENCH,
        "source": "Flea market at the old gasworks", "price": euro("35.00"), "taken_in": date(2026, 11, 2),
        "declared": "“Worked when put away.” Sold as untested, no returns.",
        "came_with": ("supply with a repaired cable", "tape lead", "manual without cover", "two game tapes"),
        "symptoms": ("black picture, no sound", "supply hums, regulator REG1 too hot to touch"),
        "acceptance": (
            Acceptance("Rails within 5 % with everything plugged in", "passed", "+5V 4.98 V, +12V 12.1 V",
                       (evidence(20, "+5V 4.98 V, +12V 12.1 V"),)),
            Acceptance("Memory test, 20 passes", "passed", "20 of 20 passes without an error",
                       (evidence(21, "memory test: 20 passes, no error"),)),
            Acceptance("Every key", "failed", "52 of 53 keys; the right-hand shift does not answer",
                       (evidence(22, "keys: 52 of 53 answer; right shift dead"),)),
            Acceptance("Soak, 4 hours with the case closed"),
        ),
        "open_points": (OpenPoint("Key cap for the right-hand shift is on order",
                                  (evidence(18, "ordered a key cap"),)),
                        OpenPoint("Replace the drive belt before the tape deck is used")),
        "readings": (
            reading(3, "resistance", "+5V to GND", "1.9 Ω", "180 Ω", OFF),
            reading(4, "resistance", "C14.1 to C14.2", "0.8 Ω", "over 100 Ω", OFF),
            reading(7, "resistance", "+5V to GND", "184 Ω", "180 Ω", OFF + ", C14 out"),
            reading(9, "voltage", "+5V (U3.14) to GND", "4.98 V", "4.75 to 5.25 V", ON),
            reading(10, "voltage", "U1.40 (reset) to GND", "0.1 V", "over 3.5 V", ON),
            reading(11, "diode drop", "U4.6 to GND", "OL", "0.55 V", OFF),
        ),
        "looks": (Look("C14", "brown ring round the can, pad lifted at one side", at(5), 5),
                  Look("U4", "one leg folded under the socket", at(12), 12)),
        "actions": (
            Action("replaced", "C14, tantalum, 22 µF 16 V, by an electrolytic of 22 µF 25 V", at(6), 6),
            Action("reseated", "U4, with the folded leg straightened", at(13), 13),
            Action("cleaned", "all edge connectors, isopropyl alcohol", at(14), 14),
            Action("ordered", "key cap, right-hand shift", at(18), 18),
        ),
        "parts": (PartUsed("C14", "capacitor 22 µF 25 V, 105 °C", 1, "drawer B3", euro("0.35")),
                  PartUsed("U4", "socket, 20 pins, turned contacts", 1, "", None)),
        "time": (TimeSpent("Finding the short", 85, date(2026, 11, 3)),
                 TimeSpent("Reset line, socket, cleaning", 60, date(2026, 11, 6)),
                 TimeSpent("Proof", 40, date(2026, 11, 15))),
        "money": (MoneyLine("Bought", euro("-35.00"), date(2026, 11, 2)),
                  MoneyLine("Parts from stock", euro("-0.35"), date(2026, 11, 5)),
                  MoneyLine("Key cap, postage included", parse_amount("-4.20 GBP"), date(2026, 11, 8))),
        "suspects": (Suspect("R12, pull-up of the reset line, has drifted high", 0.07, (10,)),
                     Suspect("U4 is weak and fails when warm", 0.004, (10, 11))),
        "suspects_at": at(13),
        "photos": (Photo(png(), "C14 after it was taken out; the ring on the board is what leaked", at(5), 5),
                   Photo(png(60, 90, 180), "U4, leg folded under the socket", at(12), 12)),
    }  # fmt: skip
    return JobSheet(**{**values, **more})  # type: ignore[arg-type]


def trials() -> tuple[FunctionTest, ...]:
    return (
        FunctionTest("power", "works", "Bench supply, then its own supply", "Comes on, 20 of 20 tries",
               (evidence(19, "power: on 20 of 20 times"),)),
        FunctionTest("supply", "works", "Meter at the board's connector, machine running",
               "+5V 4.98 V, +12V 12.1 V, ripple 14 mV",
               (evidence(20, "+5V 4.98 V, +12V 12.1 V"), evidence(23, "ripple on +5V 14 mV"))),
        FunctionTest("memory", "fails", "Test from a cartridge", "Bit 3 of the upper 16 KiB stuck at 1",
               (evidence(15, "memory test: bit 3 stuck, 4000 to 7FFF"),)),
        FunctionTest("memory", "works", "Test from a cartridge, 20 passes", "No error in 32 KiB",
               (evidence(21, "memory test: 20 passes, no error"),)),
        FunctionTest("keyboard", "part", "Each key pressed and seen on the screen",
               "52 of 53 keys answer; the right-hand shift does not",
               (evidence(22, "keys: 52 of 53 answer; right shift dead"),)),
        FunctionTest("picture", "works", "Composite monitor, test picture, 30 min", "Complete and steady",
               (evidence(24, "picture steady for 30 min"),)),
        FunctionTest("sound", "fault", "All three voices through the loudspeaker",
               "All three play; the loudspeaker buzzes above half volume",
               (evidence(25, "sound: three voices; cone buzzes"),)),
        FunctionTest("case", "seen", "Looked over in daylight", "Yellowed; a crack of 12 mm at the left foot",
               (evidence(2, "case: yellowed, crack 12 mm rear left"),)),
        FunctionTest("modulator", "absent", "Looked for", "Taken out; see the changes",
               (evidence(17, "modulator taken out, composite picture on the socket"),)),
    )  # fmt: skip


def condition_report(**more: object) -> ConditionReport:
    values: dict[str, object] = {
        "job": "14", "on": DAY, "machine": FULMAR, "bench": BENCH,
        "identified": (evidence(1, "taken in: case label Fulmar 65 32K, board Issue 3 C, F65-018834"),),
        "tests": trials(),
        "work": (Claim("Shorted tantalum capacitor C14 (22 µF) replaced by an electrolytic, 22 µF 25 V",
                       (evidence(4, "C14 reads 0.8 Ω"), evidence(6, "replaced C14"))),
                 Claim("Memory chip U9 replaced", (evidence(16, "replaced U9, 4116, from a donor board"),))),
        "changes": (ChangeMade("Modulator taken out; the socket now carries composite picture",
                               "A sharper picture on present-day monitors",
                               "Fit the modulator, which comes with it, and take the wire J3.2 to C12 out",
                               (evidence(17, "modulator taken out, composite picture on the socket"),)),),
        "open_points": (OpenPoint("Right-hand shift does not answer; a key cap is on order",
                                  (evidence(18, "ordered a key cap"),
                                   evidence(22, "keys: 52 of 53 answer; right shift dead"))),),
        "cautions": ("mains", "picture_tube"),
        "photos": (Photo(png(), "Front, with the crack at the rear left foot hidden", at(2), 2),),
    }  # fmt: skip
    return ConditionReport(**{**values, **more})  # type: ignore[arg-type]


def change_sheet(**more: object) -> ChangeSheet:
    values: dict[str, object] = {
        "job": "14", "on": DAY, "machine": FULMAR, "bench": BENCH,
        "changes": (
            BoardChange("remove", "remove M1 (modulator)", "Its picture is blurred on present-day monitors",
                        "Fit the modulator, which comes with the machine", at(17), 17),
            BoardChange("cut", "cut U7.3 | M1.2", "Frees the composite line of the modulator's load",
                        "Bridge the cut: solder a wire from U7.3 to M1.2", at(17), 17,
                        (Proof("continuity U7.3 to M1.2", "beeps", "does not beep",
                               reading(26, "continuity", "U7.3 to M1.2", "beeps", "", OFF),
                               reading(27, "continuity", "U7.3 to M1.2", "does not beep", "", OFF)),)),
            BoardChange("link", "link U7.3 J3.2", "Composite picture on the socket",
                        "Take the wire from U7.3 to J3.2 out", at(17), 17,
                        (Proof("resistance U7.3 to J3.2", "OL", "under 0.5 Ω", None,
                               reading(28, "resistance", "U7.3 to J3.2", "0.2 Ω", "", OFF)),
                         Proof("resistance J3.2 to GND", "75 Ω", "75 Ω",
                               reading(26, "resistance", "J3.2 to GND", "74.6 Ω", "", OFF),
                               reading(28, "resistance", "J3.2 to GND", "74.8 Ω", "", OFF))),
                        (PartUsed("", "wire, 0.25 mm², 60 mm", 1, "reel", None),)),
        ),
    }  # fmt: skip
    return ChangeSheet(**{**values, **more})  # type: ignore[arg-type]


def shopping_list(**more: object) -> ShoppingList:
    values: dict[str, object] = {
        "on": DAY, "bench": BENCH,
        "lines": (
            Wanted("4164 memory, 150 ns", 8, ("14", "17", "21"), "Parts counter, north hall", euro("1.90"),
                   ("41256 with pin 1 tied low",), "test before soldering"),
            Wanted("Belt, square, 1.2 mm, 61 mm inside", 2, ("21",), "", None, ()),
            Wanted("Capacitor 22 µF 25 V, 105 °C", 20, (), "Components by post", parse_amount("0.09 GBP"),
                   ("22 µF 35 V", "33 µF 25 V")),
        ),
    }  # fmt: skip
    return ShoppingList(**{**values, **more})  # type: ignore[arg-type]


def stock_list(**more: object) -> StockList:
    values: dict[str, object] = {
        "on": DAY,
        "bench": BENCH,
        "lines": (
            InStock(
                "4116 memory", 11, "200 ns", "tested, used", "drawer A1", "donor machine 9", 3, euro("0.00")
            ),
            InStock("Capacitor", 37, "22 µF 25 V", "new", "drawer B3", "Components by post", 0, euro("0.35")),
            InStock("Keyboard, complete", 1, "", "two caps missing", "shelf 2", "donor machine 9"),
        ),
    }
    return StockList(**{**values, **more})  # type: ignore[arg-type]


def box_label(number: int = 14) -> BoxLabel:
    return BoxLabel(
        f"Job {number}",
        ("Fulmar 65, Issue 3 C", "Shelf 2, box 5", "taken in 2026-11-02"),
        f"BENCH/JOB/{number}",
    )


def label_sheet(**more: object) -> LabelSheet:
    values: dict[str, object] = {
        "on": DAY, "labels": tuple(map(box_label, range(14, 20))),
        "stock": label_stock("a4-21"), "first": 5, "outlines": True,
    }  # fmt: skip
    return LabelSheet(**{**values, **more})  # type: ignore[arg-type]


def single_label(**more: object) -> SingleLabel:
    return SingleLabel(**{"on": DAY, "label": box_label(), **more})  # type: ignore[arg-type]


EVERY = {
    "job": job_sheet,
    "condition": condition_report,
    "change": change_sheet,
    "shopping": shopping_list,
    "stock": stock_list,
    "labels": label_sheet,
    "label": single_label,
}

__all__ = ["BENCH", "DAY", "EVERY", "FULMAR", "LabelStock", "Outcome", "at", "evidence", "png"]
