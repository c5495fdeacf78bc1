"""Bad input: each fault has its own key, its FHIR issue code and a path that selects one node, and all faults come in one answer.

Rules: design "Bad input"; interop C1 to C6, B7, F5, F6, I1 to I10; issue codes are those of FHIR R4 issue-type (required binding). The
behaviour of the model library that is guarded against is listed in the toolchain notes (unknown type inside contained and Bundle is a bare
KeyError, missing resourceType and lax scalars pass). All data are invented.
"""

import subprocess
import sys
from pathlib import Path
from typing import Any

import orjson
import pytest

import sural
from sural import canonical
from sural.cli import main
from sural.doors.assessor import structural_check
from sural.intake.documents import MAX_BYTES, MAX_ENTRIES, read_document
from sural.issues import KINDS, Refused
from tests.asking import answer_of, of_type, summary_of
from tests.builders import AS_OF, Exam, Json, answer, quantity
from tests.paths import nodes, unselective
from tests.pieces import (
    PATIENT,
    about_p1,
    bundle,
    coding,
    component,
    concept,
    condition,
    entry,
    finding,
    issues,
    loinc,
    observation,
    patient,
    refusal,
    side_coding,
    snomed,
)

CHECKS = pytest.mark.parametrize("check", [False, True], ids=["check none", "check structure"])
MODIFIED = [{"url": "urn:example:negated", "valueBoolean": True}]
ISSUE_TYPES = frozenset(
    [
        "invalid",
        "structure",
        "required",
        "value",
        "invariant",
        "security",
        "login",
        "unknown",
        "expired",
        "forbidden",
        "suppressed",
        "processing",
        "not-supported",
        "duplicate",
        "multiple-matches",
        "not-found",
        "deleted",
        "too-long",
        "code-invalid",
        "extension",
        "too-costly",
        "business-rule",
        "conflict",
        "transient",
        "lock-error",
        "no-store",
        "exception",
        "timeout",
        "incomplete",
        "throttled",
        "informational",
    ]
)
"""FHIR R4, code system issue-type: all codes."""


def _without(resource: Json, part: str) -> Json:
    return {key: value for key, value in resource.items() if key != part}


# ---------------------------------------------------------------------------------------------------------------------------------
# one fault at a time: (the resource, the key, the rest of the path, the FHIR issue code)

_LEFT = {"coding": [side_coding("left")]}
_ABSENT = {"dataAbsentReason": concept(canonical.ABSENT_REASON, "unknown")}
FAULTS: dict[str, tuple[Any, str, str, str]] = {
    "no resourceType": ({"id": "x"}, "element-missing", "", "required"),
    "unknown resourceType": ({"resourceType": "Nonsense"}, "resource-type-unknown", "", "structure"),
    "a string for a resource": ("text", "structure-invalid", "", "structure"),
    "status of the wrong JSON type": (observation("callus", "present", "left", status=5), "structure-invalid", ".status", "structure"),
    "code of the wrong JSON type": (observation("callus", "present", "left") | {"code": "callus"}, "structure-invalid", ".code", "structure"),
    "a component that is no object": (observation("callus", "present", "left", component=["x"]), "structure-invalid", ".component[0]", "structure"),
    "a null": (observation("callus", "present", "left") | {"note": None}, "null-value", "", "structure"),
    "a null deeper down": (observation("callus", "present", "left") | {"bodySite": {"coding": [{"system": None}]}}, "null-value", ".bodySite.coding[0]", "structure"),
    "a null in a list": (observation("callus", "present", "left", note=[{"text": "x"}, None]), "null-value", "", "structure"),
    "a boolean in quotes": (observation("callus", side="left", valueBoolean="true"), "structure-invalid", ".value", "structure"),
    "a boolean as a number": (observation("callus", side="left", valueBoolean=1), "structure-invalid", ".value", "structure"),
    "an integer in quotes": (observation("toe-touch", side="left", valueInteger="1"), "structure-invalid", ".value", "structure"),
    "an integer with a fraction": (observation("toe-touch", side="left", valueInteger=1.5), "structure-invalid", ".value", "structure"),
    "an integer as a boolean": (observation("toe-touch", side="left", valueInteger=True), "structure-invalid", ".value", "structure"),
    "a decimal in quotes": (observation("toe-pressure", side="left", valueQuantity=quantity(20, "mm[Hg]") | {"value": "20"}), "structure-invalid", ".value.value", "structure"),
    "a date as a number": (observation("callus", "present", "left", effectiveDateTime=1767225600), "structure-invalid", ".effective", "structure"),
    "two values": (observation("callus", "present", "left", valueString="Present"), "structure-invalid", "", "structure"),
    "no status": (_without(observation("callus", "present", "left"), "status"), "element-missing", "", "required"),
    "status not of the value set": (observation("callus", "present", "left", status="banana"), "status-invalid", ".status", "code-invalid"),
    "entered in error": (observation("callus", "present", "left", status="entered-in-error"), "status-not-usable", ".status", "business-rule"),
    "preliminary": (observation("callus", "present", "left", status="preliminary"), "preliminary", ".status", "business-rule"),
    "unconfirmed diagnosis": (condition("229811005", verification="provisional", bodySite=[_LEFT]), "diagnosis-unconfirmed", "", "business-rule"),
    "refuted diagnosis": (condition("229811005", verification="refuted", bodySite=[_LEFT]), "diagnosis-refuted", "", "business-rule"),
    "modifier extension": (observation("callus", "present", "left", modifierExtension=MODIFIED), "modifier-extension", ".modifierExtension[0]", "extension"),
    "focus": (observation("callus", "present", "left", focus=[{"reference": "Device/d"}]), "focus-not-patient", ".focus[0]", "business-rule"),
    "subject is a group": (observation("callus", "present", "left", subject={"reference": "Group/g"}), "subject-not-patient", ".subject", "business-rule"),
    "no subject": (_without(observation("callus", "present", "left"), "subject"), "subject-assumed", "", "business-rule"),
    "member that is not there": (observation({"text": "Panel"}, hasMember=[{"reference": "Observation/none"}]), "reference-unresolved", ".hasMember[0]", "not-found"),
    "value and absent reason": (observation("callus", "present", "left", **_ABSENT), "value-and-absent-reason", "", "invariant"),
    "reference range of nothing": (observation("toe-pressure", side="left", valueQuantity=quantity(60, "mm[Hg]"), referenceRange=[{"age": {"low": {"value": 1}}}]), "invariant-broken", ".referenceRange[0]", "invariant"),
    "code not mapped": (observation(loinc("1234-5"), side="left"), "code-not-mapped", ".code", "informational"),
    "codings of two findings": (observation({"coding": [*snomed("229811005")["coding"], *snomed("95345008")["coding"]]}, side="left"), "code-conflict", ".code", "business-rule"),
    "code that needs a site": (observation(snomed("246581004"), "normal", "left"), "code-needs-site", ".code", "required"),
    "component not mapped": (observation("callus", "present", "left", component=[component({"text": "Remark"}, valueString="x")]), "component-not-mapped", ".component[0]", "informational"),
    "no value": (observation("ankle-reflex", side="left"), "value-missing", "", "required"),
    "value of the wrong type": (observation("callus", side="left", valueInteger=7), "value-type", ".value", "value"),
    "value not of the answers": (observation("callus", side="left", valueCodeableConcept=answer("normal")), "value-not-mapped", ".value", "code-invalid"),
    "codings of two answers": (observation("callus", side="left", valueCodeableConcept={"coding": [*answer("present")["coding"], *answer("absent")["coding"]]}), "value-conflict", ".value", "business-rule"),
    "number out of range": (observation("ankle-brachial-index", side="left", valueQuantity=quantity(95, "1")), "value-out-of-range", ".value", "value"),
    "value by its display": (observation("callus", side="left", valueString="Present"), "value-by-display", "", "code-invalid"),
    "named only": (observation("callus", side="left"), "read-as-present", "", "value"),
    "comparator": (observation("toe-pressure", side="left", valueQuantity=quantity(30, "mm[Hg]") | {"comparator": "<"}), "comparator", ".value", "not-supported"),
    "no unit": (observation("toe-pressure", side="left", valueQuantity={"value": 30}), "unit-missing", ".value", "required"),
    "unit not UCUM": (observation("toe-pressure", side="left", valueQuantity=quantity(30, "mmHg")), "unit-not-ucum", ".value", "code-invalid"),
    "wrong unit": (observation("toe-pressure", side="left", valueQuantity=quantity(30, "Cel")), "unit-incommensurable", ".value", "value"),
    "undecided tries": (observation("monofilament-10g", side="left", site="hallux", component=[component("monofilament-try-1", "not-felt")]), "tries-undecided", "", "informational"),
    "no side": (observation("callus", "present"), "side-missing", "", "required"),
    "two sides": (observation("callus", "present", bodySite={"coding": [side_coding("left"), side_coding("right")]}), "side-conflict", ".bodySite", "business-rule"),
    "unknown laterality": (observation("callus", "present", bodySite=snomed("56459004:272741003=66459002")), "laterality-not-understood", ".bodySite", "code-invalid"),
    "two sites": (observation("light-touch", "absent", bodySite={"coding": [side_coding("left"), coding(canonical.SITE, "hallux"), coding(canonical.SITE, "knee")]}), "site-conflict", ".bodySite", "business-rule"),
    "unknown site": (observation("light-touch", "absent", bodySite={"coding": [side_coding("left"), coding("urn:example:skerrow", "S1")]}), "site-not-mapped", ".bodySite", "code-invalid"),
    "no date": (_without(observation("callus", "present", "left"), "effectiveDateTime"), "date-missing", "", "required"),
    "in the future": (observation("callus", "present", "left", effectiveDateTime="2026-03-03"), "date-in-future", "", "business-rule"),
    "stale": (observation("callus", "present", "left", effectiveDateTime="2020-01-01"), "stale", "", "informational"),
}  # fmt: skip


