"""Examining takes: the program's own commands, run for a page, and what they made kept for the next look.

A page says the same as the command line, because it is the command line that says it: each examination is
`benchwright tape ...` in a process of its own, whose answer and files are kept in a folder by what was asked.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from .. import __version__
from ..errors import BenchwrightError

Kind = Literal["measure", "decode", "merge"]
ABOUT, ANSWER = "about.json", "answer.json"
_PICTURES = {"measure": ("waveform", "half-waves", "speed", "flutter"), "decode": ("half-waves", "eye")}
Progress = Callable[[float, str], object]


@dataclass(frozen=True)
class Asked:
    """What is to be examined, and how.

    Attributes
    ----------
    kind : str
    job : int
    takes : tuple of str
        SHA-256 of each recording.
    names : tuple of str
        Of their files, for telling.
    encoding : str
        Name; empty to find it out.
    tone : str
        Frequency of the test tone; empty to find it out.
    """

    kind: Kind
    job: int
    takes: tuple[str, ...]
    names: tuple[str, ...]
    encoding: str = ""
    tone: str = ""

    @property
    def key(self) -> str:
        """Names the folder: the same question has the same answer."""
        said = [__version__, self.kind, self.job, *self.takes, self.encoding, self.tone]
        return hashlib.sha256(json.dumps(said).encode()).hexdigest()[:32]


def folder_of(cache: Path) -> Path:
    """Where examinations are kept; they can be made again."""
    return cache / "tape"


def kept(cache: Path, job: int) -> list[Asked]:
    """What was examined of a job, the latest first."""
    found = []
    for about in folder_of(cache).glob(f"*/{ABOUT}"):
        try:
            said = json.loads(about.read_text(encoding="utf-8"))
            asked = Asked(**{**said, "takes": tuple(said["takes"]), "names": tuple(said["names"])})
        except (OSError, ValueError, TypeError, KeyError):
            continue
        if asked.job == job and about.parent.name == asked.key:
            found.append((about.stat().st_mtime, asked))
    return [asked for _, asked in sorted(found, key=lambda one: -one[0])]


def examine(progress: Progress, asked: Asked, takes: Sequence[str], cache: str) -> str:
    """Run the commands; the page of the answer.

    Parameters
    ----------
    progress : callable
    asked : Asked
    takes : sequence of str
        Files with the recordings, which are removed afterwards.
    cache : str
        Folder.

    Raises
    ------
    BenchwrightError
        The recordings cannot be examined so.
    """
    place = folder_of(Path(cache)) / asked.key
    place.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix="being-made-", dir=place.parent))
    try:
        options = [*(("--encoding", asked.encoding) if asked.encoding else ())]
        if asked.kind == "measure":
            options += ["--tone", asked.tone] if asked.tone else []
        else:
            options += ["--out", str(beside / "data")]
        progress(0.05, {"measure": "Measuring", "decode": "Reading", "merge": "Merging"}[asked.kind])
        answer = _run(["tape", asked.kind, *takes, *options, "--json"])
        said = json.loads(answer)
        (beside / ANSWER).write_text(answer, encoding="utf-8")
        encoding = (said.get("encoding") or {}).get("name", "") or asked.encoding
        progress(0.7, "Drawing pictures")
        for kind in _PICTURES.get(asked.kind, ()):
            _draw(takes[0], kind, beside, asked.tone, encoding)
        if asked.kind != "measure" and said.get("blocks"):
            progress(0.9, "Rendering a clean recording")
            _try(["tape", "render", str(beside / "data"), "--out", str(beside / "clean.wav")])
        (beside / ABOUT).write_text(json.dumps(asdict(asked)), encoding="utf-8")
        shutil.rmtree(place, ignore_errors=True)
        beside.replace(place)
    except OSError as problem:
        raise BenchwrightError(f"what was found cannot be kept: {problem}") from None
    finally:
        shutil.rmtree(beside, ignore_errors=True)
        for take in takes:
            Path(take).unlink(missing_ok=True)
    return f"/jobs/{asked.job}/tape/found/{asked.key}"


def _draw(take: str, kind: str, folder: Path, tone: str, encoding: str) -> None:
    options = ["--encoding", encoding] if encoding and kind != "flutter" else []
    options += ["--tone", tone] if tone and not encoding else []
    _try(["tape", "plot", take, "--kind", kind, "-o", str(folder / f"{kind}.svg"), *options])


def _try(words: list[str]) -> None:
    """A picture or a file that this recording does not allow is left out."""
    try:
        _run(words)
    except BenchwrightError:
        return


def _run(words: list[str]) -> str:
    """The program's answer; it ends with the work that asked for it."""
    process = subprocess.Popen(
        [sys.executable, "-m", "benchwright", *words], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, encoding="utf-8",
    )  # fmt: skip

    def stop(*_: object) -> None:
        process.kill()
        sys.exit(1)

    before = signal.signal(signal.SIGTERM, stop)
    try:
        answer, problem = process.communicate()
    finally:
        signal.signal(signal.SIGTERM, before)
        process.kill()
    if process.returncode not in (0, 1) or (not answer.strip() and "--json" in words):
        said = problem.strip().removeprefix("benchwright: ") or f"it ended with code {process.returncode}"
        for word in words:
            if word.startswith("/"):
                said = said.replace(word, Path(word).name)
        raise BenchwrightError(said)
    return answer


def answer_of(cache: Path, job: int, key: str) -> tuple[Asked, dict[str, Any], Path] | None:
    """A kept examination of a job: what was asked, the answer, its folder."""
    asked = next((one for one in kept(cache, job) if one.key == key), None)
    if asked is None:
        return None
    place = folder_of(cache) / key
    return asked, json.loads((place / ANSWER).read_text(encoding="utf-8")), place
