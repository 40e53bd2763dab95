"""How Alembic runs from within Benchwright: on the connection it is handed, in that one's transaction."""

from __future__ import annotations

from alembic import context

from benchwright.jobs.schema import metadata

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=metadata,
    render_as_batch=True,
    transactional_ddl=True,
    transaction_per_migration=False,
)
context.run_migrations()
