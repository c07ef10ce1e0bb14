"""Run by Alembic: brings a database that is already connected up to date."""

from alembic import context
from sqlmodel import SQLModel

import service.records.tables  # noqa: F401  (fills the metadata)

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=SQLModel.metadata,
    render_as_batch=connection.dialect.name == "sqlite",
)
with context.begin_transaction():
    context.run_migrations()
