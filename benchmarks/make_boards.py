"""Two more invented boards to measure on, unlike the Fulmar 65 and unlike each other.

- Tern 16: 6809E, static memory, 6845 picture; lying chips, logic and small parts surface-mounted; one rail
  from a jack.
- Petrel 80: uPD780, 4116 memory on three rails, serial terminal, sound; standing chips in rows.

    python benchmarks/make_boards.py

writes netlists and parts lists into ``boards`` beside it. There are no overlays: rails, inlets and blocks
are left to the import to infer.
"""

from __future__ import annotations

from pathlib import Path

from benchwright.board import Board
from benchwright.board.ipc356 import write_ipc356
from benchwright.demo.fulmar65 import Drawing, parts_csv
from benchwright.textfile import write_text

FOLDER = Path(__file__).parent / "boards"


# -- Tern 16 ------------------------------------------------------------------------------------------


def tern16() -> Board:
    """A 6809E machine of about 60 parts on 200 x 150 mm."""
    d = Drawing("Tern 16", "A", (200.0, 150.0))
    _tern_supply(d)
    _tern_processor(d)
    _tern_picture(d)
    _tern_ports(d)
    places = [
        (28, 23),
        (34, 23),
        (41, 23),
        (47, 23),
        (53, 23),
        (28, 15),
        (40, 15),
        (44, 32),
        (50, 32),
        (56, 32),
    ]
    for n, place in enumerate(places, 10):
        d.two(f"C{n}", "100n", "C 0805", place, "+5V", "GND")
    for n, place in enumerate([(4, 54), (28, 54), (46, 54)], 20):
        d.two(f"C{n}", "100n", "disc 5.08", place, "+5V", "GND")
    for n in range(8):
        d.via(f"D{n}", (24.5 + n % 2, 52 - n), 0.7, 0.35)
        d.via(f"VD{n}", (62.5 + n % 2, 32 - n), 0.7, 0.35)
    return d.board()


def _tern_supply(d: Drawing) -> None:
    d.put("J1", "DC jack 5V", "in line 2 x 5.08", (70, 4), "1=SUPPLY_IN 2=GND")
    d.two("F1", "1.5A fuse", "axial 20.32", (76, 5), "SUPPLY_IN", "+5V", 90)
    d.two("D1", "1N4734A", "axial 10.16", (72, 9), "+5V", "GND", 90)
    d.two("C1", "470u 10V", "radial electrolytic 5.08", (67, 10), "+5V", "GND")
    d.two("C2", "10u 10V", "radial tantalum 2.54", (67, 15), "+5V", "GND")
    d.two("D2", "LED green", "radial 2.54", (67, 19), "GND", "POWER_LED")
    d.two("R1", "470R", "R 0805", (67, 21), "+5V", "POWER_LED")


