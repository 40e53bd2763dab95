"""Opening a board from whatever file holds it."""

from __future__ import annotations

from pathlib import Path

from ..errors import BadFile
from .model import Board

_IPC = (".ipc", ".356", ".d356", ".net356", ".tst")
_SPICE = (".cir", ".sp", ".spice", ".spi", ".ckt")


def kind_of_file(path: Path, head: bytes) -> str:
    """Guess the format of a board by its name and first bytes."""
    suffix = path.suffix.lower()
    if suffix == ".toml":
        return "board"
    if suffix in _SPICE:
        return "spice"
    if suffix == ".csv":
        return "nets"
    if suffix in _IPC:
        return "ipc356"
    text = head.decode("latin-1")
    if any(line[:3] in ("317", "327") for line in text.splitlines()):
        return "ipc356"
    if "[board]" in text or "[nets]" in text:
        return "board"
    if text.lower().startswith(("net,", "ref,", "net;")):
        return "nets"
    raise BadFile(
        str(path), "cannot tell what this file is: expected a board file (.toml), IPC-D-356, SPICE netlist "
        "or net table; say which with --format",
    )  # fmt: skip


def open_board(
    path: Path, parts: Path | None = None, overlay: Path | None = None, kind: str = "auto"
) -> Board:
    """Read a board; parts list and overlay of the same name beside it are used if none are given."""
    if kind == "auto":
        with path.open("rb") as file:
            kind = kind_of_file(path, file.read(4096))
    if kind == "board":
        return Board.load(path)
    if parts is None and (beside := path.with_name(f"{path.stem}-parts.csv")).exists():
        parts = beside
    if overlay is None and (beside := path.with_name(f"{path.stem}-overlay.toml")).exists():
        overlay = beside
    if kind == "spice":
        return Board.from_spice(path, parts, overlay)
    if kind == "nets":
        return Board.from_net_table(path, parts, overlay)
    return Board.from_ipc356(path, parts, overlay)
