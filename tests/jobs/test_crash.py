"""Nothing that was acknowledged is lost: killed writers, full disks, folders that cannot be written."""

from __future__ import annotations

import contextlib
import json
import os
import resource
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchwright.jobs import BenchError, bodies, open_bench, opening
from benchwright.jobs.verify import verify

DRIVER = Path(__file__).with_name("crash_driver.py")


def _drive(**asked: object) -> dict[str, object]:
    done = subprocess.run(
        [sys.executable, str(DRIVER), json.dumps(asked)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_a_writer_killed_200_times_loses_nothing(tmp_path):
    """After each kill all that was acknowledged is there, nothing is half-written, and the bench is clean."""
    places = [str(tmp_path / f"bench{n}") for n in range(10)]
    told = _drive(places=places, rounds=200, seed=1)
    assert told["wrong"] == []
    assert told["rounds"] == 200
    # The kills fell where they were meant to: while opening, while a file was coming, between and in writes.
    assert told["acknowledged"] > 200
    assert told["killed before ready"] > 0
    assert told["left over"] > 0


def test_a_writer_to_a_server_killed_loses_nothing(server):
    """The same on a server, a few times."""
    told = _drive(places=[server.bench(), server.bench()], rounds=20, seed=2)
    assert told["wrong"] == []
    assert told["acknowledged"] > 20


@pytest.mark.parametrize("writers", [2, 4])
def test_processes_that_write_at_once_lose_nothing(where, writers):
    """Each acknowledged event is there once; numbers have no gap and no double."""
    told = _drive(where=where, writers=writers, each=12)
    assert told["wrong"] == []
    assert told["ready"] == writers
    assert told["acknowledged"] > writers * 8


def _mount(*arguments: str) -> bool:
    if os.geteuid() != 0:
        return False
    return subprocess.run(["mount", *arguments], capture_output=True, check=False).returncode == 0


def _fill(bench, job, kept) -> None:
    for n in range(1000):
        kept += bench.record(job, bodies.Note(text=f"{n} " + "full " * 4000))


@pytest.fixture
def small_disk(tmp_path) -> Iterator[tuple[Path, object]]:
    """A folder where little can be written, and what makes room: a small disk, or a limit on files' sizes."""
    folder = tmp_path / "small"
    folder.mkdir()
    if _mount("-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)):
        yield folder, lambda: _mount("-o", "remount,size=40m", str(folder))
        subprocess.run(["umount", "--lazy", str(folder)], check=True)
        return
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (500_000, before[1]))
    yield folder, lambda: resource.setrlimit(resource.RLIMIT_FSIZE, before)
    resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_full_disk_is_told_and_loses_nothing(small_disk):
    """The message says so; what was acknowledged is there; with room all goes on."""
    folder, make_room = small_disk
    kept = []
    with open_bench(folder / "bench") as bench:
        job = bench.new_job("Full", "EUR")
        kept.append(bench.attach(job, b"photo" * 1000, "a.jpg", "image/jpeg"))
        with pytest.raises(BenchError, match="nothing was recorded"):
            _fill(bench, job, kept)
        assert len(kept) > 2
        with pytest.raises(BenchError, match=r"no space left|too large"):
            bench.attach(job, os.urandom(3_000_000), "b.jpg", "image/jpeg")
        assert bench.events(job)[1:] == kept
        make_room()
        kept += bench.record(job, bodies.Note(text="room again"))
        kept.append(bench.attach(job, os.urandom(3_000_000), "b.jpg", "image/jpeg"))
    with open_bench(folder / "bench", create=False) as bench:
        assert bench.events(job)[1:] == kept
        found = verify(bench)
        assert (found.problems, found.remarks) == ([], [])


def test_a_full_database_is_told_and_loses_nothing(tmp_path):
    """The same when SQLite itself says that there is no room."""
    with open_bench(tmp_path / "bench") as bench:
        job = bench.new_job("Full", "EUR")
        with bench.place.engine.connect() as connection:
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
            connection.exec_driver_sql(f"PRAGMA max_page_count={pages + 20}")
        kept = []
        with pytest.raises(BenchError, match="the disk is full; nothing was recorded"):
            _fill(bench, job, kept)
        assert bench.events(job)[1:] == kept
        with bench.place.engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA max_page_count=1000000")
        kept += bench.record(job, bodies.Note(text="room again"))
        assert bench.events(job)[1:] == kept
        assert verify(bench).problems == []


@contextlib.contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """Nobody can write in a folder; for root, whom permissions do not stop, by mounting it so."""
    if os.geteuid() == 0:
        assert _mount("--bind", str(folder), str(folder))
        assert _mount("-o", "remount,ro,bind", str(folder))
        try:
            yield
        finally:
            subprocess.run(["umount", "--lazy", str(folder)], check=True)
        return
    paths = [folder, *folder.rglob("*")]
    modes = {path: path.stat().st_mode for path in paths}
    for path in paths:
        path.chmod(modes[path] & ~0o222)
    try:
        yield
    finally:
        for path in paths:
            path.chmod(modes[path])


def test_a_read_only_folder_is_read_and_not_written(tmp_path):
    """Everything can be read and verified; writing is refused in words; afterwards all goes on."""
    folder = tmp_path / "bench"
    with open_bench(folder) as bench:
        job = bench.new_job("Read only", "EUR", bodies.Symptom(text="no picture"))
        photo = bench.attach(job, b"photo", "a.jpg", "image/jpeg")
    with read_only(folder), open_bench(folder) as bench:
        assert bench.job(job).title == "Read only"
        assert bench.attachment(photo.body.sha256) == b"photo"
        assert len(bench.search("picture")) == 1
        assert verify(bench).problems == []
        for write in (
            lambda: bench.new_job("No", "EUR"),
            lambda: bench.record(job, bodies.Note(text="no")),
            lambda: bench.attach(job, b"no", "b.jpg", "image/jpeg"),
            lambda: bench.undo(job),
        ):
            with pytest.raises(BenchError, match="read-only; nothing was recorded"):
                write()
    with open_bench(folder) as bench:
        bench.record(job, bodies.Note(text="yes"))
        assert len(bench.events(job)) == 4


def test_a_folder_that_becomes_read_only_while_it_is_open(tmp_path):
    """A bench that could be written when it was opened tells when it no longer can."""
    folder = tmp_path / "bench"
    with open_bench(folder) as bench:
        job = bench.new_job("Read only", "EUR")
        with read_only(folder):
            with pytest.raises(BenchError, match="nothing was recorded"):
                bench.record(job, bodies.Note(text="no"))
            with pytest.raises(BenchError, match="nothing was recorded"):
                bench.attach(job, b"no", "b.jpg", "image/jpeg")
        bench.record(job, bodies.Note(text="yes"))
        assert [e.kind for e in bench.events(job)] == ["opened", "note"]


def test_a_read_only_folder_that_was_not_closed(tmp_path):
    """Records that are still in the log are not passed over: the person is told to copy the folder."""
    folder, copy = tmp_path / "bench", tmp_path / "copy"
    copy.mkdir()
    with open_bench(folder) as bench:
        job = bench.new_job("Not closed", "EUR")
        for name in ("bench.sqlite", "bench.sqlite-wal"):
            (copy / name).write_bytes((folder / name).read_bytes())
    with read_only(copy), pytest.raises(BenchError, match="copy the whole folder"):
        open_bench(copy)
    with open_bench(copy) as bench:
        assert bench.job(job).title == "Not closed"


def test_a_bench_cannot_be_made_where_nothing_can_be_written(tmp_path):
    """A read-only folder without a bench, and a file in the place of the folder, are told."""
    empty = tmp_path / "empty"
    empty.mkdir()
    with read_only(empty), pytest.raises(BenchError, match=r"cannot be made|read-only"):
        open_bench(empty)
    file = tmp_path / "file"
    file.write_text("no folder")
    for path in (file, file / "below"):
        with pytest.raises(BenchError):
            open_bench(path)
    assert file.read_text() == "no folder"


def test_a_server_that_only_reads(server):
    """A server that takes no writes is read, and refuses in the same words."""
    where = server.bench()
    with open_bench(where) as bench:
        job = bench.new_job("Read only", "EUR", bodies.Symptom(text="no picture"))
    with open_bench(f"{where}&options=-c%20default_transaction_read_only%3Don") as bench:
        assert bench.job(job).title == "Read only"
        assert verify(bench).problems == []
        for write in (
            lambda: bench.new_job("No", "EUR"),
            lambda: bench.attach(job, b"no", "b.jpg", "image/jpeg"),
            lambda: bench.undo(job),
        ):
            with pytest.raises(BenchError, match="read-only; nothing was recorded"):
                write()


def test_a_writer_that_does_not_end_is_waited_for_and_then_told(where, monkeypatch):
    """While another program writes, reading goes on; writing waits, and says so when it waited enough."""
    monkeypatch.setattr(opening, "PATIENCE", 0.3)
    with open_bench(where) as bench, open_bench(where) as other:
        job = bench.new_job("One", "EUR")
        with other.place.writing():
            assert bench.job(job).title == "One"
            with pytest.raises(BenchError, match=r"has been writing.*nothing was recorded"):
                bench.record(job, bodies.Note(text="no"))
        bench.record(job, bodies.Note(text="yes"))
        assert len(bench.events(job)) == 2
