"""Where findings disagree, are of different days or cannot be read, the foot never looks better than the worse reading."""

from typing import Any

import pytest

from sural import canonical
from sural.footrisk.schemes import SCHEMES
from tests.asking import answer_of, of_type, summary_of
from tests.builders import AS_OF, EXAMINED, Exam, Json, answer, own, place, quantity

NICE, SCOTLAND = "nice-ng19-2019", "scotland-2016"
LONG_AGO, MONTHS_AGO = "2023-01-10", "2025-08-01"
CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"
VERIFICATION = "http://terminology.hl7.org/CodeSystem/condition-ver-status"


def without(exam: Exam, *codes: str) -> Exam:
    """The examination with every Observation of these concepts taken out."""
    exam.entries = [
        entry for entry in exam.entries if entry["resource"].get("code", {}).get("coding", [{}])[0].get("code") not in codes
    ]
    for number, entry in enumerate(exam.entries[1:]):
        entry["resource"]["id"] = f"kept-{number}"
    return exam


def condition(code: str, side: str | None, status: str = "active", **more: Any) -> Json:
    resource = {
        "resourceType": "Condition",
        "id": f"condition-{code}",
        "subject": {"reference": "Patient/p1"},
        "code": own(code),
        "clinicalStatus": {"coding": [{"system": CLINICAL, "code": status}]},
        "verificationStatus": {"coding": [{"system": VERIFICATION, "code": more.pop("verification", "confirmed")}]},
    }
    return resource | ({"bodySite": [place(side, "foot")]} if side else {}) | more


def procedure(status: str) -> Json:
    return {
        "resourceType": "Procedure",
        "id": "amputation",
        "status": status,
        "subject": {"reference": "Patient/p1"},
        "code": {"coding": [{"system": canonical.SNOMED, "code": "371186005"}]},
        "bodySite": [place("left", "foot")],
    }


def reach(exam: Exam, scheme: str = NICE, **how: Any) -> tuple[str, str]:
    standing = summary_of(exam, **how)["footRisk"][scheme]
    return standing["atLeast"], standing["atMost"]


def services(exam: Exam) -> list[tuple[str, str]]:
    return [(referral["service"], referral["urgency"]) for referral in summary_of(exam)["referrals"]]


def ulcerated() -> Exam:
    """An ulcer of the left great toe; the rest of both feet is well, and the right foot inspected."""
    exam = without(Exam().normal(), "foot-inspection").see("foot-inspection", "clear", "right")
    return exam.see("foot-ulcer", "present", "left", "hallux")


EMERGENCY = [("acute-services", "stat"), ("multidisciplinary-foot-service", "stat")]


@pytest.mark.parametrize("site", ["hindfoot", "forefoot", "toes", "hallux", "foot", None])
def test_a_probe_to_bone_counts_wherever_on_the_foot_it_was_done(site: str | None) -> None:
    """Positive at another site than the ulcer that is named, or at one around it: deep infection is feared all the same."""
    assert EMERGENCY == services(ulcerated().see("probe-to-bone", "positive", "left", site))


def test_what_is_measured_at_another_site_is_another_ulcer() -> None:
    ulcers = summary_of(ulcerated().see("ulcer-depth", "bone-or-joint", "left", "hindfoot"))["ulcers"]

    assert ["hallux", "hindfoot"] == [ulcer["site"] for ulcer in ulcers]
    assert {"0A", "3A"} == {cell for ulcer in ulcers for cell in ulcer["texasPossible"] if cell in ("0A", "3A")}
    assert ["3A", "3B"] == ulcers[1]["texasPossible"]


@pytest.mark.parametrize("site", ["forefoot", "toes"])
def test_what_is_measured_around_an_ulcer_is_of_it(site: str) -> None:
    """A depth at "the forefoot" belongs to the ulcer of the great toe; there is still one ulcer."""
    (ulcer,) = summary_of(ulcerated().see("ulcer-depth", "bone-or-joint", "left", site))["ulcers"]

    assert ("hallux", ["3A", "3B"]) == (ulcer["site"], ulcer["texasPossible"])


def test_the_depth_of_the_very_site_goes_before_that_around_it() -> None:
    exam = ulcerated().see("ulcer-depth", "bone-or-joint", "left", "forefoot").see("ulcer-depth", "skin", "left", "hallux")

    (ulcer,) = summary_of(exam)["ulcers"]

    assert ["1A", "1B"] == ulcer["texasPossible"]


