"""What the fault finder makes of a job: runs in the process that holds the finders."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field

from ..board import Board
from ..finding import Check, Suspect
from ..finding.finder import WITH_PROBE
from ..finding.words import Advice
from ..jobs import Bench, JobState
from ..jobs.evidence import JobFinder, Piece, pieces

Progress = Callable[[float], None]
MOST_KEPT = 4
"""Finders kept at a time; each holds some tens of megabytes."""
SHOWN = 8
"""Suspects that a page lists."""
CHECKS = 5


@dataclass
class Case:
    """A job with its fault finder.

    Attributes
    ----------
    number : int
    state : JobState
    board : Board
    finder : JobFinder
        Has taken all the job's evidence.
    taken : list of Piece
    factors : dict
        What the bench's history does to failure rates.
    proved : int
        Number of the newest proved fault when the factors were made.
    learnt : int
        Proved faults of other jobs behind the factors.
    """

    number: int
    state: JobState
    board: Board
    finder: JobFinder
    taken: list[Piece] = field(default_factory=list)
    factors: dict[tuple[str, str], float] = field(default_factory=dict)
    proved: int = 0
    learnt: int = 0


@dataclass(frozen=True)
class Judgement:
    """What is most likely wrong, and what to do next, as plain data.

    Attributes
    ----------
    newest : int
        Number of the job's newest event that is in it.
    board : str
        Name and revision.
    suspects : tuple of Suspect
    none_of_these, sound : float
        Probability that it is none of the faults considered; that nothing is wrong any more.
    odd : tuple of str
        Readings that fight all others.
    checks : tuple of Check
        Best first.
    advice : Advice
    unused : tuple of (int, str)
        Events that could not be used, and why.
    evidence, learnt : int
        Pieces of evidence; proved faults of other jobs behind the rates.
    """

    newest: int
    board: str
    suspects: tuple[Suspect, ...]
    none_of_these: float
    sound: float
    odd: tuple[str, ...]
    checks: tuple[Check, ...]
    advice: Advice
    unused: tuple[tuple[int, str], ...]
    evidence: int
    learnt: int


def judgement(case: Case) -> Judgement:
    """Judge a job."""
    finder = case.finder
    places, _, none = finder.place_chances()
    suspects = [s for s in finder.suspects(SHOWN) if s.probability >= 0.005] or finder.suspects(1)
    return Judgement(
        newest=case.state.events[-1].number,
        board=" ".join(f"{case.board.name} {case.board.revision}".split()),
        suspects=tuple(suspects),
        none_of_these=none,
        sound=max(0.0, 1.0 - float(places.sum()) - none),
        odd=tuple(text for _, text in finder.odd_readings()),
        checks=tuple(finder.next_checks(CHECKS)),
        advice=finder.advice(),
        unused=tuple((p.event.number, p.problem) for p in case.taken if p.problem),
        evidence=sum(p.reading is not None for p in case.taken),
        learnt=case.learnt,
    )


class Cases:
    """Jobs with their fault finders, the latest asked for kept.

    A finder takes in what is new; where something was taken back or corrected it begins again, with all that
    was worked out of the board.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._kept: OrderedDict[int, Case] = OrderedDict()

    def case(self, number: int, progress: Progress = lambda _: None) -> Case:
        """The job as it is now.

        Raises
        ------
        NoSuchJob, BadFile
            It is not there; it has no board that can be read.
        """
        from ..jobs.kept_board import board_of

        state = self._bench.job(number)
        known = self._kept.pop(number, None)
        proved = max((event.number for event in self._bench.confirmed()), default=0)
        if known is None or known.state.board_text != state.board_text or known.proved != proved:
            board = board_of(state, number)
            known = self._begun(number, state, board, proved, known)
        self._bring_up_to_date(known, state, progress)
        self._kept[number] = known
        while len(self._kept) > MOST_KEPT:
            self._kept.popitem(last=False)
        return known

    def _begun(self, number: int, state: JobState, board: Board, proved: int, old: Case | None) -> Case:
        from ..faults.learned_rates import model_of
        from ..jobs.experience import experience

        learnt = experience(self._bench, state.uid)
        factors = learnt.rates.factors(model_of(board))
        if old is not None and old.state.board_text == state.board_text and old.factors == factors:
            old.proved, old.learnt = proved, learnt.rates.proved
            return old
        finder = JobFinder(board, None, factors, WITH_PROBE)
        return Case(number, state, board, finder, [], factors, proved, learnt.rates.proved)

    def _bring_up_to_date(self, case: Case, state: JobState, progress: Progress) -> None:
        wanted = pieces(state.events, case.board)
        if case.taken != wanted[: len(case.taken)]:
            case.finder.start_over()
            case.finder.told, case.taken = None, []
        new = wanted[len(case.taken) :]
        for done, piece in enumerate(new):
            progress(done / len(new))
            case.finder.take(piece)
            case.taken.append(piece)
        case.state = state
