"""What to do next in a neuropathy: tests that are not on file, urgent patterns first, proposals and never orders. Invented examinations."""

from typing import Any

import pytest

from sural import canonical
from sural.plan.pathway import pathway
from tests.asking import answer_of, of_type, summary_of
from tests.builders import Exam, Json, concept

FIRST_LINE = [
    "test-glucose",
    "test-vitamin-b12",
    "test-monoclonal-protein",
    "test-thyroid",
    "test-kidneys",
    "test-blood-count",
    "test-folate",
]


def stocking() -> Exam:
    """Touch, pinprick and vibration lost up to both ankles."""
    exam = Exam()
    for modality in ("light-touch", "pinprick", "vibration"):
        exam.see(f"sensory-level-{modality}", "ankle", "both")
    return exam


def work_up(exam: Exam) -> list[str]:
    found: list[str] = summary_of(exam)["neuropathy"]["workUp"]
    return found


def referrals(exam: Exam) -> list[Json]:
    found: list[Json] = summary_of(exam)["referrals"]
    return found


def to(exam: Exam, service: str) -> Json | None:
    return next((one for one in referrals(exam) if one["service"] == service), None)


def test_a_neuropathy_of_an_unexamined_cause_asks_for_the_first_line_tests() -> None:
    """AAN 2009 (seen): glucose, vitamin B12, monoclonal protein yield most; Medicine 2020 (PMC7382348 Table 3, seen): the others."""
    laboratory = to(stocking(), "laboratory")

    assert FIRST_LINE == work_up(stocking())
    assert laboratory is not None and FIRST_LINE == laboratory["asks"]


RECORDED: list[tuple[str, Any, str]] = [
    ("hba1c", 8.1, "test-glucose"),
    ("vitamin-b12", 500, "test-vitamin-b12"),
    ("monoclonal-protein-test", "normal", "test-monoclonal-protein"),
    ("egfr", 80, "test-kidneys"),
]


@pytest.mark.parametrize(("code", "value", "test"), RECORDED, ids=[one[0] for one in RECORDED])
def test_what_has_a_recent_result_is_not_asked_again(code: str, value: Any, test: str) -> None:
    """All other tests stay; a result before the look-back of twelve months is asked again (project choice)."""
    recent = work_up(stocking().see(code, value))
    old = work_up(stocking().see(code, value, effectiveDateTime="2024-01-15"))

    assert [one for one in FIRST_LINE if one != test] == recent
    assert FIRST_LINE == old


def test_with_every_result_on_file_no_laboratory_is_proposed() -> None:
    """Nothing is left to ask."""
    exam = stocking()
    for code, value, _ in RECORDED:
        exam.see(code, value)
    exam.see("tsh", {"valueQuantity": _of(2, "m[IU]/L")}).see("haemoglobin", {"valueQuantity": _of(14, "g/dL")})
    exam.see("folate", {"valueQuantity": _of(10, "ug/L")})

    assert ([], None) == (work_up(exam), to(exam, "laboratory"))


def _of(value: float, unit: str) -> Json:
    return {"value": value, "unit": unit, "system": canonical.UCUM, "code": unit}


def test_no_tests_are_proposed_without_a_neuropathy() -> None:
    """Blood tests follow a pattern, never a diabetes alone."""
    assert (None, None) == (to(Exam().normal(), "laboratory"), to(Exam(), "laboratory"))


# Metformin and vitamin B12


def test_metformin_with_no_vitamin_b12_on_file_asks_for_it_first() -> None:
    """MHRA Drug Safety Update June 2022 (seen): test vitamin B12 in a new neuropathy on metformin."""
    found = summary_of(stocking().see("metformin", "present"))["neuropathy"]

    assert "test-vitamin-b12" == found["workUp"][0]
    assert "metformin-vitamin-b12" in found["causes"]


def test_metformin_with_a_good_vitamin_b12_is_no_cause() -> None:
    """300 pg/mL and more (common practice, no source)."""
    found = summary_of(stocking().see("metformin", "present").see("vitamin-b12", 500))["neuropathy"]

    assert ("metformin-vitamin-b12" in found["causes"], "test-vitamin-b12" in found["workUp"]) == (False, False)