@pytest.mark.parametrize("check", [False, True], ids=["not checked", "checked"])
@pytest.mark.parametrize("case", FAULTS)
def test_each_fault_has_its_key_and_a_path_to_one_node(case: str, check: bool) -> None:
    """Exactly one issue; its expression selects exactly one node of the input, evaluated by a FHIRPath engine of someone else's."""
    resource, key, part, _ = FAULTS[case]
    content = about_p1({"resource": resource})

    assert [(key, f"Bundle.entry[2].resource{part}")] == issues(content, check=check)
    assert 1 == len(nodes(content, f"Bundle.entry[2].resource{part}"))


@pytest.mark.parametrize("case", FAULTS)
def test_each_fault_has_its_fhir_issue_code(case: str) -> None:
    """In the OperationOutcome of the answer: severity and code of the required value sets, our key, the path."""
    resource, key, part, code = FAULTS[case]
    outcome = of_type(answer_of(about_p1({"resource": resource})), "OperationOutcome")[0]
    found = [issue for issue in outcome["issue"] if issue["details"].get("coding", [{}])[0].get("code") == key]

    assert [(code, [f"Bundle.entry[2].resource{part}"])] == [(issue["code"], issue["expression"]) for issue in found]
    assert found[0]["severity"] == KINDS[key].severity


TOGETHER: dict[str, tuple[list[Json], str, str, str]] = {
    "contradiction": ([observation("callus", "present", "left", id="a"), observation("callus", "absent", "left", id="b")], "contradiction", "Bundle.entry[2].resource", "business-rule"),
    "the same twice": ([observation("callus", "present", "left", id="b"), observation("callus", "present", "left", id="a")], "duplicate-finding", "Bundle.entry[3].resource", "duplicate"),
    "two versions": ([observation("callus", "present", "left", meta={"versionId": "1"}), observation("callus", "present", "left", meta={"versionId": "2"})], "duplicate-resource", "Bundle.entry[2].resource", "duplicate"),
}  # fmt: skip


@pytest.mark.parametrize("case", TOGETHER)
def test_each_fault_of_two_resources_has_its_key_and_path(case: str) -> None:
    """What is only seen in the whole."""
    resources, key, path, code = TOGETHER[case]
    content = about_p1(*resources)

    assert [(key, path)] == issues(content)
    assert code == KINDS[key].code


DATES: dict[str, tuple[Json, str, str]] = {
    "no date at all": (observation("callus", "present", "left", effectiveDateTime="yesterday"), "date-invalid", ".effective"),
    "no offset": (
        observation("callus", "present", "left", effectiveDateTime="2026-03-01T09:30:00"),
        "date-invalid",
        ".effective",
    ),
}


@pytest.mark.parametrize("case", DATES)
@CHECKS
def test_an_invalid_date_is_found_by_either_check(case: str, check: bool) -> None:
    """By the models, and by us without them: the same key and path."""
    resource, key, part = DATES[case]
    content = about_p1(resource)

    assert [(key, f"Bundle.entry[2].resource{part}")] == issues(content, check=check)
    assert 1 == len(nodes(content, f"Bundle.entry[2].resource{part}"))


def test_a_code_that_is_not_there_is_found_by_either_check() -> None:
    """Observation.code is required."""
    content = about_p1(_without(observation("callus", "present", "left"), "code"))

    assert [("code-missing", "Bundle.entry[2].resource")] == issues(content)
    assert [("element-missing", "Bundle.entry[2].resource")] == issues(content, check=True)


# ---------------------------------------------------------------------------------------------------------------------------------
# paths that do not select one node

TWO_MODIFIERS = [*MODIFIED, {"url": "urn:example:other", "valueBoolean": True}]
UNSELECTIVE: dict[str, tuple[Any, bool]] = {
    "entry that is null": ({"entry": None}, False),
    "resource that is null": ({"resource": None}, False),
    "resource that is an empty list": ({"resource": []}, False),
    "resource that is a list": ({"resource": [{"resourceType": "Observation"}, {"resourceType": "Observation"}]}, False),
    "two modifier extensions": ({"resource": observation("callus", "present", "left", modifierExtension=TWO_MODIFIERS)}, False),
    "two modifier extensions of a component": ({"resource": observation("callus", side="left", component=[component(_LEFT, "present", modifierExtension=TWO_MODIFIERS)])}, False),
    "an unknown value type": ({"resource": observation("callus", side="left", valueFoo=3)}, True),
    "a value type that R4 does not give": ({"resource": observation("callus", side="left", valueDecimal=3.5)}, True),
    "an unknown element with a dash": ({"resource": observation("callus", "present", "left", **{"side-note": 1})}, True),
    "an unknown element with a blank": ({"resource": observation("callus", "present", "left", **{"side note": 1})}, True),
    "an unknown element with a back tick": ({"resource": observation("callus", "present", "left", **{"a`b": 1})}, True),
    "an unknown element that is a word of FHIRPath": ({"resource": observation("callus", "present", "left", div=1)}, True),
    "an unknown element without a name": ({"resource": observation("callus", "present", "left", **{"": 1})}, True),
    "a null in an element with a dash": ({"resource": observation("callus", "present", "left", **{"side-note": {"x": None}})}, False),
    "an unknown element that is empty": ({"resource": observation("callus", "present", "left", foo=[])}, True),
}  # fmt: skip


@pytest.mark.parametrize("case", UNSELECTIVE)
def test_every_path_selects_one_node(case: str) -> None:
    """C3: evaluate the expression against the input and find one node (the holder, where the thing itself is no node)."""
    given, check = UNSELECTIVE[case]
    content = about_p1()
    content["entry"].append(given.get("entry", given))
    found = summary_of(content, check=check)["issues"]

    assert found
    assert [] == unselective(content, found)


