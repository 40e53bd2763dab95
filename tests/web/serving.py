"""The program `benchwright serve` as a process of its own, for tests of the whole way."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

SOURCE = Path(__file__).parents[2] / "src"


@dataclass
class Serving:
    """A server that runs.

    Attributes
    ----------
    process : subprocess.Popen
    said : list of str
        Lines it has printed up to now.
    bench : Path
    """

    process: subprocess.Popen[str]
    bench: Path
    said: list[str] = field(default_factory=list)

    @property
    def text(self) -> str:
        return "\n".join(self.said)

    @property
    def start(self) -> str:
        """The address with the start token."""
        return re.findall(r"http://\S+/start\S+", self.text)[0]

    @property
    def home(self) -> str:
        """The address that it leads to, without the last slash."""
        return self.start.partition("/start")[0]

    @property
    def pair(self) -> str:
        """The address with the pairing code."""
        return re.findall(r"https://\S+/pair\S+", self.text)[0]

    def end(self) -> int:
        """Press Ctrl-C; the exit code."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        code = self.process.wait(20)
        assert self.process.stdout is not None
        self.said += [line.rstrip("\n") for line in self.process.stdout]
        return code


def environment(folder: Path) -> dict[str, str]:
    """Variables under which the program keeps all it keeps below a folder."""
    own = {
        f"XDG_{name}_HOME": str(folder / name.lower()) for name in ("STATE", "CACHE", "DATA", "CONFIG")
    }  # fmt: skip
    path = os.pathsep.join(filter(None, (str(SOURCE), os.environ.get("PYTHONPATH"))))
    return {**os.environ, **own, "PYTHONPATH": path, "PYTHONIOENCODING": "utf-8", "PYTHONUNBUFFERED": "1"}


@contextlib.contextmanager
def serving(folder: Path, *options: str, port: int = 0) -> Iterator[Serving]:
    """Run the server until it has said where it is, and end it afterwards."""
    bench = folder / "bench"
    words = ["serve", "--bench", str(bench), "--port", str(port), "--no-browser", *options]
    process = subprocess.Popen(
        [sys.executable, "-m", "benchwright", *words], env=environment(folder), encoding="utf-8",
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    server = Serving(process, bench)
    assert process.stdout is not None
    try:
        for line in process.stdout:
            server.said.append(line.rstrip("\n"))
            if line.startswith(("Phones and tablets: benchwright", "On a network of strangers")):
                break
        assert process.poll() is None, server.text
        yield server
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
        process.stdout.close()