@pytest.mark.parametrize(("level", "cause"), [(150, "vitamin-b12-deficiency"), (250, "vitamin-b12-borderline"), (300, None)])
def test_vitamin_b12_low_or_borderline(level: float, cause: str | None) -> None:
    """Below 200 pg/mL low, to 300 borderline (common practice, no source), where metabolites decide (AAN 2009, seen)."""
    found = summary_of(stocking().see("metformin", "present").see("vitamin-b12", level))["neuropathy"]

    assert ([cause] if cause else []) == [one for one in found["causes"] if one.startswith("vitamin-b12")]
    assert (cause is not None) == ("metformin-vitamin-b12" in found["causes"])
    assert (cause == "vitamin-b12-borderline") == ("test-methylmalonic-acid" in found["workUp"])


# Urgent patterns


def _third(exam: Exam) -> Exam:
    return exam.see("cranial-nerve-palsy", "third", "left").see("pupil-involved", "present", "left")


URGENT = {
    "cord-or-cauda-signs": lambda exam: exam.see("sensory-level-trunk", "present"),
    "rapid-weakness": lambda exam: exam.see("symptom-course", "acute").see("power-ankle-dorsiflexion", "3", "both"),
    "third-nerve-with-pupil": _third,
}  # fmt: skip


@pytest.mark.parametrize("stated", ["with a stocking", "alone", "with an active foot"])
@pytest.mark.parametrize("flag", sorted(URGENT))
def test_an_urgent_pattern_comes_first_and_goes_to_the_acute_services(flag: str, stated: str) -> None:
    """Common practice, no source: the emergency route, at once, whatever else there is to propose."""
    exam = stocking() if stated == "with a stocking" else Exam()
    if stated == "with an active foot":
        exam.see("foot-infection", "present", "left")
    URGENT[flag](exam)
    result = summary_of(exam)
    first = result["referrals"][0]

    assert ("acute-services", "stat", "2026-03-02") == (first["service"], first["urgency"], first["due"])
    assert [flag] == first["because"]
    assert flag == result["neuropathy"]["redFlags"][0]


@pytest.mark.parametrize("flag", sorted(URGENT))
def test_an_urgent_pattern_opens_the_conclusion_of_the_report(flag: str) -> None:
    """Read out first."""
    report = of_type(answer_of(URGENT[flag](stocking())), "DiagnosticReport")[0]

    assert report["conclusion"].startswith("Urgent: ")


@pytest.mark.parametrize(
    "exam",
    [
        Exam().see("sphincter-disturbance", "present"),
        Exam().see("symptom-course", "chronic").see("power-ankle-dorsiflexion", "3", "both"),
        Exam().see("cranial-nerve-palsy", "third", "left").see("pupil-involved", "absent", "left"),
        Exam().see("cranial-nerve-palsy", "sixth", "left").see("pupil-involved", "present", "left"),
        stocking(),
    ],
    ids=["sphincters alone", "chronic weakness", "pupil spared", "another nerve", "stocking"],
)
def test_what_is_not_urgent_takes_no_emergency_route(exam: Exam) -> None:
    """The counterpart of each urgent pattern, one condition short."""
    assert None is to(exam, "acute-services")


def test_a_third_nerve_palsy_whose_pupil_nobody_looked_at_is_urgent() -> None:
    """Not recorded, or only of the other side: what was not looked at is not spared."""
    palsy = Exam().see("cranial-nerve-palsy", "third", "left")

    assert "third-nerve-with-pupil" in summary_of(palsy)["neuropathy"]["redFlags"]
    assert "stat" == summary_of(palsy.see("pupil-involved", "present", "right"))["referrals"][0]["urgency"]


@pytest.mark.parametrize("symptom", ["leg-weakness", "foot-numbness", "foot-tingling", "proximal-leg-pain"])
def test_sphincters_with_what_is_reported_of_the_legs_take_the_emergency_route(symptom: str) -> None:
    """Cauda equina compression is a story before it is a sign: nobody has to have tested power first."""
    exam = Exam().see("sphincter-disturbance", "present").see(symptom, "present", "left")

    assert ["cord-or-cauda-signs"] == summary_of(exam)["referrals"][0]["because"]