def test_the_path_of_a_focus_is_the_one_at_fault() -> None:
    """The first focus is the patient, the second a device."""
    content = about_p1(observation("callus", "present", "left", focus=[{"reference": PATIENT}, {"reference": "Device/d"}]))

    assert [("focus-not-patient", "Bundle.entry[2].resource.focus[1]")] == issues(content)


@CHECKS
def test_a_null_entry_list_is_a_null(check: bool) -> None:
    """`"entry": null`: null-value at the Bundle, which is the node there is."""
    content = {"resourceType": "Bundle", "type": "collection", "entry": None}

    with pytest.raises(Refused) as refused:
        summary_of(content, check=check)

    assert [("null-value", "Bundle")] == [(issue.key, issue.expression) for issue in refused.value.issues]


@pytest.mark.parametrize("kind", ["message", 5, [], ["collection", "batch"], {}])
def test_the_path_of_a_wrong_type_of_bundle(kind: Any) -> None:
    """`Bundle.type` is a node unless it is a list: then its first item is, or the Bundle."""
    content = Exam().bundle() | {"type": kind}

    with pytest.raises(Refused) as refused:
        summary_of(content)

    assert [1] == [len(nodes(content, issue.expression)) for issue in refused.value.issues]


def test_the_path_of_a_doubled_list_selects_one_node() -> None:
    """`component` twice, the second with two components."""
    content = about_p1(observation("callus", "present", "left", component=[component("callus"), component("callus")]))
    data = orjson.dumps(content).replace(b'"component":[', b'"component":[],"component":[')
    found = summary_of(data, check=True)["issues"]

    assert ["duplicate-property"] == [issue["key"] for issue in found]
    assert [] == unselective(orjson.loads(data), found)


# ---------------------------------------------------------------------------------------------------------------------------------
# all at once


def _every_fault() -> Json:
    resources = [
        entry(resource) | {"fullUrl": f"urn:uuid:{number:08d}-0000-4000-8000-000000000000"}
        for number, (resource, *_) in enumerate(FAULTS.values())
    ]
    for number, one in enumerate(resources):
        if isinstance(one["resource"], dict) and "resourceType" in one["resource"]:
            one["resource"] = one["resource"] | {"id": f"f{number}"}
    return bundle(*(one["resource"] for one in Exam().entries), *resources)


@CHECKS
def test_all_faults_come_in_one_answer(check: bool) -> None:
    """C6: one issue per fault, at the place where it is; whatever else is wrong around it."""
    content = _every_fault()
    expected = {(key, f"Bundle.entry[{2 + number}].resource{part}") for number, (_, key, part, _) in enumerate(FAULTS.values())}
    found = issues(content, check=check)

    assert set() == expected - set(found)
    assert {"contradiction", "duplicate-finding"} >= {key for key, _ in set(found) - expected}


@CHECKS
def test_with_all_faults_at_once_every_path_selects_one_node(check: bool) -> None:
    """In the same Bundle."""
    content = _every_fault()

    assert [] == unselective(content, summary_of(content, check=check)["issues"])


@CHECKS
def test_with_all_faults_at_once_the_counts_add_up(check: bool) -> None:
    """Nothing is lost among them."""
    content = _every_fault()

    assert len(content["entry"]) == sum(summary_of(content, check=check)["intake"].values())


@CHECKS
def test_three_faults_in_one_resource_are_three_issues(check: bool) -> None:
    """Not the first only: status, value and body site of the wrong JSON type."""
    content = about_p1(observation("callus", side="left", status=5, valueBoolean="no") | {"bodySite": "left"})

    assert {".status", ".value", ".bodySite"} == {
        path.removeprefix("Bundle.entry[2].resource") for _, path in issues(content, check=check)
    }


def test_two_faults_of_meaning_in_one_resource_are_both_reported_or_the_first() -> None:
    """Status before value: what may change the meaning comes first, and one reason is enough for one resource."""
    content = about_p1(observation("callus", "normal", "left", status="entered-in-error"))

    assert [("status-not-usable", "Bundle.entry[2].resource.status")] == issues(content)


# ---------------------------------------------------------------------------------------------------------------------------------
# the vocabulary

OF_THE_REQUEST = {
    "parameter-unknown", "parameter-invalid", "scheme-unknown", "pathway-unknown", "concept-map-invalid", "media-type-unsupported",
    "not-acceptable", "not-found", "method-not-allowed", "internal-error", "file-unreadable", "records-unreadable",
}  # fmt: skip
OF_THE_WHOLE = {
    "not-json", "not-fhir", "empty-input", "input-too-large", "too-many-entries", "too-deep", "bundle-type-unsupported",
    "resource-type-unsupported", "patient-missing", "subject-missing", "patient-deceased", "patient-inactive", "patient-replaced",
}  # fmt: skip
ELSEWHERE = {"code-missing", "date-invalid", "element-unknown", "duplicate-property", "code-nearly-mapped", "version-unclear",
             "questionnaire-unknown", "question-unknown", "bundle-in-pages"}  # fmt: skip
"""Keys that have a test of their own, here, in test_intake, test_questionnaire or test_worse_reading."""
OF_ACCESS = {"hook-unknown", "hook-request-invalid", "hook-patient-mismatch", "prefetch-unobtainable", "host-not-allowed", "login-needed", "token-expired", "scope-insufficient"}  # fmt: skip
"""Keys of the doors: in test_hooks and test_security."""
OF_THE_STORE = {
    "type-not-stored", "identifier-taken", "version-conflict", "several-matches", "id-differs", "id-not-assigned", "resource-type-differs",
    "not-a-transaction", "request-not-offered", "stored", "stored-already", "parameter-ignored", "search-too-costly", "respond-async-needed",
    "export-ended", "ledger-unavailable", "examination-in-part", "no-match", "person-differs",
    "resource-in-part", "link-taken", "character-invalid",
}  # fmt: skip
"""Keys of stored answers: in test_ledger_store, test_search, test_stored, test_export and test_serving."""
OF_SUBSCRIPTIONS = {f"subscription-{one}" for one in ("channel", "criteria", "payload", "endpoint", "header", "ended", "status")}
"""Keys of subscriptions: in test_subscriptions."""


def test_every_key_of_the_vocabulary_is_tested() -> None:
    """A new key needs a fault that leads to it."""
    tested = {key for _, key, _, _ in (*FAULTS.values(), *TOGETHER.values())}

    assert set() == KINDS.keys() - tested - OF_THE_REQUEST - OF_THE_WHOLE - OF_ACCESS - OF_THE_STORE - OF_SUBSCRIPTIONS - ELSEWHERE


def test_every_issue_code_is_one_of_fhir_r4() -> None:
    """C2: required binding; `incomplete` is for sources that did not answer, never for missing evidence."""
    assert set() == {kind.code for kind in KINDS.values()} - ISSUE_TYPES
    assert {"prefetch-unobtainable"} == {key for key, kind in KINDS.items() if kind.code == "incomplete"}


def test_severity_and_status_agree() -> None:
    """C7: what refuses is 4xx; our failure is 500, that of the database 503."""
    assert {"internal-error": 500, "ledger-unavailable": 503} == {key: kind.status for key, kind in KINDS.items() if kind.status >= 500}
    assert all(kind.status >= 400 for kind in KINDS.values())


# ---------------------------------------------------------------------------------------------------------------------------------
# the input as a whole

GOOD = orjson.dumps(about_p1(observation("callus", "present", "left")))


def _deep(levels: int, inner: str = "1", shape: str = "list") -> bytes:
    nested = "[" * levels + inner + "]" * levels if shape == "list" else '{"a":' * levels + inner + "}" * levels
    return GOOD.replace(b'"status":"final"', b'"note":' + nested.encode() + b',"status":"final"')


