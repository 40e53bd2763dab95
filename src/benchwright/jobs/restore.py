"""A backup is looked through, and brought back to a folder or a server."""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO, cast

from sqlalchemy import Connection, delete, func, insert, select

from ..errors import BadFile
from . import schema
from .attachments import FolderAttachments
from .backup import (
    FORMAT,
    ROWS,
    Progress,
    backups_folder,
    dated_name,
    pieces_of,
    put_all_words,
    telling_of_writing,
    write_backup,
)
from .bench import Bench, open_bench, rederive
from .errors import BenchError, DamagedBench
from .opening import FILE, Place, default_folder, newest_revision, open_place
from .verify import Verdict, verify
from .words import drop_all_words

_NAME = re.compile(r"attachments/([0-9a-f]{2})/(\1[0-9a-f]{62})")


@dataclass(frozen=True)
class Restored:
    """What a bench holds after a backup was brought back.

    Attributes
    ----------
    name : str
        The bench.
    jobs, events, attachments : int
    aside : Path or None
        Where the records are that were there before.
    verdict : Verdict
        What was found afterwards.
    """

    name: str
    jobs: int
    events: int
    attachments: int
    aside: Path | None
    verdict: Verdict


# -- reading -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Open:
    """A backup that was looked through: every file in it is what it was."""

    path: Path
    archive: zipfile.ZipFile
    complete: bool
    bench: Bench

    def attachment(self, sha256: str) -> BinaryIO:
        return cast(BinaryIO, self.archive.open(f"attachments/{sha256[:2]}/{sha256}"))


def check_backup(path: Path, progress: Progress | None = None) -> Verdict:
    """Verify a backup as one verifies a bench.

    Raises
    ------
    BadFile
        It is no backup, or not what was written.
    BenchError
        It is of a newer Benchwright.
    """
    with _opened(path, progress or (lambda share: None)) as backup:
        return _verified(backup)


def _verified(backup: _Open) -> Verdict:
    verdict = verify(backup.bench, "none")
    if backup.complete:
        there = {name.rpartition("/")[2] for name in backup.archive.namelist() if _NAME.fullmatch(name)}
        with backup.bench.place.reading() as connection:
            wanted = set(connection.execute(select(schema.attachment.c.sha256)).scalars())
        for sha256 in sorted(wanted - there):
            verdict.wrong(f"attachment {sha256[:12]} is not in the backup")
    return verdict


@contextlib.contextmanager
def _opened(path: Path, tell: Progress) -> Iterator[_Open]:
    with tempfile.TemporaryDirectory(prefix="benchwright-") as scratch, contextlib.ExitStack() as stack:
        try:
            archive = stack.enter_context(zipfile.ZipFile(path))
            manifest = _read_manifest(path, archive)
            done, size = 0, max(1, sum(info.file_size for info in archive.infolist()))
            for name, wanted in manifest["files"].items():
                target = Path(scratch) / FILE if name == FILE else None
                if _read_out(archive, name, target) != (wanted["sha256"], wanted["size"]):
                    raise BadFile(str(path), "is damaged: it is not what was written", field=name)
                done += wanted["size"]
                tell(0.5 * done / size)
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as problem:
            raise BadFile(str(path), f"is no backup, or damaged: {problem}") from None
        except OSError as problem:
            raise BadFile(str(path), (problem.strerror or str(problem)).lower()) from None
        bench = stack.enter_context(open_bench(scratch, create=False))
        if manifest["revision"] != newest_revision() or not manifest["complete"]:
            with bench.place.writing() as connection:
                rederive(bench, connection)
        yield _Open(path, archive, bool(manifest["complete"]), bench)


def _read_manifest(path: Path, archive: zipfile.ZipFile) -> dict[str, Any]:
    """The manifest; every file in the zip stands in it, and no other."""
    try:
        manifest: dict[str, Any] = json.loads(archive.read("manifest.json"))
        known = manifest["format"] == FORMAT
        files = {str(name): (str(f["sha256"]), int(f["size"])) for name, f in manifest["files"].items()}
        newer = known and int(manifest["version"]) > 1
        manifest["revision"], manifest["complete"]
    except (KeyError, TypeError, ValueError, AttributeError):
        known, files, newer = False, {}, False
    if not known:
        raise BadFile(str(path), "is no backup of a bench: expected one that `bench backup` made")
    if newer:
        raise BadFile(str(path), "was made by a newer Benchwright: update this one")
    names = archive.namelist()
    strange = [name for name in files if name != FILE and not _NAME.fullmatch(name)]
    if strange or FILE not in files or sorted(names) != sorted([*files, "manifest.json"]):
        raise BadFile(str(path), "holds other files than its manifest tells")
    for info in archive.infolist():
        if info.filename in files and info.file_size != files[info.filename][1]:
            raise BadFile(str(path), "is damaged: its size differs", field=info.filename)
    return manifest


