"""Text files as people have them: encodings, what is no text, and writing whole or not at all."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright import textfile
from benchwright.errors import BadFile
from benchwright.textfile import read_text, write_text

LINES = "Größe,4k7\nµ,Ω\n"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_unicode_is_read_with_or_without_its_mark(tmp_path: Path, encoding: str) -> None:
    """UTF-8 with and without a mark and UTF-16 with one give the same text, and no mark in it."""
    path = tmp_path / "parts.csv"
    path.write_bytes(LINES.encode(encoding))
    assert read_text(path) == LINES


@pytest.mark.parametrize(("mark", "encoding"), [(b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")])
def test_utf_16_is_read_in_either_byte_order(tmp_path: Path, mark: bytes, encoding: str) -> None:
    """The mark decides the byte order, as spreadsheets write either."""
    path = tmp_path / "parts.csv"
    path.write_bytes(mark + LINES.encode(encoding))
    assert read_text(path) == LINES


def test_old_western_text_is_read(tmp_path: Path) -> None:
    """Bytes that are no UTF-8 are Latin-1, as old parts lists are."""
    path = tmp_path / "parts.csv"
    path.write_bytes("Größe 4µ7".encode("latin-1"))
    assert read_text(path) == "Größe 4µ7"


@pytest.mark.parametrize(
    ("data", "words"),
    [(b"PK\x03\x04\x00\x00", "zero bytes"), (b"\xff\xfe\x00\xd8", "UTF-16"), (b"\xff\xfea", "UTF-16")],
)
def test_what_is_no_text_is_refused_by_name(tmp_path: Path, data: bytes, words: str) -> None:
    """A binary file gives one error that names the file and says why it is no text."""
    path = tmp_path / "board.ipc"
    path.write_bytes(data)
    with pytest.raises(BadFile, match=words) as told:
        read_text(path)
    assert str(path) in str(told.value)


def test_a_huge_file_is_refused_before_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file above the limit is refused by its size."""
    monkeypatch.setattr(textfile, "MOST_BYTES", 10)
    path = tmp_path / "board.ipc"
    path.write_text("x" * 10)
    assert read_text(path) == "x" * 10
    path.write_text("x" * 11)
    with pytest.raises(BadFile, match="larger"):
        read_text(path)


@given(data=st.binary(max_size=60))
def test_any_bytes_are_text_or_one_clear_error(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    """Whatever the bytes, there is a text without zero bytes or a BadFile."""
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes(data)
    try:
        text = read_text(path)
    except BadFile:
        assert b"\0" in data or data[:2] in (b"\xff\xfe", b"\xfe\xff")
    else:
        assert isinstance(text, str)


@given(text=st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"])))
def test_what_was_written_is_read_back(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    """Any text comes back as it was, line ends included; only a leading mark is taken for one."""
    path = tmp_path_factory.getbasetemp() / "back.txt"
    write_text(path, text)
    assert read_text(path) == text.removeprefix("\ufeff")


def test_a_write_that_fails_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If the disk gives out in the middle, the old text stands and nothing else is left about."""
    path = tmp_path / "readings.csv"
    write_text(path, "old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_text(path, "new")
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_text_that_cannot_be_encoded_leaves_the_old_file(tmp_path: Path) -> None:
    """A lone surrogate is no text: the old file stands."""
    path = tmp_path / "readings.csv"
    write_text(path, "old")
    with pytest.raises(UnicodeEncodeError):
        write_text(path, "\ud800")
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_that_is_not_there_is_named_by_the_file_asked_for(tmp_path: Path) -> None:
    """The error names the file the person asked for, not a temporary one."""
    path = tmp_path / "no" / "board.toml"
    with pytest.raises(FileNotFoundError) as told:
        write_text(path, "text")
    assert told.value.filename == str(path)


@pytest.mark.skipif(sys.platform == "win32", reason="permission bits are not used on Windows")
def test_permissions_are_those_of_any_file(tmp_path: Path) -> None:
    """A new file has the permissions the person's other files have; a replaced one keeps its own."""
    plain, path = tmp_path / "plain", tmp_path / "readings.csv"
    plain.write_text("")
    write_text(path, "new")
    assert stat.S_IMODE(path.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)
    path.chmod(0o640)
    write_text(path, "newer")
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights on Windows")
def test_a_link_stays_a_link(tmp_path: Path) -> None:
    """Writing through a link changes the file it points to."""
    path, link = tmp_path / "readings.csv", tmp_path / "link.csv"
    path.write_text("old")
    link.symlink_to(path)
    write_text(link, "new")
    assert link.is_symlink()
    assert path.read_text() == "new"
