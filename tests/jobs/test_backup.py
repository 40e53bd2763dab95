"""Backups: whole, consistent while others write, brought back to either kind of bench, never half."""

from __future__ import annotations

import json
import sqlite3
import threading
import zipfile
from contextlib import closing

import pytest
from sqlalchemy import text

from benchwright.errors import BadFile
from benchwright.jobs import BenchError, backup, bodies, open_bench
from benchwright.jobs.backup import KEPT, back_up, backups_folder
from benchwright.jobs.restore import check_backup, restore
from benchwright.jobs.verify import verify


def _fill(bench):
    """Jobs with corrections, undos, stock and attachments, one of them twice."""
    bench.record(
        None,
        bodies.StockReceived(
            lot="C220", kind="capacitor", quantity=5, price=bodies.Price(value=2, currency="EUR")
        ),
    )
    for title in ("First", "Second"):
        job = bench.new_job(title, "EUR", bodies.Symptom(text="no picture on +5V"))
        bench.attach(job, b"photo", "a.jpg", "image/jpeg")
        bench.attach(job, title.encode() * 250_000, "b.wav", "audio/wav", what="take")
        (note,) = bench.record(job, bodies.Note(text="C7 leaks"))
        bench.record(job, bodies.Note(text="C8 leaks"), supersedes=note.uid)
        bench.record(job, bodies.PartUsed(lot="C220", quantity=1), bodies.OpenPoint(text="key cap"))
        bench.undo(job)
    return _rows(bench)


def _rows(bench):
    with bench.place.reading() as connection:
        return {
            name: [tuple(row) for row in connection.execute(text(f"SELECT * FROM {name} ORDER BY 1"))]
            for name in ("job", "event", "attachment")
        }


@pytest.fixture(params=["folder", "server"])
def another(request, tmp_path):
    """Where to bring a backup back: of either kind, whatever it was made from."""
    if request.param == "folder":
        return str(tmp_path / "another")
    return request.getfixturevalue("server").bench()


def test_a_backup_comes_back_the_same_to_either_kind(bench, another, tmp_path):
    """From folder or server, to folder or server: every row and every file is as it was, derived ones too."""
    rows = _fill(bench)
    made = back_up(bench, tmp_path / "b.zip")
    assert (made.jobs, made.events, made.attachments, made.problems) == (2, 19, 3, [])
    assert check_backup(made.path).clean
    done = restore(made.path, another)
    assert done.verdict.clean
    assert done.aside is None
    with open_bench(another, create=False) as again:
        assert _rows(again) == rows
        for event in again.events(1):
            if isinstance(event.body, bodies.Attachment):
                assert again.attachment(event.body.sha256) == bench.attachment(event.body.sha256)
        assert [f.event.number for f in again.search("5V")] == [f.event.number for f in bench.search("5V")]
        again.record(2, bodies.Note(text="goes on"))
        assert verify(again).problems == []


def test_a_backup_can_be_read_without_benchwright(bench, tmp_path):
    """It is a zip that unzip tests, with an SQLite file in one piece, and hashes that any tool checks."""
    import hashlib

    _fill(bench)
    made = back_up(bench, tmp_path / "b.zip")
    with zipfile.ZipFile(made.path) as archive:
        assert archive.testzip() is None
        manifest = json.loads(archive.read("manifest.json"))
        assert set(archive.namelist()) == {*manifest["files"], "manifest.json"}
        for name, told in manifest["files"].items():
            data = archive.read(name)
            assert (hashlib.sha256(data).hexdigest(), len(data)) == (told["sha256"], told["size"])
        archive.extract("bench.sqlite", tmp_path)
    with closing(sqlite3.connect(tmp_path / "bench.sqlite")) as plain:
        assert plain.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        assert plain.execute("SELECT title FROM job ORDER BY number").fetchall() == [("First",), ("Second",)]


def test_a_backup_made_while_others_write_is_one_moment(where, tmp_path):
    """What a writer records meanwhile is in it up to one event, and nothing after that."""
    stop, said = threading.Event(), []

    def write():
        with open_bench(where) as bench:
            while not stop.is_set():
                bench.record(1, bodies.Note(text="meanwhile"), bodies.Note(text="and more"))
                bench.attach(1, str(len(said)).encode(), "n.txt", "text/plain")
                said.append(1)

    with open_bench(where) as bench:
        _fill(bench)
        writer = threading.Thread(target=write)
        writer.start()
        try:
            made = [back_up(bench, tmp_path / f"{n}.zip") for n in range(3)]
        finally:
            stop.set()
            writer.join()
    assert len(said) > 0
    counts = [one.events for one in made]
    assert counts == sorted(counts)
    for one in made:
        assert (one.events - 19) % 3 in (0, 2)  # a pair as a whole, then its file
        assert check_backup(one.path).problems == []