WHOLE: dict[str, tuple[bytes, str]] = {
    "nothing": (b"", "empty-input"),
    "white space": (b" \n\t ", "empty-input"),
    "words": (b"hello", "not-json"),
    "half a document": (GOOD[:-40], "not-json"),
    "two documents on one line": (GOOD + GOOD, "not-json"),
    "a trailing comma": (GOOD[:-1] + b",}", "not-json"),
    "single quotes": (GOOD.replace(b'"', b"'"), "not-json"),
    "a comment": (b"/* x */" + GOOD, "not-json"),
    "XML": (b'<Bundle xmlns="http://hl7.org/fhir"/>', "not-json"),
    "NaN": (GOOD.replace(b'"status":"final"', b'"value":NaN,"status":"final"'), "not-json"),
    "Infinity": (GOOD.replace(b'"status":"final"', b'"value":-Infinity,"status":"final"'), "not-json"),
    "a control character in a string": (GOOD.replace(b"final", b"fi\x01nal"), "not-json"),
    "bytes that are no UTF-8": (GOOD.replace(b"final", b"fin\xe9l"), "not-json"),
    "a null byte": (b"\x00", "not-json"),
    "null": (b"null", "not-fhir"),
    "a number": (b"5", "not-fhir"),
    "a string": (b'"Bundle"', "not-fhir"),
    "a list": (b"[" + GOOD + b"]", "not-fhir"),
    "an empty object": (b"{}", "not-fhir"),
    "JSON that is not FHIR": (b'{"entry": []}', "not-fhir"),
    "an unknown resource": (b'{"resourceType": "Nonsense"}', "not-fhir"),
    "a resourceType in the wrong case": (b'{"resourceType": "bundle"}', "not-fhir"),
    "a resourceType that is no string": (b'{"resourceType": ["Bundle"]}', "not-fhir"),
    "a Bundle without type": (b'{"resourceType": "Bundle"}', "element-missing"),
    "an empty Bundle": (b'{"resourceType": "Bundle", "type": "collection"}', "empty-input"),
    "an empty list of entries": (b'{"resourceType": "Bundle", "type": "collection", "entry": []}', "empty-input"),
    "entries that are no list": (b'{"resourceType": "Bundle", "type": "collection", "entry": {}}', "structure-invalid"),
    "Parameters without anything": (b'{"resourceType": "Parameters"}', "empty-input"),
    "Parameters that are no list": (b'{"resourceType": "Parameters", "parameter": {}}', "structure-invalid"),
    "a resource that says nothing alone": (b'{"resourceType": "Practitioner", "id": "x"}', "resource-type-unsupported"),
    "a Bundle about nobody": (orjson.dumps(bundle({"resourceType": "Practitioner", "id": "x"})), "patient-missing"),
    "a resource about nobody": (b'{"resourceType": "Observation", "id": "x", "status": "final", "code": {"text": "x"}}', "patient-missing"),
    "nested too deep": (_deep(2000), "too-deep"),
    "very much nested": (_deep(200_000), "too-deep"),
}  # fmt: skip


@pytest.mark.parametrize("case", WHOLE)
@CHECKS
def test_an_input_that_cannot_be_read_at_all_is_refused(case: str, check: bool) -> None:
    """One refusal with its key; never another exception, never an assessment."""
    data, key = WHOLE[case]

    with pytest.raises(Refused) as refused:
        sural.summarise(data, check=check)

    assert key == refused.value.issues[-1].key
    assert 400 <= refused.value.status < 500


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-32", "utf-8-sig"])
@CHECKS
def test_other_encodings_than_utf_8_are_refused(encoding: str, check: bool) -> None:
    """FHIR JSON is UTF-8, without a byte order mark; the same input is refused alike, whatever is checked beyond."""
    with pytest.raises(Refused) as refused:
        summary_of(GOOD.decode().encode(encoding), check=check)

    assert ["not-json"] == [issue.key for issue in refused.value.issues]


@CHECKS
def test_bytes_that_are_no_utf_8_are_refused_where_nobody_reads_too(check: bool) -> None:
    """A note in Latin-1."""
    content = about_p1(observation("callus", "present", "left", note=[{"text": "MARK"}]))

    assert ["not-json"] == refusal(orjson.dumps(content).replace(b"MARK", b"\xe9"), check=check)


def test_letters_of_all_scripts_are_read() -> None:
    """UTF-8 is not ASCII."""
    content = about_p1(observation("callus", "present", "left", note=[{"text": "Þórshöfn, 足, 🦶"}]))

    assert "yes" == finding(content, "callus", check=True)["left"]


@pytest.mark.parametrize("levels", [300, 600, 1000])
@pytest.mark.parametrize("shape", ["list", "dict"])
def test_nesting_beyond_the_limit_is_refused_with_the_check(levels: int, shape: str) -> None:
    """Published limit: 100 levels, named in the answer."""
    with pytest.raises(Refused) as refused:
        summary_of(_deep(levels, shape=shape), check=True)

    assert ["too-deep"] == [issue.key for issue in refused.value.issues]


@pytest.mark.parametrize(("levels", "shape"), [(500, "list"), (900, "list"), (1010, "dict")])
def test_nesting_with_a_null_is_refused_or_read(levels: int, shape: str) -> None:
    """A null sends the document the careful way, where the nesting is fatal."""
    assert refusal(_deep(levels, "null", shape)) in ([], ["too-deep"])


@pytest.mark.parametrize("shape", ["list", "dict"])
def test_very_deep_nesting_with_a_null_is_too_deep(shape: str) -> None:
    """The same key with and without a null elsewhere."""
    with pytest.raises(Refused) as refused:
        summary_of(_deep(5000, "null", shape))

    assert ["too-deep"] == [issue.key for issue in refused.value.issues]


@CHECKS
def test_an_input_larger_than_the_limit_is_refused_by_name(check: bool) -> None:
    """50 MB: refused before it is parsed; the limit is in the diagnostics (F6)."""
    with pytest.raises(Refused) as refused:
        sural.summarise(GOOD + b" " * 50_000_000, check=check)

    (issue,) = refused.value.issues
    assert ("input-too-large", f"limit: {MAX_BYTES} bytes", 413) == (issue.key, issue.diagnostics, refused.value.status)


def test_an_input_of_exactly_the_limit_is_read() -> None:
    """The limit itself is within it."""
    assert 3 == len(read_document(GOOD, max_bytes=len(GOOD)).items)
    with pytest.raises(Refused):
        read_document(GOOD, max_bytes=len(GOOD) - 1)


def test_more_entries_than_the_limit_are_refused_by_name() -> None:
    """Named as well; exactly as many are read."""
    one = b'{"resource":{"resourceType":"Basic"}}'
    head = b'{"resourceType":"Bundle","type":"collection","entry":['

    assert MAX_ENTRIES == len(read_document(head + b",".join([one] * MAX_ENTRIES) + b"]}").items)
    with pytest.raises(Refused) as refused:
        read_document(head + b",".join([one] * (MAX_ENTRIES + 1)) + b"]}")
    assert [("too-many-entries", f"limit: {MAX_ENTRIES} entries")] == [
        (issue.key, issue.diagnostics) for issue in refused.value.issues
    ]


@CHECKS
def test_five_thousand_entries_are_read(check: bool) -> None:
    """A long but legitimate record; small resources, to keep the structural check short."""
    others = [{"resourceType": "Basic", "id": f"b{number}", "code": {"text": "x"}} for number in range(4997)]
    content = about_p1(observation("callus", "present", "left"), *others)

    assert 5000 == sum(summary_of(content, check=check)["intake"].values())


# ---------------------------------------------------------------------------------------------------------------------------------
# numbers and strings that JSON allows


def _area(number: str, unit: str = "cm2", code: str = "ulcer-area") -> bytes:
    content = about_p1(observation(code, side="left", valueQuantity={"value": 424242, "system": canonical.UCUM, "code": unit}))
    return orjson.dumps(content).replace(b"424242", number.encode())


