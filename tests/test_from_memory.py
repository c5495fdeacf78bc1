"""What rests on a table, band, wording or list from memory says so in the answer (marks in docs/sources.md).

Invented examinations.
"""

import pytest

from sural.evidence.citation import Mark
from sural.footrisk.prognosis import SPLIT
from sural.footrisk.schemes import SCHEMES
from sural.neuropathy.certainty import certainties
from sural.neuropathy.scores import TABLES
from sural.neuropathy.scores.score import SCORE_NOTES
from sural.neuropathy.signs import Signs
from tests.asking import answer_of, of_type, summary_of
from tests.builders import Exam, Json
from tests.drawn import assessment_of
from tests.score_items import ASKED, exam_of, extreme

ITEMS_FROM_MEMORY = {table.id for table in TABLES if table.citation.mark is Mark.MEMORY}
BANDS_FROM_MEMORY = {table.id for table in TABLES if table.bands and table.band_citation.mark is Mark.MEMORY}
SIDES = ("left", "right")


def one_sided() -> Exam:
    """Touch, pinprick and vibration lost on the left foot, the right well; no symptoms, ankle reflexes kept."""
    exam = Exam().see("ankle-reflex", "normal", "both")
    for code in ("light-touch", "pinprick", "vibration-128hz"):
        exam.see(code, "absent", "left", "hallux").see(code, "reduced", "left", "ankle").see(code, "normal", "left", "knee").see(
            code, "normal", "right", "hallux"
        )
    for symptom in ("foot-pain-neuropathic", "foot-numbness", "foot-tingling"):
        exam.see(symptom, "absent", "both")
    return exam


def ulcer() -> Exam:
    exam = Exam().not_felt("left").felt("right").pulses("both").see("foot-ulcer", "present", "left", "hallux")
    return exam.see("ulcer-depth", "bone-or-joint", "left", "hallux").see("toe-pressure", 52, "left")


def said(resource: Json) -> str:
    return " ".join(note["text"] for note in resource["note"])


def test_there_is_something_from_memory() -> None:
    """So that the tests below test something."""
    assert ITEMS_FROM_MEMORY == {"nss-young-1993", "mnsi-exam-10"}
    assert BANDS_FROM_MEMORY == {"tcss", "nds-young-1993", "mnsi-exam-10"}


@pytest.mark.parametrize("id", sorted(ITEMS_FROM_MEMORY | BANDS_FROM_MEMORY))
def test_a_score_from_memory_says_so(id: str) -> None:
    """By a note in the summary, and in words in the Observation, items and bands apart."""
    exam = exam_of(extreme(id, worst=True))
    notes = set(summary_of(exam)["scores"][id]["notes"])
    resource = next(one for one in of_type(answer_of(exam), "Observation") if one["code"]["coding"][0]["code"] == id)

    assert (id in BANDS_FROM_MEMORY) is ("bands-from-memory" in notes)
    assert (id in ITEMS_FROM_MEMORY) is bool(notes & {"table-from-memory", "monofilament-counts-from-memory"})
    assert {SCORE_NOTES[note] for note in notes if note.endswith("-from-memory")} <= {note["text"] for note in resource["note"]}


@pytest.mark.parametrize("id", sorted(ASKED.keys() - ITEMS_FROM_MEMORY - BANDS_FROM_MEMORY))
def test_a_score_that_was_seen_does_not_say_so(id: str) -> None:
    """Of a person too young for any allowance."""
    notes = summary_of(exam_of(extreme(id, worst=True)))["scores"][id].get("notes", [])

    assert [] == [note for note in notes if note.endswith("-from-memory")]


@pytest.mark.parametrize(("birth", "reflex", "noted"), [
    ("1986-01-01", "absent", False), ("1976-03-03", "absent", False), ("1976-03-02", "absent", True), ("1956-01-01", "absent", True),
    ("1956-01-01", "reduced", True), ("1956-01-01", "normal", False), (None, "absent", True),
])  # fmt: skip
def test_the_allowance_for_age_says_that_it_is_from_memory(birth: str | None, reflex: str, noted: bool) -> None:
    """NIS: that age counts was seen, the numbers (50, 70) are from memory: said wherever they may have changed a reflex."""
    notes = summary_of(Exam(birth=birth).see("ankle-reflex", reflex, "both"))["scores"]["nis-ll"].get("notes", [])

    assert noted is ("age-rule-applied-from-memory" in notes)


