"""The records of an invented person: what was examined, as FHIR resources in the order in which they were written."""

import random
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

from msgspec.structs import replace

from sural import canonical
from sural.cohort.synthetic.coding import Json, concept, observation, place, value_of
from sural.cohort.synthetic.people import PARTS, Person, person

SIDES = ("left", "right")
_SITES = (("hallux", 1), ("metatarsal-head-1", 2), ("metatarsal-head-5", 2))
"""Where the monofilament is put, and from which rank of the reach on it is not felt there."""
_FAULTS = ("side", "unit", "date", "status")
_DIABETES = {True: ("46635009", "Diabetes mellitus type 1"), False: ("44054006", "Diabetes mellitus type 2")}
Finding = tuple[str, Any, str | None, str | None, str | None]
"""Of what, the value, the side, the site and the unit."""


def records(seed: int, number: int, as_of: date, lean: bool = False, faulty: float = 0.0) -> list[Json]:
    """Everything about one person. `faulty` is the share of Observations with a fault."""
    one = person(seed, number, lean)
    chance = random.Random(f"{seed}/{number}/written")
    patient = f"skerrow-{number:07d}"
    day = as_of - timedelta(days=one.days_ago)
    found = [*_person(one, patient, as_of, lean)]
    for turn, when in enumerate([day - timedelta(days=one.before), day] if one.before else [day]):
        state = _healthier(one) if one.before and turn == 0 else one
        found += _written(chance, state, patient, when, f"{number}-{turn}", lean)
    if faulty:
        for resource in found:
            if resource["resourceType"] == "Observation" and chance.random() < faulty:
                _spoil(resource, chance.choice(_FAULTS))
    return found


def _person(one: Person, patient: str, as_of: date, lean: bool) -> Iterator[Json]:
    """The person, their diabetes, and what they take."""
    born = as_of.replace(year=as_of.year - one.age, day=min(as_of.day, 28)) - timedelta(days=one.number % 360)
    yield {
        "resourceType": "Patient", "id": patient, "meta": {"versionId": "1"},
        "identifier": [{"system": "https://skerrow.example/id/patient", "value": f"SKF{one.number:07d}"}],
        "active": True, "name": [{"family": f"Invented{one.number}", "given": ["Skerrow"]}], "gender": one.sex, "birthDate": born.isoformat(),
    }  # fmt: skip
    if one.number % 50 == 0:  # a record without a diagnosis
        return
    code, display = _DIABETES[one.type_1]
    subject = {"reference": f"Patient/{patient}"}
    status = "http://terminology.hl7.org/CodeSystem/condition-"
    yield {
        "resourceType": "Condition", "id": f"{patient}-diabetes",
        "clinicalStatus": concept(f"{status}clinical", "active"), "verificationStatus": concept(f"{status}ver-status", "confirmed"),
        "code": concept(canonical.SNOMED, code, display), "subject": subject, "onsetDateTime": str(as_of.year - one.years),
    }  # fmt: skip
    for side in SIDES:
        if one.amputation[side] == "toe" and "history" in one.seen:
            yield {
                "resourceType": "Procedure", "id": f"{patient}-amputation-{side}", "status": "completed",
                "code": concept(canonical.SNOMED, "371186005", "Amputation of toe"), "subject": subject,
                "performedDateTime": str(as_of.year - 1 - one.number % 6), "bodySite": [place(side, None, "own")["bodySite"]],
            }  # fmt: skip
    if one.metformin and not lean:
        yield {
            "resourceType": "MedicationRequest", "id": f"{patient}-metformin", "status": "active", "intent": "order",
            "medicationReference": {"reference": "Medication/skerrow-metformin"}, "subject": subject,
            "authoredOn": (as_of - timedelta(days=30)).isoformat(),
        }  # fmt: skip