def _tern_processor(d: Drawing) -> None:
    d.put(
        "U1", "HD6809EP", "DIP-40", (4, 46),
        "VSS=GND NMI#=/NMI IRQ#=/IRQ FIRQ#=/FIRQ VCC=+5V A0..A15=A0..A15 D0..D7=D0..D7 R/W#=R/W E=E Q=Q "
        "RESET#=/RESET TSC=GND HALT#=/HALT",
        90, True,
    )  # fmt: skip
    for n, net in enumerate(("/NMI", "/IRQ", "/FIRQ", "/HALT")):
        d.two(f"R{2 + n}", "4k7", "R 0805", (4 + 3 * n, 44), "+5V", net)
    d.put(
        "U2", "27256-20", "DIP-28", (28, 46),
        "VPP,VCC=+5V A0..A14=A0..A14 O0..O7=D0..D7 GND=GND CE#=/ROMCS OE#=/RD",
        90, True,
    )  # fmt: skip
    for n in range(4):
        d.put(
            f"U{3 + n}", "HM6264P-15", "DIP-28", (4 + 16 * n, 36),
            f"A0..A12=A0..A12 D0..D7=D0..D7 GND=GND CS1#=/RAM{n} CS2=+5V OE#=/RD WE#=/WR VCC=+5V",
            90,
        )  # fmt: skip
    d.put(
        "U18", "74HCT138", "SO-16", (47, 22),
        "A=A13 B=A14 C=A15 G1=+5V G2A#,G2B#=GND Y0#=/RAM0 Y1#=/RAM1 Y2#=/RAM2 Y3#=/RAM3 "
        "Y4#=/IO_AND_VIDEO_PAGE GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U19", "74HCT138", "SO-16", (53, 22),
        "A=A10 B=A11 C=A12 G1=+5V G2A#=/IO_AND_VIDEO_PAGE G2B#=GND Y0#=/VRAMSEL Y1#=/CRTCSEL Y2#=/PPISEL "
        "Y3#=/EXPSEL GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U20", "74HCT00", "SO-14", (59, 22),
        "1A=W 1B=E 1Y=/WR 2A=R/W 2B=E 2Y=/RD 3A=A15 3B=/IO_AND_VIDEO_PAGE 3Y=/ROMCS "
        "4A=PIXELS_AND_CURSOR 4B=DISPLAY_ENABLE 4Y=/PIXELS GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U21", "74HCT32", "SO-14", (28, 14),
        "1A=/VRAMSEL 1B=/E 1Y=/VRAMEN 2A=/VRAMEN 2B=R/W 2Y=/VRAMWE 3A=HSYNC 3B=VSYNC 3Y=CSYNC "
        "4A=SHIFTED_PIXELS 4B=CURSOR 4Y=PIXELS_AND_CURSOR GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U22", "74HCT14", "SO-14", (34, 14),
        "1A=RESET_RC 1Y,2A=RESET 2Y=/RESET 3A=R/W 3Y=W 4A=CSYNC 4Y=/CSYNC 5A=/PIXELS 5Y=PIXELS "
        "6A=CHARACTER_CARRY 6Y=/LOAD GND=GND VCC=+5V",
    )  # fmt: skip
    # A two-stage ring: Q leads E by a quarter of the cycle.
    d.put(
        "U23", "74HCT74", "SO-14", (40, 14),
        "1CLR#,1PRE#,2CLR#,2PRE#=+5V 1D=/E 1CLK,2CLK=CLK4 1Q,2D=Q 2Q=E 2Q#=/E GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U24", "74HCT163", "SO-16", (46, 14),
        "CLR#,LOAD#,ENP,ENT=+5V CLK=CLK16 A,B,C,D=GND QA=DOTCLK QB=CLK4 QD=CHARCLK RCO=CHARACTER_CARRY "
        "GND=GND VCC=+5V",
    )  # fmt: skip
    d.put("XO1", "16MHz oscillator", "can DIP-14", (70, 54), "GND=GND OUT=CLK16 VCC=+5V")
    d.two("R6", "100k", "R 0805", (34, 16), "+5V", "RESET_RC")
    d.two("C3", "10u 10V", "radial electrolytic 2.54", (64, 12), "RESET_RC", "GND")
    d.two("SW1", "reset push button", "in line 2 x 5.08", (62, 8), "RESET_RC", "GND")


def _tern_picture(d: Drawing) -> None:
    d.put(
        "U7", "HD6845SP", "DIP-40", (46, 46),
        "GND=GND RESET#=/RESET LPSTB=GND MA0..MA9=MA0..MA9 DE=DISPLAY_ENABLE CURSOR=CURSOR VCC=+5V "
        "CLK=CHARCLK R/W#=R/W E=E RS=A0 CS#=/CRTCSEL D0..D7=D0..D7 RA0..RA3=RA0..RA3 HS=HSYNC VS=VSYNC",
        90,
    )  # fmt: skip
    for ref, low, at in (("U8", 0, (68, 40)), ("U9", 4, (68, 34))):
        d.put(
            ref, "2114-2", "DIP-18", at,
            f"A0..A9=VA0..VA9 IO1..IO4=VD{low}..VD{low + 3} CS#,GND=GND WE#=/VRAMWE VCC=+5V",
            90,
        )  # fmt: skip
    for n in range(3):
        lines = range(4 * n, min(4 * n + 4, 10))
        words = [f"{k % 4 + 1}A=MA{k} {k % 4 + 1}B=A{k} {k % 4 + 1}Y=VA{k}" for k in lines]
        spare = "" if n < 2 else " 3A,3B,4A,4B=GND"
        d.put(
            f"U{12 + n}", "74HCT157", "SO-16", (44 + 6 * n, 31),
            f"SEL=E {' '.join(words)}{spare} G#,GND=GND VCC=+5V",
        )  # fmt: skip
    d.put(
        "U15", "74HCT245", "SO-20", (28, 22),
        "DIR=R/W A1..A8=VD0..VD7 B1..B8=D0..D7 G#=/VRAMEN GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U16", "74HCT374", "SO-20", (34, 22),
        "OE#=GND CLK=CHARCLK 1D..8D=VD0..VD7 1Q..8Q=CC0..CC7 GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U10", "2732A", "DIP-24", (28, 26),
        "A0..A3=RA0..RA3 A4..A11=CC0..CC7 O0..O7=PD0..PD7 CE#,OE#/VPP,GND=GND VCC=+5V",
        90, True,
    )  # fmt: skip
    d.put(
        "U11", "74HCT166", "SO-16", (41, 22),
        "SER,CLKINH=GND CLK=DOTCLK CLR#=+5V SH/LD#=/LOAD A,B,C,D,E,F,G,H=PD0..PD7 QH=SHIFTED_PIXELS "
        "GND=GND VCC=+5V",
    )  # fmt: skip
    d.two("R7", "680R", "R 0805", (66, 30), "PIXELS", "VIDEO_MIX")
    d.two("R8", "1k5", "R 0805", (66, 28), "/CSYNC", "VIDEO_MIX")
    d.put("Q1", "2N3904", "TO-92", (69, 29), "E=VIDEO_EMITTER B=VIDEO_MIX C=+5V")
    d.two("R9", "75R", "R 0805", (73, 29), "VIDEO_EMITTER", "COMPOSITE_VIDEO")
    d.put("J4", "phono", "in line 2 x 5.08", (72, 25), "1=COMPOSITE_VIDEO 2=GND")


