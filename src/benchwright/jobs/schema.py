"""Tables of the bench's records, the same for SQLite and PostgreSQL.

Only `event`, `attachment` and `piece` hold what was recorded. All else is derived from them in the same
transaction, so that lists and searches are quick, and can be made anew at any time.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(column_0_N_label)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)
STRICT: dict[str, Any] = {"sqlite_strict": True}
ISO = "%s LIKE '____-__-__T__:__:__.______Z'"

job = Table(
    "job",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("uid", Text, nullable=False, unique=True),
    # Derived from the job's events, for lists.
    Column("title", Text, nullable=False, server_default=""),
    Column("stage", Text, nullable=False, server_default="open"),
    Column("waiting_for", Text, nullable=False, server_default=""),
    Column("open_points", Integer, nullable=False, server_default="0"),
    Column("board", Text, nullable=False, server_default=""),
    Column("currency", Text, nullable=False, server_default=""),
    Column("profit", Text, nullable=False, server_default=""),
    Column("minutes", Text, nullable=False, server_default="0"),
    Column("opened", Text, nullable=False, server_default=""),
    Column("updated", Text, nullable=False, server_default="", index=True),
    **STRICT,
)
event = Table(
    "event",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("uid", Text, nullable=False, unique=True),
    Column("job", Integer, ForeignKey("job.number"), index=True),
    Column("at", Text, CheckConstraint(ISO % "at", name="at_iso"), nullable=False),
    Column("recorded", Text, CheckConstraint(ISO % "recorded", name="recorded_iso"), nullable=False),
    Column("supersedes", Text, ForeignKey("event.uid"), index=True),
    Column("kind", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("sha256", Text, CheckConstraint("length(sha256) = 64", name="sha256_length"), nullable=False),
    # Derived.
    Column("stands", Integer, CheckConstraint("stands IN (0, 1)", name="stands_flag"), nullable=False),
    Column("place", Integer, nullable=False),
    Index("ix_event_kind_stands", "kind", "stands"),
    **STRICT,
)
attachment = Table(
    "attachment",
    metadata,
    Column("sha256", Text, primary_key=True),
    Column("size", Integer, CheckConstraint("size >= 0", name="size_positive"), nullable=False),
    **STRICT,
)
# What was attached, only where the bench has no folder: on a server.
piece = Table(
    "piece",
    metadata,
    Column("sha256", Text, ForeignKey("attachment.sha256"), primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("data", LargeBinary, nullable=False),
    **STRICT,
)
