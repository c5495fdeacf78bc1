"""The forms and what becomes of their answers.

Sources: FHIR R4 Questionnaire and QuestionnaireResponse; HL7 SDC, observation-based extraction (requirements K1 to K5). Which questions a
form asks is a project choice; that the short one asks for everything a risk category rests on is decided in docs/decisions.
"""

import csv
from collections import Counter
from datetime import date
from pathlib import Path
from typing import Any

import orjson
import pytest
from fastapi.testclient import TestClient
from fhir.resources.R4B import get_fhir_model_class
from hypothesis import given, settings
from hypothesis import strategies as st
from terminology.forms import NOT_ASKED

from sural import canonical
from sural.doors.assessor import answer_all
from sural.doors.request import Request
from sural.footrisk.factors import FOOT_CRITERIA, PERSON_CRITERIA
from sural.issues import Refused
from sural.terminology import dictionary
from sural.terminology.questions import Question
from sural.terminology.questions import questions as known_questions
from sural.web.app import create_app
from tests.asking import answer_of, of_type, summaries_of, summary_of
from tests.builders import AS_OF, Json
from tests.conformance.constraints import broken
from tests.conformance.published import claimed
from tests.forms import FORMS, WHY_NOT, directly, items, option, questionnaire, questions, resource, response, with_patient
from tests.paths import unselective

PINNED = Path(__file__).parent / "data" / "link-ids.tsv"
CONCEPTS = {one["code"]: one for one in resource("CodeSystem", "finding")["concept"]}
CLINICAL = ("findings", "monofilament", "footRisk", "prognosis", "neuropathy", "scores", "ulcers", "referrals", "recall")
SYSTEMS = {
    resource("CodeSystem", name)["url"]: {one["code"] for one in resource("CodeSystem", name)["concept"]}
    for name in ("finding", "finding-value", "question", "medicine", "side", "site")
}
SIGNS = {
    "diabetes": "type-2", "amputation-right": "none", "amputation-left": "none", "monofilament-10g-right-hallux": "not-felt",
    "monofilament-10g-left-hallux": "felt", "dorsalis-pedis-pulse-right": "absent", "posterior-tibial-pulse-right": "absent",
    "ankle-pressure-left": 131.5, "toe-pressure-right-not-measured": "not-performed", "egfr": 52, "cannot-self-care": "not-asked",
}  # fmt: skip


@pytest.fixture(scope="module")
def client() -> TestClient:
    return TestClient(create_app())


def extracted(client: TestClient, content: Json) -> Json:
    found = client.post("/fhir/QuestionnaireResponse/$extract", json=content, headers={"Content-Type": "application/fhir+json"})
    assert 200 == found.status_code, found.text
    bundle: Json = found.json()
    return bundle


def clinical(content: Json) -> Json:
    return {part: summary_of(content)[part] for part in CLINICAL}


def keys(content: Json, **how: Any) -> Counter[str]:
    return Counter(issue["key"] for issue in summary_of(content, **how)["issues"])


# the forms


@pytest.mark.parametrize("form", FORMS)
def test_a_form_is_a_valid_questionnaire(form: str) -> None:
    """K1: the model of FHIR R4B, whose Questionnaire has the elements of R4, accepts it as it is."""
    content = questionnaire(form)

    assert (
        orjson.loads(get_fhir_model_class("Questionnaire").model_validate(content).model_dump_json())["item"] == content["item"]
    )


@pytest.mark.parametrize("form", FORMS)
def test_link_ids_are_unique_and_kebab_case(form: str) -> None:
    """FHIR R4 que-2; that they are kebab-case is a project choice."""
    links = Counter(item["linkId"] for item in items(questionnaire(form)))

    assert {1} == set(links.values())
    assert [] == [link for link in links if link != link.lower() or set(link) - set("abcdefghijklmnopqrstuvwxyz0123456789-")]