def test_the_last_ten_are_kept_where_no_name_was_given(bench, monkeypatch):
    """Older dated backups make room; what has another name is never touched."""
    bench.new_job("One", "EUR")
    folder = backups_folder(bench.place)
    folder.mkdir(parents=True)
    other = folder / "bench-of-spring.zip"
    other.write_text("mine")
    assert KEPT == 10
    monkeypatch.setattr(backup, "KEPT", 3)
    made = [back_up(bench).path for _ in range(5)]
    assert [path.exists() for path in made] == [False] * 2 + [True] * 3
    assert other.read_text() == "mine"
    back_up(bench, folder / "named.zip")
    assert made[2].exists()


def test_a_backup_never_replaces_a_file(bench, tmp_path):
    """A name that is taken, or a folder that cannot be written to, is told; nothing half is left."""
    bench.new_job("One", "EUR")
    taken = tmp_path / "taken.zip"
    taken.write_text("mine")
    for target in (taken, taken / "below.zip"):
        with pytest.raises(BenchError, match=r"taken\.zip"):
            back_up(bench, target)
    assert taken.read_text() == "mine"
    made = back_up(bench, tmp_path / "new" / "folder" / "b.zip")
    assert [path.name for path in made.path.parent.iterdir()] == ["b.zip"]


def test_a_backup_that_cannot_be_finished_leaves_nothing(bench, tmp_path, monkeypatch):
    """If the disk fills up on the way, the message says so, and there is no file that looks like a backup."""

    def full(*arguments):
        raise OSError(28, "No space left on device")

    _fill(bench)
    (tmp_path / "out").mkdir()
    monkeypatch.setattr(backup.os, "fsync", full)
    with pytest.raises(BenchError, match="no space left"):
        back_up(bench, tmp_path / "out" / "b.zip")
    assert list((tmp_path / "out").iterdir()) == []


def test_a_missing_or_damaged_attachment_does_not_stop_a_backup(tmp_path, monkeypatch):
    """All else is in it, the problem is told, and older backups are not cleared away for it."""
    with open_bench(tmp_path / "bench") as bench:
        _fill(bench)
        stored = sorted((tmp_path / "bench" / "attachments").glob("??/*"))
        monkeypatch.setattr(backup, "KEPT", 2)
        good = [back_up(bench).path for _ in range(2)]
        stored[0].unlink()
        stored[1].write_bytes(b"other")
        made = back_up(bench)
        assert len(made.problems) == 2
        assert all(path.exists() for path in good)
        found = check_backup(made.path)
        assert found.problems == [f"attachment {stored[0].name[:12]} is not in the backup"]
    with pytest.raises(BadFile, match="cannot be brought back"):
        restore(made.path, tmp_path / "another")
    assert not (tmp_path / "another").exists()


def test_records_are_not_replaced_unasked_and_then_kept_aside(bench, another, tmp_path):
    """Without leave nothing changes; with it, what was there can be brought back in turn."""
    _fill(bench)
    made = back_up(bench, tmp_path / "b.zip").path
    with open_bench(another) as there:
        job = there.new_job("Mine", "USD", bodies.Note(text="not to be lost"))
        there.attach(job, b"mine too", "c.bin", "application/octet-stream")
        before = _rows(there)
        with pytest.raises(BenchError, match="--replace"):
            restore(made, another)
        assert _rows(there) == before
        done = restore(made, another, replace=True)
        assert done.verdict.problems == []
        # This opening, from before, goes on with what was brought back.
        assert [line.title for line in there.jobs()] == ["Second", "First"]
        there.record(1, bodies.Note(text="goes on"))
    back = restore(done.aside, another, replace=True)
    assert back.verdict.problems == []
    with open_bench(another) as there:
        assert _rows(there) == before
        assert there.attachment(there.events(1)[-1].body.sha256) == b"mine too"


def test_a_restore_that_fails_half_way_changes_nothing(bench, another, tmp_path, monkeypatch):
    """Records are replaced as a whole or not at all."""
    from benchwright.jobs import restore as module

    _fill(bench)
    made = back_up(bench, tmp_path / "b.zip").path
    with open_bench(another) as there:
        there.new_job("Mine", "USD")
        before = _rows(there)

        def broken(connection):
            raise OSError(5, "Input/output error")

        monkeypatch.setattr(module, "put_all_words", broken)
        with pytest.raises(BenchError):
            restore(made, another, replace=True)
        assert _rows(there) == before
        assert verify(there).problems == []


