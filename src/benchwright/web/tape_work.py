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
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from .. import __version__
from ..errors import BenchwrightError
from ..jobs import open_bench

Kind = Literal["measure", "decode", "merge"]
ABOUT, ANSWER, DECK = "about.json", "answer.json", "deck.toml"
TAKE = "take-"
"""What files with recordings begin with."""
_BEING_MADE = "being-made-"
_LEFT_SECONDS = 24 * 3600.0
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
    deck : str
        Text of a deck file, which names the parts behind lines of flutter; empty for none.
    """

    kind: Kind
    job: int
    takes: tuple[str, ...]
    names: tuple[str, ...]
    encoding: str = ""
    tone: str = ""
    deck: str = ""

    @property
    def key(self) -> str:
        """Names the folder: the same question has the same answer."""
        said = [__version__, self.kind, self.job, *self.takes, self.encoding, self.tone, self.deck]
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


def examine(progress: Progress, asked: Asked, where: str | None, cache: str) -> str:
    """Run the commands; the page of the answer.

    Parameters
    ----------
    progress : callable
    asked : Asked
    where : str or None
        Folder or address of the bench that holds the takes.
    cache : str
        Folder.

    Raises
    ------
    BenchwrightError
        The recordings cannot be examined so.
    """
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # being stopped, it still tidies up
    place = folder_of(Path(cache)) / asked.key
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        sweep(place.parent)
        beside = Path(tempfile.mkdtemp(prefix=_BEING_MADE, dir=place.parent))
    except OSError as problem:
        raise BenchwrightError(f"what is found cannot be kept: {problem}") from None
    try:
        _examine(progress, asked, where, beside)
        shutil.rmtree(place, ignore_errors=True)
        beside.replace(place)
    except OSError as problem:
        raise BenchwrightError(f"what was found cannot be kept: {problem}") from None
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return f"/jobs/{asked.job}/tape/found/{asked.key}"


def sweep(folder: Path) -> None:
    """Remove what works left that had no time to tidy up: the power went, or they were killed."""
    for left in [*folder.glob(f"{_BEING_MADE}*"), *folder.glob(f"{TAKE}*")]:
        try:
            if time.time() - left.stat().st_mtime > _LEFT_SECONDS:
                shutil.rmtree(left) if left.is_dir() else left.unlink()
        except OSError:
            continue


def _examine(progress: Progress, asked: Asked, where: str | None, folder: Path) -> None:
    takes = _takes(asked, where, folder)
    options = ["--encoding", asked.encoding] if asked.encoding else []
    deck = []
    if asked.kind == "measure":
        options += ["--tone", asked.tone] if asked.tone else []
        if asked.deck:
            (folder / DECK).write_text(asked.deck, encoding="utf-8")
            deck = ["--deck", str(folder / DECK)]
    else:
        options += ["--out", str(folder / "data")]
    progress(0.05, {"measure": "Measuring", "decode": "Reading", "merge": "Merging"}[asked.kind])
    answer = _run(["tape", asked.kind, *takes, *options, *deck, "--json"])
    said = json.loads(answer)
    (folder / ANSWER).write_text(answer, encoding="utf-8")
    encoding = (said.get("encoding") or {}).get("name", "") or asked.encoding
    progress(0.7, "Drawing pictures")
    for kind in _PICTURES.get(asked.kind, ()):
        _draw(takes[0], kind, folder, [*_how(asked.tone, encoding), *(deck if kind == "flutter" else [])])
    if asked.kind != "measure" and said.get("blocks"):
        progress(0.9, "Rendering a clean recording")
        _try(["tape", "render", str(folder / "data"), "--out", str(folder / "clean.wav")])
    for take in takes:
        Path(take).unlink()
    (folder / ABOUT).write_text(json.dumps(asdict(asked)), encoding="utf-8")


def _takes(asked: Asked, where: str | None, folder: Path) -> list[str]:
    """The recordings as files, named as the person named them."""
    found = []
    with open_bench(where, create=False) as bench:
        for number, (sha256, name) in enumerate(zip(asked.takes, asked.names, strict=True), start=1):
            path = folder / f"{TAKE}{number}{ending(name)}"
            path.write_bytes(bench.attachment(sha256))
            found.append(str(path))
    return found


def ending(name: str) -> str:
    """The ending of a file's name, if it is a plain one."""
    suffix = Path(name).suffix.lower()
    return suffix[:10] if suffix.isascii() and suffix[1:].isalnum() else ".wav"


def _how(tone: str, encoding: str) -> list[str]:
    if encoding:
        return ["--encoding", encoding]
    return ["--tone", tone] if tone else []


def _draw(take: str, kind: str, folder: Path, options: list[str]) -> None:
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
