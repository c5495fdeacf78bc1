"""Bundles for timings: one examination in 42 entries and about 45 kB, as Observations of our own codes. Everything in them is invented.

The shape: one Patient, one Condition (type 2 diabetes), twenty findings of each foot with all the elements that record systems send
along (meta, category, encounter, performer, display texts).
"""

import json
import random
import sys
from typing import Any

Json = dict[str, Any]
FINDING, VALUE, SITE = (f"https://sural.example/fhir/CodeSystem/{name}" for name in ("finding", "finding-value", "site"))
SNOMED, UCUM = "http://snomed.info/sct", "http://unitsofmeasure.org"
FEET = {"right": ("7769000", "Right foot structure"), "left": ("22335008", "Left foot structure")}
_FELT, _SENSE, _PRESENT, _PULSE = ("felt", "not-felt"), ("normal", "reduced", "absent"), ("present", "absent"), ("present", "reduced", "absent")
CODED: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("monofilament-10g", "hallux", _FELT), ("monofilament-10g", "metatarsal-head-1", _FELT), ("monofilament-10g", "metatarsal-head-3", _FELT),
    ("monofilament-10g", "metatarsal-head-5", _FELT), ("vibration-128hz", "medial-malleolus", _SENSE), ("pinprick", "hallux", _SENSE),
    ("temperature-sense", "hallux", _SENSE), ("ankle-reflex", "", _SENSE), ("knee-reflex", "", _SENSE), ("dorsalis-pedis-pulse", "", _PULSE),
    ("posterior-tibial-pulse", "", _PULSE), ("foot-deformity", "", _PRESENT), ("callus", "", _PRESENT), ("previous-foot-ulcer", "", _PRESENT),
    ("amputation", "", ("none", "toe")), ("power-ankle-dorsiflexion", "", ("5", "4", "3")),
)  # fmt: skip
MEASURED = (("vibration-threshold", "V", 5, 30), ("ankle-brachial-index", "{ratio}", 0.4, 1.4), ("toe-brachial-index", "{ratio}", 0.3, 1.0), ("foot-skin-temperature", "Cel", 28, 34))  # fmt: skip


def bundle(number: int) -> Json:
    """The examination of one invented person; the same number gives the same examination."""
    chance = random.Random(number)
    patient = f"p{number}"
    resources = [_patient(patient, number), _diabetes(patient, number)]
    for side, foot in FEET.items():
        for code, site, answers in CODED:
            answer = chance.choice(answers) if chance.random() < 0.5 else answers[0]
            value = {"valueCodeableConcept": {"coding": [{"system": VALUE, "code": answer, "display": answer}]}}
            resources.append(_observation(patient, number, code, side, foot, site) | value)
        for code, unit, low, high in MEASURED:
            quantity = {"value": round(chance.uniform(low, high), 2), "unit": unit, "system": UCUM, "code": unit}
            resources.append(_observation(patient, number, code, side, foot, "") | {"valueQuantity": quantity})
    entries = [{"fullUrl": f"http://example.org/fhir/{one['resourceType']}/{one['id']}", "resource": one} for one in resources]
    return {"resourceType": "Bundle", "id": f"b{number}", "type": "collection", "timestamp": "2026-03-01T10:00:00.000+02:00", "entry": entries}


def lines(count: int) -> list[bytes]:
    """Bundles as JSON text without blanks."""
    return [json.dumps(bundle(number), separators=(",", ":")).encode() for number in range(count)]


def _patient(patient: str, number: int) -> Json:
    kind = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v2-0203", "code": "MR"}]}
    return {
        "resourceType": "Patient", "id": patient, "meta": {"lastUpdated": "2026-03-01T10:00:00.000+02:00"},
        "identifier": [{"use": "usual", "type": kind, "system": "http://hospital.example.org/mrn", "value": str(100000 + number)}],
        "active": True, "name": [{"use": "official", "family": f"Fam{number}", "given": ["Giv", "Mid"]}],
        "telecom": [{"system": "phone", "value": "555-0100", "use": "home"}], "gender": "female", "birthDate": "1957-04-11",
        "address": [{"use": "home", "line": ["1 Main St"], "city": "Town", "postalCode": "12345", "country": "XX"}],
    }  # fmt: skip


def _diabetes(patient: str, number: int) -> Json:
    def status(name: str, code: str) -> Json:
        return {"coding": [{"system": f"http://terminology.hl7.org/CodeSystem/condition-{name}", "code": code}]}

    return {
        "resourceType": "Condition", "id": f"c{number}", "clinicalStatus": status("clinical", "active"),
        "verificationStatus": status("ver-status", "confirmed"), "category": [status("category", "problem-list-item")],
        "code": {"coding": [{"system": SNOMED, "code": "44054006"}], "text": "T2DM"},
        "subject": {"reference": f"Patient/{patient}"}, "onsetDateTime": "2011-05-04",
    }  # fmt: skip


def _observation(patient: str, number: int, code: str, side: str, foot: tuple[str, str], site: str) -> Json:
    place = [{"system": SNOMED, "code": foot[0], "display": foot[1]}] + ([{"system": SITE, "code": site}] if site else [])
    category = {"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "exam", "display": "Exam"}
    return {
        "resourceType": "Observation", "id": f"o{number}-{code}-{site or 'x'}-{side[0]}",
        "meta": {"versionId": "1", "lastUpdated": "2026-03-01T10:00:00.000+02:00", "profile": ["http://example.org/fhir/StructureDefinition/foot-exam-observation"]},
        "status": "final", "category": [{"coding": [category]}],
        "code": {"coding": [{"system": FINDING, "code": code, "display": code.replace("-", " ")}], "text": code},
        "subject": {"reference": f"Patient/{patient}"}, "encounter": {"reference": f"Encounter/e{number}"},
        "effectiveDateTime": "2026-03-01T09:30:00+02:00", "issued": "2026-03-01T09:35:10.000+02:00",
        "performer": [{"reference": "Practitioner/dr1", "display": "Dr X"}], "bodySite": {"coding": place},
    }  # fmt: skip


if __name__ == "__main__":
    sys.stdout.buffer.write(b"\n".join(lines(int(sys.argv[1]))) + b"\n")
