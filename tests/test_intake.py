"""The intake: which documents are read, whom they are about, what is evidence, and which reading counts.

References: FHIR R4 Bundle (resolving references), Observation.status, Condition.clinicalStatus and verificationStatus (required value
sets), data types date and dateTime; reading rules "Time" and "Findings" of the contract. All data are invented.
"""

import json
from datetime import date
from decimal import Decimal
from typing import Any

import orjson
import pytest

import sural
from sural import canonical
from sural.exam.moment import before, duration, moment, period, whole_years
from tests.asking import answer_of, of_type, summaries_of, summary_of
from tests.builders import AS_OF, EXAMINED, FEET, Exam, Json, answer, place
from tests.pieces import (
    PATIENT,
    VERIFICATION,
    about_p1,
    bundle,
    coding,
    component,
    concept,
    condition,
    encounter,
    entry,
    examination,
    finding,
    issues,
    keys,
    loinc,
    normal_and,
    observation,
    own,
    patient,
    prescription,
    procedure,
    reading,
    refusal,
    side_coding,
    snomed,
    statement,
)

METFORMIN = snomed("109081006")
UUID = "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0"

# ---------------------------------------------------------------------------------------------------------------------------------
# documents


@pytest.mark.parametrize("kind", ["collection", "transaction", "batch", "searchset", "document"])
def test_five_types_of_bundle_are_read_alike(kind: str) -> None:
    """interop F1; entry order and type of Bundle carry no meaning for us."""
    assert summary_of(Exam().normal().bundle()) == summary_of(Exam().normal().bundle(kind))


@pytest.mark.parametrize(
    "kind", ["message", "history", "transaction-response", "batch-response", "subscription-notification", "", 5, [], {}]
)
@pytest.mark.parametrize("check", [False, True])
def test_other_types_of_bundle_are_refused(kind: Any, check: bool) -> None:
    """A history or a response does not state what holds now."""
    with pytest.raises(sural.Refused) as refused:
        summary_of(Exam().bundle() | {"type": kind}, check=check)

    path = "Bundle" if kind == [] else "Bundle.type"
    assert [("bundle-type-unsupported", path)] == [(issue.key, issue.expression) for issue in refused.value.issues]


@pytest.mark.parametrize("check", [False, True])
def test_a_bundle_without_a_type_is_refused(check: bool) -> None:
    """Bundle.type is required."""
    with pytest.raises(sural.Refused) as refused:
        summary_of({key: value for key, value in Exam().bundle().items() if key != "type"}, check=check)

    assert [("element-missing", "Bundle")] == [(issue.key, issue.expression) for issue in refused.value.issues]


def _as_parameters(*content: Json, **more: str) -> Json:
    given = [{"name": "exam", "resource": one} for one in content]
    return {
        "resourceType": "Parameters",
        "parameter": [*given, *({"name": name, "valueString": text} for name, text in more.items())],
    }


def test_parameters_give_the_same_as_the_bundle_in_them() -> None:
    """The operation's other form (interop B2)."""
    whole = Exam().normal().bundle()

    assert summary_of(whole) == summary_of(_as_parameters(whole))


def test_parameters_may_hold_several_exams_of_one_patient() -> None:
    """A Bundle, and a resource beside it."""
    content = _as_parameters(Exam().bundle(), observation("callus", "present", "left"))

    assert "yes" == finding(content, "callus")["left"]
    assert 3 == summary_of(content)["intake"]["used"]


def test_a_path_in_parameters_starts_at_the_parameters() -> None:
    """The expression selects the node of what was sent."""
    content = _as_parameters(about_p1(observation("callus", "present")))

    assert [("side-missing", "Parameters.parameter[0].resource.entry[2].resource")] == issues(content)


@pytest.mark.parametrize(
    "resource",
    [observation("callus", "present", "left"), condition("44054006"), procedure("88312006"), statement(METFORMIN), encounter()],
)
def test_a_single_resource_with_a_subject_is_enough(resource: Json) -> None:
    """It names the patient, so it can be assessed on its own."""
    assert [PATIENT] == [one["subject"] for one in summaries_of(resource)]


def test_a_patient_alone_is_a_patient_of_whom_nothing_is_known() -> None:
    """Nothing examined: low to active, no category (contract, "Ranges")."""
    summary = summary_of(patient())

    assert ("low", "active", None) == tuple(
        summary["footRisk"]["nice-ng19-2019"][part] for part in ("atLeast", "atMost", "category")
    )


def test_a_patient_without_an_identity_gives_no_empty_reference() -> None:
    """FHIR JSON has no empty strings: refused, or a subject with the patient's identifier or display."""
    answered = answer_of(bundle(patient(None), observation("callus", "present", "left", subject=None)))

    assert [] == [
        one["resource"]["resourceType"] for one in answered["entry"] if one["resource"].get("subject") == {"reference": ""}
    ]


def test_a_questionnaire_response_says_who_it_is_about() -> None:
    """The contract's `sural assess` takes a QuestionnaireResponse."""
    content = {"resourceType": "QuestionnaireResponse", "status": "completed", "subject": {"reference": PATIENT}}

    assert [PATIENT] == [one["subject"] for one in summaries_of(content)]


@pytest.mark.parametrize(
    "content", [bundle(), _as_parameters(), {"resourceType": "Parameters"}, bundle({"resource": {"resourceType": "Basic"}})]
)
def test_a_document_about_nobody_is_refused(content: Json) -> None:
    """Nothing to assess, or nobody to assess it for."""
    with pytest.raises(sural.Refused) as refused:
        summary_of(content)

    assert refused.value.issues[-1].key in ("empty-input", "patient-missing")


def test_the_answer_comes_in_the_form_of_the_input() -> None:
    """Bytes for bytes, text for text, a dict for a dict, a model for a model; the same content each time."""
    from fhir.resources.R4B.bundle import Bundle

    content, day = Exam().normal().bundle(), date.fromisoformat(AS_OF)
    data = orjson.dumps(content)
    whole = orjson.loads(sural.assess(data, as_of=day))

    assert whole == orjson.loads(sural.assess(bytearray(data), as_of=day))
    assert whole == orjson.loads(sural.assess(data.decode(), as_of=day))
    assert whole == orjson.loads(orjson.dumps(sural.assess(content, as_of=day)))
    assert isinstance(sural.assess(data.decode(), as_of=day), str)
    assert isinstance(sural.assess(Bundle.model_validate(content), as_of=day), Bundle)


def test_a_dict_may_hold_decimals() -> None:
    """FHIR decimals keep their precision in Decimal: the usual way to load them in Python."""
    content = json.loads(orjson.dumps(Exam().see("ankle-brachial-index", 0.85, "left").bundle()), parse_float=Decimal)

    assert ["Bundle"] == [sural.assess(content, as_of=date.fromisoformat(AS_OF))["resourceType"]]


def test_text_with_half_a_character_is_refused() -> None:
    """As bytes it is not JSON, so it is not as text."""
    with pytest.raises(sural.Refused):
        sural.assess(orjson.dumps(Exam().bundle()).decode().replace("final", "fin\ud800al"))


def test_the_input_is_never_changed() -> None:
    """A dict that is passed in is the same afterwards, for a good and for a bad examination."""
    for content in (
        Exam().normal().bundle(),
        about_p1(
            observation("callus", "present"), {"resourceType": "Nonsense"}, observation("callus", "absent", "left", id="o1")
        ),
    ):
        before_it = orjson.dumps(content)
        sural.assess(content, as_of=date.fromisoformat(AS_OF), check=True)

        assert before_it == orjson.dumps(content)


def test_five_thousand_entries_are_read() -> None:
    """No hidden limit below the published one (interop F6)."""
    exam = Exam()
    for number in range(5000):
        exam.see("heart-rate-resting", 60 + number % 30, id=f"h{number}", effectiveDateTime=f"2026-02-{1 + number % 28:02d}")

    assert 5002 == sum(summary_of(exam)["intake"].values())


# ---------------------------------------------------------------------------------------------------------------------------------
# whom it is about: reference styles

SERVER = "https://ehr.example/fhir"
IDENTIFIED = {"identifier": {"system": "urn:example:skerrow", "value": "p1"}}
STYLES: dict[str, tuple[list[Json], Json]] = {
    "relative": ([entry(patient())], {"reference": "Patient/p1"}),
    "relative to the base of the entry": ([entry(patient(), f"{SERVER}/Patient/p1")], {"reference": "Patient/p1"}),
    "absolute": ([entry(patient(), f"{SERVER}/Patient/p1")], {"reference": f"{SERVER}/Patient/p1"}),
    "urn:uuid": ([entry(patient(), UUID)], {"reference": UUID}),
    "urn:oid": ([entry(patient(), "urn:oid:1.2.3")], {"reference": "urn:oid:1.2.3"}),
    "relative to one version": ([entry(patient())], {"reference": "Patient/p1/_history/3"}),
    "absolute to one version": ([entry(patient(), f"{SERVER}/Patient/p1")], {"reference": f"{SERVER}/Patient/p1/_history/3"}),
    "logical": ([entry(patient())], IDENTIFIED),
    "logical with a type": ([entry(patient())], IDENTIFIED | {"type": "Patient"}),
    "conditional": ([entry(patient())], {"reference": "Patient?identifier=urn:example:skerrow|p1"}),
    "with type and display": ([entry(patient())], {"reference": "Patient/p1", "type": "Patient", "display": "Invented person"}),
    "to a patient who is elsewhere": ([], {"reference": "Patient/p1"}),
    "absolute to a patient who is elsewhere": ([], {"reference": f"{SERVER}/Patient/p1"}),
}  # fmt: skip


@pytest.mark.parametrize("style", STYLES)
def test_every_style_of_reference_finds_the_one_patient(style: str) -> None:
    """FHIR R4 Bundle, resolving references; interop F3."""
    patients, subject = STYLES[style]
    url = f"{SERVER}/Observation/seen"
    content = bundle(*patients, entry(observation("callus", "present", "left", subject=subject), url))

    (summary,) = summaries_of(content)

    assert {"person": "yes", "left": "yes", "right": "unknown"} == summary["findings"]["callus"]
    assert 1 + len(patients) == summary["intake"]["used"]


def test_a_contained_patient_with_an_identifier_is_a_patient() -> None:
    """`#id` resolves in the resource's own `contained`."""
    content = bundle(observation("callus", "present", "left", contained=[patient("inside")], subject={"reference": "#inside"}))

    (summary,) = summaries_of(content)

    assert "yes" == summary["findings"]["callus"]["left"]


