"""Jobs, events, attachments and the words to search for."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

ISO = "%s LIKE '____-__-__T__:__:__.______Z'"


def upgrade() -> None:
    """Make the first tables."""
    op.create_table(
        "job",
        sa.Column("number", sa.Integer, autoincrement=False),
        sa.Column("uid", sa.Text, nullable=False),
        sa.Column("title", sa.Text, nullable=False, server_default=""),
        sa.Column("stage", sa.Text, nullable=False, server_default="open"),
        sa.Column("waiting_for", sa.Text, nullable=False, server_default=""),
        sa.Column("open_points", sa.Integer, nullable=False, server_default="0"),
        sa.Column("board", sa.Text, nullable=False, server_default=""),
        sa.Column("currency", sa.Text, nullable=False, server_default=""),
        sa.Column("profit", sa.Text, nullable=False, server_default=""),
        sa.Column("minutes", sa.Text, nullable=False, server_default="0"),
        sa.Column("opened", sa.Text, nullable=False, server_default=""),
        sa.Column("updated", sa.Text, nullable=False, server_default=""),
        sa.PrimaryKeyConstraint("number", name="pk_job"),
        sa.UniqueConstraint("uid", name="uq_job_uid"),
        sqlite_strict=True,
    )
    op.create_index("ix_job_updated", "job", ["updated"])
    op.create_table(
        "event",
        sa.Column("number", sa.Integer, autoincrement=False),
        sa.Column("uid", sa.Text, nullable=False),
        sa.Column("job", sa.Integer),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("recorded", sa.Text, nullable=False),
        sa.Column("supersedes", sa.Text),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("stands", sa.Integer, nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_event"),
        sa.UniqueConstraint("uid", name="uq_event_uid"),
        sa.ForeignKeyConstraint(["job"], ["job.number"], name="fk_event_job_job"),
        sa.ForeignKeyConstraint(["supersedes"], ["event.uid"], name="fk_event_supersedes_event"),
        sa.CheckConstraint(ISO % "at", name="ck_event_at_iso"),
        sa.CheckConstraint(ISO % "recorded", name="ck_event_recorded_iso"),
        sa.CheckConstraint("length(sha256) = 64", name="ck_event_sha256_length"),
        sa.CheckConstraint("stands IN (0, 1)", name="ck_event_stands_flag"),
        sqlite_strict=True,
    )
    op.create_index("ix_event_job", "event", ["job"])
    op.create_index("ix_event_supersedes", "event", ["supersedes"])
    op.create_index("ix_event_kind_stands", "event", ["kind", "stands"])
    op.create_table(
        "attachment",
        sa.Column("sha256", sa.Text),
        sa.Column("size", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("sha256", name="pk_attachment"),
        sa.CheckConstraint("size >= 0", name="ck_attachment_size_positive"),
        sqlite_strict=True,
    )
    op.create_table(
        "piece",
        sa.Column("sha256", sa.Text),
        sa.Column("number", sa.Integer, autoincrement=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("sha256", "number", name="pk_piece"),
        sa.ForeignKeyConstraint(["sha256"], ["attachment.sha256"], name="fk_piece_sha256_attachment"),
        sqlite_strict=True,
    )
    # The words themselves are made in Python, alike for both: see `jobs.words`.
    if op.get_bind().dialect.name == "sqlite":
        op.execute(
            "CREATE VIRTUAL TABLE words USING fts5(found, detail = none, prefix = '1 2 3', "
            "tokenize = \"ascii tokenchars '#$%&+-./@_'\")"
        )
    else:
        op.execute(
            "CREATE TABLE words (rowid INTEGER CONSTRAINT pk_words PRIMARY KEY, found TSVECTOR NOT NULL)"
        )
        op.execute("CREATE INDEX ix_words_found ON words USING GIN (found)")


def downgrade() -> None:
    """There is nothing before the first."""
    raise NotImplementedError("a bench's records are not taken back to before they began")
