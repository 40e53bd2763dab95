"""Opening a bench: a folder with an SQLite file, or a PostgreSQL server; made or brought up to date first."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout
from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.pool import NullPool, QueuePool

from .attachments import Attachments, FolderAttachments, TableAttachments
from .errors import BenchError, DamagedBench

FILE = "bench.sqlite"
APPLICATION_ID = 0x42574843
"""Marks our SQLite files: BWHC in ASCII."""
PATIENCE = 20.0
"""Seconds to wait for another program that is writing."""
_LOCK = "SELECT pg_advisory_xact_lock(4815011)"
"""One writer at a time on a server as well, so that numbers follow the order of commits."""
_OURS = {"job", "event", "attachment", "words"}


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
    read_only : bool
        The folder or its file cannot be written.
    """

    engine: Engine
    folder: Path | None
    attachments: Attachments
    name: str
    read_only: bool = False

    @contextlib.contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction that writes: it happens as a whole, or not at all, and one at a time.

        Raises
        ------
        BenchError
            It cannot be written: full, read-only, locked or gone.
        """
        with told(self, writing=True), _one_writer(self), self.engine.connect() as connection:
            _begin_writing(self, connection)
            try:
                yield connection
            except BaseException:
                connection.rollback()
                raise
            try:
                connection.commit()
            except DBAPIError as problem:
                if self.folder is None and problem.connection_invalidated:
                    raise BenchError(
                        f"{self.name}: the connection broke while this was being recorded: "
                        "look whether it is there before recording it again"
                    ) from problem
                raise

    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """One transaction that reads: all of it sees the same moment."""
        with told(self), self.engine.connect() as connection:
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
        It is not there, not ours, newer than this program, or cannot be opened.
    """
    name = str(where or default_folder())
    place = _server(name) if "://" in name else _folder(Path(name).expanduser(), create)
    try:
        with told(place):
            _bring_up_to_date(place)
    except BaseException:
        place.close()
        raise
    return place


# -- two kinds of place --------------------------------------------------------------------------------------


def _server(url: str) -> Place:
    from sqlalchemy import make_url

    try:
        parsed = make_url(url)
    except (SQLAlchemyError, ValueError):
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
        engine = create_engine(
            parsed.set(drivername="postgresql+psycopg"),
            pool_pre_ping=True,  # a server that was started anew is found again
            connect_args={} if "connect_timeout" in parsed.query else {"connect_timeout": 10},
        )
    except ImportError:
        raise BenchError(
            "a bench on PostgreSQL needs the package psycopg: pip install 'benchwright[postgresql]'"
        ) from None
    return Place(engine, None, TableAttachments(), parsed.render_as_string())


def _folder(folder: Path, create: bool) -> Place:
    if folder.name == FILE and folder.is_file():
        folder = folder.parent
    file = folder / FILE
    if folder.exists() and not folder.is_dir():
        raise BenchError(f"{folder} is a file: a bench is a folder; name that")
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
        if not os.access(folder, os.W_OK):
            raise BenchError(f"{folder}: a bench cannot be made here: the folder is read-only")
    read_only = not (os.access(folder, os.W_OK) and (not file.exists() or os.access(file, os.W_OK)))
    if read_only:
        engine = create_engine("sqlite://", creator=lambda: _reader(file), poolclass=NullPool)
    else:
        engine = create_engine("sqlite://", creator=lambda: connect(file, "rwc"), poolclass=QueuePool)

    @event.listens_for(engine, "connect")
    def _connected(connection: Any, _record: Any) -> None:
        # synchronous=FULL: what was acknowledged also outlives a power cut.
        for pragma in ("foreign_keys=ON", f"busy_timeout={int(PATIENCE * 1000)}", "synchronous=FULL"):
            connection.execute(f"PRAGMA {pragma}")

    return Place(engine, folder, FolderAttachments(folder / "attachments"), str(folder), read_only)


def connect(file: Path, mode: str) -> sqlite3.Connection:
    """Connect by an address, in which any character of a path is quoted; BEGIN is ours to say."""
    how = "immutable=1" if mode == "immutable" else f"mode={mode}"
    return sqlite3.connect(
        f"{file.absolute().as_uri()}?{how}",
        uri=True,
        timeout=PATIENCE,
        isolation_level=None,
        check_same_thread=False,
    )


