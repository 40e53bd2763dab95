"""The fault dictionary against ngspice: 300 parts, 400 nets, 5,000 faults, all nets to ground.

    python benchmarks/dictionary.py

Ours: one inverse for the state, then every reading of every fault from rank-one edits. The reference is
one ngspice process that holds the same network and, for each operating point, alters one element (a fault)
and solves again: one reading of one fault. Where ngspice is missing, only our own figures are printed.
"""

from __future__ import annotations

import os
import platform
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from benchwright.board import Board
from benchwright.circuit import Edit, Network
from benchwright.circuit.network import GROUND, EditTable, Frame, Prepared, Probe
from benchwright.circuit.spice_write import printed, write_spice
from random_boards import random_board, random_edit

CHIPS, PASSIVES, NETS, FAULTS = 60, 240, 400, 5000
RUNS = 7
POINTS = 2000
"""Operating points that ngspice is timed over."""


def processor() -> str:
    """The processor by name."""
    try:
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    except OSError:
        pass
    return platform.processor() or "unknown processor"


def make_faults(board: Board, frame: Frame) -> list[Edit]:
    """Random faults of every kind."""
    rng = random.Random(1)
    elements = tuple((element.a, element.b, element.part) for element in frame.elements)
    return [random_edit(board, rng, elements) for _ in range(FAULTS)]


def our_times(frame: Frame, faults: list[Edit]) -> tuple[float, float]:
    """Seconds for a dictionary with its state ready, and with everything."""
    ready, whole = [], []
    for _ in range(RUNS):
        start = time.perf_counter()
        table = EditTable(frame, faults)
        network = Network(frame)
        network.inverse  # noqa: B018 - the state is ready once this is there
        middle = time.perf_counter()
        Prepared(network, table).all_to_ground()
        end = time.perf_counter()
        ready.append(end - middle)
        whole.append(end - start)
    return min(ready), min(whole)


def ngspice_seconds(ngspice: str, board: Board, frame: Frame) -> float:
    """Seconds for one operating point, altered and solved in a running process."""
    node = 1
    netlist = write_spice(board, (), None, (Probe(node), Probe(GROUND)), frame=frame)
    resistors = re.findall(r"^(R\d+) \S+ \S+ (\S+)", netlist, re.MULTILINE)
    rng = random.Random(2)

    def run(points: int) -> tuple[float, str]:
        with tempfile.TemporaryDirectory() as folder:
            deck = Path(folder) / "board.cir"
            deck.write_text(netlist, encoding="utf-8")
            lines = ["* operating points", ".control", "set numdgt=12", f"source {deck.as_posix()}", "op"]
            for _ in range(points):
                # The open of one element, the operating point, and the element as it was.
                name, ohms = rng.choice(resistors)
                lines += [f"alter {name} = 1e15", "op", f"alter {name} = {ohms}", "destroy all"]
            lines += ["op", f"print {printed(netlist)}", "quit 0", ".endc", ".end"]
            script = Path(folder) / "all.cir"
            script.write_text("\n".join(lines) + "\n", encoding="utf-8")
            start = time.perf_counter()
            done = subprocess.run([ngspice, "-b", str(script)], capture_output=True, text=True, check=True)
            return time.perf_counter() - start, done.stdout

    # The difference of a long and a short run leaves out start-up and reading the netlist.
    short, _ = run(10)
    long, text = run(10 + POINTS)
    match = re.search(r"^-?v\(.*= (\S+)\s*$", text, re.MULTILINE)
    reading = float(match[1]) if match else float("nan")
    ours = Network(frame).resistance(node, GROUND)
    if not np.isclose(reading, ours, rtol=1e-6):
        raise SystemExit(f"ngspice reads {reading} ohm where we read {ours}: not the same work")
    return (long - short) / POINTS


def main() -> None:
    """Measure and print."""
    board = random_board(8, chips=CHIPS, nets=NETS + 5, passives=PASSIVES - 1)
    frame = Frame(board)
    faults = make_faults(board, frame)
    ready, whole = our_times(frame, faults)
    count = len(faults) * (len(board.nets) - 1)
    print(
        f"{platform.system()} {platform.machine()}, {processor()}, {os.cpu_count()} cores, "
        f"Python {platform.python_version()}, numpy {np.__version__}"
    )
    print(
        f"{len(board.parts)} parts, {len(board.nets)} nets, {frame.node_count} nodes, "
        f"{len(frame.elements)} elements, {len(faults)} faults, {count:,} readings"
    )
    print()
    row = "{:<46}{:>9.3f} s{:>10.1f} ns a reading"
    print(row.format("dictionary, state ready", ready, ready / count * 1e9))
    print(row.format("dictionary, faults and state prepared as well", whole, whole / count * 1e9))
    ngspice = shutil.which("ngspice")
    if ngspice is None:
        print("ngspice is not installed (apt-get install ngspice): nothing to compare with")
        return
    seconds = ngspice_seconds(ngspice, board, frame)
    print(f"{'ngspice, one altered operating point':<46}{seconds * 1e3:>9.3f} ms")
    print(f"{'ratio for each reading, state ready':<46}{seconds * count / ready:>9,.0f} x")
    print(f"{'ratio for each reading, all included':<46}{seconds * count / whole:>9,.0f} x")


if __name__ == "__main__":
    main()
