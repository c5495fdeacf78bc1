"""Subscriptions, and the outbox of their notifications."""

from alembic import op
from sqlalchemy import BigInteger, Column, ForeignKey, Index, Integer, LargeBinary, MetaData, String, Table

revision = "0003"
down_revision = "0002"

SCHEMA = MetaData()
Table("change", SCHEMA, Column("sequence", BigInteger().with_variant(Integer, "sqlite"), primary_key=True, autoincrement=False))
_SUBSCRIPTION = Table(
    "subscription", SCHEMA,
    Column("id", String, primary_key=True), Column("version", Integer, nullable=False), Column("instant", BigInteger, nullable=False),
    Column("status", String, nullable=False), Column("fault", String, nullable=False), Column("owner", String, nullable=False),
    Column("base", String, nullable=False), Column("content", LargeBinary, nullable=False), Column("ends", BigInteger, nullable=False),
    Column("since", BigInteger, nullable=False), Column("events", BigInteger, nullable=False), Column("failures", Integer, nullable=False),
    Column("free_from", BigInteger, nullable=False), Column("heartbeat", Integer, nullable=False), Column("beat_from", BigInteger, nullable=False),
)  # fmt: skip
_NOTIFICATION = Table(
    "notification", SCHEMA,
    Column("subscription", ForeignKey("subscription.id"), primary_key=True), Column("number", BigInteger, primary_key=True),
    Column("change", ForeignKey("change.sequence"), nullable=False), Column("about", String, nullable=False),
    Column("attempts", Integer, nullable=False), Column("free_from", BigInteger, nullable=False), Column("holder", String, nullable=False),
    Column("delivered", BigInteger), Index("notifications_delivered", "delivered"),
)  # fmt: skip
_OPEN = _NOTIFICATION.c.delivered.is_(None)
Index("open_notifications", _NOTIFICATION.c.subscription, _NOTIFICATION.c.number, sqlite_where=_OPEN, postgresql_where=_OPEN)
Index("held_notifications", _NOTIFICATION.c.subscription, _NOTIFICATION.c.free_from, sqlite_where=_OPEN, postgresql_where=_OPEN)


def upgrade() -> None:
    SCHEMA.create_all(op.get_bind(), tables=[_SUBSCRIPTION, _NOTIFICATION], checkfirst=False)