def test_of_two_depths_around_an_ulcer_the_newer_counts() -> None:
    exam = ulcerated().see("ulcer-depth", "bone-or-joint", "left", "forefoot", effectiveDateTime=MONTHS_AGO)

    (ulcer,) = summary_of(exam.see("ulcer-depth", "skin", "left", "toes"))["ulcers"]

    assert ["1A", "1B"] == ulcer["texasPossible"]


def test_what_is_measured_after_an_ulcer_was_gone_is_there_again() -> None:
    """Ulcer in August, gone in February, an area of 2 cm2 on the day of the examination."""
    exam = without(ulcerated(), "foot-ulcer").see("foot-ulcer", "present", "left", "hallux", effectiveDateTime=MONTHS_AGO)
    exam.see("foot-ulcer", "absent", "left", "hallux", effectiveDateTime="2026-02-01")

    assert ("high", "active") == reach(exam)
    assert ("active", "active") == reach(exam.see("ulcer-area", 2, "left", "hallux"))


def test_an_old_measurement_of_an_ulcer_is_an_earlier_ulcer() -> None:
    """Three years ago there was something to measure; a sender's complete history does not say otherwise."""
    exam = without(Exam().normal(), "previous-foot-ulcer").see("ulcer-area", 2, "left", "hallux", effectiveDateTime=LONG_AGO)

    assert ("high", "high") == reach(exam, complete=frozenset({"history"}))


def test_an_ulcer_that_was_healed_when_it_was_measured_is_no_ulcer() -> None:
    exam = Exam().normal().see("ulcer-depth", "epithelialised", "left", "hallux", effectiveDateTime=LONG_AGO)

    assert ("low", "low") == reach(exam)


def test_an_old_count_of_local_signs_does_not_take_back_the_signs_of_today() -> None:
    exam = without(Exam().normal(), "foot-inspection").see("infection-sign-count", 0, "left", effectiveDateTime=MONTHS_AGO)
    for sign in ("swelling", "warmth", "pus"):
        exam.see(f"infection-sign-{sign}", "present", "left")

    assert "yes" == summary_of(exam)["findings"]["infection"]["left"]
    assert ("active", "active") == reach(exam)


@pytest.mark.parametrize(("index", "pressure"), [("ankle-brachial-index", "ankle-pressure"), ("toe-brachial-index", "toe-pressure")])
def test_an_old_index_does_not_take_back_the_pressures_of_today(index: str, pressure: str) -> None:
    """An index of 1.0 in August, today 80 mmHg over 150 mmHg at the arm, which is 0.53, with palpable pulses."""
    exam = Exam().normal().see(index, 1.0, "left", effectiveDateTime=MONTHS_AGO)
    exam.see(pressure, 80, "left").see("arm-systolic-pressure", 150, "left")

    assert "yes" == summary_of(exam)["findings"]["arterialDisease"]["left"]


def test_an_index_above_1_3_keeps_a_normal_one_from_clearing() -> None:
    """The same day, two indexes: 1.0 and 1.5. Palpable pulses do not decide it, and a low one would."""
    exam = Exam().normal().see("ankle-brachial-index", 1.0, "left").see("ankle-brachial-index", 1.5, "left")

    assert ("low", "moderate") == reach(exam)
    assert ("moderate", "moderate") == reach(exam.see("ankle-brachial-index", 0.89, "left"))


def test_pressures_of_an_artery_that_does_not_give_way_keep_a_normal_index_from_clearing() -> None:
    exam = Exam().normal().see("ankle-brachial-index", 1.1, "left")
    exam.see("ankle-pressure", 240, "left").see("arm-systolic-pressure", 150, "left")

    assert ("low", "moderate") == reach(exam)


def test_an_index_above_1_3_is_worse_than_the_lowest_normal_one() -> None:
    """0.90 and 1.5: neither is low, and only the first would clear."""
    exam = Exam().normal().see("ankle-brachial-index", 0.9, "left").see("ankle-brachial-index", 1.5, "left")

    assert ("low", "moderate") == reach(exam)


def test_an_index_is_worked_out_from_more_than_the_rounded_pressures_beside_it() -> None:
    """0.90 as sent, 0.893 by pressures of the same day: the published prevalences of the survey rest on the index that was sent."""
    exam = Exam().normal().see("ankle-brachial-index", 0.9, "left")

    assert "no" == summary_of(exam.see("ankle-pressure", 134, "left").see("arm-systolic-pressure", 150, "left"))["findings"]["arterialDisease"]["left"]
    assert "yes" == summary_of(exam.see("ankle-brachial-index", 0.89, "left"))["findings"]["arterialDisease"]["left"]


