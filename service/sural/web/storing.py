"""The operation `$assess-and-store-lower-limb`: as `$assess-lower-limb`, and the answer is kept.

An operation of its own, because it changes something: `$assess-lower-limb` never does. What happens when an examination is sent again, amended
or followed by another is decision 0013. The answer is a Bundle of the resources as they are stored, with their ids, and the intake report.
"""

from collections.abc import Callable, Iterator
from typing import Any

import orjson
from fastapi import Request
from fastapi.responses import Response
from msgspec import Struct

from sural.answer.accounts import intake_outcome
from sural.answer.parts import subject_reference
from sural.doors.assessor import answer, structural_check, transactions
from sural.doors.request import Request as Asked
from sural.exam.moment import before
from sural.intake.documents import Checker
from sural.issues import Issue, Refused
from sural.ledger.keeping import is_another, keep, withdrawn_by
from sural.ledger.knowing import Knowing
from sural.ledger.parameters import TYPES
from sural.ledger.resources import Resources
from sural.recall.definitions import RECORD_REMARKS
from sural.records.evidence import evidence_in, is_older, is_usable, resources_in, short
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
    evidence, records = _evidence(tree), list(_records(tree))
    subjects = {str(subject_reference(patient.examination.subject).get("reference", "")) for patient in assessed.patients}
    names = {subject: {subject}.union(*(one.names for one in records if subject in one.names)) for subject in subjects}
    about = _by_person(evidence, names)
    oldest = before(answered.request.as_of, answered.request.lookback)
    not_kept: list[Issue] = []
    for transaction in transactions(answered):
        subject = Outgoing.of(transaction).subject
        records_of = [one for one in records if subject in one.names]
        known_as = frozenset[str]().union(*(one.identifiers for one in records_of))
        standing = {*about.get(subject, ()), *about.get("", ())}
        unusable, still = evidence.keys() - standing, [one for one in standing if is_older(evidence[one], oldest)]
        withdrawn = withdrawn_by(resources(), transaction, unusable) if unusable else ()
        try:
            kept = keep(resources(), transaction, withdrawn=withdrawn, held=evidence.keys(), still=still, known_as=known_as)
        except Refused as refused:
            not_kept += refused.issues
            continue
        if records_of:
            Knowing(resources().ledger).marked([subject], "")
        entries += [{"fullUrl": f"{base}/{one.reference}", "resource": orjson.Fragment(one.content)} for one in kept.resources]
    if not_kept:
        raise Refused(*not_kept)  # the other persons of the input are stored all the same: sent again they change nothing
    entries += [{"resource": intake_outcome(patient.intake)} for patient in assessed.patients]
    unique = {entry.get("fullUrl", str(number)): entry for number, entry in enumerate(entries)}
    return {"resourceType": "Bundle", "type": "collection", "entry": list(unique.values())}


def _remark(resources: Callable[[], Resources], data: bytes, refused: Refused) -> None:
    """Remember of the person whom a refused input is about, where they are known, that their record says that they have died, is not active or was replaced."""
    remark = next((RECORD_REMARKS[issue.key] for issue in refused.issues if issue.key in RECORD_REMARKS), None)
    if remark is not None:
        records = list(_records(orjson.loads(data)))
        if len(records) == 1:
            names = [name for name in records[0].names if not is_another(resources(), name, records[0].identifiers)]
            Knowing(resources().ledger).marked(names, remark)


class _Record(Struct, frozen=True):
    """A Patient in an input: the references that it may be known by, and its identifiers as `system|value`."""

    names: tuple[str, ...]
    identifiers: frozenset[str]


def _records(tree: Any) -> Iterator[_Record]:
    """The Patients in an input."""
    for full_url, one in resources_in(tree, ("Patient",)):
        identifiers = (each for each in one.get("identifier", ()) if isinstance(each, dict))
        yield _Record(
            tuple(name for name in (f"Patient/{one['id']}" if "id" in one else "", full_url) if name),
            frozenset(f"{each.get('system', '')}|{each['value']}" for each in identifiers if "value" in each),
        )


def _evidence(tree: Any) -> dict[str, dict[str, Any]]:
    """The evidence in an input by its reference; of several versions one that does not stand."""
    found: dict[str, dict[str, Any]] = {}
    for reference, one in evidence_in(tree):
        if reference not in found or not is_usable(one):
            found[reference] = one
    return found


def _by_person(evidence: dict[str, dict[str, Any]], names: dict[str, set[str]]) -> dict[str, list[str]]:
    """The references of the evidence that stands, by the person that it is about, of those with some names; under an empty one the rest."""
    persons = {short(name): subject for subject, mine in names.items() for name in mine}
    found: dict[str, list[str]] = {}
    for reference, one in evidence.items():
        if is_usable(one):
            about = short(str(one.get("subject", {}).get("reference", "")))
            found.setdefault(persons.get(about, ""), []).append(reference)
    return found
