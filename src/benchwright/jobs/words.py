"""Search over everything written: SQLite's FTS5, PostgreSQL's text search.

Both are given the same words, made here, so that both find the same: a word of text as a whole, by its
beginning, and from each place on where letters and digits meet. ``SN74LS157N`` is found by ``74LS157`` and by
``LS157``, ``U3.14`` by ``U3``, ``+5V`` by ``5V``.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from typing import Any

import msgspec
from sqlalchemy import Connection, text

from .bodies import AnyBody, Attachment, Identity

KEPT = "#$%&+-./@_"
"""Signs that belong to a word, as in +5V, U3.14, 1/4W; the others part words."""
_WORD = re.compile(rf"(?:[^\W_]|[^\x00-\x7f\s]|[{re.escape(KEPT)}])+")
_LONGEST = 80
_MOST_STARTS = 12
_MOST_BYTES = 400_000
"""PostgreSQL takes 1 MB of words for one event."""


def words_of(body: AnyBody) -> str:
    """All that a person might look for in an event."""
    found: list[str] = []
    skip = {
        "sha256", "media_type", "uid", "evidence", "point", "donor", "board_text", "type", "of_job", "origin",
        "side",
    }  # fmt: skip

    def gather(value: Any) -> None:
        if isinstance(value, str) and value:
            found.append(value)
        elif isinstance(value, dict):
            for key, inner in value.items():
                if key not in skip:
                    gather(inner)
        elif isinstance(value, (list, tuple)):
            for inner in value:
                gather(inner)

    gather(msgspec.to_builtins(body))
    if isinstance(body, Attachment):
        found.append(body.what)
    if isinstance(body, Identity) and body.board_file:
        found.append(body.board_file)
    return " ".join(dict.fromkeys(found))


def plain_words(written: str) -> list[str]:
    """The words of a text, in order: small letters without accents."""
    decomposed = unicodedata.normalize("NFKD", written)
    bare = "".join(c for c in decomposed if unicodedata.category(c) not in ("Mn", "Cs")).casefold()
    found = (word.strip("./")[:_LONGEST] for word in _WORD.findall(bare))
    return [word for word in found if any(c.isalnum() or c > "\x7f" for c in word)]


def starts_of(word: str) -> list[str]:
    """A word, and its ends from each place on where letters, digits and signs meet."""
    found = [word]
    for i in range(1, len(word)):
        here, before = word[i], word[i - 1]
        if here.isalnum() and (not before.isalnum() or before.isdigit() != here.isdigit()):
            found.append(word[i:])
            if len(found) > _MOST_STARTS:
                break
    return found


def index_words(written: str) -> list[str]:
    """What a text is found by, each once."""
    found: dict[str, None] = {}
    size = 0
    for word in plain_words(written):
        for start in starts_of(word):
            if start not in found:
                size += len(start.encode())
                if size > _MOST_BYTES:
                    return list(found)
                found[start] = None
    return list(found)


def put_words(connection: Connection, rows: Iterable[tuple[int, str]]) -> None:
    """Make events' words findable, by their numbers."""
    listed = [(number, index_words(written)) for number, written in rows]
    if not (listed := [(number, words) for number, words in listed if words]):
        return
    if connection.dialect.name == "sqlite":
        connection.execute(
            text("INSERT INTO words (rowid, found) VALUES (:n, :f)"),
            [{"n": number, "f": " ".join(words)} for number, words in listed],
        )
    else:
        connection.execute(
            text("INSERT INTO words (rowid, found) VALUES (:n, array_to_tsvector(CAST(:f AS text[])))"),
            [{"n": number, "f": words} for number, words in listed],
        )


def drop_words(connection: Connection, numbers: Sequence[int]) -> None:
    """Events that no longer stand are not found."""
    if numbers:
        connection.execute(text("DELETE FROM words WHERE rowid = :n"), [{"n": n} for n in numbers])


def drop_all_words(connection: Connection) -> None:
    """Nothing is found any more."""
    connection.execute(text("DELETE FROM words"))


def stored_words(connection: Connection) -> dict[int, set[str]]:
    """What is findable now: number of the event, its words."""
    if connection.dialect.name == "sqlite":
        rows = connection.execute(text("SELECT rowid, found FROM words"))
        return {int(number): set(found.split()) for number, found in rows}
    rows = connection.execute(text("SELECT rowid, tsvector_to_array(found) FROM words"))
    return {int(number): set(found) for number, found in rows}


def find_words(connection: Connection, wanted: str, limit: int) -> list[int]:
    """Numbers of events in which all words wanted occur: whole words first, then beginnings; newest first.

    Parameters
    ----------
    wanted : str
        As typed; nothing in it has a meaning of its own.
    limit : int
    """
    words = list(dict.fromkeys(plain_words(wanted)))
    if not words or limit < 1:
        return []
    lite = connection.dialect.name == "sqlite"
    found: dict[int, None] = {}
    for beginning in (False, True):
        if lite:
            query = " ".join(f'"{word}"' + "*" * beginning for word in words)
            sql = "SELECT rowid FROM words WHERE words MATCH :q ORDER BY rowid DESC LIMIT :k"
        else:
            query = " & ".join(f"'{word}'" + ":*" * beginning for word in words)
            sql = "SELECT rowid FROM words WHERE found @@ CAST(:q AS tsquery) ORDER BY rowid DESC LIMIT :k"
        for number in connection.execute(text(sql), {"q": query, "k": limit}).scalars():
            found.setdefault(int(number))
        if len(found) >= limit:
            break
    return list(found)[:limit]


def pieces(written: str, wanted: str, around: int = 6) -> list[tuple[str, bool]]:
    """A piece of a text around the first find: its words, each with whether it is one of those found.

    Parameters
    ----------
    written, wanted : str
    around : int
        Words shown before and after the first find.
    """
    looked = tuple(plain_words(wanted))
    words = written.split()

    def hit(word: str) -> bool:
        return any(start.startswith(looked) for plain in plain_words(word) for start in starts_of(plain))

    first = next((i for i, word in enumerate(words) if hit(word)), 0)
    begin, end = max(0, first - around), first + around + 1
    shown = [(word, hit(word)) for word in words[begin:end]]
    return [("...", False)] * bool(begin) + shown + [("...", False)] * (end < len(words))


def snippet(written: str, wanted: str, around: int = 6) -> str:
    """A piece of a text with the words found in [ ]; see `pieces`."""
    return " ".join(f"[{word}]" if hit else word for word, hit in pieces(written, wanted, around))
