"""Our profiles and the definition of the operation: complete, consistent with the terminology and with what the code does.

Sources: FHIR R4 4.0.1 (StructureDefinition, OperationDefinition), the contract of the operation in `sural.doors.request`.
"""

from collections.abc import Iterator
from datetime import date
from typing import Any

import pytest

from sural import canonical
from sural.doors.request import COMPLETE, OUTPUTS, REPORTS, Request, with_parameters
from sural.footrisk.schemes import SCHEMES
from sural.intake.documents import Parameter
from sural.issues import Refused
from sural.plan import pathway
from tests.builders import Json
from tests.conformance.constraints import broken
from tests.conformance.published import PROFILES, TERMINOLOGY, codes, members, profiles, read
from tests.conformance.samples import sample

NAMES = {
    "assessment-provenance", "assessment-report", "assessment-software", "category-range", "contradicting-findings",
    "factor-state", "feet-examined", "recall-dates", "recall-issue",
    "foot-risk-assessment", "foot-risk-category", "intake-outcome", "lower-limb-finding", "neuropathy-classification",
    "referral-proposal", "score-observation", "ulcer-grades", "ulcer-prognosis", "would-settle",
}  # fmt: skip
OPERATION = read(PROFILES / "OperationDefinition-assess-lower-limb.json")

each = pytest.mark.parametrize("profile", profiles().values(), ids=lambda profile: profile["id"])


def test_all_profiles_are_there() -> None:
    """What answers claim, what senders can claim, and the extensions; nothing that repeats the terminology."""
    assert NAMES == {profile["id"] for profile in profiles().values()}
    assert {"StructureDefinition", "OperationDefinition", "PlanDefinition", "Basic"} == {
        path.name.split("-")[0] for path in PROFILES.glob("*.json")
    }


@each
def test_profile_is_complete(profile: Json) -> None:
    """Canonical, version, description, differential and a snapshot that begins with its type."""
    assert canonical.profile(profile["id"]) == profile["url"]
    assert (canonical.VERSION, "4.0.1", "active") == (profile["version"], profile["fhirVersion"], profile["status"])
    assert profile["description"]
    assert profile["differential"]["element"]
    assert profile["type"] == profile["snapshot"]["element"][0]["path"]


@each
def test_bindings_to_our_value_sets_resolve(profile: Json) -> None:
    """Each value set of ours that a profile binds to is published and has members."""
    bound = {
        binding["valueSet"]
        for element in profile["snapshot"]["element"]
        if (binding := element.get("binding")) and "valueSet" in binding
    }

    assert {} == {name: 0 for name in bound if name.startswith(canonical.BASE) and not members(name)}


@each
def test_codes_in_patterns_are_published(profile: Json) -> None:
    """Each code of ours that a profile asks for is one of its code system."""
    wanted = {
        (coding["system"], coding["code"]) for element in profile["differential"]["element"] for coding in _codings(element)
    }
    ours = {(system, code) for system, code in wanted if system.startswith(canonical.BASE)}

    assert set() == {(system, code) for system, code in ours if code not in codes().get(system, {})}


def _codings(node: Any) -> Iterator[Json]:
    if isinstance(node, list):
        for item in node:
            yield from _codings(item)
    elif isinstance(node, dict):
        if "/CodeSystem/" in str(node.get("system")) and "code" in node:
            yield node
        for value in node.values():
            yield from _codings(value)


@pytest.mark.parametrize("path", sorted(PROFILES.glob("*.json")), ids=lambda path: path.stem)
def test_nothing_of_the_build_stands_in_a_profile(path: Any) -> None:
    """No path or address of the machine that compiled it, and nothing that the definitions' package adds to R4."""
    text = path.read_text(encoding="utf-8").lower()

    assert [] == [
        word for word in ("127.0.0.1", "localhost", "file:", "/home/", "/tmp", "node_modules", "npmjs", "medplum") if word in text
    ]


# the input profile


FINDING = next(profile for profile in profiles().values() if profile["id"] == "lower-limb-finding")
ACCEPTED = members(f"{canonical.BASE}/ValueSet/accepted-finding")


@pytest.mark.parametrize("name", ["normal", "ulcer", "gangrene", "neuropathy", "red-flags"])
def test_findings_in_own_codes_conform(name: str) -> None:
    """What the tests send in our own codes meets the profile for senders."""
    findings = [one for one in sample(name).inputs.values() if one["resourceType"] == "Observation"]

    assert findings
    assert set() == {key for one in findings for key in broken(one, [FINDING])} - {"dom-6"}
    assert all((coding["system"], coding["code"]) in ACCEPTED for one in findings for coding in one["code"]["coding"])