def _read_out(archive: zipfile.ZipFile, name: str, target: Path | None) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    with contextlib.ExitStack() as stack:
        source = stack.enter_context(archive.open(name))
        out = stack.enter_context(target.open("xb")) if target is not None else None
        for piece in pieces_of(source):
            digest.update(piece)
            size += len(piece)
            if out is not None:
                out.write(piece)
    return digest.hexdigest(), size


# -- bringing back -------------------------------------------------------------------------------------------


def restore(
    path: Path, where: str | Path | None = None, *, replace: bool = False, progress: Progress | None = None
) -> Restored:
    """Bring a backup back, to a folder or a server, whichever it was made from.

    Nothing is written before the whole backup was verified. Records that are there are first kept aside as a
    backup of their own, in the same transaction; programs that have the bench open go on with what is
    brought back.

    Parameters
    ----------
    path : Path
    where : str or Path, optional
        As for `open_bench`.
    replace : bool
        Also where there are records.
    progress : callable, optional
        Called with the share done, from 0 to 1.

    Raises
    ------
    BadFile
        It is no backup, or damaged.
    BenchError
        There are records and `replace` is false; or it cannot be written.
    """
    tell = progress or (lambda share: None)
    with _opened(path, tell) as backup:
        verdict = _verified(backup)
        if not verdict.clean:
            raise BadFile(str(path), "cannot be brought back: " + "; ".join(verdict.problems[:5]))
        try:
            place, aside = open_place(where), None
            with contextlib.closing(place):
                aside = _fill(backup, place, replace, tell)
        except DamagedBench:
            if not replace:
                raise
            aside = _put_file_aside(where)
            place = open_place(where)
            with contextlib.closing(place):
                _fill(backup, place, replace, tell)
        with open_bench(where) as bench:
            found = verify(bench, "hashes", lambda share: tell(0.8 + 0.2 * share))
        return Restored(place.name, found.jobs, found.events, found.attachments, aside, found)


def _fill(backup: _Open, place: Place, replace: bool, tell: Progress) -> Path | None:
    """Put the backup's records in place of others, which are kept aside; where."""
    with place.writing() as connection:
        aside = None
        if _has_records(connection):
            if not replace:
                raise BenchError(
                    f"{place.name}: there are records already; --replace puts the backup in their "
                    "place and keeps them aside"
                )
            aside = _kept_aside(place)
        _put_back(backup, place, connection, tell)
    return aside


def _put_file_aside(where: str | Path | None) -> Path:
    """Move away a file that can no longer be read; the attachments stay."""
    folder = Path(str(where or default_folder())).expanduser()
    if folder.is_file():
        folder = folder.parent
    aside = folder / f"damaged-{datetime.now(UTC):%Y-%m-%d-%H%M%S-%f}"
    with telling_of_writing(aside):
        aside.mkdir()
        for name in (FILE, f"{FILE}-wal", f"{FILE}-shm"):
            if (folder / name).exists():
                (folder / name).rename(aside / name)
    return aside


def _has_records(connection: Connection) -> bool:
    return bool(connection.execute(select(func.count()).select_from(schema.event)).scalar_one())


def _kept_aside(place: Place) -> Path:
    """The records as they are, in a backup that is not cleared away."""
    return write_backup(place, backups_folder(place) / dated_name("before-restore"), complete=True).path


def _put_back(backup: _Open, place: Place, connection: Connection, tell: Progress) -> None:
    drop_all_words(connection)
    for table in (schema.event, schema.piece, schema.attachment, schema.job):
        connection.execute(delete(table))
    with backup.bench.place.reading() as source:
        noted = source.execute(select(schema.attachment.c.sha256, schema.attachment.c.size))
        attached = {str(sha256): int(size) for sha256, size in noted}
        for number, sha256 in enumerate(sorted(attached), start=1):
            if backup.complete:
                with backup.attachment(sha256) as stream:
                    stored = place.attachments.put(connection, stream)
                if stored[0] != sha256:
                    raise BadFile(str(backup.path), "changed while it was read", field=sha256)
            else:
                _keep_note(backup, place, connection, sha256, attached[sha256])
            tell(0.5 + 0.2 * number / len(attached))
        for table in (schema.job, schema.event):
            keys = list(table.primary_key.columns)
            rows = source.execution_options(yield_per=ROWS).execute(select(table).order_by(*keys))
            for part in rows.mappings().partitions():
                connection.execute(insert(table), [dict(row) for row in part])
    put_all_words(connection)
    tell(0.8)


def _keep_note(backup: _Open, place: Place, connection: Connection, sha256: str, size: int) -> None:
    """An attachment that the backup does not bring must be in the folder."""
    store = place.attachments
    if not (isinstance(store, FolderAttachments) and store.path_of(sha256).exists()):
        raise BenchError(
            f"{backup.path} was made before an update and holds no attachments, and {place.name} has not "
            f"got {sha256[:12]}: bring back a whole backup first"
        )
    connection.execute(insert(schema.attachment).values(sha256=sha256, size=size))
