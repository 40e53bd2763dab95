"""Opening a bench: a folder with an SQLite file, or a PostgreSQL server; made or brought up to date first."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout
from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from .attachments import Attachments, FolderAttachments, TableAttachments
from .errors import BenchError

FILE = "bench.sqlite"
APPLICATION_ID = 0x42574843
"""Marks our SQLite files: BWHC in ASCII."""
PATIENCE = 20.0
"""Seconds to wait for another program that is writing."""


@dataclass
class Place:
    """Where a bench's records are.

    Attributes
    ----------
    engine : Engine
    folder : Path, optional
        None on a server.
    attachments : FolderAttachments or TableAttachments
    name : str
        For messages; without a password.
    """

    engine: Engine
    folder: Path | None
    attachments: Attachments
    name: str

    @contextlib.contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction that writes: it happens as a whole, or not at all, and one at a time.

        Raises
        ------
        BenchError
            It cannot be written: full, read-only, locked or gone.
        """
        with _told(self), _one_writer(self), self.engine.connect() as connection:
            if self.folder is None:
                # One writer at a time on a server as well, so that numbers follow the order of commits.
                connection.execute(text("SELECT pg_advisory_xact_lock(4815011)"))
            else:
                connection.exec_driver_sql("BEGIN IMMEDIATE")
            try:
                yield connection
            except BaseException:
                connection.rollback()
                raise
            connection.commit()

    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """One transaction that reads: all of it sees the same moment."""
        with _told(self), self.engine.connect() as connection:
            if self.folder is not None:
                connection.exec_driver_sql("BEGIN")
            else:
                connection.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY"))
            yield connection
            connection.rollback()

    def close(self) -> None:
        """Let go of the file or the server."""
        self.engine.dispose()


def default_folder() -> Path:
    """Where a bench is kept if nothing else is said."""
    from platformdirs import user_data_path

    return user_data_path("benchwright", appauthor=False) / "bench"


def open_place(where: str | Path | None = None, *, create: bool = True) -> Place:
    """Open a bench, and bring it up to date.

    Parameters
    ----------
    where : str or Path, optional
        A folder, or ``postgresql+psycopg://...``. By default the platform's data folder.
    create : bool
        Make it if it is not there.

    Raises
    ------
    BenchError
        It is not there, not ours, newer than this program, or cannot be written.
    """
    name = str(where or default_folder())
    if "://" in name:
        place = _server(name)
    else:
        place = _folder(Path(name).expanduser(), create)
    with _told(place):
        _bring_up_to_date(place)
    return place


def _server(url: str) -> Place:
    from sqlalchemy import make_url

    try:
        parsed = make_url(url)
    except SQLAlchemyError:
        raise BenchError(
            f"{url.split('@')[-1]} is no address of a bench: expected a folder or "
            "postgresql+psycopg://USER@HOST/DATABASE"
        ) from None
    if parsed.get_backend_name() != "postgresql":
        raise BenchError(
            f"{parsed.render_as_string()} is not PostgreSQL: expected a folder or "
            "postgresql+psycopg://USER@HOST/DATABASE"
        )
    try:
        engine = create_engine(parsed.set(drivername="postgresql+psycopg"))
    except ImportError:
        raise BenchError(
            "a bench on PostgreSQL needs the package psycopg: pip install 'benchwright[postgresql]'"
        ) from None
    return Place(engine, None, TableAttachments(), parsed.render_as_string())