def test_a_contained_patient_is_the_patient_of_the_bundle_with_the_same_identifier() -> None:
    """The identifier is what makes them one."""
    inside = patient("inside") | {"identifier": patient()["identifier"]}
    content = bundle(patient(), observation("callus", "present", "left", contained=[inside], subject={"reference": "#inside"}))

    assert [PATIENT] == [one["subject"] for one in summaries_of(content)]


NOT_A_PATIENT: dict[str, Json] = {
    "a group": {"reference": "Group/g"},
    "a device": {"reference": f"{SERVER}/Device/d"},
    "a location": {"reference": "Location/l", "type": "Location"},
    "a bare id": {"reference": "p1"},
    "only a name": {"display": "Somebody"},
    "nothing": {"id": "x"},
    "an empty string": {"reference": ""},
    "contained, not there": {"reference": "#nobody"},
    "a logical group": {"identifier": {"system": "urn:x", "value": "1"}, "type": "Group"},
    "an identifier without a value": {"identifier": {"system": "urn:x"}},
    "conditional by name": {"reference": "Patient?name=smith"},
    "conditional of another type": {"reference": "Group?identifier=a|b"},
}


@pytest.mark.parametrize("case", NOT_A_PATIENT)
def test_a_subject_that_is_no_patient_is_refused(case: str) -> None:
    """Not guessed to be the only patient of the Bundle."""
    content = about_p1(observation("callus", "present", "left", subject=NOT_A_PATIENT[case]))

    assert [("subject-not-patient", "Bundle.entry[2].resource.subject")] == issues(content)
    assert "unknown" == finding(content, "callus")["left"]


@pytest.mark.parametrize("kind", ["Group", "Device", "Location"])
def test_a_urn_that_names_something_else_is_no_patient(kind: str) -> None:
    """The fullUrl says what it is."""
    content = bundle(
        entry(patient()),
        entry({"resourceType": kind, "id": "other"}, UUID),
        entry(observation("callus", "present", "left", subject={"reference": UUID})),
    )

    assert [PATIENT] == [one["subject"] for one in summaries_of(content)]
    assert ["subject-not-patient"] == keys(content)


def test_a_subject_not_given_is_the_only_patient_with_a_warning() -> None:
    """One patient in the document: taken, and said so."""
    content = about_p1(observation("callus", "present", "left", subject=None))

    assert [("subject-assumed", "Bundle.entry[2].resource")] == issues(content)
    assert "yes" == finding(content, "callus")["left"]


def test_with_two_patients_a_missing_subject_refuses_the_whole() -> None:
    """interop F5: do not guess; every such resource is named."""
    content = bundle(
        patient(),
        patient("p2"),
        observation("callus", "present", "left", subject=None, id="a"),
        observation("callus", "present", "right", subject=None, id="b"),
    )

    with pytest.raises(sural.Refused) as refused:
        summaries_of(content)

    assert [("subject-missing", f"Bundle.entry[{number}].resource") for number in (2, 3)] == [
        (issue.key, issue.expression) for issue in refused.value.issues
    ]


@pytest.mark.parametrize(
    "second",
    [
        {"subject": {"reference": "Patient/p2"}},
        {"subject": {"reference": "urn:uuid:1"}},
        {"subject": {"reference": f"{SERVER}/Patient/p2"}},
    ],
)
def test_a_patient_who_is_only_referred_to_counts_as_a_second_one(second: Json) -> None:
    """The one Patient resource of the Bundle need not be the one meant."""
    content = bundle(
        patient(),
        observation("callus", "present", "left", id="a", **second),
        observation("callus", "present", "right", subject=None, id="b"),
    )

    with pytest.raises(sural.Refused):
        summaries_of(content)


def test_two_patients_are_assessed_apart() -> None:
    """Nothing of one is found with the other, and the counts of both add up."""
    content = bundle(
        patient(),
        patient("p2"),
        observation("callus", "present", "left", id="a"),
        observation("callus", "absent", "left", id="b", subject={"reference": "Patient/p2"}),
        observation("gangrene", "present", "right", id="c", subject={"reference": "Patient/p2"}),
    )

    one, two = summaries_of(content)

    assert ("Patient/p1", "yes", "unknown") == (
        one["subject"],
        one["findings"]["callus"]["left"],
        one["findings"]["gangrene"]["right"],
    )
    assert ("Patient/p2", "no", "yes") == (
        two["subject"],
        two["findings"]["callus"]["left"],
        two["findings"]["gangrene"]["right"],
    )
    assert (2, 3) == (one["intake"]["used"], two["intake"]["used"])


def test_patients_of_two_servers_with_the_same_id_are_two() -> None:
    """https://a/Patient/1 and https://b/Patient/1 are different resources: a relative reference is resolved against the entry's own base."""
    content = bundle(
        entry(patient("1", identifier=[{"system": "a", "value": "x"}]), "https://a.example/fhir/Patient/1"),
        entry(patient("1", identifier=[{"system": "b", "value": "y"}], birthDate="1990-01-01"), "https://b.example/fhir/Patient/1"),
        entry(observation("callus", "present", "left", id="a", subject={"reference": "Patient/1"}), "https://a.example/fhir/Observation/a"),
        entry(observation("callus", "absent", "right", id="b", subject={"reference": "Patient/1"}), "https://b.example/fhir/Observation/b"),
    )  # fmt: skip

    assert 2 == len(summaries_of(content))


def test_relative_references_under_two_bases_are_two_patients() -> None:
    """Patient/1 in an entry of server a is https://a/Patient/1."""
    content = bundle(
        entry(observation("callus", "present", "left", id="a", subject={"reference": "Patient/1"}), "https://a.example/fhir/Observation/a"),
        entry(observation("callus", "absent", "right", id="b", subject={"reference": "Patient/1"}), "https://b.example/fhir/Observation/b"),
    )  # fmt: skip

    assert 2 == len(summaries_of(content))


@pytest.mark.parametrize("turned", [False, True])
def test_a_relative_and_an_absolute_reference_to_one_patient_are_one(turned: bool) -> None:
    """Whatever the order: the relative one means the absolute one, by the base of its entry."""
    entries = [
        entry(observation("callus", "present", "left", id="a", subject={"reference": "Patient/1"}), f"{SERVER}/Observation/a"),
        entry(
            observation("callus", "absent", "right", id="b", subject={"reference": f"{SERVER}/Patient/1"}),
            f"{SERVER}/Observation/b",
        ),
    ]

    assert 1 == len(summaries_of(bundle(*(reversed(entries) if turned else entries))))


@pytest.mark.parametrize(
    "subject",
    [{"reference": "Patient?identifier=s|v"}, {"identifier": {"system": "s", "value": "v"}}],
    ids=["conditional", "logical"],
)
def test_an_identifier_of_two_patients_names_neither(subject: Json) -> None:
    """interop F4: exactly one match, or it fails."""
    shared = [{"system": "s", "value": "v"}]
    content = bundle(
        patient("1", identifier=shared),
        patient("2", identifier=shared),
        observation("callus", "present", "left", subject=subject),
    )

    try:
        found = [one["findings"]["callus"]["left"] for one in summaries_of(content)]
    except sural.Refused:
        return
    assert "yes" not in found


def test_a_conditional_reference_with_two_criteria_is_not_half_read() -> None:
    """Resolved as a whole or not at all: never a new patient."""
    content = bundle(
        patient("1", identifier=[{"system": "s", "value": "v"}]),
        observation("callus", "present", "left", subject={"reference": "Patient?identifier=s|v&active=true"}),
    )

    assert ["Patient/1"] == [one["subject"] for one in summaries_of(content)]


def test_a_conditional_reference_is_decoded() -> None:
    """The bar of a token is %7C in a URL."""
    content = bundle(
        patient("1", identifier=[{"system": "s", "value": "v"}]),
        observation("callus", "present", "left", subject={"reference": "Patient?identifier=s%7Cv"}),
    )

    assert ["Patient/1"] == [one["subject"] for one in summaries_of(content)]


@pytest.mark.parametrize("turned", [False, True])
def test_a_refusal_for_missing_subjects_comes_with_all_other_issues(turned: bool) -> None:
    """interop C6: all faults in one answer, whatever the order."""
    two = [
        observation("callus", "present", "left", subject=None, id="a"),
        observation("callus", "present", "right", subject={"reference": "Group/g"}, id="b"),
    ]

    with pytest.raises(sural.Refused) as refused:
        summaries_of(bundle(patient(), patient("p2"), *(reversed(two) if turned else two)))

    assert {"subject-missing", "subject-not-patient"} == {issue.key for issue in refused.value.issues}


STOPS: dict[str, tuple[Json, str, str]] = {
    "died": ({"deceasedBoolean": True}, "patient-deceased", ".deceased"),
    "died on a day": ({"deceasedDateTime": "2026-01-01"}, "patient-deceased", ".deceased"),
    "not active": ({"active": False}, "patient-inactive", ".active"),
    "replaced": ({"link": [{"other": {"reference": "Patient/x"}, "type": "seealso"}, {"other": {"reference": "Patient/p9"}, "type": "replaced-by"}]}, "patient-replaced", ".link[1]"),
    "modified": ({"modifierExtension": [{"url": "urn:example:test-patient", "valueBoolean": True}]}, "modifier-extension", ""),
    "by other rules": ({"implicitRules": "urn:example:rules"}, "modifier-extension", ""),
}  # fmt: skip


@pytest.mark.parametrize("case", STOPS)
@pytest.mark.parametrize("check", [False, True])
def test_a_patient_record_that_must_not_be_used_stops_the_assessment(case: str, check: bool) -> None:
    """interop 2.21.6: died, inactive, replaced, or modified in a way we do not know."""
    more, key, part = STOPS[case]

    with pytest.raises(sural.Refused) as refused:
        summary_of(bundle(patient(**more), observation("callus", "present", "left")), check=check)

    assert [(key, f"Bundle.entry[0].resource{part}")] == [(issue.key, issue.expression) for issue in refused.value.issues]


@pytest.mark.parametrize(
    "more", [{"deceasedBoolean": False}, {"active": True}, {"link": [{"other": {"reference": "Patient/x"}, "type": "replaces"}]}]
)
def test_a_patient_record_in_order_does_not(more: Json) -> None:
    """Alive, active, and replacing another one."""
    assert "yes" == finding(bundle(patient(**more), observation("callus", "present", "left")), "callus")["left"]


