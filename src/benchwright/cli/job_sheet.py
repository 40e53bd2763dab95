"""`benchwright job sheet` and `benchwright stock sheet`: from the records to a PDF."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from .at_bench import bench_option, opened
from .progress import progress_bar

F = TypeVar("F", bound=Callable[..., Any])
_LABEL_MM = (62.0, 29.0)


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
    from ..sheets import ConditionReport, make_pdf
    from ..sheets.of_job import Wish, sheet_of_job
    from ..sheets.of_stock import LabelPlace

    told: dict[str, Any] = {"job": number, "sheet": sheet}
    wish = Wish(photos, suspects and sheet == "job", own_numbers, LabelPlace(stock, first, *size), name)
    with opened(where) as bench:
        if wish.suspects:
            with progress_bar("weighing the readings") as progress:
                printed, left_out = sheet_of_job(bench, number, sheet, wish, progress)
        else:
            printed, left_out = sheet_of_job(bench, number, sheet, wish)
    for line in left_out:
        click.echo(f"benchwright: {line}", err=True)
    if isinstance(printed, ConditionReport):
        told["not_tested"] = [function.key for function in printed.not_tested]
        told["tested"] = {key: test.verdict for key, test in printed.standing.items()}
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
