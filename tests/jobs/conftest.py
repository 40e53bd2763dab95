"""Benches to test on: a folder, and a PostgreSQL server that is started for the tests."""

from __future__ import annotations

import contextlib
import itertools
import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

HOW_TO_GET = "PostgreSQL's programs are not installed: apt-get install postgresql (no cluster is needed)"


class Server:
    """A PostgreSQL server of our own, in a temporary folder, reached through a socket there."""

    def __init__(self, programs: Path, folder: Path, user: str | None) -> None:
        self.programs, self.folder, self.user = programs, folder, user
        self._numbers = itertools.count(1)
        self._made = False

    def run(self, program: str, *arguments: str) -> None:
        # To a file and not a pipe, which the server would hold open.
        with (self.folder / "said.txt").open("a") as said:
            done = subprocess.run(
                [str(self.programs / program), *arguments],
                cwd=self.folder,
                user=self.user,
                env={**os.environ, "HOME": str(self.folder), "LC_ALL": "C"},
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=subprocess.STDOUT,
                check=False,
            )
        assert done.returncode == 0, (self.folder / "said.txt").read_text()

    def start(self) -> None:
        data = str(self.folder / "data")
        self.run("initdb", "-D", data, "-U", "bench", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
        # Nothing here must outlive the machine, so the server need not wait for the disk.
        settings = f"-k {self.folder} -c listen_addresses='' -c fsync=off -c max_connections=40"
        self.run("pg_ctl", "-D", data, "-w", "-l", str(self.folder / "log.txt"), "-o", settings, "start")

    def stop(self) -> None:
        self.run("pg_ctl", "-D", str(self.folder / "data"), "-w", "-m", "immediate", "stop")

    def url(self, database: str) -> str:
        return f"postgresql+psycopg://bench@/{database}?host={self.folder}"

    def sql(self, statement: str, database: str = "postgres") -> None:
        import psycopg

        with psycopg.connect(
            host=str(self.folder), user="bench", dbname=database, autocommit=True
        ) as connection:
            connection.execute(statement)

    def empty(self, how: str = "") -> str:
        """URL of a database with nothing in it."""
        name = f"empty_{next(self._numbers)}"
        self.sql(f"CREATE DATABASE {name} {how}")
        return self.url(name)

    def bench(self) -> str:
        """URL of a bench without records; made by copying, which is quicker than by migrating."""
        from benchwright.jobs import open_bench

        if not self._made:
            self.sql("CREATE DATABASE made")
            open_bench(self.url("made")).close()
            self._made = True
        name = f"bench_{next(self._numbers)}"
        self.sql(f"CREATE DATABASE {name} TEMPLATE made")
        return self.url(name)


def _programs() -> Path | None:
    found = shutil.which("initdb")
    if found is not None:
        return Path(found).resolve().parent
    debian = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: float(path.parts[-3]))
    return debian[-1].parent if debian else None


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A running PostgreSQL server."""
    programs = _programs()
    if programs is None:
        pytest.skip(HOW_TO_GET)
    # A short path, since that of a socket may have 107 characters at most; in memory where there is enough.
    memory = Path("/dev/shm")
    roomy = os.access(memory, os.W_OK) and shutil.disk_usage(memory).free > 1 << 31
    folder = Path(tempfile.mkdtemp(prefix="bw-pg-", dir=memory if roomy else "/tmp"))
    user = None
    if os.geteuid() == 0:  # PostgreSQL refuses to run as root
        user = next(u.pw_name for name in ("postgres", "nobody") for u in pwd.getpwall() if u.pw_name == name)
        shutil.chown(folder, user)
    made = Server(programs, folder, user)
    try:
        made.start()
        yield made
    finally:
        with contextlib.suppress(AssertionError):
            made.stop()
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(autouse=True)
def _own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No test touches the bench of whoever runs it."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("BENCHWRIGHT_BENCH", raising=False)


@pytest.fixture(scope="session")
def made_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench without records, to be copied, which is quicker than migrating."""
    from benchwright.jobs import open_bench

    folder = tmp_path_factory.mktemp("made") / "bench"
    open_bench(folder).close()
    return folder


@pytest.fixture(params=["folder", "server"])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a bench without records is: each test runs on both kinds."""
    if request.param == "folder":
        shutil.copytree(request.getfixturevalue("made_folder"), tmp_path / "bench")
        return str(tmp_path / "bench")
    server: Server = request.getfixturevalue("server")
    return server.bench()


@pytest.fixture
def bench(where: str):
    """An open bench without records, of either kind."""
    from benchwright.jobs import open_bench

    with open_bench(where) as opened:
        yield opened
