"""Invented resources of the profiles that no sample answer shows yet, so that each profile is seen to be one that can be met."""

from sural import canonical
from tests.builders import EXAMINED, Json

DEVICE = {"reference": "Device/sural"}
PATIENT = {"reference": "Patient/p1"}
SURVEY = {
    "coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "survey", "display": "Survey"}]
}


def _frame(resource_type: str, profile: str, says: str) -> Json:
    return {
        "resourceType": resource_type,
        "meta": {"profile": [f"{canonical.profile(profile)}|{canonical.VERSION}"]},
        "text": {"status": "generated", "div": f'<div xmlns="http://www.w3.org/1999/xhtml"><p>{says}</p></div>'},
        "identifier": [
            {"system": f"{canonical.BASE}/identifier/{name}", "value": f"{'0' * 40}-{profile}"}
            for name in ("answer", "examination")
        ],
        "status": "final",
        "subject": PATIENT,
        "effectiveDateTime": EXAMINED,
    }


def _part(system: str, code: str, value: Json) -> Json:
    return {"code": {"coding": [{"system": system, "code": code}]}, **value}


def _coded(system: str, code: str) -> Json:
    return {"valueCodeableConcept": {"coding": [{"system": system, "code": code}]}}


def _score(value: int) -> Json:
    return {"valueQuantity": {"value": value, "unit": "score", "system": canonical.UCUM, "code": "{score}"}}


UNKNOWN = {"coding": [{"system": canonical.ABSENT_REASON, "code": "unknown", "display": "Unknown"}], "text": "3 to 5"}


def neuropathy_classification() -> Json:
    neuropathy = canonical.NEUROPATHY
    return _frame("Observation", "neuropathy-classification", "Length-dependent symmetric; sensory.") | {
        "category": [SURVEY],
        "code": {"coding": [{"system": neuropathy, "code": "classification"}], "text": "Classification of a neuropathy"},
        "device": DEVICE,
        **_coded(neuropathy, "length-dependent-symmetric"),
        "component": [
            _part(neuropathy, "pattern", _coded(neuropathy, "length-dependent-symmetric")),
            _part(neuropathy, "predominance", _coded(neuropathy, "sensory")),
            _part(neuropathy, "fibres", _coded(neuropathy, "mixed")),
            _part(neuropathy, "process", {"dataAbsentReason": UNKNOWN}),
            _part(neuropathy, "toronto-2010", {"valueString": "probable"}),
        ],
    }


def score_observation() -> Json:
    return _frame("Observation", "score-observation", "SINBAD: 3 to 5.") | {
        "category": [SURVEY],
        "code": {"coding": [{"system": canonical.SCORE, "code": "sinbad", "display": "SINBAD"}], "text": "SINBAD"},
        "device": DEVICE,
        "derivedFrom": [{"reference": "Observation/o1"}],
        "dataAbsentReason": UNKNOWN,
        "component": [
            _part(canonical.FINDING, "ulcer-site", _score(0)),
            _part(canonical.FINDING, "ulcer-area", {"dataAbsentReason": UNKNOWN}),
        ],
    }


def complete_score() -> Json:
    resource = {name: value for name, value in score_observation().items() if name != "dataAbsentReason"}
    return resource | _score(3)


def assessment_report() -> Json:
    return _frame("DiagnosticReport", "assessment-report", "High risk.") | {
        "code": {"text": "Foot and lower-limb assessment"},
        "result": [{"reference": "Observation/o1"}],
        "conclusion": "NICE NG19 (2019): high risk.",
        "presentedForm": [{"contentType": "image/svg+xml", "data": "PHN2Zy8+", "title": "Both feet"}],
    }


def examples() -> list[Json]:
    return [neuropathy_classification(), score_observation(), complete_score(), assessment_report()]
