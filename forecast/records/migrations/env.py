"""Run the migrations on the connection that `forecast.records.schema` hands over."""

from alembic import context

from forecast.records.schema import VERSION_TABLE
from forecast.records.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    version_table=VERSION_TABLE,
    render_as_batch=True,  # SQLite cannot alter a table in place
)
with context.begin_transaction():
    context.run_migrations()
