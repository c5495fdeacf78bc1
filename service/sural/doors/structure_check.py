"""The structural check at the doors: every resource against the FHIR models of `fhir.resources`.

The models are those of R4B 4.3.0, which has the same elements as R4 4.0.1 in every resource that is read here. They judge and never
carry the data: they rewrite decimals and timestamps, check neither required bindings nor invariants, miss a resourceType that is not there,
and fail with a bare KeyError on one that does not exist. What they miss of the resources we read is checked in the intake.
"""

from functools import cache
from typing import Any

from pydantic import ValidationError

from sural.intake.structure import as_written, child, doubles, selecting
from sural.issues import Issue

_NO_DATE = ("Value error, Date value", "Value error, DateTime value", "Value error, Instant value")


def check(resource: dict[str, Any], path: str) -> list[Issue]:
    """Every fault of one resource, each with a FHIRPath that selects one node."""
    return [*doubles(resource, path), *_untyped(resource, path), *model_faults(resource, path)]


def model_faults(resource: dict[str, Any], path: str) -> list[Issue]:
    """What the model of the resource's type has to say."""
    try:
        model = _model(resource["resourceType"])
    except (KeyError, LookupError, ValueError):
        return [Issue("resource-type-unknown", path)]
    try:
        model.model_validate(resource)
    except ValidationError as refused:
        issues = [_issue(error, resource, path) for error in refused.errors(include_url=False, include_input=False)]
        return list(dict.fromkeys(issue for issue in issues if issue is not None))
    except KeyError:
        return [Issue("resource-type-unknown", path, "a contained resource")]
    return []


@cache
def _model(name: str) -> Any:
    from fhir.resources.R4B import get_fhir_model_class

    return get_fhir_model_class(name)


def _untyped(resource: dict[str, Any], path: str) -> list[Issue]:
    """Contained resources that do not say what they are."""
    contained = resource.get("contained")
    return [
        Issue("element-missing", f"{path}.contained[{number}]", "resourceType")
        for number, one in enumerate(contained if isinstance(contained, list) else ())
        if isinstance(one, dict) and "resourceType" not in one
    ]


def _issue(error: Any, resource: dict[str, Any], path: str) -> Issue | None:
    kind = str(error["type"])
    steps = [step for step in error["loc"] if isinstance(step, int) or not str(step).startswith("function-")]
    if steps and steps[-1] == "valueMeta":  # legal in R4, gone in R4B
        return None
    where, missing = _selected(resource, steps, path, kind == "extra_forbidden")
    if "missing" in kind or missing:
        return Issue("element-missing", where, str(steps[-1]) if steps else "")
    if kind == "extra_forbidden":
        return Issue("element-unknown", where)
    return Issue("date-invalid" if _of_date(kind, error["msg"]) else "structure-invalid", where, kind)


def _of_date(kind: str, said: str) -> bool:
    """Whether a value has the form of no FHIR date, or names a day that does not exist."""
    return kind.startswith(("date_", "datetime_")) or said.startswith(_NO_DATE)


def _selected(resource: Any, steps: list[Any], path: str, unknown: bool) -> tuple[str, bool]:
    """The FHIRPath of the last step that is there, and whether a step was missing. The last step of an unknown element is written as
    the sender wrote it."""
    node, holder = resource, path
    for number, step in enumerate(steps, 1):
        if isinstance(step, int) and isinstance(node, list) and step < len(node):
            node, path = node[step], f"{path}[{step}]"
        elif isinstance(step, str) and isinstance(node, dict) and step in node:
            holder = path
            node, path = node[step], (as_written if unknown and number == len(steps) else child)(path, step)
        else:
            return selecting(node, path, holder), isinstance(step, str) and isinstance(node, dict)
    return selecting(node, path, holder), False
