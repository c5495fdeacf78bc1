"""The tables of stored answers, as the steps under `migrations` make them.

| table | one row per |
| --- | --- |
| `resource` | resource as it stands: its newest version, the number of the change that brought it, and whom it is about |
| `change` | version: the append-only feed; `instant` in milliseconds since 1970, `content` compressed JSON |
| `resource_identifier` | business identifier; unique within a type |
| `symbol` | distinct code, or reference, that searches look for |
| `term` | search parameter, symbol and resource |
| `span` | search parameter and resource with a time (microseconds since 1970) or number (millionths), as a range |
| `widest` | search parameter: the greatest width that one of its ranges ever had |
| `export` | export that was begun: its types, and the last change that is in it |
| `secret` | key of this ledger's own, such as that of page links |
| `subscription` | subscription: what was asked for, how far the feed was read for it, and how its endpoint answers |
| `notification` | event of a subscription: the outbox; `about` is whom it is about, and `delivered` is empty until the endpoint took it |
| `person` | person who is known, with what the record system last said of the record; `instant` in milliseconds since 1970 |
| `fact` | resource that a recall reads, with what it needs of it, as JSON |
| `used_token` | token of a CDS client that was used: a digest of its issuer and id, and until when it is kept, in seconds since 1970 |
| `followed` | Task, Encounter or request elsewhere that follows one of our proposals, with its status |
"""

from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    SmallInteger,
    String,
    Table,
    UniqueConstraint,
)

from sural.ledger.store import METADATA

_KEY = BigInteger().with_variant(Integer, "sqlite")
RESOURCE = Table(
    "resource", METADATA,
    Column("key", _KEY, primary_key=True, autoincrement=False), Column("type", String, nullable=False), Column("id", String, nullable=False),
    Column("version", Integer, nullable=False), Column("sequence", BigInteger, nullable=False), Column("subject", String),
    UniqueConstraint("type", "id"), UniqueConstraint("sequence"),
    Index("resources_of_a_type", "type", "key"), Index("changes_of_a_type", "type", "sequence"), Index("resources_of_a_subject", "subject"),
)  # fmt: skip
CHANGE = Table(
    "change", METADATA,
    Column("sequence", _KEY, primary_key=True, autoincrement=False), Column("resource", ForeignKey("resource.key"), nullable=False),
    Column("version", Integer, nullable=False), Column("instant", BigInteger, nullable=False), Column("author", String, nullable=False),
    Column("content", LargeBinary, nullable=False),
    UniqueConstraint("resource", "version"), Index("changes_by_instant", "instant", "sequence"),
)  # fmt: skip
IDENTIFIER = Table(
    "resource_identifier", METADATA,
    Column("type", String, primary_key=True), Column("value", String, primary_key=True), Column("system", String, primary_key=True),
    Column("resource", ForeignKey("resource.key"), nullable=False, index=True), sqlite_with_rowid=False,
)  # fmt: skip
SYMBOL = Table(
    "symbol", METADATA,
    Column("id", _KEY, primary_key=True, autoincrement=False), Column("code", String, nullable=False), Column("system", String, nullable=False, index=True),
    UniqueConstraint("code", "system"),
)  # fmt: skip
TERM = Table(
    "term", METADATA,
    Column("parameter", SmallInteger, primary_key=True), Column("symbol", BigInteger, primary_key=True),
    Column("resource", ForeignKey("resource.key"), primary_key=True, index=True), sqlite_with_rowid=False,
)  # fmt: skip
SPAN = Table(
    "span", METADATA,
    Column("parameter", SmallInteger, primary_key=True), Column("low", BigInteger, primary_key=True),
    Column("resource", ForeignKey("resource.key"), primary_key=True), Column("high", BigInteger, nullable=False),
    Index("spans_of_a_resource", "resource", "parameter"), sqlite_with_rowid=False,
)  # fmt: skip
WIDEST = Table("widest", METADATA, Column("parameter", SmallInteger, primary_key=True, autoincrement=False), Column("width", BigInteger, nullable=False))  # fmt: skip
EXPORT = Table(
    "export", METADATA,
    Column("id", String, primary_key=True), Column("kinds", String, nullable=False), Column("since", BigInteger, nullable=False),
    Column("last", BigInteger, nullable=False), Column("instant", BigInteger, nullable=False), Column("query", String, nullable=False),
)  # fmt: skip
SECRET = Table("secret", METADATA, Column("purpose", String, primary_key=True), Column("value", LargeBinary, nullable=False))
SUBSCRIPTION = Table(
    "subscription", METADATA,
    Column("id", String, primary_key=True), Column("version", Integer, nullable=False), Column("instant", BigInteger, nullable=False),
    Column("status", String, nullable=False), Column("fault", String, nullable=False), Column("owner", String, nullable=False),
    Column("base", String, nullable=False), Column("content", LargeBinary, nullable=False), Column("ends", BigInteger, nullable=False),
    Column("since", BigInteger, nullable=False), Column("events", BigInteger, nullable=False), Column("failures", Integer, nullable=False),
    Column("free_from", BigInteger, nullable=False), Column("heartbeat", Integer, nullable=False), Column("beat_from", BigInteger, nullable=False),
)  # fmt: skip
"""Times are in milliseconds since 1970. `free_from`: not to be notified before; `beat_from`: when the next heartbeat is due."""
NOTIFICATION = Table(
    "notification", METADATA,
    Column("subscription", ForeignKey("subscription.id"), primary_key=True), Column("number", BigInteger, primary_key=True),
    Column("change", ForeignKey("change.sequence"), nullable=False), Column("about", String, nullable=False),
    Column("attempts", Integer, nullable=False), Column("free_from", BigInteger, nullable=False), Column("holder", String, nullable=False),
    Column("delivered", BigInteger), Index("notifications_delivered", "delivered"),
)  # fmt: skip
_OPEN = NOTIFICATION.c.delivered.is_(None)
Index("open_notifications", NOTIFICATION.c.subscription, NOTIFICATION.c.number, sqlite_where=_OPEN, postgresql_where=_OPEN)
Index("held_notifications", NOTIFICATION.c.subscription, NOTIFICATION.c.free_from, sqlite_where=_OPEN, postgresql_where=_OPEN)
PERSON = Table(
    "person", METADATA,
    Column("subject", String, primary_key=True), Column("remark", String, nullable=False), Column("instant", BigInteger, nullable=False),
)  # fmt: skip
FACT = Table(
    "fact", METADATA,
    Column("resource", ForeignKey("resource.key"), primary_key=True), Column("subject", String, nullable=False),
    Column("content", LargeBinary, nullable=False), Index("facts_of_a_subject", "subject", "resource"),
)  # fmt: skip
FOLLOWED = Table(
    "followed", METADATA,
    Column("request", String, primary_key=True), Column("reference", String, primary_key=True), Column("status", String, nullable=False),
    Column("subject", String, nullable=False, index=True),
)  # fmt: skip
USED_TOKEN = Table(
    "used_token", METADATA,
    Column("digest", LargeBinary, primary_key=True), Column("until", BigInteger, nullable=False, index=True), sqlite_with_rowid=False,
)  # fmt: skip
