"""Backups of a whole bench in one file, made while others write; see `restore` for the way back.

A backup is a zip: ``bench.sqlite``, ``attachments/ab/ab12...``, and ``manifest.json`` with the SHA-256 of
each. It is the same for a folder and for a server.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeAlias

from sqlalchemy import Connection, MetaData, create_engine, insert, inspect, select
from sqlalchemy.pool import NullPool

from .. import __version__
from . import schema
from .attachments import PIECE, sync_folder
from .bench import Bench
from .errors import BenchError, DamagedBench
from .history import to_iso
from .opening import (
    APPLICATION_ID,
    FILE,
    Place,
    connect,
    default_folder,
    newest_revision,
    revision_of,
    run_migrations,
    told,
)
from .words import put_words, words_of

FORMAT = "benchwright backup"
KEPT = 10
"""How many backups are kept where no name was given."""
Progress: TypeAlias = Callable[[float], None]
ROWS = 500
"""Copied at a time."""


@dataclass(frozen=True)
class Backup:
    """A backup that was made.

    Attributes
    ----------
    path : Path
    jobs, events, attachments : int
    problems : list of str
        Attachments that could not be copied as they should be; all else is in it.
    removed : list of Path
        Older backups that made room.
    """

    path: Path
    jobs: int
    events: int
    attachments: int
    problems: list[str] = field(default_factory=list)
    removed: list[Path] = field(default_factory=list)


def backups_folder(place: Place) -> Path:
    """Where backups go if no name is given: beside the records, or for a server in the platform's folder."""
    return (place.folder if place.folder is not None else default_folder().parent) / "backups"


def back_up(bench: Bench, to: Path | None = None, progress: Progress | None = None) -> Backup:
    """Write a bench into one file, as it was at one moment; others may write meanwhile.

    Parameters
    ----------
    bench : Bench
    to : Path, optional
        A file that is not there yet, or a folder. By default a dated file in `backups_folder`, where the
        last ten are kept.
    progress : callable, optional
        Called with the share done, from 0 to 1.

    Raises
    ------
    BenchError
        It cannot be written, or the bench cannot be read.
    """
    if to is not None and not to.is_dir():
        return write_backup(bench.place, to, complete=True, progress=progress)
    folder = to or backups_folder(bench.place)
    made = write_backup(bench.place, folder / dated_name("bench"), complete=True, progress=progress)
    if to is None and not made.problems:
        made.removed.extend(_keep_last(folder, "bench"))
    return made


def before_migration(place: Place, revision: str) -> Path:
    """Keep the records as they are before they are brought up to date; attachments stay as they are."""
    folder, start = backups_folder(place), f"before-revision-{newest_revision()}"
    made = write_backup(place, folder / dated_name(start), complete=False, revision=revision)
    _keep_last(folder, start)
    return made.path


def dated_name(start: str) -> str:
    return f"{start}-{datetime.now(UTC):%Y-%m-%d-%H%M%S-%f}.zip"


def _keep_last(folder: Path, start: str) -> list[Path]:
    dated = re.compile(re.escape(start) + r"-\d{4}-\d\d-\d\d-\d{6}-\d{6}\.zip")
    old = sorted(path for path in folder.iterdir() if dated.fullmatch(path.name))[:-KEPT]
    for path in old:
        path.unlink(missing_ok=True)
    return old


