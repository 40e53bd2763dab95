"""Damaged, altered and hostile files: each is refused in one message, and the bench stays as it was."""

from __future__ import annotations

import hashlib
import io
import json
import stat
import zipfile
from collections.abc import Callable, Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.errors import BadFile
from benchwright.jobs import BadEvent, Bench, bodies, open_bench
from benchwright.jobs.archive import export_job, import_job
from benchwright.jobs.archive_file import Archive, open_archive

Files = dict[str, bytes]


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small job's file."""
    folder = tmp_path_factory.mktemp("source")
    with open_bench(folder / "bench") as bench:
        price = bodies.Price(Decimal("6.50"), "EUR")
        bench.record(None, bodies.StockReceived(lot="L7", kind="6522", quantity=3, price=price))
        number = bench.new_job("m", "EUR", bodies.Identity(board_file="b.toml", board_text="# board\n"))
        bench.record(number, bodies.PartUsed(lot="L7", quantity=1))
        bench.attach(number, b"photo", "top.jpg", "image/jpeg")
        bench.record(number, bodies.Note(text="note"))
        bench.undo(number)
        export_job(bench, number, folder / "job.zip")
    return folder / "job.zip"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """One for all, since nothing here may change it but what is meant to."""
    with open_bench(tmp_path_factory.mktemp("target") / "bench") as bench:
        bench.new_job("mine", "EUR", bodies.Note(text="mine"))
        yield bench


def files_of(path: Path) -> Files:
    with zipfile.ZipFile(path) as packed:
        return {info.filename: packed.read(info) for info in packed.infolist()}


def pack(files: Files, *, sums: bool = True, compress: int = zipfile.ZIP_STORED) -> bytes:
    """A zip with a right manifest, unless told otherwise."""
    if sums:
        lines = [
            f"{hashlib.sha256(data).hexdigest()}  {name}\n"
            for name, data in sorted(files.items())
            if name != "SHA256SUMS"
        ]
        files = files | {"SHA256SUMS": "".join(lines).encode()}
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", compress) as packed:
        for name, data in files.items():
            packed.writestr(zipfile.ZipInfo(name), data, compress)
    return out.getvalue()


def what_it_says(archive: Archive) -> Any:
    data = {sha256: archive.open_attachment(sha256).read() for sha256 in archive.files}
    return archive.job, archive.events, archive.lots, data


def refused(bench: Bench, path: Path, words: str) -> None:
    """The file is refused in these words, and nothing is changed."""
    assert bench.place.folder is not None

    def held() -> Any:
        files = sorted(bench.place.folder.rglob("*")) if bench.place.folder else []
        return bench.jobs(), bench.events(1), bench.events(None), bench.stock(), files

    before = held()
    with pytest.raises((BadFile, BadEvent), match=words) as caught:
        import_job(bench, path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(str(path))
    assert held() == before


# -- damage --------------------------------------------------------------------------------------------------


def test_every_changed_byte_in_every_file_is_noticed(source: Path, tmp_path: Path) -> None:
    files, bad = files_of(source), tmp_path / "bad.zip"
    tried = 0
    for name, data in files.items():
        for place in range(len(data)):
            changed = data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :]
            bad.write_bytes(pack(files | {name: changed}, sums=False))
            with pytest.raises(BadFile), open_archive(bad):
                pass
            tried += 1
    assert tried == sum(map(len, files.values()))