@pytest.mark.parametrize("more", [{"deceasedBoolean": True}, {"active": False}])
def test_a_contained_patient_is_checked_too(more: Json) -> None:
    """The same stops hold wherever the record stands."""
    content = bundle(
        observation("callus", "present", "left", contained=[patient("inside", **more)], subject={"reference": "#inside"})
    )

    with pytest.raises(sural.Refused):
        summaries_of(content)


def test_a_refused_patient_comes_with_all_other_issues() -> None:
    """interop C6: all faults in one answer."""
    with pytest.raises(sural.Refused) as refused:
        summary_of(bundle(patient(deceasedBoolean=True), {"resourceType": "Nonsense"}, observation("callus", "present", "left")))

    assert {"patient-deceased", "resource-type-unknown"} == {issue.key for issue in refused.value.issues}


# ---------------------------------------------------------------------------------------------------------------------------------
# status and modifiers

STATUSES = {
    "final": None, "amended": None, "corrected": None, "preliminary": "preliminary", "registered": "status-not-usable",
    "cancelled": "status-not-usable", "entered-in-error": "status-not-usable", "unknown": "status-not-usable", "banana": "status-invalid",
    "Final": "status-invalid", "": "status-invalid",
}  # fmt: skip


@pytest.mark.parametrize("status", STATUSES)
def test_only_final_amended_and_corrected_observations_are_evidence(status: str) -> None:
    """Every code of observation-status, and codes that are none."""
    key = STATUSES[status]
    content = about_p1(observation("callus", "present", "left", status=status))

    assert ([] if key is None else [(key, "Bundle.entry[2].resource.status")]) == issues(content)
    assert ("yes" if key is None else "unknown") == finding(content, "callus")["left"]
    assert (0 if key is None else 1) == summary_of(content)["intake"]["unusable"]


@pytest.mark.parametrize("check", [False, True])
def test_an_observation_without_a_status_is_unusable(check: bool) -> None:
    """Observation.status is required."""
    content = about_p1(observation("callus", "present", "left", status=None))

    assert [("element-missing", "Bundle.entry[2].resource")] == issues(content, check=check)


def test_preliminary_results_are_read_on_request_and_mark_the_answer() -> None:
    """interop I2: the output is preliminary then."""
    content = about_p1(observation("callus", "present", "left", status="preliminary"))

    assert "yes" == finding(content, "callus", preliminary=True)["left"]
    assert summary_of(content, preliminary=True)["preliminary"]
    assert {"preliminary"} == {one["status"] for one in of_type(answer_of(content, preliminary=True), "RiskAssessment")}


@pytest.mark.parametrize("status", ["entered-in-error", "cancelled", "banana"])
def test_the_request_for_preliminary_results_lets_nothing_else_in(status: str) -> None:
    """Only what is preliminary."""
    assert (
        "unknown"
        == finding(about_p1(observation("callus", "present", "left", status=status)), "callus", preliminary=True)["left"]
    )


MODIFIED = [{"url": "urn:example:negated", "valueBoolean": True}]
MODIFIERS: dict[str, tuple[Json, str, str]] = {
    "modifier extension": (observation("callus", "present", "left", modifierExtension=MODIFIED), "modifier-extension", ".modifierExtension[0]"),
    "implicit rules": (observation("callus", "present", "left", implicitRules="urn:example:rules"), "modifier-extension", ".implicitRules"),
    "modifier extension of a component": (
        observation("callus", side="left", component=[component({"coding": [coding(canonical.SITE, "foot")]}, "present", modifierExtension=MODIFIED)]),
        "modifier-extension", ".component[0].modifierExtension[0]",
    ),
    "focus on a device": (observation("callus", "present", "left", focus=[{"reference": "Device/d"}]), "focus-not-patient", ".focus[0]"),
    "focus on another patient": (observation("callus", "present", "left", focus=[{"reference": "Patient/p9"}]), "focus-not-patient", ".focus[0]"),
    "reference range without anything": (observation("toe-pressure", side="left", valueQuantity={"value": 20, "system": canonical.UCUM, "code": "mm[Hg]"}, referenceRange=[{"age": {}}]), "invariant-broken", ".referenceRange[0]"),
    "component repeats the code beside a value": (
        observation("callus", "present", "left", component=[component("callus", "absent")]), "invariant-broken", ".component[0].code",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", MODIFIERS)
def test_what_may_change_the_meaning_makes_it_unusable(case: str) -> None:
    """Modifiers, focus, obs-3 and obs-7 come before the meaning (interop I1, I3)."""
    resource, key, part = MODIFIERS[case]

    assert [(key, f"Bundle.entry[2].resource{part}")] == issues(about_p1(resource))
    assert 1 == summary_of(about_p1(resource))["intake"]["unusable"]


def test_a_focus_on_the_patient_himself_is_harmless() -> None:
    """The focus is the subject."""
    assert "yes" == finding(about_p1(observation("callus", "present", "left", focus=[{"reference": PATIENT}])), "callus")["left"]


@pytest.mark.parametrize(
    "resource",
    [
        encounter(modifierExtension=MODIFIED),
        encounter(implicitRules="urn:example:rules"),
        statement(METFORMIN, implicitRules="urn:example:rules"),
        prescription(METFORMIN, implicitRules="urn:example:rules"),
    ],
    ids=["Encounter, extension", "Encounter, rules", "MedicationStatement, rules", "MedicationRequest, rules"],
)
def test_modifiers_count_in_every_type_that_is_read(resource: Json) -> None:
    """An unknown modifier extension or rule set rejects the resource."""
    assert ["modifier-extension"] == keys(about_p1(resource))


@pytest.mark.parametrize(
    "resource",
    [
        condition("399957001", bodySite=[place("left")]),
        procedure("88312006", bodySite=[place("left")]),
        statement(METFORMIN),
        prescription(METFORMIN),
    ],
)
def test_a_modifier_extension_rejects_what_stands_in_the_record(resource: Json) -> None:
    """Condition, Procedure and medicines."""
    content = about_p1(resource | {"modifierExtension": MODIFIED})

    assert ["modifier-extension"] == keys(content)
    assert 1 == summary_of(content)["intake"]["unusable"]


def test_a_prescription_not_to_perform_is_no_medicine() -> None:
    """MedicationRequest.doNotPerform turns the meaning round."""
    content = about_p1(prescription(METFORMIN, doNotPerform=True))

    assert examination(content).get("metformin") is None
    assert 1 == summary_of(content)["intake"]["notRelevant"]


# ---------------------------------------------------------------------------------------------------------------------------------
# which reading counts


def _callus(value: str, when: str | None, id: str, **more: Any) -> Json:
    return observation("callus", value, "left", id=id, effectiveDateTime=when, **more)


@pytest.mark.parametrize(
    ("older", "newer"),
    [
        ("2026-02-28", "2026-03-01"),
        ("2026-02-28T23:59:59Z", "2026-03-01T00:00:00Z"),
        ("2026-03-01T09:30:00Z", "2026-03-01T09:30:01Z"),
        ("2026-03-01T09:30:00.100Z", "2026-03-01T09:30:00.200Z"),
        ("2026-03-01T10:00:00+02:00", "2026-03-01T09:00:00Z"),
        ("2025", "2026-03-01"),
        ("2025-12", "2026-01"),
    ],
)
@pytest.mark.parametrize("newest", ["present", "absent"])
@pytest.mark.parametrize("turned", [False, True])
def test_the_newest_reading_counts_whatever_it_says(older: str, newer: str, newest: str, turned: bool) -> None:
    """Newest per finding, side and site; the other is superseded. Instants are compared, not texts."""
    oldest = "absent" if newest == "present" else "present"
    two = [_callus(oldest, older, "z-older"), _callus(newest, newer, "a-newer")]
    content = about_p1(*(reversed(two) if turned else two))

    assert ("yes" if newest == "present" else "no") == finding(content, "callus")["left"]
    assert (3, 1) == tuple(summary_of(content)["intake"][fate] for fate in ("used", "superseded"))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("2026-03-01", "2026-03-01"),
        ("2026-03-01", "2026-03-01T18:00:00Z"),
        ("2026-03", "2026-03-01"),
        ("2026", "2026-02-28"),
        ("2026-03-01T09:30:00Z", "2026-03-01T10:30:00+01:00"),
    ],
)
@pytest.mark.parametrize("turned", [False, True])
def test_of_readings_that_tie_the_worse_is_taken_and_it_is_said(one: str, other: str, turned: bool) -> None:
    """A partial date is neither before nor after an instant within it. The contradiction is an issue and a DetectedIssue."""
    two = [_callus("present", one, "a"), _callus("absent", other, "b")]
    content = about_p1(*(reversed(two) if turned else two))

    assert "yes" == finding(content, "callus")["left"]
    assert ["contradiction"] == keys(content)
    assert ["contradiction"] == [one["code"]["coding"][0]["code"] for one in of_type(answer_of(content), "DetectedIssue")]


WORSE = (
    ("callus", "absent", "present"), ("dorsalis-pedis-pulse", "present", "reduced"), ("dorsalis-pedis-pulse", "reduced", "absent"),
    ("ankle-reflex", "reduced", "absent"), ("monofilament-10g", "felt", "not-felt"), ("light-touch", "normal", "absent"),
    ("foot-inspection", "clear", "not-clear"), ("osteomyelitis", "suspected", "confirmed"), ("plantar-response", "flexor", "extensor"),
    ("power-toe-flexion", "4", "4-"), ("power-toe-flexion", "4+", "4"), ("power-toe-flexion", "5", "0"), ("mnsi-question-7", "present", "absent"),
)  # fmt: skip


@pytest.mark.parametrize(("code", "better", "worse"), WORSE)
def test_the_worse_of_two_answers_is_the_adverse_one(code: str, better: str, worse: str) -> None:
    """Answers run from reassuring to adverse, also where present is the good one."""
    content = about_p1(observation(code, better, "left", id="a"), observation(code, worse, "left", id="b"))
    exam = examination(content)
    taken = exam.left.value(code) or exam.value(code) or next(iter(exam.left.at(code).values())).value

    assert worse == taken
    assert ["contradiction"] == keys(content)


@pytest.mark.parametrize(
    ("code", "unit", "better", "worse"),
    [
        ("toe-pressure", "mm[Hg]", 60, 20),
        ("ankle-brachial-index", "1", 1.0, 0.5),
        ("vibration-threshold", "V", 10, 40),
        ("erythema-extent", "cm", 1, 3),
    ],
)
def test_the_worse_of_two_numbers_is_by_the_direction_of_the_finding(code: str, unit: str, better: float, worse: float) -> None:
    """A low pressure is worse, a high threshold is worse."""
    given = [
        observation(code, side="left", id=f"n{number}", valueQuantity={"value": number, "system": canonical.UCUM, "code": unit})
        for number in (better, worse)
    ]

    assert worse == float(str(examination(about_p1(*given)).left.value(code)))


