"""Search over everything written: SQLite's FTS5, PostgreSQL's text search."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

import msgspec
from sqlalchemy import Connection, text

from .bodies import AnyBody, Attachment, Identity

WORD = re.compile(r"[^\s\"'()*:^,;]+")


def words_of(body: AnyBody) -> str:
    """All that a person might look for in an event."""
    found: list[str] = []
    skip = {"sha256", "media_type", "uid", "evidence", "point", "donor", "board_text", "type"}

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


def put_words(connection: Connection, rows: Iterable[tuple[int, str]]) -> None:
    """Make events' words findable, by their numbers."""
    values = [{"n": number, "t": words} for number, words in rows if words]
    if values:
        connection.execute(text("INSERT INTO words (rowid, text) VALUES (:n, :t)"), values)


def drop_words(connection: Connection, numbers: Sequence[int]) -> None:
    """Events that no longer stand are not found."""
    if numbers:
        connection.execute(text("DELETE FROM words WHERE rowid = :n"), [{"n": n} for n in numbers])


def find_words(connection: Connection, wanted: str, limit: int) -> list[tuple[int, str]]:
    """Events in which all words wanted begin a word, best first: numbers and a snippet with the finds in [ ].

    Parameters
    ----------
    wanted : str
        As typed; nothing in it has a meaning of its own.
    """
    words = WORD.findall(wanted)
    if not words:
        return []
    if connection.dialect.name == "sqlite":
        query = " ".join(f'"{word}"*' for word in words)
        rows = connection.execute(
            text(
                "SELECT rowid, snippet(words, 0, '[', ']', ' ... ', 12) FROM words WHERE words MATCH :q "
                "ORDER BY rank, rowid DESC LIMIT :k"
            ),
            {"q": query, "k": limit},
        )
    else:
        rows = connection.execute(
            text(
                "SELECT rowid, "
                "ts_headline('simple', text, q, 'StartSel=[, StopSel=], MaxWords=14, MinWords=4') "
                "FROM words, to_tsquery('simple', :q) q WHERE found @@ q "
                "ORDER BY ts_rank(found, q) DESC, rowid DESC LIMIT :k"
            ),
            {"q": " & ".join("'" + word.replace("\\", "") + "':*" for word in words), "k": limit},
        )
    return [(int(number), str(snippet)) for number, snippet in rows]