def _tern_ports(d: Drawing) -> None:
    d.put(
        "U17", "P8255A-5", "DIP-40", (4, 26),
        "PA0..PA7=KCOL0..KCOL7 PB0..PB7=KROW0..KROW7 PC0..PC6=USER0..USER6 PC7=BUZZER_DRIVE RD#=/RD "
        "CS#=/PPISEL GND=GND A0=A0 A1=A1 VCC=+5V D0..D7=D0..D7 RESET=RESET WR#=/WR",
        90,
    )  # fmt: skip
    d.put("RN1", "8x10k SIL", "SIL-9 2.54", (4, 20), "1=+5V 2..9=KROW0..KROW7")
    d.put(
        "J2", "keyboard 2x10 header", "pin header 2 x 10", (4, 5),
        "1..8=KCOL0..KCOL7 9..16=KROW0..KROW7 17,18=GND 19=+5V 20=GND",
    )  # fmt: skip
    d.put("J3", "user port header", "pin header 9 x 2.54", (18, 4), "1..7=USER0..USER6 8=+5V 9=GND")
    d.put(
        "J5", "expansion 2x20 header", "pin header 2 x 20", (38, 5),
        "1..8=D0..D7 9..24=A0..A15 25=R/W 26=E 27=Q 28=/RESET 29=/NMI 30=/IRQ 31=/FIRQ 32=/HALT 33=/EXPSEL "
        "34=/RD 35=/WR 36,37=+5V 38,39,40=GND",
    )  # fmt: skip
    d.two("R10", "1k", "R 0805", (14, 14), "BUZZER_DRIVE", "BUZZER_BASE")
    d.put("Q2", "2N3904", "TO-92", (17, 14), "E=GND B=BUZZER_BASE C=BUZZER")
    d.put("BZ1", "buzzer", "in line 2 x 5.08", (4, 14), "1=+5V 2=BUZZER")


# -- Petrel 80 ----------------------------------------------------------------------------------------


def petrel80() -> Board:
    """A uPD780 machine of about 75 parts with three-rail memory on 250 x 180 mm."""
    d = Drawing("Petrel 80", "2", (250.0, 180.0))
    _petrel_supply(d)
    _petrel_processor(d)
    _petrel_memory(d)
    _petrel_ports(d)
    logic = [
        (4, 64),
        (14, 64),
        (24, 64),
        (34, 64),
        (44, 64),
        (14, 48),
        (26, 48),
        (62, 52),
        (53, 38),
        (65, 38),
    ]
    for n, place in enumerate(logic, 20):
        d.two(f"C{n}", "100n", "disc 5.08", place, "+5V", "GND")
    for n in range(8):
        d.via(f"D{n}", (1.5 + n % 2, 60 - n), 1.2, 0.6)
        d.via(f"RD{n}", (51.5, 35 - n), 1.2, 0.6)
    return d.board()