def test_rest_pain_is_not_cleared_by_palpable_pulses() -> None:
    """Ischaemic rest pain on record: pulses alone do not rule the disease out; a normal waveform with a normal toe index does."""
    exam = without(Exam().normal(), "limb-threatening-ischaemia").see("rest-pain", "present", "left")

    assert "unknown" == summary_of(exam)["findings"]["arterialDisease"]["left"]
    assert ("low", "active") == reach(exam)
    assert "no" == summary_of(exam.see("pedal-waveform", "triphasic", "left").see("toe-brachial-index", 0.7, "left"))["findings"][
        "arterialDisease"
    ]["left"]


def amputated(when: str | None = EXAMINED) -> Exam:
    exam = without(Exam().normal(), "amputation", "foot-inspection").see("foot-inspection", "clear", "right")
    return exam.see("amputation", "none", "right").see("amputation", "below-knee", "left", effectiveDateTime=when)


@pytest.mark.parametrize("when", [EXAMINED, "2026-02-01", "2020", None], ids=["same day", "before", "years before", "undated"])
@pytest.mark.parametrize("code", ["foot-ulcer", "gangrene", "foot-infection", "hot-swollen-foot", "charcot-suspected", "deep-infection"])
def test_an_active_problem_on_a_foot_that_is_said_to_be_gone_is_not_lost(code: str, when: str | None) -> None:
    """Either the amputation or the problem is on the wrong side: both are taken, and the contradiction is said."""
    exam = amputated(when).see(code, "present", "left")

    assert ("active", "active") == reach(exam)
    assert {"amputation", code} == {
        reference_of(exam, one["reference"]) for issue in of_type(answer_of(exam), "DetectedIssue") for one in issue["implicated"]
    }


def test_a_measurement_of_an_ulcer_on_a_foot_that_is_said_to_be_gone_is_not_lost() -> None:
    """Nobody named the ulcer, and there was something to measure."""
    assert ("active", "active") == reach(amputated().see("ulcer-area", 2, "left", "hallux"))


def reference_of(exam: Exam, reference: str) -> str:
    resource = next(e["resource"] for e in exam.entries if f"{e['resource']['resourceType']}/{e['resource']['id']}" == reference)
    return str(resource["code"]["coding"][0]["code"])


def test_a_problem_that_the_amputation_ended_stays_ended() -> None:
    """An ulcer in August, the leg amputated in February; and an ulcer of 2019 that nobody closed in the record."""
    exam = amputated("2026-02-01").see("foot-ulcer", "present", "left", effectiveDateTime=MONTHS_AGO)
    open_entry = amputated("2020").add(condition("foot-ulcer", "left", onsetDateTime="2019-05-01"))

    assert ("high", "high") == reach(exam) == reach(open_entry)
    assert [] == of_type(answer_of(exam), "DetectedIssue") + of_type(answer_of(open_entry), "DetectedIssue")


def test_a_normal_finding_brings_no_foot_back() -> None:
    exam = amputated().see("foot-ulcer", "absent", "left")

    assert "not-applicable" == summary_of(exam)["findings"]["ulcer"]["left"]


@pytest.mark.parametrize("kind", [{"valueString": "strange"}, {"valueCodeableConcept": {"text": "strange"}}])
def test_a_kind_of_deformity_that_cannot_be_read_leaves_the_deformity(kind: Json) -> None:
    exam = without(Exam().normal(), "foot-deformity")
    exam.see("foot-deformity", "present", "left", component=[{"code": own("deformity-type")} | kind])

    assert "yes" == summary_of(exam)["findings"]["deformity"]["left"]
    assert 1 == len([issue for issue in summary_of(exam)["issues"] if "component[0]" in issue["expression"]])


def test_a_complete_inspection_does_not_say_that_callus_and_deformity_are_slight() -> None:
    """The Scottish chart asks for significant ones; whether those on record are is not said."""
    exam = without(Exam().normal(), "callus", "foot-deformity")
    exam.see("callus", "present", "left").see("foot-deformity", "present", "left")

    assert ("low", "high") == reach(exam, SCOTLAND, complete=frozenset({"inspection"}))


