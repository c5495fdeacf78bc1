"""Over time: what has certainly changed since earlier examinations of the same input. Invented examinations.

That only non-overlapping ranges count, and that each value is compared with the latest earlier examination that has it, are project choices.
"""

from typing import Any

import pytest

from tests.asking import answer_of, of_type, summary_of
from tests.builders import Exam, Json

OLD, LATER, NEW = "2024-03-01", "2025-09-01", "2026-03-01"
Change = tuple[str, str, str | None, str, str, str]


def on(day: str) -> Json:
    return {"effectiveDateTime": f"{day}T09:00:00+00:00"}


def changes(exam: Exam, lookback: str = "P12M") -> set[Change]:
    found = summary_of(exam, lookback=lookback)["trend"]["changes"]
    return {(one["code"], one["of"], one["side"], one["since"], one["before"], one["after"]) for one in found}


def vibration(**levels: str) -> Exam:
    """The level of vibration loss on both sides on each day."""
    exam, days = Exam(), {"old": OLD, "later": LATER, "new": NEW}
    for name, level in levels.items():
        exam.see("sensory-level-vibration", level, "both", **on(days[name]))
    return exam


def monofilament(exam: Exam, day: str, left: str, right: str = "felt") -> Exam:
    for side, hallux in (("left", left), ("right", right)):
        exam.see("monofilament-10g", hallux, side, "hallux", **on(day))
        for site in ("metatarsal-head-1", "metatarsal-head-5"):
            exam.see("monofilament-10g", "felt", side, site, **on(day))
    return exam


@pytest.mark.parametrize(
    ("before", "now", "code"),
    [("toes", "knee", "reach-rising"), ("knee", "ankle", "reach-falling"), ("none", "toes", "reach-rising")],
)
def test_a_reach_that_rose_or_fell_is_named_by_side(before: str, now: str, code: str) -> None:
    """From the level then to the level now, for each modality and side."""
    expected = {(code, "vibration", side, LATER, before, now) for side in ("left", "right")}

    assert expected == {one for one in changes(vibration(later=before, new=now)) if one[1] == "vibration"}


def test_one_side_can_change_by_itself() -> None:
    """The other side, unchanged, is not named."""
    exam = (
        vibration(later="ankle")
        .see("sensory-level-vibration", "knee", "left", **on(NEW))
        .see("sensory-level-vibration", "ankle", "right", **on(NEW))
    )

    assert {("reach-rising", "vibration", "left", LATER, "ankle", "knee")} == {
        one for one in changes(exam) if one[1] == "vibration"
    }


def test_the_same_again_is_no_change() -> None:
    """The earlier examination is listed all the same."""
    trend = summary_of(vibration(later="ankle", new="ankle"))["trend"]

    assert ([LATER], []) == ([one["asOf"] for one in trend["earlier"]], trend["changes"])


def test_ranges_that_overlap_are_no_change() -> None:
    """A toe lost without a level above it may reach anywhere: an ankle level later is no certain rise."""
    exam = (
        Exam()
        .see("vibration-128hz", "absent", "both", "hallux", **on(LATER))
        .see("vibration-128hz", "absent", "both", "hallux", **on(NEW))
    )
    exam.see("sensory-level-vibration", "ankle", "both", **on(NEW))

    assert set() == {one for one in changes(exam) if one[1] == "vibration"}


def test_each_value_is_compared_with_the_latest_earlier_examination_that_has_it() -> None:
    """Vibration with the later one, pinprick, not tested then, with the older one."""
    exam = vibration(old="toes", later="ankle", new="knee")
    exam.see("sensory-level-pinprick", "toes", "both", **on(OLD)).see("sensory-level-pinprick", "mid-shin", "both", **on(NEW))

    assert {
        *(("reach-rising", "vibration", side, LATER, "ankle", "knee") for side in ("left", "right")),
        *(("reach-rising", "pinprick", side, OLD, "toes", "mid-shin") for side in ("left", "right")),
    } == {one for one in changes(exam) if one[0].startswith("reach")}


def test_the_newest_is_classified_whatever_the_order_of_entries() -> None:
    """Earlier levels are trend only; the order of a Bundle has no meaning (FHIR R4)."""
    exam = vibration(old="knee", later="ankle", new="toes")
    turned = {**exam.bundle(), "entry": exam.bundle()["entry"][::-1]}
    result = summary_of(exam)

    assert {"left": "toes", "right": "toes"} == result["neuropathy"]["level"]["vibration"]
    assert [OLD, LATER] == [one["asOf"] for one in result["trend"]["earlier"]]
    assert (result["neuropathy"], result["trend"]) == (summary_of(turned)["neuropathy"], summary_of(turned)["trend"])


