"""Sample examinations, invented, whose answers are checked against FHIR R4 and the profiles: every kind of answer is among them."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import orjson

import sural
from sural.recall.issues import detected_issues
from sural.recall.person import Known, judge
from tests.builders import AS_OF, EXAMINED, FEET, Exam, Json, answer, own, place
from tests.recalls import DAY, facts, known, numb, ulcer

URN_PATIENT = "urn:uuid:5a1f0c1e-7a52-4a0f-9a3c-2f8f1f6f0001"


class Sample:
    """An examination, and how it is asked."""

    def __init__(self, name: str, exam: Json, **how: Any) -> None:
        self.name = name
        self.exam = exam
        self.how = how

    def __repr__(self) -> str:
        return self.name

    def answer(self, **how: Any) -> Json:
        """The answer Bundle as plain JSON."""
        result: Json = orjson.loads(sural.assess(orjson.dumps(self.exam), as_of=date.fromisoformat(AS_OF), **self.how | how))
        return result

    @property
    def inputs(self) -> dict[str, Json]:
        """The input's resources by every reference that may name them."""
        return named(self.exam)


def named(bundle: Json) -> dict[str, Json]:
    """The resources of a Bundle by full URL and by type with id."""
    found: dict[str, Json] = {}
    for entry in bundle["entry"]:
        resource = entry["resource"]
        if "fullUrl" in entry:
            found[entry["fullUrl"]] = resource
        if "id" in resource:
            found[f"{resource['resourceType']}/{resource['id']}"] = resource
    return found


def _normal() -> Exam:
    return Exam().normal()


def _high_risk() -> Exam:
    exam = Exam().nothing_active().no_history().kidneys_well()
    exam.not_felt("left").not_felt("right").pulses("left", "absent", "absent").pulses("right")
    exam.see("foot-deformity", "present", "left").see("foot-deformity", "absent", "right")
    return exam.see("callus", "present", "both").see("cannot-check-own-feet", "present")


def _unsettled() -> Exam:
    """The monofilament on one foot only: most factors are open."""
    return Exam().not_felt("left")


def _nothing_examined() -> Exam:
    return Exam()


def _ulcer() -> Exam:
    exam = Exam().not_felt("left").felt("right").pulses("left").pulses("right").kidneys_well()
    exam.see("foot-ulcer", "present", "left", "hallux").see("foot-ulcer", "absent", "right")
    exam.see("ulcer-depth", "tendon-or-capsule", "left", "hallux").see("ulcer-area", 2.4, "left", "hallux")
    exam.see("ulcer-site", "forefoot", "left", "hallux").see("ulcer-wound-grade", 2, "left", "hallux")
    exam.see("foot-infection", "absent", "left").see("gangrene", "absent", "both")
    return exam.see("toe-pressure", 52, "left").see("ankle-brachial-index", 0.92, "left")


def _infected_ulcer() -> Exam:
    """An infected ulcer with fever whose grades stay open: depth, size and circulation were not recorded."""
    exam = Exam().see("foot-ulcer", "present", "right", "metatarsal-head-1")
    exam.see("foot-infection", "present", "right").see("infection-sign-warmth", "present", "right")
    return exam.see("body-temperature", 38.9).see("respiratory-rate", 24).see("heart-rate-resting", 104)


def _gangrene() -> Exam:
    """Gangrene with arterial disease and rest pain."""
    exam = Exam().not_felt("right").felt("left").pulses("right", "absent", "absent").pulses("left")
    exam.see("gangrene", "present", "right").see("gangrene-extent", "digits", "right").see("rest-pain", "present", "right")
    exam.see("limb-threatening-ischaemia", "present", "right").see("peripheral-arterial-disease", "present", "right")
    return exam.see("ankle-brachial-index", 0.38, "right").see("toe-pressure", 24, "right")


def _charcot() -> Exam:
    exam = Exam().not_felt("left").not_felt("right").pulses("left").pulses("right")
    exam.see("hot-swollen-foot", "present", "left").see("charcot-suspected", "present", "left")
    exam.see("foot-skin-temperature", 34.1, "left").see("foot-skin-temperature", 30.6, "right")
    return exam.see("inpatient", "present")


def _seen_last_week() -> Exam:
    """In hospital with a hot swollen foot, examined five days before the day of assessment."""
    exam = _charcot()
    for entry in exam.entries[1:]:
        entry["resource"]["effectiveDateTime"] = "2026-02-25T09:30:00+00:00"
    return exam


def _contradictions() -> Exam:
    """The same foot inspected as clear and with an ulcer; an amputation denied after one was recorded; one pulse with two results."""
    exam = _normal().see("foot-ulcer", "present", "left", "hallux")
    exam.see("amputation", "toe", "right").see("dorsalis-pedis-pulse", "absent", "right")
    return exam.see("monofilament-10g", "not-felt", "left", "hallux")