@pytest.mark.parametrize("status", ["active", "resolved"])
def test_an_ulcer_that_ends_after_the_day_of_assessment_is_there(status: str) -> None:
    """Assessed as of 2 March, from a record of April in which the ulcer has healed."""
    exam = without(Exam().normal(), "foot-inspection")
    entry = condition("foot-ulcer", "left", status, onsetDateTime="2026-01-05", abatementDateTime="2026-04-01")
    expected = "unknown" if status == "active" else "yes"  # active with an abatement breaks con-4

    assert expected == summary_of(exam.add(entry))["findings"]["ulcer"]["left"]


def test_an_ulcer_that_ended_on_the_day_of_assessment_is_an_earlier_one() -> None:
    entry = condition("foot-ulcer", "left", "resolved", onsetDateTime="2026-01-05", abatementDateTime=AS_OF)

    assert ("high", "high") == reach(Exam().normal().add(entry))


def test_a_limb_that_is_no_longer_threatened_still_has_the_arterial_disease() -> None:
    """Limb-threatening ischaemia resolved in the record, or seen before the look-back: the disease is part of its definition."""
    resolved = Exam().normal().add(condition("limb-threatening-ischaemia", "left", "resolved", onsetDateTime="2024-01-01"))
    old = Exam().normal().see("limb-threatening-ischaemia", "present", "left", effectiveDateTime=LONG_AGO)

    assert ("moderate", "moderate") == reach(resolved) == reach(old)


@pytest.mark.parametrize(("status", "at_most"), [("unknown", "high"), ("stopped", "high"), ("on-hold", "high"), ("not-done", "low"),
                                                 ("preparation", "low"), ("entered-in-error", "low")])  # fmt: skip
def test_an_amputation_of_doubtful_status_rules_nothing_out(status: str, at_most: str) -> None:
    """Begun and stopped, or of unknown status: an amputation cannot be excluded. Not done or only prepared is none."""
    assert ("low", at_most) == reach(Exam().normal().add(procedure(status)))


def test_diabetes_that_may_be_there_keeps_the_schemes() -> None:
    """Recorded absent, and a provisional diagnosis in the record: computed, with the note."""
    exam = without(Exam().normal(), "diabetes").see("diabetes", "absent", effectiveDateTime=LONG_AGO)
    assert "not-applicable" == reach(exam)[0]

    exam.add(condition("diabetes", None, verification="provisional"))

    assert ("low", "low") == reach(exam)
    assert ["diabetes-not-confirmed"] == summary_of(exam)["footRisk"][NICE]["notes"]
    assert 0 == summary_of(exam)["prognosis"]["podus-2021"]["score"]


def test_gangrene_of_which_only_the_extent_is_recorded_is_graded() -> None:
    exam = without(Exam().normal(), "foot-inspection").see("gangrene-extent", "forefoot-or-more", "left")

    assert [3] == [ulcer["wifi"]["wound"] for ulcer in summary_of(exam)["ulcers"]]


def test_the_24_hours_of_an_inpatient_run_from_when_the_problem_was_seen() -> None:
    """Ulcer seen at 08:00; a blood test of the next noon and a later look at the other foot move nothing."""
    exam = without(Exam().normal(), "foot-inspection").see("inpatient", "present")
    exam.see("foot-ulcer", "present", "left", effectiveDateTime="2026-03-01T08:00:00+00:00")
    exam.see("foot-inspection", "clear", "right", effectiveDateTime="2026-03-01T21:00:00+00:00")
    exam.see("hba1c", 7, effectiveDateTime="2026-03-02T12:00:00+00:00")

    (request,) = of_type(answer_of(exam), "ServiceRequest")

    assert {"start": "2026-03-01T08:00:00+00:00", "end": "2026-03-02T08:00:00+00:00"} == request["occurrencePeriod"]


def test_a_range_is_no_verdict_in_the_general_code() -> None:
    """Nothing examined is "at least low, could be active": no prediction says "low likelihood", and each says which end it is."""
    risk = of_type(answer_of(Exam()), "RiskAssessment")[0]

    texts = [prediction["qualitativeRisk"]["text"] for prediction in risk["prediction"]]

    assert ["NICE NG19 (2019): at least low risk", "NICE NG19 (2019): could be active foot problem"] == texts
    assert {canonical.FOOT_RISK} == {c["system"] for p in risk["prediction"] for c in p["qualitativeRisk"]["coding"]}
    assert "Not settled until known" in risk["prediction"][1]["rationale"]


