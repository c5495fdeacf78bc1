"""What became of our proposals in a record system: Tasks and Encounters that follow them, and requests that were made of them.

Interop Q3, by polling: `Task?focus=…` and `based-on`, `Encounter?based-on=…`, `ServiceRequest?_id=…` and `based-on`. Only proposals that are
open in the ledger and were written there are asked for. A type that is not there or not permitted tells nothing; who was referred then stays
referred and not seen. We create no Task.
"""

from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from typing import Any

import orjson
from sqlalchemy import bindparam, select

from sural.answer.identity import EXAMINATION_SYSTEM
from sural.ledger.answers import ANSWERS, RESOURCES
from sural.ledger.knowing import Knowing
from sural.ledger.store import Ledger
from sural.ledger.tables import IDENTIFIER, RESOURCE
from sural.recall.facts import Followed, Proposed
from sural.recall.person import OPEN
from sural.records.criteria import Criterion
from sural.records.faults import Declined
from sural.records.fetching import leaving_out
from sural.records.http import Connection
from sural.records.search import Searcher

Json = dict[str, Any]
AT_ONCE = 40
"""Proposals that are asked for in one search."""
PAGE = "200"
REQUEST = "ServiceRequest"
_IDENTIFIERS = (
    select(RESOURCE.c.id, IDENTIFIER.c.value)
    .join_from(IDENTIFIER, RESOURCE, RESOURCE.c.key == IDENTIFIER.c.resource)
    .where(IDENTIFIER.c.type == REQUEST, IDENTIFIER.c.system == EXAMINATION_SYSTEM, RESOURCE.c.type == REQUEST,
           RESOURCE.c.id.in_(bindparam("ids", expanding=True)))
)  # fmt: skip


class Follower:
    """Looks after the open proposals that were written to one record system."""

    def __init__(self, connection: Connection, ledger: Ledger, searcher: Searcher, remark: Callable[[str], None]) -> None:
        self._connection = connection
        self._ledger = ledger
        self._knowing = Knowing(ledger)
        self._searcher = searcher
        self._remark = remark

    async def follow(self) -> int:
        """Ask what follows each open proposal, and keep it; how many steps were found. Raises RecordsFault."""
        found = 0
        for part in _parts(self._open().items(), AT_ONCE):
            found += await self._part(dict(part))
        if found:
            self._remark("proposals are followed by a Task, an Encounter or a request")
        return found

    def _open(self) -> dict[str, tuple[str, str]]:
        """The open proposals: where they are in the record system, to our own reference and the patient."""
        mine: dict[str, tuple[str, str]] = {}
        for person in self._knowing.persons():
            if person.subject.startswith(f"{self._connection.base}/"):
                mine |= {one.reference: (one.reference, person.subject) for one in person.facts if isinstance(one, Proposed) and one.status in OPEN}
        places = self._places()
        found: dict[str, tuple[str, str]] = {}
        with self._ledger.database.reading() as connection:
            for part in _parts(sorted(mine), AT_ONCE):
                ids = [one.partition("/")[2] for one in part]
                for id, value in connection.execute(_IDENTIFIERS, {"ids": ids}):
                    if place := places.get(value):
                        found[f"{REQUEST}/{place}"] = mine[f"{REQUEST}/{id}"]
        return found

    def _places(self) -> dict[str, str]:
        """The ids there of the proposals that were written, by the identifier of their examination and kind."""
        wanted = (
            select(ANSWERS.c.examination, RESOURCES.c.kind, RESOURCES.c.resource)
            .join_from(ANSWERS, RESOURCES, RESOURCES.c.answer == ANSWERS.c.id)
            .where(ANSWERS.c.source == self._connection.base, ANSWERS.c.current, RESOURCES.c.type == REQUEST, RESOURCES.c.resource.is_not(None))
        )
        with self._ledger.database.reading() as connection:
            return {f"{examination}-{kind}": str(id) for examination, kind, id in connection.execute(wanted)}

    async def _part(self, there: dict[str, tuple[str, str]]) -> int:
        """Some proposals, by their references there."""
        steps: list[tuple[str, Followed]] = []
        leads = dict(there)
        ids = (("_id", ",".join(one.partition("/")[2] for one in there)),)
        async for one in self._search(REQUEST, ids):
            if (reference := f"{REQUEST}/{one['id']}") in there and one.get("status") not in OPEN:
                _add(steps, there[reference], reference, one)
        async for one, leading in self._following(REQUEST, "based-on", there):
            reference = f"{REQUEST}/{one['id']}"
            leads[reference] = there[leading]
            if one.get("status") not in OPEN:
                _add(steps, there[leading], reference, one)
        for kind, name in (("Task", "focus"), ("Task", "based-on"), ("Encounter", "based-on")):
            async for one, leading in self._following(kind, name, leads):
                _add(steps, leads[leading], f"{kind}/{one['id']}", one)
        self._knowing.follow([mine for mine, _ in there.values()], steps)
        return len(steps)

    async def _following(self, kind: str, name: str, leads: dict[str, Any]) -> AsyncIterator[tuple[Json, str]]:
        """What refers to one of some requests by a parameter, and to which. A server that ignores the parameter finds nothing here."""
        for part in _parts(sorted(leads), AT_ONCE):
            async for one in self._search(kind, ((name, ",".join(part)),)):
                for reference in _references(one):
                    leading = reference.removeprefix(f"{self._connection.base}/").partition("/_history/")[0]
                    if leading in leads:
                        yield one, leading

    async def _search(self, kind: str, asked: tuple[tuple[str, str], ...]) -> AsyncIterator[Json]:
        try:
            with leaving_out(Criterion(kind), self._remark):
                async for page in self._searcher.pages(kind, (*asked, ("_count", PAGE))):
                    for found, raw in page.resources:
                        if found.resourceType == kind:
                            yield orjson.loads(raw)
        except Declined:
            self._remark(f"not searched by {asked[0][0]}: {kind}")


def _add(steps: list[tuple[str, Followed]], mine: tuple[str, str], reference: str, one: Json) -> None:
    steps.append((mine[1], Followed(mine[0], reference, str(one.get("status", "")))))


def _references(resource: Json) -> Iterator[str]:
    """What a Task, Encounter or request is for."""
    for one in (resource.get("focus", {}), *resource.get("basedOn", ())):
        if "reference" in one:
            yield str(one["reference"])


def _parts(items: Iterable[Any], size: int) -> Iterator[list[Any]]:
    listed = list(items)
    return (listed[start : start + size] for start in range(0, len(listed), size))
