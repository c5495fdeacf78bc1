"""Exports: a job is a number in the feed of changes; what it gives is every resource as it stood at that number."""

import zlib
from collections.abc import Iterator, Sequence
from uuid import uuid4

from msgspec import Struct
from sqlalchemy import ColumnElement, Connection, delete, func, select

from sural.ledger.resources import Resources
from sural.ledger.tables import CHANGE, EXPORT, RESOURCE

AT_ONCE = 500
LIFE = 24 * 3600
"""Seconds for which a job can be asked for."""


class Job(Struct, frozen=True):
    """One export: its types, the first instant (milliseconds) that counts, the last change, the instant just after it, and the query.

    Later changes have that instant or a later one, whatever the clock of the worker says that makes them. When the job `began`, another one
    may have been under way.
    """

    id: str
    kinds: tuple[str, ...]
    since: int
    last: int
    instant: int
    query: str
    began: float


class Exports:
    """The exports of a ledger."""

    def __init__(self, resources: Resources) -> None:
        self._resources = resources
        self._database = resources.database

    def begin(self, kinds: Sequence[str], since: int, query: str, now: float) -> Job:
        """A job over everything that is stored now; those that can no longer be asked for are forgotten. `now` is in seconds since 1970."""
        id, last, began = uuid4().hex, self._resources.last(), int(now * 1000)
        row = {"id": id, "kinds": ",".join(kinds), "since": since, "last": last, "instant": began, "query": query}
        with self._database.writing() as connection:
            connection.execute(delete(EXPORT).where(EXPORT.c.instant < _oldest(now)))
            connection.execute(EXPORT.insert().values(row))
            return Job(id, tuple(kinds), since, last, _instant(connection, last, began), query, now)

    def job(self, id: str, now: float) -> Job | None:
        """A job that can still be asked for. `now` is in seconds since 1970."""
        with self._database.reading() as connection:
            row = connection.execute(select(EXPORT).where(EXPORT.c.id == id, EXPORT.c.instant >= _oldest(now))).first()
            if row is None:
                return None
            instant = _instant(connection, row.last, row.instant)
        kinds = tuple(row.kinds.split(",")) if row.kinds else ()
        return Job(row.id, kinds, row.since, row.last, instant, row.query, row.instant / 1000)

    def end(self, id: str) -> bool:
        """Forget a job; whether there was one."""
        with self._database.writing() as connection:
            return bool(connection.execute(delete(EXPORT).where(EXPORT.c.id == id)).rowcount)

    def counts(self, job: Job) -> dict[str, int]:
        """How many resources of each type a job gives."""
        counted = (
            select(RESOURCE.c.type, func.count())
            .join_from(CHANGE, RESOURCE, RESOURCE.c.key == CHANGE.c.resource)
            .where(*_standing(job))
            .group_by(RESOURCE.c.type)
        )
        with self._database.reading() as connection:
            found = {str(row[0]): int(row[1]) for row in connection.execute(counted)}
        return {kind: found.get(kind, 0) for kind in job.kinds}

    def contents(self, job: Job, kind: str) -> Iterator[bytes]:
        """The resources of one type as they stood, in the order in which they were created. Read in parts, each in its own transaction."""
        after = 0
        while True:
            wanted = (
                select(RESOURCE.c.key, CHANGE.c.content)
                .join_from(RESOURCE, CHANGE, RESOURCE.c.key == CHANGE.c.resource)
                .where(RESOURCE.c.type == kind, RESOURCE.c.key > after, *_standing(job))
                .order_by(RESOURCE.c.key)
                .limit(AT_ONCE)
            )
            with self._database.reading() as connection:
                rows = connection.execute(wanted).all()
            yield from (zlib.decompress(content) for _, content in rows)
            if len(rows) < AT_ONCE:
                return
            after = rows[-1][0]


def _oldest(now: float) -> int:
    """The first instant (milliseconds) of jobs that can still be asked for."""
    return int((now - LIFE) * 1000)


def _instant(connection: Connection, last: int, began: int) -> int:
    """Just after a change; where there is none yet, when the job was begun."""
    found = connection.scalar(select(CHANGE.c.instant).where(CHANGE.c.sequence == last))
    return int(found) + 1 if found is not None else began


def _standing(job: Job) -> list[ColumnElement[bool]]:
    """The newest version of each resource up to the last change of a job, if it is of the time that is asked for."""
    later = CHANGE.alias()
    overtaken = select(later.c.sequence).where(
        later.c.resource == CHANGE.c.resource, later.c.version == CHANGE.c.version + 1, later.c.sequence <= job.last
    )
    found = [CHANGE.c.sequence <= job.last, ~overtaken.exists()]
    return [*found, CHANGE.c.instant >= job.since] if job.since else found
