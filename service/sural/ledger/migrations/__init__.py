"""The schema of the ledger, step by step (Alembic). A step that was released is not changed any more: a new one follows it."""
