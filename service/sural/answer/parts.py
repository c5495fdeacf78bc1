"""The small pieces of FHIR that every resource of an answer is made of."""

from collections.abc import Iterable
from datetime import date
from functools import lru_cache
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
    """What all resources of one answer share: the assessment, its identity, the subject, status, links and references to the input."""

    __slots__ = (
        "_by_concept",
        "_positions",
        "assessment",
        "basis",
        "effective",
        "identity",
        "observations",
        "sources",
        "status",
        "subject",
    )

    def __init__(self, assessment: Assessment) -> None:
        exam = assessment.examination
        self.assessment = assessment
        self.identity = Identity(exam, tuple(assessment.risk.standings), assessment.plan.pathway.id)
        self.subject = subject_reference(exam.subject)
        self.status = "preliminary" if exam.preliminary else "final"
        self.effective = effective(exam.latest) or {"effectiveDateTime": exam.as_of.isoformat()}
        self.sources = unique_sources(exam)
        self.basis: list[Json] = []
        self.observations: list[Json] = []
        self._positions: dict[int, tuple[int, Json]] = {}
        known: dict[str, Json] = {}
        for source in self.sources:
            if reference := source.reference:
                link = known.get(reference)
                if link is None:
                    link = known[reference] = {"reference": reference}
                    self.basis.append(link)
                if source.type == "Observation":
                    if not self.observations or self.observations[-1] is not link:
                        self.observations.append(link)
                    self._positions[source.index] = len(self.observations) - 1, link
        self._by_concept: dict[str, set[int]] | None = None

    @property
    def as_of(self) -> date:
        return self.assessment.examination.as_of

    def link(self, kind: str) -> Json:
        """A reference to another resource of this answer."""
        return {"reference": self.identity.url(kind)}

    def derived_from(self, findings: Iterable[Finding]) -> list[Json]:
        """References to the Observations behind findings: the only inputs that an Observation may be derived from."""
        return self._in_order({finding.source.index for finding in findings if finding.source is not None})

    def read_from(self, concepts: Iterable[str]) -> list[Json]:
        """References to the Observations that hold one of these concepts."""
        if self._by_concept is None:
            self._by_concept = {}
            for finding in self.assessment.examination:
                if finding.source is not None:
                    self._by_concept.setdefault(finding.concept.code, set()).add(finding.source.index)
        indexes: set[int] = set()
        for code in concepts:
            indexes |= self._by_concept.get(code, _NONE)
        return self._in_order(indexes)

    def _in_order(self, indexes: set[int]) -> list[Json]:
        positions = self._positions
        found = dict([positions[index] for index in indexes if index in positions])
        return [found[position] for position in sorted(found)]


_NONE: set[int] = set()


def effective(text: str | None) -> Json | None:
    """The time of an examination as effectiveDateTime or, where the input gave a period, effectivePeriod."""
    if text is None:
        return None
    start, slash, end = text.partition("/")
    return {"effectivePeriod": {"start": start, "end": end}} if slash else {"effectiveDateTime": text}


@lru_cache(maxsize=64)
def meta(profile: str) -> Json:
    """The profile claim, with its version. Shared: never to be changed."""
    return {"profile": [f"{canonical.profile(profile)}|{PUBLISHED_VERSION}"]}


def narrative(*paragraphs: str) -> Json:
    """A generated narrative: one paragraph each, escaped."""
    body = "".join([f"<p>{escape(text, quote=False)}</p>" for text in paragraphs if text])
    return {"status": "generated", "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{body}</div>'}


@lru_cache(maxsize=4096)
def coding(system: str, code: str, display: str | None = None) -> Json:
    """A coding. Shared: never to be changed."""
    return {"system": system, "code": code, "display": display} if display else {"system": system, "code": code}


@lru_cache(maxsize=4096)
def concept(system: str, code: str, display: str) -> Json:
    """A CodeableConcept of one of our codes, with its display as text. Shared: never to be changed."""
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
    return sorted(found.values(), key=lambda source: source.reference or "")


def references(sources: Iterable[Source]) -> list[Json]:
    """References to input resources; one without an identity cannot be cited and is left out."""
    named = dict.fromkeys(reference for source in sources if (reference := source.reference))
    return [{"reference": reference} for reference in named]


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