def _healthier(one: Person) -> Person:
    """The same person as they were before: the loss reached less far."""
    return replace(
        one,
        reach={side: max(0, rank - 1 - one.number % 2) for side, rank in one.reach.items()},
        ulcer=dict.fromkeys(SIDES, False),
        infection=dict.fromkeys(SIDES, False),
        hot_foot=dict.fromkeys(SIDES, False),
    )


def _written(chance: random.Random, one: Person, patient: str, when: date, visit: str, lean: bool) -> Iterator[Json]:
    """One examination, as the person's clinic writes it."""
    instant = f"{when.isoformat()}T{8 + one.number % 9:02d}:{one.number % 60:02d}:00+00:00"
    waiting: dict[str, tuple[Json, list[Json]]] = {}
    for position, (finding, value, side, site, unit) in enumerate(_findings(chance, one, lean)):
        id = f"{patient}-{visit}-{position}"
        if one.style == "components" and side and not site and finding != "foot-ulcer":
            yield from _component(waiting, observation(id, patient, finding, "own", instant, visit), finding, value, side, unit)
        else:
            style = "own" if one.style == "components" else one.style
            yield (
                observation(id, patient, finding, style, instant, visit) | place(side, site, style) | value_of(value, style, unit)
            )
    for resource, parts in waiting.values():
        yield resource | {"component": parts}


def _component(
    waiting: dict[str, tuple[Json, list[Json]]], resource: Json, finding: str, value: Any, side: str, unit: str | None
) -> Iterator[Json]:
    """Both sides in one Observation, a component each; the Observation comes when the second side does."""
    part = {"code": place(side, None, "own")["bodySite"]} | value_of(value, "own", unit)
    if finding not in waiting:
        waiting[finding] = (resource, [part])
        return
    first, parts = waiting.pop(finding)
    yield first | {"component": [*parts, part]}


def _findings(chance: random.Random, one: Person, lean: bool) -> Iterator[Finding]:
    """What was found in the parts that were done."""
    for part in PARTS:
        if part in one.seen:
            yield from _FOUND[part](chance, one, lean)


def _there(one: Person) -> Iterator[str]:
    """The sides with a foot."""
    return (side for side in SIDES if one.amputation[side] != "below-knee")


def _monofilament(chance: random.Random, one: Person, lean: bool) -> Iterator[Finding]:
    for side in _there(one):
        for site, rank in _SITES:
            if one.amputation[side] == "none" or site != "hallux":
                yield "monofilament-10g", "not-felt" if one.reach[side] > rank else "felt", side, site, None


def _graded(finding: str, less: int, site: str | None) -> Any:
    """A test that fails from some rank of the reach on: reduced there, absent beyond."""

    def found(chance: random.Random, one: Person, lean: bool) -> Iterator[Finding]:
        for side in _there(one):
            if not site or site != "hallux" or one.amputation[side] == "none":
                rank = one.reach[side]
                yield finding, "normal" if rank < less else "reduced" if rank == less else "absent", side, site, None

    return found


def _reflexes(chance: random.Random, one: Person, lean: bool) -> Iterator[Finding]:
    for side in _there(one):
        yield (
            "ankle-reflex",
            "normal" if one.reach[side] < 3 else "reduced" if one.reach[side] == 3 else "absent",
            side,
            None,
            None,
        )
        yield "knee-reflex", "normal" if one.reach[side] < 5 else "reduced", side, None, None


def _power(chance: random.Random, one: Person, lean: bool) -> Iterator[Finding]:
    for side in _there(one):
        yield "power-ankle-dorsiflexion", 5 if one.reach[side] < 5 else 4, side, None, None
        yield "power-great-toe-extension", 5 if one.reach[side] < 4 else 4, side, None, None


def _pulses(chance: random.Random, one: Person, lean: bool) -> Iterator[Finding]:
    for side in _there(one):
        poor = one.arteries[side]
        yield "dorsalis-pedis-pulse", "absent" if poor else chance.choice(("present",) * 19 + ("reduced",)), side, None, None
        yield "posterior-tibial-pulse", "absent" if poor and chance.random() < 0.8 else "present", side, None, None


