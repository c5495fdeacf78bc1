"""Stored answers: FHIR resources with every version, and the feed of all changes.

A change is a version of a resource. Changes are numbered in the order in which they became visible, without two having one number, and are
never altered or taken out: subscriptions, recall and export read on from the last number that they have seen. Those of
one transaction have one `meta.lastUpdated`, later than that of any before, also when the clock of a machine goes back. Uniqueness of ids, versions and business identifiers is held by constraints of the database.
"""

import time
import zlib
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from operator import itemgetter
from typing import Any
from uuid import uuid4

from msgspec import Struct
from sqlalchemy import Connection, Select, bindparam, func, select, update
from sqlalchemy.exc import IntegrityError
from tenacity import retry, retry_if_exception, stop_after_delay, wait_random_exponential

from sural.issues import Issue, Refused
from sural.ledger.content import alike, read, written
from sural.ledger.database import Unavailable
from sural.ledger.knowing import note
from sural.ledger.parameters import SEARCHED, identifiers, spans, terms
from sural.ledger.store import Ledger
from sural.ledger.tables import CHANGE, IDENTIFIER, RESOURCE, SPAN, SYMBOL, TERM, WIDEST

Json = dict[str, Any]
PATIENCE = 10
"""Seconds for which a write is tried again."""
ANSWER, CLIENT = "answer", "client"
"""Who brought a change: the keeping of an answer, or a client of the service with a create or update of its own."""


class Stored(Struct, frozen=True):
    """One version of a resource. `key` orders resources as they were created, `sequence` numbers the change; `instant` is a FHIR instant.

    `subject` is the reference to whom it is about, or `system|value` where only an identifier is known; None for the software.
    """

    key: int
    type: str
    id: str
    version: int
    sequence: int
    subject: str | None
    instant: str
    author: str
    content: bytes

    @property
    def resource(self) -> Json:
        found: Json = read(self.content)
        return found

    @property
    def reference(self) -> str:
        return f"{self.type}/{self.id}"


class Write(Struct, frozen=True):
    """A resource to be stored: a new one, or the next version of `current`. `subject` where the resource itself does not tell."""

    resource: Json
    current: Stored | None = None
    id: str = ""
    subject: str | None = None
    author: str = CLIENT


COLUMNS = (
    RESOURCE.c.key, RESOURCE.c.type, RESOURCE.c.id, CHANGE.c.version, CHANGE.c.sequence, RESOURCE.c.subject, CHANGE.c.instant,
    CHANGE.c.author, CHANGE.c.content,
)  # fmt: skip


class Resources:
    """The resources in a ledger. Instants come from `clock`, seconds since 1970."""

    def __init__(self, ledger: Ledger, clock: Callable[[], float] = time.time) -> None:
        self.ledger = ledger
        self.database = ledger.database
        self._clock = clock

    # reading

    def read(self, kind: str, id: str) -> Stored | None:
        """A resource as it stands."""
        with self.database.reading() as connection:
            return one_of(connection, (RESOURCE.c.type == kind) & (RESOURCE.c.id == id))

    def history(self, kind: str, id: str, version: int | None = None) -> list[Stored]:
        """The versions of a resource, newest first, or the one that is asked for."""
        wanted = (
            select(*COLUMNS)
            .join(CHANGE, CHANGE.c.resource == RESOURCE.c.key)
            .where(RESOURCE.c.type == kind, RESOURCE.c.id == id)
            .order_by(CHANGE.c.version.desc())
        )
        if version is not None:
            wanted = wanted.where(CHANGE.c.version == version)
        with self.database.reading() as connection:
            return [stored(row) for row in connection.execute(wanted)]

    def changes(self, after: int = 0, limit: int = 1000) -> list[Stored]:
        """The feed: changes with a greater number, in their order; each as the resource was then."""
        wanted = (
            select(*COLUMNS)
            .join(CHANGE, CHANGE.c.resource == RESOURCE.c.key)
            .where(CHANGE.c.sequence > after)
            .order_by(CHANGE.c.sequence)
            .limit(limit)
        )
        with self.database.reading() as connection:
            return [stored(row) for row in connection.execute(wanted)]

    def last(self) -> int:
        """The number of the newest change; 0 when there is none."""
        with self.database.reading() as connection:
            return _last(connection)[0]

    # writing

    def write(self, plan: Callable[[Connection], Sequence[Write]]) -> list[Stored]:
        """Store what `plan` finds to be stored, all or nothing, with no other writer between its looking and the storing.

        When the database fails it is tried again for some seconds, with `plan` asked anew; where the end of the transaction was not heard,
        only after a look, under the lock of writers, whether its changes are there: so nothing is stored twice. Raises Refused when an
        identifier is another resource's already, Unavailable when the database does not answer.
        """
        made: list[Stored] = []

        @retry(retry=retry_if_exception(_may_go_well), wait=wait_random_exponential(0.05, 1), stop=stop_after_delay(PATIENCE), reraise=True)
        def attempt() -> None:
            with self.database.writing() as connection:
                if made and _is_there(connection, made[-1]):
                    return
                made.clear()
                made.extend(self._append(connection, plan(connection)))

        try:
            attempt()
        except IntegrityError:
            raise Refused(Issue("identifier-taken")) from None
        return made

    def _append(self, connection: Connection, writes: Sequence[Write]) -> list[Stored]:
        sequence, latest = _last(connection)
        key = int(connection.scalar(select(func.max(RESOURCE.c.key))) or 0)
        instant = max(int(self._clock() * 1000), latest + 1)
        made: list[Stored] = []
        for write in writes:
            sequence += 1
            if write.current is None:
                key += 1
            made.append(_next(write, key, sequence, instant))
            if _NUL in made[-1].content and holds_nul(write.resource):
                raise Refused(Issue("character-invalid", write.resource["resourceType"]))
        _store(connection, writes, made, instant)
        return made


