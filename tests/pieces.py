"""Single FHIR R4 resources and documents for tests of the intake, about Patient/p1 of the Skerrow Islands unless told otherwise."""

from collections.abc import Callable
from datetime import date
from typing import Any

import orjson

from sural import canonical
from sural.doors.request import lexicon
from sural.exam.examination import Examination
from sural.intake import read
from sural.intake.documents import read_document
from sural.intake.read import Reading
from sural.issues import Refused
from tests.asking import summaries_of, summary_of
from tests.builders import AS_OF, EXAMINED, Exam, Json, answer, concept, own, place

PATIENT = "Patient/p1"
ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"
VERIFICATION = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
UNILATERAL = "66459002"
"""SNOMED CT "unilateral": a laterality that names no side."""


def snomed(code: str, **more: Any) -> Json:
    return concept(canonical.SNOMED, code, **more)


def loinc(code: str) -> Json:
    return concept(canonical.LOINC, code)


def coding(system: str, code: str) -> Json:
    return {"system": system, "code": code}


def side_coding(side: str) -> Json:
    return coding(canonical.SIDE, side)


def patient(id: str | None = "p1", **more: Any) -> Json:
    record: Json = {"resourceType": "Patient", "birthDate": "1957-04-11"}
    if id:
        record |= {"id": id, "identifier": [{"system": "urn:example:skerrow", "value": id}]}
    return _without_none(record | more)


def observation(
    code: str | Json, value: str | None = None, side: str | None = None, site: str | None = None, **more: Any
) -> Json:
    """An Observation; `code` is one of ours or a whole CodeableConcept, `value` one of our answers."""
    resource: Json = {
        "resourceType": "Observation",
        "id": "seen",
        "status": "final",
        "code": own(code) if isinstance(code, str) else code,
        "subject": {"reference": PATIENT},
        "effectiveDateTime": EXAMINED,
        "bodySite": place(side, site),
        "valueCodeableConcept": answer(value) if value else None,
    }
    return _without_none(resource | more)


def component(code: str | Json, value: str | None = None, **more: Any) -> Json:
    part: Json = {"code": own(code) if isinstance(code, str) else code, "valueCodeableConcept": answer(value) if value else None}
    return _without_none(part | more)


def condition(code: str | Json, clinical: str | None = None, verification: str | None = None, **more: Any) -> Json:
    resource: Json = {
        "resourceType": "Condition",
        "id": "diagnosed",
        "code": snomed(code) if isinstance(code, str) else code,
        "subject": {"reference": PATIENT},
        "clinicalStatus": concept(CLINICAL, clinical) if clinical else None,
        "verificationStatus": concept(VERIFICATION, verification) if verification else None,
    }
    return _without_none(resource | more)


def procedure(code: str, **more: Any) -> Json:
    resource: Json = {
        "resourceType": "Procedure",
        "id": "done",
        "status": "completed",
        "code": snomed(code),
        "subject": {"reference": PATIENT},
    }
    return _without_none(resource | more)


def statement(code: Json, **more: Any) -> Json:
    resource: Json = {
        "resourceType": "MedicationStatement",
        "id": "taken",
        "status": "active",
        "medicationCodeableConcept": code,
        "subject": {"reference": PATIENT},
    }
    return _without_none(resource | more)


def prescription(code: Json, **more: Any) -> Json:
    resource: Json = {
        "resourceType": "MedicationRequest",
        "id": "prescribed",
        "status": "active",
        "intent": "order",
        "medicationCodeableConcept": code,
        "subject": {"reference": PATIENT},
    }
    return _without_none(resource | more)


def encounter(kind: str = "IMP", **more: Any) -> Json:
    resource: Json = {
        "resourceType": "Encounter",
        "id": "stay",
        "status": "in-progress",
        "class": {"system": ACT_CODE, "code": kind},
        "subject": {"reference": PATIENT},
    }
    return _without_none(resource | more)


def entry(resource: Json, full_url: str | None = None) -> Json:
    return {"resource": resource, **({"fullUrl": full_url} if full_url else {})}


def bundle(*resources: Json, kind: str = "collection") -> Json:
    """A Bundle of resources, or of entries made by `entry`."""
    entries = [one if "resource" in one else entry(one) for one in resources]
    return {"resourceType": "Bundle", "type": kind, "entry": entries}


def about_p1(*resources: Json) -> Json:
    """A Bundle about the patient with type 2 diabetes; the first resource given is entry 2."""
    return bundle(*(one["resource"] for one in Exam().entries), *resources)


def normal_and(*resources: Json) -> Json:
    """A whole normal examination of both feet, and these resources besides."""
    return bundle(*(one["resource"] for one in Exam().normal().entries), *resources)


def reading(content: Any, as_of: str = AS_OF, **how: Any) -> Reading:
    """What the intake makes of a document, before any rule."""
    data = content if isinstance(content, bytes) else orjson.dumps(content)
    return read(read_document(data), lexicon(), date.fromisoformat(as_of), **how)


def examination(content: Any, as_of: str = AS_OF, **how: Any) -> Examination:
    """The examination of the only patient."""
    (accepted,) = reading(content, as_of, **how).patients
    return accepted.examination


def issues(content: Any, **how: Any) -> list[tuple[str, str]]:
    """Key and expression of every issue of the only patient."""
    return [(issue["key"], issue["expression"]) for issue in summary_of(content, **how)["issues"]]


def keys(content: Any, **how: Any) -> list[str]:
    return [key for key, _ in issues(content, **how)]


def refusal(content: Any, **how: Any) -> list[str]:
    """The keys that a document is refused with, none when it is answered; any other exception passes through."""
    try:
        summaries_of(content, **how)
    except Refused as refused:
        return [issue.key for issue in refused.issues]
    return []


def finding(content: Any, name: str, **how: Any) -> Json:
    """One line of the summary's findings: person, left, right."""
    found: Json = summary_of(content, **how)["findings"][name]
    return found


def exam_of(build: Callable[[Exam], Any]) -> Json:
    exam = Exam()
    build(exam)
    return exam.bundle()


def _without_none(resource: Json) -> Json:
    return {key: value for key, value in resource.items() if value is not None}
