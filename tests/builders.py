"""Builds FHIR R4 input for tests: Observations in Sural's own codes unless a test says otherwise."""

from typing import Any

from sural import canonical

AS_OF = "2026-03-02"
EXAMINED = "2026-03-01T09:30:00+00:00"
FEET = ("left", "right")
LATERALITY = {"left": "7771000", "right": "24028007", "bilateral": "51440002"}
Json = dict[str, Any]


def concept(system: str, code: str, **more: Any) -> Json:
    return {"coding": [{"system": system, "code": code}], **more}


def own(code: str) -> Json:
    return concept(canonical.FINDING, code)


def answer(code: str) -> Json:
    return concept(canonical.FINDING_VALUE, code)


def quantity(value: float, unit: str) -> Json:
    return {"value": value, "unit": unit, "system": canonical.UCUM, "code": unit}


def place(side: str | None, site: str | None = None) -> Json | None:
    """A bodySite by our own site and a SNOMED CT laterality."""
    coding = []
    if site:
        coding.append({"system": canonical.SITE, "code": site})
    if side:
        coding.append({"system": canonical.SNOMED, "code": LATERALITY[side]})
    return {"coding": coding} if coding else None


_UNITS = {
    "vibration-threshold": "V", "ankle-brachial-index": "{ratio}", "toe-brachial-index": "{ratio}", "ankle-pressure": "mm[Hg]",
    "toe-pressure": "mm[Hg]", "arm-systolic-pressure": "mm[Hg]", "tcpo2": "mm[Hg]", "egfr": "mL/min/{1.73_m2}", "body-temperature": "Cel",
    "respiratory-rate": "/min", "heart-rate-resting": "/min", "white-cell-count": "10*9/L", "ulcer-area": "cm2", "erythema-extent": "cm",
    "foot-skin-temperature": "Cel", "band-neutrophils": "%", "hba1c": "%", "vibration-time-difference": "s", "vibration-graded": "{score}",
    "heart-rate-30-15-ratio": "{ratio}", "heart-rate-breathing-difference": "/min", "expiration-inspiration-ratio": "{ratio}",
    "valsalva-ratio": "{ratio}", "handgrip-diastolic-rise": "mm[Hg]", "sural-amplitude": "uV", "sural-velocity": "m/s",
    "fibular-motor-velocity": "m/s", "paco2": "kPa", "vitamin-b12": "pg/mL",
}  # fmt: skip
_INTEGERS = {"toe-touch", "infection-sign-count", "ulcer-wound-grade", "vibration-on-off", "pain-score"}


class Exam:
    """A Bundle under construction, about one adult with type 2 diabetes unless told otherwise."""

    def __init__(self, patient: str = "p1", birth: str | None = "1957-04-11", diabetes: str | None = "type-2") -> None:
        self.patient = patient
        self.entries: list[Json] = []
        record: Json = {
            "resourceType": "Patient",
            "id": patient,
            "identifier": [{"system": "urn:example:skerrow", "value": patient}],
        }
        if birth:
            record["birthDate"] = birth
        self.add(record)
        if diabetes:
            self.see("diabetes", diabetes)

    def add(self, resource: Json, full_url: str | None = None) -> "Exam":
        """Any resource as an entry."""
        self.entries.append({"resource": resource, **({"fullUrl": full_url} if full_url else {})})
        return self

    def see(self, code: str, value: Any = None, side: str | None = None, site: str | None = None, **more: Any) -> "Exam":
        """One Observation in our own codes. `side` may be "both"; numbers get the concept's unit."""
        for one in FEET if side == "both" else (side,):
            self.add(self.observation(code, value, one, site, **more))
        return self

    def observation(self, code: str, value: Any = None, side: str | None = None, site: str | None = None, **more: Any) -> Json:
        resource: Json = {
            "resourceType": "Observation",
            "id": f"o{len(self.entries)}",
            "status": "final",
            "code": own(code),
            "subject": {"reference": f"Patient/{self.patient}"},
            "effectiveDateTime": EXAMINED,
        }
        at = place(side, site)
        if at:
            resource["bodySite"] = at
        if isinstance(value, str):
            resource["valueCodeableConcept"] = answer(value)
        elif isinstance(value, bool):
            resource["valueBoolean"] = value
        elif isinstance(value, int | float):
            if code in _INTEGERS:
                resource["valueInteger"] = value
            else:
                resource["valueQuantity"] = quantity(value, _UNITS[code])
        elif isinstance(value, dict):
            resource |= value
        resource |= more
        return {key: item for key, item in resource.items() if item is not None}

    def bundle(self, kind: str = "collection") -> Json:
        return {"resourceType": "Bundle", "type": kind, "entry": self.entries}

    # whole parts of an examination

    def felt(self, side: str) -> "Exam":
        """The monofilament felt at three plantar sites."""
        for site in ("hallux", "metatarsal-head-1", "metatarsal-head-5"):
            self.see("monofilament-10g", "felt", side, site)
        return self

    def not_felt(self, side: str) -> "Exam":
        self.see("monofilament-10g", "not-felt", side, "hallux")
        self.see("monofilament-10g", "felt", side, "metatarsal-head-1")
        return self.see("monofilament-10g", "felt", side, "metatarsal-head-5")

    def pulses(self, side: str, dorsalis: str = "present", tibial: str = "present") -> "Exam":
        self.see("dorsalis-pedis-pulse", dorsalis, side)
        return self.see("posterior-tibial-pulse", tibial, side)

    def nothing_active(self, side: str = "both") -> "Exam":
        """Inspected and clear, no rest pain, no suspicion of ischaemia or of a Charcot foot."""
        self.see("foot-inspection", "clear", side)
        return self.see("limb-threatening-ischaemia", "absent", side)

    def no_history(self, side: str = "both") -> "Exam":
        self.see("previous-foot-ulcer", "absent", side)
        self.see("charcot-history", "absent", side)
        return self.see("amputation", "none", side)

    def kidneys_well(self) -> "Exam":
        self.see("dialysis-or-transplant", "none")
        self.see("end-stage-renal-disease", "absent")
        return self.see("egfr", 60)

    def normal(self) -> "Exam":
        """Everything examined, nothing found."""
        self.felt("both").pulses("both").nothing_active().no_history().kidneys_well()
        self.see("callus", "absent", "both").see("foot-deformity", "absent", "both")
        return self.see("cannot-self-care", "absent")