@given(data=st.data())
def test_any_other_byte_in_any_place_is_noticed(
    source: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    files = files_of(source)
    name = data.draw(st.sampled_from(sorted(files)))
    place = data.draw(st.integers(0, len(files[name]) - 1))
    byte = data.draw(st.integers(0, 255).filter(lambda b: b != files[name][place]))
    changed = files[name][:place] + bytes([byte]) + files[name][place + 1 :]
    bad = tmp_path_factory.getbasetemp() / "byte.zip"
    bad.write_bytes(pack(files | {name: changed}, sums=False))
    with pytest.raises(BadFile), open_archive(bad):
        pass


def test_a_damaged_zip_is_refused_or_still_says_the_same(source: Path, tmp_path: Path) -> None:
    whole, bad = source.read_bytes(), tmp_path / "bad.zip"
    with open_archive(source) as archive:
        right = what_it_says(archive)
    refusals, places = 0, range(0, len(whole), 3)
    for place in places:
        bad.write_bytes(whole[:place] + bytes([whole[place] ^ 0x55]) + whole[place + 1 :])
        try:
            with open_archive(bad) as archive:
                assert what_it_says(archive) == right
        except BadFile:
            refusals += 1
    assert refusals > 0.8 * len(places)


def test_a_file_cut_short_anywhere_is_refused(source: Path, tmp_path: Path) -> None:
    whole, bad = source.read_bytes(), tmp_path / "bad.zip"
    for size in (*range(0, len(whole), 7), len(whole) - 1):
        bad.write_bytes(whole[:size])
        with pytest.raises(BadFile), open_archive(bad):
            pass


@given(st.binary(max_size=300))
def test_anything_else_is_refused(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    bad = tmp_path_factory.getbasetemp() / "any.zip"
    bad.write_bytes(data)
    with pytest.raises(BadFile, match="no zip file"), open_archive(bad):
        pass


# -- harm ----------------------------------------------------------------------------------------------------


def with_files(**more: bytes) -> Callable[[Files], bytes]:
    return lambda files: pack(files | {name.replace("|", "/"): data for name, data in more.items()})


def without(name: str) -> Callable[[Files], bytes]:
    return lambda files: pack({n: d for n, d in files.items() if n != name})


def twice(second: str) -> Callable[[Files], bytes]:
    def make(files: Files) -> bytes:
        out = io.BytesIO(pack(files))
        with pytest.MonkeyPatch.context() as patch, zipfile.ZipFile(out, "a") as packed:
            patch.setattr("warnings.warn", lambda *said, **more: None)
            packed.writestr(zipfile.ZipInfo(second), b"{}")
        return out.getvalue()

    return make


def a_link(files: Files) -> bytes:
    out = io.BytesIO(pack(files))
    with zipfile.ZipFile(out, "a") as packed:
        info = zipfile.ZipInfo("attachments/link")
        info.create_system, info.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
        packed.writestr(info, "/etc/passwd")
    return out.getvalue()


def a_bomb(files: Files) -> bytes:
    return pack(files | {"attachments/big": bytes(50_000_000)}, compress=zipfile.ZIP_DEFLATED)


def overlapping(files: Files) -> bytes:
    """Many names for the same bytes: all of them together far larger than the file."""
    data = bytearray(
        pack(files | {"attachments/aa": bytes(9000)} | {f"attachments/b{n}": b"" for n in range(9)})
    )
    for n in range(9):
        at = data.rindex(f"attachments/b{n}".encode()) - 46
        first = data.rindex(b"attachments/aa") - 46
        data[at + 16 : at + 28] = data[first + 16 : first + 28]
        data[at + 42 : at + 46] = data[first + 42 : first + 46]
    return bytes(data)


def encrypted(files: Files) -> bytes:
    data = bytearray(pack(files))
    data[data.rindex(b"PK\x01\x02") + 8] |= 1
    return bytes(data)


def rehashed(change: Callable[[dict[str, Any]], None], name: str = "job.json") -> Callable[[Files], bytes]:
    """The job altered by somebody who makes all hashes right again."""

    def make(files: Files) -> bytes:
        job = json.loads(files[name])
        change(job)
        for event in job.get("events", ()):
            body = json.dumps(event["body"], separators=(",", ":"), ensure_ascii=False)
            said = (
                event["uid"],
                job["job"],
                event["at"],
                event["recorded"],
                event.get("supersedes", ""),
                body,
            )
            event["sha256"] = hashlib.sha256("\n".join(map(str, said)).encode()).hexdigest()
        return pack(files | {name: json.dumps(job, ensure_ascii=False).encode()})

    return make


def event(place: int, **fields: Any) -> Callable[[Files], bytes]:
    return rehashed(lambda job: job["events"][place].update(fields))


def body(**fields: Any) -> Callable[[Files], bytes]:
    return event(4, body=fields)


PHOTO = f"attachments/{hashlib.sha256(b'photo').hexdigest()[:16]}-top.jpg"
HARM: dict[str, tuple[Callable[[Files], bytes], str]] = {
    "up and away": (with_files(**{"..|..|evil": b"x"}), "no name in a job's file"),
    "absolute": (with_files(**{"|etc|evil": b"x"}), "no name in a job's file"),
    "drive": (with_files(**{"C:evil": b"x"}), "no name in a job's file"),
    "backslash": (with_files(**{"..\\evil": b"x"}), "no name in a job's file"),
    "hidden up": (with_files(**{"attachments|..": b"x"}), "no name in a job's file"),
    "folder": (with_files(**{"attachments|": b""}), "no name in a job's file"),
    "long name": (with_files(**{"a" * 3000: b""}), "no name in a job's file"),
    "link": (a_link, "no plain file"),
    "bomb": (a_bomb, "is compressed"),
    "overlapping": (overlapping, "more than its own size"),
    "encrypted": (encrypted, "is encrypted"),
    "twice": (twice("job.json"), "twice"),
    "twice but for case": (twice("JOB.json"), "expected README"),
    "attachment nobody names": (with_files(**{"attachments|x": b"x"}), "belong to no event"),
    "no history": (without("job.json"), "no job.json"),
    "no readme": (without("README.txt"), "no README.txt"),
    "no stock": (without("stock.json"), "no stock.json"),
    "attachment gone": (without(PHOTO), "top.jpg"),
    "empty zip": (lambda files: pack({}, sums=False), "no README.txt"),
    "no JSON": (with_files(**{"job.json": b"{"}), "layout"),
    "deep": (with_files(**{"job.json": b"[" * 100_000}), "layout"),
    "other JSON": (with_files(**{"job.json": b'{"a": 1}'}), "format"),
    "newer layout": (rehashed(lambda job: job.update(version=2)), "update it"),
    "not altered at all but for spaces": (rehashed(lambda job: None), ""),
    "unknown kind": (body(type="exploded"), "event 5: not known"),
    "unknown field": (body(type="note", text="x", more=1), "event 5: not known"),
    "stock in a job": (body(type="stock-received", lot="L", kind="k", quantity=5), "belongs to the stock"),
    "second beginning": (body(type="opened", title="x", currency="EUR"), "begins with one event"),
    "undo of nothing": (body(type="undone"), "takes back nothing"),
    "correction of what is not there": (event(4, supersedes="0" * 32), "not there before it"),
    "undo of the beginning": (
        rehashed(lambda job: job["events"][5].update(supersedes=job["events"][0]["uid"])), "the beginning"
    ),
    "identity twice": (rehashed(lambda job: job["events"][4].update(uid=job["events"][3]["uid"])), "twice"),
    "identity of another form": (event(4, uid="../x"), "event 5.*identity"),
    "no time": (event(4, at="yesterday"), "event 5"),
    "time without zone": (event(4, at="2026-01-01T00:00:00.000000"), "event 5"),
    "endless number": (body(type="time", minutes="1e999999999"), "beyond all measure"),
    "no number": (body(type="time", minutes="NaN"), "beyond all measure"),
    "huge count": (body(type="part-used", lot="L7", quantity=10**400), "event 5"),
    "less than nothing": (body(type="part-used", lot="L7", quantity=-5), "quantity of -5"),
    "zero byte": (body(type="note", text="a\0b"), "zero byte"),
    "money of no kind": (
        event(5, body={"type": "cost", "kind": "bribe", "price": {"value": "1", "currency": "EUR"}}), "add up"
    ),
    "other money": (
        event(5, body={"type": "cost", "kind": "postage", "price": {"value": "1", "currency": "USD"}}),
        "add up",
    ),
    "lot not told": (body(type="part-used", lot="M1", quantity=1), "stock.json: lot 'M1'"),
    "lots nobody used": (
        rehashed(lambda s: s["lots"].append({"lot": "M1", "kind": "k"}), "stock.json"), "not used"
    ),
    "no events": (rehashed(lambda job: job["events"].clear()), "no events"),
    "size that lies": (rehashed(lambda job: job["attachments"][0].update(size=1)), "not the file"),
    "attachment elsewhere": (
        rehashed(lambda job: job["attachments"][0].update(file="../../etc/passwd")), "not the file"
    ),
    "attachment that is the readme": (
        rehashed(lambda job: job["attachments"][0].update(file="README.txt")), "not the file"
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", HARM)
def test_a_hostile_file_is_refused_in_words(source: Path, tmp_path: Path, bench: Bench, name: str) -> None:
    make, words = HARM[name]
    bad = tmp_path / "bad.zip"
    bad.write_bytes(make(files_of(source)))
    if words:
        refused(bench, bad, words)
    else:
        # Shows that the others are refused for what they say, and not for how this test packs them.
        assert import_job(bench, bad, as_new=True).what == "new"


def test_an_event_with_another_hash_is_refused(source: Path, tmp_path: Path, bench: Bench) -> None:
    files, bad = files_of(source), tmp_path / "bad.zip"
    bad.write_bytes(pack(files | {"job.json": files["job.json"].replace(b'"note"}', b'"nose"}')}))
    refused(bench, bad, "event 5: is not what was recorded")


def test_no_file_and_a_folder_are_told(tmp_path: Path, bench: Bench) -> None:
    refused(bench, tmp_path / "none.zip", "cannot be read: no such file")
    refused(bench, tmp_path, "cannot be read: is a directory")


def test_events_that_are_in_another_job_already_are_refused(
    source: Path, tmp_path: Path, bench: Bench
) -> None:
    number = import_job(bench, source).number
    bad = tmp_path / "bad.zip"
    bad.write_bytes(rehashed(lambda job: job.update(job="0" * 32))(files_of(source)))
    refused(bench, bad, f"here already, in job {number}")


def test_a_failure_in_the_middle_leaves_the_bench_as_it_was(
    source: Path, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*given: Any) -> Any:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(bench.place.attachments, "put", full)
    before = bench.jobs(), bench.events(None), bench.search("note")
    with pytest.raises(Exception, match="no space left"):
        import_job(bench, source, as_new=True)
    assert (bench.jobs(), bench.events(None), bench.search("note")) == before
