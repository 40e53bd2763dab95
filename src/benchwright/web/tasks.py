"""Long work in processes of its own: it shows how far it is and can be stopped."""

from __future__ import annotations

import multiprocessing
import threading
import time
import uuid
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING, Any

from ..errors import BenchwrightError

if TYPE_CHECKING:
    from .feed import Feed

AT_ONCE = 2
KEPT = 100
"""Tasks that are remembered after they ended."""
TELL_EVERY = 0.4
"""Seconds between two words on how far it is."""


@dataclass
class Task:
    """One long work.

    Attributes
    ----------
    key : str
    title : str
        What it is, for the person.
    job : int or None
    back : str
        Path of the page that asked for it.
    stage : str
        ``waiting``, ``running``, ``done``, ``failed`` or ``stopped``.
    share : float
        Done so far.
    what : str
        What it is at.
    result : object
        What the function returned; a path if the page should go there.
    problem : str
    """

    key: str
    title: str
    job: int | None = None
    back: str = "/"
    stage: str = "waiting"
    share: float = 0.0
    what: str = ""
    result: Any = None
    problem: str = ""
    started: float = field(default_factory=time.monotonic)
    process: Any = None

    @property
    def over(self) -> bool:
        return self.stage in ("done", "failed", "stopped")

    @property
    def leads_to(self) -> str:
        """Where to go once it is done."""
        return self.result if isinstance(self.result, str) and self.result.startswith("/") else self.back


class Tasks:
    """Starts long works, a few at a time.

    Parameters
    ----------
    feed : Feed
        Told as they go on.
    """

    def __init__(self, feed: Feed) -> None:
        self._feed = feed
        self._tasks: OrderedDict[str, Task] = OrderedDict()
        self._lock = threading.Lock()
        self._room = threading.Semaphore(AT_ONCE)

    def start(
        self, title: str, function: Callable[..., Any], *arguments: Any, job: int | None = None,
        back: str = "/", finish: Callable[[Any], Any] | None = None,
    ) -> str:  # fmt: skip
        """Begin a work.

        Parameters
        ----------
        title : str
        function : callable
            At the top level of a module; called in its own process as ``function(progress, *arguments)``,
            where ``progress(share, what)`` tells how far it is. A `BenchwrightError` is told to the person.
        job : int, optional
        back : str
            Path to go to afterwards, unless the result is a path.
        finish : callable, optional
            Called here with the result, which it may replace.

        Returns
        -------
        str
            Its key: the page is ``/tasks/{key}``.
        """
        task = Task(uuid.uuid4().hex, title, job, back)
        with self._lock:
            self._tasks[task.key] = task
            for key in [key for key, old in self._tasks.items() if old.over][:-KEPT]:
                del self._tasks[key]
        threading.Thread(
            target=self._run, args=(task, function, arguments, finish), name=f"task {title}", daemon=True
        ).start()
        return task.key

    def get(self, key: str) -> Task | None:
        """A work by its key; None if it is not known (any more)."""
        with self._lock:
            return self._tasks.get(key)

    def stop(self, key: str) -> None:
        """Stop a work; nothing of it is kept."""
        task = self.get(key)
        if task is not None and not task.over:
            task.stage = "stopped"
            if task.process is not None:
                task.process.terminate()
            self._feed.task(key)

    def close(self) -> None:
        """Stop all."""
        for key in list(self._tasks):
            self.stop(key)

    def _run(
        self, task: Task, function: Callable[..., Any], arguments: tuple[Any, ...],
        finish: Callable[[Any], Any] | None,
    ) -> None:  # fmt: skip
        with self._room:
            if task.over:
                return
            context = multiprocessing.get_context("spawn")
            ours, theirs = context.Pipe(duplex=False)
            task.process = context.Process(target=work, args=(theirs, function, arguments), daemon=True)
            task.process.start()
            theirs.close()
            if not task.over:
                task.stage = "running"
            with suppress(EOFError, OSError):
                self._listen(task, ours, finish)
            task.process.join(2)
            if not task.over:
                task.stage, task.problem = "failed", "it ended without an answer: see the terminal, try again"
        self._feed.task(task.key)

    def _listen(self, task: Task, pipe: Connection, finish: Callable[[Any], Any] | None) -> None:
        told = 0.0
        while not task.over:
            kind, *said = pipe.recv()
            if kind == "share":
                task.share, task.what = said
                if time.monotonic() - told > TELL_EVERY:
                    told = time.monotonic()
                    self._feed.task(task.key)
            elif kind == "problem":
                task.problem, task.stage = said[0], "failed"
            elif not task.over:
                try:
                    task.result = said[0] if finish is None else finish(said[0])
                    task.share, task.stage = 1.0, "done"
                except BenchwrightError as problem:
                    task.problem, task.stage = str(problem), "failed"


def work(pipe: Connection, function: Callable[..., Any], arguments: tuple[Any, ...]) -> None:
    """What a work's process does."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def progress(share: float, what: str = "") -> None:
        pipe.send(("share", min(max(float(share), 0.0), 1.0), what))

    with suppress(OSError):
        try:
            result = function(progress, *arguments)
        except BenchwrightError as problem:
            pipe.send(("problem", str(problem)))
        except Exception as problem:  # whatever it is, the page must be told
            pipe.send(("problem", f"{type(problem).__name__}: {problem}"))
            raise
        else:
            pipe.send(("done", result))