def test_the_same_reading_twice_is_no_contradiction() -> None:
    """Remarked as given twice, for information."""
    content = about_p1(_callus("present", EXAMINED, "a"), _callus("present", EXAMINED, "b"))

    assert ["duplicate-finding"] == keys(content)
    assert [] == of_type(answer_of(content), "DetectedIssue")


def test_readings_of_different_sides_and_sites_do_not_compete() -> None:
    """Each has its own place."""
    content = about_p1(
        observation("light-touch", "absent", "left", "hallux", id="a"),
        observation("light-touch", "normal", "left", "toe-3", id="b"),
        observation("light-touch", "normal", "right", "hallux", id="c"),
    )

    assert 5 == summary_of(content)["intake"]["used"]
    assert [] == issues(content)


def test_a_superseded_reading_leaves_no_issue() -> None:
    """It is only counted."""
    assert [] == issues(about_p1(_callus("present", "2026-01-01", "a"), _callus("absent", "2026-02-01", "b")))


def test_a_corrected_observation_does_not_need_to_be_newer() -> None:
    """Two versions of one resource: the later version counts, whatever its status."""
    content = about_p1(
        _callus("present", EXAMINED, "one", meta={"versionId": "1"}),
        _callus("absent", EXAMINED, "one", status="corrected", meta={"versionId": "2"}),
    )

    assert "no" == finding(content, "callus")["left"]
    assert [("duplicate-resource", "Bundle.entry[2].resource")] == issues(content)


@pytest.mark.parametrize(
    ("older", "newer"),
    [
        ({"versionId": "9"}, {"versionId": "10"}),
        ({"lastUpdated": "2026-02-01T00:00:00Z"}, {"lastUpdated": "2026-02-02T00:00:00Z"}),
        ({"lastUpdated": "2026-02-01T00:00:00Z", "versionId": "2"}, {"lastUpdated": "2026-02-01T00:00:00Z", "versionId": "3"}),
    ],
)
@pytest.mark.parametrize("turned", [False, True])
def test_of_one_resource_the_latest_version_is_read(older: Json, newer: Json, turned: bool) -> None:
    """By the time of update, then by the number of the version, wherever they stand."""
    two = [_callus("present", EXAMINED, "one", meta=older), _callus("absent", EXAMINED, "one", meta=newer)]
    content = about_p1(*(reversed(two) if turned else two))

    assert "no" == finding(content, "callus")["left"]
    assert 1 == summary_of(content)["intake"]["superseded"]


def test_an_entered_in_error_version_ends_the_earlier_one() -> None:
    """The latest version says that it never was."""
    content = about_p1(
        _callus("present", EXAMINED, "one", meta={"versionId": "1"}),
        _callus("present", EXAMINED, "one", status="entered-in-error", meta={"versionId": "2"}),
    )

    assert "unknown" == finding(content, "callus")["left"]


def test_the_latest_version_is_by_the_instant() -> None:
    """2026-03-01T10:00:00+14:00 is 2026-02-28T20:00:00Z, which is before 2026-03-01T00:00:00Z."""
    content = about_p1(
        _callus("present", EXAMINED, "one", meta={"lastUpdated": "2026-03-01T10:00:00+14:00"}),
        _callus("absent", EXAMINED, "one", meta={"lastUpdated": "2026-03-01T00:00:00Z"}),
    )

    assert "no" == finding(content, "callus")["left"]


def test_without_a_version_the_order_does_not_decide() -> None:
    """Present and absent under the same id: the worse reading, in either order."""
    two = [_callus("present", EXAMINED, "one"), _callus("absent", EXAMINED, "one")]

    assert ("yes", "yes") == (finding(about_p1(*two), "callus")["left"], finding(about_p1(*reversed(two)), "callus")["left"])
    assert "version-unclear" in keys(about_p1(*two))


def test_observations_of_two_servers_with_the_same_id_are_two() -> None:
    """https://a/Observation/1 and https://b/Observation/1, both of the one patient."""
    content = bundle(
        patient(),
        entry(observation("callus", "present", "left", id="1"), "https://a.example/fhir/Observation/1"),
        entry(observation("gangrene", "present", "right", id="1"), "https://b.example/fhir/Observation/1"),
    )

    assert ("yes", "yes") == (finding(content, "callus")["left"], finding(content, "gangrene")["right"])


@pytest.mark.parametrize(("charcot", "claw"), [("a", "b"), ("b", "a")])
def test_two_deformities_of_one_foot_are_both_kept(charcot: str, claw: str) -> None:
    """A foot may have several: claw toes and a shape left by a Charcot foot, which makes NG19 high."""
    content = normal_and(
        observation("foot-deformity", "present", "left", id=claw, effectiveDateTime="2026-03-02", component=[component("deformity-type", "claw-toe")]),
        observation("foot-deformity", "present", "left", id=charcot, effectiveDateTime="2026-03-02", component=[component("deformity-type", "charcot")]),
    )  # fmt: skip

    assert "high" == summary_of(content)["footRisk"]["nice-ng19-2019"]["atLeast"]


def test_pressures_and_hba1c_are_kept_as_a_series() -> None:
    """Repeated measurements that rules compare are all used."""
    exam = Exam()
    for month, value in ((1, 9.1), (2, 8.0), (3, 7.2)):
        exam.see("hba1c", value, effectiveDateTime=f"2026-{month:02d}-01")

    assert 5 == summary_of(exam)["intake"]["used"]
    assert ["9.1", "8.0", "7.2"] == [str(one.value) for one in examination(exam.bundle()).series["hba1c"]]


# ---------------------------------------------------------------------------------------------------------------------------------
# inspection and ulcers together


def test_a_newer_inspection_that_is_not_clear_takes_back_the_older_clear_one() -> None:
    """Only the newest inspection of a foot counts: not clear since yesterday leaves its active problems unknown."""
    content = (
        Exam()
        .see("foot-inspection", "clear", "both", effectiveDateTime="2026-01-01")
        .see("foot-inspection", "not-clear", "left")
        .bundle()
    )

    assert "unknown" == finding(content, "ulcer")["left"]


def test_an_inspection_that_contradicts_itself_clears_nothing() -> None:
    """Both at the same time: the worse reading, and with it nothing is cleared."""
    content = Exam().see("foot-inspection", "clear", "left").see("foot-inspection", "not-clear", "left").bundle()

    assert ["contradiction"] == keys(content)
    assert "unknown" == finding(content, "ulcer")["left"]


@pytest.mark.parametrize(
    ("code", "value"), [("ulcer-depth", "bone-or-joint"), ("probe-to-bone", "positive"), ("ulcer-exposes-bone", "present")]
)
def test_details_of_an_ulcer_that_are_newer_than_a_clear_foot_are_an_ulcer(code: str, value: str) -> None:
    """What is measured is there: the foot was clear in January and is not any more."""
    content = (
        Exam().see("foot-inspection", "clear", "both", effectiveDateTime="2026-01-01").see(code, value, "left", "hallux").bundle()
    )

    assert "yes" == finding(content, "ulcer")["left"]


def test_details_of_an_ulcer_contradict_a_clear_foot_of_the_same_day() -> None:
    """The worse reading is taken and the contradiction reported."""
    content = Exam().see("foot-inspection", "clear", "both").see("ulcer-depth", "bone-or-joint", "left", "hallux").bundle()

    assert "yes" == finding(content, "ulcer")["left"]
    assert "contradiction" in keys(content)


def test_details_of_an_ulcer_that_nobody_named_are_an_ulcer() -> None:
    """With nothing against it, a measured depth means an ulcer."""
    assert "yes" == finding(Exam().see("ulcer-depth", "skin", "left", "hallux").bundle(), "ulcer")["left"]


def test_an_ulcer_that_is_gone_is_an_earlier_ulcer() -> None:
    """Present in January, absent in March."""
    content = (
        Exam()
        .see("foot-ulcer", "present", "left", "hallux", effectiveDateTime="2026-01-01")
        .see("foot-ulcer", "absent", "left")
        .bundle()
    )

    assert ("no", "yes") == (finding(content, "ulcer")["left"], finding(content, "previousUlcer")["left"])


def test_a_clear_inspection_ends_an_ulcer_only_when_it_is_newer() -> None:
    """Clear in January does not end the ulcer of March."""
    newer = (
        Exam()
        .see("foot-ulcer", "present", "left", "hallux")
        .see("foot-inspection", "clear", "left", effectiveDateTime="2026-01-01")
        .bundle()
    )
    older = (
        Exam()
        .see("foot-ulcer", "present", "left", "hallux", effectiveDateTime="2026-01-01")
        .see("foot-inspection", "clear", "left")
        .bundle()
    )

    assert ("yes", "no") == (finding(newer, "ulcer")["left"], finding(older, "ulcer")["left"])


def test_two_ulcers_are_told_apart_by_their_site() -> None:
    """One healed at the great toe does not end the one at the heel."""
    exam = Exam().see("foot-ulcer", "present", "left", "hallux").see("foot-ulcer", "present", "left", "hindfoot")

    assert ["hallux", "hindfoot"] == sorted(str(ulcer["site"]) for ulcer in summary_of(exam)["ulcers"])


UNREADABLE: dict[str, Json] = {
    "a value that is not understood": {"valueCodeableConcept": concept("urn:example:skerrow", "big")},
    "a contradictory value": {"valueCodeableConcept": {"coding": [*answer("present")["coding"], *answer("absent")["coding"]]}},
    "preliminary": {"status": "preliminary", "valueCodeableConcept": answer("present")},
    "a value of the wrong type": {"valueInteger": 1},
    "no date": {"effectiveDateTime": None, "valueCodeableConcept": answer("present")},
}


@pytest.mark.parametrize("case", UNREADABLE)
def test_what_was_recorded_and_could_not_be_read_is_not_assumed_absent(case: str) -> None:
    """ "A visible problem not recorded is absent": this one was recorded. Unusable is not absent."""
    content = Exam().felt("both").bundle()
    content["entry"].append({"resource": observation("foot-ulcer", None, "left", **UNREADABLE[case])})

    assert "unknown" == finding(content, "ulcer", complete=["inspection"])["left"]


def test_a_declared_complete_inspection_speaks_for_examined_feet_only() -> None:
    """On a foot with any finding in the examination; the other foot stays unknown."""
    found = finding(Exam().felt("left").bundle(), "ulcer", complete=["inspection"])

    assert ("no", "unknown") == (found["left"], found["right"])


