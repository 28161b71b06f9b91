"""Runs the revisions on the connection, and inside the transaction, that ``schema.bring_to_head`` hands over."""

from alembic import context

from dewpond.adapters.store.tables import metadata, schema_version

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    version_table=schema_version.name,
    render_as_batch=True,  # SQLite alters a table by copying it
)
context.run_migrations()
