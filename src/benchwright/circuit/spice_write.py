"""A board state as a SPICE netlist: the exact network that the predictions are made on."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from ..board import Board
from .elements import LEAK_SIEMENS
from .junctions import THERMAL_VOLTS, junctions
from .laid_out import lay_out
from .meter import Meter
from .network import Edit, Frame, Probe

KELVIN_PER_VOLT = 1.602176634e-19 / 1.380649e-23
"""Elementary charge over Boltzmann constant (SI 2019)."""


def write_spice(
    board: Board,
    removed: Iterable[str] = (),
    edit: Edit | None = None,
    probes: tuple[Probe, Probe] | None = None,
    with_junctions: bool = False,
    *,
    amps: float | None = None,
    frame: Frame | None = None,
) -> str:
    """Write the network of a board state so that a SPICE program can run it.

    Parameters
    ----------
    board : Board
    removed : iterable of str
        References of parts that are out.
    edit : Edit, optional
        A fault.
    probes : (Probe, Probe), optional
        A current source drives from the second into the first, and the voltage between them is
        printed: ohms, if the current is 1 A and there are no junctions. Without probes there is no
        source.
    with_junctions : bool
        Write the junctions too.
    amps : float, optional
        Source current; 1 A, or the meter's diode-test current with junctions.
    frame : Frame, optional
        The board's frame, to save building it again.

    Returns
    -------
    str
        A netlist for ``ngspice -b``. Node 0 is the board's ground. Every element, bare-board leak,
        bridge and broken joint is a line of its own; comments name the pins.
    """
    frame = frame or Frame(board)
    laid = lay_out(frame, removed, [edit] if edit is not None else [])
    nodes = {-1: "0", **dict(enumerate(_node_names(laid.names)))}
    out = [_line(f"* {board.name} {board.revision}".rstrip())]
    if laid.removed:
        out.append(_line(f"* without {', '.join(sorted(laid.removed))}"))
    out.extend(
        _line(f"* node {nodes[index]} = {name}")
        for index, name in enumerate(laid.names)
        if nodes[index] != name
    )
    for count, branch in enumerate(laid.branches, 1):
        out.append(_line(f"R{count} {nodes[branch.a]} {nodes[branch.b]} {branch.ohms!r} ; {branch.label}"))
    for count, (node, label) in enumerate(laid.leaks, 1):
        out.append(_line(f"Rleak{count} {nodes[node]} 0 {1.0 / LEAK_SIEMENS!r} ; bare board at {label}"))
    if with_junctions:
        models: dict[tuple[float, float], str] = {}
        count = 0
        for j in junctions(board):
            if j.part in laid.removed or (j.anode, j.cathode) in laid.dead:
                continue
            a, k = nodes[laid.node_of[j.anode]], nodes[laid.node_of[j.cathode]]
            if a == k:
                continue
            count += 1
            model = models.setdefault((j.saturation, j.ideality), f"DMOD{len(models) + 1}")
            if j.knee:
                out.append(f"V{count} {a} knee{count} {j.knee!r}")
                # The diode behind its knee draws IS backwards with no voltage across; ours does not.
                idle = j.saturation * -math.expm1(-j.knee / (j.ideality * THERMAL_VOLTS))
                out.append(f"Iknee{count} {a} {k} DC {idle!r}")
                a = f"knee{count}"
            out.append(_line(f"D{count} {a} {k} {model} ; {j.part}: {j.anode} to {j.cathode}"))
        out.extend(f".model {name} D(IS={sat!r} N={n!r})" for (sat, n), name in models.items())
        celsius = THERMAL_VOLTS * KELVIN_PER_VOLT - 273.15
        out.append(f".options temp={celsius!r} tnom={celsius!r} gmin=1e-16 itl1=2000")
        out.append(".options reltol=1e-9 abstol=1e-15 vntol=1e-9")
    if probes is not None:
        if amps is None:
            amps = Meter().test_amps if with_junctions else 1.0
        red, black = (nodes[laid.node(probe)] for probe in probes)
        if red == black:
            # A current source across one node is refused by some programs.
            out.append("Rprobe probe 0 1")
            out.append(f"Vprobe probe 0 0 ; both probes stand on {red}")
            red, black = "probe", "0"
        else:
            out.append(f"Iprobe {black} {red} DC {amps!r}")
        out.append(".op")
        at = [node for node in (red, black) if node != "0"]
        out.append(f".print op {'-'.join(f'v({node})' for node in at) if red != '0' else f'-v({black})'}")
    else:
        out.append(".op")
    out.append(".end")
    return "\n".join(out) + "\n"


def printed(netlist: str) -> str:
    """The expression for the voltage between the probes of a netlist from `write_spice`."""
    match = re.search(r"^\.print op (.+)$", netlist, re.MULTILINE)
    if match is None:
        raise ValueError("this netlist was written without probes")
    return match[1]


def _node_names(names: list[str]) -> list[str]:
    """Names that every SPICE program takes, each used once: letters, digits and underscores."""
    used = {"0", "gnd", "probe"}
    found = []
    for name in names:
        plain = (
            re.sub(r"[^A-Za-z0-9_]", "_", name.replace("+", "p").replace("-", "m").replace("#", "n")) or "n"
        )
        if not plain[0].isalpha():
            plain = f"n{plain}"
        if plain.lower() in ("v", "i", "all", "time", "temp") or plain.lower().startswith("knee"):
            plain = f"n_{plain}"
        plain = plain[:60]
        unique, count = plain, 2
        while unique.lower() in used:
            unique, count = f"{plain}_{count}", count + 1
        used.add(unique.lower())
        found.append(unique)
    return found


def _line(text: str) -> str:
    """One physical line whatever a name holds."""
    return " ".join(text.split())