@pytest.mark.parametrize(
    "number", ["1e2", "1E+2", "1.0e-3", "100.00", "-0", "0.1", "12345678901234567", "1e-400", "0.30000000000000004"]
)
@CHECKS
def test_numbers_in_any_notation_are_read(number: str, check: bool) -> None:
    """JSON numbers: exponents, trailing zeros, many digits."""
    assert [] == [issue["key"] for issue in summary_of(_area(number), check=check)["issues"]]


@pytest.mark.parametrize("number", ["123456789012345678901", "-99999999999999999999999999"])
def test_an_integer_of_many_digits_is_no_crash(number: str) -> None:
    """Out of range perhaps, but ours to say so."""
    assert "internal-error" not in refusal(_area(number), check=True)


def test_an_integer_of_many_digits_in_an_element_that_is_not_read_is_no_crash() -> None:
    """An identifier-like number in an extension."""
    content = about_p1(observation("callus", "present", "left", extension=[{"url": "urn:example:n", "valueDecimal": 424242}]))
    data = orjson.dumps(content).replace(b"424242", b"123456789012345678901234567890")

    assert "yes" == finding(data, "callus", check=True)["left"]


@pytest.mark.parametrize(
    "number", ["1e400", "1e30", "123456789012345678901234567890123", "0." + "1" * 41, "1e-2000", "1e99999999999999999999"]
)
@CHECKS
def test_a_number_beyond_all_measure_is_refused_either_way(number: str, check: bool) -> None:
    """Up to 40 digits, smaller than 1E30 and no finer than 1E-1000: no ulcer has that area."""
    expected = [("value-out-of-range", "Bundle.entry[2].resource.value.value")]

    assert expected == [(issue["key"], issue["expression"]) for issue in summary_of(_area(number), check=check)["issues"]]


@pytest.mark.parametrize("whole", [2**31, -(2**31) - 1, 10**25])
@CHECKS
def test_an_integer_has_32_bits(whole: int, check: bool) -> None:
    """R4, integer: a signed integer of 32 bits."""
    data = orjson.dumps(about_p1(observation("toe-touch", side="left", valueInteger=424242))).replace(
        b"424242", str(whole).encode()
    )

    assert [("value-out-of-range", "Bundle.entry[2].resource.value")] == issues(data, check=check)


@pytest.mark.parametrize("number", ["12.50", "0.30000000000000004", "1234567890.12345678901234567890"])
@pytest.mark.parametrize("checker", [None, structural_check()], ids=["check none", "check structure"])
@pytest.mark.parametrize("around", [b"", b'"note":[{"text":null}],'], ids=["", "a null elsewhere"])
def test_what_is_read_are_the_digits_that_were_sent(number: str, checker: Any, around: bytes) -> None:
    """The tree and the models judge and never carry the data: not through a float, not through a model."""
    data = _area(number).replace(b'{"resource":{"resourceType":"Patient",', b'{"resource":{"resourceType":"Patient",' + around)
    record = read_document(data, checker).items[2].record

    assert number == str(record.valueQuantity.value)


_HANG = """
import sys
from datetime import date
import sural
try:
    sural.summarise(sys.stdin.buffer.read(), as_of=date(2026, 3, 2))
except sural.Refused:
    pass
"""


def test_a_number_of_ordinary_size_ends_in_time() -> None:
    """The control of the next test: the same process with 4 kPa."""
    done = subprocess.run(
        [sys.executable, "-c", _HANG], input=_area("4", "kPa", "toe-pressure"), timeout=5, check=True, capture_output=True
    )

    assert b"" == done.stdout


