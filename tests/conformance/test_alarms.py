"""The list of known false alarms drops an alarm only when the resource shows that it is false."""

import pytest

from sural import canonical
from tests.builders import Json
from tests.conformance.validators import Alarm, alarms

RISK = Alarm("error", "profile.element.invariant.ras-2", "RiskAssessment.prediction", "FHIRPath invariant failed")
PATTERN = Alarm("error", "profile.pattern", "Observation.code", "Profile pattern mismatch")
SAME_PATTERN = Alarm("error", "profile.element.pattern", "Observation.code", "Profile pattern mismatch")
SLICE = Alarm(
    "error", "structure", "RiskAssessment.extension", "Incorrect number of values provided for slice 'categoryRange': found 0"
)
MANY = Alarm("error", "profile.element.cardinality.max", "ValueSet.compose.include.concept.code", "at most 1")
LINK = Alarm("warning", "structure", "Observation.device", 'Invalid reference: got "urn:uuid:1", expected "Device"')
NARRATIVE = Alarm("warning", "invariant.dom-6", "Device", "Constraint failed")


def _risk(**prediction: object) -> Json:
    return {"resourceType": "RiskAssessment", "prediction": [prediction]}


def _ranged(*parts: str) -> Json:
    inner = [{"url": part} for part in parts]
    return {"resourceType": "RiskAssessment", "extension": [{"url": canonical.profile("category-range"), "extension": inner}]}


def _value_set(code: object) -> Json:
    return {"resourceType": "ValueSet", "compose": {"include": [{"concept": [{"code": code}, {"code": "b"}]}]}}


@pytest.mark.parametrize(
    ("alarm", "resource"),
    [
        (RISK, _risk(rationale="no probability")),
        (
            RISK,
            {
                "resourceType": "Bundle",
                "entry": [{"resource": _risk(rationale="none")}, {"resource": _risk(probabilityDecimal=14)}],
            },
        ),
        (PATTERN, {"resourceType": "Observation"}),
        (SLICE, _ranged("atLeast", "atMost")),
        (MANY, _value_set("a")),
        (LINK, {"resourceType": "Observation"}),
        (NARRATIVE, {"resourceType": "CodeSystem"}),
    ],
)
def test_a_false_alarm_is_dropped(alarm: Alarm, resource: Json) -> None:
    """The resource shows that nothing is wrong."""
    assert [] == alarms([alarm], resource)


@pytest.mark.parametrize(
    ("alarm", "resource"),
    [
        (RISK, _risk(probabilityDecimal=140)),
        (
            RISK,
            {
                "resourceType": "Bundle",
                "entry": [{"resource": _risk(rationale="none")}, {"resource": _risk(probabilityDecimal=140)}],
            },
        ),
        (SLICE, {"resourceType": "RiskAssessment"}),
        (SLICE, _ranged("atLeast")),
        (MANY, _value_set(["a", "c"])),
        (Alarm("warning", "structure", "x", 'Invalid reference: got "Patient/1"'), _risk()),
        (NARRATIVE, {"resourceType": "Device", "meta": {"profile": [canonical.profile("assessment-software")]}}),
        (Alarm("warning", "terminology.unknown", "Observation.code", "something new"), {"resourceType": "Observation"}),
    ],
)
def test_a_true_alarm_stays(alarm: Alarm, resource: Json) -> None:
    """The resource does not show that the alarm is false, or the alarm is not known."""
    assert [str(alarm)] == alarms([alarm], resource)


def test_a_pattern_that_both_comparisons_miss_stays() -> None:
    """Pyrofile's second comparison of the same pattern decides."""
    assert [str(PATTERN), str(SAME_PATTERN)] == alarms([PATTERN, SAME_PATTERN], {"resourceType": "Observation"})