def _reader(file: Path) -> sqlite3.Connection:
    """Connect where nothing can be written.

    SQLite cannot read a file with a write-ahead log without writing beside it, unless another program has
    it open, or the file is promised not to change.
    """
    connection = connect(file, "ro")
    try:
        connection.execute("SELECT count(*) FROM sqlite_master")
        return connection
    except sqlite3.OperationalError:
        connection.close()
    log = file.with_name(f"{file.name}-wal")
    if log.exists() and log.stat().st_size:
        raise BenchError(
            f"{file.parent}: it is read-only, and the last program did not close it: "
            "copy the whole folder to where it can be written, and open it there"
        )
    return connect(file, "immutable")


# -- transactions --------------------------------------------------------------------------------------------


def _begin_writing(place: Place, connection: Connection) -> None:
    if place.folder is None:
        connection.execute(text(f"SET LOCAL lock_timeout = '{int(PATIENCE * 1000)}ms'"))
        connection.execute(text(_LOCK))
    else:
        connection.exec_driver_sql("BEGIN IMMEDIATE")


@contextlib.contextmanager
def _one_writer(place: Place) -> Iterator[None]:
    """A lock file beside the database: two writers never meet, not even when one checkpoints the log."""
    if place.folder is None:
        yield
        return
    if place.read_only:
        raise BenchError(f"{place.name}: it is read-only; nothing was recorded")
    try:
        with FileLock(place.folder / "writing.lock", timeout=PATIENCE):
            yield
    except Timeout:
        raise BenchError(
            f"{place.name}: another program has been writing for {PATIENCE:.0f} s; "
            "nothing was recorded. Try again when it is done"
        ) from None


@contextlib.contextmanager
def told(place: Place, *, writing: bool = False) -> Iterator[None]:
    """Turn what the database and the system say into words for the person.

    Raises
    ------
    BenchError
    """
    tail = "; nothing was recorded" if writing else ""
    try:
        yield
    except DBAPIError as problem:
        kind = DamagedBench if _is_damage(str(problem.orig)) else BenchError
        raise kind(f"{place.name}: {_in_words(problem, tail)}") from problem
    except sqlite3.Error as problem:
        kind = DamagedBench if _is_damage(str(problem)) else BenchError
        raise kind(f"{place.name}: {_plain(str(problem), tail)}") from problem
    except OSError as problem:
        said = (problem.strerror or str(problem)).lower()
        raise BenchError(f"{problem.filename or place.name}: {said}{tail}") from problem


def _is_damage(said: str) -> bool:
    return "malformed" in said or "not a database" in said


def _in_words(problem: DBAPIError, tail: str) -> str:
    said = str(problem.orig).strip()
    if problem.connection_invalidated or "connection" in said.lower()[:60]:
        return f"the server cannot be reached: {said.splitlines()[0] if said else 'it does not say why'}"
    return _plain(said, tail)


def _plain(said: str, tail: str) -> str:
    said = said.splitlines()[0].strip() if said.strip() else "unknown trouble"
    for sign, words in (
        ("disk is full", "the disk is full" + tail),
        ("No space left", "the disk is full" + tail),
        ("readonly", "it is read-only" + tail),
        ("read-only", "it is read-only" + tail),
        ("unable to open", "bench.sqlite cannot be opened or written here"),
        ("locked", f"another program is writing{tail}. Try again"),
        ("lock timeout", f"another program has been writing for {PATIENCE:.0f} s{tail}. Try again"),
        (
            "not a database",
            "bench.sqlite is no SQLite file; `benchwright bench restore` brings back a backup",
        ),
        ("malformed", "bench.sqlite is damaged; `benchwright bench restore` brings back a backup"),
        ("disk I/O error", "the disk cannot be read or written" + tail),
        ("permission denied", f"the server says: {said}{tail}"),
    ):
        if sign in said:
            return words
    return said + tail


# -- migrations ----------------------------------------------------------------------------------------------


