"""Fifteen faults, each seeded into a sound resource of ours: eight against FHIR R4 (B1 to B8), seven against our profiles (P1 to P7).

The resources of B1 to B8 claim no profile, so that only R4 judges them. P6 is seeded where no invariant of the profile stands behind the
slice; in the grades of an ulcer an invariant sees the same fault (P6i).
"""

import copy
from collections.abc import Callable

from msgspec import Struct

from tests.builders import Json
from tests.conformance.samples import resources, sample


class Fault(Struct, frozen=True):
    """A fault: its number, what it is, the resource it is seeded into (the sample and its profile), the change."""

    number: str
    what: str
    sample: str
    profile: str
    seed: Callable[[Json], None]

    @property
    def base(self) -> bool:
        """Whether it is a fault against R4 itself."""
        return self.number.startswith("B")

    def sound(self) -> Json:
        """The resource as the answer has it."""
        claim = f"/StructureDefinition/{self.profile}|"
        found = next(one for one in resources(sample(self.sample).answer()) if claim in str(one.get("meta", {}).get("profile")))
        resource = copy.deepcopy(found)
        if self.base:
            del resource["meta"]
        return resource

    def seeded(self) -> Json:
        """The same resource with the fault in it."""
        resource = self.sound()
        self.seed(resource)
        return resource


def _without(name: str) -> Callable[[Json], None]:
    def seed(resource: Json) -> None:
        del resource[name]

    return seed


def _with(**changes: object) -> Callable[[Json], None]:
    def seed(resource: Json) -> None:
        resource.update(copy.deepcopy(changes))

    return seed


def _empty_coding(resource: Json) -> None:
    resource["code"]["coding"].append({})


def _subject_twice(resource: Json) -> None:
    resource["subject"] = [resource["subject"], resource["subject"]]


def _unknown_scheme(resource: Json) -> None:
    resource["method"]["coding"][0]["code"] = "nice-ng19-1919"


def _component(resource: Json, code: str) -> Json:
    found: Json = next(one for one in resource["component"] if one["code"]["coding"][0]["code"] == code)
    return found


def _no_infection_grade(resource: Json) -> None:
    resource["component"].remove(_component(resource, "iwgdf-idsa-2023"))


def _score_as_text(resource: Json) -> None:
    """The SINBAD score as a text; its slice wants a Quantity."""
    score = _component(resource, "sinbad")
    score.pop("valueQuantity", None)
    score.pop("dataAbsentReason", None)
    score["valueString"] = "3"


def _predominance_as_text(resource: Json) -> None:
    """The predominance as a text; its slice wants a code."""
    part = _component(resource, "predominance")
    part.pop("valueCodeableConcept")
    part["valueString"] = "sensory"


def _exam_category(resource: Json) -> None:
    resource["category"][0]["coding"][0] |= {"code": "exam", "display": "Exam"}


FAULTS = (
    Fault("B1", "a required element is missing", "high-risk", "foot-risk-assessment", _without("status")),
    Fault("B2", "an element that may come once comes twice", "high-risk", "referral-proposal", _subject_twice),
    Fault("B3", "a code outside a required binding", "high-risk", "referral-proposal", _with(priority="soon")),
    Fault(
        "B4", "an invariant is broken (obs-6)", "high-risk", "foot-risk-category", _with(dataAbsentReason={"text": "not asked"})
    ),
    Fault("B5", "an element that R4 does not know", "high-risk", "foot-risk-assessment", _with(severity="high")),
    Fault("B6", "two values of a choice", "high-risk", "foot-risk-category", _with(valueString="high")),
    Fault("B7", "a date that does not exist", "high-risk", "referral-proposal", _with(authoredOn="2026-13-01")),
    Fault("B8", "an empty object", "high-risk", "foot-risk-assessment", _empty_coding),
    Fault("P1", "less than the profile's minimum", "high-risk", "foot-risk-assessment", _without("method")),
    Fault("P2", "more than the profile's maximum", "high-risk", "foot-risk-assessment", _with(mitigation="insoles")),
    Fault("P3", "a code outside the profile's required binding", "high-risk", "foot-risk-assessment", _unknown_scheme),
    Fault("P4", "an invariant of the profile is broken (srp-1)", "high-risk", "referral-proposal", _with(status="completed")),
    Fault("P5", "a mandatory slice is missing", "ulcer", "ulcer-grades", _no_infection_grade),
    Fault("P6", "a value of the wrong type inside a slice", "neuropathy", "neuropathy-classification", _predominance_as_text),
    Fault("P7", "the category is not the one of the slice", "high-risk", "foot-risk-category", _exam_category),
)
BEHIND_AN_INVARIANT = Fault(
    "P6i", "a value of the wrong type inside a slice, with an invariant", "ulcer", "ulcer-grades", _score_as_text
)