def test_link_ids_are_those_that_were_published() -> None:
    """A link id never changes and never means anything else: responses that are stored somewhere still have it.

    Adding one adds its line to the table; taking a line out of it or changing one breaks what others have stored.
    """
    with PINNED.open(encoding="utf-8", newline="") as file:
        pinned = [(row["form"], row["link"], row["asks"]) for row in csv.DictReader(file, delimiter="\t")]

    assert pinned == [(form, link, asks(question)) for form in FORMS for link, question in known(form).items()]


def known(form: str) -> dict[str, Question]:
    found = known_questions(f"{canonical.BASE}/Questionnaire/{form}")
    assert found is not None
    return found


def asks(question: Question) -> str:
    parts = (
        question.concept.code,
        question.part,
        question.minutes,
        question.side,
        question.site,
        "why not" if question.of else "",
    )
    return " ".join(filter(None, parts))


@pytest.mark.parametrize("form", FORMS)
def test_every_item_has_a_code_that_exists(form: str) -> None:
    """K1: item.code, in a code system that is published."""
    codes = [
        (code["system"], code["code"])
        for item in items(questionnaire(form))
        for code in item.get("code", [{"system": "", "code": ""}])
    ]

    assert [] == [(system, code) for system, code in codes if code not in SYSTEMS[system]]


@pytest.mark.parametrize("form", FORMS)
def test_every_answer_to_choose_is_one_that_the_question_has(form: str) -> None:
    """Each answer of the concept is offered once and in its order, then the reasons for none; each has words beside its code."""
    for link, item in questions(form).items():
        if item["type"] != "choice":
            continue
        asked = known(form)[link]
        offered = [one["valueCoding"] for one in item["answerOption"]]
        ours = [coding["code"] for coding in offered if coding["system"] == canonical.FINDING_VALUE]
        expected = [] if asked.of or asked.part == "medicine" else list(asked.answered.answers)

        assert expected == ours, link
        assert all(coding["display"].strip() for coding in offered), link
        assert [] == [one for one in offered if one["system"] in SYSTEMS and one["code"] not in SYSTEMS[one["system"]]], link


@pytest.mark.parametrize("form", FORMS)
def test_not_examined_is_an_answer_to_every_question(form: str) -> None:
    """Project choice: a test that was not done is said, with the reason. What asks for more of another answer leaves it to that one."""
    answerable = questions(form)
    for link, item in answerable.items():
        if known(form)[link].of or known(form)[link].part in ("deformity-type", "medicine"):
            continue
        why = item if item["type"] == "choice" else answerable[link + WHY_NOT]

        assert 3 == sum(one["valueCoding"]["system"] == canonical.ABSENT_REASON for one in why["answerOption"]), link


@pytest.mark.parametrize("form", FORMS)
def test_a_measured_answer_has_its_unit(form: str) -> None:
    """K1 and K2: the unit comes from the question; a pure number has none."""
    for link, item in questions(form).items():
        if item["type"] != "decimal":
            continue
        units = [one["valueCoding"] for one in item["extension"] if one["url"].endswith("/questionnaire-unit")]
        expected = known(form)[link].answered.unit

        assert ([] if expected in ("1", "{ratio}", "{score}") else [expected]) == [unit["code"] for unit in units], link


@pytest.mark.parametrize("form", FORMS)
def test_the_two_sides_stand_beside_each_other(form: str) -> None:
    """Project choice: right, then left, in one group, whatever is asked of a side."""
    for group in items(questionnaire(form)):
        sides = [known(form)[item["linkId"]].side for item in group.get("item", []) if item["linkId"] in known(form)]
        if any(sides):
            assert ["right", "left"] == list(dict.fromkeys(sides)), group["linkId"]


@pytest.mark.parametrize("form", FORMS)
def test_what_opens_a_question_stands_before_it(form: str) -> None:
    """Every enableWhen names a question of the form that comes first, and an answer that it has; several say how they combine (que-12)."""
    before: dict[str, Json] = {}
    for item in items(questionnaire(form)):
        conditions = item.get("enableWhen", [])
        for one in conditions:
            held = before if item["type"] != "group" else questions(form)
            assert one["question"] in held, item["linkId"]
            if "answerCoding" in one:
                assert option(held[one["question"]], one["answerCoding"]["code"]), item["linkId"]
        assert len(conditions) < 2 or "enableBehavior" in item, item["linkId"]
        before[item["linkId"]] = item