def _folder(folder: Path, create: bool) -> Place:
    file = folder / FILE
    if not file.exists():
        if not create:
            raise BenchError(
                f"there is no bench in {folder}: `benchwright job new` begins one there, "
                "or name another folder with --bench"
            )
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            raise BenchError(f"{folder}: a bench cannot be made here: {problem.strerror}") from None
    engine = create_engine(f"sqlite:///{file}", connect_args={"timeout": PATIENCE})

    @event.listens_for(engine, "connect")
    def _connected(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # BEGIN is ours, so that writers can say IMMEDIATE
        for pragma in ("foreign_keys=ON", f"busy_timeout={int(PATIENCE * 1000)}", "synchronous=FULL"):
            connection.execute(f"PRAGMA {pragma}")

    return Place(engine, folder, FolderAttachments(folder / "attachments"), str(folder))


@contextlib.contextmanager
def _one_writer(place: Place) -> Iterator[None]:
    """A lock file beside the database: two writers never meet, not even when one checkpoints the log."""
    if place.folder is None:
        yield
        return
    try:
        with FileLock(place.folder / "writing.lock", timeout=PATIENCE):
            yield
    except Timeout:
        raise BenchError(
            f"{place.name}: another program has been writing for {PATIENCE:.0f} s; "
            "nothing was recorded. Try again when it is done"
        ) from None


@contextlib.contextmanager
def _told(place: Place) -> Iterator[None]:
    """Turn what the database says into words for the person."""
    try:
        yield
    except DBAPIError as problem:
        raise BenchError(f"{place.name}: {_in_words(problem)}") from problem
    except sqlite3.Error as problem:
        raise BenchError(f"{place.name}: {_plain(str(problem))}") from problem
    except OSError as problem:
        raise BenchError(
            f"{problem.filename or place.name}: {(problem.strerror or str(problem)).lower()}; "
            "nothing was recorded"
        ) from problem


def _in_words(problem: DBAPIError) -> str:
    if problem.connection_invalidated or "connection" in str(problem.orig).lower()[:60]:
        return f"the server cannot be reached: {str(problem.orig).strip().splitlines()[0]}"
    return _plain(str(problem.orig))


def _plain(said: str) -> str:
    said = said.strip().splitlines()[0] if said.strip() else "unknown trouble"
    for sign, words in (
        ("database or disk is full", "the disk is full; nothing was recorded"),
        ("readonly", "it is read-only; nothing was recorded"),
        ("read-only", "it is read-only; nothing was recorded"),
        ("unable to open", "it cannot be opened or written here"),
        ("locked", "another program is writing; nothing was recorded. Try again"),
        ("not a database", "bench.sqlite is no SQLite file"),
        ("malformed", "bench.sqlite is damaged; `benchwright bench restore` brings back a backup"),
        ("disk I/O error", "the disk cannot be read or written; nothing was recorded"),
    ):
        if sign in said:
            return words
    return said


def _bring_up_to_date(place: Place) -> None:
    """Run the migrations that are missing, in one transaction."""
    with place.engine.connect() as connection:
        if place.folder is not None and _is_ours(place, connection):
            connection.exec_driver_sql("PRAGMA journal_mode=WAL") if _version(connection) is None else None
        if _version(connection) == _newest():
            return
        connection.rollback()
    with _one_writer(place), place.engine.connect() as connection:
        if place.folder is not None:
            connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        else:
            connection.execute(text("SELECT pg_advisory_xact_lock(4815011)"))
        _refuse_newer(place, connection)
        _run_migrations(connection)
        if place.folder is not None:
            if connection.exec_driver_sql("PRAGMA foreign_key_check").first() is not None:
                connection.rollback()
                raise BenchError(
                    f"{place.name}: bringing it up to date would break links between records; "
                    "it was left as it is"
                )
            connection.exec_driver_sql(f"PRAGMA application_id={APPLICATION_ID}")
        connection.commit()
        if place.folder is not None:
            connection.exec_driver_sql("PRAGMA foreign_keys=ON")


def _is_ours(place: Place, connection: Connection) -> bool:
    found = int(connection.exec_driver_sql("PRAGMA application_id").scalar() or 0)
    tables = int(connection.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar() or 0)
    if found != APPLICATION_ID and tables:
        raise BenchError(f"{place.name}: bench.sqlite there is another program's file; name another folder")
    return True


def _version(connection: Connection) -> str | None:
    from sqlalchemy import inspect

    if not inspect(connection).has_table("alembic_version"):
        return None
    row = connection.execute(text("SELECT version_num FROM alembic_version")).first()
    return None if row is None else str(row[0])


def _refuse_newer(place: Place, connection: Connection) -> None:
    version = _version(connection)
    if version is not None and version > _newest():
        raise BenchError(
            f"{place.name}: these records were written by a newer Benchwright "
            f"(revision {version}, this one knows {_newest()}); update Benchwright"
        )


def _newest() -> str:
    """The newest revision this program knows: revisions are numbered."""
    folder = resources.files(__package__) / "migrations" / "versions"
    return max(path.name[:4] for path in folder.iterdir() if path.name[:4].isdigit())


def _run_migrations(connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(resources.files(__package__) / "migrations"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
