"""The CapabilityStatement, generated from the routes that are really there."""

from typing import Any

from fastapi import FastAPI

from sural import canonical
from sural.web.accepting import FHIR_JSON
from sural.web.publications import SEARCH_PARAMETERS
from sural.web.routes import served
from sural.web.security import capability_security
from sural.web.settings import Settings

DATE = "2026-11-25"


def capability_statement(app: FastAPI, base: str, settings: Settings | None = None) -> dict[str, Any]:
    """Every resource type, interaction, search parameter and operation the application has a route for."""
    resources: dict[str, set[str]] = {}
    operations: dict[str, list[dict[str, str]]] = {"": []}
    for route in served(app):
        if route.interaction == "operation":
            definition = route.definition or f"{canonical.BASE}/OperationDefinition/{route.name}"
            does = " ".join((route.endpoint.__doc__ or "").split())
            operations.setdefault(route.on, []).append({"name": route.name, "definition": definition, "documentation": does})
            if route.on:
                resources.setdefault(route.on, set())
        elif route.interaction is not None:
            resources.setdefault(route.name, set()).add(route.interaction)
    statement: dict[str, Any] = {
        "resourceType": "CapabilityStatement",
        "url": f"{canonical.BASE}/CapabilityStatement/sural",
        "version": canonical.VERSION,
        "name": "Sural",
        "title": "Sural foot and lower-limb assessment service",
        "status": "active",
        "date": DATE,
        "publisher": "The Sural project",
        "kind": "instance",
        "software": {"name": "Sural", "version": f"{canonical.VERSION}, rule set {canonical.RULE_SET}"},
        "implementation": {"description": "Assessment of foot and lower-limb neurological examinations", "url": base},
        "fhirVersion": "4.0.1",
        "format": [FHIR_JSON],
        "rest": [
            {
                "mode": "server",
                "resource": [_resource(name, found, operations.get(name, [])) for name, found in sorted(resources.items())],
                "operation": operations[""],
            }
        ],
    }
    if settings is not None and settings.tokens is not None:
        statement["rest"][0]["security"] = capability_security(settings)
    return statement


def _resource(name: str, interactions: set[str], operations: list[dict[str, str]]) -> dict[str, Any]:
    content: dict[str, Any] = {"type": name}
    if interactions:
        content["interaction"] = [{"code": code} for code in sorted(interactions)]
    content["versioning"] = "no-version"
    content |= {"readHistory": False, "updateCreate": False, "conditionalCreate": False, "conditionalUpdate": False}
    if "search-type" in interactions:
        content["searchParam"] = [{"name": parameter, "type": kind} for parameter, kind in SEARCH_PARAMETERS.items()]
    if operations:
        content["operation"] = operations
    return content
