"""Outside check: the exported network in ngspice against our predictions.

ngspice (a general-purpose circuit simulator) solves the whole network of each board state anew with its own
sparse LU and Newton; ours comes from one inverse per state and rank-one edits.
"""

from __future__ import annotations

import math
import random
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from benchwright.board import Board
from benchwright.circuit import Edit, Meter, Network
from benchwright.circuit.junctions import JunctionNetwork
from benchwright.circuit.network import Frame, Probe
from benchwright.circuit.spice_write import printed, write_spice
from benchwright.demo import fulmar65
from random_boards import random_board, random_edit, random_points, random_removed

Case = tuple[frozenset[str], Edit | None, Probe, Probe]
BOARDS = ("random 0", "random 1", "random 2", "random 3", "Fulmar 65")
LINEAR_DRAWS = 90
"""On each board: 450 in all."""
DIODE_DRAWS = 60
RELATIVE = 1.0e-6
HIGHEST_OHMS = 1.0e8


def run_all(ngspice: Path, netlists: list[str], folder: Path) -> list[float]:
    """The voltage between the probes of each netlist, all in one ngspice process."""
    script = ["* operating points", ".control", "set numdgt=15"]
    for number, netlist in enumerate(netlists):
        path = folder / f"case{number}.cir"
        path.write_text(netlist, encoding="utf-8")
        script += [f"source {path.as_posix()}", "op", f"echo case {number}", f"print {printed(netlist)}"]
        script += ["destroy all", "remcirc"]
    script += ["quit 0", ".endc", ".end"]
    master = folder / "all.cir"
    master.write_text("\n".join(script) + "\n", encoding="utf-8")
    done = subprocess.run(
        [str(ngspice), "-b", str(master)], capture_output=True, text=True, timeout=300, check=False
    )
    found: dict[int, float] = {}
    number = -1
    for line in done.stdout.splitlines():
        if match := re.match(r"case (\d+)", line):
            number = int(match[1])
        elif (match := re.search(r"= (\S+)\s*$", line)) and line.startswith(("v(", "-v(")):
            found[number] = float(match[1])
    missing = [number for number in range(len(netlists)) if number not in found]
    assert not missing, f"ngspice gave no answer for cases {missing[:5]}: {done.stderr[-2000:]}"
    return [found[number] for number in range(len(netlists))]


def board_named(name: str) -> Board:
    if name == "Fulmar 65":
        return fulmar65.board()
    seed = int(name.split()[1])
    return random_board(seed, chips=6 + seed, nets=25 + 15 * seed)


def draws(board: Board, frame: Frame, count: int, seed: int) -> list[Case]:
    rng = random.Random(seed)
    pairs = tuple((element.a, element.b, element.part) for element in frame.elements)
    found: list[Case] = []
    while len(found) < count:
        removed = random_removed(board, rng)
        edit = random_edit(board, rng, pairs) if rng.random() < 0.9 else None
        a, b = random_points(board, rng, edit)
        i, j = frame.probe(*a), frame.probe(*b)
        if (i.node, i.pin) != (j.node, j.pin):
            found.append((removed, edit, i, j))
    return found


@pytest.mark.parametrize("name", BOARDS)
def test_resistances_agree_with_ngspice(name: str, tool: Callable[[str], Path], tmp_path: Path) -> None:
    """Resistance under random faults and states agrees with ngspice to 1e-6."""
    ngspice = tool("ngspice")
    board = board_named(name)
    frame = Frame(board)
    cases = draws(board, frame, LINEAR_DRAWS, BOARDS.index(name))
    netlists = [write_spice(board, removed, edit, (i, j), frame=frame) for removed, edit, i, j in cases]
    below = 0
    for case, theirs in zip(cases, run_all(ngspice, netlists, tmp_path), strict=True):
        removed, edit, i, j = case
        own = float(Network(frame, removed).prepare([edit or Edit()]).resistances(i, j)[0])
        if theirs < HIGHEST_OHMS:
            below += 1
            assert own == pytest.approx(theirs, rel=RELATIVE, abs=1e-9), case
        else:
            assert own > HIGHEST_OHMS * 0.999, case
    assert below >= LINEAR_DRAWS * 0.75, "too few draws lie in the range of a meter"


@pytest.mark.parametrize("name", BOARDS)
def test_diode_readings_agree_with_ngspice(name: str, tool: Callable[[str], Path], tmp_path: Path) -> None:
    """The diode test under random faults and states agrees with ngspice to 1 mV, OL included."""
    ngspice = tool("ngspice")
    meter = Meter()
    board = board_named(name)
    frame = Frame(board)
    cases = [
        (removed, edit, *((i, j) if number % 2 else (j, i)))
        for number, (removed, edit, i, j) in enumerate(
            draws(board, frame, DIODE_DRAWS, 100 + BOARDS.index(name))
        )
    ]
    netlists = [
        write_spice(board, removed, edit, (red, black), with_junctions=True, frame=frame)
        for removed, edit, red, black in cases
    ]
    shown = 0
    for case, theirs in zip(cases, run_all(ngspice, netlists, tmp_path), strict=True):
        removed, edit, red, black = case
        own = JunctionNetwork(frame, removed).diode(red, black, meter, edit)
        if theirs > meter.test_volts + 1e-3:
            assert math.isinf(own), f"ngspice gives {theirs} V; {case}"
        elif theirs < meter.test_volts - 1e-3:
            shown += 1
            assert own == pytest.approx(theirs, abs=1e-3), case
    assert shown >= DIODE_DRAWS // 2, "too few draws show a voltage"
