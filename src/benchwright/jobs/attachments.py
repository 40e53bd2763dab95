"""Photos, recordings and ROM images, stored once by the SHA-256 of what they hold."""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from sqlalchemy import Connection, insert, select

from . import schema
from .errors import BenchError

PIECE = 1 << 20
"""Bytes handled at a time, so that a recording of an hour needs no more memory than a photo."""
COMING = "coming-"
"""Begins the name of a file that is still being written."""


class FolderAttachments:
    """Files in a folder, each named by its hash: ``ab/ab12...``.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path_of(self, sha256: str) -> Path:
        """Where the file of that hash is, or would be.

        Raises
        ------
        BenchError
            It is no SHA-256.
        """
        if len(sha256) != 64 or not set(sha256) <= set("0123456789abcdef"):
            raise BenchError(f"{sha256!r} is no SHA-256: expected 64 hexadecimal digits")
        return self.folder / sha256[:2] / sha256

    def put(self, connection: Connection, source: BinaryIO) -> tuple[str, int]:
        """Store a file for good; hash and size. Only within a transaction that writes."""
        new = not self.folder.exists()
        self.folder.mkdir(parents=True, exist_ok=True)
        for path in self.left_over():  # nobody else writes now: a writer was stopped before its end
            path.unlink(missing_ok=True)
        digest, size = hashlib.sha256(), 0
        coming = self.folder / f"{COMING}{uuid.uuid4().hex}"
        try:
            with coming.open("xb") as out:
                while piece := source.read(PIECE):
                    digest.update(piece)
                    size += len(piece)
                    out.write(piece)
                out.flush()
                os.fsync(out.fileno())
            target = self.path_of(digest.hexdigest())
            target.parent.mkdir(exist_ok=True)
            coming.replace(target)
            sync_folder(target.parent)
            sync_folder(self.folder)
            if new:
                sync_folder(self.folder.parent)
        except BaseException:
            with contextlib.suppress(OSError):
                coming.unlink()
            raise
        _note(connection, digest.hexdigest(), size)
        return digest.hexdigest(), size

    def get(self, connection: Connection, sha256: str) -> bytes:
        """What was stored.

        Raises
        ------
        BenchError
            It is not there, or damaged.
        """
        return _whole(self.pieces(connection, sha256), sha256)

    def pieces(self, connection: Connection, sha256: str) -> Iterator[bytes]:
        """What was stored, bit by bit, unchecked.

        Raises
        ------
        BenchError
            It is not there.
        """
        path = self.path_of(sha256)
        try:
            with path.open("rb") as file:
                while piece := file.read(PIECE):
                    yield piece
        except FileNotFoundError:
            raise BenchError(
                f"{path}: an attachment is missing; `benchwright bench verify` lists all"
            ) from None

    def stored(self, connection: Connection) -> Iterator[str]:
        """Hashes of all that is stored."""
        for path in sorted(self.folder.glob("??/*")):
            if len(path.name) == 64:
                yield path.name

    def left_over(self) -> list[Path]:
        """Files of writers that were stopped before their end; no event speaks of them."""
        return sorted(self.folder.glob(f"{COMING}*"))


class TableAttachments:
    """Kept in the database itself, in pieces, where several benches share a server."""

    def put(self, connection: Connection, source: BinaryIO) -> tuple[str, int]:
        """Store a file for good; hash and size."""
        digest, size = hashlib.sha256(), 0
        with tempfile.TemporaryFile() as kept:  # the hash is known only at the end
            while piece := source.read(PIECE):
                digest.update(piece)
                size += len(piece)
                kept.write(piece)
            sha256 = digest.hexdigest()
            if _note(connection, sha256, size):
                kept.seek(0)
                number = 0
                while piece := kept.read(PIECE):
                    connection.execute(insert(schema.piece).values(sha256=sha256, number=number, data=piece))
                    number += 1
        return sha256, size

    def get(self, connection: Connection, sha256: str) -> bytes:
        """What was stored.

        Raises
        ------
        BenchError
            It is not there, or damaged.
        """
        return _whole(self.pieces(connection, sha256), sha256)

    def pieces(self, connection: Connection, sha256: str) -> Iterator[bytes]:
        """What was stored, bit by bit, unchecked.

        Raises
        ------
        BenchError
            It is not there.
        """
        if not _noted(connection, sha256):
            raise BenchError(f"attachment {sha256[:12]} is missing; `benchwright bench verify` lists all")
        table, number = schema.piece, 0
        while True:
            row = connection.execute(
                select(table.c.data).where(table.c.sha256 == sha256, table.c.number == number)
            ).first()
            if row is None:
                return
            yield bytes(row[0])
            number += 1

    def stored(self, connection: Connection) -> Iterator[str]:
        """Hashes of all that is stored."""
        table = schema.attachment
        yield from connection.execute(select(table.c.sha256).order_by(table.c.sha256)).scalars()

    def left_over(self) -> list[Path]:
        """Nothing: what is in a database is there as a whole or not at all."""
        return []


Attachments = FolderAttachments | TableAttachments


def _whole(pieces: Iterator[bytes], sha256: str) -> bytes:
    data = b"".join(pieces)
    if hashlib.sha256(data).hexdigest() != sha256:
        raise BenchError(
            f"attachment {sha256[:12]} is damaged: it is no longer what was stored; "
            "`benchwright bench restore` brings back a backup"
        )
    return data


def _noted(connection: Connection, sha256: str) -> bool:
    table = schema.attachment
    return connection.execute(select(table.c.size).where(table.c.sha256 == sha256)).first() is not None


def _note(connection: Connection, sha256: str, size: int) -> bool:
    """Write down that it is stored; whether that is new."""
    if _noted(connection, sha256):
        return False
    connection.execute(insert(schema.attachment).values(sha256=sha256, size=size))
    return True


def sync_folder(folder: Path) -> None:
    """Make a rename last through a power cut; not every system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