def test_a_declared_complete_inspection_leaves_what_was_not_examined() -> None:
    """Callus "not examined" is not absent."""
    exam = Exam().felt("left").see("callus", None, "left", dataAbsentReason=concept(canonical.ABSENT_REASON, "not-performed"))

    assert "unknown" == finding(exam.bundle(), "callus", complete=["inspection"])["left"]


# ---------------------------------------------------------------------------------------------------------------------------------
# time


@pytest.mark.parametrize(
    ("when", "fate"),
    [
        ("2025-03-01", "stale"), ("2025-03-02", "used"), ("2025-03-01T23:59:59Z", "stale"), ("2025-03-02T00:00:00Z", "used"),
        ("2025-03-02T00:00:00+14:00", "used"), ("2025-03-01T23:59:59-12:00", "stale"), ("2025-03", "used"), ("2025-02", "stale"),
        ("2025", "used"), ("2024", "stale"), ("2026-03-02", "used"), ("2026-03-02T23:59:59Z", "used"), ("2026-03-03", "future"),
        ("2026-03-03T00:00:00+14:00", "future"), ("2026-03-02T23:59:59-12:00", "used"), ("2026-03", "used"), ("2026", "used"), ("2026-04", "future"),
        ("2027", "future"), ("9999-12-30", "future"), ("1900-01-01", "stale"),
    ],
)  # fmt: skip
def test_the_look_back_includes_both_its_ends(when: str, fate: str) -> None:
    """As of 2026-03-02 with P12M: from 2025-03-02 to 2026-03-02, by the calendar day where the finding was made."""
    content = about_p1(_callus("present", when, "a"))
    expected = {
        "used": [],
        "stale": [("stale", "Bundle.entry[2].resource")],
        "future": [("date-in-future", "Bundle.entry[2].resource")],
    }

    assert expected[fate] == issues(content)
    assert ("yes" if fate == "used" else "unknown") == finding(content, "callus")["left"]
    assert {"used": 3, "stale": 2, "future": 2}[fate] == summary_of(content)["intake"]["used"]
    assert {"used": (0, 0), "stale": (1, 0), "future": (0, 1)}[fate] == tuple(
        summary_of(content)["intake"][key] for key in ("notRelevant", "unusable")
    )


@pytest.mark.parametrize(
    ("lookback", "oldest"),
    [
        ("P6M", "2025-09-02"),
        ("P1Y", "2025-03-02"),
        ("P2W", "2026-02-16"),
        ("P30D", "2026-01-31"),
        ("P0D", "2026-03-02"),
        ("P1Y6M", "2024-09-02"),
        ("P1Y1M1W1D", "2025-01-25"),
    ],
)
def test_the_look_back_is_counted_from_the_day_of_assessment(lookback: str, oldest: str) -> None:
    """The oldest day is in, the one before it is out."""
    day = date.fromisoformat(oldest)
    earlier = date.fromordinal(day.toordinal() - 1).isoformat()

    assert "yes" == finding(about_p1(_callus("present", oldest, "a")), "callus", lookback=lookback)["left"]
    assert "unknown" == finding(about_p1(_callus("present", earlier, "a")), "callus", lookback=lookback)["left"]


@pytest.mark.parametrize(
    ("as_of", "oldest"), [("2024-02-29", "2023-02-28"), ("2025-02-28", "2024-02-28"), ("2026-12-31", "2025-12-31")]
)
def test_a_year_back_from_a_leap_day_is_the_end_of_february(as_of: str, oldest: str) -> None:
    """Months keep the day number, clipped to the end of the month."""
    assert date.fromisoformat(oldest) == before(date.fromisoformat(as_of), "P12M")


@pytest.mark.parametrize(
    "text", ["", "P", "PT1H", "P1H", "12M", "P-1Y", "-P1Y", "p1y", "P1.5Y", "P1Y2", "P1M1Y", " P1Y", "P1Y ", "P1Y\n", "one year"]
)
def test_what_is_no_duration_of_days_is_refused(text: str) -> None:
    """ISO 8601 durations of years, months, weeks and days."""
    with pytest.raises(ValueError, match="not a duration"):
        duration(text)


@pytest.mark.parametrize("lookback", ["P3000Y", "P9999Y", "P99999999999Y", "P99999M", "P9999999D"])
def test_a_look_back_before_all_dates_is_refused_or_means_ever(lookback: str) -> None:
    """A parameter of the caller's must not end in an internal error."""
    assert refusal(Exam(), lookback=lookback) in ([], ["parameter-invalid"])


def test_the_first_of_all_days_is_no_crash() -> None:
    """The same for the day of assessment."""
    assert refusal(Exam(), as_of="0001-01-01") in ([], ["parameter-invalid"])


def test_the_last_days_of_all_are_no_crash() -> None:
    """Moderate risk, review three to six months later: there is no such date."""
    content = about_p1(
        observation("callus", "absent", "left"),
        observation("monofilament-10g", "not-felt", "left", "hallux", id="m", effectiveDateTime="9999-12-29"),
    )
    assert refusal(content, as_of="9999-12-30") in ([], ["parameter-invalid"])


LASTING: dict[str, tuple[Json, str]] = {
    "earlier ulcer": (observation("previous-foot-ulcer", "present", "left"), "previousUlcer"),
    "amputation": (observation("amputation", "toe", "left"), "amputation"),
    "earlier Charcot foot": (observation("charcot-history", "present", "left"), "charcotHistory"),
    "known arterial disease": (observation("peripheral-arterial-disease", "present", "left"), "arterialDisease"),
    "renal replacement": (observation("dialysis-or-transplant", "dialysis"), "renalReplacement"),
    "end-stage disease": (observation("end-stage-renal-disease", "present"), "endStageRenalDisease"),
}


@pytest.mark.parametrize("case", LASTING)
@pytest.mark.parametrize("when", ["1976-05", "1950-01-01T12:00:00Z", None])
def test_history_never_expires_and_needs_no_date(case: str, when: str | None) -> None:
    """History, amputation, Charcot history, known arterial diagnosis and renal replacement: fifty years ago, or undated."""
    resource, name = LASTING[case]
    content = about_p1(
        resource | {"effectiveDateTime": when} if when else {k: v for k, v in resource.items() if k != "effectiveDateTime"}
    )

    assert [] == issues(content)
    assert "yes" == finding(content, name)["person"]


@pytest.mark.parametrize("case", LASTING)
def test_history_of_the_future_is_unusable(case: str) -> None:
    """Later than the day of assessment."""
    resource, name = LASTING[case]
    content = about_p1(resource | {"effectiveDateTime": "2026-03-03"})

    assert ["date-in-future"] == keys(content)
    assert "unknown" == finding(content, name)["person"]


def test_what_lasts_is_not_undone_by_a_later_no() -> None:
    """An amputation of 2010 and "none" in 2026: contradiction, the adverse one is taken."""
    content = about_p1(
        observation("amputation", "below-knee", "left", id="a", effectiveDateTime="2010"),
        observation("amputation", "none", "left", id="b"),
    )

    assert "yes" == finding(content, "amputation")["left"]
    assert ["contradiction"] == keys(content)


def test_two_levels_of_amputation_do_not_contradict_each_other() -> None:
    """A toe in 2010, the leg in 2020: both happened, the worse one stands."""
    content = about_p1(
        observation("amputation", "toe", "left", id="a", effectiveDateTime="2010"),
        observation("amputation", "below-knee", "left", id="b", effectiveDateTime="2020"),
    )

    assert [] == keys(content)
    assert "below-knee" == examination(content).left.value("amputation")


@pytest.mark.parametrize("code", ["callus", "foot-ulcer", "gangrene", "ankle-reflex", "monofilament-10g"])
def test_a_finding_of_the_day_needs_a_date(code: str) -> None:
    """Undated = usable for history only."""
    value = {"ankle-reflex": "absent", "monofilament-10g": "not-felt"}.get(code, "present")
    content = about_p1(observation(code, value, "left", "hallux", effectiveDateTime=None))

    assert [("date-missing", "Bundle.entry[2].resource")] == issues(content)


INVALID_DATES = ["", "today", "2026-13", "2026-02-30", "2026-3-1", "01/03/2026", "2026-03-01T09:30", "2026-03-01T09:30:00", "2026-03-01 09:30:00Z", "2026-03-01T24:00:00Z", "2026-03-01T09:30:00+25:00", "20260301", "2026-W09", "0000", "+2026", "2026-03-01T09:30:00z", "1767225600"]  # fmt: skip


@pytest.mark.parametrize("text", INVALID_DATES)
def test_what_is_no_fhir_date_is_refused(text: str) -> None:
    """No seconds, no offset, another calendar's form: never repaired (R4 dateTime)."""
    content = about_p1(_callus("present", text, "a"))

    assert moment(text) is None
    assert issues(content) in (
        [("date-invalid", "Bundle.entry[2].resource.effective")],
        [("date-missing", "Bundle.entry[2].resource")] if not text else None,
    )


@pytest.mark.parametrize("text", ["2026-03-01\n", "٢٠٢٦-٠٣-٠١", "２０２６"])
def test_a_date_is_ascii_digits_and_nothing_behind(text: str) -> None:
    """R4 gives a regular expression of 0-9."""
    assert moment(text) is None


@pytest.mark.parametrize("text", ["rubbish", "2026-02-30", "2031-99"])
def test_an_invalid_date_of_history_is_reported(text: str) -> None:
    """Undated history is usable, a wrong date is a fault: it may have been in the future."""
    content = about_p1(observation("previous-foot-ulcer", "present", "left", effectiveDateTime=text))

    assert ["date-invalid"] == keys(content)


@pytest.mark.parametrize(
    "when",
    [
        {"effectivePeriod": {"start": "2026-02-27", "end": "2026-03-01"}},
        {"effectivePeriod": {"start": "2026-03-01"}},
        {"effectivePeriod": {"end": "2026-03-01"}},
        {"effectiveInstant": "2026-03-01T09:30:00Z"},
    ],
)
def test_a_period_or_an_instant_is_a_date(when: Json) -> None:
    """All readable forms of effective[x] (interop I10)."""
    assert "yes" == finding(about_p1(observation("callus", "present", "left", effectiveDateTime=None, **when)), "callus")["left"]


