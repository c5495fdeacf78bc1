"""References of an answer: where each points, and which types of resource R4 4.0.1 lets it point at."""

from collections.abc import Iterator
from typing import Any

from tests.builders import Json

ALLOWED = {
    ("ServiceRequest", "reasonReference"): {"Condition", "Observation", "DiagnosticReport", "DocumentReference"},
    ("ServiceRequest", "basedOn"): {"CarePlan", "ServiceRequest", "MedicationRequest"},
    ("ServiceRequest", "requester"): {
        "Practitioner", "PractitionerRole", "Organization", "Patient", "RelatedPerson", "Device",
    },
    ("Observation", "performer"): {"Practitioner", "PractitionerRole", "Organization", "CareTeam", "Patient", "RelatedPerson"},
    ("Observation", "device"): {"Device", "DeviceMetric"},
    ("Observation", "hasMember"): {"Observation", "QuestionnaireResponse", "MolecularSequence"},
    ("Observation", "derivedFrom"): {
        "DocumentReference", "ImagingStudy", "Media", "QuestionnaireResponse", "Observation", "MolecularSequence",
    },
    ("RiskAssessment", "performer"): {"Practitioner", "PractitionerRole", "Device"},
    ("RiskAssessment", "condition"): {"Condition"},
    ("DetectedIssue", "author"): {"Practitioner", "PractitionerRole", "Device"},
    ("Provenance", "who"): {"Practitioner", "PractitionerRole", "RelatedPerson", "Patient", "Device", "Organization"},
    ("DiagnosticReport", "result"): {"Observation"},
    ("DiagnosticReport", "performer"): {"Practitioner", "PractitionerRole", "Organization", "CareTeam"},
    ("DiagnosticReport", "resultsInterpreter"): {"Practitioner", "PractitionerRole", "Organization", "CareTeam"},
}  # fmt: skip
"""Targets of references that are easily got wrong, written out by hand from the StructureDefinitions of R4 4.0.1."""
PERSON = {"subject", "patient"}


def references(node: Any, name: str = "") -> Iterator[tuple[str, Json]]:
    """Every Reference under a node with the name of its element."""
    if isinstance(node, list):
        for item in node:
            yield from references(item, name)
    elif isinstance(node, dict):
        if "reference" in node and isinstance(node["reference"], str):
            yield name, node
        for key, value in node.items():
            yield from references(value, key)


def target_type(reference: str, known: dict[str, Json]) -> str:
    """The type of resource a reference points at, as far as the reference or the known resources tell."""
    if reference in known:
        resource_type: str = known[reference]["resourceType"]
        return resource_type
    parts = reference.split("/_history/")[0].split("/")
    return parts[-2] if len(parts) > 1 else ""


def misdirected(resource: Json, known: dict[str, Json]) -> list[str]:
    """The references of a resource that point at a type R4 does not allow there."""
    found = []
    for name, reference in references(resource):
        wanted = {"Patient"} if name in PERSON else ALLOWED.get((resource["resourceType"], name))
        kind = target_type(reference["reference"], known)
        if wanted is not None and kind not in wanted:
            found.append(f"{resource['resourceType']}.{name} -> {kind or reference['reference']}")
    return found