def _index(chance: random.Random, one: Person, lean: bool) -> Iterator[Finding]:
    if chance.random() < 0.35:
        for side in _there(one):
            low, high = (0.45, 0.88) if one.arteries[side] else (0.95, 1.36)
            yield "ankle-brachial-index", round(chance.uniform(low, high), 2), side, None, "{ratio}"


def _inspection(chance: random.Random, one: Person, lean: bool) -> Iterator[Finding]:
    for side in _there(one):
        trouble = one.ulcer[side] or one.infection[side] or one.hot_foot[side]
        yield "foot-inspection", "not-clear" if trouble else "clear", side, None, None
        if one.ulcer[side]:
            yield "foot-ulcer", "present", side, "metatarsal-head-1", None
            yield "foot-infection", "present" if one.infection[side] else "absent", side, None, None
        if one.hot_foot[side]:
            yield "hot-swollen-foot", "present", side, None, None
        if not lean:
            yield "limb-threatening-ischaemia", "absent", side, None, None


def _shape(chance: random.Random, one: Person, lean: bool) -> Iterator[Finding]:
    for side in _there(one):
        yield "foot-deformity", "present" if one.deformity[side] else "absent", side, None, None
        yield "callus", "present" if one.callus[side] else "absent", side, None, None


def _history(chance: random.Random, one: Person, lean: bool) -> Iterator[Finding]:
    for side in SIDES:
        yield "previous-foot-ulcer", "present" if one.ulcer_before[side] else "absent", side, None, None
        yield "amputation", one.amputation[side], side, None, None
        yield "charcot-history", "absent", side, None, None
    yield "cannot-self-care", "present" if one.age > 85 and one.number % 4 == 0 else "absent", None, None, None


def _kidneys(chance: random.Random, one: Person, lean: bool) -> Iterator[Finding]:
    yield "dialysis-or-transplant", "dialysis" if one.dialysis else "none", None, None, None
    yield "end-stage-renal-disease", "present" if one.dialysis else "absent", None, None, None
    yield "egfr", round(chance.uniform(6, 14) if one.dialysis else max(16, chance.gauss(72, 20))), None, None, "mL/min/{1.73_m2}"


def _symptoms(chance: random.Random, one: Person, lean: bool) -> Iterator[Finding]:
    for side in SIDES:
        yield "foot-numbness", "present" if one.reach[side] > 1 else "absent", side, None, None
        yield "foot-pain-neuropathic", "present" if one.pain else "absent", side, None, None


def _laboratory(chance: random.Random, one: Person, lean: bool) -> Iterator[Finding]:
    yield "hba1c", round(chance.uniform(6.0, 11.5), 1), None, None, "%"
    if chance.random() < 0.3:
        yield "vitamin-b12", round(chance.uniform(120, 190) if one.deficiency else chance.uniform(250, 700)), None, None, "pg/mL"


_FOUND: dict[str, Any] = {
    "monofilament": _monofilament, "vibration": _graded("vibration-128hz", 2, "hallux"), "pinprick": _graded("pinprick", 1, "hallux"),
    "temperature": _graded("temperature-sense", 1, "hallux"), "reflexes": _reflexes, "power": _power, "pulses": _pulses, "index": _index,
    "inspection": _inspection, "shape": _shape, "history": _history, "kidneys": _kidneys, "symptoms": _symptoms, "laboratory": _laboratory,
}  # fmt: skip


def _spoil(resource: Json, fault: str) -> None:
    """A fault as senders make them: without a side, without a unit, undated, of no status."""
    if fault == "side":
        resource.pop("bodySite", None)
    elif fault == "unit" and "valueQuantity" in resource:
        resource["valueQuantity"] = {"value": resource["valueQuantity"]["value"]}
    elif fault == "date":
        resource.pop("effectiveDateTime")
    else:
        resource["status"] = "banana"