def test_a_definition_from_memory_says_so() -> None:
    """Whole or in part: the wording, the list of signs, the table; the others do not."""
    found = certainties(Signs(assessment_of(one_sided()).examination))
    in_summary = summary_of(one_sided())["neuropathy"]["certainty"]

    assert {"toronto-2010-small-fibre": ["wording-from-memory"], "devigili-2019": ["sign-list-from-memory"], "aan-2005": ["table-from-memory"]} == {
        id: [note for note in one["notes"] if note.endswith("-from-memory")]
        for id, one in in_summary.items()
        if any(note.endswith("-from-memory") for note in one.get("notes", []))
    }  # fmt: skip
    assert {"toronto-2010-small-fibre", "devigili-2019", "aan-2005"} == {
        id for id, one in found.items() if "from memory" in str(one.citation)
    }


def test_stage_and_benefit_of_wifi_say_that_they_are_from_memory() -> None:
    """In the summary, in the grades as an Observation, in its narrative."""
    (resource,) = [
        one for one in of_type(answer_of(ulcer()), "Observation") if one["code"]["coding"][0]["code"] == "ulcer-grades"
    ]

    assert "table-from-memory" in summary_of(ulcer())["ulcers"][0]["wifi"]["notes"]
    assert "WIfI stage and benefit: table from memory" in said(resource)
    assert "table from memory" in resource["text"]["div"]


def test_the_split_of_points_of_the_prognosis_says_that_it_is_from_memory() -> None:
    """PODUS: whole points that sum to four were seen, which predictor has two was not."""
    risks = of_type(answer_of(Exam().normal()), "RiskAssessment")
    (prognosis,) = [one for one in risks if one["method"]["coding"][0]["code"] == "podus-2021"]

    assert str(SPLIT) in said(prognosis)
    assert Mark.MEMORY in str(SPLIT)


def test_a_category_from_memory_says_so() -> None:
    """NICE NG19: the words of `active` in the edition of 2019."""
    risks = of_type(answer_of(ulcer()), "RiskAssessment")
    from_memory = {
        scheme.id for scheme in SCHEMES.values() for one in scheme.categories.values() if one.code == "active" and one.citation.mark is Mark.MEMORY
    }  # fmt: skip

    assert {"nice-ng19-2019"} == from_memory
    assert {"nice-ng19-2019"} == {
        one["method"]["coding"][0]["code"]
        for one in risks
        if any("from memory" in prediction.get("rationale", "") for prediction in one["prediction"])
        and one["method"]["coding"][0]["code"] in SCHEMES
    }


def test_loss_on_one_side_meets_no_criterion_of_toronto_and_says_why() -> None:
    """Tesfaye 2010 lists a symmetric decrease (seen in restatements): none met, and the other side of the finding stands beside it."""
    found = summary_of(one_sided())["neuropathy"]

    assert {"atLeast": "none-met", "atMost": "none-met", "notes": ["one-sided-loss-does-not-count"]} == found["certainty"][
        "toronto-2010"
    ]
    assert (["asymmetric-multifocal"], True) == (found["pattern"], "asymmetry" in found["redFlags"])


@pytest.mark.parametrize("side", SIDES)
def test_loss_on_one_side_is_only_said_of_one_side(side: str) -> None:
    """Loss on both sides counts; no loss has nothing to say."""
    both, none, one = Exam().not_felt("both"), Exam().felt("both"), Exam().not_felt(side)
    notes = [summary_of(exam)["neuropathy"]["certainty"]["toronto-2010"].get("notes", []) for exam in (both, none, one)]

    assert [False, False, True] == ["one-sided-loss-does-not-count" in said for said in notes]
