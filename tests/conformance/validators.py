"""Two validators that run without a network: Pyrofile (PyPI `pyrofile-validator`) and the validator of npm `@medplum/core`.

Neither is the reference validator. Each has false alarms, which are known one by one below: an alarm is dropped only when the resource
itself shows that it is false. Both need what `profiles/build.py` installs; where that is, the environment variable SURAL_CONFORMANCE says.
"""

import json
import os
import re
import subprocess
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import redirect_stdout
from io import StringIO
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from msgspec import Struct

from sural import canonical
from tests.builders import Json
from tests.conformance.constraints import REWRITTEN, evaluate
from tests.conformance.published import PROFILES, TERMINOLOGY
from tests.conformance.slices import groups

VARIABLE = "SURAL_CONFORMANCE"
WORK = os.environ.get(VARIABLE)
NOT_THERE = f"{VARIABLE} does not name a folder made by profiles/build.py; .ci/conformance makes one"
SCRIPT = Path(__file__).parent / "validate.mjs"


class Alarm(Struct, frozen=True):
    """What a validator says: how severe, a short name of the rule, where, and in words."""

    severity: str
    rule: str
    path: str
    text: str

    def __str__(self) -> str:
        return f"{self.severity} {self.rule} at {self.path}: {self.text}"


def alarms(found: Iterable[Alarm], resource: Json) -> list[str]:
    """What is left when the known false alarms are dropped."""
    listed = list(found)
    return [str(one) for one in listed if not _false(one, listed, resource)]


def _false(alarm: Alarm, others: list[Alarm], resource: Json) -> bool:
    checks = (_no_probability, _pattern_twice, _lists_in_lists, _missing_choice, _item_extension, _nested_slices, _known_warning)
    return any(check(alarm, others, resource) for check in checks)


def _no_probability(alarm: Alarm, others: list[Alarm], resource: Json) -> bool:
    """ras-2 on a prediction without a probability, by both: `probability is decimal` is empty there, and empty is taken for false."""
    listed = [entry["resource"] for entry in resource.get("entry", [])] if resource["resourceType"] == "Bundle" else [resource]
    risks = [one for one in listed if one["resourceType"] == "RiskAssessment"]
    return "ras-2" in f"{alarm.rule} {alarm.text}" and all(evaluate(risk, REWRITTEN["ras-2"]) is True for risk in risks)


def _pattern_twice(alarm: Alarm, others: list[Alarm], resource: Json) -> bool:
    """Pyrofile compares a pattern twice; the first time it wants lists to be equal whole, so that a display is a mismatch."""
    return alarm.rule == "profile.pattern" and not any(
        one.rule == "profile.element.pattern" and one.path == alarm.path for one in others
    )


def _lists_in_lists(alarm: Alarm, others: list[Alarm], resource: Json) -> bool:
    """Pyrofile counts what stands in lists within lists all together; each element by itself has at most one."""
    return alarm.rule == "profile.element.cardinality.max" and all(len(group) <= 1 for group in groups(resource, alarm.path))


def _missing_choice(alarm: Alarm, others: list[Alarm], resource: Json) -> bool:
    """Pyrofile does not find a choice below the second level of a CodeSystem or a Questionnaire."""
    if alarm.rule == "cardinality.min" and resource["resourceType"] == "Questionnaire":
        return alarm.path.endswith(("].value[x]", "].answer[x]")) and all(
            any(name.startswith(choice) for name in one)
            for item in _items(resource["item"])
            for listed, choice in (("answerOption", "value"), ("enableWhen", "answer"))
            for one in item.get(listed, [])
        )
    return (
        alarm.rule == "cardinality.min"
        and alarm.path.startswith("CodeSystem.concept[")
        and all(any(name.startswith("value") for name in one) for concept in resource["concept"] for one in concept["property"])
    )


def _item_extension(alarm: Alarm, others: list[Alarm], resource: Json) -> bool:
    """Pyrofile takes an item inside an item for another element, and has no package of SDC; what extensions there are test_questionnaire
    lists."""
    if resource["resourceType"] != "Questionnaire":
        return False
    inside = alarm.rule == "extension.context" and alarm.path.startswith("Questionnaire.item.item")
    return inside or (
        alarm.rule == "extension.unknown"
        and "/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-observationExtract" in alarm.text
    )


