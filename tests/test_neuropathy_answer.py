"""The neuropathy in the answer Bundle: classification, scores and report, as FHIR R4 resources. Invented examinations.

Structure by the FHIR R4 models of `fhir.resources` (R4B); shapes by FHIR R4 Observation and DiagnosticReport.
"""

from base64 import b64decode
from datetime import date
from xml.etree import ElementTree

import orjson
import pytest
from fhir.resources.R4B import get_fhir_model_class

import sural
from sural import canonical
from sural.neuropathy.scores import TABLES
from tests.asking import answer_of, of_type, summary_of
from tests.builders import AS_OF, EXAMINED, Exam, Json

SVG = "{http://www.w3.org/2000/svg}"
CAUTION = "Decision support for review by a clinician"


def stocking() -> Exam:
    """Painful feet; touch, pinprick and vibration lost up to the right knee and the left middle of the shin; fingertips, position normal."""
    exam = Exam().see("foot-pain-neuropathic", "present", "both")
    for modality in ("light-touch", "pinprick", "vibration"):
        exam.see(f"sensory-level-{modality}", "knee", "right").see(f"sensory-level-{modality}", "mid-shin", "left")
    exam.see("hand-sensory-level-light-touch", "none", "both").see("joint-position", "normal", "both", "hallux")
    return exam.see("ankle-reflex", "absent", "both").see("metformin", "present")


def many() -> dict[str, Exam]:
    """Examinations of every kind of answer."""
    earlier = stocking().see("sensory-level-vibration", "toes", "both", effectiveDateTime="2025-09-01T09:00:00Z")
    return {
        "nothing": Exam(),
        "stocking": stocking(),
        "normal": Exam().normal(),
        "trend": earlier,
        "urgent": stocking().see("sensory-level-trunk", "present"),
        "no side": stocking().see("pinprick", "absent", None, "hallux"),
        "toes only": Exam().see("vibration-128hz", "absent", "both", "hallux"),
        "amputated": stocking().see("amputation", "below-knee", "left"),
        "conduction": stocking().see("nerve-conduction", "abnormal"),
        "autonomic": stocking().see("valsalva-ratio", 1.0).see("heart-rate-30-15-ratio", 0.99),
    }


def observed(answer: Json, code: str) -> Json:
    return next(one for one in of_type(answer, "Observation") if one["code"]["coding"][0]["code"] == code)


def components(resource: Json, code: str, side: str | None = None) -> list[Json]:
    """Components by code, and by side where one is given."""
    found = [part for part in resource["component"] if part["code"]["coding"][0]["code"] == code]
    return [part for part in found if side is None or side in [one["code"] for one in part["code"]["coding"]]]


def value_of(part: Json) -> str:
    code: str = part["valueCodeableConcept"]["coding"][0]["code"]
    return code


@pytest.mark.parametrize("name", sorted(many()))
def test_every_resource_is_valid_and_the_bytes_are_the_same_each_time(name: str) -> None:
    """FHIR R4 by the models; the same input on the same day gives the same bytes."""
    data = orjson.dumps(many()[name].bundle())
    first = sural.assess(data, as_of=date.fromisoformat(AS_OF))
    bundle = orjson.loads(first)

    assert first == sural.assess(data, as_of=date.fromisoformat(AS_OF))
    assert bundle["type"] == get_fhir_model_class("Bundle").model_validate(bundle).type
    for entry in bundle["entry"]:
        resource = entry["resource"]
        assert (
            resource["resourceType"]
            == get_fhir_model_class(resource["resourceType"]).model_validate(resource).get_resource_type()
        )


# The classification


def test_the_classification_as_an_observation() -> None:
    """Pattern as its value; predominance, fibres, process and certainty as components; one status, subject and time."""
    found = observed(answer_of(stocking()), "classification")

    assert ["length-dependent-symmetric"] == [one["code"] for one in found["valueCodeableConcept"]["coding"]]
    assert ("final", "Patient/p1", EXAMINED) == (found["status"], found["subject"]["reference"], found["effectiveDateTime"])
    kinds = {
        code: [value_of(part) for part in components(found, code)] for code in ("pattern", "predominance", "fibres", "process")
    }
    assert {
        "pattern": ["length-dependent-symmetric"],
        "predominance": ["sensory"],
        "fibres": ["mixed"],
        "process": ["axonal-likely"],
    } == kinds
    assert ["toronto-2010.probable"] == [value_of(part) for part in components(found, "toronto-2010")]
    assert CAUTION in found["text"]["div"]


