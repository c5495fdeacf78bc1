"""What must hold of every classification: the reference reading, and that an answer is never surer than its data.

"Common practice, no source" for the reference reading (a worked reading of the trade); the criteria of certainty are those of Tesfaye et
al. 2010 (two restatements seen). Examinations are invented.
"""

import random
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.asking import summary_of
from tests.builders import Exam, Json, concept

TORONTO_ORDER = ("none-met", "possible", "probable")
ANYTHING = settings(max_examples=80, deadline=None, derandomize=True)
PROFILE = ("light-touch", "pinprick", "vibration")
FILLED = settings(max_examples=60, deadline=None, derandomize=True)


def neuropathy(exam: Any) -> dict[str, Any]:
    found: dict[str, Any] = summary_of(exam)["neuropathy"]
    return found


def reference() -> Exam:
    """Long-standing, poorly controlled diabetes; painful feet; touch, pinprick and vibration lost up to both knees; joint position kept."""
    exam = (
        Exam()
        .see("hba1c", 10.4)
        .see("diabetes-onset", {"valueDateTime": "2001-05-01"})
        .see("foot-pain-neuropathic", "present", "both")
    )
    for modality in PROFILE:
        exam.see(f"sensory-level-{modality}", "knee", "both")
    return exam.see("joint-position", "normal", "both", "hallux")


def without(exam: Exam, index: int) -> Json:
    """The document without one of its Observations."""
    content = exam.bundle()
    return {**content, "entry": [entry for place, entry in enumerate(content["entry"]) if place != index]}


def observations(exam: Exam) -> list[int]:
    return [index for index, entry in enumerate(exam.entries) if entry["resource"]["resourceType"] == "Observation"]


# The reference reading


def test_the_reference_reading() -> None:
    """Common practice, no source: length-dependent symmetric, sensory, mixed fibres, axonal likely; the fingertips are asked for."""
    result = summary_of(reference())
    found = result["neuropathy"]

    assert ["length-dependent-symmetric"] == found["pattern"]
    assert ("sensory", "mixed", "axonal-likely") == (found["predominance"], found["fibres"], found["process"])
    assert all({"left": "knee", "right": "knee"} == found["level"][modality] for modality in PROFILE)
    assert {"left": "none", "right": "none"} == found["level"]["joint-position"]
    assert "examine-fingertips" == found["workUp"][0]
    assert ("yes", "yes") == tuple(result["findings"]["protectiveSensationLost"][side] for side in ("left", "right"))


def test_the_reference_reading_is_possible_by_its_signs_and_probable_with_its_symptoms() -> None:
    """Tesfaye 2010: any one criterion is possible, any two probable; what was not asked leaves both open."""
    exam = Exam()
    for modality in PROFILE:
        exam.see(f"sensory-level-{modality}", "knee", "both")
    signs = neuropathy(exam)["certainty"]["toronto-2010"]
    whole = neuropathy(reference())["certainty"]["toronto-2010"]

    assert ("possible", "probable") == (signs["atLeast"], signs["atMost"])
    assert ("probable", "probable") == (whole["atLeast"], whole["atMost"])


def test_fingertips_that_were_tested_are_not_asked_for() -> None:
    """Common practice, no source."""
    exam = reference()
    for modality in PROFILE:
        exam.see(f"hand-sensory-level-{modality}", "none", "both")

    assert "examine-fingertips" not in neuropathy(exam)["workUp"]


@pytest.mark.parametrize("index", observations(reference()))
def test_taking_away_any_one_finding_of_the_reference_reading_never_finds_nothing(index: int) -> None:
    """An answer is never surer than its data: neither "none found" nor no criterion met."""
    found = neuropathy(without(reference(), index))
    certainty = found["certainty"]["toronto-2010"]

    assert "none-found" not in found["pattern"]
    assert "none-met" != certainty["atMost"]


def everything_normal() -> Exam:
    """Symptoms, sensation, reflexes and power, all normal."""
    exam = Exam()
    for code in ("foot-pain-neuropathic", "foot-numbness", "foot-tingling"):
        exam.see(code, "absent", "both")
    for sense in ("light-touch", "pinprick", "vibration-128hz", "temperature-sense", "joint-position"):
        exam.see(sense, "normal", "both", "hallux")
    exam.see("ankle-reflex", "normal", "both").see("knee-reflex", "normal", "both").see("plantar-response", "flexor", "both")
    for muscle in ("ankle-dorsiflexion", "ankle-plantarflexion", "great-toe-extension", "hip-flexion", "knee-extension"):
        exam.see(f"power-{muscle}", "5", "both")
    return exam


def test_none_is_found_when_everything_was_examined_and_is_normal() -> None:
    """The counterpart: "none found" can be reached."""
    found = neuropathy(everything_normal())

    assert ["none-found"] == found["pattern"]
    assert ("none-met", "none-met") == (
        found["certainty"]["toronto-2010"]["atLeast"],
        found["certainty"]["toronto-2010"]["atMost"],
    )