def _items(items: list[Json]) -> Iterator[Json]:
    for item in items:
        yield item
        yield from _items(item.get("item", []))


def _nested_slices(alarm: Alarm, others: list[Alarm], resource: Json) -> bool:
    """Medplum takes the slices inside the category-range extension for slices of its parent, and so counts none of either."""
    ranges = [one for one in resource.get("extension", []) if one["url"] == canonical.profile("category-range")]
    return (
        alarm.path == "RiskAssessment.extension"
        and any(f"slice '{name}'" in alarm.text for name in ("categoryRange", "atLeast"))
        and [["atLeast", "atMost"]] == [[part["url"] for part in one["extension"]] for one in ranges]
    )


_UNKNOWN_INSIDES = (
    "Parameters.parameter.part",
    "OperationDefinition.parameter.part.part",
    "StructureDefinition.snapshot",
    "StructureDefinition.differential",
    "Questionnaire.item.item.item",
)
"""Pyrofile knows neither a part inside a part, nor an item inside an item's item, nor the insides of an ElementDefinition."""
_SAID_OF_EVERYTHING = ("modifierExtension.present", "reference.unresolved")
"""Pyrofile says the first of every element that is a modifier, such as status; that references resolve is tested in test_answers."""


def _known_warning(alarm: Alarm, others: list[Alarm], resource: Json) -> bool:
    """Warnings that say nothing of the resource. dom-6 is a recommendation; the profiles of our answers require the narrative. That a
    reference is invalid Medplum says where it cannot tell the type that a urn:uuid points at."""
    if alarm.severity != "warning":
        return alarm.severity == "information"
    if alarm.rule == "datatype.unknown-field":
        return re.sub(r"\[\d+\]", "", alarm.path).startswith(_UNKNOWN_INSIDES)
    if alarm.rule.endswith("invariant.dom-6"):
        return not _is_answer(resource)
    if alarm.text.startswith("Invalid reference: got"):
        return '"urn:uuid:' in alarm.text
    return alarm.rule in _SAID_OF_EVERYTHING


def _is_answer(resource: Json) -> bool:
    claims = resource.get("meta", {}).get("profile", [])
    return resource["resourceType"] == "Bundle" or any(
        not claim.startswith(canonical.profile("lower-limb-finding")) for claim in claims
    )


class Pyrofile:
    """The Python validator, with R4, our profiles and our terminology loaded, in as many processes as there are processors.

    Raises ImportError when it is not installed. What it prints is thrown away: one invariant of R4 traces what it sees.
    """

    def __init__(self, work: Path) -> None:
        import pyrofile_validator  # noqa: F401

        self._work = work

    def __call__(self, resources: list[Json]) -> list[list[str]]:
        """What it says of each resource, without the known false alarms."""
        with ProcessPoolExecutor(mp_context=get_context("spawn"), initializer=_load, initargs=(self._work,)) as pool:
            found = list(pool.map(_judge, resources, chunksize=4))
        return [alarms(raw, resource) for raw, resource in zip(found, resources, strict=True)]

    @staticmethod
    def parts(document: Json) -> Iterator[Json]:
        """What to judge of a document. It takes the square of the length, and knows nothing of snapshots, which stay away."""
        if document["resourceType"] == "Bundle" and document.get("entry"):
            yield document | {"entry": document["entry"][:1]}
            for entry in document["entry"]:
                yield entry["resource"]
        elif document["resourceType"] == "CodeSystem":
            for concepts in _pieces(document["concept"]):
                yield document | {"concept": concepts}
        elif document["resourceType"] == "ConceptMap":
            for group in document["group"]:
                for elements in _pieces(group["element"]):
                    yield document | {"group": [group | {"element": elements}]}
        elif document["resourceType"] == "Questionnaire":
            for section in document["item"]:
                for items in _pieces(section["item"], 1):
                    yield document | {"item": [section | {"item": items}]}
        else:
            yield {name: value for name, value in document.items() if name != "snapshot"}


def _pieces(listed: list[Json], size: int = 5) -> Iterator[list[Json]]:
    for start in range(0, len(listed), size):
        yield listed[start : start + size]


_loaded: list[Any] = []


