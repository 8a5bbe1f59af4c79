"""Runs the versions on the connection and within the transaction that the caller holds."""

from alembic import context

context.configure(
    connection=context.config.attributes["connection"],
    version_table="lobscope_version",
    transaction_per_migration=False,
)
with context.begin_transaction():
    context.run_migrations()