@pytest.mark.parametrize("side", ["right", "left"])
def test_a_foot_that_is_not_there_is_not_asked_about(side: str) -> None:
    """Examining a foot after its amputation makes no sense (common practice, no source): such questions close."""
    gone = {"entire-foot", "below-knee", "above-knee"}
    for link in (f"foot-ulcer-{side}", f"dorsalis-pedis-pulse-{side}", f"monofilament-10g-{side}-hallux", f"ankle-reflex-{side}"):
        conditions = questions("neurological-examination")[link]["enableWhen"]

        assert gone == {one["answerCoding"]["code"] for one in conditions}, link
        assert {(f"amputation-{side}", "!=")} == {(one["question"], one["operator"]) for one in conditions}, link


def test_the_short_form_asks_for_all_that_a_risk_category_rests_on() -> None:
    """Every factor of every scheme can be called present and absent from the short form; other forms of the same test are left out."""
    asked = {question.concept.code for question in known("foot-screening").values()}

    for criterion in (*FOOT_CRITERIA, *PERSON_CRITERIA):
        assert asked & {code for ground in criterion.present for code in ground.reads}, criterion.factor
        assert asked & {code for ground in criterion.absent for code in ground.reads} or not criterion.absent, criterion.factor
    reads = frozenset().union(*(criterion.reads for criterion in (*FOOT_CRITERIA, *PERSON_CRITERIA)))
    full = {"light-touch", "pinprick", "sensory-level-light-touch", "sensory-level-pinprick", "sensory-level-vibration", "toe-touch",
            "vibration-threshold"}  # fmt: skip

    assert full == reads - asked - NOT_ASKED.keys()


def test_the_full_form_asks_for_everything_that_is_examined() -> None:
    """Every finding of the dictionary is asked, or is left out for a reason that is written down; and the short form is part of it."""
    asked = {question.concept.code for question in known("neurological-examination").values()}
    findings = {code for code, concept in dictionary.concepts().items() if concept.scope != "component"}

    assert asked | NOT_ASKED.keys() == findings
    assert asked.isdisjoint(NOT_ASKED)
    assert known("foot-screening").items() <= known("neurological-examination").items()


def test_a_form_needs_nothing_but_fhir_to_be_shown() -> None:
    """K5: no expressions, templates or StructureMaps; the extensions are core FHIR, and one of SDC that only matters after filling."""
    urls = {one["url"] for form in FORMS for item in items(questionnaire(form)) for one in item.get("extension", [])}
    core = "http://hl7.org/fhir/StructureDefinition/"

    assert {core + "questionnaire-itemControl", core + "questionnaire-unit", core + "minValue", core + "maxValue",
            "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-observationExtract"} == urls  # fmt: skip


# reading a response


def test_a_response_is_read_by_its_link_ids() -> None:
    """What was answered is found, per side and with its unit; the time of the examination is that of the response."""
    found = summary_of(with_patient(response("foot-screening", SIGNS)))

    assert {"felt": 0, "notFelt": 1, "undecided": 0} == found["monofilament"]["right"]
    assert {
        "person": "yes",
        "left": "no" if found["findings"]["arterialDisease"]["left"] == "no" else "unknown",
        "right": "yes",
    } == found["findings"]["arterialDisease"]
    assert "high" == found["footRisk"]["nice-ng19-2019"]["atLeast"]


def test_every_answer_is_counted() -> None:
    """Nothing is lost: the response, the patient and every answer end as one of the four."""
    content = with_patient(response("foot-screening", SIGNS))

    assert {"used": len(SIGNS) + 2, "superseded": 0, "notRelevant": 0, "unusable": 0} == summary_of(content)["intake"]


