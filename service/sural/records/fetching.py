"""One patient's lower-limb data from a record system, as a Bundle for the core."""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager

import msgspec
import orjson
from msgspec import Struct

from sural.answer.identity import ANSWER_SYSTEM
from sural.records.criteria import NECESSARY, Criterion
from sural.records.faults import NotAuthorised, NotThere, RecordsFault, Unreadable
from sural.records.http import Connection
from sural.records.search import Found, Searcher, found_by_search
from sural.terminology.questions import questions

PAGE = "200"
ID = re.compile(r"(?!\.{1,2}$)[A-Za-z0-9\-.]{1,64}")
"""The id of a resource, other than those that an address takes for a way up."""


class Fetched(Struct, frozen=True):
    """A collection Bundle, and whether there is anything in it to assess."""

    bundle: bytes
    evidence: bool


class _Resource(Struct):
    type: str = ""


class _Rest(Struct):
    resource: list[_Resource] = []


class _Capabilities(Struct, tag="CapabilityStatement", tag_field="resourceType"):
    rest: list[_Rest] = []


async def offered(connection: Connection, criteria: Iterable[Criterion], remark: Callable[[str], None]) -> tuple[Criterion, ...]:
    """The criteria whose types a server says it has; all of them when it says nothing. Raises RecordsFault when it lacks a necessary one."""
    wanted = tuple(criteria)
    try:
        reply = await connection.request("GET", "metadata")
        rest = msgspec.convert(reply.json(), _Capabilities).rest
    except (RecordsFault, msgspec.ValidationError) as fault:
        if isinstance(fault, RecordsFault) and fault.passing:
            raise
        remark("no CapabilityStatement: every type is asked for")
        return wanted
    types = {one.type for part in rest for one in part.resource}
    if types and not types.issuperset(NECESSARY):
        raise Unreadable("GET metadata", f"the server does not have {' and '.join(NECESSARY)}")
    for criterion in wanted:
        if types and criterion.kind not in types:
            remark(f"not offered: {criterion.kind}")
    return tuple(criterion for criterion in wanted if not types or criterion.kind in types)


@contextmanager
def leaving_out(criterion: Criterion, remark: Callable[[str], None]) -> Iterator[None]:
    """Goes on without a type of resource that is not there or not permitted, with a remark; a necessary one is a fault."""
    try:
        yield
    except NotThere as fault:
        if criterion.kind in NECESSARY:
            raise Unreadable(fault.route, "a necessary type of resource is not there", status=fault.status) from None
        remark(f"not there: {criterion.kind}")
    except NotAuthorised as fault:
        if fault.status != 403 or criterion.kind in NECESSARY:
            raise
        remark(f"not permitted: {criterion.kind}")


class Fetcher:
    """Fetches patients one by one. A type that is not there or not permitted, other than the necessary ones, is left out with a remark:
    what it would have told stays unknown."""

    def __init__(
        self, connection: Connection, searcher: Searcher, criteria: Sequence[Criterion], remark: Callable[[str], None]
    ) -> None:
        self._remark = remark
        self._connection = connection
        self._searcher = searcher
        self._criteria = criteria

    async def fetch(self, patient: str) -> Fetched:
        """All of a patient's data that is asked for. Raises RecordsFault: NotThere when there is no such patient."""
        try:
            reply = await self._connection.request("GET", f"Patient/{patient}")
        except NotThere as fault:
            if fault.status == 404:
                await self._confirm(fault, patient)
            raise
        record = reply.json()
        if not isinstance(record, dict) or record.get("resourceType") != "Patient" or record.get("id") != patient:
            raise Unreadable(reply.route, "not the patient asked for")
        resources = {f"Patient/{patient}": reply.content}
        evidence = False
        for criterion in self._criteria:
            with leaving_out(criterion, self._remark):
                evidence = await self._search(criterion, patient, resources) or evidence
        return Fetched(bundle(self._connection.base, resources), evidence)

    async def _confirm(self, fault: NotThere, patient: str) -> None:
        """Raises Unreadable when it cannot be believed that a patient is not there."""
        try:
            there = await found_by_search(self._connection, "Patient", patient)
        except NotThere:
            raise Unreadable(fault.route, "no patient is there, and no search", status=fault.status) from None
        if there:
            raise Unreadable(fault.route, "found by search and not by reading", status=fault.status)

    async def _search(self, criterion: Criterion, patient: str, resources: dict[str, bytes]) -> bool:
        """Add what fits one criterion; whether any of it is evidence."""
        asked = (("patient", f"Patient/{patient}"), ("_count", PAGE), *criterion.extra)
        evidence = False
        async for page in self._searcher.pages(criterion.kind, asked, criterion.codes):
            for found, raw in page.resources:
                if no_evidence(found):
                    continue
                self._check(found, patient, page.route)
                resources[f"{found.resourceType}/{found.id}"] = raw
                evidence = criterion.evidence
        return evidence

    def _check(self, found: Found, patient: str, route: str) -> None:
        """A server that ignores the patient parameter answers with everybody's data."""
        if found.resourceType != "Medication" and patient_id(found.about, self._connection.base) != patient:
            raise Unreadable(route, "data of another patient came")


def no_evidence(found: Found) -> bool:
    """Whether a resource is left out of what is assessed: an answer of ours, which is no evidence for the next one, or another's form."""
    return found.carries(ANSWER_SYSTEM) or (found.resourceType == "QuestionnaireResponse" and questions(found.questionnaire) is None)


def patient_id(reference: str, base: str) -> str | None:
    """The id in a reference to a patient of this record system; None for any other."""
    kind, _, id = reference.removeprefix(f"{base}/").partition("/_history/")[0].rpartition("/")
    return id if kind == "Patient" and ID.fullmatch(id) else None


def bundle(base: str, resources: dict[str, bytes]) -> bytes:
    """A collection Bundle of resources in the order of their references, each as its own bytes."""
    entries = b",".join(
        b'{"fullUrl":' + orjson.dumps(f"{base}/{reference}") + b',"resource":' + raw + b"}"
        for reference, raw in sorted(resources.items())
    )
    return b'{"resourceType":"Bundle","type":"collection","entry":[' + entries + b"]}"