def test_one_examination_has_no_trend() -> None:
    """Nothing to compare with."""
    assert "trend" not in summary_of(vibration(new="ankle"))


def nds(exam: Exam, day: str, reflex: str, sense: str) -> Exam:
    exam.see("ankle-reflex", reflex, "both", **on(day)).see("temperature-sense", sense, "both", "dorsum", **on(day))
    for concept in ("vibration-128hz", "pinprick"):
        exam.see(concept, sense, "both", "hallux", **on(day))
    return exam


def test_a_score_that_rose_is_named_with_both_totals() -> None:
    """Young 1993: 0 then, 10 now."""
    exam = nds(nds(Exam(), LATER, "normal", "normal"), NEW, "absent", "absent")

    assert ("score-rising", "nds-young-1993", None, LATER, "0", "10") in changes(exam)


@pytest.mark.parametrize("answer", ["normal", "absent"])
def test_a_score_that_is_the_same_is_no_change(answer: str) -> None:
    """Both totals are known and equal."""
    exam = nds(nds(Exam(), LATER, answer, answer), NEW, answer, answer)

    assert summary_of(exam)["trend"]["earlier"]
    assert set() == {one for one in changes(exam) if "score" in str(one)}


def test_a_score_that_fell_is_named_too() -> None:
    """Young 1993: 10 then, 4 now."""
    exam = nds(nds(Exam(), LATER, "absent", "absent"), NEW, "absent", "normal")

    assert ("score-falling", "nds-young-1993", None, LATER, "10", "4") in changes(exam)


def test_a_score_of_which_items_are_missing_changes_only_when_the_ranges_part() -> None:
    """Two points of ten then, the rest unknown: 2 to 8 overlaps with 4 to 10."""
    exam = Exam().see("ankle-reflex", "normal", "left", **on(LATER)).see("ankle-reflex", "absent", "right", **on(LATER))
    exam.see("ankle-reflex", "absent", "both", **on(NEW))
    named = {(one[0], one[1]) for one in changes(exam)}

    assert ("score-rising", "nds-young-1993") not in named


def test_protective_sensation_newly_lost() -> None:
    """The monofilament felt then and not felt now on the left; the right as it was."""
    exam = monofilament(monofilament(Exam(), LATER, "felt"), NEW, "not-felt")
    named = {one for one in changes(exam) if one[1] == "protective-sensation"}

    assert {("protective-sensation-newly-lost", "protective-sensation", "left", LATER, "kept", "lost")} == named


def test_protective_sensation_regained() -> None:
    """The other way round."""
    exam = monofilament(monofilament(Exam(), LATER, "not-felt"), NEW, "felt")

    assert ("protective-sensation-regained", "protective-sensation", "left", LATER, "lost", "kept") in changes(exam)


def test_changes_stand_in_the_classification_of_the_bundle() -> None:
    """Each kind of change once, coded, in the order of the trend."""
    exam = monofilament(monofilament(Exam(), LATER, "felt"), NEW, "not-felt", "not-felt")
    answer = answer_of(exam)
    classification: Any = next(
        one for one in of_type(answer, "Observation") if one["code"]["coding"][0]["code"] == "classification"
    )
    codes = [
        part["valueCodeableConcept"]["coding"][0]["code"]
        for part in classification["component"]
        if part["code"]["coding"][0]["code"] == "change"
    ]

    assert list(dict.fromkeys(one["code"] for one in summary_of(exam)["trend"]["changes"])) == codes
    assert {"reach-rising", "protective-sensation-newly-lost"} <= set(codes)


def test_changes_stand_in_the_report_in_words() -> None:
    """Under "Over time": from what, when, to what; and where nothing changed, that."""
    changed = of_type(answer_of(vibration(later="toes", new="knee")), "DiagnosticReport")[0]["text"]["div"]
    same = of_type(answer_of(vibration(later="ankle", new="ankle")), "DiagnosticReport")[0]["text"]["div"]

    assert f"Vibration, left: toes on {LATER}, now knee." in changed
    assert f"No certain change since the examination of {LATER}." in same
