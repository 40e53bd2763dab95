"""Writers that are killed at any moment, and the look at what they left; run as a program of its own.

It loads everything once and forks for each writer, since loading takes longer than a writer lives.

    python crash_driver.py '{"places": [...], "rounds": 200, "seed": 1}'
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from benchwright.jobs import BenchError, open_bench
from benchwright.jobs.bodies import Attachment, Note, Reading
from benchwright.jobs.verify import verify


def write_on(where: str, seed: int, say: Callable[[str], None], most: int = 10**9) -> None:
    """Log readings, pairs of notes and attachments; say what was acknowledged, after it was."""
    chance = random.Random(seed)
    with open_bench(where) as bench:
        jobs = bench.jobs()
        job = jobs[0].number if jobs else bench.new_job("Written until killed", "EUR")
        say("ready")
        for count in range(most):
            deed = chance.random()
            if deed < 0.5:
                body = Reading(
                    entry=f"U{seed}.{count} GND 0R8", quantity="resistance", a=f"U{seed}.{count}", b="GND"
                )
                events = bench.record(job, body)
            elif deed < 0.7:
                mark = f"pair-{seed}-{count}"
                events = bench.record(job, Note(text=f"{mark} first"), Note(text=f"{mark} second"))
            elif deed < 0.8:
                if bench.events(job)[-1].kind == "reading":
                    bench.undo(job)
                events = []
            else:
                data = chance.randbytes(chance.choice((10, 5_000, 400_000)))
                events = [bench.attach(job, data, f"{seed}-{count}.bin", "application/octet-stream")]
            for event in events:
                say(f"{event.uid} {event.digest()}")


def fork(work: Callable[[Callable[[str], None]], None]) -> tuple[int, int]:
    """Start a writer; its process and the end of the pipe from which its acknowledgements are read."""
    reader, writer = os.pipe()
    child = os.fork()
    if child:
        os.close(writer)
        return child, reader
    os.close(reader)
    try:
        work(lambda text: os.write(writer, f"{text}\n".encode()) and None)
    except BaseException as problem:
        os.write(writer, f"error {problem!r}\n".encode())
    os._exit(0)


def heard(reader: int) -> list[str]:
    """All that a writer said, once it is gone; a line is only counted if it is whole."""
    with os.fdopen(reader, "rb") as pipe:
        return pipe.read().decode().split("\n")[:-1]


def missing_from(where: str, acknowledged: dict[str, str], files: str) -> list[str]:
    """What is wrong with a bench after its writer was killed."""
    try:
        bench = open_bench(where, create=False)
    except BenchError as problem:
        # Killed before the bench was made.
        return [] if not acknowledged and "there is no bench" in str(problem) else [str(problem)]
    with bench:
        wrong = list(verify(bench, files).problems)
        events = [e for line in bench.jobs() for e in bench.events(line.number)]
        there = {e.uid: e.digest() for e in events}
        wrong += [
            f"acknowledged and lost: {uid}" for uid in acknowledged if there.get(uid) != acknowledged[uid]
        ]
        if [e.number for e in events] != list(range(1, len(events) + 1)):
            wrong.append("numbers are not 1, 2, 3 ...")
        halves: dict[str, int] = {}
        for e in events:
            if isinstance(e.body, Note) and e.body.text.startswith("pair-"):
                mark = e.body.text.split()[0]
                halves[mark] = halves.get(mark, 0) + 1
            if isinstance(e.body, Attachment) and files == "hashes":
                data = bench.attachment(e.body.sha256)
                if hashlib.sha256(data).hexdigest() != e.body.sha256 or len(data) != e.body.size:
                    wrong.append(f"attachment of event {e.number} differs")
        wrong += [f"half of {mark}" for mark, n in halves.items() if n != 2]
    return wrong


def kill_many(places: list[str], rounds: int, seed: int) -> dict[str, Any]:
    """Start and kill writers, the rounds shared out over places; what came of it."""
    chance = random.Random(seed)
    told = {"rounds": 0, "acknowledged": 0, "killed before ready": 0, "wrong": [], "left over": 0}
    share = -(-rounds // len(places))
    for where in places:
        acknowledged: dict[str, str] = {}
        for round_ in range(min(share, rounds - told["rounds"])):
            told["rounds"] += 1
            number = told["rounds"]
            child, reader = fork(lambda say, w=where, n=number: write_on(w, seed * 1000 + n, say))
            head = b""
            # Every fourth may also be killed while it opens, or makes, the bench; the others some time after
            # so many acknowledgements, which falls within writes however fast the machine is.
            lines_first = chance.randrange(4) + 1 if round_ % 4 else 0
            while head.count(b"\n") < lines_first and (more := os.read(reader, 1 << 16)):
                head += more
            time.sleep(chance.random() * (0.03 if lines_first else 0.15))
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            lines = (head.decode() + "".join(f"{line}\n" for line in heard(reader))).split("\n")[:-1]
            told["killed before ready"] += "ready" not in lines
            for line in lines:
                if line.startswith("error"):
                    told["wrong"].append(line)
                elif line != "ready":
                    uid, digest = line.split()
                    acknowledged[uid] = digest
                    told["acknowledged"] += 1
            if Path(where).is_dir():
                told["left over"] += len(list(Path(where).glob("attachments/coming-*")))
            files = "hashes" if number % 10 == 0 or round_ == share - 1 else "sizes"
            told["wrong"] += [f"round {number}: {w}" for w in missing_from(where, acknowledged, files)]
    return told


def write_together(where: str, writers: int, each: int) -> dict[str, Any]:
    """Several processes write to one job at once; what is wrong afterwards."""
    with open_bench(where) as bench:
        bench.new_job("Together", "EUR")
    started = [fork(lambda say, n=n: write_on(where, n, say, each)) for n in range(writers)]
    lines = [line for _, reader in started for line in heard(reader)]
    for child, _ in started:
        os.waitpid(child, 0)
    acknowledged = dict(line.split() for line in lines if line != "ready" and not line.startswith("error"))
    wrong = [line for line in lines if line.startswith("error")]
    return {
        "acknowledged": len(acknowledged), "ready": lines.count("ready"),
        "wrong": wrong + missing_from(where, acknowledged, "hashes"),
    }  # fmt: skip


def main() -> None:
    asked = json.loads(sys.argv[1])
    if "writers" in asked:
        told = write_together(asked["where"], asked["writers"], asked["each"])
    else:
        told = kill_many(asked["places"], asked["rounds"], asked["seed"])
    print(json.dumps(told))


if __name__ == "__main__":
    main()