def _amputation() -> Exam:
    exam = Exam().see("amputation", "below-knee", "left").see("amputation", "toe", "right")
    exam.not_felt("right").pulses("right").nothing_active("right")
    exam.see("previous-foot-ulcer", "present", "right").see("charcot-history", "absent", "right")
    return exam.kidneys_well()


def _no_foot_left() -> Exam:
    return Exam().see("amputation", "above-knee", "both").kidneys_well()


def _dialysis() -> Exam:
    exam = Exam().not_felt("left").felt("right").pulses("left").pulses("right").nothing_active().no_history()
    exam.see("dialysis-or-transplant", "dialysis").see("end-stage-renal-disease", "present").see("egfr", 9)
    return exam.see("callus", "absent", "both").see("foot-deformity", "absent", "both")


def _child() -> Exam:
    exam = Exam(birth="2016-09-30", diabetes="type-1")
    return exam.felt("left").felt("right").pulses("left").pulses("right").nothing_active()


def _young_person() -> Exam:
    exam = Exam(birth="2011-05-02", diabetes="type-1").not_felt("left").felt("right").pulses("left").pulses("right")
    return exam.nothing_active().no_history().kidneys_well().see("callus", "present", "left")


def _prognosis_range() -> Exam:
    """Pulses and history were not examined: the prognosis is a range."""
    return Exam().not_felt("left").felt("right").nothing_active()


def _no_diabetes() -> Exam:
    return Exam(diabetes=None, birth=None).see("diabetes", "absent").not_felt("left").felt("right")


def _neuropathy() -> Exam:
    """A symmetric length-dependent neuropathy with the items of the scores, weakness and autonomic tests."""
    exam = Exam().not_felt("left").not_felt("right").pulses("left").pulses("right").nothing_active().no_history()
    for code in ("foot-numbness", "foot-tingling", "foot-pain-neuropathic"):
        exam.see(code, "present", "both")
    for code in ("pinprick", "temperature-sense", "light-touch", "vibration-128hz", "joint-position"):
        exam.see(code, "absent", "both", "hallux").see(code, "reduced", "both", "ankle").see(code, "normal", "both", "knee")
    exam.see("ankle-reflex", "absent", "both").see("knee-reflex", "reduced", "both")
    exam.see("nerve-conduction", "abnormal").see("sural-amplitude", 2.1, "both").see("hba1c", 9.4)
    exam.see("vibration-threshold", 31, "both").see("heart-rate-breathing-difference", 6).see("vitamin-b12", 140)
    exam.see("power-great-toe-extension", "4", "both").see("power-ankle-dorsiflexion", "5", "both")
    return exam.see("metformin", "present")


def _red_flags() -> Exam:
    """Findings that want a neurologist at once: acute weakness of one leg, an upgoing plantar response, a disturbed bladder."""
    exam = Exam().felt("left").felt("right")
    exam.see("plantar-response", "extensor", "left").see("ankle-reflex", "brisk", "left").see("ankle-reflex", "normal", "right")
    exam.see("power-ankle-dorsiflexion", "2", "left").see("power-ankle-dorsiflexion", "5", "right")
    return exam.see("bladder-disturbance", "present").see("symptom-course", "acute")


def _preliminary() -> Exam:
    exam = _high_risk()
    for entry in exam.entries[1:]:
        entry["resource"]["status"] = "preliminary"
    return exam


def _faulty() -> Exam:
    """A usable examination among Observations that cannot be used, each for another reason."""
    exam = _unsettled().see("foot-ulcer", "present").see("callus", "perhaps", "left")
    exam.see("toe-pressure", {"valueQuantity": {"value": 40, "unit": "mmHg"}}, "left")
    exam.see(
        "egfr",
        {"valueQuantity": {"value": 60, "comparator": "<", "system": "http://unitsofmeasure.org", "code": "mL/min/{1.73_m2}"}},
    )
    exam.see("rest-pain", "absent", "right", status="entered-in-error").see(
        "gangrene", "absent", "left", effectiveDateTime="2031-01-01"
    )
    exam.see("foot-infection", "absent", "left", modifierExtension=[{"url": "urn:example:skerrow:doubt", "valueBoolean": True}])
    exam.see("claudication", None, "left", dataAbsentReason={"text": "not asked"})
    return exam.add(
        {
            "resourceType": "Observation",
            "id": "odd",
            "status": "final",
            "code": {"text": "mood"},
            "subject": {"reference": "Patient/p1"},
        }
    )


