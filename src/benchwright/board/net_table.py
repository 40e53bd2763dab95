"""Net tables: one row for each pin, with the net it is on."""

from __future__ import annotations

import csv
import io
import re

from ..errors import BadFile
from .csv_table import read_table
from .model import Board, Pin
from .netlist_data import NetBuilder, NetlistData, Tally
from .report import ImportReport

_SAME = {
    "net": "net nets netname nets signal signalname node",
    "ref": "ref refs reference refdes designator part component partreference",
    "pin": "pin pins pinnumber pinno pinname pad padnumber terminal number",
    "point": "point points partpin refpin pinref connection connections nodes members",
}
_NAMES = {word: name for name, words in _SAME.items() for word in words.split()}
_POINT = re.compile(r"(.+?)[.\-:/](.+)")
_NONE = frozenset(("", "n/c", "nc", "n.c.", "-"))


def read_net_table(text: str, file: str, report: ImportReport) -> NetlistData:
    """Read a table with the columns net, ref, pin; or net, point with points such as ``U3.14``.

    A cell of points may hold several, with blanks, commas or semicolons between. A row without a net
    (or with ``N/C``) names an unconnected pin.

    Parameters
    ----------
    text : str
        The whole file.
    file : str
        For messages.
    report : ImportReport

    Returns
    -------
    NetlistData
        Without geometry.

    Raises
    ------
    BadFile
        It is no text, lacks the columns, or no row is usable.
    """
    tally = Tally(report, file)
    table = read_table(
        text,
        file,
        tally,
        names=_NAMES,
        weak={"name": "net"},
        needed=(("net", "ref", "pin"), ("net", "point")),
        usual=("net", "ref", "pin"),
        first_cell=r"(?!\d+$)\S.{0,200}",
    )
    nets = NetBuilder(tally)
    odd: set[str] = set()
    for line, cells, extra in table.rows:
        name = cells.get("net", "")
        net = None if name.lower() in _NONE else name
        odd.update(extra)
        if "point" in table.columns:
            words = re.split(r"[,;\s]+", cells.get("point", ""))
            points = [_POINT.fullmatch(word) for word in words if word]
            pins = [Pin(point[1], point[2]) for point in points if point]
            if len(pins) < len(points) or not points:
                tally.add("refused", "no point such as U3.14 here: what is no point is left out", line)
        else:
            pin = Pin(cells.get("ref", ""), cells.get("pin", ""))
            pins = [pin] if all(pin) else []
            if not pins:
                tally.add("refused", "row without a reference or a pin: left out", line)
        for pin in pins:
            nets.put(pin, net, line)
    if odd:
        tally.add("noted", f"columns that mean nothing here: {', '.join(sorted(odd)[:20])}", 1)
    tally.tell()
    if not nets.nets and not nets.loose:
        raise BadFile(file, "no row names a pin: expected rows of net, ref, pin such as +5V,U3,14")
    return NetlistData(nets=nets.made(), unconnected=tuple(nets.loose))


def write_net_table(board: Board) -> str:
    """Write every pin with its net as a table that `read_net_table` reads back.

    Parameters
    ----------
    board : Board

    Returns
    -------
    str
        CSV with the columns net, ref, pin; pins with a pad but no net have an empty net.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("net", "ref", "pin"))
    for net, pins in board.nets.items():
        writer.writerows((net, pin.ref, pin.number) for pin in pins)
    loose = dict.fromkeys(
        pad.pin for pad in board.pads if pad.pin is not None and pad.pin not in board.net_of
    )
    writer.writerows(("", pin.ref, pin.number) for pin in loose)
    return out.getvalue()
