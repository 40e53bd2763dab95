"""The change sheet: what differs from the original board, the readings that prove it, how to undo it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from .checks import job_number, known, numbered, said
from .photo import Photo, few_enough
from .things import Machine, PartUsed, Reading

KINDS = {
    "cut": "Cut",
    "link": "Link",
    "lift": "Lifted pin",
    "fit": "Part fitted",
    "replace": "Part replaced",
    "remove": "Part removed",
    "change": "Other change",
}


@dataclass(frozen=True, slots=True)
class Proof:
    """One pair of readings that shows a change done.

    Attributes
    ----------
    what : str
        ``resistance J3.2 to C12.-``.
    wanted_before, wanted_after : str
        What it must read before and after; empty if not known.
    before, after : Reading, optional
        What was read; nothing if nobody did.
    """

    what: str
    wanted_before: str = ""
    wanted_after: str = ""
    before: Reading | None = None
    after: Reading | None = None

    def __post_init__(self) -> None:
        said(self.what, "a proof of a change")


@dataclass(frozen=True, slots=True)
class BoardChange:
    """One change: `kind` is a key of `KINDS`, `what` names pins and nets, `event` tells that it was made."""

    kind: str
    what: str
    why: str
    undo: str
    when: datetime
    event: int
    proofs: tuple[Proof, ...] = ()
    parts: tuple[PartUsed, ...] = ()

    def __post_init__(self) -> None:
        known(self.kind, KINDS, "kind of change")
        said(self.what, f"{self.kind}: what was changed")
        said(self.undo, f"{self.kind} {self.what}: how to undo it")
        numbered(self.event, f"{self.kind} {self.what}")

    @property
    def proved(self) -> str:
        """``yes``: each proof was read before and after; ``in part``; or ``no``."""
        whole = [proof.before is not None and proof.after is not None for proof in self.proofs]
        if whole and all(whole):
            return "yes"
        return "in part" if any(proof.after is not None for proof in self.proofs) else "no"


_PROVED = {
    "yes": "Read before and after",
    "in part": "Readings are missing",
    "no": "Not proved: no reading after it was made",
}


@dataclass(frozen=True, slots=True)
class ChangeSheet:
    """All changes to one machine, in the order in which they were made.

    Attributes
    ----------
    job : str
    on : date
        Date of the sheet; printed, and the PDF's own date.
    machine : Machine
    changes : tuple of BoardChange
    photos : tuple of Photo
    bench : str
    times : str
        Zone of all times; nothing is printed about it if empty.
    """

    job: str
    on: date
    machine: Machine
    changes: tuple[BoardChange, ...] = ()
    photos: tuple[Photo, ...] = ()
    bench: str = ""
    times: str = ""

    template = "change"
    title = "Change sheet"

    def __post_init__(self) -> None:
        job_number(self.job)
        few_enough(self.photos)

    def shown(self) -> dict[str, Any]:
        """What the template needs beyond the fields."""
        return {
            "changes": [
                {
                    "kind": KINDS[change.kind], "what": change.what, "why": change.why, "undo": change.undo,
                    "when": change.when, "event": change.event, "proofs": change.proofs,
                    "parts": change.parts, "proved": change.proved, "proved_words": _PROVED[change.proved],
                }
                for change in self.changes
            ],
        }  # fmt: skip