ADVERSE: tuple[tuple[str, str, str | None], ...] = (
    ("light-touch", "absent", "hallux"), ("pinprick", "reduced", "hallux"), ("vibration-128hz", "absent", "hallux"),
    ("sensory-level-vibration", "knee", None), ("ankle-reflex", "absent", None), ("foot-numbness", "present", None),
)  # fmt: skip


@pytest.mark.parametrize(("code", "value", "site"), ADVERSE, ids=[one[0] for one in ADVERSE])
@pytest.mark.parametrize("kept", ["with the normal findings", "alone"])
def test_an_adverse_finding_without_a_side_keeps_the_answer_open(code: str, value: str, site: str | None, kept: str) -> None:
    """It is no evidence for a side, but while it stands nothing is ruled out (project choice)."""
    exam = everything_normal() if kept == "with the normal findings" else Exam()
    found = neuropathy(exam.see(code, value, None, site))
    certainty = found["certainty"]["toronto-2010"]

    assert ["undetermined"] == found["pattern"]
    assert ("none-met", True) == (certainty["atLeast"], certainty["atMost"] != "none-met")


@pytest.mark.parametrize(
    "more",
    [
        {"status": "preliminary"},
        {"bodySite": {"coding": [concept("urn:x", "y")["coding"][0]]}},
        {"valueCodeableConcept": {"text": "gone"}},
    ],
    ids=["preliminary", "at a place that is not known", "with an answer that is not known"],
)
def test_an_unusable_loss_of_sensation_keeps_the_answer_open(more: Json) -> None:
    """The same for a preliminary result, an unknown place and an unknown answer."""
    found = neuropathy(everything_normal().see("sensory-level-light-touch", "knee", "both", **more))

    assert ["undetermined"] == found["pattern"]
    assert "none-met" != found["certainty"]["toronto-2010"]["atMost"]


CONTRARY = {
    "allodynia": "present", "hyperalgesia": "present", "leg-weakness": "present", "proximal-leg-pain": "present", "foot-muscle-wasting": "present",
    "knee-reflex": "absent", "monofilament-foot": "absent",
}  # fmt: skip


@pytest.mark.parametrize("side", [None, "left", "both"], ids=["without a side", "left", "both"])
@pytest.mark.parametrize("code", sorted(CONTRARY))
def test_what_makes_no_pattern_by_itself_still_never_lets_none_be_found(code: str, side: str | None) -> None:
    """Common practice, no source: pain to touch, wasting, felt weakness or a lost knee reflex is not nothing."""
    assert "none-found" not in neuropathy(everything_normal().see(code, CONTRARY[code], side))["pattern"]


# Any examination

_LEVEL = ("none", "toes", "ankle", "mid-shin", "knee")
_PLACES: dict[tuple[str, str | None, str | None], tuple[str, ...]] = {
    **{(f"sensory-level-{modality}", side, None): _LEVEL for modality in (*PROFILE, "joint-position") for side in ("left", "right")},
    **{(sense, side, "hallux"): ("normal", "reduced", "absent") for sense in ("pinprick", "vibration-128hz") for side in ("left", "right")},
    **{("ankle-reflex", side, None): ("normal", "reduced", "absent", "clonus") for side in ("left", "right")},
    **{("knee-reflex", side, None): ("normal", "brisk", "absent") for side in ("left", "right")},
    **{("plantar-response", side, None): ("flexor", "extensor") for side in ("left", "right")},
    **{("foot-numbness", side, None): ("absent", "present") for side in ("left", "right")},
    **{(f"power-{muscle}", side, None): ("5", "4", "2") for muscle in ("ankle-dorsiflexion", "hip-flexion") for side in ("left", "right")},
    **{("hand-sensory-level-light-touch", side, None): ("none", "fingers", "wrist") for side in ("left", "right")},
    ("symptom-course", None, None): ("acute", "subacute", "chronic"), ("gait", None, None): ("normal", "ataxic"),
}  # fmt: skip
Place = tuple[str, str | None, str | None]


@st.composite
def exams(draw: st.DrawFn) -> dict[Place, str]:
    """Some findings at some places, in any combination."""
    chosen = draw(st.sets(st.sampled_from(list(_PLACES)), min_size=1))
    return {place: draw(st.sampled_from(answers)) for place, answers in _PLACES.items() if place in chosen}


def exam_of(findings: dict[Place, str]) -> Exam:
    exam = Exam()
    for (code, side, site), answer in findings.items():
        exam.see(code, answer, side, site)
    return exam