def test_every_answer_is_cited_by_its_response_once() -> None:
    """Answers have no identity of their own: the risk rests on the response, and says so once."""
    found = answer_of(with_patient(response("foot-screening", SIGNS)))

    for risk in of_type(found, "RiskAssessment"):
        assert 1 == [one["reference"] for one in risk["basis"]].count("QuestionnaireResponse/r1")
    for one in of_type(found, "Observation"):
        assert [{"reference": "QuestionnaireResponse/r1"}] == one.get("derivedFrom", [{"reference": "QuestionnaireResponse/r1"}])


@pytest.mark.parametrize("form", FORMS)
def test_a_response_comes_in_by_every_door(form: str, client: TestClient) -> None:
    """Alone, in a Bundle, in Parameters, as a line: the same answer."""
    content = response(form, SIGNS)
    expected = summary_of(content)
    parameters = {"resourceType": "Parameters", "parameter": [{"name": "exam", "resource": content}]}
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": content}]}
    posted = client.post(
        f"/fhir/$assess-lower-limb?output=summary&as-of={AS_OF}", json=content, headers={"Content-Type": "application/fhir+json"}
    )
    lines = orjson.dumps(content) + b"\n" + orjson.dumps(content | {"id": "r2"})
    answered = list(answer_all(lines, Request(date.fromisoformat(AS_OF), output="summary"), declared=True))

    for one in (summary_of(parameters), summary_of(bundle), posted.json()):
        assert {part: expected[part] for part in CLINICAL} == {part: one[part] for part in CLINICAL}
    assert [1, 1] == [len(one.assessed.patients) for one in answered if one.assessed is not None]


def test_a_newer_version_of_a_response_gives_another_answer() -> None:
    """As with any input: the identifiers of the answer change with the version of what it rests on."""
    versions = (response("foot-screening", SIGNS, meta={"versionId": version}) for version in "12")
    first, second = (
        {one["identifier"][0]["value"] for one in of_type(answer_of(content), "RiskAssessment")} for content in versions
    )

    assert first.isdisjoint(second)


def test_two_responses_about_two_people_are_told_apart() -> None:
    """Each response says whom it is about; the patients are answered one by one."""
    one, other = response("foot-screening", SIGNS), response("foot-screening", {"diabetes": "type-1"}, id="r2")
    other["subject"] = {"reference": "Patient/p2"}
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one}, {"resource": other}]}

    assert ["Patient/p1", "Patient/p2"] == [found["subject"] for found in summaries_of(bundle)]


@pytest.mark.parametrize(
    ("status", "key"),
    [
        ("in-progress", "preliminary"),
        ("entered-in-error", "status-not-usable"),
        ("stopped", "status-not-usable"),
        ("done", "status-invalid"),
    ],
)
def test_only_a_completed_or_amended_response_is_evidence(status: str, key: str) -> None:
    """K2: nothing is read of any other, one issue says why, and every answer is counted as unusable."""
    content = response("foot-screening", SIGNS, status=status)
    found = summary_of(content)

    assert [(key, "QuestionnaireResponse.status")] == [
        (issue["key"], issue["expression"]) for issue in found["issues"] if issue["key"] == key
    ]
    assert len(SIGNS) + 1 == found["intake"]["unusable"]
    assert 0 == found["monofilament"]["right"]["notFelt"]


def test_an_amended_response_is_read_as_a_completed_one() -> None:
    """The status of QuestionnaireResponse, FHIR R4."""
    assert clinical(response("foot-screening", SIGNS)) == clinical(response("foot-screening", SIGNS, status="amended"))


def test_a_response_in_progress_is_read_on_request() -> None:
    """As preliminary results are: the answer is then preliminary too."""
    content = response("foot-screening", SIGNS, status="in-progress")

    assert 1 == summary_of(content, preliminary=True)["monofilament"]["right"]["notFelt"]
    assert {"preliminary"} == {one["status"] for one in of_type(answer_of(content, preliminary=True), "RiskAssessment")}


def test_what_a_response_in_progress_says_is_not_ruled_out() -> None:
    """An answer is never surer than its data: an ulcer that may be there keeps "no ulcer" from being said."""
    ulcer = response("foot-screening", {"foot-ulcer-right": "present"}, status="in-progress")
    clear = response("foot-screening", {"foot-inspection-right": "clear", "foot-inspection-left": "clear"}, id="r2")
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": ulcer}, {"resource": clear}]}

    assert "unknown" == summary_of(bundle)["findings"]["ulcer"]["right"]