def _petrel_supply(d: Drawing) -> None:
    d.put("J1", "power 6-way", "in line 6 x 3.96", (80, 66), "1,2=+5V 3,4=GND 5=+12V 6=-12V")
    d.put("REG1", "79L05", "TO-92", (82, 52), "GND=GND IN=-12V OUT=-5V")
    d.two("C1", "220u 10V", "axial electrolytic 20.32", (80, 62), "+5V", "GND")
    d.two("C2", "47u 25V", "axial electrolytic 20.32", (80, 59), "+12V", "GND")
    d.two("C3", "47u 25V", "axial electrolytic 20.32", (80, 56), "GND", "-12V")
    d.two("C4", "10u 16V", "radial tantalum 2.54", (82, 48), "GND", "-5V")
    d.two("C5", "10u 16V", "radial tantalum 2.54", (88, 48), "+5V", "GND")


def _petrel_processor(d: Drawing) -> None:
    d.put(
        "U1", "uPD780C-1", "DIP-40", (4, 62),
        "A0..A15=A0..A15 CLK=CPUCLK D0..D7=D0..D7 VCC=+5V INT#=/INT NMI#=/NMI HALT#=/HALT MREQ#=/MREQ "
        "IORQ#=/IORQ RD#=/RD WR#=/WR WAIT#=/WAIT BUSRQ#=/BUSRQ RESET#=/RESET M1#=/M1 RFSH#=/RFSH GND=GND",
        socket=True,
    )  # fmt: skip
    d.put("RN1", "8x4k7 SIL", "SIL-9 2.54", (4, 40), "1=+5V 2=/INT 3=/NMI 4=/WAIT 5=/BUSRQ 6..9=JOY0..JOY3")
    for n in range(2):
        d.put(
            f"U{2 + n}", "TMS2732A", "DIP-24", (14 + 10 * n, 62),
            f"A0..A11=A0..A11 O0..O7=D0..D7 CE#=/ROM{n}CS OE#/VPP=/RD GND=GND VCC=+5V",
            socket=True,
        )  # fmt: skip
    d.put("Y1", "4.9152MHz crystal", "in line 2 x 5.08", (31, 48), "1=OSCILLATOR_A 2=OSCILLATOR_B")
    d.two("R1", "1k", "axial 10.16", (37, 40), "OSCILLATOR_A", "OSCILLATOR_FEEDBACK")
    d.two("R2", "1k", "axial 10.16", (37, 38), "OSCILLATOR_FEEDBACK", "OSCILLATOR_B")
    d.put(
        "U15", "SN74LS04N", "DIP-14", (32, 46),
        "1A=OSCILLATOR_A 1Y,2A=OSCILLATOR_FEEDBACK 2Y,3A=OSCILLATOR_B 3Y=CLK5 4A=A12 4Y=/A12 5A=INPUT_ENABLE "
        "5Y=/INPUT_ENABLE 6A=RESET 6Y=/RESET GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U25", "SN74LS161AN", "DIP-16", (56, 50),
        "CLR#,LOAD#,ENP,ENT=+5V CLK=CLK5 A,B,C,D=GND QA=CPUCLK QB=SOUNDCLK QD=BAUD_CLOCK_32X GND=GND VCC=+5V",
    )  # fmt: skip
    d.two("R3", "330R", "axial 10.16", (44, 40), "CPUCLK", "+5V")
    # One half delays MREQ for the column address, the other halves the serial clock.
    d.put(
        "U14", "SN74LS74AN", "DIP-14", (26, 46),
        "1CLR#,1PRE#,2CLR#,2PRE#=+5V 1D=/MREQ 1CLK=CLK5 1Q=/COLUMN 1Q#=COLUMN 2D=BAUD_TOGGLE 2Q#=BAUD_TOGGLE "
        "2CLK=BAUD_CLOCK_32X 2Q=BAUD_CLOCK_16X GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U16", "NE555P", "DIP-8", (38, 46),
        "GND=GND TRIG,THRES=RESET_RC OUT=RESET RESET#=+5V CTRL=RESET_CTRL VCC=+5V",
    )  # fmt: skip
    d.two("R4", "220k", "axial 10.16", (44, 38), "+5V", "RESET_RC")
    d.two("C6", "1u 35V", "radial tantalum 2.54", (51, 40), "RESET_RC", "GND")
    d.two("C7", "10n", "disc 5.08", (38, 48), "RESET_CTRL", "GND")
    d.two("SW1", "reset push button", "in line 2 x 5.08", (90, 4), "RESET_RC", "GND")
    d.two("D1", "LED red", "radial 2.54", (84, 4), "/HALT", "HALT_LED")
    d.two("R5", "330R", "axial 10.16", (84, 8), "+5V", "HALT_LED")
    d.put(
        "U18", "SN74LS138N", "DIP-16", (59, 36),
        "A=A14 B=A15 C=GND G1=/RFSH G2A#=/MREQ G2B#=GND Y0#=/ROMPAGE Y2#=/RAMSEL GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U19", "SN74LS138N", "DIP-16", (65, 36),
        "A=A4 B=A5 C=A6 G1=/M1 G2A#=/IORQ G2B#=A7 Y0#=/USARTSEL Y1#=/SOUNDSEL Y2#=/OUTSEL Y3#=/INSEL "
        "GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U17", "SN74LS32N", "DIP-14", (71, 36),
        "1A=/ROMPAGE 1B=A12 1Y=/ROM0CS 2A=/ROMPAGE 2B=/A12 2Y=/ROM1CS 3A=/COLUMN 3B=/RAMSEL 3Y=CAS_UNDAMPED "
        "4A=/RAMSEL 4B=/RD 4Y=/RAMRD GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U29", "SN74LS02N", "DIP-14", (74, 50),
        "1A=/SOUNDSEL 1B=/WR 1Y=BDIR 2A=/SOUNDSEL 2B=A0 2Y=BC1 3A=/OUTSEL 3B=/WR 3Y=OUTPUT_STROBE "
        "4A=/INSEL 4B=/RD 4Y=INPUT_ENABLE GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "J5", "expansion 2x20 header", "pin header 2 x 20", (44, 5),
        "1..8=D0..D7 9..24=A0..A15 25=/MREQ 26=/IORQ 27=/RD 28=/WR 29=/M1 30=/RESET 31=/INT 32=/NMI 33=/WAIT "
        "34=/BUSRQ 35=CPUCLK 36=+12V 37=-12V 38=+5V 39,40=GND",
    )  # fmt: skip


