"""Sheets from the page: the command's own bytes, with what was recorded and nothing of the camera."""

from __future__ import annotations

import io
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image
from pypdfium2 import PdfDocument, raw
from starlette.testclient import TestClient

from benchwright.cli.main import cli
from benchwright.jobs import Bench

JOB = 8


def bench_of(client: TestClient) -> Bench:
    bench: Bench = client.app.state.records.bench()  # type: ignore[attr-defined]
    return bench


def by_command(folder: Path, out: Path, *options: str) -> bytes:
    done = CliRunner().invoke(
        cli, ["job", "sheet", str(JOB), *options, "--bench", str(folder), "--out", str(out)]
    )
    assert done.exit_code == 0, done.output
    return out.read_bytes()


def words(pdf: bytes) -> str:
    pages = (page.get_textpage().get_text_bounded() for page in PdfDocument(pdf))
    return " ".join(" ".join(pages).split())


@pytest.mark.parametrize("kind", ["condition", "job", "change", "label"])
def test_the_pages_pdf_is_the_commands(
    client: TestClient, bench_folder: Path, tmp_path: Path, kind: str
) -> None:
    """Byte for byte, with and without options; its name is safe."""
    answer = client.get(f"/jobs/{JOB}/sheets/{kind}.pdf")
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.headers["content-disposition"] == f'attachment; filename="job-{JOB}-{kind}.pdf"'
    assert answer.content == by_command(bench_folder, tmp_path / "one.pdf", kind)
    if kind != "label":
        answer = client.get(
            f"/jobs/{JOB}/sheets/{kind}.pdf?paper=letter&own_numbers=1&photos=1&name=Quince+Lane"
        )
        options = ("--paper", "letter", "--own-numbers", "--photos", "--name", "Quince Lane")
        assert answer.content == by_command(bench_folder, tmp_path / "two.pdf", kind, *options)
        assert "Quince Lane" in words(answer.content)


def test_the_job_sheet_with_suspects_is_the_commands(
    client: TestClient, bench_folder: Path, tmp_path: Path
) -> None:
    """Made as a long work, whose page leads to it."""
    answer = client.post(
        f"/jobs/{JOB}/sheets/job-with-suspects", data={"suspects": "1"}, follow_redirects=False
    )
    key = answer.headers["location"].removeprefix("/tasks/")
    tasks = client.app.state.tasks  # type: ignore[attr-defined]
    until = time.monotonic() + 120
    while not tasks.get(key).over and time.monotonic() < until:
        time.sleep(0.1)
    task = tasks.get(key)
    assert task.stage == "done", task.problem
    assert "Job sheet with suspects (PDF)" in client.get(task.leads_to).text
    made = client.get(f"{task.leads_to}/job.pdf").content
    assert made == by_command(bench_folder, tmp_path / "one.pdf", "job", "--suspects")
    assert made != client.get(f"/jobs/{JOB}/sheets/job.pdf").content


def test_what_is_recorded_is_printed_and_what_is_missing_is_told(client: TestClient) -> None:
    """Before printing, in words."""
    bench = bench_of(client)
    job = bench.new_job("Plover 32", "EUR")
    text = client.get(f"/jobs/{job}/sheets").text
    assert "27 of 27 functions are not tested" in text
    assert "No change to the original is recorded" in text
    client.post(f"/jobs/{job}/tests/keyboard", data={"result": "passed", "found": "all 57 keys"})
    assert "26 of 27 functions are not tested" in client.get(f"/jobs/{job}/sheets").text
    printed = words(client.get(f"/jobs/{job}/sheets/condition.pdf").content)
    assert "Plover 32" in printed
    assert "All 57 keys" in printed


def test_where_a_photo_was_taken_is_not_in_the_pdf(client: TestClient) -> None:
    """Nor any other word that the camera wrote."""
    bench = bench_of(client)
    job = bench.new_job("Plover 32", "EUR")
    exif = Image.Exif()
    exif[0x010E] = "SECRETGARDEN"
    exif.get_ifd(0x8825)[29] = "SECRETDATE"
    out = io.BytesIO()
    Image.new("RGB", (40, 30), (200, 30, 30)).save(out, "JPEG", exif=exif)
    assert b"SECRET" in out.getvalue()
    bench.attach(job, out.getvalue(), "board.jpg", "image/jpeg", what="photo", caption="Board from above")
    pdf = client.get(f"/jobs/{job}/sheets/condition.pdf?photos=1").content
    pictures = [thing for page in PdfDocument(pdf) for thing in page.get_objects([raw.FPDF_PAGEOBJ_IMAGE])]
    assert len(pictures) == 1
    assert "Board from above" in words(pdf)
    # Word for word: pictures stand in a PDF as they are, and nothing else of this one may be there.
    data = io.BytesIO()
    pictures[0].extract(data)
    assert data.getvalue() in pdf
    assert not Image.open(data).getexif()
    assert b"SECRET" not in pdf


def test_a_sheet_is_looked_at_first(client: TestClient) -> None:
    """Every page as a picture that says what it is."""
    text = client.get(f"/jobs/{JOB}/sheets/label/preview").text
    assert 'alt="Label, page 1 of 1' in text
    assert "data:image/png;base64,iVBOR" in text


@pytest.mark.parametrize(
    ("query", "says"),
    [("paper=a3", "Paper: expected a4 or letter"), ("first=x", "First free place: expected a number"),
     ("labels=none-1&first=1", "none-1")],
)  # fmt: skip
def test_options_that_make_no_sense_are_told(client: TestClient, query: str, says: str) -> None:
    """In words, without a traceback."""
    answer = client.get(f"/jobs/{JOB}/sheets/label.pdf?{query}")
    assert answer.status_code == 422
    assert says in answer.text


@pytest.mark.parametrize("path", ["made/../../x", "made/" + "a" * 32, "secret.pdf", "nothing/preview"])
def test_what_was_never_made_is_not_found(client: TestClient, path: str) -> None:
    """Nothing but sheets can be asked for."""
    assert client.get(f"/jobs/{JOB}/sheets/{path}").status_code == 404