def write_backup(
    place: Place, target: Path, *, complete: bool, revision: str = "", progress: Progress | None = None
) -> Backup:
    """Write a bench into a file that is not there yet; without attachments if not complete."""
    tell = progress or (lambda share: None)
    with telling_of_writing(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        if target.exists():
            raise BenchError(f"{target} is there already: name another file")
        with tempfile.TemporaryDirectory(prefix=".coming-", dir=target.parent) as scratch:
            copy, coming = Path(scratch) / FILE, Path(scratch) / "backup.zip"
            revision = _copy_records(place, copy, revision)
            tell(0.2)
            counts, attached = _look_into(copy)
            problems: list[str] = []
            with coming.open("xb") as out:
                with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
                    sums = {}
                    with copy.open("rb") as stream:
                        sums[FILE] = _add(archive, FILE, pieces_of(stream), zipfile.ZIP_DEFLATED)
                    if complete:
                        files = _add_attachments(place, archive, attached, problems, tell)
                        sums.update(files)
                    archive.writestr("manifest.json", _manifest(revision, complete, counts, sums))
                out.flush()
                os.fsync(out.fileno())
            # Unlike a rename, this never replaces a file that came meanwhile, where the system can do it.
            _put_in_place(coming, target)
            sync_folder(target.parent)
    return Backup(target, counts["jobs"], counts["events"], len(attached) if complete else 0, problems)


def _put_in_place(coming: Path, target: Path) -> None:
    try:
        os.link(coming, target)
    except FileExistsError:
        raise BenchError(f"{target} is there already: name another file") from None
    except OSError:
        coming.replace(target)


def _copy_records(place: Place, copy: Path, revision: str) -> str:
    """All but attachments, as of one moment, in an SQLite file; its revision."""
    with told(place):
        if place.folder is not None:
            with place.engine.connect() as connection:
                source = connection.connection.driver_connection
                assert isinstance(source, sqlite3.Connection)
                with contextlib.closing(sqlite3.connect(copy, isolation_level=None)) as written:
                    source.backup(written)
                    written.execute("PRAGMA journal_mode=DELETE")  # one file, also to be read
                    (said,) = written.execute("PRAGMA integrity_check").fetchone()
                    if said != "ok":
                        raise DamagedBench(f"{place.name}: bench.sqlite is damaged: {said}")
                    (revision,) = written.execute("SELECT version_num FROM alembic_version").fetchone()
            return revision
        with place.reading() as connection:
            revision = revision or str(revision_of(connection))
            engine = create_engine("sqlite://", creator=lambda: connect(copy, "rwc"), poolclass=NullPool)
            with engine.connect() as written_to:
                written_to.exec_driver_sql("BEGIN IMMEDIATE")
                run_migrations(written_to, revision)
                _copy_rows(connection, written_to)
                if revision == newest_revision():
                    put_all_words(written_to)
                written_to.exec_driver_sql(f"PRAGMA application_id={APPLICATION_ID}")
                written_to.commit()
    return revision


def _copy_rows(source: Connection, target: Connection) -> None:
    """Every row of every table but the derived words and the pieces of attachments, at any revision."""
    wanted = set(inspect(source).get_table_names()) - {"words", "piece", "alembic_version"}
    tables = MetaData()
    tables.reflect(target, only=lambda name, _: name in wanted)
    for table in tables.sorted_tables:
        keys = list(table.primary_key.columns)
        rows = source.execution_options(yield_per=ROWS).execute(select(table).order_by(*keys))
        for part in rows.mappings().partitions():
            target.execute(insert(table), [dict(row) for row in part])


def put_all_words(connection: Connection) -> None:
    from .bodies import from_json

    table = schema.event
    rows = connection.execute(select(table.c.number, table.c.body).where(table.c.stands == 1)).all()
    put_words(connection, ((number, words_of(from_json(body))) for number, body in rows))


def _look_into(copy: Path) -> tuple[dict[str, int], dict[str, int]]:
    with contextlib.closing(sqlite3.connect(copy)) as connection:
        counts = {
            f"{name}s": int(connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0])
            for name in ("job", "event", "attachment")
        }
        return counts, dict(connection.execute("SELECT sha256, size FROM attachment ORDER BY sha256"))


def _add_attachments(
    place: Place, archive: zipfile.ZipFile, attached: dict[str, int], problems: list[str], tell: Progress
) -> dict[str, tuple[str, int]]:
    sums = {}
    all_bytes, seen = max(1, sum(attached.values())), 0
    with place.reading() as connection:
        for sha256, size in attached.items():
            name = f"attachments/{sha256[:2]}/{sha256}"
            try:
                # A look before the name stands in the zip: what is missing leaves no empty file there.
                pieces = place.attachments.pieces(connection, sha256)
                first = next(pieces, b"")
                sums[name] = _add(archive, name, _after(first, pieces), zipfile.ZIP_STORED)
            except BenchError as problem:
                problems.append(str(problem))
                continue
            if sums[name] != (sha256, size):
                problems.append(f"attachment {sha256[:12]} is damaged: it is copied as it is")
            seen += size
            tell(0.2 + 0.8 * seen / all_bytes)
    return sums


def _after(first: bytes, rest: Iterator[bytes]) -> Iterator[bytes]:
    yield first
    yield from rest


def _add(archive: zipfile.ZipFile, name: str, pieces: Iterable[bytes], how: int) -> tuple[str, int]:
    info = zipfile.ZipInfo(name, datetime.now(UTC).timetuple()[:6])
    info.compress_type, info.external_attr = how, 0o644 << 16
    digest, size = hashlib.sha256(), 0
    with archive.open(info, "w", force_zip64=True) as out:
        for piece in pieces:
            digest.update(piece)
            size += len(piece)
            out.write(piece)
    return digest.hexdigest(), size


def pieces_of(stream: Any) -> Iterator[bytes]:
    while piece := stream.read(PIECE):
        yield piece


def _manifest(revision: str, complete: bool, counts: dict[str, int], sums: dict[str, tuple[str, int]]) -> str:
    return json.dumps(
        {
            "format": FORMAT, "version": 1,
            "made": to_iso(datetime.now(UTC)), "by": f"benchwright {__version__}",
            "about": "bench.sqlite holds the records: an SQLite file that any SQLite program reads. "
            "attachments holds files named by their SHA-256; events of kind 'attachment' tell their names.",
            "revision": revision, "complete": complete, **counts,
            "files": {name: {"sha256": sha256, "size": size} for name, (sha256, size) in sums.items()},
        },
        indent=1,
    )  # fmt: skip


@contextlib.contextmanager
def telling_of_writing(target: Path) -> Iterator[None]:
    try:
        yield
    except OSError as problem:
        said = (problem.strerror or str(problem)).lower()
        raise BenchError(f"{target}: the backup cannot be written: {said}") from None