def _petrel_memory(d: Drawing) -> None:
    for ref, low, at in (("U12", 0, (14, 46)), ("U13", 4, (20, 46))):
        lines = range(low, min(low + 4, 7))
        words = [f"{k - low + 1}A=A{k} {k - low + 1}B=A{k + 7} {k - low + 1}Y=MA{k}" for k in lines]
        spare = "" if low == 0 else " 4A,4B=GND"
        d.put(ref, "SN74LS157N", "DIP-16", at, f"SEL=COLUMN {' '.join(words)}{spare} G#,GND=GND VCC=+5V")
    for n in range(8):
        d.put(
            f"U{4 + n}", "MK4116N-3", "DIP-16", (4 + 6 * n, 31),
            f"VBB(-5V)=-5V DIN=D{n} WE#=/WE RAS#=/RAS A0..A6=MA0..MA6 VDD(+12V)=+12V VCC(+5V)=+5V DOUT=RD{n} "
            "CAS#=/CAS VSS=GND",
            socket=True,
        )  # fmt: skip
        rail, ground = (("+12V", "GND"), ("GND", "-5V"))[n % 2]
        d.two(f"C{30 + n}", "100n", "disc 5.08", (4 + 6 * n, 33), rail, ground)
    d.put(
        "U20", "SN74LS244N", "DIP-20", (53, 36),
        "1G#,2G#=/RAMRD 1A1..1A4=RD0..RD3 2A1..2A4=RD4..RD7 1Y1..1Y4=D0..D3 2Y1..2Y4=D4..D7 GND=GND VCC=+5V",
    )  # fmt: skip
    for n, (source, line) in enumerate((("/MREQ", "/RAS"), ("CAS_UNDAMPED", "/CAS"), ("/WR", "/WE"))):
        d.two(f"R{6 + n}", "33R", "axial 10.16", (4 + 6 * n, 36), source, line)


