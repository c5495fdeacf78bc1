"""Recall: everybody the ledger knows, what a recall needs of each stored resource, and what follows proposals."""

from alembic import op
from sqlalchemy import BigInteger, Column, ForeignKey, Index, Integer, LargeBinary, MetaData, String, Table

from sural.ledger.knowing import refill

revision = "0004"
down_revision = "0003"

SCHEMA = MetaData()
_KEY = BigInteger().with_variant(Integer, "sqlite")
Table("resource", SCHEMA, Column("key", _KEY, primary_key=True, autoincrement=False))
Table(
    "person", SCHEMA,
    Column("subject", String, primary_key=True), Column("remark", String, nullable=False), Column("instant", BigInteger, nullable=False),
)  # fmt: skip
Table(
    "fact", SCHEMA,
    Column("resource", ForeignKey("resource.key"), primary_key=True), Column("subject", String, nullable=False),
    Column("content", LargeBinary, nullable=False), Index("facts_of_a_subject", "subject", "resource"),
)  # fmt: skip
Table(
    "followed", SCHEMA,
    Column("request", String, primary_key=True), Column("reference", String, primary_key=True), Column("status", String, nullable=False),
    Column("subject", String, nullable=False, index=True),
)  # fmt: skip


def upgrade() -> None:
    SCHEMA.create_all(op.get_bind(), tables=[SCHEMA.tables[name] for name in ("person", "fact", "followed")], checkfirst=False)
    refill(op.get_bind())