_NUL = b"\\u0000"


def holds_nul(tree: Any) -> bool:
    """Whether a text in a tree holds U+0000, which FHIR does not allow and PostgreSQL does not keep."""
    if isinstance(tree, dict):
        return any(map(holds_nul, tree.values()))
    return any(map(holds_nul, tree)) if isinstance(tree, list) else isinstance(tree, str) and "\0" in tree


def _may_go_well(fault: BaseException) -> bool:
    return isinstance(fault, Unavailable) and fault.soon


def _is_there(connection: Connection, one: Stored) -> bool:
    """Whether a change was stored as it was made."""
    mine = select(*COLUMNS).join(CHANGE, CHANGE.c.resource == RESOURCE.c.key).where(CHANGE.c.sequence == one.sequence)
    row = connection.execute(mine).first()
    return row is not None and (found := stored(row)).id == one.id and found.content == one.content


def one_of(connection: Connection, *which: Any) -> Stored | None:
    """The resource as it stands that meets conditions on it; the first where several do."""
    row = connection.execute(as_it_stands().where(*which).order_by(RESOURCE.c.key).limit(1)).first()
    return stored(row) if row is not None else None


def by_identifier(connection: Connection, kind: str, system: str, value: str) -> Stored | None:
    """The resource of a type that has a business identifier."""
    mine = select(IDENTIFIER.c.resource).where(IDENTIFIER.c.type == kind, IDENTIFIER.c.value == value, IDENTIFIER.c.system == system)
    return one_of(connection, RESOURCE.c.key.in_(mine))


def as_it_stands() -> Select[Any]:
    """Every resource with its newest version."""
    return select(*COLUMNS).join_from(RESOURCE, CHANGE, CHANGE.c.sequence == RESOURCE.c.sequence)


def stored(row: Sequence[Any]) -> Stored:
    """A row of COLUMNS as a version of a resource."""
    key, kind, id, version, sequence, subject, instant, author, content = row
    return Stored(key, kind, id, version, sequence, subject, said(instant), author, zlib.decompress(content))


