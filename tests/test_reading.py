"""The readable answers as a podiatrist, a GP and a clerk read them: the right foot, the most urgent first, and what was not tested as such."""

import re

import pytest

from sural.answer.cards import cards
from sural.answer.content import content
from sural.answer.diagnostic_report import conclusion
from sural.answer.parts import Writing
from sural.answer.picture import picture, picture_in_words
from sural.answer.report import report
from tests.asking import answer_of, of_type
from tests.builders import Exam
from tests.drawn import assessment_of


def said(exam: Exam) -> str:
    """The report in one line."""
    return " ".join(report(assessment_of(exam)).split())


def lines(exam: Exam, key: str) -> tuple[str, ...]:
    """The lines of one section; none where it is left out."""
    return next((section.lines for section in content(assessment_of(exam)).sections if section.key == key), ())


@pytest.mark.parametrize(("side", "feet"), [("left", "left foot"), ("right", "right foot"), ("both", "both feet")])
def test_every_reason_to_act_names_the_foot(side: str, feet: str) -> None:
    """Alarm, referral, card, conclusion and proposal: nobody is sent to the wrong foot."""
    exam = Exam().see("gangrene", "present", side)
    assessment = assessment_of(exam)

    assert f"Gangrene ({feet})" in " ".join(content(assessment).alarms)
    assert all(f"because of gangrene ({feet})" in line for line in lines(exam, "referrals"))
    assert f"Refer at once: gangrene ({feet})" == cards(assessment)[0]["summary"]
    assert f"Urgent: gangrene ({feet})." in conclusion(Writing(assessment))
    for request in of_type(answer_of(exam), "ServiceRequest"):
        assert f"Because of gangrene ({feet})." in [note["text"] for note in request["note"]]
        assert f"gangrene ({feet})" in request["text"]["div"]


def test_a_sign_of_the_whole_body_names_the_foot_of_the_ulcer() -> None:
    """Fever has no side, the ulcer has."""
    alarms = content(assessment_of(Exam().see("foot-ulcer", "present", "right", "hallux").see("body-temperature", 38.9))).alarms

    assert "Ulcer with fever or signs of sepsis (right foot)" in " ".join(alarms)


def test_an_ulcer_and_arterial_disease_on_two_feet_are_told_apart() -> None:
    """And one foot is said once."""
    exam = Exam().see("foot-ulcer", "present", "left", "hallux")

    assert "(ulcer: left foot; arterial disease: right foot)" in said(exam.pulses("right", "absent", "absent"))
    assert "arterial disease (left foot)" in said(Exam().see("foot-ulcer", "present", "left", "hallux").pulses("left", "absent", "absent"))


def test_deep_infection_names_its_foot() -> None:
    """From the finding itself."""
    assert "bone infection (right foot)" in said(Exam().see("deep-infection", "present", "right"))


def test_a_blood_test_is_no_examination_of_the_feet() -> None:
    """In the report and the picture."""
    exam = Exam().see("hba1c", 9.1)
    shown = picture(assessment_of(exam))

    assert "Feet examined: not in what was sent; newest finding of any kind: 2026-03-01" == content(assessment_of(exam)).examined
    assert "feet not examined" in shown
    assert "feet examined: not in what was sent" in picture_in_words(assessment_of(exam))


def test_findings_of_several_days_are_said_with_both_days() -> None:
    """An old pulse does not look like one of today."""
    exam = Exam().felt("both").see("dorsalis-pedis-pulse", "present", "left", effectiveDateTime="2025-06-02")

    assert "Feet examined: findings from 2025-06-02 to 2026-03-01" == content(assessment_of(exam)).examined


def test_a_settled_answer_does_not_ask_to_complete_the_examination() -> None:
    """Everything was examined: one day to look again."""
    assert ("Look again by 2027-03-02.",) == lines(Exam().normal(), "referrals")


def test_an_interval_does_not_hide_that_the_feet_may_have_an_active_problem() -> None:
    """An earlier ulcer, and only touch tested: months are for a foot that was looked at."""
    last = lines(Exam().see("previous-foot-ulcer", "present", "right").felt("both"), "referrals")[-1]

    assert "Look again from 2026-04-02 to 2026-05-02; before that, complete the examination: active foot problem is not excluded." == last


