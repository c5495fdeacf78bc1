"""The small pieces of FHIR that every resource of an answer is made of."""

from collections.abc import Iterable
from datetime import date
from html import escape
from typing import Any

from sural import canonical
from sural.answer.assessment import Assessment
from sural.answer.identity import SOFTWARE_SYSTEM, Identity, uuid_of
from sural.exam.examination import Person
from sural.exam.finding import Finding, Source

Json = dict[str, Any]
PUBLISHED_VERSION = canonical.VERSION
SOFTWARE_VALUE = f"sural-{canonical.VERSION}-rules-{canonical.RULE_SET}"
DEVICE_URL = uuid_of(SOFTWARE_VALUE)
DEVICE_REFERENCE: Json = {"reference": DEVICE_URL, "display": f"Sural {canonical.VERSION}"}
EXAM_CATEGORY: Json = {
    "coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "exam", "display": "Exam"}]
}
SURVEY_CATEGORY: Json = {
    "coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "survey", "display": "Survey"}]
}


class Writing:
    """What all resources of one answer share: the assessment, its identity, the subject, status and links."""

    __slots__ = ("assessment", "effective", "evidence", "identity", "sources", "status", "subject")

    def __init__(self, assessment: Assessment) -> None:
        exam = assessment.examination
        self.assessment = assessment
        self.identity = Identity(exam, tuple(assessment.risk.standings), assessment.plan.pathway.id)
        self.subject = subject_reference(exam.subject)
        self.status = "preliminary" if exam.preliminary else "final"
        self.effective = effective(exam.latest) or {"effectiveDateTime": exam.as_of.isoformat()}
        self.sources = unique_sources(exam)
        self.evidence: dict[str, list[Json]] = {}

    @property
    def as_of(self) -> date:
        return self.assessment.examination.as_of

    def basis(self) -> list[Json]:
        """Every input resource that was used, as references."""
        if "basis" not in self.evidence:
            self.evidence["basis"] = references(self.sources)
        return self.evidence["basis"]

    def observations(self) -> list[Json]:
        """The Observations among them: the only inputs that an Observation may be derived from."""
        if "observations" not in self.evidence:
            self.evidence["observations"] = references(source for source in self.sources if source.type == "Observation")
        return self.evidence["observations"]

    def link(self, kind: str) -> Json:
        """A reference to another resource of this answer."""
        return {"reference": self.identity.url(kind)}


def effective(text: str | None) -> Json | None:
    """The time of an examination as effectiveDateTime or, where the input gave a period, effectivePeriod."""
    if text is None:
        return None
    start, slash, end = text.partition("/")
    return {"effectivePeriod": {"start": start, "end": end}} if slash else {"effectiveDateTime": text}


def meta(profile: str) -> Json:
    """The profile claim, with its version."""
    return {"profile": [f"{canonical.profile(profile)}|{PUBLISHED_VERSION}"]}


def narrative(*paragraphs: str) -> Json:
    """A generated narrative: one paragraph each, escaped."""
    body = "".join(f"<p>{escape(text)}</p>" for text in paragraphs if text)
    return {"status": "generated", "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{body}</div>'}


def coding(system: str, code: str, display: str | None = None) -> Json:
    return {"system": system, "code": code, "display": display} if display else {"system": system, "code": code}


def concept(system: str, code: str, display: str) -> Json:
    """A CodeableConcept of one of our codes, with its display as text."""
    return {"coding": [{"system": system, "code": code, "display": display}], "text": display}


def subject_reference(person: Person) -> Json:
    """The patient, by reference and, where one is known, by identifier; by identifier alone when the input had only that."""
    reference: Json = {}
    if person.reference and "?" not in person.reference:
        reference["reference"] = person.reference
    if person.identifiers:
        system, value = person.identifiers[0]
        reference["identifier"] = {"system": system, "value": value} if system else {"value": value}
    return reference or {"display": "The patient of the input, who has no identity there"}


def unique_sources(findings: Iterable[Finding]) -> list[Source]:
    """The input resources behind some findings, each once, in a fixed order."""
    found = {finding.source.index: finding.source for finding in findings if finding.source is not None}
    return sorted(found.values(), key=lambda source: (source.reference or "", source.path))


def references(sources: Iterable[Source]) -> list[Json]:
    """References to input resources; one without an identity cannot be cited and is left out."""
    return [{"reference": reference} for source in sources if (reference := source.reference)]


def cited(findings: Iterable[Finding]) -> list[Json]:
    """References to the input resources behind some findings."""
    return references(unique_sources(findings))


def device() -> Json:
    """The software as a Device: name, version and rule set."""
    name = f"Sural {canonical.VERSION}, rule set {canonical.RULE_SET}"
    return {
        "resourceType": "Device",
        "meta": meta("assessment-software"),
        "text": narrative(f"{name}: decision support for foot and lower-limb neurological examinations."),
        "identifier": [{"system": SOFTWARE_SYSTEM, "value": SOFTWARE_VALUE}],
        "status": "active",
        "deviceName": [{"name": "Sural", "type": "user-friendly-name"}],
        "version": [
            {"type": {"text": "software"}, "value": canonical.VERSION},
            {"type": {"text": "rule set"}, "value": canonical.RULE_SET},
        ],
    }