@pytest.mark.parametrize("name", sorted(many()))
def test_the_classification_says_what_the_summary_says(name: str) -> None:
    """Two forms of one answer: patterns, red flags, work-up, autonomic signs and the level of certainty agree."""
    exam = many()[name]
    found, said = observed(answer_of(exam), "classification"), summary_of(exam)["neuropathy"]

    for code, key in (("red-flag", "redFlags"), ("work-up", "workUp"), ("autonomic-sign", "autonomic")):
        assert said[key] == [value_of(part) for part in components(found, code)]
    if "valueCodeableConcept" in found:
        assert said["pattern"] == [one["code"] for one in found["valueCodeableConcept"]["coding"]]
    else:
        assert (["undetermined"], True) == (said["pattern"], "dataAbsentReason" in found)
    for definition, certainty in said["certainty"].items():
        ends = {one["url"]: one["valueCoding"]["code"] for one in components(found, definition)[0]["extension"][0]["extension"]}
        assert {key: f"{definition}.{_coded(certainty[key])}" for key in ("atLeast", "atMost")} == ends


def _coded(level: str) -> str:
    """A level as it is coded: the plus signs of the 2005 definition are counted."""
    return f"likelihood-{len(level)}" if set(level) == {"+"} else level


def test_the_reach_is_one_component_for_each_modality_and_side() -> None:
    """A level where it is exact, with the range; the side as a coding of the component."""
    found = observed(answer_of(stocking()), "classification")

    assert "knee" == value_of(components(found, "level-vibration", "right")[0])
    assert "mid-shin" == value_of(components(found, "level-vibration", "left")[0])


def test_an_open_reach_has_no_value_but_both_ends() -> None:
    """The toe lost and nothing above it tested: the toes at least, the trunk at most."""
    found = observed(answer_of(Exam().see("vibration-128hz", "absent", "both", "hallux")), "classification")
    part = components(found, "level-vibration", "left")[0]
    ends = {one["url"]: one["valueCoding"]["code"] for one in part["extension"][0]["extension"]}

    assert ("valueCodeableConcept" in part, "dataAbsentReason" in part) == (False, True)
    assert {"atLeast": "toes", "atMost": "trunk"} == ends


def test_without_a_pattern_the_reason_is_given() -> None:
    """Nothing examined: no value, a data-absent reason, and no claim that none was found."""
    found = observed(answer_of(Exam()), "classification")

    assert "valueCodeableConcept" not in found
    assert "No pattern can be told from what was examined" == found["dataAbsentReason"]["text"]


def test_the_classification_is_derived_from_the_findings_it_rests_on() -> None:
    """References to what was sent, all of them there, none twice."""
    exam = stocking()
    sent = {
        f"Observation/{entry['resource']['id']}" for entry in exam.entries if entry["resource"]["resourceType"] == "Observation"
    }
    derived = [one["reference"] for one in observed(answer_of(exam), "classification")["derivedFrom"]]
    levels = {
        f"Observation/{entry['resource']['id']}"
        for entry in exam.entries
        if "sensory-level" in str(entry["resource"].get("code"))
    }

    assert len(derived) == len(set(derived))
    assert levels <= set(derived) <= sent


# Scores


@pytest.mark.parametrize("id", ["tcss", "nds-young-1993", "dne", "dns", "nis-ll", "mnsi-exam-8"])
def test_a_score_observation_holds_every_item(id: str) -> None:
    """One component for each item: its points, or a reason why there are none; the total only when no item is open."""
    found = observed(answer_of(stocking()), id)
    said = summary_of(stocking())["scores"][id]
    table = next(table for table in TABLES if table.id == id)
    open_items = [part for part in found["component"] if "dataAbsentReason" in part]

    assert len(table.items) == len(found["component"])
    assert all(("valueQuantity" in part) != ("dataAbsentReason" in part) for part in found["component"])
    assert (said["total"] is None) == bool(open_items) == ("dataAbsentReason" in found) == ("valueQuantity" not in found)
    assert all(part["valueQuantity"]["system"] == canonical.UCUM for part in found["component"] if "valueQuantity" in part)
    if open_items:
        assert f"{said['atLeast']} to {said['atMost']}" == found["dataAbsentReason"]["text"]
        assert any(note["text"].startswith("Missing: ") for note in found["note"])
    assert (said["band"] is not None) == ("interpretation" in found)


