"""What was read, kept as plain files: one binary file a block, and an index that tells about them."""

from __future__ import annotations

import hashlib
import itertools
import json
import math
import os
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ..errors import BadFile, BenchwrightError
from ..textfile import read_text
from .blocks import Block
from .decode import Tape
from .encoding import Encoding, encoding_text, parse_encoding
from .recording import Recording

INDEX = "index.json"
FORMAT, VERSION = "benchwright tape index", 1
DOUBTFUL = 0.95
"""A byte below this confidence is named as doubtful."""
_LEAST_DOUBT = 1e-6


class AlreadyThere(BenchwrightError, FileExistsError):
    """Something stands where a file or folder would be written."""


def ranges(flags: npt.ArrayLike) -> list[tuple[int, int]]:
    """Runs of true values.

    Parameters
    ----------
    flags : array_like of bool, shape (n,)

    Returns
    -------
    list of (int, int)
        First and last place of each run; both belong to it.
    """
    held = np.concatenate(([False], np.asarray(flags, bool), [False])).astype(np.int8)
    turns = np.diff(held)
    firsts, afters = np.flatnonzero(turns == 1), np.flatnonzero(turns == -1)
    return [(int(a), int(b) - 1) for a, b in zip(firsts, afters, strict=True)]


def doubtful_ranges(block: Block) -> list[tuple[int, int]]:
    """Bytes of a block whose confidence is below `DOUBTFUL`."""
    return ranges(np.asarray(block.confidence) < DOUBTFUL)


def confidence_ranges(confidence: npt.ArrayLike) -> list[tuple[int, int, float]]:
    """Confidence byte by byte as runs of at least so much.

    The chance of an error is rounded up to 1, 2 or 5 times a power of ten, so that no byte is made to look
    better than it is; below one in a million it counts as that.

    Parameters
    ----------
    confidence : array_like, shape (n,)
        From 0 to 1.

    Returns
    -------
    list of (int, int, float)
        First and last byte, and the confidence that each of them has at least.
    """
    doubt = np.clip(1.0 - np.asarray(confidence, float), _LEAST_DOUBT, 1.0)
    steps = sorted({min(1.0, k * 10.0**-e) for e in range(7) for k in (1, 2, 5)})
    # A doubt that stands on a step, but for rounding, belongs to it.
    step = np.searchsorted(steps, doubt * (1 - 1e-9))
    edges = [0, *(np.flatnonzero(np.diff(step)) + 1).tolist(), len(step)]
    return [
        (first, after - 1, round(1.0 - steps[int(step[first])], 9))
        for first, after in itertools.pairwise(edges)
        if after > first
    ]


def file_names(count: int) -> list[str]:
    """Names of the files of so many blocks."""
    digits = max(3, len(str(count)))
    return [f"block-{number:0{digits}}.bin" for number in range(1, count + 1)]


def index_of(tape: Tape, recordings: Sequence[Recording], channel: int | str = "mean") -> dict[str, Any]:
    """The index of what was read; every value is one that JSON has.

    Parameters
    ----------
    tape : Tape
    recordings : sequence of Recording
        It was read from these.
    channel : int or str
        ``"mean"``, or a channel counted from 0.

    Returns
    -------
    dict
        See docs/tape.md for the schema.
    """
    rows = []
    for name, block in zip(file_names(len(tape.blocks)), tape.blocks, strict=True):
        rows.append(
            {
                "file": name,
                "bytes": len(block.data),
                "sha256": hashlib.sha256(block.data).hexdigest(),
                "start": round(block.start, 6),
                "end": round(block.end, 6),
                "good": bool(block.good),
                "check": block.check,
                "chance": _down(block.chance),
                "confidence": [list(row) for row in confidence_ranges(block.confidence)],
                "doubtful": [list(row) for row in doubtful_ranges(block)],
                "repaired": list(block.repaired),
                "speed": round(block.speed, 6),
            }
        )
    encoding = tape.encoding
    return {
        "format": FORMAT,
        "version": VERSION,
        "recordings": [
            {
                "path": take.path, "format": take.format, "rate": take.rate, "channels": take.channels,
                "seconds": round(take.duration, 6), "sha256": _hash_of(take),
            }
            for take in recordings
        ],
        "channel": channel + 1 if isinstance(channel, int) else channel,
        "encoding": {"name": encoding.name, "title": encoding.title, "toml": encoding_text(encoding)},
        "speed": round(float(np.mean(tape.speed)), 6) if len(tape.speed) else None,
        "polarity": {1: "upright", -1: "upside down"}.get(tape.polarity),
        "asymmetry": round(tape.asymmetry, 6) if math.isfinite(tape.asymmetry) else None,
        "warnings": list(tape.warnings),
        "blocks": rows,
    }  # fmt: skip


def _down(chance: float) -> float:
    """Six decimals, never more than it was."""
    return math.floor(chance * 1e6) / 1e6


