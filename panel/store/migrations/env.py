"""Runs the migrations on the connection that the opener hands over."""

from alembic import context
from sqlmodel import SQLModel

from panel.store import tables

assert tables.Study.__table__ is not None  # type: ignore[attr-defined]

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=SQLModel.metadata,
    render_as_batch=True,
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
