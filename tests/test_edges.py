"""Limits exactly on their edge, and what one reading among several decides, each read through FHIR. Sources stand beside each test.

Every test here fails when the comparison, the side or the day it is about is changed by one step. All data are invented.
"""

from datetime import date
from typing import Any

import pytest

from sural import canonical
from sural.exam.moment import period
from sural.plan.calendar import Calendar
from tests.asking import answer_of, of_type, summary_of
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


def test_no_tissue_loss_needs_all_three_to_be_absent() -> None:
    """Global Vascular Guidelines, definition: rest pain, gangrene and ulcer; two of them do not clear it."""
    exam = Exam().see("rest-pain", "absent", "left").see("gangrene", "absent", "left")
    without = findings(exam)["limbThreateningIschaemia"]["left"]

    assert ("unknown", "no") == (without, findings(exam.see("foot-ulcer", "absent", "left"))["limbThreateningIschaemia"]["left"])


def test_what_would_make_a_factor_unknown_keeps_it_from_being_ruled_out() -> None:
    """Decision 0006: a reduced pulse without its side decides nothing, but while it stands "both present" is not sure."""
    exam = Exam().pulses("left")
    read = findings(exam)["arterialDisease"]["left"]

    assert ("no", "unknown") == (read, findings(exam.see("dorsalis-pedis-pulse", "reduced"))["arterialDisease"]["left"])


# protective sensation


@pytest.mark.parametrize(("left", "right", "lost"), [
    (3, 3, ("no", "no")), (3, 2, ("no", "no")), (3, 1, ("unknown", "yes")), (2, 2, ("yes", "yes")), (3, 0, ("unknown", "yes")),
])  # fmt: skip
def test_two_of_six_toes_decide_for_the_foot_that_missed_one(left: int, right: int, lost: tuple[str, str]) -> None:
    """Rayman 2011 (seen): two or more of six; the foot that felt all three is not cleared by a test that is positive."""
    found = findings(Exam().see("toe-touch", left, "left").see("toe-touch", right, "right"))["protectiveSensationLost"]

    assert lost == (found["left"], found["right"])


@pytest.mark.parametrize(("third", "lost"), [("dorsum", "unknown"), ("hindfoot", "no")])
def test_only_plantar_sites_clear_a_foot(third: str, lost: str) -> None:
    """IWGDF 2007 (seen): three plantar sites; the dorsum is none."""
    exam = Exam()
    for site in ("hallux", "metatarsal-head-1", third):
        exam.see("monofilament-10g", "felt", "left", site)

    assert lost == findings(exam)["protectiveSensationLost"]["left"]


@pytest.mark.parametrize(("site", "lost"), [("ankle", "unknown"), ("dorsum", "yes"), (None, "yes")])
@pytest.mark.parametrize("code", ["light-touch", "pinprick"])
def test_only_what_is_absent_on_the_foot_is_loss_of_protective_sensation(code: str, site: str | None, lost: str) -> None:
    """Decision 0003: absent at a site of the foot; the ankle is none, and no site means the foot."""
    assert lost == findings(Exam().see(code, "absent", "left", site))["protectiveSensationLost"]["left"]


# active problems


def urgencies(exam: Exam) -> dict[str, str]:
    """How urgent each proposed service is."""
    return {one["service"]: one["urgency"] for one in summary_of(exam)["referrals"]}


@pytest.mark.parametrize(("problem", "side"), [("foot-infection", "left"), ("foot-ulcer", "right")])
@pytest.mark.parametrize(("temperature", "urgency"), [(38.1, "stat"), (38.0, "urgent")])
def test_fever_with_an_infection_or_an_ulcer_is_at_once(problem: str, side: str, temperature: float, urgency: str) -> None:
    """NICE NG19 1.4.1 for the ulcer (seen), project choice for the infection; fever is above 38 degrees."""
    exam = Exam().see(problem, "present", side).see("body-temperature", temperature)

    assert urgency == urgencies(exam)["multidisciplinary-foot-service"]


@pytest.mark.parametrize(("answer", "urgency"), [("positive", "stat"), ("negative", "urgent")])
def test_a_positive_probe_to_bone_is_a_concern_for_deep_infection(answer: str, urgency: str) -> None:
    """NICE NG19 1.4.1, concern for deep soft-tissue or bone infection."""
    exam = Exam().see("foot-ulcer", "present", "left", "hallux").see("probe-to-bone", answer, "left", "hallux")

    assert urgency == urgencies(exam)["multidisciplinary-foot-service"]


@pytest.mark.parametrize(("code", "scheme", "at_least"), [
    ("charcot-suspected", "scotland-2016", "active"), ("hot-swollen-foot", "scotland-2016", "active"), ("gangrene", "scotland-2016", "active"),
    ("foot-infection", "scotland-2016", "active"), ("charcot-suspected", "nice-ng19-2019", "active"), ("limb-threatening-ischaemia", "scotland-2016", "moderate"),
])  # fmt: skip
def test_each_active_problem_makes_its_scheme_active(code: str, scheme: str, at_least: str) -> None:
    """Scottish chart 2016 (seen): ischaemia alone is not among its active problems; it is an arterial disease there."""
    assert at_least == summary_of(Exam().see(code, "present", "left"))["footRisk"][scheme]["atLeast"]


@pytest.mark.parametrize(("right", "noted"), [(32.0, True), (32.1, False), (36.0, True)])
def test_two_degrees_support_a_charcot_foot(right: float, noted: bool) -> None:
    """Project choice after a regional page: two degrees or more, whichever foot is the warmer."""
    exam = Exam().see("hot-swollen-foot", "present", "left")
    exam.see("foot-skin-temperature", 34.0, "left").see("foot-skin-temperature", right, "right")

    assert noted is ("skin-temperature-difference-supports-charcot" in summary_of(exam)["notes"])


