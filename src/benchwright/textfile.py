"""Reading text files as people have them: any usual encoding, with one clear error for the rest."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from .errors import BadFile

MOST_BYTES = 200_000_000


def read_text(path: Path) -> str:
    """Read a text file as UTF-8 (with or without a mark), UTF-16 with a mark, or Latin-1.

    Raises
    ------
    BadFile
        It is not text, or is larger than any file of its kind should be.
    OSError
        It cannot be opened.
    """
    if path.stat().st_size > MOST_BYTES:
        raise BadFile(
            str(path), f"the file is larger than {MOST_BYTES // 1_000_000} MB: expected a text file"
        )
    data = path.read_bytes()
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        try:
            return data.decode("utf-16")
        except UnicodeDecodeError:
            raise BadFile(str(path), "the file starts like UTF-16 text but is not") from None
    if b"\0" in data:
        raise BadFile(str(path), "this is not a text file (it has zero bytes)")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def write_text(path: Path, text: str) -> None:
    """Write a text file whole or not at all: a pulled plug leaves the old one.

    Raises
    ------
    OSError
        It cannot be written there; the error names `path`.
    """
    path = path.resolve()  # a link stays a link
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:100]}.")
    except OSError as problem:
        raise type(problem)(problem.errno, problem.strerror, str(path)) from None
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(_mode(path))
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _mode(path: Path) -> int:
    """Permissions of the old file, or those of any new one: a temporary file is its owner's only."""
    if path.exists():
        return path.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
