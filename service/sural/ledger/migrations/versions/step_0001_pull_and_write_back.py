"""Marks, runs and work of the pull; answers that were written into record systems.

Ledgers made before there were steps have some or all of these tables: only what is not there is made.
"""

from alembic import op
from sqlalchemy import Boolean, Column, ForeignKey, Index, Integer, MetaData, String, Table, UniqueConstraint

revision = "0001"
down_revision = None

SCHEMA = MetaData()
Table(
    "mark", SCHEMA,
    Column("source", String, primary_key=True), Column("kind", String, primary_key=True), Column("instant", String, nullable=False),
)  # fmt: skip
_RUN = Table(
    "run", SCHEMA,
    Column("id", Integer, primary_key=True), Column("source", String, nullable=False, index=True),
    Column("until", String, nullable=False), Column("finished", Integer, nullable=False, default=0),
)  # fmt: skip
_UNFINISHED = _RUN.c.finished == 0
Index("one_unfinished_run", _RUN.c.source, unique=True, sqlite_where=_UNFINISHED, postgresql_where=_UNFINISHED)
Table(
    "work", SCHEMA,
    Column("run", ForeignKey("run.id"), primary_key=True), Column("patient", String, primary_key=True), Column("outcome", String),
)  # fmt: skip
_ANSWER = Table(
    "answer", SCHEMA,
    Column("id", Integer, primary_key=True), Column("source", String, nullable=False), Column("examination", String, nullable=False),
    Column("sequence", Integer, nullable=False), Column("subject", String, nullable=False), Column("content", String, nullable=False),
    Column("examined", String, nullable=False), Column("state", String, nullable=False), Column("current", Boolean, nullable=False),
    UniqueConstraint("source", "examination", "sequence"), Index("answers_of_a_subject", "source", "subject"),
)  # fmt: skip
_CURRENT = _ANSWER.c.current
Index("one_current_answer", _ANSWER.c.source, _ANSWER.c.examination, unique=True, sqlite_where=_CURRENT, postgresql_where=_CURRENT)
Table(
    "answer_input", SCHEMA,
    Column("answer", ForeignKey("answer.id"), primary_key=True), Column("reference", String, primary_key=True),
)  # fmt: skip
Table(
    "answer_resource", SCHEMA,
    Column("answer", ForeignKey("answer.id"), primary_key=True), Column("kind", String, primary_key=True),
    Column("type", String, nullable=False), Column("resource", String), Column("version", String),
)  # fmt: skip


def upgrade() -> None:
    SCHEMA.create_all(op.get_bind(), checkfirst=True)