@pytest.mark.parametrize("number", ["1e9999999", "1e-9999999", "1e999999999"])
def test_a_number_with_a_huge_exponent_does_not_hang(number: str) -> None:
    """Eleven characters of input must not cost minutes: at most five seconds, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", _HANG], input=_area(number, "kPa", "toe-pressure"), timeout=5, check=True, capture_output=True
    )

    assert b"" == done.stdout


@pytest.mark.parametrize("text", ["\\ud800", "x\\udfffx", "\\udc00\\ud800"])
@CHECKS
def test_a_lone_surrogate_is_refused(text: str, check: bool) -> None:
    """Half a character is no text: not JSON for us, or a fault of that element; never a crash."""
    content = about_p1(observation("callus", "present", "left", note=[{"text": "MARK"}]))
    data = orjson.dumps(content).replace(b"MARK", text.encode())
    try:
        found = summary_of(data, check=check)
    except Refused as refused:
        assert ["not-json"] == [issue.key for issue in refused.issues]
    else:
        assert [("structure-invalid", "Bundle.entry[2].resource.note[0].text")] == [
            (issue["key"], issue["expression"]) for issue in found["issues"]
        ]


@pytest.mark.parametrize("place", ["key", "fullUrl", "resourceType"])
@CHECKS
def test_a_lone_surrogate_elsewhere_is_no_crash(place: str, check: bool) -> None:
    """In a property name, in the fullUrl, in the type."""
    data = {
        "key": GOOD.replace(b'"status"', b'"\\ud800":1,"status"', 1),
        "fullUrl": GOOD.replace(b'{"resource":', b'{"fullUrl":"\\ud800","resource":'),
        "resourceType": GOOD.replace(b'"Observation"', b'"\\ud800"'),
    }[place]
    assert refusal(data, check=check) in ([], ["not-json"], ["not-fhir"], ["structure-invalid"])


# ---------------------------------------------------------------------------------------------------------------------------------
# properties that stand twice


@pytest.mark.parametrize(
    ("find", "put"),
    [
        (b'"status":"final"', b'"status":"final","status":"entered-in-error"'),
        (
            b'"system":"http://snomed.info/sct","code":"7771000"',
            b'"system":"http://snomed.info/sct","code":"24028007","code":"7771000"',
        ),
        (b'"valueCodeableConcept":{', b'"valueCodeableConcept":{"coding":[]},"valueCodeableConcept":{'),
    ],
    ids=["status", "code of the side", "value"],
)
def test_a_property_that_stands_twice_is_refused_with_the_check(find: bytes, put: bytes) -> None:
    """Which of the two was meant is not for us to say; the last one silently wins in most parsers."""
    at = GOOD.rindex(find)
    data = GOOD[:at] + put + GOOD[at + len(find) :]
    summary = summary_of(data, check=True)

    assert ["duplicate-property"] == [issue["key"] for issue in summary["issues"]]
    assert "unknown" == summary["findings"]["callus"]["left"]
    assert [] == unselective(orjson.loads(data), summary["issues"])


def test_two_lists_of_entries_are_refused() -> None:
    """The first holds an ulcer, the second the patient alone."""
    first = orjson.dumps(about_p1(observation("foot-ulcer", "present", "left")))
    data = first[:-1] + b',"entry":[{"resource":' + orjson.dumps(patient()) + b"}]}"

    try:
        keys = [issue["key"] for issue in summary_of(data, check=True)["issues"]]
    except Refused as refused:
        keys = [issue.key for issue in refused.issues]
    assert "duplicate-property" in keys


def test_two_resources_in_one_entry_are_refused() -> None:
    """An ulcer, then a callus."""
    ulcer = orjson.dumps(observation("foot-ulcer", "present", "left", id="u"))
    at = GOOD.rindex(b'{"resource":')
    data = GOOD[:at] + b'{"resource":' + ulcer + b"," + GOOD[at + 1 :]

    assert "duplicate-property" in [issue["key"] for issue in summary_of(data, check=True)["issues"]]


def test_a_property_that_stands_twice_in_parameters_is_refused() -> None:
    """The structural check must see the document as it came."""
    data = (
        b'{"resourceType":"Parameters","parameter":[{"name":"exam","resource":'
        + GOOD.replace(b'"status":"final"', b'"status":"entered-in-error","status":"final"')
        + b"}]}"
    )

    assert "duplicate-property" in [issue["key"] for issue in summary_of(data, check=True)["issues"]]


@pytest.mark.parametrize("name", ["Resource", "resources", "res"])
@CHECKS
def test_an_entry_with_a_misspelt_resource_is_not_dropped(name: str, check: bool) -> None:
    """ "Never drops an Observation silently": an unknown element of the entry, and one resource more."""
    content = about_p1()
    content["entry"].append({name: observation("foot-ulcer", "present", "left")})
    summary = summary_of(content, check=check)

    assert [("element-unknown", f"Bundle.entry[2].{name}")] == [(one["key"], one["expression"]) for one in summary["issues"]]
    assert 1 == summary["intake"]["unusable"]


@pytest.mark.parametrize("name", ["entries", "Entry"])
@CHECKS
def test_an_unknown_element_of_the_bundle_is_reported(name: str, check: bool) -> None:
    """The patient stands in `entry`, the findings in a misspelt one."""
    content = about_p1() | {name: [{"resource": observation("foot-ulcer", "present", "left")}]}

    assert [("element-unknown", f"Bundle.{name}[0]")] == issues(content, check=check)


def _framed(**parts: Any) -> Json:
    return about_p1(observation("callus", "present", "left")) | parts


def _entry_with(**parts: Any) -> Json:
    content = about_p1(observation("callus", "present", "left"))
    content["entry"][2] |= parts
    return content


FRAMES: dict[str, Json] = {
    "a language": _framed(language="en", _type={"id": "t"}),
    "a link of the Bundle": _framed(link=[{"relation": "self", "url": "https://skerrow.example/fhir"}]),
    "a signature": _framed(signature={"type": [{"code": "x"}], "when": "2026-03-01T00:00:00Z", "who": {"display": "x"}}),
    "an id of the entry": _entry_with(id="e"),
    "an extension of the entry": _entry_with(extension=[{"url": "urn:x", "valueString": "y"}]),
    "a link of the entry": _entry_with(link=[{"relation": "self", "url": "https://skerrow.example/fhir"}]),
    "a deletion": _framed(type="transaction", entry=[*about_p1(observation("callus", "present", "left"))["entry"], {"request": {"method": "DELETE", "url": "Basic/x"}}]),
}  # fmt: skip


@pytest.mark.parametrize("case", FRAMES)
@CHECKS
def test_what_may_stand_around_a_resource_does_not_disturb(case: str, check: bool) -> None:
    """Every element that R4 gives Bundle and Bundle.entry is known, common or not."""
    content = FRAMES[case]
    if content["type"] == "transaction" and check:
        for number, one in enumerate(content["entry"]):
            one.setdefault("request", {"method": "PUT", "url": f"Basic/{number}"})

    assert [] == issues(content, check=check)
    assert "yes" == finding(content, "callus", check=check)["left"]


ENTRIES: dict[str, tuple[Json, str, str]] = {
    "nothing": ({}, "invariant-broken", "Bundle.entry[2]"),
    "an address only": ({"fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000000"}, "invariant-broken", "Bundle.entry[2]"),
    "a modifier": ({"modifierExtension": MODIFIED, "resource": observation("callus", "present", "left")}, "modifier-extension", "Bundle.entry[2].modifierExtension[0]"),
    "a null": ({"fullUrl": None, "resource": observation("callus", "present", "left")}, "null-value", "Bundle.entry[2]"),
}  # fmt: skip


@pytest.mark.parametrize("case", ENTRIES)
@CHECKS
def test_a_fault_of_an_entry_has_its_key_and_path(case: str, check: bool) -> None:
    """bdl-5: an entry holds something; a modifier extension of the entry may change what its resource means."""
    given, key, path = ENTRIES[case]
    content = about_p1()
    content["entry"].append(given)

    assert [(key, path)] == issues(content, check=check)
    assert 1 == len(nodes(content, path))


@CHECKS
def test_rules_around_a_bundle_are_refused(check: bool) -> None:
    """Bundle.implicitRules is a modifier: the whole may mean something else."""
    with pytest.raises(Refused) as refused:
        summary_of(_framed(implicitRules="https://skerrow.example/rules"), check=check)

    assert [("modifier-extension", "Bundle.implicitRules")] == [(one.key, one.expression) for one in refused.value.issues]


def test_a_property_of_the_bundle_that_stands_twice_is_reported() -> None:
    """Twice the type: refused, for which was meant decides what is read. Twice the id: a remark, and everything is read."""
    data = orjson.dumps(_framed(id="a"))
    twice = data.replace(b'"id":"a"', b'"id":"b","id":"a"')

    assert [("duplicate-property", "Bundle.id")] == issues(twice, check=True)
    assert "yes" == finding(twice, "callus", check=True)["left"]
    assert ["duplicate-property"] == refusal(data.replace(b'"type":', b'"type":"history","type":', 1), check=True)


@CHECKS
def test_a_full_url_of_the_wrong_type_is_reported(check: bool) -> None:
    """Bundle.entry.fullUrl is a uri."""
    content = about_p1()
    content["entry"].append({"fullUrl": 5, "resource": observation("callus", "present", "left")})

    assert ("structure-invalid", "Bundle.entry[2].fullUrl") in issues(content, check=check)


# ---------------------------------------------------------------------------------------------------------------------------------
# what the model library gets wrong


@pytest.mark.parametrize("inner", [{"resourceType": "Nonsense"}, {"resourceType": ""}, {"resourceType": "observation"}])
@pytest.mark.parametrize("where", ["contained", "a Bundle in the Bundle"])
def test_an_unknown_type_inside_is_an_issue_and_no_key_error(inner: Json, where: str) -> None:
    """A bare KeyError in the library, one issue here; other resources are read."""
    outer = observation("callus", "present", "left", id="outer", contained=[inner]) if where == "contained" else bundle(inner)
    content = about_p1(outer, observation("gangrene", "present", "left", id="good"))
    summary = summary_of(content, check=True)

    assert 1 == summary["intake"]["unusable"]
    assert "yes" == summary["findings"]["gangrene"]["left"]
    assert [] == unselective(content, summary["issues"])


@pytest.mark.parametrize("inner", [{"id": "x"}, {}])
def test_a_contained_resource_without_a_type_is_reported(inner: Json) -> None:
    """The library does not miss the resourceType."""
    assert "element-missing" in [
        key for key, _ in issues(about_p1(observation("callus", "present", "left", contained=[inner])), check=True)
    ]


@pytest.mark.parametrize(
    ("part", "value", "path"),
    [
        ("active", "true", ".active"), ("active", 1, ".active"), ("deceasedBoolean", "false", ".deceased"), ("birthDate", 1957, ".birthDate"),
        ("gender", 5, ".gender"), ("identifier", {"value": "x"}, ".identifier"), ("link", [{"type": 5}], ".link[0].type"),
    ],
)  # fmt: skip
@CHECKS
def test_lax_scalars_of_a_patient_are_faults(part: str, value: Any, path: str, check: bool) -> None:
    """Text and numbers are not taken for booleans or dates."""
    content = bundle(patient(**{part: value}), observation("callus", "present", "left"))

    assert ("structure-invalid", f"Bundle.entry[0].resource{path}") in issues(content, check=check)


@pytest.mark.parametrize(("kind", "more"), [("List", {"id": 5}), ("Practitioner", {"id": ["x"]}), ("Basic", {"id": {}})])
def test_a_fault_in_a_resource_that_is_not_read_is_no_crash(kind: str, more: Json) -> None:
    """Unusable or not relevant, but never an exception of the decoder's."""
    assert 3 == sum(summary_of(about_p1({"resourceType": kind, **more}))["intake"].values())