@pytest.mark.parametrize(
    ("key", "change"),
    [
        ("slf-1", {"valueCodeableConcept": None}),
        ("slf-2", {"component": [{"code": {"text": "callus"}}]}),
        ("slf-3", {"status": "entered-in-error"}),
        ("slf-4", {"valueCodeableConcept": None, "valueQuantity": {"value": 2, "unit": "cm"}}),
        (
            "slf-4",
            {
                "valueCodeableConcept": None,
                "valueQuantity": {"value": 2, "comparator": "<", "system": canonical.UCUM, "code": "cm"},
            },
        ),
        ("slf-4", {"component": [{"code": {"text": "area"}, "valueQuantity": {"value": 2, "unit": "cm"}}]}),
    ],
)
def test_each_invariant_of_a_finding_is_checked(key: str, change: Json) -> None:
    """Each is broken by one change and by nothing else."""
    finding = next(one for one in sample("normal").inputs.values() if "valueCodeableConcept" in one)
    changed = {name: value for name, value in (finding | change).items() if value is not None}

    assert {key} == set(broken(changed, [FINDING])) - {"dom-6"}


# the operation


def _defined(use: str) -> dict[str, Json]:
    return {parameter["name"]: parameter for parameter in OPERATION["parameter"] if parameter["use"] == use}


def test_operation_is_of_the_system_and_changes_nothing() -> None:
    """POST [base]/$assess-lower-limb only; nothing is stored."""
    assert ("assess-lower-limb", "operation") == (OPERATION["code"], OPERATION["kind"])
    assert (True, False, False) == (OPERATION["system"], OPERATION["type"], OPERATION["instance"])
    assert OPERATION["affectsState"] is False
    assert f"{canonical.BASE}/OperationDefinition/assess-lower-limb" == OPERATION["url"]
    assert canonical.VERSION == OPERATION["version"]


def test_operation_returns_one_bundle() -> None:
    """A single out parameter named `return`: the answer comes bare (R4, operations)."""
    assert [("return", "Bundle", 1, "1")] == [
        (one["name"], one["type"], one["min"], one["max"]) for one in _defined("out").values()
    ]


def test_every_parameter_is_documented() -> None:
    """In a whole sentence, by which somebody can use it."""
    assert [] == [one["name"] for one in OPERATION["parameter"] if not one.get("documentation", "").endswith(".")]


VALUES: dict[str, Any] = {
    "scheme": "iwgdf-2023", "pathway": "ng19", "as-of": "2026-03-02", "lookback": "P6M", "complete": "history", "output": "summary", "report": "none",
    "trace": True, "preliminary": True, "calendar": "GB-SCT",
}  # fmt: skip


def test_operation_defines_the_parameters_that_are_read() -> None:
    """Every parameter of the definition is understood, and what is not defined is refused."""
    assert {"exam", "concept-map", *VALUES} == _defined("in").keys()
    plain = Request(date(2026, 3, 1), pathway="another")
    for name, value in VALUES.items():
        assert plain != with_parameters(plain, [Parameter(name, value, path=name)])
    with pytest.raises(Refused, match="parameter-unknown"):
        with_parameters(plain, [Parameter("severity", "high", path="severity")])


def test_types_of_parameters_are_those_that_are_read() -> None:
    """Booleans where a boolean is read, a date, codes and text; what may repeat is what is gathered."""
    defined = _defined("in")

    assert {"trace", "preliminary"} == {name for name, one in defined.items() if one["type"] == "boolean"}
    assert {"as-of"} == {name for name, one in defined.items() if one["type"] == "date"}
    assert {"exam", "scheme", "complete", "concept-map"} == {name for name, one in defined.items() if one["max"] == "*"}
    assert {"exam"} == {name for name, one in defined.items() if one["min"] == 1}
    assert ("Resource", "ConceptMap") == (defined["exam"]["type"], defined["concept-map"]["type"])


def test_documentation_names_every_choice() -> None:
    """Schemes, pathways, outputs and what can be declared complete stand in the documentation."""
    defined = _defined("in")
    choices = {"scheme": SCHEMES, "pathway": pathway.names(), "output": OUTPUTS, "complete": COMPLETE, "report": REPORTS}

    for name, wanted in choices.items():
        assert [] == [choice for choice in wanted if choice not in defined[name]["documentation"]]


def test_published_files_are_written_in_one_way() -> None:
    """One space of indentation and a line end at the end, so that a change shows as a change."""
    for folder in (PROFILES, TERMINOLOGY):
        for path in folder.glob("*.json"):
            text = path.read_text(encoding="utf-8")

            assert text.startswith('{\n "resourceType"')
            assert text.endswith("}\n")
