"""Which sheet of a job is meant, and with what on it: the same for the command line and for pages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from .checks import known
from .from_job import change_sheet, condition_report, job_label, job_sheet
from .from_photos import photos_of
from .of_stock import LabelPlace, labels_on
from .things import Suspect
from .told import History

if TYPE_CHECKING:
    from ..jobs import Bench, JobState
    from .press import Sheet

KINDS = {"condition": "Condition report", "job": "Job sheet", "change": "Change sheet", "label": "Label"}
MOST_SUSPECTS = 10


@dataclass(frozen=True)
class Weighed:
    """What the fault finder says of a job: the likeliest suspects, and what is left for all others."""

    suspects: tuple[Suspect, ...]
    others: float


@dataclass(frozen=True)
class Wish:
    """What is wanted on a sheet.

    Attributes
    ----------
    photos : bool
        With the job's photos.
    suspects : bool
        Job sheet: with what is most likely wrong.
    own_numbers : bool
        Count events within the job.
    place : LabelPlace
        Where a label goes.
    name : str
        Whose bench it is.
    """

    photos: bool = False
    suspects: bool = False
    own_numbers: bool = False
    place: LabelPlace = field(default_factory=LabelPlace)
    name: str = ""


def sheet_of_job(
    bench: Bench, number: int, kind: str, wish: Wish | None = None,
    progress: Callable[[float], None] = lambda _: None,
) -> tuple[Sheet, tuple[str, ...]]:  # fmt: skip
    """A sheet of a job as it is now.

    Parameters
    ----------
    bench : Bench
    number : int
        Of the job.
    kind : str
        One of `KINDS`.
    wish : Wish, optional
    progress : callable
        Called with the share of the readings weighed, where suspects are wanted.

    Returns
    -------
    sheet : Sheet
    left_out : tuple of str
        Why a photo could not be printed, one message each.

    Raises
    ------
    BadSheet, NoSuchJob, BadFile
    """
    known(kind, KINDS, "kind of sheet")
    wish = wish or Wish()
    state, lots = bench.job(number), bench.stock()
    history = History(state, lots, wish.own_numbers)
    if kind == "label":
        return labels_on([job_label(state, number)], wish.place, history.latest.date()), ()
    photos, left_out = photos_of(history, bench.attachment) if wish.photos else ((), ())
    if kind == "condition":
        return condition_report(
            state, number, lots=lots, photos=photos, bench=wish.name, own_numbers=wish.own_numbers
        ), left_out
    if kind == "change":
        return change_sheet(
            state, number, lots=lots, photos=photos, bench=wish.name, own_numbers=wish.own_numbers
        ), left_out
    sheet = job_sheet(
        state, number, lots=lots, prices=bench.prices(state), photos=photos, bench=wish.name,
        own_numbers=wish.own_numbers, suspects_at=history.latest if wish.suspects else None,
    )  # fmt: skip
    if wish.suspects:
        weighed = weighed_of(bench, state, number, wish.own_numbers, progress)
        sheet = replace(sheet, suspects=weighed.suspects, others=weighed.others)
    return sheet, left_out


def weighed_of(
    bench: Bench, state: JobState, number: int, own_numbers: bool = False,
    progress: Callable[[float], None] = lambda _: None,
) -> Weighed:  # fmt: skip
    """What is most likely wrong with a machine by now, each suspect with the events that speak for it.

    Raises
    ------
    BadFile
        The job has no board that can be read.
    """
    from ..faults.learned_rates import model_of
    from ..jobs.evidence import replay
    from ..jobs.experience import experience
    from ..jobs.kept_board import board_of
    from .job import LEAST_CHANCE

    board = board_of(state, number)
    factors = experience(bench, state.uid).rates.factors(model_of(board))
    finder, pieces = replay(state, board, factors, progress=progress)
    history = History(state, own_numbers=own_numbers)
    events = [history.number(piece.event) for piece in pieces if piece.reading is not None]
    told: dict[str, list[int]] = {}
    for entry, words in finder.weighed():
        told.setdefault(words, []).append(events[entry])
    found = [
        Suspect(
            one.text, min(1.0, one.probability),
            tuple(event for words in one.because for event in told.get(words, ())),
        )
        for one in finder.suspects(MOST_SUSPECTS)
    ]  # fmt: skip
    places, _, none = finder.place_chances()
    others = max(0.0, float(places.sum()) - sum(one.probability for one in found)) + none
    mended = 1.0 - float(places.sum()) - none
    if mended >= LEAST_CHANCE:
        found.append(Suspect("Put right: nothing is wrong any more", mended))
    return Weighed(tuple(found), others)
