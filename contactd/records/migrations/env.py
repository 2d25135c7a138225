"""Runs migrations on the connection that the ledger hands over, in the ledger's transaction."""

from alembic import context

connection = context.config.attributes["connection"]
context.configure(connection=connection, transactional_ddl=True)
context.run_migrations()
