"""How a finding is written as FHIR: the same finding in the four styles of the islands' clinics.

Sources of the open codes: terminology/source/mappings.tsv, from which the published ConceptMaps are built.
"""

from typing import Any

from sural import canonical

Json = dict[str, Any]
FEET = {"left": "22335008", "right": "7769000"}
LATERALITY = {"left": ("7771000", "Left"), "right": ("24028007", "Right")}
_OPEN_CODES: dict[str, tuple[str, str, str | None]] = {
    "monofilament-10g": (canonical.SNOMED, "134388005", "Monofilament foot sensation test"),
    "ankle-brachial-index": (canonical.SNOMED, "446841001", None),
    "egfr": (canonical.LOINC, "98979-8", None),
    "hba1c": (canonical.LOINC, "4548-4", "Hemoglobin A1c/Hemoglobin.total in Blood"),
}
_OPEN_ANSWERS = {
    "present": ("52101004", "Present"), "absent": ("2667000", "Absent"), "felt": ("52101004", "Present"), "not-felt": ("2667000", "Absent"),
    "normal": ("17621005", "Normal"), "reduced": ("1250004", "Decreased"),
}  # fmt: skip
_EXAM = [
    {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "exam", "display": "Exam"}]}
]


def concept(system: str, code: str, display: str | None = None) -> Json:
    """A CodeableConcept of one coding."""
    return {"coding": [{"system": system, "code": code} | ({"display": display} if display else {})]}


def own(system: str, code: str) -> Json:
    """A code of ours, shown as it is."""
    return concept(system, code, code.replace("-", " "))


def code_of(finding: str, style: str) -> Json:
    """The code of a finding."""
    if style == "open" and finding in _OPEN_CODES:
        return concept(*_OPEN_CODES[finding])
    return own(canonical.FINDING, finding)


def value_of(value: Any, style: str, unit: str | None) -> Json:
    """A value[x]: coded, an integer, or a quantity in a unit."""
    if unit is not None:
        return {"valueQuantity": {"value": value, "unit": unit, "system": canonical.UCUM, "code": unit}}
    if isinstance(value, int):
        return {"valueInteger": value}
    if style == "open" and value in _OPEN_ANSWERS:
        return {"valueCodeableConcept": concept(canonical.SNOMED, *_OPEN_ANSWERS[value])}
    return {"valueCodeableConcept": own(canonical.FINDING_VALUE, value)}


def place(side: str | None, site: str | None, style: str) -> Json:
    """A bodySite: a foot that carries its side, or a site with its side as a second coding."""
    coding: list[Json] = []
    if site:
        coding.append({"system": canonical.SITE, "code": site, "display": site.replace("-", " ")})
    if side and (style in ("qualifier", "open") or site == "medial-malleolus"):
        coding.append({"system": canonical.SNOMED, "code": LATERALITY[side][0], "display": LATERALITY[side][1]})
    elif side:
        coding.append({"system": canonical.SNOMED, "code": FEET[side]})
    return {"bodySite": {"coding": coding}} if coding else {}


def observation(id: str, patient: str, finding: str, style: str, when: str, encounter: str) -> Json:
    """An Observation without its value, with what record systems send along."""
    return {
        "resourceType": "Observation", "id": id,
        "meta": {"versionId": "1", "lastUpdated": when, "profile": ["https://skerrow.example/fhir/StructureDefinition/foot-examination"]},
        "status": "final", "category": _EXAM, "code": code_of(finding, style) | {"text": finding.replace("-", " ")},
        "subject": {"reference": f"Patient/{patient}"}, "encounter": {"reference": f"Encounter/{encounter}"},
        "effectiveDateTime": when, "issued": when, "performer": [{"reference": "Practitioner/skerrow-podiatry", "display": "Skerrow podiatry"}],
    }  # fmt: skip
