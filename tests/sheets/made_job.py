"""A whole job as a bench would record it; machine, shop and readings are made up."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal

from PIL import Image

from benchwright.jobs import Bench, Event, bodies
from benchwright.jobs.bodies import AnyBody

START = datetime(2024, 11, 2, 18, 40, tzinfo=UTC)
BOARD = """
[board]
name = "Fulmar 65"
revision = "Issue 3 C"

[parts]
U1 = { kind = "6502", socket = true }
U7 = { kind = "74LS00" }
C14 = { kind = "capacitor", value = "22u", style = "tantalum" }
R4 = { kind = "resistor", value = "4k7" }
J3 = { kind = "connector", pin_count = 4 }
M1 = { kind = "connector", pin_count = 3 }

[nets]
GND = ["U1.1", "U7.7", "C14.2", "J3.1", "M1.3"]
JACK = ["J3.2"]
"+5V" = ["U1.8", "U7.14", "C14.1", "R4.1"]
VIDEO = ["U7.3", "M1.2"]
RESET = ["U1.40", "R4.2"]
"""
OFF = bodies.State()
ON = bodies.State(power=True)


def euro(text: str) -> bodies.Price:
    return bodies.Price(Decimal(text), "EUR")


def photo(width: int = 120, height: int = 80, **more: object) -> bytes:
    """A JPEG whose left half is black; `more` goes to Pillow."""
    picture = Image.new("RGB", (width, height), (200, 200, 200))
    picture.paste((0, 0, 0), (0, 0, width // 2, height))
    file = io.BytesIO()
    picture.save(file, "JPEG", **more)
    return file.getvalue()


class Diary:
    """Records one event a quarter of an hour after the other.

    Parameters
    ----------
    bench : Bench
    title : str
    """

    def __init__(self, bench: Bench, title: str = "Fulmar 65", *first: AnyBody) -> None:
        self.bench = bench
        self.job = bench.new_job(title, "EUR", *first, rate_per_hour=Decimal(20))
        self.now = START

    def __call__(self, body: AnyBody, *, instead_of: Event | None = None) -> Event:
        self.now += timedelta(minutes=15)
        supersedes = "" if instead_of is None else instead_of.uid
        return self.bench.record(self.job, body, at=self.now, supersedes=supersedes)[0]

    def all(self, said: Sequence[AnyBody]) -> list[Event]:
        return [self(body) for body in said]


def reading(
    quantity: str, a: str, value: str, b: str = "", expected: str = "", function: str = "",
    state: bodies.State = OFF, **more: object,
) -> bodies.Reading:  # fmt: skip
    return bodies.Reading(
        entry=f"{a} {b} {value}", quantity=quantity, a=a, b=b, value=value, expected=expected,
        function=function, state=state, **more,
    )  # fmt: skip


def fulmar_job(bench: Bench) -> int:
    """One machine from take-in to sale, with a mistake taken back and two corrections; its number."""
    bench.record(
        None,
        bodies.StockReceived(lot="B3", kind="capacitor", value="22u 25V electrolytic", quantity=10,
                             source="Components by post", price=euro("0.35"), where="drawer B3"),
        bodies.StockReceived(lot="A1", kind="4116", quantity=11, condition="used, tested",
                             source="donor machine 9", price=euro("1.20"), where="drawer A1"),
        bodies.StockReceived(lot="A2", kind="4164", quantity=4, condition="used", where="drawer A1",
                             replaces=("4132",)),
        at=START,
    )  # fmt: skip
    say = Diary(
        bench, "Fulmar 65",
        bodies.Identity(case_label="Fulmar 65, 32K", board_revision="Issue 3 C", serial="F65-018834",
                        rom_version="BASIC 2.1, 1983", board_file="fulmar.toml", board_text=BOARD),
        bodies.TakenIn(source="Flea market at the old gasworks", price=euro("35"), postage=euro("6.90"),
                       declared="“Worked when put away.” Sold as untested.",
                       came_with=("supply with a repaired cable", "tape lead")),
        bodies.Symptom(text="black picture, no sound"),
        bodies.Symptom(text="supply hums, regulator too hot to touch"),
    )  # fmt: skip
    say(bodies.Look(where="case", seen="yellowed; a crack of 12 mm at the left foot"))
    say(reading("look", "", "yellowed; a crack of 12 mm at the left foot", function="case"))
    say(reading("resistance", "+5V", "1.9", "GND", "over 100 Ω"))
    say(reading("resistance", "C14.1", "0R8", "C14.2", "over 100 Ω"))
    say(reading("voltage", "+5V", "1.2", "GND", "4.75 to 5.25 V", "supply", ON))
    say(bodies.Look(where="C14", seen="brown ring round the can"))
    bench.attach(say.job, photo(quality=80), "DSC_0042.JPG", "image/jpeg", what="photo",
                 caption="C14 before it was taken out", at=say.now)  # fmt: skip
    say(bodies.Confirmed(part_kind="tantalum capacitor", mode="short", place="C14"))
    say(bodies.Action(deed="replaced", where="C14", note="desoldered, hole cleared",
                      why="shorted; no tantalum of that value in stock",
                      undo="Fit a tantalum capacitor of 22 µF 16 V, plus to C14.1"))  # fmt: skip
    say(bodies.PartUsed(lot="B3", quantity=1, where="C14"))
    say(reading("resistance", "+5V", "184", "GND", "over 100 Ω"))
    mistake = say(reading("voltage", "+5V", "49.8", "GND", "4.75 to 5.25 V", "supply", ON))
    say(reading("voltage", "+5V", "4.98", "GND", "4.75 to 5.25 V", "supply", ON), instead_of=mistake)
    say(bodies.Acceptance(what="Memory test from a cartridge", result="failed",
                          found="bit 3 stuck at 1, 4000 to 7FFF", function="memory"))  # fmt: skip
    say(bodies.Action(deed="replaced", where="U9", note="from stock", function="memory"))
    say(bodies.PartUsed(lot="A1", quantity=1, where="U9"))
    say(bodies.Time(minutes=Decimal("85.5"), note="Finding the short"))
    say(bodies.Action(deed="cleaned", where="edge connectors", note="isopropyl alcohol"))
    say(reading("continuity", "U7.3", "beeps", "M1.2"))
    say(reading("continuity", "U7.3", "does not beep", "J3.2"))
    say(
        bodies.Action(
            deed="changed", where="cut U7.3 | M1.2", why="frees the picture of the modulator's load"
        )
    )
    say(bodies.Action(deed="linked", where="U7.3 J3.2", why="composite picture on the socket",
                      undo="Take the wire from U7.3 to J3.2 out"))  # fmt: skip
    say(reading("continuity", "U7.3", "does not beep", "M1.2"))
    say(reading("continuity", "U7.3", "beeps", "J3.2"))
    say(bodies.Action(deed="removed", where="M1", note="modulator, in a bag with the machine",
                      why="a sharper picture", function="modulator"))  # fmt: skip
    rails = say(reading("voltage", "+5V", "5.01", "GND", "4.75 to 5.25 V", "supply", ON))
    say(bodies.Acceptance(what="Rails with everything plugged in", result="passed", found="+5V 5.01 V",
                          function="supply", evidence=(rails.uid,)))  # fmt: skip
    say(bodies.Acceptance(what="Memory test from a cartridge", result="passed", found="20 passes, no error",
                          function="memory"))  # fmt: skip
    say(bodies.Acceptance(what="Power on, 20 times", result="passed", found="comes on 20 of 20 times",
                          function="power"))  # fmt: skip
    say(bodies.Acceptance(what="Each key pressed and seen on the screen", result="failed",
                          found="52 of 53 answer; right shift does not", function="keyboard"))  # fmt: skip
    say(bodies.Acceptance(what="Left port, each direction and the button", result="passed",
                          found="all five answer", function="joystick"))  # fmt: skip
    say(bodies.Acceptance(what="Right port", function="joystick"))
    say(bodies.Acceptance(what="Test picture, 30 min", result="passed", found="complete and steady",
                          function="picture"))  # fmt: skip
    say(bodies.Acceptance(what="Sound, three voices", result="passed", function="sound"))
    bench.undo(say.job, "that was another machine")
    say(bodies.OpenPoint(text="Key cap for the right-hand shift is on order"))
    say(bodies.Action(deed="ordered", where="", note="key cap, right-hand shift"))
    say(bodies.PartWanted(kind="key cap", value="right shift", quantity=1))
    say(bodies.PartWanted(kind="4132", quantity=6))
    say(bodies.Time(minutes=Decimal("100.5"), note="Proof"))
    say(bodies.Note(text="buyer from Leyton asked twice; do not go below 120"))
    say(bodies.Cost(kind="materials", price=euro("1.75"), note="solder wick"))
    say(bodies.Fee(percent=Decimal(11), note="the auction house"))
    say(bodies.Income(kind="sale", price=euro("129.00"), note="to a collector"))
    say(bodies.Income(kind="other income", price=bodies.Price(Decimal("8.00"), "GBP", rate=Decimal("1.17")),
                      note="postage paid by the buyer"))  # fmt: skip
    return say.job
