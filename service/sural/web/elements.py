"""Parts of resources that a client asks for: `_summary` and `_elements`.

Source: FHIR R4, search, `_summary` and `_elements`; the elements that R4 4.0.1 marks as summary, as mandatory or as modifiers.
"""

from collections.abc import Iterable
from typing import Any, Literal

Json = dict[str, Any]
Summary = Literal["true", "text", "data", "count", "false"]
ALWAYS = ("resourceType", "id", "meta", "implicitRules", "modifierExtension")
MANDATORY: dict[str, tuple[str, ...]] = {
    "RiskAssessment": ("status", "subject"),
    "ServiceRequest": ("status", "intent", "doNotPerform", "subject"),
    "Observation": ("status", "code"),
    "DetectedIssue": ("status",),
    "DiagnosticReport": ("status", "code"),
    "Provenance": ("target", "recorded", "agent"),
    "Device": ("status",),
}
"""Elements that a resource of the type has to have, and those that modify its meaning."""
SUMMARY: dict[str, tuple[str, ...]] = {
    "RiskAssessment": (
        "identifier", "status", "method", "code", "subject", "encounter", "occurrenceDateTime", "occurrencePeriod", "condition", "performer",
    ),
    "ServiceRequest": (
        "identifier", "instantiatesCanonical", "instantiatesUri", "basedOn", "replaces", "requisition", "status", "intent", "category", "priority",
        "doNotPerform", "code", "orderDetail", "quantityQuantity", "quantityRatio", "quantityRange", "subject", "encounter", "occurrenceDateTime",
        "occurrencePeriod", "occurrenceTiming", "asNeededBoolean", "asNeededCodeableConcept", "authoredOn", "requester", "performerType",
        "performer", "locationCode", "locationReference", "reasonCode", "reasonReference", "specimen", "bodySite", "patientInstruction",
    ),
    "Observation": (
        "identifier", "basedOn", "partOf", "status", "code", "subject", "focus", "encounter", "effectiveDateTime", "effectivePeriod",
        "effectiveTiming", "effectiveInstant", "issued", "performer", "valueQuantity", "valueCodeableConcept", "valueString", "valueBoolean",
        "valueInteger", "valueRange", "valueRatio", "valueSampledData", "valueTime", "valueDateTime", "valuePeriod", "hasMember", "derivedFrom",
        "component",
    ),
    "DetectedIssue": (
        "identifier", "status", "code", "severity", "patient", "identifiedDateTime", "identifiedPeriod", "author", "implicated",
    ),
    "DiagnosticReport": (
        "identifier", "status", "category", "code", "subject", "encounter", "effectiveDateTime", "effectivePeriod", "issued", "performer",
        "resultsInterpreter", "media",
    ),
    "Provenance": ("target", "recorded"),
    "Device": ("udiCarrier", "status", "safety"),
}  # fmt: skip
_SUBSETTED = {"system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue", "code": "SUBSETTED", "display": "subsetted"}


def part_of(resource: Json, summary: str, elements: Iterable[str]) -> Json:
    """The part of a resource that is asked for, tagged as a part; mandatory and modifying elements are always in it."""
    kind = resource["resourceType"]
    wanted = {*ALWAYS, *MANDATORY[kind]}
    if summary == "true":
        wanted |= {*SUMMARY[kind]}
    elif summary == "text":
        wanted |= {"text"}
    elif summary == "data":
        wanted = resource.keys() - {"text"}
    else:
        wanted |= {*elements}
    meta = resource.get("meta", {})
    tagged = {**resource, "meta": {**meta, "tag": [*meta.get("tag", ()), _SUBSETTED]}}
    return {name: value for name, value in tagged.items() if name.removeprefix("_") in wanted or name in wanted}
