"""Limits exactly on their edge, and what one reading among several decides, each read through FHIR. Sources stand beside each test.

Every test here fails when the comparison, the side or the day it is about is changed by one step. All data are invented.
"""

from typing import Any

import pytest

from sural.exam.moment import period
from tests.asking import summary_of
from tests.builders import Exam, Json


def findings(exam: Exam, **how: Any) -> Json:
    """What the summary says of each factor."""
    found: Json = summary_of(exam, **how)["findings"]
    return found


# moments


def test_a_period_of_one_instant_is_a_moment() -> None:
    """FHIR R4 Period: the end is not before the start; it may be the same."""
    instant = period("2026-03-01T09:30:00Z", "2026-03-01T09:30:00Z")

    assert instant is not None
    assert instant.start == instant.end
    assert period("2026-03-01T09:30:00Z", "2026-03-01T09:29:59Z") is None


# arterial disease


@pytest.mark.parametrize(("index", "disease"), [(1.3, "no"), (1.31, "unknown")])
def test_an_index_of_exactly_1_3_is_compressible(index: float, disease: str) -> None:
    """IWGDF 2015: 0.9 to 1.3 is the normal range; above it the index decides nothing (decision 0003)."""
    assert disease == findings(Exam().pulses("left").see("ankle-brachial-index", index, "left"))["arterialDisease"]["left"]


@pytest.mark.parametrize("higher", ["left", "right"])
def test_the_index_is_taken_against_the_arm_with_the_higher_pressure(higher: str) -> None:
    """Common practice, no source: 130 over 150 is below 0.9, 130 over 120 is not."""
    lower = "right" if higher == "left" else "left"
    exam = Exam().see("ankle-pressure", 130, "left").see("arm-systolic-pressure", 150, higher)
    exam.see("arm-systolic-pressure", 120, lower)

    assert "yes" == findings(exam)["arterialDisease"]["left"]


@pytest.mark.parametrize(("onset", "threat"), [
    ("2026-02-16", "unknown"), ("2026-02-15", "yes"), ("2026-02", "unknown"), ("2026-01", "yes"),
])  # fmt: skip
def test_an_ulcer_of_ischaemia_is_older_than_two_weeks(onset: str, threat: str) -> None:
    """Global Vascular Guidelines: more than two weeks; two weeks to the day are not, and a month may have been its last day."""
    exam = Exam().pulses("left", "absent", "absent").see("foot-ulcer", "present", "left", "hallux")
    exam.see("ulcer-onset", {"valueDateTime": onset}, "left", "hallux")

    assert threat == findings(exam)["limbThreateningIschaemia"]["left"]


@pytest.mark.parametrize(("code", "quantity"), [
    ("toe-pressure", {"value": 80, "unit": "mmHg"}), ("ankle-pressure", {"value": 120, "unit": "mmHg"}), ("ankle-brachial-index", {"value": 1.1, "comparator": ">"}),
])  # fmt: skip
def test_a_measurement_that_cannot_be_used_is_feared_at_its_worst(code: str, quantity: Json) -> None:
    """Decision 0006: what cannot be used rules nothing out; a pressure without its unit may be the lowest there is."""
    exam = Exam().pulses("left")
    read = findings(exam)["arterialDisease"]["left"]
    exam.see(code, {"valueQuantity": quantity}, "left")

    assert ("no", "unknown") == (read, findings(exam)["arterialDisease"]["left"])