@ANYTHING
@given(exams(), st.integers(0, 999))
def test_the_order_of_entries_means_nothing(findings: dict[Place, str], seed: int) -> None:
    """FHIR R4 Bundle: the order of entries in a collection has no meaning."""
    content = exam_of(findings).bundle()
    entries = list(content["entry"])
    random.Random(seed).shuffle(entries)
    one, other = summary_of(content), summary_of({**content, "entry": entries})

    assert (one["neuropathy"], one["scores"], one["referrals"]) == (other["neuropathy"], other["scores"], other["referrals"])


_MIRROR = {"left": "right", "right": "left"}


def mirrored(content: Any) -> Any:
    """The same with the sides of every part exchanged."""
    if isinstance(content, dict):
        return {_MIRROR.get(key, key): mirrored(value) for key, value in content.items()}
    return content


@ANYTHING
@given(exams())
def test_mirroring_the_findings_mirrors_the_classification(findings: dict[Place, str]) -> None:
    """Left and right weigh the same (common practice, no source)."""
    other = {(code, _MIRROR.get(str(side), side), site): answer for (code, side, site), answer in findings.items()}

    assert mirrored(neuropathy(exam_of(findings))) == neuropathy(exam_of(other))


@ANYTHING
@given(exams(), st.data())
def test_one_finding_less_never_settles_what_it_contradicts(findings: dict[Place, str], data: st.DataObject) -> None:
    """With less to go on the level of certainty is not pushed outside what the whole examination allows."""
    dropped = data.draw(st.sampled_from(list(findings)))
    whole = neuropathy(exam_of(findings))["certainty"]["toronto-2010"]
    less = neuropathy(exam_of({place: answer for place, answer in findings.items() if place != dropped}))["certainty"][
        "toronto-2010"
    ]

    assert TORONTO_ORDER.index(less["atMost"]) >= TORONTO_ORDER.index(whole["atLeast"])


# Brute force over completions: the three criteria of Tesfaye 2010, each as met or not met by findings

_SENSES = ("light-touch", "pinprick", "vibration-128hz")
_CRITERIA = ("symptoms", "sensation", "reflexes")


def _criteria_exam(known: dict[str, bool]) -> Exam:
    exam = Exam()
    if "symptoms" in known:
        for code in ("foot-pain-neuropathic", "foot-numbness", "foot-tingling"):
            exam.see(code, "present" if known["symptoms"] else "absent", "both")
    if "sensation" in known:
        for sense in _SENSES:
            exam.see(sense, "absent" if known["sensation"] else "normal", "both", "hallux")
    if "reflexes" in known:
        exam.see("ankle-reflex", "absent" if known["reflexes"] else "normal", "both")
    return exam


@pytest.mark.parametrize("states", list(product((None, False, True), repeat=3)), ids=str)
def test_the_range_of_certainty_is_what_the_completions_give(states: tuple[bool | None, ...]) -> None:
    """Tesfaye 2010: the lowest and highest level over every way to fill in the criteria that were not examined."""
    known = {name: state for name, state in zip(_CRITERIA, states, strict=True) if state is not None}
    fills = product((False, True), repeat=3 - len(known))
    unknown = [name for name in _CRITERIA if name not in known]
    wholes = [_criteria_exam({**known, **dict(zip(unknown, fill, strict=True))}) for fill in fills]
    levels = [neuropathy(whole)["certainty"]["toronto-2010"] for whole in wholes]
    assert all(level["atLeast"] == level["atMost"] for level in levels)
    ranked = sorted((level["atLeast"] for level in levels), key=TORONTO_ORDER.index)
    certainty = neuropathy(_criteria_exam(known))["certainty"]["toronto-2010"]

    assert (ranked[0], ranked[-1]) == (certainty["atLeast"], certainty["atMost"])


@FILLED
@given(st.data())
def test_single_findings_filled_in_stay_within_the_range(data: st.DataObject) -> None:
    """A small examination of single findings, one of them missing: every answer to it lies within the range given without it."""
    places = {
        **{(sense, side, "hallux"): ("normal", "absent") for sense in _SENSES for side in ("left", "right")},
        **{("ankle-reflex", side, None): ("normal", "absent") for side in ("left", "right")},
        **{
            (code, side, None): ("absent", "present") for code in ("foot-numbness", "foot-tingling") for side in ("left", "right")
        },
    }
    findings: dict[Place, str] = {place: data.draw(st.sampled_from(answers)) for place, answers in places.items()}
    missing = data.draw(st.sampled_from(list(places)))
    rest = {place: answer for place, answer in findings.items() if place != missing}
    less = neuropathy(exam_of(rest))["certainty"]["toronto-2010"]
    low, high = TORONTO_ORDER.index(less["atLeast"]), TORONTO_ORDER.index(less["atMost"])

    for answer in places[missing]:
        whole = neuropathy(exam_of({**rest, missing: answer}))["certainty"]["toronto-2010"]
        assert low <= TORONTO_ORDER.index(whole["atLeast"]) <= TORONTO_ORDER.index(whole["atMost"]) <= high