@pytest.mark.parametrize("how", ["header", "all but the header", "one page", "gone", "empty"])
def test_a_damaged_bench_is_put_aside_and_the_backup_brought_back(tmp_path, how):
    """Bringing back is what helps when the file can no longer be read; its remains are kept."""
    folder = tmp_path / "bench"
    with open_bench(folder) as bench:
        rows = _fill(bench)
        made = back_up(bench, tmp_path / "b.zip").path
    file = folder / "bench.sqlite"
    content = bytearray(file.read_bytes())
    if how == "gone":
        file.unlink()
    elif how == "empty":
        file.write_bytes(b"")
    elif how == "header":
        content[:100] = b"x" * 100
        file.write_bytes(content)
    else:
        page = content.find(b"no picture on +5V") // 4096 * 4096
        begin, end = (4096, len(content)) if "all" in how else (page, page + 4096)
        content[begin:end] = b"x" * (end - begin)
        file.write_bytes(content)
    if how not in ("gone", "empty"):
        with pytest.raises(BenchError):
            restore(made, folder)
        assert file.read_bytes() == content
    done = restore(made, folder, replace=True)
    assert done.verdict.problems == []
    if how not in ("gone", "empty"):
        assert (done.aside / "bench.sqlite").read_bytes() == content
    with open_bench(folder) as bench:
        assert _rows(bench) == rows


def _spoil(source, target, change):
    """Write a zip anew with its members changed: `change` takes and gives a dict of names and bytes."""
    with zipfile.ZipFile(source) as archive:
        inside = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(target, "w") as archive:
        for name, data in change(inside).items():
            archive.writestr(name, data)


def _in_manifest(inside, **changes):
    return {
        **inside,
        "manifest.json": json.dumps({**json.loads(inside["manifest.json"]), **changes}).encode(),
    }


SPOILED = {
    "a file more": lambda inside: {**inside, "../../evil": b"x"},
    "a path outside": lambda inside: _in_manifest(
        {**inside, "../evil": b"x"},
        files={
            **json.loads(inside["manifest.json"])["files"],
            "../evil": {
                "sha256": "2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881",
                "size": 1,
            },
        },
    ),
    "a file less": lambda inside: dict(list(inside.items())[1:]),
    "no manifest": lambda inside: {n: d for n, d in inside.items() if n != "manifest.json"},
    "another manifest": lambda inside: {**inside, "manifest.json": b'{"format": "photos"}'},
    "a broken manifest": lambda inside: {**inside, "manifest.json": b"[1, 2"},
    "a newer manifest": lambda inside: _in_manifest(inside, version=2),
    "another attachment": lambda inside: {
        n: d[:-1] + bytes([d[-1] ^ 1]) if n.startswith("attach") else d for n, d in inside.items()
    },
    "other records": lambda inside: {
        n: d[:5000] + bytes([d[5000] ^ 1]) + d[5001:] if n.endswith("sqlite") else d
        for n, d in inside.items()
    },
}


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    """A backup as it should be."""
    folder = tmp_path_factory.mktemp("good")
    with open_bench(folder / "bench") as bench:
        _fill(bench)
        return back_up(bench, folder / "b.zip").path


@pytest.mark.parametrize("what", SPOILED)
def test_a_spoiled_backup_is_refused_before_anything_is_written(tmp_path, good, what):
    """Whatever was changed in it, the answer is one plain message, and no bench is begun."""
    bad = tmp_path / "bad.zip"
    _spoil(good, bad, SPOILED[what])
    with pytest.raises(BadFile, match=r"bad\.zip"):
        restore(bad, tmp_path / "another")
    with pytest.raises(BadFile):
        check_backup(bad)
    assert not (tmp_path / "another").exists()
    assert not (tmp_path.parent / "evil").exists()


def test_a_backup_cut_short_anywhere_is_refused(tmp_path, good):
    """Truncated, empty, or no zip at all: a plain message."""
    whole = good.read_bytes()
    bad = tmp_path / "bad.zip"
    for content in (b"", b"x" * 1000, whole[:200], whole[: len(whole) // 2], whole[:-10], whole[100:]):
        bad.write_bytes(content)
        with pytest.raises(BadFile, match=r"bad\.zip"):
            check_backup(bad)
    with pytest.raises(BadFile, match="no such file"):
        check_backup(tmp_path / "none.zip")