@pytest.mark.parametrize("reflex", ["ankle-reflex", "knee-reflex"])
def test_sphincters_with_a_lost_reflex_take_the_emergency_route(reflex: str) -> None:
    exam = Exam().see("sphincter-disturbance", "present").see(reflex, "absent", "right")

    assert ["cord-or-cauda-signs"] == summary_of(exam)["referrals"][0]["because"]


def test_a_quick_course_goes_to_neurology_in_ten_working_days() -> None:
    """CMAJ urgent features (seen) for the flag; the ten working days are a project choice."""
    referral = to(stocking().see("symptom-course", "subacute"), "neurology")

    assert referral is not None
    assert ("urgent", "2026-03-16", ["rapid-progression"]) == (referral["urgency"], referral["due"], referral["because"])


def test_windows_of_the_neuropathy_are_marked_as_project_choices() -> None:
    """No published source gives these times: the pathway says so, and every proposal carries the mark."""
    steps = pathway("ng19").neuropathy
    exam = stocking().see("symptom-course", "subacute").see("family-history-neuropathy", "present")
    notes = {
        one["code"]["coding"][0]["code"]: " ".join(note["text"] for note in one["note"])
        for one in of_type(answer_of(exam), "ServiceRequest")
    }

    assert {"progressive", "atypical", "conduction", "laboratory"} == {
        name for name, step in steps.items() if step.mark == "project choice"
    }
    assert "common practice, no source" == steps["urgent"].mark
    assert all("[project choice]" in notes[service] for service in ("neurology", "nerve-conduction-study", "laboratory"))


# What is on file


def _request(service: str, **more: Any) -> Json:
    return {
        "resourceType": "ServiceRequest", "id": "sent", "status": "active", "intent": "order", "priority": "routine",
        "code": concept(canonical.SERVICE, service), "subject": {"reference": "Patient/p1"}, "authoredOn": "2026-02-20", **more,
    }  # fmt: skip


def test_an_active_request_on_file_makes_the_proposal_needless() -> None:
    """The summary names it as on file; the others stay."""
    exam = stocking().add(_request("laboratory"))

    assert None is to(exam, "laboratory")
    assert None is not to(exam, "foot-protection-service")
    assert "laboratory" in str(summary_of(exam)["onFile"])


@pytest.mark.parametrize(
    "more", [{"status": "completed"}, {"status": "revoked"}, {"authoredOn": "2024-02-20"}, {"intent": "option"}]
)
def test_a_request_that_is_over_or_old_does_not(more: Json) -> None:
    """Only what is active and recent counts (project choice)."""
    assert None is not to(stocking().add(_request("laboratory", **more)), "laboratory")


def test_a_routine_request_does_not_stand_for_an_emergency() -> None:
    """A referral on file must be as urgent as the proposal."""
    exam = URGENT["cord-or-cauda-signs"](stocking()).add(_request("acute-services"))

    assert "acute-services" == referrals(exam)[0]["service"]


def test_everything_is_a_proposal_with_reason_and_tests_in_the_bundle() -> None:
    """Proposals, never orders; the reason refers to the classification, the tests stand as order details."""
    answer = answer_of(stocking().see("metformin", "present"))
    laboratory = next(one for one in of_type(answer, "ServiceRequest") if one["code"]["coding"][0]["code"] == "laboratory")
    classification = next(
        entry
        for entry in answer["entry"]
        if entry["resource"].get("code", {}).get("coding", [{}])[0].get("code") == "classification"
    )

    assert {"proposal"} == {one["intent"] for one in of_type(answer, "ServiceRequest")}
    assert "test-vitamin-b12" == laboratory["orderDetail"][0]["coding"][0]["code"]
    assert classification["fullUrl"] in str(laboratory["reasonReference"])


def test_one_site_of_the_sole_is_no_asymmetry() -> None:
    """Project choice: one monofilament site missed among others felt shows a loss, not how far it goes; nobody is sent to a neurologist."""
    exam = Exam().normal().see("monofilament-10g", "not-felt", "left", "metatarsal-head-1", id="missed", effectiveDateTime="2026-03-02")
    found = summary_of(exam.bundle())

    assert "asymmetric-multifocal" not in found["neuropathy"]["pattern"]
    assert "neurology" not in [referral["service"] for referral in found["referrals"]]
    assert "moderate" == found["footRisk"]["nice-ng19-2019"]["left"]["atLeast"]
