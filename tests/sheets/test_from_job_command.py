"""`benchwright job sheet` and `benchwright stock sheet`, and the same sheet from another bench."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from made_job import Diary, fulmar_job, photo
from printed import Printed, bare

from benchwright.cli.main import main
from benchwright.jobs import bodies, open_bench
from benchwright.jobs.archive import export_job, import_job
from benchwright.sheets.of_job import weighed_of


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    where = tmp_path_factory.mktemp("filled") / "bench"
    with open_bench(where) as bench:
        assert fulmar_job(bench) == 1
        Diary(bench, "Kestrel II")
    return where


@pytest.fixture
def folder(filled, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    shutil.copytree(filled, tmp_path / "bench")
    return tmp_path


def run(capsys, *words: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main([*words, "--bench", "bench"])
    told = capsys.readouterr()
    return int(left.value.code or 0), told.out, told.err


@pytest.mark.parametrize("sheet", ["condition", "job", "change", "label"])
def test_each_sheet_is_written_the_same_each_time(folder, capsys, sheet):
    """Under its own name, with a word on the screen."""
    code, out, _ = run(capsys, "job", "sheet", "1", sheet)
    assert (code, out.splitlines()[0]) == (0, f"job-1-{sheet}.pdf written.")
    first = (folder / f"job-1-{sheet}.pdf").read_bytes()
    run(capsys, "job", "sheet", "1", sheet, "--out", "again.pdf")
    assert (folder / "again.pdf").read_bytes() == first
    assert bare("Fulmar 65") in Printed(first).bare


def test_what_was_tested_is_told_as_json(folder, capsys):
    """Function by function."""
    _, out, _ = run(
        capsys, "job", "sheet", "1", "condition", "--json", "--paper", "letter", "--name", "We two"
    )
    told = json.loads(out)
    assert told["tested"]["joystick"] == "part"
    assert "sound" in told["not_tested"]
    printed = Printed(Path(told["file"]).read_bytes())
    assert printed.sizes_mm[0] == (215.9, 279.4)
    assert bare("We two") in printed.bare


def test_photos_come_only_when_asked_for(folder, capsys):
    """One that cannot be printed is named, and the sheet is made; without them they are only listed."""
    with open_bench(folder / "bench") as bench:
        bench.attach(1, b"no picture", "x.heic", "image/heic", what="photo", caption="the ring")
        bench.attach(1, photo(), "y.jpg", "image/jpeg", what="photo", caption="whole board")
    run(capsys, "job", "sheet", "1", "job", "--out", "without.pdf")
    code, _, err = run(capsys, "job", "sheet", "1", "job", "--photos", "--out", "with.pdf")
    assert code == 0
    assert "the ring" in err
    without, with_them = (
        Printed((folder / name).read_bytes()) for name in ("without.pdf", "with.pdf")
    )  # fmt: skip
    assert (without.pictures(), with_them.pictures()) == (0, 2)
    assert bare("y.jpg whole board") in without.bare
    assert bare("y.jpg whole board") not in with_them.bare
    assert bare("x.heic the ring") in with_them.bare


@pytest.mark.parametrize("sheet", ["shopping", "list", "labels"])
def test_sheets_of_the_stock(folder, capsys, sheet):
    """Lists and labels."""
    code, out, _ = run(capsys, "stock", "sheet", sheet)
    assert (code, out) == (0, f"stock-{sheet}.pdf written.\n")
    printed = Printed((folder / f"stock-{sheet}.pdf").read_bytes()).bare
    assert bare("4164") in printed


def test_labels_of_several_boxes(folder, capsys):
    """Jobs and lots on one sheet of labels, from a place on."""
    code, _, _ = run(
        capsys, "stock", "sheet", "labels", "--job", "1", "--job", "2", "--lot", "B3", "--labels", "a4-14",
        "--first", "3",
    )  # fmt: skip
    printed = Printed((folder / "stock-labels.pdf").read_bytes())
    assert code == 0
    assert all(bare(words) in printed.bare for words in ("Job 1", "Job 2", "B3", "Kestrel II"))
    assert bare("A1") not in printed.bare


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("job", "sheet", "99", "condition"), "no job 99"),
        (("job", "sheet", "1", "label", "--labels", "a9"), "a4-21"),
        (("job", "sheet", "1", "label", "--size", "5", "5"), "20 to 210 mm"),
        (("job", "sheet", "2", "job", "--suspects"), "no board"),
        (("stock", "sheet", "labels", "--lot", "Z9"), "there are: A1, A2, B3"),
        (("job", "sheet", "1", "condition", "--out", "no/such/folder.pdf"), "no such file"),
    ],
)
def test_what_cannot_be_printed_is_explained(folder, capsys, words, told):
    """Exit code 2 and what to do; no sheet is left half-made."""
    code, _, err = run(capsys, *words)
    assert code == 2
    assert told in err
    assert not list(folder.glob("*.pdf"))


def test_a_bench_without_stock_has_no_labels_to_print(tmp_path, capsys, monkeypatch):
    """It says so; lists come out empty."""
    monkeypatch.chdir(tmp_path)
    open_bench(tmp_path / "bench").close()
    assert "name at least one" in run(capsys, "stock", "sheet", "labels")[2]
    for sheet in ("shopping", "list"):
        assert run(capsys, "stock", "sheet", sheet)[0] == 0


def test_a_job_that_moved_to_another_bench_gives_the_same_sheet(folder, capsys):
    """Byte for byte, if its events are counted within the job: there they have other numbers."""
    with open_bench(folder / "bench") as here, open_bench(folder / "there") as there:
        for lot in ("B3", "B4"):
            there.record(None, bodies.StockReceived(lot=lot, kind="screw", quantity=5))
        export_job(here, 1, folder / "job.zip")
        assert import_job(there, folder / "job.zip").number == 1
        assert there.events(1)[0].number != here.events(1)[0].number
    for sheet in ("condition", "job", "change"):
        made = []
        for bench in ("bench", "there"):
            with pytest.raises(SystemExit):
                main(["job", "sheet", "1", sheet, "--photos", "--own-numbers", "--bench", bench])
            made.append((folder / f"job-1-{sheet}.pdf").read_bytes())
        assert made[0] == made[1], sheet
    capsys.readouterr()


def test_the_suspects_are_on_the_job_sheet_when_asked_for(folder, capsys):
    """Those of `job suspects`, each with the events that speak for it; never on the buyer's report."""
    told = json.loads(run(capsys, "job", "suspects", "1", "--json")[1])["suspects"]
    run(capsys, "job", "sheet", "1", "job", "--suspects")
    printed = Printed((folder / "job-1-job.pdf").read_bytes()).bare
    part = printed[printed.index(bare("What may be wrong")) :]
    worth = [one for one in told if one["probability"] >= 0.01]
    for one in worth:
        assert bare(one["text"]) in part
    assert not any(bare(one["text"]) in part for one in told if one not in worth)
    with open_bench(folder / "bench") as bench:
        given = weighed_of(bench, bench.job(1), 1)
        numbers = {event.number for event in bench.job(1).events}
    found = {one.text: one for one in given.suspects}
    for one in told:
        assert found[one["text"]].probability == pytest.approx(one["probability"], abs=1e-6)
        assert bool(found[one["text"]].events) == bool(one["because"])
        assert set(found[one["text"]].events) <= numbers
    everything = sum(one.probability for one in given.suspects) + given.others
    assert everything == pytest.approx(1.0, abs=0.02)
    run(capsys, "job", "sheet", "1", "condition", "--suspects")
    assert bare("What may be wrong") not in Printed((folder / "job-1-condition.pdf").read_bytes()).bare
