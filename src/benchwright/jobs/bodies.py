"""What an event says: one class for each kind, checked when it is read and when it is written.

Every field has a default that means "not said". Kinds are never renamed and fields never change their
meaning, since histories are kept for good; new fields get defaults.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Literal, TypeAlias

import msgspec

Outcome: TypeAlias = Literal["kept", "sold", "broken for parts", "returned"]
Deed: TypeAlias = Literal[
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
]
Result: TypeAlias = Literal["passed", "failed", "not tested"]


class Body(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=True):
    """What an event says."""


class Price(msgspec.Struct, frozen=True, omit_defaults=True, forbid_unknown_fields=True):
    """An amount of money as it was given.

    Attributes
    ----------
    value : Decimal
    currency : str
        ISO 4217.
    rate : Decimal, optional
        Of the job's currency to one of this, on the day.
    rate_in : str
        The currency that the rate leads to; empty in old records and where it is the job's.
    tax_percent : Decimal, optional
    tax_included, tax_settled : bool
        See `money.Tax`.
    """

    value: Decimal
    currency: str
    rate: Decimal | None = None
    tax_percent: Decimal | None = None
    tax_included: bool = True
    tax_settled: bool = False
    rate_in: str = ""


class State(msgspec.Struct, frozen=True, omit_defaults=True, forbid_unknown_fields=True):
    """The state a board was in: power, and the parts that were out."""

    power: bool = False
    removed: tuple[str, ...] = ()


class Opened(Body, frozen=True, tag="opened"):
    """A job begins."""

    title: str
    currency: str
    rate_per_hour: Decimal | None = None
    origin: str = ""
    """Identity (uid) of the job that this is a copy of: the same machine, which teaches once."""


class Identity(Body, frozen=True, tag="identity"):
    """What machine it is; what is None stays as it was."""

    title: str | None = None
    case_label: str | None = None
    board_revision: str | None = None
    serial: str | None = None
    rom_version: str | None = None
    board_file: str | None = None
    board_text: str | None = None
    """The board file itself, so that the job can be read for good."""


class TakenIn(Body, frozen=True, tag="taken-in"):
    """Where it came from, in what condition, and with what."""

    source: str = ""
    price: Price | None = None
    postage: Price | None = None
    declared: str = ""
    came_with: tuple[str, ...] = ()


class Symptom(Body, frozen=True, tag="symptom"):
    text: str


class Reading(Body, frozen=True, tag="reading"):
    """One measurement or observation; fields as of `finding.Reading`, `entry` as it was typed."""

    entry: str
    quantity: str
    a: str = ""
    b: str = ""
    value: str = ""
    state: State = State()
    good_unit: bool = False
    instrument: str = ""
    expected: str = ""
    function: str = ""
    """Of the machine, that this tests: `sheets/functions.toml`."""
    note: str = ""


class BoardState(Body, frozen=True, tag="board-state"):
    """The board was put in another state: what follows is taken in it."""

    state: State
    entry: str = ""


class Look(Body, frozen=True, tag="look"):
    """Something seen, smelt or heard that is no reading of a part."""

    where: str
    seen: str


class Attachment(Body, frozen=True, tag="attachment"):
    """A photo, a recording, a ROM image: stored once by its SHA-256."""

    sha256: str
    name: str
    media_type: str
    size: int
    what: Literal["photo", "take", "file"] = "file"
    caption: str = ""


class TiedPoint(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A pin of the board and where it is on a photo, in points of the upright picture, from its top left."""

    pin: str
    x: float
    y: float


class PhotoTied(Body, frozen=True, tag="photo-tied"):
    """A photo of the job is tied to the board by pins that were found on it; no points untie it.

    Attributes
    ----------
    sha256 : str
        Of the photo, as attached.
    side : str
        The side of the board that it shows.
    wide, high : int
        Size of the upright picture in which the points were found.
    points : tuple of TiedPoint
    """

    sha256: str
    wide: int
    high: int
    side: Literal["top", "bottom"] = "top"
    points: tuple[TiedPoint, ...] = ()


class Action(Body, frozen=True, tag="action"):
    """Something done to the machine."""

    deed: Deed
    where: str = ""
    note: str = ""
    why: str = ""
    undo: str = ""
    """How to take a change back."""
    function: str = ""


class PartUsed(Body, frozen=True, tag="part-used"):
    """Parts taken from stock for this job."""

    lot: str
    quantity: int
    where: str = ""
    rate: Decimal | None = None
    """What one of the lot's currency is in the job's, where the lot's own rate leads to another."""


class PartReserved(Body, frozen=True, tag="part-reserved"):
    """Parts in stock set aside for this job; 0 lets them go."""

    lot: str
    quantity: int


