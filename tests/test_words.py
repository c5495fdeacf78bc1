"""The report as somebody reads it who knows the trade and not the codes: no durations, codes or identifiers of ours in its sentences.

All cases are of the invented Skerrow Islands.
"""

import re
from functools import cache

import pytest

from sural.answer.content import content
from sural.answer.report import report
from sural.answer.wording import EMERGENCY, said_span
from sural.doors.cases import cases
from sural.footrisk.prognosis import NOT_FOR
from sural.terminology.dictionary import concepts
from tests.asking import answer_of, of_type
from tests.builders import Exam, Json
from tests.drawn import assessment_of

DURATION = re.compile(r"\bP[0-9]+[DWMY]\b")
SCHEME = re.compile(r"nice-ng19-2019|iwgdf-2023|scotland-2016|podus-2021|toronto-2010|nis-ll")


@cache
def reports() -> dict[str, str]:
    """The readable report of every case, in one line, without the bracketed keys and paths of the issues."""
    said = {}
    for case in cases():
        patients = [patient for one in case.answers() if one.assessed is not None for patient in one.assessed.patients]
        said[case.name] = re.sub(r"\[[a-z0-9-]+\]", "", " ".join(" ".join(map(report, patients)).split()))
    return said


def test_no_report_says_a_duration_as_a_code() -> None:
    """Months and weeks, in words."""
    assert {} == {name: found for name, text in reports().items() if (found := DURATION.findall(text))}


def test_no_report_names_a_scheme_or_a_score_by_its_code() -> None:
    """By its title."""
    assert {} == {name: found for name, text in reports().items() if (found := SCHEME.findall(text))}


def test_no_report_names_a_finding_by_its_code() -> None:
    """By its display. Codes of two words are left out: "foot-risk" and the like are also plain English."""
    codes = [code for code in concepts() if code.count("-") > 1]
    found = {name: [code for code in codes if code in text] for name, text in reports().items()}

    assert codes
    assert {} == {name: some for name, some in found.items() if some}


@pytest.mark.parametrize(("span", "words"), [
    (("P1M", "P2M"), "1 to 2 months"), (("P12M", "P12M"), "12 months"), (("P1M", "P1M"), "1 month"), (("P6W", "P8W"), "6 to 8 weeks"),
    (("P1W", "P1M"), "1 week to 1 month"),
])  # fmt: skip
def test_spans_are_said_in_words(span: tuple[str, str], words: str) -> None:
    """One unit once, two units each."""
    assert words == said_span(*span)


def test_missing_items_are_said_in_words_with_the_side_where_only_one_is_missing() -> None:
    """The ankle reflex of the right leg and both knee reflexes, in the note of the score."""
    answer = answer_of(Exam().see("ankle-reflex", "absent", "left"))
    note = next(one["note"][0]["text"] for one in of_type(answer, "Observation") if one["code"]["coding"][0]["code"] == "tcss")

    assert "knee reflex, ankle reflex (right)" in note
    assert note.startswith("Missing: foot pain, ")


def test_what_the_prognosis_is_not_for_is_said_in_words() -> None:
    """Each reason has words."""
    lines = {
        line
        for exam in (
            Exam().see("foot-ulcer", "present", "left"),
            Exam(birth="2011-01-01"),
            Exam(diabetes="absent"),
            Exam().see("amputation", "below-knee", "both"),
        )
        for section in content(assessment_of(exam)).sections
        for line in section.lines
        if "does not apply" in line
    }

    assert {f"PODUS (2021): does not apply: {reason}." for reason in NOT_FOR.values()} <= lines


def test_contradictions_and_reasons_are_said_in_words() -> None:
    """Answers by their display, reasons for a missing value without hyphens."""
    exam = Exam().see("monofilament-10g", "felt", "left", "hallux").see("monofilament-10g", "not-felt", "left", "hallux")
    exam.see("callus", None, "both", dataAbsentReason={"coding": [{"system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "asked-declined"}]})  # fmt: skip
    said = report(assessment_of(exam))

    assert "not felt against felt" in said
    assert "callus, both feet (asked declined)" in said


def notes(resource: Json) -> list[str]:
    return [note["text"] for note in resource["note"]]


def test_the_prognosis_says_what_it_is_not() -> None:
    """The average of a cohort, and that the rule predicted too high in its validation (Chappell 2021, seen)."""
    risks = of_type(answer_of(Exam().normal()), "RiskAssessment")
    (prognosis,) = [one for one in risks if one["method"]["coding"][0]["code"] == "podus-2021"]

    assert any("average of a cohort" in note and "too high in its validation" in note for note in notes(prognosis))


@pytest.mark.parametrize(("problem", "said"), [("gangrene", True), ("foot-infection", False)])
def test_an_emergency_says_not_to_wait_for_software(problem: str, said: bool) -> None:
    """README, cautions: in the narrative and the notes of each proposal that is for at once, and of no other."""
    requests = of_type(answer_of(Exam().see(problem, "present", "left")), "ServiceRequest")

    assert requests
    assert [said] * len(requests) == [EMERGENCY in notes(one) for one in requests]
    assert [said] * len(requests) == [EMERGENCY in one["text"]["div"] for one in requests]


def test_a_proposal_with_a_window_begins_with_the_window() -> None:
    """NICE NG19 1.3.8: six to eight weeks at moderate risk, counted from the day of assessment; the end is rolled back to a working day."""
    exam = Exam().not_felt("left").see("foot-inspection", "clear", "both")
    (request,) = of_type(answer_of(exam), "ServiceRequest")

    assert {"start": "2026-04-13", "end": "2026-04-27"} == request["occurrencePeriod"]
