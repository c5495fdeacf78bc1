"""The operation `$assess-and-store-lower-limb`: as `$assess-lower-limb`, and the answer is kept.

An operation of its own, because it changes something: `$assess-lower-limb` never does. What happens when an examination is sent again, amended
or followed by another is decision 0013. The answer is a Bundle of the resources as they are stored, with their ids, and the intake report.
"""

from collections.abc import Callable, Iterator
from typing import Any

import orjson
from fastapi import Request
from fastapi.responses import Response

from sural.answer.accounts import intake_outcome
from sural.doors.assessor import answer, structural_check, transactions
from sural.doors.request import Request as Asked
from sural.intake.documents import Checker
from sural.issues import Refused
from sural.ledger.keeping import keep, withdrawn_by
from sural.ledger.knowing import Knowing
from sural.ledger.parameters import TYPES
from sural.ledger.resources import Resources
from sural.recall.definitions import RECORD_REMARKS
from sural.records.evidence import evidence_in
from sural.records.outgoing import Outgoing
from sural.web.accepting import check_accept
from sural.web.asking import BODY, asked_by_query
from sural.web.fhir import FhirResponse, body_type, read_body
from sural.web.routes import Route
from sural.web.security import require
from sural.web.stored import Base, Opened, Writers

ASKED_BY_QUERY = ("as-of", "lookback", "pathway", "report", "calendar", "preliminary", "scheme", "complete")


def store_route(opened: Opened, base: Base, check: bool, max_bytes: int) -> Route:
    """The route of the operation. `check` says whether the structural check is made where a query does not say."""

    writers = Writers()

    async def assess_and_store_lower_limb(request: Request) -> Response:
        """Assess an examination and store the answer: created once, amended in place when its findings were."""
        for kind in TYPES:
            require(request, kind, "c")
            require(request, kind, "u")
        body_type(request)
        data = await read_body(request, max_bytes)
        asked, checked = asked_by_query(request, check, ASKED_BY_QUERY)
        checker = structural_check() if checked else None
        return FhirResponse(await writers.run(_kept, opened.resources, data, asked, checker, base(request)))

    return Route(
        "/fhir/$assess-and-store-lower-limb",
        assess_and_store_lower_limb,
        ("POST",),
        "operation",
        "assess-and-store-lower-limb",
        FhirResponse,
        check_accept,
        more={"include_in_schema": True, "openapi_extra": BODY},
    )


def _kept(resources: Callable[[], Resources], data: bytes, asked: Asked, checker: Checker | None, base: str) -> dict[str, Any]:
    try:
        answered = answer(data, asked, checker)
    except Refused as refused:
        _remark(resources, data, refused)
        raise
    assessed = answered.assessed
    assert assessed is not None
    entries: list[dict[str, Any]] = []
    tree = orjson.loads(data)
    known_as = frozenset(_identifiers(tree))
    evidence, records = list(evidence_in(tree)), {name for person in _patients(tree) for name in person}
    held, unusable = frozenset(one for one, _ in evidence), frozenset(one for one, stands in evidence if not stands)
    for transaction in transactions(answered):
        withdrawn = withdrawn_by(resources(), transaction, unusable) if unusable else ()
        kept = keep(resources(), transaction, withdrawn=withdrawn, held=held, still=held - unusable, known_as=known_as)
        if (subject := Outgoing.of(transaction).subject) in records:
            Knowing(resources().ledger).marked([subject], "")
        entries += [{"fullUrl": f"{base}/{one.reference}", "resource": orjson.Fragment(one.content)} for one in kept.resources]
    entries += [{"resource": intake_outcome(patient.intake)} for patient in assessed.patients]
    unique = {entry.get("fullUrl", str(number)): entry for number, entry in enumerate(entries)}
    return {"resourceType": "Bundle", "type": "collection", "entry": list(unique.values())}


def _remark(resources: Callable[[], Resources], data: bytes, refused: Refused) -> None:
    """Remember of the person whom a refused input is about, where they are known, that their record says that they have died, is not active or was replaced."""
    remark = next((RECORD_REMARKS[issue.key] for issue in refused.issues if issue.key in RECORD_REMARKS), None)
    if remark is not None:
        persons = list(_patients(orjson.loads(data)))
        if len(persons) == 1:
            Knowing(resources().ledger).marked(persons[0], remark)


def _identifiers(tree: Any) -> Iterator[str]:
    """The identifiers of the Patients in an input, as `system|value`."""
    if isinstance(tree, list):
        for one in tree:
            yield from _identifiers(one)
    elif isinstance(tree, dict):
        if tree.get("resourceType") == "Patient":
            yield from (f"{one.get('system', '')}|{one.get('value')}" for one in tree.get("identifier", ()) if isinstance(one, dict))
        else:
            for value in tree.values():
                yield from _identifiers(value)


def _patients(tree: Any, full_url: str = "") -> Iterator[tuple[str, ...]]:
    """The references that a Patient in an input may be known by, for each."""
    if isinstance(tree, list):
        for one in tree:
            yield from _patients(one)
    elif isinstance(tree, dict):
        if tree.get("resourceType") == "Patient":
            yield tuple(one for one in (f"Patient/{tree['id']}" if "id" in tree else "", full_url) if one)
        else:
            for value in tree.values():
                yield from _patients(value, str(tree.get("fullUrl", "")))