def test_an_answer_that_cannot_be_read_rules_nothing_out() -> None:
    """The same: whatever was meant by an answer of the wrong type, it may have been an ulcer."""
    content = response("foot-screening", {"foot-inspection-right": "clear", "foot-ulcer-right": {"valueUri": "urn:x"}})

    assert "no" == summary_of(response("foot-screening", {"foot-inspection-right": "clear"}))["findings"]["ulcer"]["right"]
    assert "unknown" == summary_of(content)["findings"]["ulcer"]["right"]


def test_answers_below_answers_are_read() -> None:
    """FHIR R4 lets questions stand below an answer; some forms are exported so."""
    content = response("foot-screening", {"callus-right": "present"})
    inner = {"linkId": "egfr", "answer": [{"valueDecimal": 12}]}
    content["item"][0]["item"][0]["item"][0]["answer"][0]["item"] = [inner]

    assert (3, 0) == (summary_of(content)["intake"]["used"], summary_of(content)["intake"]["unusable"])


def test_more_answers_than_a_bundle_may_have_entries_are_refused() -> None:
    """Work is bounded by the size of the input."""
    answers: list[Json] = [{"valueBoolean": True}] * 20_001
    content = response("foot-screening", {}) | {"item": [{"linkId": "callus-right", "answer": answers}]}

    with pytest.raises(Refused) as refused:
        summary_of(content)
    assert ["too-many-entries"] == [issue.key for issue in refused.value.issues]


FAULTS: list[tuple[str, Json, str]] = [
    ("callus-both", {"valueBoolean": True}, "question-unknown"),
    ("callus-right", {"valueUri": "urn:x"}, "value-type"),
    ("callus-right", {"valueCoding": {"system": canonical.FINDING_VALUE, "code": "felt"}}, "value-not-mapped"),
    ("callus-right", {}, "value-missing"),
    ("ankle-pressure-right", {"valueString": "low"}, "value-not-mapped"),
    ("ankle-pressure-right", {"valueQuantity": {"value": 60, "unit": "mmHg"}}, "unit-missing"),
    ("ankle-brachial-index-right", {"valueDecimal": 17}, "value-out-of-range"),
    (
        "monofilament-10g-right-hallux",
        {"valueBoolean": False, "modifierExtension": [{"url": "urn:x", "valueBoolean": True}]},
        "modifier-extension",
    ),
    ("toe-pressure-right-not-measured", {"valueBoolean": True}, "value-type"),
]


@pytest.mark.parametrize(("link", "given", "key"), FAULTS)
def test_an_answer_that_cannot_be_used_is_pointed_at(link: str, given: Json, key: str) -> None:
    """The issue names the answer or its value by a FHIRPath that selects one node; the other answers are read all the same."""
    content = response("foot-screening", {"diabetes": "type-2"})
    content["item"].append({"linkId": "section-history", "item": [{"linkId": link, "answer": [given]}]})
    found = summary_of(content, check=bool(given))
    issues = [issue for issue in found["issues"] if issue["key"] == key]
    where = "QuestionnaireResponse.item[1].item[0].answer[0]"

    assert [where] == [issue["expression"].removesuffix(".value") for issue in issues]
    if given:
        assert [] == unselective(content, issues)
    assert 1 == found["intake"]["unusable"]
    assert 2 == found["intake"]["used"]


def test_a_form_that_is_not_ours_is_left_alone() -> None:
    """A record holds many forms: theirs are counted, named once, and not read, even where a link id is like one of ours."""
    content = response("foot-screening", SIGNS, questionnaire="https://forms.example/Questionnaire/foot-screening")
    found = summary_of(content)

    assert ["questionnaire-unknown"] == [issue["key"] for issue in found["issues"] if issue["severity"] == "warning"]
    assert "QuestionnaireResponse.questionnaire" == next(
        i["expression"] for i in found["issues"] if i["key"] == "questionnaire-unknown"
    )
    assert {"used": 0, "superseded": 0, "notRelevant": len(SIGNS) + 1, "unusable": 0} == found["intake"]