def said(instant: int) -> str:
    """Milliseconds since 1970 as a FHIR instant."""
    return datetime.fromtimestamp(instant / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def new_id() -> str:
    """An id for a resource that is to be stored."""
    return uuid4().hex


def about(resource: Json) -> str | None:
    """Whom a resource is about: its subject by reference, else by identifier."""
    subject = resource.get("subject") or resource.get("patient") or {}
    if "reference" in subject:
        return str(subject["reference"])
    known = subject.get("identifier", {})
    return f"{known.get('system', '')}|{known['value']}" if "value" in known else None


def _last(connection: Connection) -> tuple[int, int]:
    row = connection.execute(select(CHANGE.c.sequence, CHANGE.c.instant).order_by(CHANGE.c.sequence.desc()).limit(1)).first()
    return (int(row[0]), int(row[1])) if row else (0, 0)


def _next(write: Write, key: int, sequence: int, instant: int) -> Stored:
    """The next version, with its id, version and instant in it; what came in of these is not kept (FHIR R4, RESTful API, update)."""
    current, resource = write.current, write.resource
    kind, id = resource["resourceType"], current.id if current else write.id or new_id()
    version = current.version + 1 if current else 1
    meta = {name: value for name, value in resource.get("meta", {}).items() if name not in ("versionId", "lastUpdated")}
    rest = {name: value for name, value in resource.items() if name not in ("resourceType", "id", "meta")}
    content = {"resourceType": kind, "id": id, "meta": {"versionId": str(version), "lastUpdated": said(instant), **meta}, **rest}
    subject = about(resource) or write.subject or (current.subject if current else None)
    return Stored(
        current.key if current else key, kind, id, version, sequence, subject, said(instant), write.author, written(content)
    )


def same(resource: Json, current: Stored) -> bool:
    """Whether a resource says what is stored already, whatever it says of id, version and instant."""
    return alike(_bare(resource), _bare(current.resource))


def _bare(resource: Json) -> Json:
    meta = {name: value for name, value in resource.get("meta", {}).items() if name not in ("versionId", "lastUpdated")}
    return {**{name: value for name, value in resource.items() if name != "id"}, "meta": meta}


def _store(connection: Connection, writes: Sequence[Write], made: Sequence[Stored], instant: int) -> None:
    fresh = [one for write, one in zip(writes, made, strict=True) if write.current is None]
    known = [one for write, one in zip(writes, made, strict=True) if write.current is not None]
    if fresh:
        connection.execute(RESOURCE.insert(), [_row(one) for one in fresh])
    if made:
        connection.execute(CHANGE.insert(), [_change(one, instant) for one in made])
    for one in known:
        standing = {"version": one.version, "sequence": one.sequence, "subject": one.subject}
        connection.execute(update(RESOURCE).where(RESOURCE.c.key == one.key).values(standing))
    _index(connection, [(one, write.resource) for write, one in zip(writes, made, strict=True)], [one.key for one in known])
    note(connection, [(one.key, one.subject, {**write.resource, "id": one.id}) for write, one in zip(writes, made, strict=True)], instant)


def _row(one: Stored) -> Json:
    return {"key": one.key, "type": one.type, "id": one.id, "version": one.version, "sequence": one.sequence, "subject": one.subject}


def _change(one: Stored, instant: int) -> Json:
    content = zlib.compress(one.content, 1)
    return {"sequence": one.sequence, "resource": one.key, "version": one.version, "instant": instant, "author": one.author, "content": content}  # fmt: skip


def _index(connection: Connection, made: Sequence[tuple[Stored, Json]], again: Sequence[int]) -> None:
    """What the resources are found by from now on."""
    if again:
        for table in (IDENTIFIER, TERM, SPAN):
            connection.execute(table.delete().where(table.c.resource.in_(again)))
    named: list[Json] = []
    found: list[tuple[int, str, str, int]] = []
    ranges: list[Json] = []
    for one, resource in made:
        named += [{"type": one.type, "value": value, "system": system, "resource": one.key} for value, system in identifiers(resource)]
        found += [(*term, one.key) for term in set(terms(resource))]
        ranges += [{"parameter": number, "low": low, "high": high, "resource": one.key} for number, low, high in spans(resource)]
    symbols = _symbols(connection, {(code, system) for _, code, system, _ in found})
    rows = [{"parameter": number, "symbol": symbols[code, system], "resource": key} for number, code, system, key in found]
    for table, listed in ((IDENTIFIER, named), (TERM, rows), (SPAN, ranges)):
        if listed:
            in_order = itemgetter(*(column.name for column in table.primary_key))  # of the index: far fewer of its pages are touched
            connection.execute(table.insert(), sorted(listed, key=in_order))
    _widen(connection, ranges)


def _widen(connection: Connection, ranges: Sequence[Json]) -> None:
    """Keep the greatest width of each parameter, so that a search knows how far before an instant a range that reaches it may begin."""
    widths: dict[int, int] = {}
    for one in ranges:
        widths[one["parameter"]] = max(widths.get(one["parameter"], 0), min(one["high"] - one["low"], WIDEST_OF_ALL))
    known = {row.parameter: row.width for row in connection.execute(select(WIDEST).where(WIDEST.c.parameter.in_(widths)))}
    for number, width in widths.items():
        if number not in known:
            connection.execute(WIDEST.insert().values(parameter=number, width=width))
        elif width > known[number]:
            connection.execute(update(WIDEST).where(WIDEST.c.parameter == number).values(width=width))


_AT_ONCE = 400
WIDEST_OF_ALL = 2**62


def _symbols(connection: Connection, wanted: set[tuple[str, str]]) -> dict[tuple[str, str], int]:
    """The numbers of symbols; new ones get theirs."""
    known: dict[tuple[str, str], int] = {}
    codes = sorted({code for code, _ in wanted})
    for start in range(0, len(codes), _AT_ONCE):
        known |= symbols_of(connection, codes[start : start + _AT_ONCE])
    missing = sorted(wanted - known.keys())
    if missing:
        first = int(connection.scalar(select(func.max(SYMBOL.c.id))) or 0) + 1
        new = {pair: number for number, pair in enumerate(missing, first)}
        connection.execute(SYMBOL.insert(), [{"id": number, "code": code, "system": system} for (code, system), number in new.items()])
        known |= new
    return known


def symbols_of(connection: Connection, codes: Sequence[str]) -> dict[tuple[str, str], int]:
    """The numbers of all symbols with some codes. Pairs are not looked for as pairs: SQLite reads the whole table for a list of them."""
    return {(row.code, row.system): row.id for row in connection.execute(_OF_CODES, {"codes": codes})}


_OF_CODES = select(SYMBOL).where(SYMBOL.c.code.in_(bindparam("codes", expanding=True)))


def refuse_unless_stored(kinds: Iterable[str]) -> None:
    """Raises Refused for a type that is none of those that answers are stored as."""
    for kind in kinds:
        if kind not in SEARCHED:
            raise Refused(Issue("type-not-stored"))
