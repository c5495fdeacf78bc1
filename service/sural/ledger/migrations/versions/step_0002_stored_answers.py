"""Stored answers: resources with every version as an append-only feed, their identifiers, and what searches look in."""

from alembic import op
from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    String,
    Table,
    UniqueConstraint,
)

revision = "0002"
down_revision = "0001"

SCHEMA = MetaData()
_KEY = BigInteger().with_variant(Integer, "sqlite")
Table(
    "resource", SCHEMA,
    Column("key", _KEY, primary_key=True, autoincrement=False), Column("type", String, nullable=False), Column("id", String, nullable=False),
    Column("version", Integer, nullable=False), Column("sequence", BigInteger, nullable=False), Column("subject", String),
    UniqueConstraint("type", "id"), UniqueConstraint("sequence"),
    Index("resources_of_a_type", "type", "key"), Index("changes_of_a_type", "type", "sequence"), Index("resources_of_a_subject", "subject"),
)  # fmt: skip
Table(
    "change", SCHEMA,
    Column("sequence", _KEY, primary_key=True, autoincrement=False), Column("resource", ForeignKey("resource.key"), nullable=False),
    Column("version", Integer, nullable=False), Column("instant", BigInteger, nullable=False), Column("author", String, nullable=False),
    Column("content", LargeBinary, nullable=False),
    UniqueConstraint("resource", "version"), Index("changes_by_instant", "instant", "sequence"),
)  # fmt: skip
Table(
    "resource_identifier", SCHEMA,
    Column("type", String, primary_key=True), Column("value", String, primary_key=True), Column("system", String, primary_key=True),
    Column("resource", ForeignKey("resource.key"), nullable=False, index=True), sqlite_with_rowid=False,
)  # fmt: skip
Table(
    "symbol", SCHEMA,
    Column("id", _KEY, primary_key=True, autoincrement=False), Column("code", String, nullable=False), Column("system", String, nullable=False, index=True),
    UniqueConstraint("code", "system"),
)  # fmt: skip
Table(
    "term", SCHEMA,
    Column("parameter", SmallInteger, primary_key=True), Column("symbol", BigInteger, primary_key=True),
    Column("resource", ForeignKey("resource.key"), primary_key=True, index=True), sqlite_with_rowid=False,
)  # fmt: skip
Table(
    "span", SCHEMA,
    Column("parameter", SmallInteger, primary_key=True), Column("low", BigInteger, primary_key=True),
    Column("resource", ForeignKey("resource.key"), primary_key=True), Column("high", BigInteger, nullable=False),
    Index("spans_of_a_resource", "resource", "parameter"), sqlite_with_rowid=False,
)  # fmt: skip
Table("widest", SCHEMA, Column("parameter", SmallInteger, primary_key=True, autoincrement=False), Column("width", BigInteger, nullable=False))
Table(
    "export", SCHEMA,
    Column("id", String, primary_key=True), Column("kinds", String, nullable=False), Column("since", BigInteger, nullable=False),
    Column("last", BigInteger, nullable=False), Column("instant", BigInteger, nullable=False), Column("query", String, nullable=False),
)  # fmt: skip
Table("secret", SCHEMA, Column("purpose", String, primary_key=True), Column("value", LargeBinary, nullable=False))


def upgrade() -> None:
    SCHEMA.create_all(op.get_bind(), checkfirst=False)
