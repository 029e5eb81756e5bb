"""Run by Alembic with a connection that the library hands in."""

from __future__ import annotations

from alembic import context

from voiceover.store.tables import Base

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=Base.metadata, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