def _hash_of(take: Recording) -> str | None:
    path = Path(take.path)
    if take.format == "array" or not path.is_file():
        return None
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def check_folder(folder: Path, replace: bool) -> None:
    """Refuse a folder that may not be written, before long work is done for it.

    Raises
    ------
    AlreadyThere
        It is there and may not be replaced, or holds files that no index names.
    OSError
        The folder around it does not exist.
    """
    if not folder.resolve().parent.is_dir():
        raise FileNotFoundError(2, "No such folder", str(folder.resolve().parent))
    if not folder.exists():
        return
    if not folder.is_dir():
        raise AlreadyThere(f"{folder}: this is a file, expected a folder that is new or empty")
    held = {path.name for path in folder.iterdir()}
    if not held:
        return
    if not replace:
        raise AlreadyThere(f"{folder}: already there: choose another folder, or --replace what is in it")
    others = sorted(held - _named(folder))
    if others:
        raise AlreadyThere(
            f"{folder}: holds {others[0]}, which was not written with an index and would be lost: "
            "choose another folder"
        )


def _named(folder: Path) -> set[str]:
    """Files that the index of a folder names, and the index itself."""
    path = folder / INDEX
    if not path.is_file():
        return set()
    index = _read_index(path)
    return {INDEX, *(str(row["file"]) for row in index["blocks"])}


def write_folder(folder: Path, tape: Tape, index: dict[str, Any], *, replace: bool = False) -> None:
    """Write blocks and index, whole or not at all.

    Raises
    ------
    AlreadyThere
        The folder is there and may not be replaced.
    OSError
        It cannot be written.
    """
    check_folder(folder, replace)
    folder = folder.resolve()
    made = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name[:100]}."))
    try:
        for row, block in zip(index["blocks"], tape.blocks, strict=True):
            _write(made / row["file"], block.data)
        _write(made / INDEX, (json.dumps(index, indent=2) + "\n").encode())
        mask = os.umask(0)
        os.umask(mask)
        made.chmod(0o777 & ~mask)
        if folder.exists():
            # A folder cannot take the place of another in one step: the old one goes aside first.
            aside = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name[:100]}.old."))
            folder.rename(aside / "old")
            try:
                made.rename(folder)
            except BaseException:
                (aside / "old").rename(folder)
                aside.rmdir()
                raise
            shutil.rmtree(aside)
        else:
            made.rename(folder)
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _write(path: Path, data: bytes) -> None:
    with path.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


@dataclass(frozen=True)
class KeptBlock:
    """A block as it was kept.

    Attributes
    ----------
    path : str
    data : bytes
    good : bool or None
        As the index says; None for a file without one.
    """

    path: str
    data: bytes
    good: bool | None = None


def read_folder(folder: Path) -> tuple[list[KeptBlock], Encoding]:
    """Blocks and encoding of a folder that `write_folder` wrote.

    Raises
    ------
    BadFile
        There is no index, it cannot be used, or a file is not the one it tells about.
    OSError
        A file cannot be opened.
    """
    path = folder / INDEX
    if not path.is_file():
        raise BadFile(str(folder), f"no {INDEX} in this folder: name the binary files one by one")
    index = _read_index(path)
    blocks = []
    for number, row in enumerate(index["blocks"], start=1):
        name = row["file"]
        if Path(name).name != name:
            raise BadFile(str(path), f"{name!r}: expected a file in this folder", field=f"block {number}")
        data = (folder / name).read_bytes()
        if hashlib.sha256(data).hexdigest() != row.get("sha256"):
            raise BadFile(
                str(folder / name),
                f"not the bytes that {INDEX} tells about (their SHA-256 differs); if they were changed on "
                "purpose, name the binary files one by one and give --encoding",
            )
        blocks.append(KeptBlock(str(folder / name), data, row.get("good") is True))
    return blocks, parse_encoding(index["encoding"]["toml"], f"{path}, encoding")


def _read_index(path: Path) -> dict[str, Any]:
    try:
        index: Any = json.loads(read_text(path))
    except (ValueError, RecursionError) as problem:
        if isinstance(problem, BadFile):
            raise
        raise BadFile(
            str(path), f"this is not JSON: {problem}", line=getattr(problem, "lineno", None)
        ) from None
    sound = (
        isinstance(index, dict)
        and index.get("format") == FORMAT
        and isinstance(index.get("blocks"), list)
        and all(isinstance(row, dict) and isinstance(row.get("file"), str) for row in index["blocks"])
        and isinstance(index.get("encoding"), dict)
        and isinstance(index["encoding"].get("toml"), str)
    )
    if not sound:
        raise BadFile(str(path), f"expected an index of blocks: format {FORMAT!r}, encoding, blocks")
    if index.get("version") != VERSION:
        raise BadFile(str(path), f"version {index.get('version')!r}: expected {VERSION}", field="version")
    found: dict[str, Any] = index
    return found