def _load(work: Path) -> None:
    """Load the Python validator in a process of its own."""
    from pyrofile_validator import Validator
    from pyrofile_validator.config import ValidatorConfig

    core = work / "home" / ".fhir" / "packages" / "hl7.fhir.r4.core#4.0.1" / "package"
    folders = [str(core), str(PROFILES), str(TERMINOLOGY)]
    config = {"fhirVersion": "4.0.1", "localPackagePaths": folders, "terminology": {"mode": "local"}}
    _loaded.append(Validator(ValidatorConfig.load_dict(config)))


def _judge(resource: Json) -> list[Alarm]:
    """Everything the Python validator says of one resource. A fault it cannot survive is one too."""
    with redirect_stdout(StringIO()):
        try:
            report = _loaded[0].validate_resource(resource)
        except (AttributeError, KeyError, TypeError, ValueError) as fault:
            return [Alarm("error", "exception", resource["resourceType"], repr(fault))]
    return [Alarm(one.severity.value, one.code, one.path or "", one.message) for one in report.issues]


class Medplum:
    """The Node validator: one process for a whole list of resources."""

    def __init__(self, work: Path) -> None:
        self._command = ["node", str(SCRIPT), str(work / "npm" / "node_modules"), str(PROFILES)]

    def __call__(self, resources: list[Json]) -> list[list[str]]:
        """What it says of each resource, without the known false alarms."""
        lines = "".join(json.dumps(resource) + "\n" for resource in resources)
        done = subprocess.run(self._command, input=lines, capture_output=True, text=True, check=True)
        found = [_read(json.loads(line)) for line in done.stdout.splitlines()]
        return [alarms(raw, resource) for raw, resource in zip(found, resources, strict=True)]

    @staticmethod
    def parts(document: Json) -> Iterator[Json]:
        """What to judge of a document: it and, because a Bundle's entries are judged by R4 alone, each entry with its profiles."""
        yield document
        if document["resourceType"] == "Bundle":
            for entry in document.get("entry", []):
                yield entry["resource"]


def _read(result: Json) -> list[Alarm]:
    return [Alarm(one["severity"], one["code"], one["expression"], one["text"]) for one in result["issues"]]


def judge(validator: Pyrofile | Medplum, documents: dict[str, Json]) -> dict[str, list[str]]:
    """What a validator says of each document, by its name. Of the answers to cases, those that differ in words and numbers only are judged
    once for all."""
    listed = [
        (name, form(part) if name.startswith("case/") else json.dumps(part), part)
        for name, document in documents.items()
        for part in validator.parts(document)
    ]
    judged = {shape: part for _, shape, part in reversed(listed)}
    verdicts = dict(zip(judged, validator(list(judged.values())), strict=True))
    said: dict[str, list[str]] = {name: [] for name in documents}
    for name, shape, _ in listed:
        said[name] += verdicts[shape]
    return said


_WORDS = frozenset({"text", "div", "display", "valueString", "reference", "diagnostics", "detail", "description", "conclusion", "data", "comment", "expression", "line", "definition", "rationale"})  # fmt: skip
_MADE_UP = re.compile(r"[0-9a-f]{40}|urn:uuid:[0-9a-f-]+|(?<=\d{4}-\d\d-\d\dT)[\d:.]+|\d{4}-\d\d-\d\d")


def form(resource: Json) -> str:
    """A resource without its words, numbers, days, identifiers and our own codes: elements, types of values and the codes of others stay.
    That our own codes exist is tested in test_answers."""
    return json.dumps(_form(resource, ""), sort_keys=True)


def _form(tree: Any, name: str) -> Any:
    if isinstance(tree, dict):
        ours = str(tree.get("system", "")).startswith(canonical.BASE)
        plain = {"code"} if ours else set()
        plain |= {"value"} if isinstance(tree.get("value"), str) else set()
        return {key: "" if key in plain else _form(value, key) for key, value in tree.items()}
    if isinstance(tree, list):
        return list({json.dumps(one, sort_keys=True): one for one in (_form(one, name) for one in tree)}.values())
    if isinstance(tree, str):
        return "" if name in _WORDS and not tree.startswith("http") else _MADE_UP.sub("", tree)
    return type(tree).__name__