def _petrel_ports(d: Drawing) -> None:
    d.put(
        "U21", "uPD8251AC", "DIP-28", (34, 62),
        "D0..D7=D0..D7 RXD=RXD GND=GND TXC#,RXC#=BAUD_CLOCK_16X WR#=/WR CS#=/USARTSEL C/D#=A0 RD#=/RD "
        "CTS#=/CTS TXD=TXD CLK=CPUCLK RESET=RESET DSR#=/DSR RTS#=/RTS DTR#=/DTR VCC=+5V",
    )  # fmt: skip
    d.put(
        "U22", "SN75188N", "DIP-14", (55, 62),
        "VEE=-12V VCC=+12V GND=GND A=TXD AY=SERIAL_TX_LINE B1,B2=/RTS BY=SERIAL_RTS_LINE C1,C2=/DTR "
        "CY=SERIAL_DTR_LINE D1,D2=GND",
    )  # fmt: skip
    d.put(
        "U23", "SN75189N", "DIP-14", (62, 62),
        "A=SERIAL_RX_LINE AY=RXD B=SERIAL_CTS_LINE BY=/CTS C=SERIAL_DSR_LINE CY=/DSR D,GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "J2", "serial DB-25", "DB-25", (54, 68),
        "1,7=GND 2=SERIAL_TX_LINE 3=SERIAL_RX_LINE 4=SERIAL_RTS_LINE 5=SERIAL_CTS_LINE 6=SERIAL_DSR_LINE "
        "20=SERIAL_DTR_LINE",
    )  # fmt: skip
    d.put(
        "U24", "AY-3-8910", "DIP-40", (44, 62),
        "VSS=GND ANALOGA,ANALOGB,ANALOGC=SOUND_MIX IOA0..IOA3=JOY0..JOY3 CLOCK=SOUNDCLK RESET#=/RESET "
        "A9#=GND A8,BC2=+5V BDIR=BDIR BC1=BC1 DA0..DA7=D0..D7 VCC=+5V",
    )  # fmt: skip
    d.two("R9", "1k", "axial 10.16", (72, 56), "SOUND_MIX", "GND")
    d.two("C8", "10u 16V", "radial electrolytic 2.54", (68, 56), "SOUND_MIX", "VOLUME_TOP")
    d.put("VR1", "10k potentiometer", "in line 3 x 5.08", (72, 66), "1=GND 2=VOLUME_WIPER 3=VOLUME_TOP")
    d.put(
        "U28",
        "LM386N",
        "DIP-8",
        (70, 62),
        "IN-,GND=GND IN+=VOLUME_WIPER OUT=SPEAKER_AC VS=+12V BYPASS=BYPASS",
    )
    d.two("C9", "10u 16V", "radial electrolytic 2.54", (75, 62), "BYPASS", "GND")
    d.two("C10", "220u 16V", "radial electrolytic 5.08", (75, 59), "SPEAKER_AC", "SPEAKER")
    d.put("SP1", "speaker 8R", "in line 2 x 5.08", (90, 12), "1=SPEAKER 2=GND")
    d.put("J4", "joystick header", "pin header 6 x 2.54", (30, 4), "1..4=JOY0..JOY3 5=+5V 6=GND")
    d.put(
        "U26", "SN74LS273N", "DIP-20", (62, 50),
        "CLR#=/RESET CLK=OUTPUT_STROBE 1D..8D=D0..D7 1Q..8Q=KCOL0..KCOL7 GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U27", "SN74LS244N", "DIP-20", (68, 50),
        "1G#,2G#=/INPUT_ENABLE 1A1..1A4=KROW0..KROW3 2A1..2A4=KROW4..KROW7 1Y1..1Y4=D0..D3 2Y1..2Y4=D4..D7 "
        "GND=GND VCC=+5V",
    )  # fmt: skip
    d.put("RN2", "8x10k SIL", "SIL-9 2.54", (4, 10), "1=+5V 2..9=KROW0..KROW7")
    d.put(
        "J3", "keyboard 20-way header", "pin header 20 x 2.54", (4, 4),
        "1..8=KCOL0..KCOL7 9..16=KROW0..KROW7 17,18=GND 19=+5V 20=GND",
    )  # fmt: skip


def main() -> None:
    """Write all boards."""
    FOLDER.mkdir(exist_ok=True)
    for name, board in (("tern16", tern16()), ("petrel80", petrel80())):
        write_text(FOLDER / f"{name}.ipc", write_ipc356(board))
        write_text(FOLDER / f"{name}-parts.csv", parts_csv(board))
        print(f"{board.name}: {len(board.parts)} parts, {len(board.nets)} nets, {len(board.pads)} pads")


if __name__ == "__main__":
    main()
