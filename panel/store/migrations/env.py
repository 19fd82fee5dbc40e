"""Runs the migrations on the connection that `panel.store.updating` hands over."""

from alembic import context
from sqlmodel import SQLModel

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=SQLModel.metadata,
    render_as_batch=True,
    user_module_prefix="",  # the template imports the types that are not SQLAlchemy's
    compare_type=True,
    compare_server_default=True,
)
with context.begin_transaction():
    context.run_migrations()