@pytest.mark.parametrize(
    "when",
    [
        {"effectivePeriod": {"start": "2026-03-02", "end": "2026-03-01"}},
        {"effectivePeriod": {"start": "soon"}},
        {"effectiveTiming": {"event": ["2026-03-01"]}},
    ],
)
def test_a_time_that_cannot_be_read_makes_a_finding_of_the_day_unusable(when: Json) -> None:
    """A Period that ends before it begins, and a Timing."""
    content = about_p1(observation("callus", "present", "left", effectiveDateTime=None, **when))

    assert [("date-invalid", "Bundle.entry[2].resource.effective")] == issues(content)


@pytest.mark.parametrize("other", [None, {"resourceType": "Observation", "status": 5}])
def test_two_times_at_once_are_a_fault_of_structure(other: Json | None) -> None:
    """effective[x] is one choice, with and without the structural check, whatever else stands in the Bundle."""
    content = about_p1(
        observation("callus", "present", "left", effectiveInstant="2020-01-01T00:00:00Z"), *([other] if other else [])
    )

    assert ("structure-invalid", "Bundle.entry[2].resource") in issues(content)


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2026-03-01T23:30:00-12:00", "2026-03-01", "2026-03-01"),
        ("2026-03-02T00:30:00+14:00", "2026-03-02", "2026-03-02"),
        ("2026-02", "2026-02-01", "2026-02-28"),
        ("2024-02", "2024-02-01", "2024-02-29"),
        ("2026", "2026-01-01", "2026-12-31"),
    ],
)
def test_the_days_of_a_moment_are_those_of_the_sender(text: str, first: str, last: str) -> None:
    """The offset is kept: a calendar day is where the finding was made."""
    found = moment(text)

    assert found is not None
    assert (first, last) == (found.first_day.isoformat(), found.last_day.isoformat())


def test_the_same_instant_in_two_offsets_is_the_same_instant() -> None:
    """Half past noon at +14:00 is half past ten in the evening of the day before, UTC."""
    one, other = moment("2026-03-02T12:30:00+14:00"), moment("2026-03-01T22:30:00Z")

    assert one is not None and other is not None
    assert one.start == other.start


def test_a_period_without_an_end_is_known_to_hold_from_its_start() -> None:
    """An open end is the start itself."""
    found = period("2026-03-01", None)

    assert found is not None
    assert "2026-03-01" == found.last_day.isoformat()


@pytest.mark.parametrize(
    ("birth", "day", "years"),
    [
        ("2008-03-02", "2026-03-02", 18),
        ("2008-03-03", "2026-03-02", 17),
        ("2008-02-29", "2026-02-28", 17),
        ("2008-02-29", "2026-03-01", 18),
    ],
)
def test_years_of_age_are_completed_years(birth: str, day: str, years: int) -> None:
    """18 is adult on the birthday."""
    assert years == whole_years(date.fromisoformat(birth), date.fromisoformat(day))


def test_a_stale_finding_without_a_side_is_stale() -> None:
    """Four years old: it would not count with a side either."""
    assert "no" == finding(normal_and(observation("callus", "present", effectiveDateTime="2022-01-01")), "callus")["person"]


# ---------------------------------------------------------------------------------------------------------------------------------
# Conditions

CLINICAL_CODES = (None, "active", "recurrence", "relapse", "inactive", "remission", "resolved")
VERIFICATION_CODES = (None, "confirmed", "unconfirmed", "provisional", "differential", "refuted", "entered-in-error")
ULCER, ARTERIAL, GANGRENE = "95345008", "399957001", "195303005"


@pytest.mark.parametrize("clinical", CLINICAL_CODES)
@pytest.mark.parametrize("verification", VERIFICATION_CODES)
def test_every_pair_of_clinical_and_verification_status(clinical: str | None, verification: str | None) -> None:
    """A foot ulcer as a Condition: present while active, earlier once over, doubtful while unconfirmed, nothing when refuted or in error."""
    content = bundle(patient(), condition(ULCER, clinical, verification, bodySite=[place("left")]))
    summary = summary_of(content)
    found = (summary["findings"]["ulcer"]["left"], summary["findings"]["previousUlcer"]["left"])

    if verification in ("refuted", "entered-in-error"):
        expected, fate, keyed = (
            ("unknown", "unknown"),
            *(("notRelevant", ["diagnosis-refuted"]) if verification == "refuted" else ("unusable", ["status-not-usable"])),
        )
    elif verification in ("unconfirmed", "provisional", "differential"):
        expected, fate, keyed = ("unknown", "unknown"), "unusable", ["diagnosis-unconfirmed"]
    elif clinical in ("inactive", "remission", "resolved"):
        expected, fate, keyed = ("unknown", "yes"), "used", []
    else:
        expected, fate, keyed = ("yes", "unknown"), "used", []
    assert expected == found
    assert keyed == [issue["key"] for issue in summary["issues"]]
    assert (2 if fate == "used" else 1) == summary["intake"][fate]


@pytest.mark.parametrize("verification", ["unconfirmed", "provisional", "differential"])
@pytest.mark.parametrize(
    ("code", "name"), [(ULCER, "ulcer"), (ARTERIAL, "arterialDisease"), (GANGRENE, "gangrene"), ("308684007", "amputation")]
)
def test_an_unconfirmed_diagnosis_keeps_the_factor_from_no(verification: str, code: str, name: str) -> None:
    """It is not evidence, but it is not ruled out."""
    content = normal_and(condition(code, verification=verification, bodySite=[place("left")]))

    assert "unknown" == finding(content, name)["person"]


@pytest.mark.parametrize("code", ["105502003", "46177005"])
def test_an_unconfirmed_diagnosis_of_the_person_keeps_the_factor_from_no(code: str) -> None:
    """Dialysis (105502003) and end-stage renal disease (46177005), provisional, beside "none recorded"."""
    name = "renalReplacement" if code == "105502003" else "endStageRenalDisease"

    assert "unknown" == finding(normal_and(condition(code, verification="provisional")), name)["person"]


@pytest.mark.parametrize("verification", ["refuted", "entered-in-error"])
def test_a_refuted_diagnosis_leaves_everything_as_it_was(verification: str) -> None:
    """Neither evidence nor doubt."""
    content = normal_and(condition(ULCER, verification=verification, bodySite=[place("left")]))

    assert summary_of(Exam().normal())["findings"] == summary_of(content)["findings"]


@pytest.mark.parametrize(
    ("code", "clinical", "name", "expected"),
    [
        (ARTERIAL, "resolved", "arterialDisease", "yes"),
        (ARTERIAL, "inactive", "arterialDisease", "yes"),
        (GANGRENE, "resolved", "gangrene", "unknown"),
        ("299990002", "resolved", "infection", "unknown"),
        ("229811005", "resolved", "callus", "unknown"),
        ("308684007", "resolved", "amputation", "yes"),
        ("201724008", "resolved", "charcotHistory", "yes"),
    ],
)
def test_what_is_over_is_over_unless_it_lasts(code: str, clinical: str, name: str, expected: str) -> None:
    """A resolved infection is none; arterial disease and amputation do not end."""
    assert expected == finding(about_p1(condition(code, clinical, bodySite=[place("left")])), name)["left"]


@pytest.mark.parametrize(
    ("part", "word"),
    [
        ("clinicalStatus", "cured"),
        ("verificationStatus", "maybe"),
        ("clinicalStatus", "confirmed"),
        ("verificationStatus", "active"),
    ],
)
def test_a_status_that_does_not_exist_is_refused(part: str, word: str) -> None:
    """Both value sets are required."""
    content = about_p1(condition(ULCER, bodySite=[place("left")]) | {part: concept("urn:x", word)})

    assert [("status-invalid", f"Bundle.entry[2].resource.{part}")] == issues(content)


def test_a_status_in_words_only_is_refused() -> None:
    """`text` says nothing a program may act on: "resolved" in words must not read as active."""
    content = about_p1(condition(ULCER, bodySite=[place("left")]) | {"clinicalStatus": {"text": "resolved"}})

    assert [("status-invalid", "Bundle.entry[2].resource.clinicalStatus")] == issues(content)


@pytest.mark.parametrize(
    "abated",
    [
        {"abatementDateTime": "2026-01-01"},
        {"abatementString": "last year"},
        {"abatementPeriod": {"end": "2026-01"}},
        {"abatementAge": {"value": 60}},
    ],
)
def test_an_active_condition_that_has_ended_breaks_an_invariant(abated: Json) -> None:
    """con-4; while it stands the ulcer cannot be ruled out."""
    content = normal_and(condition(ULCER, "active", bodySite=[place("left")], **abated))

    assert ["invariant-broken"] == keys(content)
    assert "unknown" == finding(content, "ulcer")["person"]


@pytest.mark.parametrize("abated", [{"abatementDateTime": "2026-01-01"}, {"abatementString": "last year"}])
def test_a_condition_that_has_ended_and_has_no_status_is_over(abated: Json) -> None:
    """An end without a clinicalStatus."""
    content = about_p1(condition(ULCER, bodySite=[place("left")], **abated))

    assert ("unknown", "yes") == (finding(content, "ulcer")["left"], finding(content, "previousUlcer")["left"])


@pytest.mark.parametrize("dated", [{"onsetDateTime": "long ago"}, {"recordedDate": "2026-13"}, {"abatementDateTime": "x"}])
def test_a_condition_with_an_invalid_date_is_unusable(dated: Json) -> None:
    """Not read as undated."""
    assert ["date-invalid"] == keys(about_p1(condition(ARTERIAL, bodySite=[place("left")], **dated)))


@pytest.mark.parametrize(
    "dated",
    [
        {"onsetPeriod": {"start": "long ago"}},
        {"onsetPeriod": {"start": "2026", "end": "2020"}},
        {"abatementPeriod": {"end": "x"}},
    ],
)
def test_a_condition_with_an_invalid_period_is_unusable(dated: Json) -> None:
    """The same in a Period."""
    assert ["date-invalid"] == keys(about_p1(condition(ARTERIAL, bodySite=[place("left")], **dated)))


def test_an_open_condition_and_an_observation_of_today_tie() -> None:
    """An ulcer on the problem list, none seen today: contradiction, and the worse reading until the list is put right."""
    content = about_p1(
        condition(ULCER, "active", bodySite=[place("left")], onsetDateTime="2025-11-01"),
        observation("foot-ulcer", "absent", "left"),
    )

    assert "yes" == finding(content, "ulcer")["left"]
    assert "contradiction" in keys(content)


def test_an_old_open_condition_is_not_stale() -> None:
    """It claims to hold until today."""
    assert "yes" == finding(about_p1(condition(ULCER, "active", bodySite=[place("left")], onsetDateTime="2001")), "ulcer")["left"]