def _other_forms() -> Exam:
    """A period, a panel with members, components by side, a Condition, a Procedure, a medicine and a referral that is already there."""
    exam = Exam().felt("left")
    members = []
    for side in FEET:
        exam.see("posterior-tibial-pulse", "present", side)
        members.append({"reference": f"Observation/{exam.entries[-1]['resource']['id']}"})
    exam.add(
        {
            "resourceType": "Observation",
            "id": "panel",
            "status": "final",
            "code": {"text": "Foot pulses"},
            "subject": {"reference": "Patient/p1"},
            "effectivePeriod": {"start": "2026-03-01T09:00:00Z", "end": "2026-03-01T09:40:00Z"},
            "hasMember": members,
        }
    )
    sides = [{"code": place(side), "valueCodeableConcept": answer("absent")} for side in FEET]
    exam.see("callus", {"effectiveDateTime": None, "effectivePeriod": {"start": EXAMINED, "end": EXAMINED}, "component": sides})
    exam.add(
        {
            "resourceType": "Condition",
            "id": "diagnosed",
            "clinicalStatus": {
                "coding": [{"system": "http://terminology.hl7.org/CodeSystem/condition-clinical", "code": "active"}]
            },
            "code": own("peripheral-arterial-disease"),
            "bodySite": [place("left")],
            "subject": {"reference": "Patient/p1"},
            "recordedDate": "2019-05-20",
        }
    )
    return exam.add(
        {
            "resourceType": "MedicationStatement",
            "id": "taken",
            "status": "active",
            "medicationCodeableConcept": own("metformin"),
            "subject": {"reference": "Patient/p1"},
        }
    )


def _urns(exam: Exam) -> Json:
    """The same examination linked by urn:uuid, as an EHR sends what it has not stored yet."""
    entries = []
    for number, entry in enumerate(exam.entries):
        resource = {key: value for key, value in entry["resource"].items() if key != "id"}
        url = URN_PATIENT if resource["resourceType"] == "Patient" else f"urn:uuid:5a1f0c1e-7a52-4a0f-9a3c-2f8f1f6f1{number:03d}"
        if "subject" in resource:
            resource["subject"] = {"reference": URN_PATIENT}
        request = {"method": "POST", "url": resource["resourceType"]}
        entries.append({"fullUrl": url, "resource": resource, "request": request})
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def _without_ids(exam: Exam) -> Json:
    """Observations that nothing can refer to."""
    entries = []
    for entry in exam.entries:
        resource = dict(entry["resource"])
        if resource["resourceType"] != "Patient":
            resource.pop("id")
        entries.append({"resource": resource})
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def _two_patients() -> Json:
    other = Exam("p2", birth="1949-12-01").not_felt("right")
    for entry in other.entries:
        if entry["resource"]["resourceType"] != "Patient":
            entry["resource"]["id"] = f"second-{entry['resource']['id']}"
    nobodys = {
        "resourceType": "Practitioner",
        "id": "examiner",
        "name": [{"text": "Isla Fenwick, Skerrow Islands community foot service"}],
    }
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [*_high_risk().entries, *other.entries, {"resource": nobodys}],
    }


_EXAMS: tuple[Callable[[], Exam], ...] = (
    _normal, _high_risk, _unsettled, _nothing_examined, _ulcer, _infected_ulcer, _gangrene, _charcot, _seen_last_week, _contradictions, _amputation,
    _no_foot_left, _dialysis, _child, _young_person, _prognosis_range, _no_diabetes, _neuropathy, _red_flags, _faulty, _other_forms,
)  # fmt: skip


def _samples() -> list[Sample]:
    plain = [Sample(exam.__name__.strip("_").replace("_", "-"), exam().bundle()) for exam in _EXAMS]
    return [
        *plain,
        Sample("preliminary", _preliminary().bundle(), preliminary=True),
        Sample("declared-complete", _unsettled().bundle(), complete=("inspection", "history")),
        Sample("with-picture", _neuropathy().bundle(), report="picture"),
        Sample("one-scheme", _high_risk().bundle(), schemes=("iwgdf-2023",)),
        Sample("scottish-calendar", _high_risk().bundle(), calendar="GB-SCT"),
        Sample("two-patients", _two_patients()),
        Sample("linked-by-urn", _urns(_high_risk())),
        Sample("linked-by-urn-transaction", _urns(_contradictions()), transaction=True),
        Sample("without-ids", _without_ids(_contradictions())),
        Sample("without-ids-transaction", _without_ids(_ulcer()), transaction=True),
        Sample("transaction", _ulcer().bundle(), transaction=True),
    ]


SAMPLES = _samples()


def sample(name: str) -> Sample:
    """One sample by its name."""
    return next(one for one in SAMPLES if one.name == name)


def resources(bundle: Json) -> list[Json]:
    """The resources of an answer."""
    return [entry["resource"] for entry in bundle["entry"]]


def recall_issues() -> list[Json]:
    """Issues of recall lists, which are in no answer: every state, with dates, factors, changes and referrals as evidence."""
    exams = (Exam().normal(), numb(), ulcer(), Exam().felt("both").see("callus", "absent", "both"), Exam().kidneys_well())
    entries = [judge(known(*facts(one)), DAY + timedelta(days=days)) for one in exams for days in (0, 100, 400)]
    entries += [judge(known(*facts(numb(), DAY - timedelta(days=90)), *facts(ulcer())), DAY), judge(Known("https://skerrow.example/id|SK1"), DAY)]
    return [issue for entry in entries for issue in detected_issues(entry, DAY)]