def test_the_upper_end_is_not_explained_by_what_explains_the_lower() -> None:
    risk = of_type(answer_of(Exam().not_felt("left")), "RiskAssessment")[0]

    assert ["Because of", "Not settled"] == [" ".join(one["rationale"].split()[:2]) for one in risk["prediction"]]


@pytest.mark.parametrize("how", [{}, {"complete": frozenset({"inspection"})}], ids=["inspected", "declared complete"])
def test_an_inspection_that_cannot_be_used_keeps_another_from_clearing(how: Json) -> None:
    """Clear by one entry, "not clear" by one that is preliminary: nothing is ruled out on that foot."""
    exam = Exam().normal() if not how else without(Exam().normal(), "foot-inspection")
    exam.see("foot-inspection", "not-clear", "left", status="preliminary")

    assert ["unknown", "no"] == [summary_of(exam, **how)["findings"]["ulcer"][side] for side in ("left", "right")]
    assert ("low", "active") == reach(exam, **how)


FAULTS: dict[str, Json] = {
    "null beside the value": {"note": None},
    "null for the value": {"valueCodeableConcept": None},
    "value of the wrong type": {"valueCodeableConcept": None, "valueBoolean": "true"},
    "date of the wrong type": {"effectiveDateTime": 20260301},
    "status null": {"status": None},
    "component null": {"component": None},
    "body site of the wrong type": {"bodySite": "left foot"},
}


def faulty(resource: Json, fault: Json) -> Exam:
    exam = Exam().normal()
    exam.entries.append({"resource": resource | fault})
    return exam


@pytest.mark.parametrize("fault", FAULTS)
def test_an_ulcer_whose_structure_is_at_fault_is_not_ruled_out(fault: str) -> None:
    """A null or a type that is wrong makes the whole Observation unreadable; that it is of an ulcer can still be read."""
    exam = faulty(Exam().observation("foot-ulcer", "present", "left", id="faulty"), FAULTS[fault])

    assert ("low", "active") == reach(exam)
    assert 1 == summary_of(exam)["intake"]["unusable"]


@pytest.mark.parametrize("resource", [condition("foot-ulcer", "left"), procedure("completed")], ids=["Condition", "Procedure"])
def test_entries_whose_structure_is_at_fault_rule_nothing_out(resource: Json) -> None:
    assert reach(faulty(resource, {"note": None}))[1] in ("high", "active")


@pytest.mark.parametrize(
    "resource",
    [
        Exam().observation("foot-ulcer", "present", "left", id="faulty", status="entered-in-error"),
        Exam().observation("foot-ulcer", "present", "left", id="faulty", subject={"reference": "Patient/another"}),
        Exam().observation("foot-ulcer", "present", "left", id="faulty") | {"code": None},
        condition("foot-ulcer", "left", verification="refuted"),
        procedure("not-done"),
    ],
    ids=["entered in error", "of another", "no code", "refuted", "not done"],
)
def test_what_is_at_fault_and_says_nothing_of_this_person_keeps_nothing_open(resource: Json) -> None:
    """Taken back, denied, of somebody else, or of no one can tell what."""
    assert ("low", "low") == reach(faulty(resource, {"note": None}))


def test_without_a_subject_what_is_at_fault_is_of_the_only_patient() -> None:
    resource = Exam().observation("foot-ulcer", "present", "left", id="faulty")
    del resource["subject"]

    assert ("low", "active") == reach(faulty(resource, {"note": None}))


@pytest.mark.parametrize("careful", [False, True], ids=["in order", "with a fault"])
def test_one_page_of_several_says_so(careful: bool) -> None:
    """The next page may hold the newest reading of anything."""
    bundle = Exam().normal().bundle("searchset")
    bundle["link"] = [{"relation": "self", "url": "https://ehr.example/x"}, {"relation": "next", "url": "https://ehr.example/y"}]
    if careful:
        bundle["entry"].append({"resource": {"resourceType": "Observation", "status": None}})

    found = [issue["expression"] for issue in summary_of(bundle)["issues"] if issue["key"] == "bundle-in-pages"]

    assert ["Bundle.link[1]"] == found


