"""Answers in the ledger: what was written where, from which inputs, and whether its arrival is known.

An answer is put down before it is sent (`sent`) and again when the record system has said so (`acknowledged`); after a kill in between it is
looked up there before anything is sent again. One row per record system and examination is the current answer; what stood before stays as
history under its sequence number.
"""

from collections.abc import Iterable, Mapping
from typing import Literal

from msgspec import Struct
from sqlalchemy import (
    Boolean,
    Column,
    ColumnElement,
    Connection,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    UniqueConstraint,
    select,
    update,
)

from sural.ledger.store import METADATA, Ledger

State = Literal["sent", "acknowledged", "superseded", "withdrawn"]
"""Superseded: of an earlier examination, whose open proposals a later answer has replaced; the answer itself still stands."""
ANSWERS = Table(
    "answer", METADATA,
    Column("id", Integer, primary_key=True), Column("source", String, nullable=False), Column("examination", String, nullable=False),
    Column("sequence", Integer, nullable=False), Column("subject", String, nullable=False), Column("content", String, nullable=False),
    Column("examined", String, nullable=False), Column("state", String, nullable=False),
    Column("current", Boolean, nullable=False),
    UniqueConstraint("source", "examination", "sequence"), Index("answers_of_a_subject", "source", "subject"),
)  # fmt: skip
_CURRENT = ANSWERS.c.current
Index(
    "one_current_answer", ANSWERS.c.source, ANSWERS.c.examination, unique=True, sqlite_where=_CURRENT, postgresql_where=_CURRENT
)
INPUTS = Table(
    "answer_input", METADATA,
    Column("answer", ForeignKey("answer.id"), primary_key=True), Column("reference", String, primary_key=True),
)  # fmt: skip
RESOURCES = Table(
    "answer_resource", METADATA,
    Column("answer", ForeignKey("answer.id"), primary_key=True), Column("kind", String, primary_key=True),
    Column("type", String, nullable=False), Column("resource", String), Column("version", String),
)  # fmt: skip


class Place(Struct, frozen=True):
    """Where one resource of an answer is: its kind, its type and, once they are known, its id and version there."""

    kind: str
    type: str
    id: str | None = None
    version: str | None = None

    @property
    def reference(self) -> str:
        return f"{self.type}/{self.id}"


class Noted(Struct, frozen=True):
    """One answer as it stands in the ledger. `examined` is when, `inputs` the references that it rests on."""

    subject: str
    examination: str
    content: str
    examined: str
    state: State
    inputs: frozenset[str]
    places: tuple[Place, ...] = ()


class Answers:
    """The answers written to one record system, by the address of its FHIR endpoint."""

    def __init__(self, ledger: Ledger, source: str) -> None:
        self._database = ledger.database
        self._source = source

    def current(self, examination: str) -> Noted | None:
        """The current answer about an examination."""
        with self._database.reading() as connection:
            return next(iter(self._noted(connection, ANSWERS.c.examination == examination)), None)

    def of_subject(self, subject: str) -> list[Noted]:
        """The current answers about a patient, in the order in which they came."""
        with self._database.reading() as connection:
            return self._noted(connection, ANSWERS.c.subject == subject)

    def history(self, examination: str) -> list[str]:
        """The contents that answers about an examination had, oldest first."""
        mine = (ANSWERS.c.source == self._source) & (ANSWERS.c.examination == examination)
        with self._database.reading() as connection:
            return list(connection.scalars(select(ANSWERS.c.content).where(mine).order_by(ANSWERS.c.sequence)))

    def note(self, answer: Noted) -> None:
        """The answer is the current one of its examination from now on; the one before becomes history when the content is another."""
        mine = (ANSWERS.c.source == self._source) & (ANSWERS.c.examination == answer.examination)
        with self._database.writing() as connection:
            before = connection.execute(select(ANSWERS).where(mine).order_by(ANSWERS.c.sequence.desc()).limit(1)).first()
            if before is not None and before.content == answer.content:
                key = int(before.id)
                connection.execute(update(ANSWERS).where(ANSWERS.c.id == key).values(state=answer.state, current=True))
            else:
                connection.execute(update(ANSWERS).where(mine).values(current=False))
                made = connection.execute(
                    ANSWERS.insert().values(
                        source=self._source, examination=answer.examination, sequence=before.sequence + 1 if before else 1,
                        subject=answer.subject, content=answer.content, examined=answer.examined, state=answer.state, current=True,
                    )
                ).inserted_primary_key  # fmt: skip
                assert made is not None
                key = int(made[0])
                _insert(connection, INPUTS, ({"answer": key, "reference": one} for one in sorted(answer.inputs)))
            connection.execute(RESOURCES.delete().where(RESOURCES.c.answer == key))
            places = (
                {"answer": key, "kind": p.kind, "type": p.type, "resource": p.id, "version": p.version} for p in answer.places
            )
            _insert(connection, RESOURCES, places)

    def withdraw(self, examination: str) -> None:
        """The answer about an examination no longer stands; a later one may take its place."""
        mine = (ANSWERS.c.source == self._source) & (ANSWERS.c.examination == examination)
        with self._database.writing() as connection:
            connection.execute(update(ANSWERS).where(mine, _CURRENT).values(state="withdrawn", current=False))

    def _noted(self, connection: Connection, which: ColumnElement[bool]) -> list[Noted]:
        wanted = select(ANSWERS).where(ANSWERS.c.source == self._source, which, _CURRENT).order_by(ANSWERS.c.id)
        found: list[Noted] = []
        for row in connection.execute(wanted):
            inputs = connection.scalars(select(INPUTS.c.reference).where(INPUTS.c.answer == row.id))
            places = connection.execute(select(RESOURCES).where(RESOURCES.c.answer == row.id).order_by(RESOURCES.c.kind))
            found.append(
                Noted(
                    row.subject, row.examination, row.content, row.examined, row.state, frozenset(inputs),
                    tuple(Place(one.kind, one.type, one.resource, one.version) for one in places),
                )
            )  # fmt: skip
        return found


def _insert(connection: Connection, table: Table, rows: Iterable[Mapping[str, object]]) -> None:
    listed = [dict(row) for row in rows]
    if listed:
        connection.execute(table.insert(), listed)
