"""Evaluates the FHIRPath of an issue against the input, as a client would (FHIR R4, OperationOutcome.issue.expression)."""

from typing import Any

import orjson
from fhirpathpy import evaluate
from fhirpathpy.models import models

from tests.builders import Json


def nodes(content: Any, expression: str) -> list[Any]:
    """The nodes an expression selects; a JSON null is none."""
    tree = orjson.loads(content) if isinstance(content, bytes) else content
    return [node for node in evaluate(tree, expression, {}, models["r4"]) if node is not None]


def unselective(content: Any, issues: list[Json]) -> list[str]:
    """The expressions that do not select exactly one node of the input."""
    given = [issue["expression"] for issue in issues if issue.get("expression")]
    return [expression for expression in given if len(nodes(content, expression)) != 1]