@pytest.mark.parametrize(("sense", "points"), [("pinprick", 2), ("vibration-128hz", 2), ("temperature-sense", 0)])
def test_the_disability_score_looks_at_the_toe_and_for_temperature_at_the_dorsum(sense: str, points: int) -> None:
    """Lost at the great toes, kept on the dorsum, as a length-dependent loss begins: Young's pinprick and vibration are of the toe."""
    exam = Exam().see(sense, "absent", "both", "hallux").see(sense, "normal", "both", "dorsum")

    assert points == summary_of(exam)["scores"]["nds-young-1993"]["atLeast"]


SYSTEMIC = {
    "fever": [("8310-5", 38.1, "Cel")],
    "fever in Fahrenheit": [("8310-5", 101.3, "[degF]")],
    "pulse and white cells": [("8867-4", 91, "/min"), ("6690-2", 12.1, "10*3/uL")],
    "breathing and bands": [("9279-1", 21, "/min"), ("26508-2", 10, "%")],
    "pulse and carbon dioxide": [("8867-4", 91, "/min"), ("2019-8", 31, "mm[Hg]")],
}


@pytest.mark.parametrize("signs", SYSTEMIC)
def test_systemic_signs_are_read_in_the_codes_record_systems_send(signs: str) -> None:
    """FHIR R4 fixes the LOINC codes of vital signs: a fever beside an ulcer is an emergency in those too."""
    exam = ulcerated()
    for code, value, unit in SYSTEMIC[signs]:
        exam.see("x", {"valueQuantity": quantity(value, unit), "code": {"coding": [{"system": canonical.LOINC, "code": code}]}})

    assert EMERGENCY == services(exam)


ICD = "http://hl7.org/fhir/sid/icd-10-cm"


@pytest.mark.parametrize("verification", ["confirmed", "provisional"])
def test_sepsis_in_the_record_beside_an_ulcer_is_an_emergency(verification: str) -> None:
    """Suspected is enough; resolved is not."""
    sepsis = condition("x", None, verification=verification) | {
        "code": {"coding": [{"system": canonical.SNOMED, "code": "91302008"}]}
    }
    resolved = sepsis | {"clinicalStatus": {"coding": [{"system": CLINICAL, "code": "resolved"}]}}

    assert EMERGENCY == services(ulcerated().add(sepsis))
    assert EMERGENCY != services(ulcerated().add(resolved))


@pytest.mark.parametrize(("system", "code"), [(canonical.SNOMED, "737295003"), (ICD, "Z94.0")])
def test_a_kidney_transplant_in_the_record_is_renal_replacement(system: str, code: str) -> None:
    entry = condition("x", None) | {"code": {"coding": [{"system": system, "code": code}]}}

    assert ("high", "high") == reach(without(Exam().normal(), "dialysis-or-transplant").add(entry))


@pytest.mark.parametrize("code", ["E10.621", "E11.621", "E10.52", "E11.52"])
def test_active_problems_of_both_types_of_diabetes_are_read(code: str) -> None:
    """Type 1 as type 2."""
    entry = condition("x", "left") | {"code": {"coding": [{"system": ICD, "code": code}]}}

    assert ("active", "active") == reach(without(Exam().normal(), "foot-inspection", "diabetes").add(entry))


HOT: dict[str, Json] = {
    "39 degrees, above": {"valueQuantity": quantity(39, "Cel") | {"comparator": ">"}},
    "101 degrees, the unit wrong": {"valueQuantity": quantity(101, "Cel")},
}


@pytest.mark.parametrize("value", HOT)
def test_a_fever_that_cannot_be_used_is_said_beside_an_ulcer(value: str) -> None:
    """It is no evidence, so the referral stays; but nobody is to wait for the next working day without having read it."""
    exam = ulcerated().see("body-temperature", HOT[value])

    assert [("multidisciplinary-foot-service", "urgent")] == services(exam)
    assert "threat-in-unusable-finding" in summary_of(exam)["notes"]


@pytest.mark.parametrize("code", ["probe-to-bone", "deep-infection", "sepsis-suspected"])
def test_a_deep_infection_that_cannot_be_used_is_said_beside_an_ulcer(code: str) -> None:
    side = None if code == "sepsis-suspected" else "left"
    adverse = "positive" if code == "probe-to-bone" else "present"
    preliminary = ulcerated().see(code, adverse, side, status="preliminary")
    harmless = ulcerated().see("body-temperature", 36.8, status="preliminary").see("nail-problem", "present", status="preliminary")

    assert "threat-in-unusable-finding" in summary_of(preliminary)["notes"]
    assert "threat-in-unusable-finding" not in summary_of(harmless)["notes"]


