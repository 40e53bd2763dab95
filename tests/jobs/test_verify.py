"""`verify` finds whatever was changed behind the bench's back, and says what it was."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner
from sqlalchemy import text

from benchwright.cli.main import cli
from benchwright.jobs import bodies, open_bench
from benchwright.jobs.bench import rederive
from benchwright.jobs.verify import verify


@pytest.fixture
def full(bench):
    """A bench with two jobs: events 1 to 8, one corrected, one taken back, an attachment, an open point."""
    job = bench.new_job("First", "EUR", bodies.Symptom(text="no picture"))
    (note,) = bench.record(job, bodies.Note(text="C7 leaks"))
    bench.record(job, bodies.Note(text="C8 leaks"), supersedes=note.uid)
    bench.attach(job, b"photo", "a.jpg", "image/jpeg")
    bench.record(job, bodies.OpenPoint(text="key cap"))
    bench.undo(job)
    bench.new_job("Second", "EUR")
    assert verify(bench).problems == []
    return bench


SPOILED = {
    "a body": ("UPDATE event SET body = replace(body, 'C7', 'C9') WHERE number = 3", "event 3.*hash differs"),
    "a time": (
        "UPDATE event SET at = '2020-01-01T00:00:00.000000Z' WHERE number = 2",
        "event 2.*hash differs",
    ),
    "its job": ("UPDATE event SET job = 2 WHERE number = 2", "event 2.*hash differs"),
    "its identity": ("UPDATE event SET uid = 'other' WHERE number = 2", "event 2.*hash differs"),
    "a kind": ("UPDATE event SET kind = 'note' WHERE number = 2", "event 2.*says that it is symptom"),
    "a hash": ("UPDATE event SET sha256 = reverse_it WHERE number = 2", "event 2.*hash differs"),
    "a link": ("UPDATE event SET supersedes = NULL WHERE number = 4", "event 4.*hash differs"),
    "an event gone": ("DELETE FROM event WHERE number = 2", "events 2 to 2 are missing"),
    "the beginning gone": ("DELETE FROM event WHERE number = 8", "job 2 has no events"),
    "a job gone": (
        "DELETE FROM event WHERE number = 8; UPDATE job SET number = 3 WHERE number = 2",
        "job 2 is missing",
    ),
    "a body of nonsense": (
        "UPDATE event SET body = '{\"type\":' WHERE number = 2",
        "event 2.*cannot be read",
    ),
    "a flag": ("UPDATE event SET stands = 1 WHERE number = 3", "event 3: whether"),
    "a place": ("UPDATE event SET place = 4 WHERE number = 4", "event 4: whether"),
    "words gone": ("DELETE FROM words WHERE rowid = 2", "event 2: the words"),
    "words of nothing": ("UPDATE words SET rowid = 99 WHERE rowid = 2", "event 99, which is not there"),
    "a title": ("UPDATE job SET title = 'Other' WHERE number = 1", "job 1 in the list.*title"),
    "a size": ("UPDATE attachment SET size = 4", "a.jpg"),
    "an attachment forgotten": ("DELETE FROM piece; DELETE FROM attachment", "a.jpg.*not noted"),
}
DERIVED = ("a flag", "a place", "words gone", "words of nothing", "a title")


def _spoil(bench, what):
    statements, expected = SPOILED[what]
    with bench.place.writing() as connection:
        for statement in statements.split("; "):
            connection.execute(text(statement.replace("reverse_it", f"'{'0' * 64}'").replace(":", "\\:")))
    return expected


@pytest.mark.parametrize("what", SPOILED)
def test_each_change_behind_its_back_is_found(full, what):
    """Any field of an event or of what is derived, changed or gone, is named."""
    expected = _spoil(full, what)
    problems = verify(full).problems
    import re

    assert any(re.search(expected, problem) for problem in problems), problems
    assert len(problems) < 8  # and not everything is called wrong for it


@pytest.mark.parametrize("what", DERIVED)
def test_what_is_derived_is_mended_by_deriving_anew(full, what):
    """Deriving anew mends what is derived, and changes nothing else."""
    _spoil(full, what)
    with full.place.writing() as connection:
        rederive(full, connection)
    assert verify(full).problems == []


def test_files_missing_changed_left_over_and_unfinished(tmp_path):
    """A missing or changed file is wrong; a file too many does no harm and is only noted."""
    with open_bench(tmp_path / "bench") as bench:
        job = bench.new_job("One", "EUR")
        data = (b"first", b"other", b"third")
        sums = [bench.attach(job, d, f"{d.decode()}.bin", "image/jpeg").body.sha256 for d in data]
        path = bench.place.attachments.path_of
        path(sums[0]).unlink()
        path(sums[1]).write_bytes(b"othar")
        path(sums[2]).write_bytes(b"short")
        found = verify(bench)
        assert len(found.problems) == 3
        assert "'first.bin'" in "".join(found.problems)
        assert len(verify(bench, "sizes").problems) == 1
        assert verify(bench, "none").problems == []
        for d in data:  # the same files attached again bring them back
            bench.attach(job, d, "again.bin", "image/jpeg")
        (path(sums[0]).parent / ("f" * 64)).write_bytes(b"of nobody")
        (tmp_path / "bench" / "attachments" / "coming-1").write_bytes(b"unfinished")
        found = verify(bench)
        assert found.problems == []
        assert len(found.remarks) == 2
        bench.attach(job, b"next", "n.bin", "image/jpeg")
        assert not (tmp_path / "bench" / "attachments" / "coming-1").exists()


@pytest.mark.parametrize("sql", ["UPDATE piece SET data = 'other'", "DELETE FROM piece"])
def test_pieces_on_a_server_missing_or_changed(server, sql):
    """What is stored on the server is checked byte by byte as well."""
    with open_bench(server.bench()) as bench:
        job = bench.new_job("One", "EUR")
        bench.attach(job, b"photo", "a.jpg", "image/jpeg")
        with bench.place.writing() as connection:
            connection.execute(text(sql))
        assert any("'a.jpg'" in problem for problem in verify(bench).problems)


def test_a_damaged_file_is_reported_and_never_a_traceback(tmp_path):
    """Bytes changed anywhere in the file are found, or lie where nothing is stored."""
    with open_bench(tmp_path / "bench") as bench:
        for n in range(5):
            bench.new_job(f"Job {n}", "EUR", *(bodies.Note(text=f"U{n}.{k} " + "x" * 200) for k in range(30)))
    file = tmp_path / "bench" / "bench.sqlite"
    whole = file.read_bytes()
    found = 0
    places = range(4196, len(whole), len(whole) // 25)
    for at in places:
        file.write_bytes(whole[:at] + bytes(b ^ 0x55 for b in whole[at : at + 64]) + whole[at + 64 :])
        done = CliRunner().invoke(cli, ["bench", "verify", "--bench", str(tmp_path / "bench")])
        told = (
            done.exception is None
            or isinstance(done.exception, SystemExit)
            or "bench.sqlite" in str(done.exception)
        )
        assert told, done.exception
        found += done.exit_code != 0
    assert found > len(places) / 2


def test_the_commands_tell_and_answer_with_their_exit_codes(where, tmp_path):
    """The whole way on the command line: back up, spoil, verify, mend, restore."""

    def run(*arguments, code=0):
        done = CliRunner().invoke(cli, ["bench", *arguments])
        assert done.exit_code == code, (done.output, done.exception)
        return done.output

    at, file = ("--bench", where), str(tmp_path / "b.zip")
    with open_bench(where) as bench:
        bench.new_job("First", "EUR", bodies.Symptom(text="no picture"))
        assert "All is well: 1 job, 2 events, 0 attachments" in run("verify", *at)
        assert json.loads(run("backup", file, *at, "--json"))["events"] == 2
        assert "All is well" in run("verify", file)
        _spoil(bench, "a title")
        assert "wrong: job 1 in the list is not as derived: title" in run("verify", *at, code=1)
        assert json.loads(run("verify", *at, "--json", code=1))["clean"] is False
        assert "All is well" in run("verify", *at, "--rederive")
        _spoil(bench, "a kind")
        run("verify", *at, "--quick", code=1)
        told = json.loads(run("restore", file, *at, "--replace", "--json"))
        assert told["clean"] is True
        assert told["aside"].endswith(".zip")
        assert "All is well" in run("verify", *at)
        assert "backups" in run("backup", *at)
    run("restore", str(tmp_path / "none.zip"), *at, code=2)
    run("verify", file, "--quick", code=2)


def test_progress_goes_from_nothing_to_all(bench, tmp_path):
    """What is told of progress never goes back and ends with all done."""
    from benchwright.jobs.backup import back_up
    from benchwright.jobs.restore import restore

    job = bench.new_job("One", "EUR")
    for n in range(3):
        bench.attach(job, bytes([n]) * 100_000, f"{n}.bin", "image/jpeg")
    for work in (
        lambda tell: verify(bench, progress=tell),
        lambda tell: back_up(bench, tmp_path / "b.zip", tell),
        lambda tell: restore(tmp_path / "b.zip", tmp_path / "another", progress=tell),
    ):
        shares: list[float] = []
        work(shares.append)
        assert shares == sorted(shares)
        assert 0 <= shares[0] <= shares[-1] == 1.0