@pytest.mark.parametrize("extra", [{"foo": 1}, {"valueQuantitiy": quantity(1, "V")}, {"Status": "final"}, {"bodysite": {}}])
def test_an_unknown_element_is_found_by_the_check(extra: Json) -> None:
    """Misspelt elements are not ignored: the value in one would be lost."""
    name = next(iter(extra))
    content = about_p1(observation("callus", "present", "left", **extra))
    found = issues(content, check=True)

    assert ["element-unknown"] == [key for key, _ in found]
    assert 1 == summary_of(content, check=True)["intake"]["unusable"]
    if not name.startswith("value"):
        assert [f"Bundle.entry[2].resource.{name}"] == [path for _, path in found]


def test_a_status_by_extension_only_is_still_missing() -> None:
    """`_status` with an extension satisfies the models; for us there is no status."""
    content = about_p1(
        _without(observation("callus", "present", "left"), "status")
        | {"_status": {"extension": [{"url": "urn:x", "valueCode": "y"}]}}
    )

    assert [("element-missing", "Bundle.entry[2].resource")] == issues(content, check=True)


def test_primitive_extensions_do_not_disturb() -> None:
    """Siblings with an underscore, and nulls in paired lists, are FHIR."""
    content = bundle(
        patient(name=[{"given": ["A", None], "_given": [None, {"extension": [{"url": "urn:x", "valueString": "y"}]}]}]),
        observation(
            "callus",
            "present",
            "left",
            _status={"id": "s"},
            _effectiveDateTime={"extension": [{"url": "urn:x", "valueString": "y"}]},
        ),
    )

    assert [] == issues(content)
    assert [] == issues(content, check=True)


def test_an_r4_meta_extension_passes_the_check_of_a_later_edition() -> None:
    """`valueMeta` is legal in R4 and gone in the edition of the models."""
    content = about_p1(observation("callus", "present", "left", extension=[{"url": "urn:x", "valueMeta": {"versionId": "1"}}]))

    assert [] == issues(content, check=True)


@pytest.mark.parametrize(
    "resource", [observation("callus", "present", "left"), condition("229811005", bodySite=[_LEFT]), patient()]
)
def test_the_check_changes_nothing_for_good_input(resource: Json) -> None:
    """The models judge; they never carry the data."""
    content = bundle(patient(), resource) if resource["resourceType"] != "Patient" else resource

    assert summary_of(content) == summary_of(content, check=True)


# ---------------------------------------------------------------------------------------------------------------------------------
# Parameters


def _parameters(*parameters: Json) -> Json:
    return {"resourceType": "Parameters", "parameter": [{"name": "exam", "resource": Exam().bundle()}, *parameters]}


PARAMETERS: dict[str, tuple[Json, str]] = {
    "unknown": ({"name": "colour", "valueString": "red"}, "parameter-unknown"),
    "without a name": ({"valueString": "red"}, "parameter-unknown"),
    "in the wrong case": ({"name": "As-Of", "valueDate": "2026-03-02"}, "parameter-unknown"),
    "a partial date": ({"name": "as-of", "valueDate": "2026-03"}, "parameter-invalid"),
    "no date": ({"name": "as-of", "valueString": "today"}, "parameter-invalid"),
    "a date without a value": ({"name": "as-of"}, "parameter-invalid"),
    "a flag in quotes": ({"name": "trace", "valueString": "true"}, "parameter-invalid"),
    "a scheme as a boolean": ({"name": "scheme", "valueBoolean": True}, "parameter-invalid"),
    "a file of the server's": ({"name": "pathway", "valueString": "/etc/site.toml"}, "parameter-invalid"),
    "a concept map that is none": ({"name": "concept-map", "valueString": "x"}, "parameter-invalid"),
    "a number": ({"name": "lookback", "valueInteger": 12}, "parameter-invalid"),
}


@pytest.mark.parametrize("case", PARAMETERS)
@CHECKS
def test_a_parameter_that_cannot_be_used_is_refused_at_its_place(case: str, check: bool) -> None:
    """B9: unknown names are an error; the path is the parameter."""
    parameter, key = PARAMETERS[case]
    content = _parameters(parameter)

    with pytest.raises(Refused) as refused:
        sural.summarise(orjson.dumps(content), check=check)

    assert [(key, "Parameters.parameter[1]")] == [(issue.key, issue.expression) for issue in refused.value.issues]
    assert 1 == len(nodes(content, "Parameters.parameter[1]"))


@pytest.mark.parametrize(
    ("parameter", "key"),
    [
        ({"name": "scheme", "valueString": "nice-2031"}, "scheme-unknown"),
        ({"name": "pathway", "valueString": "nowhere"}, "pathway-unknown"),
        ({"name": "lookback", "valueString": "12 months"}, "parameter-invalid"),
        ({"name": "complete", "valueCode": "everything"}, "parameter-invalid"),
        ({"name": "output", "valueCode": "pdf"}, "parameter-invalid"),
        ({"name": "calendar", "valueString": "GB-XYZ"}, "parameter-invalid"),
        ({"name": "concept-map", "resource": {"resourceType": "Basic"}}, "concept-map-invalid"),
    ],
)
def test_a_parameter_with_a_value_we_do_not_know_is_refused(parameter: Json, key: str) -> None:
    """With its key; the path is the next test's matter."""
    with pytest.raises(Refused) as refused:
        sural.summarise(orjson.dumps(_parameters(parameter)))

    assert [key] == [issue.key for issue in refused.value.issues]


@pytest.mark.parametrize(
    "parameter", [{"name": "scheme", "valueString": "nice-2031"}, {"name": "lookback", "valueString": "12 months"}]
)
def test_a_parameter_with_a_value_we_do_not_know_has_its_path(parameter: Json) -> None:
    """C3 for parameters too."""
    with pytest.raises(Refused) as refused:
        sural.summarise(orjson.dumps(_parameters(parameter)))

    assert ["Parameters.parameter[1]"] == [issue.expression for issue in refused.value.issues]


def test_all_parameters_at_fault_come_in_one_answer() -> None:
    """C6."""
    with pytest.raises(Refused) as refused:
        sural.summarise(orjson.dumps(_parameters(*(parameter for parameter, _ in PARAMETERS.values()))))

    assert [f"Parameters.parameter[{number}]" for number in range(1, 1 + len(PARAMETERS))] == [
        issue.expression for issue in refused.value.issues
    ]


PARAMETERS_AS_A_WHOLE: dict[str, tuple[Any, str, str]] = {
    "no object": (5, "structure-invalid", "Parameters.parameter[1]"),
    "a null": (None, "null-value", "Parameters"),
    "a name that is no string": ({"name": 5}, "structure-invalid", "Parameters.parameter[1].name"),
    "an unknown element": ({"name": "trace", "valueBoolean": True, "colour": "red"}, "element-unknown", "Parameters.parameter[1].colour"),
    "two values": ({"name": "lookback", "valueString": "P1M", "valueCode": "P2M"}, "structure-invalid", "Parameters.parameter[1]"),
    "a value of the wrong type": ({"name": "lookback", "valueString": 5}, "structure-invalid", "Parameters.parameter[1].value"),
    "an exam that is text": ({"name": "exam", "resource": "x"}, "structure-invalid", "Parameters.parameter[1].resource"),
    "an exam that is null": ({"name": "exam", "resource": None}, "null-value", "Parameters.parameter[1]"),
    "a look-back twice": ({"name": "lookback", "valueString": "P12M"}, "parameter-invalid", "Parameters.parameter[2]"),
}  # fmt: skip


@pytest.mark.parametrize("case", PARAMETERS_AS_A_WHOLE)
@CHECKS
def test_a_fault_of_the_parameters_themselves_refuses_them(case: str, check: bool) -> None:
    """What is asked must not change silently."""
    parameter, key, path = PARAMETERS_AS_A_WHOLE[case]
    twice = [parameter] if "twice" in case else []
    content = _parameters(*twice, parameter)

    with pytest.raises(Refused) as refused:
        sural.summarise(orjson.dumps(content), check=check)

    assert [(key, path)] == [(issue.key, issue.expression) for issue in refused.value.issues]
    assert 1 == len(nodes(content, path))