class PartWanted(Body, frozen=True, tag="part-wanted"):
    """Parts that this job needs and the bench has not; 0 takes the wish back."""

    kind: str
    quantity: int
    value: str = ""
    note: str = ""


class TimerStarted(Body, frozen=True, tag="timer-started"):
    pass


class TimerStopped(Body, frozen=True, tag="timer-stopped"):
    note: str = ""


class Time(Body, frozen=True, tag="time"):
    """Time spent, by hand."""

    minutes: Decimal
    note: str = ""


class Cost(Body, frozen=True, tag="cost"):
    """Money spent; kinds of `money.ledger`."""

    kind: str
    price: Price
    note: str = ""


class Income(Body, frozen=True, tag="income"):
    """Money got; kinds of `money.ledger`."""

    kind: str
    price: Price
    note: str = ""


class Fee(Body, frozen=True, tag="fee"):
    """Percent of the sale that somebody keeps."""

    percent: Decimal
    note: str = ""


class LikelyPrice(Body, frozen=True, tag="likely-price"):
    """What it may sell for, with a chance in percent; a chance of 0 takes it back."""

    value: Decimal
    chance: Decimal | None = None


class OpenPoint(Body, frozen=True, tag="open-point"):
    """Something still to come or to do."""

    text: str


class PointClosed(Body, frozen=True, tag="point-closed"):
    """An open point is settled."""

    point: str
    """Identity (uid) of the event that opened it."""
    note: str = ""


class Acceptance(Body, frozen=True, tag="acceptance"):
    """A test of the machine as a whole: its result, or that it is still to be made."""

    what: str
    result: Result = "not tested"
    found: str = ""
    function: str = ""
    evidence: tuple[str, ...] = ()
    """Identities (uids) of readings and actions that it rests on."""


class Confirmed(Body, frozen=True, tag="confirmed"):
    """A fault that was proved: it teaches the rates."""

    part_kind: str
    mode: str
    place: str = ""
    board: str = ""
    note: str = ""


class Note(Body, frozen=True, tag="note"):
    text: str


class Closed(Body, frozen=True, tag="closed"):
    """The end of a job."""

    outcome: Outcome
    note: str = ""


class Reopened(Body, frozen=True, tag="reopened"):
    note: str = ""


class Undone(Body, frozen=True, tag="undone"):
    """Takes back the event that it supersedes."""

    why: str = ""


class StockReceived(Body, frozen=True, tag="stock-received"):
    """Parts come into stock."""

    lot: str
    kind: str
    quantity: int
    value: str = ""
    condition: str = "new"
    source: str = ""
    price: Price | None = None
    """For one."""
    where: str = ""
    donor: str = ""
    """Identity (uid) of the job whose machine they came out of."""
    replaces: tuple[str, ...] = ()
    """Kinds that they can stand in for."""
    of_job: str = ""
    """Identity (uid) of the job that these parts came with from another bench: none of them are here, and
    the name of the lot means them in that job only."""
    origin: str = ""
    """Identity (uid) of the event by which the other bench received them first."""


class StockCounted(Body, frozen=True, tag="stock-counted"):
    """Parts were counted: there are so many of a lot now."""

    lot: str
    quantity: int
    note: str = ""


class StockMoved(Body, frozen=True, tag="stock-moved"):
    lot: str
    where: str


AnyBody: TypeAlias = (
    Opened | Identity | TakenIn | Symptom | Reading | BoardState | Look | Attachment | Action | PartUsed
    | PartReserved | PartWanted | TimerStarted | TimerStopped | Time | Cost | Income | Fee | LikelyPrice
    | OpenPoint | PointClosed | Acceptance | Confirmed | Note | Closed | Reopened | Undone
    | StockReceived | StockCounted | StockMoved | PhotoTied
)  # fmt: skip

_ENCODER = msgspec.json.Encoder(order="deterministic", decimal_format="string")
_DECODER = msgspec.json.Decoder(AnyBody)
STOCK_ONLY = (StockReceived, StockCounted, StockMoved)
"""Kinds that belong to the bench and to no job."""


def to_json(body: AnyBody) -> str:
    """The body as JSON, always the same for the same body."""
    return _ENCODER.encode(body).decode()


def from_json(text: str | bytes) -> AnyBody:
    """The body from JSON.

    Raises
    ------
    msgspec.ValidationError, msgspec.DecodeError
        It is not of any kind known, or a field is wrong.
    """
    body: AnyBody = _DECODER.decode(text)
    return body


def kind_of(body: AnyBody) -> str:
    """The kind's name, as stored."""
    tag = body.__struct_config__.tag
    assert isinstance(tag, str)
    return tag
