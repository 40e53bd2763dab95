"""`benchwright job sheet` and `benchwright stock sheet`: from the records to a PDF."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from .at_bench import bench_option, opened

if TYPE_CHECKING:
    from ..sheets.press import Sheet

F = TypeVar("F", bound=Callable[..., Any])
_LABEL_MM = (62.0, 29.0)
_MOST_SUSPECTS = 10


def _output_options(command: F) -> F:
    for option in reversed(
        (
            click.option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
                         help="Where the PDF goes; - is standard output.  [default: named after the sheet]"),
            click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True),
            click.option("--name", metavar="TEXT", default="", envvar="BENCHWRIGHT_NAME",
                         help="Whose bench it is, for the foot of each page; or set BENCHWRIGHT_NAME."),
            click.option("--json", "as_json", is_flag=True, help="Print what was made as JSON."),
            bench_option,
        )
    ):  # fmt: skip
        command = option(command)
    return command


def _label_options(command: F) -> F:
    for option in reversed(
        (
            click.option("--labels", "stock", metavar="NAME",
                         help="Labels: on a sheet of labels, such as a4-21 or letter-30."),
            click.option("--first", type=click.IntRange(1), default=1, show_default=True,
                         help="Labels: the first free place on that sheet, row by row."),
            click.option("--size", type=(float, float), default=_LABEL_MM, metavar="WIDTH HEIGHT",
                         help="Labels: one alone of this size in millimetres.  [default: 62 29]"),
        )
    ):  # fmt: skip
        command = option(command)
    return command


@click.command("sheet")
@click.argument("number", metavar="JOB", type=click.IntRange(1))
@click.argument("sheet", type=click.Choice(["condition", "job", "change", "label"]))
@click.option("--photos", is_flag=True, help="With the job's photos, without what a camera wrote into them.")
@click.option("--suspects", is_flag=True, help="Job sheet: with what is most likely wrong by now.")
@click.option("--own-numbers", is_flag=True,
              help="Count events within the job: the same on any bench, not as in `job show`.")  # fmt: skip
@_label_options
@_output_options
def sheet_command(
    number: int, sheet: str, photos: bool, suspects: bool, own_numbers: bool, stock: str | None, first: int,
    size: tuple[float, float], out: Path | None, paper: str, name: str, as_json: bool, where: str | None,
) -> None:  # fmt: skip
    """Print a sheet of a job as a PDF.

    \b
    condition   for the buyer: what was tested, what was not, changes, open points
    job         for the bench: everything, with time and money
    change      each change to the board, how to undo it, the readings that prove it
    label       for the machine's box, with a code to scan
    """
    from ..sheets import make_pdf
    from ..sheets.from_job import change_sheet, condition_report, job_label, job_sheet
    from ..sheets.from_photos import photos_of
    from ..sheets.of_stock import LabelPlace, labels_on
    from ..sheets.told import History

    told: dict[str, Any] = {"job": number, "sheet": sheet}
    weighed = _suspects(where, number, own_numbers) if suspects and sheet == "job" else {}
    with opened(where) as bench:
        state = bench.job(number)
        lots = bench.stock()
        history = History(state, lots, own_numbers)
        shown: dict[str, Any] = {"lots": lots, "bench": name, "own_numbers": own_numbers}
        shown["photos"], left_out = photos_of(history, bench.attachment) if photos else ((), ())
        for line in left_out:
            click.echo(f"benchwright: {line}", err=True)
        printed: Sheet
        if sheet == "condition":
            report = condition_report(state, number, **shown)
            told["not_tested"] = [function.key for function in report.not_tested]
            told["tested"] = {key: test.verdict for key, test in report.standing.items()}
            printed = report
        elif sheet == "job":
            printed = job_sheet(
                state, number, **shown, prices=bench.prices(state), **weighed,
                suspects_at=history.latest if suspects else None,
            )  # fmt: skip
        elif sheet == "change":
            printed = change_sheet(state, number, **shown)
        else:
            place = LabelPlace(stock, first, *size)
            printed = labels_on([job_label(state, number)], place, history.latest.date())
    _write(make_pdf(printed, paper), out, f"job-{number}-{sheet}.pdf", told, as_json)


@click.command("sheet")
@click.argument("sheet", type=click.Choice(["shopping", "list", "labels"]))
@click.option("--job", "jobs", type=click.IntRange(1), multiple=True, metavar="JOB",
              help="Shopping: only for this job. Labels: for its box. May be repeated.")  # fmt: skip
@click.option("--lot", "lots", multiple=True, metavar="LOT",
              help="Labels: for this lot of parts. May be repeated.")  # fmt: skip
@_label_options
@_output_options
def stock_sheet_command(
    sheet: str, jobs: tuple[int, ...], lots: tuple[str, ...], stock: str | None, first: int,
    size: tuple[float, float], out: Path | None, paper: str, name: str, as_json: bool, where: str | None,
) -> None:  # fmt: skip
    """Print a list or labels as a PDF.

    \b
    shopping    what jobs want and the stock has not
    list        what is in the drawers
    labels      for boxes and drawers: of the jobs and lots named, else of every lot on hand
    """
    from ..sheets import make_pdf
    from ..sheets.of_stock import LabelPlace, sheet_of_stock

    told: dict[str, Any] = {"sheet": sheet}
    place = LabelPlace(stock, first, *size)
    with opened(where) as bench:
        printed = sheet_of_stock(bench, sheet, jobs, lots, place, paper, name)
    _write(make_pdf(printed, paper), out, f"stock-{sheet}.pdf", told, as_json)


def _suspects(where: str | None, number: int, own_numbers: bool) -> dict[str, Any]:
    """What `job suspects` tells of a job now: the likeliest, each with its events, and what is left."""
    from ..jobs.evidence import replay
    from ..sheets import Suspect
    from ..sheets.job import LEAST_CHANCE
    from ..sheets.told import History
    from .job_find import case_of

    case = case_of(where, number, None, False)
    finder, pieces = replay(case.state, case.board, case.factors)
    history = History(case.state, own_numbers=own_numbers)
    events = [history.number(piece.event) for piece in pieces if piece.reading is not None]
    told: dict[str, list[int]] = {}
    for step, entry in enumerate(finder._step_entry):
        told.setdefault(finder._told(step), []).append(events[entry])
    found = [
        Suspect(
            one.text, min(1.0, one.probability),
            tuple(event for words in one.because for event in told.get(words, ())),
        )
        for one in finder.suspects(_MOST_SUSPECTS)
    ]  # fmt: skip
    places, _, none = finder.place_chances()
    others = max(0.0, float(places.sum()) - sum(one.probability for one in found)) + none
    mended = 1.0 - float(places.sum()) - none
    if mended >= LEAST_CHANCE:
        found.append(Suspect("Put right: nothing is wrong any more", mended))
    return {"suspects": found, "others": others}


def _write(pdf: bytes, out: Path | None, usual: str, told: dict[str, Any], as_json: bool) -> None:
    path = out or Path(usual)
    if str(path) == "-":
        click.echo(pdf, nl=False)
        return
    path.write_bytes(pdf)
    if as_json:
        click.echo(json.dumps({**told, "file": str(path), "bytes": len(pdf)}, indent=2, ensure_ascii=False))
        return
    click.echo(f"{path} written.")
    if "not_tested" in told:
        count = len(told["not_tested"])
        click.echo(f"{len(told['tested'])} functions tested or looked over, {count} not tested.")