def test_a_condition_of_the_future_is_unusable() -> None:
    """Onset later than the day of assessment."""
    assert ["date-in-future"] == keys(about_p1(condition(ULCER, "active", bodySite=[place("left")], onsetDateTime="2027-01-01")))


@pytest.mark.parametrize(("code", "value"), [("44054006", "type-2"), ("46635009", "type-1"), ("73211009", "other")])
@pytest.mark.parametrize("clinical", [None, "active", "remission", "resolved"])
def test_diabetes_as_a_condition_lasts(code: str, value: str, clinical: str | None) -> None:
    """Diabetes in remission is still diabetes for the foot."""
    assert value == examination(bundle(patient(), condition(code, clinical))).value("diabetes")


def test_the_onset_of_diabetes_comes_from_the_condition() -> None:
    """onsetDateTime of a diabetes Condition."""
    exam = examination(bundle(patient(), condition("44054006", onsetDateTime="2011-05")))

    assert "2011-05" == exam.value("diabetes-onset").text  # type: ignore[union-attr]


def test_a_suspected_charcot_foot_is_suspected() -> None:
    """Charcot foot (201724008), provisional: suspected acute, which refers; confirmed and over: history."""
    suspected = about_p1(condition("201724008", verification="provisional", bodySite=[place("left")]))
    confirmed = about_p1(condition("201724008", verification="confirmed", bodySite=[place("left")]))

    assert ("yes", "unknown") == (finding(suspected, "charcotSuspected")["left"], finding(suspected, "charcotHistory")["left"])
    assert ("unknown", "yes") == (finding(confirmed, "charcotSuspected")["left"], finding(confirmed, "charcotHistory")["left"])


def test_a_question_as_a_condition_says_nothing() -> None:
    """A code that asks for a value (dorsalis pedis pulse) is no diagnosis."""
    assert ["code-not-mapped"] == keys(about_p1(condition("421811005", bodySite=[place("left")])))


# ---------------------------------------------------------------------------------------------------------------------------------
# Procedures, medicines, Encounters, referrals on file


@pytest.mark.parametrize(
    ("status", "key"),
    [("completed", None), ("in-progress", None), ("preparation", "status-not-usable"), ("not-done", "status-not-usable"), ("on-hold", "status-not-usable"),
     ("stopped", "status-not-usable"), ("entered-in-error", "status-not-usable"), ("unknown", "status-not-usable"), ("done", "status-invalid")],
)  # fmt: skip
def test_only_a_procedure_that_was_done_counts(status: str, key: str | None) -> None:
    """Every code of event-status."""
    content = about_p1(procedure("88312006", status=status, bodySite=[place("left")]))

    assert ([key] if key else []) == keys(content)
    assert ("yes" if key is None else "unknown") == finding(content, "amputation")["left"]


@pytest.mark.parametrize("dated", [{"performedDateTime": "long ago"}, {"performedPeriod": {"start": "2026-02", "end": "2025"}}])
def test_a_procedure_with_an_invalid_date_is_reported(dated: Json) -> None:
    """It may lie in the future."""
    assert ["date-invalid"] == keys(about_p1(procedure("88312006", bodySite=[place("left")], **dated)))


def test_a_planned_amputation_is_none_yet() -> None:
    """Performed later than the day of assessment."""
    assert ["date-in-future"] == keys(about_p1(procedure("88312006", bodySite=[place("left")], performedDateTime="2026-04-01")))


@pytest.mark.parametrize("status", ["active", "completed", "on-hold"])
def test_a_medicine_that_is_or_was_taken_counts(status: str) -> None:
    """Within the look-back."""
    assert "present" == examination(about_p1(statement(METFORMIN, status=status, effectiveDateTime="2026-01-01"))).value(
        "metformin"
    )


@pytest.mark.parametrize("status", ["entered-in-error", "stopped", "unknown", "not-taken"])
def test_a_medicine_that_is_not_taken_does_not(status: str) -> None:
    """Neither present nor absent."""
    content = about_p1(statement(METFORMIN, status=status))

    assert examination(content).value("metformin") is None
    assert ["status-not-usable"] == keys(content)


def test_a_medicine_that_is_only_intended_is_not_taken() -> None:
    """R4 medication-statement-status."""
    assert examination(about_p1(statement(METFORMIN, status="intended"))).value("metformin") is None


@pytest.mark.parametrize("intent", ["proposal", "plan", "option"])
def test_a_medicine_that_is_only_proposed_is_not_taken(intent: str) -> None:
    """`intent` is a modifier element: a proposal has no authority behind it."""
    assert examination(about_p1(prescription(METFORMIN, intent=intent))).value("metformin") is None


@pytest.mark.parametrize(
    "dated",
    [
        {"effectiveDateTime": "yesterday"},
        {"effectivePeriod": {"start": "2026-01-01", "end": "2025-01-01"}},
        {"effectivePeriod": {"start": "x"}},
    ],
)
def test_a_medicine_with_an_invalid_date_is_not_current(dated: Json) -> None:
    """A date that cannot be read is no date, and not today's."""
    assert "date-invalid" in keys(about_p1(statement(METFORMIN, **dated)))


def test_a_medicine_that_starts_later_is_not_taken_yet() -> None:
    """effectivePeriod from next year."""
    assert examination(about_p1(statement(METFORMIN, effectivePeriod={"start": "2027-01-01"}))).value("metformin") is None


def test_a_medicine_of_long_ago_is_stale() -> None:
    """Ended before the look-back."""
    content = about_p1(statement(METFORMIN, status="completed", effectivePeriod={"start": "2019-01-01", "end": "2020-01-01"}))

    assert ["stale"] == keys(content)


def test_a_medicine_may_be_a_resource_of_its_own() -> None:
    """medicationReference to a Medication of the Bundle: both are used."""
    content = about_p1(
        statement(METFORMIN, medicationCodeableConcept=None, medicationReference={"reference": "Medication/m"}),
        {"resourceType": "Medication", "id": "m", "code": METFORMIN},
    )

    assert "present" == examination(content).value("metformin")
    assert 4 == summary_of(content)["intake"]["used"]


def test_a_contained_medicine_is_read() -> None:
    """interop F3: `#id` in contained."""
    content = about_p1(
        statement(
            METFORMIN,
            medicationCodeableConcept=None,
            contained=[{"resourceType": "Medication", "id": "m", "code": METFORMIN}],
            medicationReference={"reference": "#m"},
        )
    )

    assert "present" == examination(content).value("metformin")


@pytest.mark.parametrize("name", ["vincristine", "Vincristine", "  CISPLATIN ", "amiodarone"])
def test_a_medicine_known_to_harm_nerves_is_read_by_its_international_name(name: str) -> None:
    """By text or display, in any letter case: the one place where a name is enough."""
    exam = examination(about_p1(statement({"text": name})))

    assert name.strip().lower() == exam.get("neurotoxic-medicine").detail("medicine")  # type: ignore[union-attr]


def test_a_medicine_that_only_resembles_one_is_not_it() -> None:
    """No part of a name is matched."""
    assert ["code-not-mapped"] == keys(about_p1(statement({"text": "vincristine-free diet"})))


@pytest.mark.parametrize(
    ("kind", "status", "inpatient"),
    [("IMP", "in-progress", True), ("ACUTE", "arrived", True), ("NONAC", "onleave", True), ("IMP", "triaged", True), ("AMB", "in-progress", False),
     ("EMER", "in-progress", False), ("HH", "in-progress", False), ("IMP", "planned", False), ("IMP", "finished", False), ("IMP", "cancelled", False)],
)  # fmt: skip
def test_only_a_stay_under_way_makes_an_inpatient(kind: str, status: str, inpatient: bool) -> None:
    """v3-ActCode IMP, ACUTE, NONAC and a status of being there."""
    assert inpatient == (examination(about_p1(encounter(kind, status=status))).value("inpatient") == "present")


@pytest.mark.parametrize(
    ("stay", "inpatient"),
    [
        ({"start": "2026-02-20"}, True),
        ({"start": "2026-02-20", "end": "2026-03-02"}, True),
        ({"start": "2026-02-20", "end": "2026-03-01"}, False),
        ({"start": "2026-03-02"}, True),
    ],
)
def test_a_stay_counts_on_its_days(stay: Json, inpatient: bool) -> None:
    """From the first to the last day."""
    assert inpatient == (examination(about_p1(encounter(period=stay))).value("inpatient") == "present")


@pytest.mark.parametrize("stay", [{"start": "2027-01-01"}, {"start": "soon"}, {"start": "2026-02-01", "end": "2026-01-01"}])
def test_a_stay_that_has_not_begun_makes_no_inpatient(stay: Json) -> None:
    """Neither the future nor a Period that cannot be read."""
    assert examination(about_p1(encounter(period=stay))).value("inpatient") is None


def _referral(code: Json, **more: Any) -> Json:
    return {
        "resourceType": "ServiceRequest", "id": "sent", "status": "active", "intent": "order", "priority": "urgent", "code": code,
        "subject": {"reference": PATIENT}, "authoredOn": "2026-03-01", **more,
    }  # fmt: skip


def _asked_of_the_foot_service(referral: Json) -> bool:
    content = Exam().normal().see("foot-infection", "present", "left", effectiveDateTime="2026-03-02").add(referral).bundle()
    return "multidisciplinary-foot-service" in [one["service"] for one in summary_of(content)["referrals"]]


@pytest.mark.parametrize("status", ["draft", "revoked", "completed", "on-hold", "entered-in-error", "unknown", "active"])
def test_only_an_active_referral_on_file_makes_another_needless(status: str) -> None:
    """A referral to the multidisciplinary foot service (SNOMED CT 702848001), urgent, of yesterday."""
    assert (status != "active") == _asked_of_the_foot_service(_referral(snomed("702848001"), status=status))


@pytest.mark.parametrize(
    "more",
    [
        {"intent": "option"},
        {"intent": "proposal"},
        {"doNotPerform": True},
        {"modifierExtension": MODIFIED},
        {"priority": "routine"},
        {"authoredOn": "2026-01-01"},
        {"authoredOn": "2027-01-01"},
        {"authoredOn": "x"},
    ],
)
def test_a_referral_that_is_not_wanted_or_not_for_this_makes_none_needless(more: Json) -> None:
    """An option, a proposal that nobody took up, a "do not", one that is less urgent, too old, of the future or of no known day."""
    assert _asked_of_the_foot_service(_referral(snomed("702848001"), **more))


