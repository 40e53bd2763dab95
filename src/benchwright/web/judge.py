"""The process that holds the fault finders, and what it last said of each job."""

from __future__ import annotations

import multiprocessing
import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING, Any

from ..errors import BenchwrightError
from .records import Records

if TYPE_CHECKING:
    from .feed import Feed
    from .judging import Judgement


class NotJudged(BenchwrightError):
    """The fault finder cannot say anything of this job: the reason in plain words."""


@dataclass
class Question:
    """Something asked about a job."""

    number: int
    function: Callable[..., Any] | None
    arguments: tuple[Any, ...]
    answer: Future[Any]


@dataclass
class Known:
    """What is known of a job's judgement.

    Attributes
    ----------
    judgement : Judgement or None
    problem : str
        Why there is none; empty if there is one, or if it is being worked out.
    newest : int
        Number of the job's newest event that either is about.
    working : bool
    share : float
        Of the evidence weighed, while working.
    """

    judgement: Judgement | None = None
    problem: str = ""
    newest: int = 0
    working: bool = False
    share: float = 0.0


class Judge:
    """Asks the fault finders, in a process of their own, so that pages are answered meanwhile.

    Parameters
    ----------
    records : Records
    feed : Feed
        Told when a judgement is ready.
    """

    def __init__(self, records: Records, feed: Feed) -> None:
        self._records, self._feed = records, feed
        self._known: dict[int, Known] = {}
        self._lock = threading.Lock()
        self._questions: queue.Queue[Question | None] = queue.Queue()
        self._thread: threading.Thread | None = None
        self._process: Any = None
        self._closed = False

    def judgement(self, number: int) -> Judgement | None:
        """The last judgement of a job; None if there is none yet."""
        with self._lock:
            known = self._known.get(number)
            return known.judgement if known else None

    def look(self, number: int, newest: int) -> Known:
        """What is known of a job, and have it judged anew if there are newer events.

        Parameters
        ----------
        number : int
        newest : int
            Number of the job's newest event.
        """
        with self._lock:
            known = self._known.setdefault(number, Known())
            if known.newest != newest and not known.working:
                known.working, known.share = True, 0.0
                self._ask(Question(number, None, (), Future()))
            return Known(known.judgement, known.problem, known.newest, known.working, known.share)

    def ask(self, number: int, function: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Have a function called with a job's case, in the finders' process.

        Parameters
        ----------
        number : int
        function : callable
            At the top level of a module; called as ``function(case, *arguments)``.

        Returns
        -------
        Future
            Its result; a `BenchwrightError` that it raised, or `NotJudged`.
        """
        answer: Future[Any] = Future()
        with self._lock:
            self._ask(Question(number, function, arguments, answer))
        return answer

    def _ask(self, question: Question) -> None:
        if self._closed:
            question.answer.set_exception(NotJudged("the bench is closing"))
            return
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="judge", daemon=True)
            self._thread.start()
        self._questions.put(question)

    def close(self) -> None:
        """Stop the process."""
        with self._lock:
            self._closed = True
        self._questions.put(None)
        if self._process is not None:
            self._process.terminate()
        if self._thread is not None:
            self._thread.join(5)

    # -- the thread that speaks with the process -----------------------------------------------------------

    def _run(self) -> None:
        pipe: Connection | None = None
        where = self._records.where
        while (question := self._questions.get()) is not None:
            if pipe is not None and where != self._records.where:
                self._process.terminate()
                pipe = None
            where = self._records.where
            if pipe is None:
                pipe = self._start(where)
            try:
                pipe.send((question.number, question.function, question.arguments))
                while (said := pipe.recv())[0] == "share":
                    self._progress(question.number, said[1])
            except (OSError, EOFError):
                pipe = None
                self._finish(question, "the fault finder stopped: load the page again to start it anew", None)
                continue
            self._finish(question, said[1] if said[0] == "problem" else "", said[1])
        if pipe is not None:
            with suppress(OSError):
                pipe.send(None)

    def _start(self, where: str | None) -> Connection:
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        process = context.Process(target=work, args=(theirs, where), name="finders", daemon=True)
        process.start()
        self._process = process
        if self._closed:  # meanwhile, when there was no process to stop yet
            process.terminate()
        theirs.close()
        return ours

    def _progress(self, number: int, share: float) -> None:
        with self._lock:
            if number in self._known:
                self._known[number].share = share

    def _finish(self, question: Question, problem: str, result: Any) -> None:
        if question.function is not None:
            if problem:
                question.answer.set_exception(NotJudged(problem))
            else:
                question.answer.set_result(result)
            return
        with self._lock:
            known = self._known.setdefault(question.number, Known())
            known.working, known.problem = False, problem
            if problem:
                known.judgement = None
                with suppress(BenchwrightError):
                    known.newest = self._records.bench().job(question.number).events[-1].number
            else:
                known.judgement, known.newest = result, result.newest
        self._feed.judged(question.number)


def work(pipe: Connection, where: str | None) -> None:
    """What the finders' process does: answer until it is told to stop or nobody listens."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the server is interrupted, and ends this process then
    from ..jobs import open_bench
    from .judging import Cases, judgement

    with suppress(EOFError, OSError), open_bench(where, create=False) as bench:
        cases = Cases(bench)
        while (message := pipe.recv()) is not None:
            number, function, arguments = message
            try:
                case = cases.case(number, lambda share: pipe.send(("share", share)))
                result = (function or judgement)(case, *arguments)
            except BenchwrightError as problem:
                pipe.send(("problem", str(problem)))
            except Exception as problem:  # whatever it is, the page must be told
                pipe.send(("problem", f"the fault finder failed: {type(problem).__name__}: {problem}"))
            else:
                pipe.send(("done", result))
