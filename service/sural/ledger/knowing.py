"""Whom the ledger knows, and what a recall needs of the resources that are stored about them.

Facts are derived from resources when they are stored, like the terms that searches look in, so that a list over everybody reads a few
hundred bytes of each person. Who is known stays known: by an answer of any status, or because a record system told of them.
"""

import time
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

import msgspec
from sqlalchemy import Connection, delete, func, select, update
from sqlalchemy.dialects import postgresql, sqlite

from sural.ledger.content import read
from sural.ledger.store import Ledger
from sural.ledger.tables import CHANGE, FACT, FOLLOWED, PERSON, RESOURCE
from sural.recall.facts import Fact, Followed, fact_of
from sural.recall.person import OPEN, Known

Json = dict[str, Any]
AT_ONCE = 500
"""Persons that are read together."""
_TYPES = ("Observation", "ServiceRequest")
_DECODE = msgspec.json.Decoder(Fact)


class Knowing:
    """The persons of a ledger. Instants come from `clock`, seconds since 1970."""

    def __init__(self, ledger: Ledger, clock: Callable[[], float] = time.time) -> None:
        self._database = ledger.database
        self._clock = clock

    def seen(self, subject: str, remark: str = "") -> None:
        """Somebody told of a person, perhaps with a remark about the record as a whole; without one there is none any more."""
        row = {"subject": subject, "remark": remark, "instant": int(self._clock() * 1000)}
        with self._database.writing() as connection:
            made = _insert(connection, PERSON).values(row)
            said = {"remark": remark, "instant": row["instant"]}
            connection.execute(made.on_conflict_do_update(index_elements=["subject"], set_=said, where=PERSON.c.remark != remark))

    def marked(self, subjects: Iterable[str], remark: str) -> None:
        """Those of some persons who are known get a remark, or lose theirs; nobody becomes known by it."""
        known = PERSON.c.subject.in_(sorted(subjects)) & (PERSON.c.remark != remark)
        with self._database.reading() as connection:
            if connection.scalar(select(PERSON.c.subject).where(known).limit(1)) is None:
                return  # as nearly always: no writer has to wait
        with self._database.writing() as connection:
            connection.execute(update(PERSON).where(known).values(remark=remark, instant=int(self._clock() * 1000)))

    def count(self) -> int:
        """How many persons are known."""
        with self._database.reading() as connection:
            return int(connection.scalar(select(func.count()).select_from(PERSON)) or 0)

    def has_source(self, source: str) -> bool:
        """Whether anybody is known from a record system, by the address of its FHIR endpoint."""
        with self._database.reading() as connection:
            of_source = PERSON.c.subject.startswith(f"{source}/", autoescape=True)
            return connection.scalar(select(PERSON.c.subject).where(of_source).limit(1)) is not None

    def persons(self, after: str = "") -> Iterator[Known]:
        """Everybody after a reference, in the order of references, a few hundred at a time."""
        while True:
            part = self.part(after, AT_ONCE)
            yield from part
            if len(part) < AT_ONCE:
                return
            after = part[-1].subject

    def part(self, after: str, most: int) -> list[Known]:
        """The next persons after a reference, with their facts, as they are at one moment."""
        with self._database.reading() as connection:
            found = connection.execute(
                select(PERSON.c.subject, PERSON.c.remark).where(PERSON.c.subject > after).order_by(PERSON.c.subject).limit(most)
            ).all()
            if not found:
                return []
            first, last = found[0][0], found[-1][0]
            facts: dict[str, list[Fact]] = {}
            for subject, content in connection.execute(
                select(FACT.c.subject, FACT.c.content).where(FACT.c.subject.between(first, last)).order_by(FACT.c.subject, FACT.c.resource)
            ):
                facts.setdefault(subject, []).append(_DECODE.decode(content))
            for subject, request, reference, status in connection.execute(
                select(FOLLOWED.c.subject, FOLLOWED.c.request, FOLLOWED.c.reference, FOLLOWED.c.status).where(
                    FOLLOWED.c.subject.between(first, last)
                )
            ):
                facts.setdefault(subject, []).append(Followed(request, reference, status))
        return [Known(subject, tuple(facts.get(subject, ())), remark) for subject, remark in found]

    def follow(self, requests: Iterable[str], found: Iterable[tuple[str, Followed]]) -> None:
        """What follows some proposals now, with whom each is about; what followed them before is forgotten."""
        rows = {(one.request, one.reference): (subject, one.status) for subject, one in found}
        with self._database.writing() as connection:
            connection.execute(delete(FOLLOWED).where(FOLLOWED.c.request.in_(sorted(requests))))
            if rows:
                connection.execute(
                    FOLLOWED.insert(),
                    [
                        {"request": request, "reference": reference, "status": status, "subject": subject}
                        for (request, reference), (subject, status) in sorted(rows.items())
                    ],
                )


def note(connection: Connection, stored: Sequence[tuple[int, str | None, Json]], instant: int) -> None:
    """Keep what a recall needs of resources that are being stored: (key, whom it is about, the resource with its id)."""
    subjects = sorted({subject for _, subject, _ in stored if subject})
    if subjects:
        rows = [{"subject": subject, "remark": "", "instant": instant} for subject in subjects]
        connection.execute(_insert(connection, PERSON).on_conflict_do_nothing(), rows)
    facts: list[Json] = []
    keys: list[int] = []
    for key, subject, resource in stored:
        if resource["resourceType"] not in _TYPES:
            continue
        fact = fact_of(resource) if subject else None
        if fact is not None:
            facts.append({"resource": key, "subject": subject, "content": msgspec.json.encode(fact)})
        if fact is not None or resource["resourceType"] != "ServiceRequest" or resource.get("status") not in OPEN:
            keys.append(key)  # an open proposal that lost our identifier is still waited for
    if keys:
        connection.execute(FACT.delete().where(FACT.c.resource.in_(keys)))
    if facts:
        connection.execute(FACT.insert(), facts)


def refill(connection: Connection) -> None:
    """Derive everything anew from the resources as they stand: for a ledger that has had answers before it had facts."""
    after = -1
    while True:
        wanted = (
            select(RESOURCE.c.key, RESOURCE.c.id, RESOURCE.c.subject, CHANGE.c.instant, CHANGE.c.content)
            .join_from(RESOURCE, CHANGE, CHANGE.c.sequence == RESOURCE.c.sequence)
            .where(RESOURCE.c.key > after)
            .order_by(RESOURCE.c.key)
            .limit(AT_ONCE)
        )
        rows = connection.execute(wanted).all()
        if not rows:
            return
        note(connection, [(key, subject, read(zlib.decompress(content))) for key, _, subject, _, content in rows], rows[-1][3])
        after = rows[-1][0]


def _insert(connection: Connection, table: Any) -> "sqlite.Insert | postgresql.Insert":
    return sqlite.insert(table) if connection.dialect.name == "sqlite" else postgresql.insert(table)