@pytest.mark.parametrize("exam", [Exam(), Exam().see("hba1c", 9.1), Exam().felt("left").pulses("left")])
def test_what_is_not_settled_is_not_said_with_low_risk(exam: Exam) -> None:
    """A skimming reader takes away the first words."""
    assessment = assessment_of(exam)

    assert "not settled, could be active foot problem" in said(exam)
    assert not re.search(r"\blow risk", said(exam))
    assert not re.search(r"\blow risk", conclusion(Writing(assessment)))


def test_what_cannot_wait_stands_before_the_referrals_with_its_foot() -> None:
    """A hot foot is not walked on, whatever the category."""
    assessment = assessment_of(Exam().see("hot-swollen-foot", "present", "right"))
    first = content(assessment).sections[0]

    assert "today" == first.key
    assert "Right foot: No weight bearing on this foot until it is seen." in first.lines
    assert "A threat to the limb is not excluded: check the circulation today." in first.lines


def test_an_ulcer_without_diabetes_is_not_passed_over() -> None:
    """No scheme and no pathway: it is said all the same, in the report and as a card."""
    exam = Exam(diabetes="absent").see("foot-ulcer", "present", "left", "hallux")
    card = cards(assessment_of(exam))[0]

    assert "Active foot problem: foot ulcer (left foot). The foot-risk schemes do not apply" in lines(exam, "today")[0]
    assert ("warning", "Active foot problem: foot ulcer (left foot)") == (card["indicator"], card["summary"])
    assert "use the local pathway" in card["detail"]
    assert "suggestions" not in card


def test_a_foot_that_was_not_examined_is_said_beside_one_that_was() -> None:
    """In each line of the findings: silence is not a normal result."""
    found = lines(Exam().see("dorsalis-pedis-pulse", "absent", "right").see("gangrene", "present", "right").see("ankle-reflex", "absent", "left"), "findings")

    assert "Circulation: Right, dorsalis pedis pulse absent. Left, not examined." in found
    assert "Seen on the feet: Right, gangrene. Left, not examined." in found
    assert "Reflexes: Right, not examined. Left, knee not examined and ankle absent." in found


def test_a_foot_that_was_inspected_and_is_clear_is_told_from_one_that_was_not() -> None:
    """In the report, the picture and its words."""
    assessment = assessment_of(Exam().see("foot-inspection", "clear", "left").see("callus", "absent", "left"))
    found = next(section.lines for section in content(assessment).sections if section.key == "findings")

    assert "Seen on the feet: Right, not examined. Left, inspection clear; no callus." in found
    assert ">inspection clear<" in picture(assessment)
    assert "Seen on the left foot: inspection clear; no callus." in picture_in_words(assessment)
    assert "Seen on the right foot: not examined." in picture_in_words(assessment)


def test_the_picture_and_its_words_say_the_circulation() -> None:
    """It is not drawn, and a leg drawn clear is not one with pulses."""
    assessment = assessment_of(Exam().felt("both").see("dorsalis-pedis-pulse", "absent", "right").see("amputation", "below-knee", "left"))
    text = " ".join(re.sub(r"<[^>]+>", " ", picture(assessment)).split())

    assert "Circulation, not drawn. Right, dorsalis pedis pulse absent. Left, not applicable." in text
    assert "Circulation: dorsalis pedis pulse absent." in picture_in_words(assessment)


def test_a_scheme_that_does_not_stratify_an_ulcer_says_why() -> None:
    """"Not stratified" alone reads as no risk."""
    assert "IWGDF (2023): not stratified. There is an ulcer: a foot with an ulcer is treated, not stratified." in said(
        Exam().see("foot-ulcer", "present", "left", "hallux")
    )


def test_what_was_recorded_and_cannot_be_used_is_named_with_its_foot() -> None:
    """By its name, not by a path into the input alone."""
    exam = Exam().felt("both").see("gangrene", {"valueString": "black toe"}, "left")

    assert ("Gangrene, left",) == lines(exam, "not-usable")


def test_a_reason_for_one_foot_is_not_said_of_both() -> None:
    """Declined on the right, not recorded on the left."""
    reason = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "asked-declined"}]}
    gaps = lines(Exam().see("callus", None, "right", dataAbsentReason=reason), "not-examined")

    assert "callus, both feet (right: asked declined)" in gaps