def test_a_score_is_derived_from_what_it_reads_only() -> None:
    """The symptom score rests on the symptoms, not on the levels."""
    exam = stocking()
    pains = {
        f"Observation/{entry['resource']['id']}"
        for entry in exam.entries
        if "foot-pain-neuropathic" in str(entry["resource"].get("code"))
    }

    assert pains == {one["reference"] for one in observed(answer_of(exam), "dns")["derivedFrom"]}


def test_a_whole_score_has_its_total_as_a_quantity() -> None:
    """Young 1993: three senses and two points of reflex on each side make ten."""
    exam = Exam().see("ankle-reflex", "absent", "both").see("temperature-sense", "absent", "both", "dorsum")
    exam.see("vibration-128hz", "absent", "both", "hallux").see("pinprick", "absent", "both", "hallux")
    found = observed(answer_of(exam), "nds-young-1993")

    assert (10, "severe") == (found["valueQuantity"]["value"], found["interpretation"][0]["text"])
    assert "dataAbsentReason" not in found


def test_no_score_is_written_of_which_nothing_was_recorded() -> None:
    """An empty score says nothing."""
    codes = {one["code"]["coding"][0]["code"] for one in of_type(answer_of(Exam()), "Observation")}

    assert set() == codes & {table.id for table in TABLES}


# The report


def report(exam: Exam) -> Json:
    return of_type(answer_of(exam), "DiagnosticReport")[0]


def test_the_report_concludes_in_words() -> None:
    """Pattern, character and certainty, as a colleague would say them."""
    conclusion = report(stocking())["conclusion"]

    assert "Pattern: length-dependent symmetric." in conclusion
    assert "sensory; small and large fibres; axonal likely" in conclusion
    assert "Toronto 2010: probable." in conclusion


def test_the_report_lists_every_derived_observation() -> None:
    """Each result is an entry of the same Bundle."""
    answer = answer_of(stocking())
    urls = [entry["fullUrl"] for entry in answer["entry"] if entry["resource"]["resourceType"] == "Observation"]

    assert urls == [one["reference"] for one in of_type(answer, "DiagnosticReport")[0]["result"]]


def test_the_report_says_what_was_not_examined() -> None:
    """What is missing stands in the narrative, and what was tested does not."""
    said = report(stocking())["text"]["div"].partition("<h3>Not examined</h3>")[2].partition("</ul>")[0]

    assert "temperature sense" in said
    assert "ankle reflex" not in said


def test_the_report_never_calls_an_empty_examination_normal() -> None:
    """A missing test is never a low risk."""
    said = report(Exam())

    assert "undetermined" in said["conclusion"].lower()
    assert "none found" not in said["conclusion"].lower()


@pytest.mark.parametrize("name", sorted(many()))
def test_the_cautions_are_always_there(name: str) -> None:
    """For review by a clinician; proposals, never orders; ranges where findings are missing."""
    said = report(many()[name])["text"]["div"]

    assert [True] * 3 == [words in said for words in (CAUTION, "proposals, never orders", "not read as normal")]


@pytest.mark.parametrize("name", sorted(many()))
def test_the_picture_is_attached_as_svg_where_it_is_asked_for(name: str) -> None:
    """FHIR R4 Attachment: type, data and title; well-formed SVG with a text alternative; the same bytes each time; none unasked."""
    pictured = of_type(answer_of(many()[name], report="picture"), "DiagnosticReport")[0]
    (form,) = pictured["presentedForm"]
    drawing = ElementTree.fromstring(b64decode(form["data"]))

    assert [pictured] == of_type(answer_of(many()[name], report="picture"), "DiagnosticReport")
    assert ("image/svg+xml", "Both legs, front and soles", AS_OF) == (form["contentType"], form["title"], form["creation"])
    assert (f"{SVG}svg", True) == (drawing.tag, bool((drawing.findtext(f"{SVG}desc") or "").strip()))
    assert "presentedForm" not in report(many()[name])
    assert pictured["conclusion"] == get_fhir_model_class("DiagnosticReport").model_validate(pictured).conclusion


def test_the_report_can_be_left_out() -> None:
    """Report and picture are made only when asked for; the classification stays."""
    answer = answer_of(stocking(), report="none")

    assert ([], "classification") == (
        of_type(answer, "DiagnosticReport"),
        observed(answer, "classification")["code"]["coding"][0]["code"],
    )
