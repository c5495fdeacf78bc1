"""The structural check at the doors: every resource against the FHIR models of `fhir.resources`.

The models are those of R4B 4.3.0, which has the same elements as R4 4.0.1 in every resource that is read here. They judge and never
carry the data: they rewrite decimals and timestamps, check neither required bindings nor invariants, and fail with a bare KeyError on
an unknown resource type. What they miss of the resources we read is checked in the intake.
"""

import json
from functools import cache
from typing import Any

from pydantic import ValidationError

from sural.intake.structure import name_in_path
from sural.issues import Issue, Refused

MAX_DEPTH = 100


class CheckedDocument:
    """One document, parsed so that properties that stand twice are noticed."""

    def __init__(self, data: bytes) -> None:
        """Raises Refused when the data are not JSON, not UTF-8, or nested too deep."""
        try:
            self.tree = json.loads(data, object_pairs_hook=_object, parse_constant=_no_constant)
        except UnicodeDecodeError:
            raise Refused(Issue("not-json", diagnostics="not UTF-8")) from None
        except json.JSONDecodeError as fault:
            raise Refused(Issue("not-json", diagnostics=f"line {fault.lineno}, column {fault.colno}")) from None
        except ValueError:
            raise Refused(Issue("not-json", diagnostics="NaN and Infinity are not JSON")) from None
        except RecursionError:
            raise Refused(Issue("too-deep")) from None
        if _depth_exceeds(self.tree, MAX_DEPTH):
            raise Refused(Issue("too-deep", diagnostics=f"limit: {MAX_DEPTH} levels"))

    def faults(self, resource: dict[str, Any], path: str) -> list[Issue]:
        """Every fault of one resource, each with a FHIRPath that selects one node."""
        return [*_duplicates(resource, path), *model_faults(resource, path)]


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


class _Doubled(dict[str, Any]):
    """A JSON object in which properties stand more than once."""

    names: list[str]


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    plain = dict(pairs)
    if len(plain) == len(pairs):
        return plain
    doubled = _Doubled(plain)
    names = [name for name, _ in pairs]
    doubled.names = sorted({name for name in names if names.count(name) > 1})
    return doubled


def _no_constant(name: str) -> Any:
    raise ValueError(name)


def _duplicates(node: Any, path: str) -> list[Issue]:
    found: list[Issue] = []
    if isinstance(node, dict):
        if isinstance(node, _Doubled):
            found += [Issue("duplicate-property", f"{path}.{name_in_path(name)}") for name in node.names]
        for key, value in node.items():
            found += _duplicates(value, f"{path}.{name_in_path(key)}")
    elif isinstance(node, list):
        for index, value in enumerate(node):
            found += _duplicates(value, f"{path}[{index}]")
    return found


def _issue(error: Any, resource: dict[str, Any], path: str) -> Issue | None:
    kind = str(error["type"])
    steps = [step for step in error["loc"] if isinstance(step, int) or not str(step).startswith("function-")]
    if steps and steps[-1] == "valueMeta":  # legal in R4, gone in R4B
        return None
    where, missing = _selected(resource, steps, path)
    if "missing" in kind or missing:
        return Issue("element-missing", where, str(steps[-1]) if steps else "")
    if kind == "extra_forbidden":
        return Issue("element-unknown", where)
    return Issue("structure-invalid", where, kind)


def _selected(resource: Any, steps: list[Any], path: str) -> tuple[str, bool]:
    """The FHIRPath of the last step that exists, and whether a step was missing."""
    node = resource
    for step in steps:
        if isinstance(step, int) and isinstance(node, list) and step < len(node):
            node, path = node[step], f"{path}[{step}]"
        elif isinstance(step, str) and isinstance(node, dict) and step in node:
            node, path = node[step], f"{path}.{name_in_path(step)}"
        else:
            return path, isinstance(step, str) and isinstance(node, dict)
    if isinstance(node, list) and node:
        path = f"{path}[0]"
    return path, False


def _depth_exceeds(node: Any, limit: int) -> bool:
    level = [node]
    for _ in range(limit):
        level = [child for parent in level for child in _children(parent)]
        if not level:
            return False
    return True


def _children(node: Any) -> list[Any]:
    values = node.values() if isinstance(node, dict) else node if isinstance(node, list) else ()
    return [value for value in values if isinstance(value, dict | list)]