def migrations_folder() -> Path:
    """Where the revisions are; each file's name begins with its number."""
    return Path(str(resources.files(__package__) / "migrations"))


def newest_revision() -> str:
    """The newest revision this program knows."""
    names = [path.name for path in (migrations_folder() / "versions").iterdir()]
    return max(name[:4] for name in names if name[:4].isdigit())


def revision_of(connection: Connection) -> str | None:
    """The revision of the records; None if there are none yet."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    row = connection.execute(text("SELECT version_num FROM alembic_version")).first()
    return None if row is None else str(row[0])


def _bring_up_to_date(place: Place) -> None:
    """Run the migrations that are missing, in one transaction, after a backup."""
    with place.engine.connect() as connection:
        version = _revision_of_ours(place, connection)
        ready = version == newest_revision() and (place.read_only or _has_log(place, connection))
    if ready:
        return
    if place.read_only:
        raise BenchError(
            f"{place.name}: it is read-only, and "
            + ("there are no records in it" if version is None else "must be brought up to date first")
            + ": copy the folder to where it can be written"
        )
    with _one_writer(place), place.engine.connect() as connection:
        if place.folder is not None:
            with contextlib.suppress(DBAPIError):  # somebody reads: the next to open does it
                connection.exec_driver_sql("PRAGMA journal_mode=WAL")
            # Inside a transaction this would do nothing, and making a table anew would delete its children.
            connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
        try:
            _begin_writing(place, connection)
            _migrate(place, connection)
            connection.commit()
        finally:
            connection.rollback()
            if place.folder is not None:
                connection.exec_driver_sql("PRAGMA foreign_keys=ON")


def _migrate(place: Place, connection: Connection) -> None:
    version = _revision_of_ours(place, connection)  # another program may have done it meanwhile
    if version == newest_revision():
        return
    if version is not None:
        from .backup import before_migration

        before_migration(place, version)
    elif place.folder is None:
        encoding = connection.execute(text("SHOW server_encoding")).scalar_one()
        if encoding != "UTF8":
            raise BenchError(
                f"{place.name}: the database is in {encoding}, where Ω cannot be written: "
                "make one with ENCODING 'UTF8'"
            )
    run_migrations(connection)
    if place.folder is not None:
        if connection.exec_driver_sql("PRAGMA foreign_key_check").first() is not None:
            raise BenchError(
                f"{place.name}: bringing it up to date would break links between records; "
                "it was left as it is"
            )
        connection.exec_driver_sql(f"PRAGMA application_id={APPLICATION_ID}")


def run_migrations(connection: Connection, to: str = "head") -> None:
    """Bring records to a revision, in the transaction at hand.

    Raises
    ------
    BenchError
        Their revision is not known.
    """
    from alembic import command
    from alembic.config import Config
    from alembic.util import CommandError

    config = Config()
    config.set_main_option("script_location", str(migrations_folder()).replace("%", "%%"))
    config.set_main_option("path_separator", "newline")
    config.attributes["connection"] = connection
    try:
        command.upgrade(config, to)
    except CommandError as problem:
        raise BenchError(f"the records cannot be brought up to date: {problem}") from problem


def _has_log(place: Place, connection: Connection) -> bool:
    if place.folder is None:
        return True
    return bool(connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal")


def _revision_of_ours(place: Place, connection: Connection) -> str | None:
    """The revision; refused if the records are another program's, or newer than this one knows."""
    version = revision_of(connection)
    if place.folder is not None:
        mark = int(connection.exec_driver_sql("PRAGMA application_id").scalar() or 0)
        tables = int(connection.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar() or 0)
        if mark != APPLICATION_ID and (tables or mark):
            raise BenchError(
                f"{place.name}: bench.sqlite there is another program's file; name another folder"
            )
    else:
        found = set(inspect(connection).get_table_names())
        if (version is None and found & _OURS) or (version is not None and not found >= _OURS):
            raise BenchError(
                f"{place.name}: another program keeps its tables there; make an empty database for the bench"
            )
    if version is not None and version > newest_revision():
        raise BenchError(
            f"{place.name}: these records were written by a newer Benchwright "
            f"(revision {version}, this one knows {newest_revision()}); update Benchwright"
        )
    return version