@pytest.mark.parametrize(("charcot", "noted"), [(None, True), ("absent", True), ("present", False)])
def test_a_hot_swollen_foot_asks_to_consider_charcot(charcot: str | None, noted: bool) -> None:
    """NICE NG19, suspected acute Charcot: considered while it is not suspected yet."""
    exam = Exam().see("hot-swollen-foot", "present", "left")
    if charcot:
        exam.see("charcot-suspected", charcot, "left")

    assert noted is ("consider-acute-charcot" in summary_of(exam)["notes"])


def test_an_ulcer_with_unknown_circulation_does_not_exclude_a_threat() -> None:
    """Decision 0003, limb and life: the caution goes once pulses and the rest are known to be well."""
    ulcer = Exam().see("foot-ulcer", "present", "left", "hallux")
    known = Exam().see("foot-ulcer", "present", "left", "hallux").pulses("both").see("gangrene", "absent", "both")

    assert "limb-threat-not-excluded" in summary_of(ulcer)["notes"]
    assert "limb-threat-not-excluded" not in summary_of(known).get("notes", [])


@pytest.mark.parametrize(("pulse", "missing"), [("reduced", False), ("present", False), ("absent", True)])
def test_a_pulse_that_is_felt_even_weakly_is_no_ischaemia_in_sinbad(pulse: str, missing: bool) -> None:
    """Ince 2008: at least one palpable pulse scores none; one absent pulse alone leaves the item open."""
    exam = Exam().see("foot-ulcer", "present", "left", "hallux").see("dorsalis-pedis-pulse", pulse, "left")

    assert missing is ("ischaemia" in summary_of(exam)["ulcers"][0]["sinbadMissing"])


# the plan


def test_a_site_can_close_a_day_and_keep_one_open() -> None:
    """A project choice: a site's own dates come before those of its calendar."""
    friday, saturday, monday = date(2026, 3, 6), date(2026, 3, 7), date(2026, 3, 9)
    site = Calendar("GB-ENG", closed=frozenset({monday}), open=frozenset({saturday}))

    assert [True, True, False] == [site.is_working_day(day) for day in (friday, saturday, monday)]
    assert (saturday, date(2026, 3, 10)) == (site.next_working_day(friday), site.next_working_day(friday, 2))
    assert monday == Calendar("GB-ENG").next_working_day(friday)


@pytest.mark.parametrize(("birth", "service"), [
    ("2008-03-03", "paediatric-team"), ("2008-03-02", "foot-protection-service"), ("2014-03-02", "paediatric-team"),
])  # fmt: skip
def test_seventeen_is_the_last_age_of_the_paediatric_team(birth: str, service: str) -> None:
    """Contract: ages 12 to 17 to the paediatric team; 18 is adult, from the birthday on."""
    exam = Exam(birth=birth, diabetes="type-1").not_felt("left").see("foot-inspection", "clear", "both")

    assert [service] == [one["service"] for one in summary_of(exam)["referrals"]]


def requested(authored: str, priority: str, service: str) -> Json:
    coding = {"system": canonical.SERVICE, "code": service}
    return {
        "resourceType": "ServiceRequest", "id": "filed", "status": "active", "intent": "order", "priority": priority, "authoredOn": authored,
        "code": {"coding": [coding]}, "subject": {"reference": "Patient/p1"},
    }  # fmt: skip


@pytest.mark.parametrize(("authored", "kept"), [
    ("2025-03-02", False), ("2025-03-01", True), ("2026-03-02", False), ("2026-03-03", True),
])  # fmt: skip
def test_a_routine_request_on_file_counts_for_the_look_back(authored: str, kept: bool) -> None:
    """Contract: the look-back is inclusive; a request of the day of assessment counts, a later one does not."""
    exam = Exam().not_felt("left").see("foot-inspection", "clear", "both")
    exam.add(requested(authored, "routine", "foot-protection-service"))

    assert kept is ("foot-protection-service" in urgencies(exam))


@pytest.mark.parametrize(("authored", "kept"), [("2026-02-23", False), ("2026-02-22", True)])
def test_an_urgent_request_on_file_counts_for_seven_days(authored: str, kept: bool) -> None:
    """Project choice: an older request is of another episode."""
    exam = Exam().see("foot-infection", "present", "left").add(requested(authored, "urgent", "multidisciplinary-foot-service"))

    assert kept is ("multidisciplinary-foot-service" in urgencies(exam))


def test_an_inpatient_is_never_to_be_seen_before_the_day_of_assessment() -> None:
    """NICE NG19 1.1.3 counts 24 hours from the examination; where they have passed, it is the day itself."""
    long_ago = "2026-02-20T10:00:00Z"
    exam = Exam().see("foot-infection", "present", "left", effectiveDateTime=long_ago)
    exam.see("inpatient", "present", effectiveDateTime=long_ago)
    (referral,) = summary_of(exam)["referrals"]

    assert ("2026-03-02", "2026-02-21T10:00:00+00:00") == (referral["due"], referral["dueAt"])


def test_a_grade_that_is_not_settled_has_a_reason_and_no_value() -> None:
    """An answer is never surer than its data: nothing is known of the circulation, so every grade of ischaemia is possible."""
    exam = Exam().see("foot-ulcer", "present", "left", "hallux")
    (grades,) = [one for one in of_type(answer_of(exam), "Observation") if one["code"]["coding"][0]["code"] == "ulcer-grades"]
    (part,) = [one for one in grades["component"] if one["code"]["coding"][0]["code"] == "wifi-ischaemia"]

    assert ("0 or 1 or 2 or 3", False) == (part["dataAbsentReason"]["text"], "valueQuantity" in part)