@pytest.mark.parametrize("authored", [None, "2026", "yesterday", "2027-01-01"])
def test_the_time_of_a_response_is_that_of_its_answers(authored: str | None) -> None:
    """None, not exact, none at all, or in the future: as for an Observation, a finding of the day cannot be used without."""
    found = summary_of(response("foot-screening", {"callus-right": "present", "amputation-right": "toe"}, authored=authored))
    counted = {None: (2, 1), "2026": (3, 0), "yesterday": (0, 3), "2027-01-01": (1, 2)}[authored]

    assert counted == (found["intake"]["used"], found["intake"]["unusable"])


def test_a_reason_beside_a_value_does_not_undo_it() -> None:
    """A form closes the question why as soon as there is a number; where both come all the same the number stands, and it is said."""
    found = summary_of(response("foot-screening", {"toe-pressure-right": 48, "toe-pressure-right-not-measured": "not-performed"}))

    assert ["value-and-absent-reason"] == [issue["key"] for issue in found["issues"] if issue["severity"] == "error"]
    assert (2, 1) == (found["intake"]["used"], found["intake"]["unusable"])


def test_an_answer_given_twice_is_read_as_the_worse() -> None:
    """As two Observations of the same moment are: contradiction, worse reading."""
    content = response("foot-screening", {"callus-right": ["absent", "present"], "callus-left": "absent"})

    assert "yes" == summary_of(content)["findings"]["callus"]["right"]
    assert 1 == keys(content)["contradiction"]


# extraction


def test_extraction_gives_one_resource_for_each_answer(client: TestClient) -> None:
    """K2: status, subject, time and source are those of the response; the unit is that of the question; nothing is deleted."""
    more = {"encounter": {"reference": "Encounter/e1"}, "author": {"reference": "Practitioner/n1"}}
    bundle = extracted(client, response("foot-screening", SIGNS, **more))

    assert "transaction" == bundle["type"]
    assert len(SIGNS) == len(bundle["entry"])
    assert {"PUT"} == {entry["request"]["method"] for entry in bundle["entry"]}
    for one in of_type(bundle, "Observation"):
        assert ("final", "Patient/p1", "Encounter/e1") == (
            one["status"],
            one["subject"]["reference"],
            one["encounter"]["reference"],
        )
        assert [{"reference": "QuestionnaireResponse/r1"}] == one["derivedFrom"]
        assert [{"reference": "Practitioner/n1"}] == one["performer"]
    pressure = next(one for one in of_type(bundle, "Observation") if one.get("valueQuantity", {}).get("unit") == "mm[Hg]")
    assert (131.5, canonical.UCUM) == (pressure["valueQuantity"]["value"], pressure["valueQuantity"]["system"])


def test_extracted_resources_are_valid(client: TestClient) -> None:
    """By the models of FHIR R4B, and by our profile of a finding, which each of them claims: its invariants are evaluated for every shape
    of Observation that there is, its binding and its required elements for all."""
    bundle = extracted(client, response("neurological-examination", everything()))

    get_fhir_model_class("Bundle").model_validate(bundle)
    shapes = {tuple(sorted(one)): one for one in of_type(bundle, "Observation")}
    advice = {"dom-6"}  # best practice: a narrative, which the answers have in the response
    assert {shape: set() for shape in shapes} == {shape: {*broken(one, claimed(one))} - advice for shape, one in shapes.items()}
    accepted = {one["system"]: one.get("concept") for one in resource("ValueSet", "accepted-finding")["compose"]["include"]}
    for one in of_type(bundle, "Observation"):
        code = one["code"]["coding"][0]
        assert code["system"] in accepted and code["code"] in CONCEPTS
        assert one["effectiveDateTime"] and one["subject"]
        assert 1 == sum(name.startswith("value") or name == "dataAbsentReason" for name in one) or one["component"]
        assert dictionary.concepts()[code["code"]].sided == ("bodySite" in one)


