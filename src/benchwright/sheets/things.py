"""What sheets are made of: plain values, taken from a job's history by whoever keeps it.

Every text is printed as it stands, never as markup. Times are printed as they are carried, without conversion
to another zone.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from ..money import Amount
from .checks import counted, known, numbered, said, with_unit
from .errors import BadSheet, NoEvidence

ACTIONS = (
    "cleaned",
    "reseated",
    "reflowed",
    "replaced",
    "changed",
    "adjusted",
    "ordered",
    "removed",
    "linked",
    "done",
)
RESULTS = {"passed": "Passed", "failed": "Failed", "open": "Not done yet"}
OUTCOMES = ("kept", "sold", "broken for parts", "returned")


@dataclass(frozen=True, slots=True)
class Evidence:
    """One event of a job's history that a statement stands on.

    Attributes
    ----------
    event : int
        Its number in the history, from 1.
    when : datetime
        When it was recorded.
    recorded : str
        What was recorded, as the history has it.
    """

    event: int
    when: datetime
    recorded: str

    def __post_init__(self) -> None:
        numbered(self.event, "evidence")
        said(self.recorded, f"evidence, event {self.event}: what was recorded")


def need_evidence(statement: str, evidence: tuple[Evidence, ...]) -> None:
    """Refuse a statement that stands on nothing.

    Raises
    ------
    NoEvidence
        `evidence` is empty.
    """
    if not evidence:
        raise NoEvidence(statement)


@dataclass(frozen=True, slots=True)
class Machine:
    """Which machine it is. The case's label and the board inside often differ, so both are told."""

    name: str
    case_label: str = ""
    board_revision: str = ""
    serial: str = ""
    rom_version: str = ""

    def __post_init__(self) -> None:
        said(self.name, "the machine's name")


@dataclass(frozen=True, slots=True)
class Reading:
    """One measurement.

    Attributes
    ----------
    what : str
        Quantity: ``voltage``, ``resistance``, ``diode drop`` ...
    where : str
        Where the probes stood: ``U3.14 to GND``.
    value : str
        What was read, with its unit; or ``OL``, ``beeps``.
    when : datetime
    event : int
        Its number in the job's history.
    expected : str
        What a good board would have read, with its unit; empty if not known.
    state : str
        State of the board and instrument: ``power off, U7 out, 200 Ω range``.
    """

    what: str
    where: str
    value: str
    when: datetime
    event: int
    expected: str = ""
    state: str = ""

    def __post_init__(self) -> None:
        said(self.what, "a reading's quantity")
        said(self.where, "a reading's place")
        with_unit(self.value, f"reading at {self.where}")
        if self.expected.strip():
            with_unit(self.expected, f"expected reading at {self.where}")
        numbered(self.event, f"reading at {self.where}")


@dataclass(frozen=True, slots=True)
class Look:
    """What was seen at a place, without an instrument."""

    where: str
    seen: str
    when: datetime
    event: int

    def __post_init__(self) -> None:
        said(self.seen, "what was seen")
        numbered(self.event, f"look at {self.where}")


@dataclass(frozen=True, slots=True)
class Action:
    """Something that was done; `kind` is one of `ACTIONS`."""

    kind: str
    what: str
    when: datetime
    event: int

    def __post_init__(self) -> None:
        known(self.kind, ACTIONS, "what was done")
        said(self.what, f"what was {self.kind}")
        numbered(self.event, f"{self.kind} {self.what}")


@dataclass(frozen=True, slots=True)
class PartUsed:
    """A part that went into the machine; `source` says where it came from."""

    ref: str
    what: str
    how_many: int = 1
    source: str = ""
    price: Amount | None = None

    def __post_init__(self) -> None:
        said(self.what, "a part that was used")
        counted(self.how_many, self.what, 1)


@dataclass(frozen=True, slots=True)
class TimeSpent:
    """Time at the bench, in whole minutes."""

    what: str
    minutes: int
    when: date

    def __post_init__(self) -> None:
        counted(self.minutes, f"minutes for {self.what}")


@dataclass(frozen=True, slots=True)
class Attached:
    """A file that was attached; `kind` is what it is, such as ``take``, `name` that of the file."""

    kind: str
    name: str
    when: datetime
    event: int
    caption: str = ""

    def __post_init__(self) -> None:
        said(self.kind, "what was attached")
        said(self.name, "the name of an attached file")
        numbered(self.event, f"attached {self.name}")


@dataclass(frozen=True, slots=True)
class Converted:
    """What an amount in another currency comes to, and the rate: of the job's currency to one of that."""

    amount: Amount
    rate: Decimal


@dataclass(frozen=True, slots=True)
class MoneyLine:
    """One line of the job's account: minus is money spent, plus is money that came in."""

    what: str
    amount: Amount
    when: date
    converted: Converted | None = None

    def __post_init__(self) -> None:
        said(self.what, "a line of the account")


@dataclass(frozen=True, slots=True)
class OpenPoint:
    """What is still to be done or wanting; on a condition report it must name its evidence."""

    text: str
    evidence: tuple[Evidence, ...] = ()

    def __post_init__(self) -> None:
        said(self.text, "an open point")


@dataclass(frozen=True, slots=True)
class Acceptance:
    """One line of the list that a machine must pass; `result` is one of `RESULTS`, `earlier` if it no longer
    counts."""

    what: str
    result: str = "open"
    found: str = ""
    evidence: tuple[Evidence, ...] = ()
    earlier: bool = False

    def __post_init__(self) -> None:
        said(self.what, "a line of the acceptance list")
        known(self.result, RESULTS, f"acceptance, {self.what}")
        if self.result != "open":
            need_evidence(f"{self.what}: {self.result}", self.evidence)


@dataclass(frozen=True, slots=True)
class Outcome:
    """How the job ended; `kind` is one of `OUTCOMES`."""

    kind: str
    when: date
    note: str = ""

    def __post_init__(self) -> None:
        known(self.kind, OUTCOMES, "how the job ended")


@dataclass(frozen=True, slots=True)
class Suspect:
    """A fault that may still be there, with its probability from 0 to 1 and the events that speak for it."""

    text: str
    probability: float
    events: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        said(self.text, "a suspect")
        if not 0.0 <= self.probability <= 1.0:
            raise BadSheet(f"suspect {self.text}: probability {self.probability!r} is not between 0 and 1")
