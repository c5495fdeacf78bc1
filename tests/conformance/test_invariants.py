"""Each invariant of our profiles holds on a sound resource and is broken by one change that it is there for."""

import copy
from collections.abc import Callable
from typing import Any

import pytest

from sural import canonical
from tests.builders import Json
from tests.conformance.constraints import broken
from tests.conformance.published import claimed, profiles
from tests.conformance.samples import resources, sample

Change = Callable[[Json], Any]


def _sound(name: str, profile: str) -> Json:
    """The first resource of a profile in the answer to a sample."""
    offered = resources(sample(name).answer())
    claim = f"/StructureDefinition/{profile}|"
    return copy.deepcopy(next(one for one in offered if claim in str(one.get("meta", {}).get("profile"))))


def _grade(code: str, value: Json) -> Change:
    """Give a component of the ulcer grades another value."""

    def change(resource: Json) -> None:
        component = next(one for one in resource["component"] if one["code"]["coding"][0]["code"] == code)
        for name in [name for name in component if name.startswith(("value", "dataAbsent"))]:
            del component[name]
        component.update(value)

    return change


def _set(path: str, value: Any) -> Change:
    """Set what a path of names and numbers leads to; None takes it away."""

    def change(resource: Json) -> None:
        *steps, last = [int(step) if step.isdigit() else step for step in path.split(".")]
        node: Any = resource
        for step in steps:
            node = node[step]
        if value is None:
            del node[last]
        else:
            node[last] = value

    return change


def _score(value: float) -> Json:
    return {"valueQuantity": {"value": value, "unit": "score", "system": canonical.UCUM, "code": "{score}"}}


BARE = [{"display": "high"}]
RANGE = {
    "low": {"value": 30, "system": canonical.UCUM, "code": "%"},
    "high": {"value": 20, "system": canonical.UCUM, "code": "%"},
}
UNITS = {
    "low": {"value": 0.1, "system": canonical.UCUM, "code": "1"},
    "high": {"value": 0.2, "system": canonical.UCUM, "code": "1"},
}
ROWS: tuple[tuple[str, str, str, Change], ...] = (
    ("sur-1", "normal", "assessment-software", _set("text.status", "empty")),
    ("sur-2", "normal", "foot-risk-assessment", _set("status", "registered")),
    ("sur-3", "ulcer", "ulcer-grades", _grade("sinbad", {})),
    ("sur-4", "neuropathy", "neuropathy-classification", _set("valueCodeableConcept", None)),
    ("sfr-1", "normal", "foot-risk-assessment", _set("prediction.0.whenPeriod.start", None)),
    ("sfr-2", "unsettled", "foot-risk-assessment", lambda one: one["prediction"].reverse()),
    ("sfr-3", "unsettled", "foot-risk-assessment", lambda one: one["extension"].__delitem__(slice(1, None))),
    ("sfr-4", "normal", "foot-risk-assessment", _set("method.coding.0.code", "scotland-2016")),
    ("sfr-5", "normal", "foot-risk-assessment", _set("prediction.0.qualitativeRisk.coding.1.system", None)),
    ("sup-1", "normal", "ulcer-prognosis", _set("prediction.0.probabilityDecimal", None)),
    ("sup-2", "normal", "ulcer-prognosis", _set("prediction.0.probabilityDecimal", 140)),
    ("sup-2", "normal", "ulcer-prognosis", _set("prediction.1.probabilityRange", RANGE)),
    ("sup-3", "normal", "ulcer-prognosis", _set("prediction.1.probabilityRange", UNITS)),
    ("srp-1", "high-risk", "referral-proposal", _set("status", "completed")),
    ("srp-2", "high-risk", "referral-proposal", _set("priority", "asap")),
    ("srp-3", "high-risk", "referral-proposal", _set("code.coding", BARE)),
    ("sug-1", "ulcer", "ulcer-grades", _grade("sinbad", _score(7))),
    ("sug-2", "ulcer", "ulcer-grades", _grade("wifi-wound", _score(4))),
    ("sug-2", "ulcer", "ulcer-grades", _grade("wifi-stage", _score(0))),
    ("sug-3", "ulcer", "ulcer-grades", _grade("texas", {"valueString": "4E"})),
    ("sug-4", "ulcer", "ulcer-grades", _grade("iwgdf-idsa-2023", {"valueString": "2(O)"})),
    ("sug-5", "ulcer", "ulcer-grades", _set("bodySite.coding", BARE)),
    ("sfc-1", "unsettled", "foot-risk-category", _set("component.0.valueCodeableConcept.coding.0.code", "nice-ng19-2019.active")),
    ("sfc-1", "unsettled", "foot-risk-category", _set("component.0.valueCodeableConcept.coding.0.code", "nice-ng19-2019.low")),
    ("sfc-1", "normal", "foot-risk-category", _set("component.0.valueCodeableConcept.coding.0.code", "nice-ng19-2019.open")),
    ("sap-1", "normal", "assessment-provenance", _set("entity.0.role", "derivation")),
    ("sap-2", "normal", "assessment-provenance", _set("meta.tag", BARE)),
    ("sio-1", "faulty", "intake-outcome", _set("issue.0.location", ["Bundle.entry[3]"])),
    ("sar-1", "with-picture", "assessment-report", _set("presentedForm.0.data", None)),
)


@pytest.mark.parametrize(
    ("key", "name", "profile", "change"), ROWS, ids=[f"{row[0]}-{number}" for number, row in enumerate(ROWS)]
)
def test_invariant_is_broken_by_what_it_forbids(key: str, name: str, profile: str, change: Change) -> None:
    """Sound as answered; the change breaks the invariant."""
    resource = _sound(name, profile)

    assert [] == broken(resource, claimed(resource))
    change(resource)
    assert key in broken(resource, claimed(resource))


def test_every_invariant_of_ours_is_tried() -> None:
    """Those of findings (slf) are tried beside their profile."""
    ours = {
        constraint["key"]
        for profile in profiles().values()
        for element in profile["differential"]["element"]
        for constraint in element.get("constraint", [])
    }

    assert {row[0] for row in ROWS} == {key for key in ours if not key.startswith("slf-")}
