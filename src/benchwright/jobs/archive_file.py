"""The file of one job: a plain zip without compression, every file in it held by a manifest of SHA-256.

Reading trusts nothing: names, sizes, hashes and the history itself are checked before anything is handed on,
and no file is ever written under a name that the archive gives. docs/records.md describes the layout.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
import stat
import struct
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any, BinaryIO, cast

import msgspec

from ..errors import BadFile
from . import bodies
from .errors import BadEvent
from .history import Event, digest, from_iso, to_iso
from .rules import plain_fields
from .words import words_of

FORMAT, VERSION = "benchwright job", 1
MANIFEST, README, JOB, STOCK = "SHA256SUMS", "README.txt", "job.json", "stock.json"
PIECE = 1 << 20
MOST_FILES = 50_000
MOST_TEXT = 256 << 20
"""Bytes of job.json, stock.json or the manifest: far above what a job of 100,000 readings needs."""
NAME = re.compile(r"(?:board/|attachments/)?[A-Za-z0-9_-][A-Za-z0-9._-]{0,99}")
UID = re.compile(r"[0-9a-f]{32}")
HASH = re.compile(r"[0-9a-f]{64}")


class LotUsed(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=True):
    """Parts that the job took or set aside: what they are and what one cost, not how many there are.

    `origin` is the identity (uid) of the event by which they first came into stock; for the rest see
    `bodies.StockReceived`.
    """

    lot: str
    kind: str
    value: str = ""
    condition: str = ""
    source: str = ""
    price: bodies.Price | None = None
    donor: str = ""
    replaces: tuple[str, ...] = ()
    origin: str = ""


class _Attached(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    sha256: str
    size: int
    file: str


class _Event(msgspec.Struct, frozen=True, omit_defaults=True, forbid_unknown_fields=True):
    uid: str
    at: str
    recorded: str
    sha256: str
    body: msgspec.Raw
    supersedes: str = ""


class _Head(msgspec.Struct, frozen=True):
    format: str = ""
    version: int = 0


class _Job(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    format: str
    version: int
    job: str
    attachments: list[_Attached]
    events: list[_Event]


class _Stock(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    format: str
    version: int
    lots: list[LotUsed]


@dataclass(frozen=True)
class Archive:
    """A job's file that was checked.

    Attributes
    ----------
    path : str
        For messages.
    job : str
        The job's identity.
    events : list of Event
        In order, superseded ones among them; numbered from 1.
    lots : dict
        Name: what the job used of the stock.
    files : dict
        SHA-256 of an attachment: its name in the archive.
    """

    path: str
    job: str
    events: list[Event]
    lots: dict[str, LotUsed]
    files: dict[str, str]
    _zip: zipfile.ZipFile

    def open_attachment(self, sha256: str) -> BinaryIO:
        """What was attached, to be read once."""
        return cast(BinaryIO, self._zip.open(self.files[sha256]))


# -- writing -------------------------------------------------------------------------------------------------


def safe_name(name: str) -> str:
    """A name that every system can keep: the end of it, in letters, digits, dot, line and hyphen."""
    return re.sub(r"[^A-Za-z0-9._-]+", "_", name)[-60:].strip("._") or "file"


def attachment_name(sha256: str, name: str) -> str:
    """The name in the archive of a file by that name and hash."""
    return f"attachments/{sha256[:16]}-{safe_name(name)}"


def job_text(job: str, events: Sequence[Event], attached: Iterable[tuple[str, int, str]]) -> bytes:
    """`job.json`: a line for each attachment (SHA-256, bytes, name in the archive) and each event."""
    lines = [
        _Event(
            e.uid, to_iso(e.at), to_iso(e.recorded), e.digest(),
            msgspec.Raw(bodies.to_json(e.body).encode()), e.supersedes,
        )
        for e in events
    ]  # fmt: skip
    return _listed(
        {"format": FORMAT, "version": VERSION, "job": job},
        {"attachments": [_Attached(*one) for one in attached], "events": lines},
    )


def stock_text(lots: Iterable[LotUsed]) -> bytes:
    """`stock.json`: a line for each lot."""
    return _listed({"format": FORMAT, "version": VERSION}, {"lots": list(lots)})


def _listed(head: Mapping[str, Any], lists: Mapping[str, Sequence[Any]]) -> bytes:
    encode = msgspec.json.Encoder(decimal_format="string").encode
    parts = [encode(key) + b": " + encode(value) for key, value in head.items()]
    for key, values in lists.items():
        inner = b",\n".join(encode(value) for value in values)
        parts.append(encode(key) + b": [" + (b"\n" + inner + b"\n" if inner else b"") + b"]")
    return b"{" + b",\n".join(parts) + b"}\n"


def write_archive(out: BinaryIO, files: Iterable[tuple[str, bytes]]) -> None:
    """Write files and their manifest; the same files give the same bytes on every machine.

    They are stored as they are: packing would differ from one machine to the next, and photos gain nothing.
    """
    sums: dict[str, str] = {}
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as packed:
        for name, data in files:
            sums[name] = hashlib.sha256(data).hexdigest()
            packed.writestr(_info(name), data)
        packed.writestr(_info(MANIFEST), manifest_text(sums))


def manifest_text(sums: Mapping[str, str]) -> bytes:
    """The manifest, as `sha256sum -c` reads it."""
    return "".join(f"{sums[name]}  {name}\n" for name in sorted(sums)).encode()


def _info(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    info.create_system = 3
    info.external_attr = (stat.S_IFREG | 0o644) << 16
    return info


# -- reading -------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def open_archive(path: Path) -> Iterator[Archive]:
    """Open a job's file and check all of it.

    Raises
    ------
    BadFile
        It is no such file, was changed, cut short, or holds what it should not; the message says which.
    """
    with contextlib.ExitStack() as stack:
        # What goes wrong later, with the archive in use, is not for here to explain.
        yield _opened(path, stack)


def _opened(path: Path, stack: contextlib.ExitStack) -> Archive:
    name = str(path)
    try:
        stream = stack.enter_context(path.open("rb"))
        packed = stack.enter_context(zipfile.ZipFile(stream))
        return _checked(name, packed, path.stat().st_size)
    except OSError as problem:
        raise BadFile(name, f"cannot be read: {(problem.strerror or str(problem)).lower()}") from None
    except zipfile.BadZipFile:
        raise BadFile(
            name,
            "this is no zip file, or it was cut short or damaged on its way: expected a file that "
            "`benchwright job export` wrote. Export or copy it again",
        ) from None
    except (
        EOFError, NotImplementedError, OverflowError, struct.error, UnicodeError, zipfile.LargeZipFile,
    ) as problem:  # fmt: skip
        raise BadFile(name, f"a damaged zip file ({problem}): export or copy it again") from None


def _checked(path: str, packed: zipfile.ZipFile, size: int) -> Archive:
    infos = _members(path, packed, size)
    sums = _sums(path, packed, infos)
    job = _decoded(path, packed, infos, JOB, _Job)
    stock = _decoded(path, packed, infos, STOCK, _Stock)
    if not UID.fullmatch(job.job):
        raise BadFile(path, "the job's identity is not 32 hexadecimal digits", field=JOB)
    events = [_event(path, job.job, number, event) for number, event in enumerate(job.events, start=1)]
    _check_history(path, events)
    files = _check_attached(path, events, job.attachments, sums, infos)
    return Archive(path, job.job, events, _check_lots(path, events, stock.lots), files, packed)


def _members(path: str, packed: zipfile.ZipFile, size: int) -> dict[str, zipfile.ZipInfo]:
    """What the zip holds, if it is all such as we write."""
    infos = packed.infolist()
    if len(infos) > MOST_FILES:
        raise BadFile(path, f"{len(infos):,} files: expected no more than {MOST_FILES:,}")
    found: dict[str, zipfile.ZipInfo] = {}
    for info in infos:
        name = info.orig_filename
        shown = repr(name[:60])
        if not NAME.fullmatch(name):
            raise BadFile(path, f"holds a file {shown}, which is no name in a job's file: nothing was read")
        if name.lower() in {MANIFEST.lower(), README.lower(), JOB, STOCK} and name not in _FIXED:
            raise BadFile(path, f"holds a file {shown}: expected {', '.join(_FIXED)}")
        if name.lower() in found:
            raise BadFile(path, f"holds {shown} twice: which one counts cannot be told")
        mode = info.external_attr >> 16
        if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
            raise BadFile(path, f"{shown} is a link or something else that is no plain file")
        if info.flag_bits & 1:
            raise BadFile(path, f"{shown} is encrypted: unpack it and pack it again without a password")
        if info.compress_type != zipfile.ZIP_STORED or info.compress_size != info.file_size:
            raise BadFile(
                path,
                f"{shown} is compressed: expected files stored as they are. Take the file that was exported, "
                "or unpack it and pack it again with `zip -0 -D -X -r`",
            )
        found[name.lower()] = info
    if sum(info.file_size for info in infos) > size:
        raise BadFile(
            path, "says that it holds more than its own size: it was made to do harm, or is damaged"
        )
    named = {info.orig_filename: info for info in infos}
    for name in _FIXED:
        if name not in named:
            raise BadFile(path, f"there is no {name} in it: it is no job's file, or part of it is missing")
    return named


_FIXED = (README, JOB, STOCK, MANIFEST)


def _sums(path: str, packed: zipfile.ZipFile, infos: Mapping[str, zipfile.ZipInfo]) -> dict[str, str]:
    """SHA-256 of each file, found to be what the manifest says."""
    said: dict[str, str] = {}
    text = _whole(path, packed, infos[MANIFEST])
    for number, line in enumerate(text.decode("ascii", "replace").splitlines(), start=1):
        sha256, gap, name = line[:64], line[64:66], line[66:]
        if not HASH.fullmatch(sha256) or gap != "  " or name in said:
            raise BadFile(path, "expected a SHA-256, two spaces and a file's name", number, MANIFEST)
        said[name] = sha256
    for name in sorted(set(said) ^ (set(infos) - {MANIFEST})):
        where = "not in the archive" if name in said else "not in the manifest"
        raise BadFile(path, f"{name[:100]!r} is {where}: files were added, renamed or lost", field=MANIFEST)
    if manifest_text(said) != text:
        raise BadFile(path, "expected one line for each file, in order of names", field=MANIFEST)
    for name, sha256 in said.items():
        found = hashlib.sha256()
        with _reading(path, name), packed.open(infos[name]) as stream:
            while piece := stream.read(PIECE):
                found.update(piece)
        if found.hexdigest() != sha256:
            raise BadFile(
                path, "is not what was exported: its SHA-256 is not the one in the manifest. "
                "Export or copy the job again", field=name,
            )  # fmt: skip
    return said


@contextlib.contextmanager
def _reading(path: str, name: str) -> Iterator[None]:
    try:
        yield
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError, struct.error) as problem:
        raise BadFile(
            path, "is damaged, it cannot be read: export or copy the job again", field=name
        ) from problem


def _whole(path: str, packed: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
    if info.file_size > MOST_TEXT:
        raise BadFile(path, f"is larger than {MOST_TEXT >> 20} MiB", field=info.filename)
    with _reading(path, info.filename):
        return packed.read(info)


def _decoded(
    path: str, packed: zipfile.ZipFile, infos: Mapping[str, zipfile.ZipInfo], name: str, kind: Any
) -> Any:
    text = _whole(path, packed, infos[name])
    try:
        head = msgspec.json.decode(text, type=_Head)
        if head.format != FORMAT:
            raise BadFile(path, f"expected the format {FORMAT!r}", field=name)
        if head.version > VERSION:
            raise BadFile(
                path, f"layout {head.version}, this Benchwright knows {VERSION}: update it", field=name
            )
        return msgspec.json.decode(text, type=kind)
    except (msgspec.MsgspecError, RecursionError, UnicodeError) as problem:
        raise BadFile(path, f"not in the layout of a job's file: {problem}", field=name) from None


def _event(path: str, job: str, number: int, said: _Event) -> Event:
    where = f"{JOB}, event {number}"
    try:
        at, recorded = from_iso(said.at), from_iso(said.recorded)
        if (to_iso(at), to_iso(recorded)) != (said.at, said.recorded):
            raise ValueError("a time that is not UTC with microseconds and Z")
        if not UID.fullmatch(said.uid):
            raise ValueError("an identity that is not 32 hexadecimal digits")
        body = bodies.from_json(bytes(said.body))
        _sane_numbers(msgspec.to_builtins(body, builtin_types=(Decimal,)))
        plain_fields(body)
        if "\x00" in words_of(body):
            raise ValueError("a text holds a zero byte")
        found = digest(said.uid, job, said.at, said.recorded, said.supersedes, bodies.to_json(body))
    except msgspec.ValidationError as problem:
        raise BadFile(
            path, f"not known to this Benchwright ({problem}): it was altered, or written by a newer one",
            field=where,
        ) from None  # fmt: skip
    except (
        ValueError, ArithmeticError, OverflowError, RecursionError, msgspec.MsgspecError, BadEvent,
    ) as problem:  # fmt: skip
        raise BadFile(path, f"makes no sense: {problem}", field=where) from None
    if found != said.sha256:
        raise BadFile(path, "is not what was recorded: its SHA-256 is another", field=where)
    return Event(number, said.uid, job, at, recorded, said.supersedes, body)


def _sane_numbers(value: Any) -> None:
    """Numbers of a size that money, parts and minutes can have: a few bytes may spell out gigabytes."""
    if isinstance(value, Decimal):
        if not value.is_finite() or abs(value.adjusted()) > 30 or len(value.as_tuple().digits) > 60:
            raise ValueError("a number that is none, or beyond all measure")
    elif isinstance(value, int) and abs(value) > 10**15:
        raise ValueError("a number beyond all measure")
    elif isinstance(value, dict):
        for inner in value.values():
            _sane_numbers(inner)
    elif isinstance(value, (list, tuple)):
        for inner in value:
            _sane_numbers(inner)


def _check_history(path: str, events: Sequence[Event]) -> None:
    seen: dict[str, Event] = {}
    for event in events:
        problem = ""
        first = isinstance(event.body, bodies.Opened)
        if first != (event.number == 1) and not event.supersedes:
            problem = "a job begins with one event of kind opened"
        elif isinstance(event.body, bodies.STOCK_ONLY):
            problem = f"{event.kind} belongs to the stock and not to a job"
        elif event.uid in seen:
            problem = f"the identity {event.uid} is there twice"
        elif event.supersedes and event.supersedes not in seen:
            problem = "it corrects an event that is not there before it"
        elif event.supersedes and first != isinstance(seen[event.supersedes].body, bodies.Opened):
            problem = "the beginning of a job is corrected by a beginning, and nothing else is"
        elif isinstance(event.body, bodies.Undone) and not event.supersedes:
            problem = "it takes back nothing"
        if problem:
            raise BadFile(path, problem, field=f"{JOB}, event {event.number}")
        seen[event.uid] = event
    if not events:
        raise BadFile(path, "there are no events in it", field=JOB)


def _check_attached(
    path: str, events: Sequence[Event], attached: Sequence[_Attached], sums: Mapping[str, str],
    infos: Mapping[str, zipfile.ZipInfo],
) -> dict[str, str]:  # fmt: skip
    for one in attached:
        if sums.get(one.file) != one.sha256 or infos[one.file].file_size != one.size:
            raise BadFile(
                path, f"attachment {one.file[:100]!r} is not the file that job.json means", field=JOB
            )
    files = {one.sha256: one.file for one in attached}
    needed = {e.body.sha256 for e in events if isinstance(e.body, bodies.Attachment)}
    there = {name for name in sums if name.startswith("attachments/")}
    if set(files) != needed or set(files.values()) != there or len(attached) != len(files):
        raise BadFile(path, "attachments are missing or belong to no event", field=JOB)
    sizes = {one.sha256: one.size for one in attached}
    for event in events:
        if isinstance(event.body, bodies.Attachment) and sizes[event.body.sha256] != event.body.size:
            raise BadFile(
                path, "says another size than its attachment has", field=f"{JOB}, event {event.number}"
            )
    return files


def _check_lots(path: str, events: Sequence[Event], said: Sequence[LotUsed]) -> dict[str, LotUsed]:
    lots = {lot.lot: lot for lot in said}
    needed = lots_named(events)
    if len(lots) != len(said) or set(lots) != set(needed):
        wrong = sorted(set(lots) ^ set(needed))[:1] or [said[0].lot]
        raise BadFile(path, f"lot {wrong[0][:60]!r} is missing, twice, or not used by the job", field=STOCK)
    for lot in said:
        try:
            _sane_numbers(msgspec.to_builtins(lot, builtin_types=(Decimal,)))
            received = as_received(lot, "", quantity=1)
            plain_fields(received)
            if "\x00" in words_of(received):
                raise ValueError("a text holds a zero byte")
        except (ValueError, BadEvent) as problem:
            raise BadFile(path, f"lot {lot.lot[:60]!r}: {problem}", field=STOCK) from None
    return lots


def lots_named(events: Iterable[Event]) -> list[str]:
    """Lots that a job's events name, superseded ones too, since an undo can be undone."""
    parts = (bodies.PartUsed, bodies.PartReserved)
    return sorted({event.body.lot for event in events if isinstance(event.body, parts)})


def as_received(lot: LotUsed, job: str, quantity: int = 0) -> bodies.StockReceived:
    """The event by which a bench knows another bench's lot: none of it is here."""
    return bodies.StockReceived(
        lot=lot.lot, kind=lot.kind, quantity=quantity, value=lot.value, condition=lot.condition,
        source=lot.source, price=lot.price, donor=lot.donor, replaces=lot.replaces, of_job=job,
        origin=lot.origin,
    )  # fmt: skip
