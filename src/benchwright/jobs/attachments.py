"""Photos, recordings and ROM images, stored once by the SHA-256 of what they hold."""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from sqlalchemy import Connection, insert, select

from . import schema
from .errors import BenchError

PIECE = 1 << 20


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
        """Store a file for good; hash and size."""
        self.folder.mkdir(parents=True, exist_ok=True)
        digest, size = hashlib.sha256(), 0
        handle, name = tempfile.mkstemp(prefix="coming-", dir=self.folder)
        try:
            with os.fdopen(handle, "wb") as out:
                while piece := source.read(PIECE):
                    digest.update(piece)
                    size += len(piece)
                    out.write(piece)
                out.flush()
                os.fsync(out.fileno())
            target = self.path_of(digest.hexdigest())
            target.parent.mkdir(exist_ok=True)
            Path(name).replace(target)
            _sync_folder(target.parent)
            _sync_folder(self.folder)
        except BaseException:
            with contextlib.suppress(OSError):
                Path(name).unlink()
            raise
        _note(connection, digest.hexdigest(), size, None)
        return digest.hexdigest(), size

    def get(self, connection: Connection, sha256: str) -> bytes:
        """What was stored.

        Raises
        ------
        BenchError
            It is not there.
        """
        path = self.path_of(sha256)
        try:
            return path.read_bytes()
        except FileNotFoundError:
            raise BenchError(
                f"{path}: an attachment is missing; `benchwright bench verify` lists all"
            ) from None

    def stored(self, connection: Connection) -> Iterator[str]:
        """Hashes of all that is stored."""
        for path in sorted(self.folder.glob("??/*")):
            if len(path.name) == 64:
                yield path.name


class TableAttachments:
    """Kept in the database itself, where several benches share a server."""

    def put(self, connection: Connection, source: BinaryIO) -> tuple[str, int]:
        """Store a file for good; hash and size."""
        data = source.read()
        sha256 = hashlib.sha256(data).hexdigest()
        _note(connection, sha256, len(data), data)
        return sha256, len(data)

    def get(self, connection: Connection, sha256: str) -> bytes:
        """What was stored.

        Raises
        ------
        BenchError
            It is not there.
        """
        row = connection.execute(
            select(schema.attachment.c.data).where(schema.attachment.c.sha256 == sha256)
        ).first()
        if row is None or row[0] is None:
            raise BenchError(f"attachment {sha256[:12]} is missing; `benchwright bench verify` lists all")
        return bytes(row[0])

    def stored(self, connection: Connection) -> Iterator[str]:
        """Hashes of all that is stored."""
        yield from connection.execute(select(schema.attachment.c.sha256)).scalars()


Attachments = FolderAttachments | TableAttachments


def _note(connection: Connection, sha256: str, size: int, data: bytes | None) -> None:
    table = schema.attachment
    if connection.execute(select(table.c.size).where(table.c.sha256 == sha256)).first() is None:
        connection.execute(insert(table).values(sha256=sha256, size=size, data=data))


def _sync_folder(folder: Path) -> None:
    """Make a rename last through a power cut; not every system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