def test_a_component_of_the_other_side_is_of_neither_and_rules_out_neither() -> None:
    """The body site says left, the component right: it may be of either foot."""
    exam = Exam().normal()
    part = {"code": {"coding": [{"system": canonical.SIDE, "code": "right"}]}, "valueCodeableConcept": answer("present")}
    exam.see("foot-ulcer", None, "left", component=[part])

    assert ["unknown", "unknown"] == [summary_of(exam)["findings"]["ulcer"][side] for side in ("left", "right")]


def test_pressures_and_filtration_that_cannot_be_clear_nothing() -> None:
    """A toe pressure of 900 mmHg with a triphasic waveform, an eGFR of 900: slips of the pen that read as health."""
    toe = without(Exam().normal(), "dorsalis-pedis-pulse").see("toe-pressure", 900, "left").see("arm-systolic-pressure", 150, "left")
    kidneys = without(Exam().normal(), "egfr").see("egfr", 900)

    assert "unknown" == summary_of(toe.see("pedal-waveform", "triphasic", "left"))["findings"]["arterialDisease"]["left"]
    assert ("low", "moderate") == reach(kidneys, SCOTLAND)


def report_of(exam: Exam) -> str:
    (report,) = of_type(answer_of(exam), "DiagnosticReport")
    return str(report["text"]["div"])


def test_the_report_says_what_was_found_of_the_circulation() -> None:
    """Pulses, indexes and rest pain are in the findings, not only behind the category."""
    exam = Exam().pulses("left", "absent", "present").see("ankle-brachial-index", 1.42, "left").see("rest-pain", "present", "right")

    text = report_of(exam)

    assert "Circulation: Right, ischaemic rest pain present. Left, dorsalis pedis pulse absent; posterior tibial pulse present; " in text
    assert "ankle-brachial index 1.42" in text


def test_a_contradiction_of_two_concepts_names_both() -> None:
    """ "Present against below knee" says nothing."""
    exam = amputated().see("foot-ulcer", "present", "left")

    assert "present against amputation: below knee" in report_of(exam)
    assert "against amputation: below knee" in of_type(answer_of(exam), "DetectedIssue")[0]["detail"]


@pytest.mark.parametrize(("toe", "notes"), [(None, 0), (25, 0), (45, 1)])
def test_rest_pain_is_unexplained_only_when_the_ischaemia_grade_is_known(toe: int | None, notes: int) -> None:
    exam = Exam().see("rest-pain", "present", "left")
    if toe is not None:
        exam.see("toe-pressure", toe, "left")

    (graded,) = summary_of(exam)["ulcers"]

    assert notes == graded["wifi"]["notes"].count("rest-pain-not-explained-by-grade")
    assert notes == report_of(exam).count("the ischaemia grade does not explain")
    assert "Left foot, gangrene or rest pain without an ulcer on record" in report_of(exam)


def test_fever_in_fahrenheit_is_fever() -> None:
    exam = ulcerated().see("body-temperature", {"valueQuantity": quantity(101.3, "[degF]")})

    assert EMERGENCY == services(exam)


def test_the_normal_examination_these_tests_take_from_is_low() -> None:
    assert ("low", "low") == reach(Exam().normal())


@pytest.mark.parametrize("exam", [Exam(), Exam().felt("both"), Exam().see("previous-foot-ulcer", "present", "left"), Exam().normal()])
def test_no_code_says_low_of_what_was_not_examined(exam: Exam) -> None:
    """Whoever reads the coded value alone, without the range beside it, must not read health in what is missing."""
    (observation,) = [
        one for entry in answer_of(exam)["entry"] if (one := entry["resource"]).get("code", {}).get("coding", [{}])[0].get("code") == "foot-risk-category"
    ]
    for part in observation["component"]:
        low, high = (
            next(end["valueCoding"]["code"] for one in part["extension"] for end in one["extension"] if end["url"] == url) for url in ("atLeast", "atMost")
        )
        value = part["valueCodeableConcept"]["coding"][0]["code"]
        scheme = SCHEMES[part["code"]["coding"][0]["code"]]

        assert value == (f"{scheme.id}.open" if low != high and low == f"{scheme.id}.{scheme.lowest}" else low)
    assert observation["valueCodeableConcept"] in [part["valueCodeableConcept"] for part in observation["component"]]