def test_the_same_response_twice_is_the_same_extraction(client: TestClient) -> None:
    """Conditional updates on identifiers that are made from the response and the question: sent again, nothing changes."""
    once, again = (extracted(client, response("foot-screening", SIGNS)) for _ in range(2))
    other = extracted(client, response("foot-screening", SIGNS, id="r2"))

    assert once == again
    assert not {entry["request"]["url"] for entry in once["entry"]} & {entry["request"]["url"] for entry in other["entry"]}


def test_an_amended_response_amends_what_it_said(client: TestClient) -> None:
    """K2: the same identifiers, status amended; an answer that was taken back leaves what was extracted as it is."""
    before = extracted(client, response("foot-screening", {"callus-right": "absent", "egfr": 52}))
    after = extracted(client, response("foot-screening", {"callus-right": "present"}, status="amended"))

    assert before["entry"][0]["request"] == after["entry"][0]["request"]
    assert ["amended"] == [one["status"] for one in of_type(after, "Observation")]


def test_answers_that_cannot_be_extracted_are_named(client: TestClient) -> None:
    """The Bundle comes beside the issues then, as the operation's two output parameters; what is usable is still in it."""
    content = response("foot-screening", {"egfr": 52})
    content["item"].append({"linkId": "no-such-question", "answer": [{"valueBoolean": True}]})
    found = extracted(client, content)
    parts = {one["name"]: one["resource"] for one in found["parameter"]}

    assert ["question-unknown"] == [issue["details"]["coding"][0]["code"] for issue in parts["issues"]["issue"]]
    assert 1 == len(parts["return"]["entry"])


def test_the_response_may_come_in_parameters(client: TestClient) -> None:
    """SDC, $extract: `questionnaire-response`."""
    content = response("foot-screening", SIGNS)
    parameters = {"resourceType": "Parameters", "parameter": [{"name": "questionnaire-response", "resource": content}]}

    assert extracted(client, content) == extracted(client, parameters)


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"status": "in-progress"}, "preliminary"),
        ({"status": "entered-in-error"}, "status-not-usable"),
        ({"questionnaire": "https://forms.example/Questionnaire/other"}, "questionnaire-unknown"),
        ({"subject": None}, "patient-missing"),
        ({"authored": None}, "element-missing"),
    ],
)
def test_nothing_is_extracted_from_what_is_no_evidence(change: Json, key: str, client: TestClient) -> None:
    """K2: only a completed or amended response, of ours, that says whom it is about and when."""
    content = response("foot-screening", SIGNS, **change)
    refused = client.post("/fhir/QuestionnaireResponse/$extract", json=content, headers={"Content-Type": "application/fhir+json"})

    assert refused.status_code in (400, 422)
    assert [key] == [issue["details"]["coding"][0]["code"] for issue in refused.json()["issue"]]


def test_the_service_says_that_it_extracts(client: TestClient) -> None:
    """K1, K4, K5: the operation and the forms stand in the CapabilityStatement; no other way of extraction does."""
    resources = {one["type"]: one for one in client.get("/fhir/metadata").json()["rest"][0]["resource"]}

    (operation,) = resources["QuestionnaireResponse"]["operation"]

    assert "http://hl7.org/fhir/uv/sdc/OperationDefinition/QuestionnaireResponse-extract" == operation["definition"]
    assert "no templates, StructureMaps or expressions" in operation["documentation"]
    assert {"read", "search-type"} == {one["code"] for one in resources["Questionnaire"]["interaction"]}
    assert questionnaire("foot-screening") == client.get("/fhir/Questionnaire/foot-screening").json()


# round trip


def everything() -> Json:
    """The first answer, a plausible number or a date for every question of the full form."""
    return {
        link: sample(link, item) for link, item in questions("neurological-examination").items() if not link.endswith(WHY_NOT)
    }


def sample(link: str, item: Json) -> Any:
    if item["type"] == "choice":
        return item["answerOption"][0]["valueCoding"]["code"]
    return {"date": "2025-11-03", "integer": 2, "decimal": 3.5}[item["type"]] if link != "body-temperature" else 37.1