def test_a_referral_on_file_in_our_own_code_makes_another_needless() -> None:
    """What Sural proposes itself must be understood when it comes back."""
    assert not _asked_of_the_foot_service(_referral(concept(canonical.SERVICE, "multidisciplinary-foot-service")))


@pytest.mark.parametrize("status", ["banana", None])
def test_a_referral_with_no_valid_status_is_unusable(status: str | None) -> None:
    """request-status is required."""
    referral = {
        "resourceType": "ServiceRequest",
        "id": "sent",
        "status": status,
        "intent": "order",
        "subject": {"reference": PATIENT},
    }

    assert 1 == summary_of(about_p1({key: value for key, value in referral.items() if value}))["intake"]["unusable"]


# ---------------------------------------------------------------------------------------------------------------------------------
# panels and parts


def test_a_member_without_a_date_has_the_date_of_its_panel() -> None:
    """What a member leaves to its panel: place and time."""
    content = about_p1(
        observation("callus", "present", "left", id="m", effectiveDateTime=None),
        observation({"text": "Foot examination"}, id="panel", hasMember=[{"reference": "Observation/m"}]),
    )

    assert "yes" == finding(content, "callus")["left"]


def test_a_member_that_is_not_there_is_remarked() -> None:
    """The path points at the reference."""
    content = about_p1(observation({"text": "Foot examination"}, id="panel", hasMember=[{"reference": "Observation/m"}]))

    assert [("reference-unresolved", "Bundle.entry[2].resource.hasMember[0]")] == issues(content)


def test_a_contained_member_is_read() -> None:
    """interop F3: `#id` in contained."""
    inside = observation("callus", "present", "left", id="m")
    content = about_p1(observation({"text": "Foot examination"}, id="panel", contained=[inside], hasMember=[{"reference": "#m"}]))

    assert "yes" == finding(content, "callus")["left"]


@pytest.mark.parametrize(
    ("felt", "tested", "expected"),
    [
        (10, 10, "no"),
        (3, 3, "no"),
        (2, 3, "yes"),
        (0, 1, "yes"),
        (2, 2, "unknown"),
        (4, 3, None),
        (None, 3, None),
        (3, None, None),
    ],
)
def test_the_count_form_of_the_monofilament(felt: int | None, tested: int | None, expected: str | None) -> None:
    """Sites felt of sites tested; three or more felt of as many tested is kept, one missed is lost, more felt than tested is a fault."""
    parts = [
        component(code, valueInteger=number)
        for code, number in (("sites-felt", felt), ("sites-tested", tested))
        if number is not None
    ]
    content = about_p1(observation("monofilament-sites", side="left", component=parts))

    if expected is None:
        assert 1 == summary_of(content)["intake"]["unusable"]
    else:
        assert expected == finding(content, "protectiveSensationLost")["left"]


TRIES = (
    (["felt"], "felt"), (["felt", "felt"], "felt"), (["felt", "not-felt", "felt"], "felt"), (["not-felt", "felt", "felt"], "felt"),
    (["not-felt", "not-felt"], "not-felt"), (["felt", "not-felt", "not-felt"], "not-felt"), (["undetermined", "not-felt"], "not-felt"),
    (["not-felt"], "undecided"), (["not-felt", "felt"], "undecided"), (["undetermined"], "undecided"),
)  # fmt: skip


@pytest.mark.parametrize(("tries", "expected"), TRIES)
def test_a_site_of_the_monofilament_from_its_tries(tries: list[str], expected: str) -> None:
    """Two of three right or wrong (IWGDF procedure); one right first try is enough (NHANES 1999-2002)."""
    parts = [component(f"monofilament-try-{number}", value) for number, value in enumerate(tries, 1)]
    exam = examination(about_p1(observation("monofilament-10g", side="left", site="hallux", component=parts)))

    assert expected == exam.left.at("monofilament-10g")["hallux"].value


def test_a_value_that_contradicts_its_tries_is_the_worse_of_both() -> None:
    """Felt, but both tries were missed."""
    parts = [component("monofilament-try-1", "not-felt"), component("monofilament-try-2", "not-felt")]
    content = about_p1(observation("monofilament-10g", "felt", "left", "hallux", component=parts))

    assert "yes" == finding(content, "protectiveSensationLost")["left"]
    assert ["contradiction"] == keys(content)


def test_pressures_of_one_moment_are_put_together() -> None:
    """Systolic (8460-8) and diastolic (8454-1) standing, as two Observations."""
    content = about_p1(
        observation(loinc("8460-8"), id="a", valueQuantity={"value": 100, "system": canonical.UCUM, "code": "mm[Hg]"}),
        observation(loinc("8454-1"), id="b", valueQuantity={"value": 60, "system": canonical.UCUM, "code": "mm[Hg]"}),
    )
    (pressure,) = examination(content).series["blood-pressure-standing"]

    assert {"systolic": 100, "diastolic": 60} == {name: int(str(value)) for name, value in pressure.details}


def test_a_component_that_is_not_known_is_remarked_and_does_not_disturb() -> None:
    """For information, at the component."""
    content = about_p1(observation("callus", "present", "left", component=[component({"text": "Remark"}, valueString="soft")]))

    assert [("component-not-mapped", "Bundle.entry[2].resource.component[0]")] == issues(content)
    assert "yes" == finding(content, "callus")["left"]


def test_a_faulty_component_does_not_take_its_neighbour_with_it() -> None:
    """Left is read, right is reported."""
    parts = [
        component({"coding": [side_coding("left")]}, "present"),
        component({"coding": [side_coding("right")]}, valueInteger=7),
    ]
    content = about_p1(observation("callus", component=parts))

    assert [("value-type", "Bundle.entry[2].resource.component[1].value")] == issues(content)
    assert {"person": "yes", "left": "yes", "right": "unknown"} == finding(content, "callus")


# ---------------------------------------------------------------------------------------------------------------------------------
# site maps


def _local_map(code: str, target: str, equivalence: str) -> Json:
    element = {"code": code, "target": [{"code": target, "equivalence": equivalence}]}
    return {
        "resourceType": "ConceptMap", "status": "active",
        "group": [{"source": "urn:example:skerrow", "target": canonical.FINDING, "element": [element]}],
    }  # fmt: skip


@pytest.mark.parametrize("equivalence", ["equal", "equivalent"])
def test_a_local_code_is_read_through_an_equivalent_map(equivalence: str) -> None:
    """interop I8."""
    content = about_p1(observation(concept("urn:example:skerrow", "CAL"), "present", "left"))

    assert "yes" == finding(content, "callus", concept_maps=[_local_map("CAL", "callus", equivalence)])["left"]


@pytest.mark.parametrize(
    "equivalence", ["wider", "narrower", "relatedto", "inexact", "subsumes", "specializes", "unmatched", "disjoint"]
)
def test_a_near_miss_is_no_evidence(equivalence: str) -> None:
    """Wider or narrower: said, not used."""
    content = about_p1(observation(concept("urn:example:skerrow", "CAL"), "present", "left"))
    how = {"concept_maps": [_local_map("CAL", "callus", equivalence)]}

    assert "unknown" == finding(content, "callus", **how)["left"]
    assert ["code-nearly-mapped"] == keys(content, **how)


def test_a_map_to_a_code_that_does_not_exist_is_refused() -> None:
    """The overlay is checked before anything is read with it."""
    with pytest.raises(sural.Refused) as refused:
        summary_of(Exam(), concept_maps=[_local_map("CAL", "callosity", "equivalent")])

    assert ["concept-map-invalid"] == [issue.key for issue in refused.value.issues]


# ---------------------------------------------------------------------------------------------------------------------------------
# the account


ACCOUNT: dict[str, tuple[Json, str]] = {
    "a finding": (observation("callus", "present", "left"), "used"),
    "not examined": (observation("callus", side="left", dataAbsentReason=concept(canonical.ABSENT_REASON, "not-performed")), "used"),
    "a panel": (observation({"text": "x"}, hasMember=[{"reference": "Observation/o1"}]), "used"),
    "a code that is not ours": (observation(loinc("1234-5")), "notRelevant"),
    "another type of resource": ({"resourceType": "Practitioner", "id": "x"}, "notRelevant"),
    "a Medication nobody refers to": ({"resourceType": "Medication", "id": "x", "code": METFORMIN}, "notRelevant"),
    "a patient nobody refers to": (patient("p9"), "notRelevant"),
    "refuted": (condition(ULCER, verification="refuted"), "notRelevant"),
    "no side": (observation("callus", "present"), "unusable"),
    "no code": ({key: part for key, part in observation("callus", "present", "left").items() if key != "code"}, "unusable"),
    "no resource type": ({"id": "x"}, "unusable"),
    "an unknown type": ({"resourceType": "Nonsense"}, "unusable"),
    "broken": ({"resourceType": "Observation", "status": ["final"]}, "unusable"),
}  # fmt: skip


@pytest.mark.parametrize("case", ACCOUNT)
@pytest.mark.parametrize("check", [False, True])
def test_each_resource_ends_as_exactly_one_thing(case: str, check: bool) -> None:
    """Used, superseded, not relevant or unusable; the counts add up to what was sent."""
    resource, fate = ACCOUNT[case]
    without, counts = summary_of(Exam(), check=check)["intake"], summary_of(about_p1(resource), check=check)["intake"]

    assert without | {fate: without[fate] + 1} == counts


def test_the_account_per_code_covers_everything() -> None:
    """`sural intake`: per code, the counts add up too."""
    content = about_p1(*(resource for resource, _ in ACCOUNT.values()))
    read = reading(content, by_code=True)
    codes = [use for use in read.codes if use.role == "code"]

    assert len(content["entry"]) == sum(use.count for use in codes)
    assert len(content["entry"]) == sum(number for use in codes for number in use.fates.values())


@pytest.mark.parametrize("feet", [FEET, tuple(reversed(FEET))])
def test_the_order_of_a_whole_examination_does_not_matter(feet: tuple[str, ...]) -> None:
    """The answer is the same bytes, whatever the order of entries."""
    exam = Exam().normal()
    shuffled = sorted(exam.entries, key=lambda one: (one["resource"].get("bodySite") is None, orjson.dumps(one)[::-1], feet))

    assert summary_of(exam.bundle()) == summary_of({"resourceType": "Bundle", "type": "collection", "entry": shuffled})


def test_the_verification_system_is_that_of_fhir() -> None:
    """The builders use the real code system addresses."""
    assert "http://terminology.hl7.org/CodeSystem/condition-ver-status" == VERIFICATION
    assert own("callus") == {"coding": [{"system": canonical.FINDING, "code": "callus"}]}