def test_an_exam_without_a_resource_is_invalid() -> None:
    """The name is known, the value is not there."""
    with pytest.raises(Refused) as refused:
        sural.summarise(orjson.dumps(_parameters({"name": "exam"})))

    assert [("parameter-invalid", "Parameters.parameter[1]")] == [(issue.key, issue.expression) for issue in refused.value.issues]


def test_nulls_in_parameters_are_refused() -> None:
    """A null anywhere outside the exam."""
    content = _parameters({"name": "trace", "valueBoolean": None})

    with pytest.raises(Refused) as refused:
        sural.summarise(orjson.dumps(content))

    assert [("null-value", "Parameters.parameter[1]")] == [(issue.key, issue.expression) for issue in refused.value.issues]


def test_a_null_in_the_exam_costs_one_resource_only() -> None:
    """B2: Parameters and the bare Bundle give the same."""
    exam = about_p1(
        observation("callus", "present", "left", id="a"), observation("gangrene", "present", "left", id="b") | {"note": None}
    )
    content = {"resourceType": "Parameters", "parameter": [{"name": "exam", "resource": exam}]}

    assert "yes" == finding(exam, "callus")["left"]
    assert "yes" == finding(content, "callus")["left"]


# ---------------------------------------------------------------------------------------------------------------------------------
# no patient value in any outcome

SECRET = "Zyxolunde"


def _secretive() -> Json:
    """A Bundle full of faults in which every text that could be a patient's holds the same word."""
    marked = {"text": SECRET, "coding": [{"system": f"urn:{SECRET}", "code": SECRET, "display": SECRET}]}
    return about_p1(
        {"resourceType": "Patient", "id": f"x-{SECRET}", "name": [{"family": SECRET, "given": SECRET}], "birthDate": SECRET, "gender": SECRET},
        observation("callus", side="left", id=f"v-{SECRET}", valueString=SECRET),
        observation("callus", side="left", id="a", valueCodeableConcept=marked, note=[{"text": SECRET}]),
        observation("callus", id="b", bodySite=marked, valueString="Present"),
        observation(marked, id="c", valueString=SECRET),
        observation("callus", "present", "left", id="d", status=SECRET),
        observation("callus", "present", "left", id="e", effectiveDateTime=SECRET),
        observation("toe-pressure", side="left", id="f", valueQuantity={"value": 33.25, "unit": SECRET, "system": canonical.UCUM, "code": SECRET}),
        observation("callus", "present", "left", id="g", **{SECRET: SECRET}),
        observation("callus", "present", "left", id="h", subject={"reference": f"Group/{SECRET}", "display": SECRET}),
        observation("callus", side="left", id="i", valueBoolean=SECRET),
        condition("229811005", id="j", clinicalStatus=marked),
        {"resourceType": SECRET},
    )  # fmt: skip


def _said(outcomes: list[Json]) -> str:
    """All that outcomes say, apart from the paths."""
    return " ".join(
        str([issue.get(part) for part in ("details", "diagnostics", "code", "severity")])
        for one in outcomes
        for issue in one["issue"]
    ) + " ".join(one["text"]["div"].split("Bundle.")[0] for one in outcomes)


@CHECKS
def test_no_outcome_repeats_a_value_of_the_patients(check: bool) -> None:
    """C5: details, diagnostics and narrative hold our words only. A misspelt element's own name may stand in its path."""
    from sural.answer.accounts import outcome

    try:
        outcomes = of_type(answer_of(_secretive(), check=check), "OperationOutcome")
    except Refused as refused:
        outcomes = [outcome(refused.issues)]

    assert SECRET not in _said(outcomes)
    assert "33.25" not in str(outcomes)


@pytest.mark.parametrize("case", WHOLE)
@CHECKS
def test_no_refusal_repeats_the_input(case: str, check: bool) -> None:
    """The diagnostics of a refusal are a place or a limit."""
    with pytest.raises(Refused) as refused:
        sural.summarise(WHOLE[case][0], check=check)

    assert all("callus" not in issue.diagnostics and len(issue.diagnostics) < 200 for issue in refused.value.issues)


# ---------------------------------------------------------------------------------------------------------------------------------
# the command line

AS_OF_OPTION = ("--as-of", AS_OF)
Bytes = pytest.CaptureFixture[bytes]


def _outcome(capture: Bytes) -> Json:
    written = capture.readouterr().out.splitlines()
    last: Json = orjson.loads(written[-1])
    assert "OperationOutcome" == last["resourceType"]
    return last


@pytest.mark.parametrize("case", WHOLE)
@pytest.mark.parametrize("check", ["none", "structure"])
def test_the_command_line_refuses_with_status_2_and_an_outcome(
    case: str, check: str, tmp_path: Path, capsysbinary: Bytes
) -> None:
    """Exit 2 and an OperationOutcome on standard output, for every input that cannot be read."""
    file = tmp_path / "input.json"
    file.write_bytes(WHOLE[case][0])

    assert 2 == main(["assess", str(file), *AS_OF_OPTION, "--check", check])
    found = _outcome(capsysbinary)["issue"]
    assert WHOLE[case][1] in [issue["details"]["coding"][0]["code"] for issue in found if "coding" in issue["details"]]


@pytest.mark.parametrize(
    "case",
    ["no side", "wrong unit", "entered in error", "value and absent reason", "in the future", "a null", "unknown resourceType"],
)
@pytest.mark.parametrize("check", ["none", "structure"])
def test_the_command_line_answers_with_status_2_when_some_input_is_unusable(
    case: str, check: str, tmp_path: Path, capsysbinary: Bytes
) -> None:
    """The answer is given, with its OperationOutcome in it."""
    file = tmp_path / "input.json"
    file.write_bytes(orjson.dumps(about_p1({"resource": FAULTS[case][0]})))

    assert 2 == main(["assess", str(file), *AS_OF_OPTION, "--check", check, "--as", "bundle"])
    answered = orjson.loads(capsysbinary.readouterr().out)
    assert FAULTS[case][1] in str(of_type(answered, "OperationOutcome"))


@pytest.mark.parametrize("case", ["stale", "code not mapped", "component not mapped", "refuted diagnosis"])
def test_the_command_line_answers_with_status_0_for_remarks_only(case: str, tmp_path: Path, capsysbinary: Bytes) -> None:
    """Information and warnings alone are no failure."""
    file = tmp_path / "input.json"
    file.write_bytes(orjson.dumps(about_p1({"resource": FAULTS[case][0]})))

    assert 0 == main(["assess", str(file), *AS_OF_OPTION])
    assert b"OperationOutcome" in capsysbinary.readouterr().out


@pytest.mark.parametrize("kind", ["missing", "folder"])
def test_a_file_that_cannot_be_read_is_status_2(kind: str, tmp_path: Path, capsysbinary: Bytes) -> None:
    """A missing file, or a folder where a file belongs."""
    name = tmp_path / "nothing.json" if kind == "missing" else tmp_path

    assert 2 == main(["assess", str(name), *AS_OF_OPTION])
    assert ["file-unreadable"] == [issue["details"]["coding"][0]["code"] for issue in _outcome(capsysbinary)["issue"]]


def test_a_file_of_50_mb_is_status_2(tmp_path: Path, capsysbinary: Bytes) -> None:
    """The limit is named."""
    file = tmp_path / "large.json"
    file.write_bytes(GOOD + b" " * 50_000_000)

    assert 2 == main(["assess", str(file), *AS_OF_OPTION])
    assert [f"limit: {MAX_BYTES} bytes"] == [issue["diagnostics"] for issue in _outcome(capsysbinary)["issue"]]


def test_a_long_integer_is_no_failure_of_ours(tmp_path: Path) -> None:
    """See above; the default check is the structural one."""
    file = tmp_path / "input.json"
    file.write_bytes(_area("123456789012345678901234567890"))

    assert main(["assess", str(file), *AS_OF_OPTION]) in (0, 2)
