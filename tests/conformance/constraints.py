"""The invariants of FHIR R4 and of our profiles, evaluated with `fhirpathpy` from the root of each resource.

An expression on a backbone element is rewritten from the root (`RiskAssessment.prediction.all(…)`): on a detached element the library
loses the types of choices. An empty result is "not evaluated" and never a pass.
"""

from collections.abc import Iterator
from datetime import datetime
from functools import cache
from typing import Any

from fhirpathpy import compile as compiled
from fhirpathpy.models import models

from tests.builders import Json

UCUM = "http://unitsofmeasure.org"

SKIPPED = {
    "ele-1": "hasValue() is not implemented by the library: checked by hand in `form_faults`",
    "ext-1": "on every element: checked by hand in `form_faults`",
    "dom-3": "calls trace(), which writes what it sees to standard output; no answer has contained resources, which is checked by hand",
}
"""Invariants of the snapshots that are not evaluated here, each with its reason."""

BUNDLE = {
    "bdl-1": "total.empty() or (type = 'searchset') or (type = 'history')",
    "bdl-2": "entry.search.empty() or (type = 'searchset')",
    "bdl-3": "entry.all(request.exists() = (%resource.type = 'batch' or %resource.type = 'transaction' or %resource.type = 'history'))",
    "bdl-4": "entry.all(response.exists() = (%resource.type = 'batch-response' or %resource.type = 'transaction-response' or %resource.type = 'history'))",
    "bdl-5": "entry.all(resource.exists() or request.exists() or response.exists())",
    "bdl-7": "(type = 'history') or entry.where(fullUrl.exists()).select(fullUrl&resource.meta.versionId).isDistinct()",
    "bdl-8": "entry.where(fullUrl.exists()).all(fullUrl.contains('/_history/').not())",
}
"""The invariants of a Bundle (FHIR R4 4.0.1, Bundle); bdl-9 to bdl-12 are about documents and messages, which we do not write."""

REWRITTEN = {
    "ras-2": "RiskAssessment.prediction.where(probability.exists()).all(probability is decimal implies (probability as decimal) <= 100)",
}
"""Invariants that speak of an element that may be missing: without it `is` is empty, and so is the whole expression."""


def broken(resource: Json, profiles: list[Json]) -> list[str]:
    """The keys of the invariants of these profiles that do not hold for a resource."""
    asked = dict.fromkeys(entry for profile in profiles for entry in expressions(profile))
    return [key for key, expression in asked if evaluate(resource, expression) is not True]


def broken_in_bundle(bundle: Json) -> list[str]:
    """The keys of the invariants of a Bundle that do not hold."""
    return [key for key, expression in BUNDLE.items() if evaluate(bundle, expression) is not True]


def expressions(profile: Json) -> list[tuple[str, str]]:
    """Every invariant of a profile that is evaluated, as key and expression from the root. Those of slices repeat their element's."""
    return [
        (constraint["key"], _from_root(element["path"], constraint))
        for element in profile["snapshot"]["element"]
        if ":" not in element["id"]
        for constraint in element.get("constraint", [])
        if constraint["key"] not in SKIPPED
    ]


def _from_root(path: str, constraint: Json) -> str:
    expression: str = constraint["expression"]
    if "." not in path:
        return expression
    return REWRITTEN.get(constraint["key"], f"{path.replace('[x]', '')}.all({expression})")


@cache
def _compiled(expression: str) -> Any:
    return compiled(expression, models["r4"])


def evaluate(resource: Json, expression: str) -> bool | None:
    """True, False, or None when the expression gives nothing, no truth value, or cannot be worked out on what the resource holds."""
    try:
        result = _compiled(expression)(resource, {"resource": resource, "rootResource": resource, "ucum": UCUM})
    except Exception:  # the library raises plain exceptions where a type does not fit
        return None
    return result[0] if len(result) == 1 and isinstance(result[0], bool) else None


def form_faults(node: Any, path: str) -> Iterator[str]:
    """What the JSON form and the data types ask for, by hand: no null, nothing empty (ele-1), an extension with either a value or
    extensions (ext-1), a unit code with its system (qty-3), a period
    that can be seen not to end before it starts (per-1), nothing contained."""
    if node is None or node == "" or node == [] or node == {}:
        yield f"{path}: empty"
    elif isinstance(node, list):
        for index, item in enumerate(node):
            yield from form_faults(item, f"{path}[{index}]")
    elif isinstance(node, dict):
        yield from _type_faults(node, path)
        for key, value in node.items():
            if key == "contained":
                yield f"{path}.contained: not expected"
            if key in ("extension", "modifierExtension"):
                for index, one in enumerate(value):
                    if "url" not in one or ("extension" in one) == any(name.startswith("value") for name in one):
                        yield f"{path}.{key}[{index}]: ext-1"
            yield from form_faults(value, f"{path}.{key}")


def _type_faults(node: Json, path: str) -> Iterator[str]:
    if "code" in node and "value" in node and "unit" in node and "system" not in node:
        yield f"{path}: qty-3"
    start, end = node.get("start"), node.get("end")
    if isinstance(start, str) and isinstance(end, str) and not _in_order(start, end):
        yield f"{path}: per-1"
    low, high = node.get("low"), node.get("high")
    if isinstance(low, dict) and isinstance(high, dict) and low.get("value", 0) > high.get("value", 0):
        yield f"{path}: rng-2"


def _in_order(start: str, end: str) -> bool:
    """Whether a period ends when it starts or later. A day and a time on that day cannot be compared (FHIRPath, comparison): no."""
    if "T" in start and "T" in end:
        return datetime.fromisoformat(start) <= datetime.fromisoformat(end)
    if "T" in start or "T" in end:
        return start[:10] < end[:10]
    return start <= end
