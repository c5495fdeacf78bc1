"""How Alembic runs the steps: in the transaction that was begun for it."""

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()
