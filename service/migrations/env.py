"""Alembic's hook: runs the revisions on the connection that `service.migrations` hands over, inside its transaction."""

from alembic import context

from service.tables import Base

context.configure(
    connection=context.config.attributes["connection"], target_metadata=Base.metadata, render_as_batch=True
)
context.run_migrations()