@st.composite
def answered(draw: st.DrawFn, form: str) -> Json:
    """Some of the questions of a form, answered in any way that it allows: a question why only where there is no value."""
    found: Json = {}
    known_items = questions(form)
    for link in draw(st.lists(st.sampled_from(sorted(known_items)), unique=True, max_size=60)):
        item = known_items[link]
        if link.removesuffix(WHY_NOT) in found or link + WHY_NOT in found:
            continue
        if item["type"] == "choice":
            codes = [one["valueCoding"]["code"] for one in item["answerOption"]]
            if item.get("repeats"):
                found[link] = draw(st.lists(st.sampled_from(codes), unique=True, min_size=1, max_size=3))
            else:
                found[link] = draw(st.sampled_from(codes))
        elif item["type"] == "date":
            found[link] = draw(st.sampled_from(["2026-02-27", "2025-06", "2019"]))
        else:
            found[link] = draw(number(item))
    return found


def number(item: Json) -> st.SearchStrategy[Any]:
    bounds = {one["url"].rpartition("/")[2]: next(v for k, v in one.items() if k != "url") for one in item.get("extension", [])}
    low, high = bounds.get("minValue", 0), bounds.get("maxValue", 150)
    if item["type"] == "integer":
        return st.integers(low, high)
    return st.integers(low * 100, high * 100).map(lambda hundredths: hundredths / 100)


@pytest.mark.parametrize("form", FORMS)
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_response_its_extraction_and_plain_observations_say_the_same(form: str, data: st.DataObject) -> None:
    """The round trip: assessing a response, what is extracted from it, and the same findings sent as Observations."""
    answers = data.draw(answered(form))
    content = response(form, answers)
    direct = clinical(with_patient(content))

    assert direct == clinical(directly(answers, CONCEPTS))
    assert direct == clinical(with_patient({"resourceType": "Bundle", "entry": [], **extracted(CLIENT, content)}))


CLIENT = TestClient(create_app())


def test_every_question_of_the_full_form_makes_the_round_trip() -> None:
    """All of them at once, so that none is left to chance."""
    answers = everything()
    content = response("neurological-examination", answers)
    direct = clinical(with_patient(content))

    assert direct == clinical(directly(answers, CONCEPTS))
    assert direct == clinical(with_patient(extracted(CLIENT, content)))
    assert 0 == summary_of(with_patient(content))["intake"]["unusable"]


def test_an_engine_that_only_knows_item_codes_extracts_the_same() -> None:
    """SDC, observation-based: Observation.code is item.code and the value is the answer. The code carries the side and the site."""
    items_of = questions("neurological-examination")
    answers = {link: one for link, one in everything().items() if link not in ("neurotoxic-medicine-medicine",)}
    plain = []
    for number, (link, one) in enumerate(answers.items()):
        item = items_of[link]
        value: Json = {"valueCodeableConcept": {"coding": [option(item, one)["valueCoding"]]}} if item["type"] == "choice" else {}
        if item["type"] == "date":
            value = {"valueDateTime": one}
        elif item["type"] == "integer":
            value = {"valueInteger": one}
        elif item["type"] == "decimal":
            unit = next((e["valueCoding"]["code"] for e in item["extension"] if e["url"].endswith("-unit")), "1")
            value = {"valueQuantity": {"value": one, "unit": unit, "system": canonical.UCUM, "code": unit}}
        more = {
            "status": "final",
            "code": {"coding": item["code"]},
            "subject": {"reference": "Patient/p1"},
            "effectiveDateTime": "2026-03-01T09:30:00+00:00",
        }
        plain.append({"resource": {"resourceType": "Observation", "id": f"o{number}", **more, **value}})
    found = clinical(with_patient({"resourceType": "Bundle", "entry": plain}))
    ours = clinical(with_patient(response("neurological-examination", answers)))

    assert ours["findings"] == found["findings"]
    assert ours["scores"] == found["scores"]
    assert ours["footRisk"] == found["footRisk"]
