"""Tokens of CDS clients that were used: one table for all workers, so that each is taken once."""

from alembic import op
from sqlalchemy import BigInteger, Column, LargeBinary, MetaData, Table

revision = "0005"
down_revision = "0004"

SCHEMA = MetaData()
Table(
    "used_token", SCHEMA,
    Column("digest", LargeBinary, primary_key=True), Column("until", BigInteger, nullable=False, index=True), sqlite_with_rowid=False,
)  # fmt: skip


def upgrade() -> None:
    SCHEMA.create_all(op.get_bind(), checkfirst=False)
