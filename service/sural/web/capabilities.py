"""The CapabilityStatement, generated from the routes that are really there."""

from typing import Any

from fastapi import FastAPI
from fastapi.routing import APIRoute

from sural import canonical
from sural.web.fhir import FHIR_JSON
from sural.web.publications import SEARCH_PARAMETERS

DATE = "2026-11-25"
_INTERACTIONS = {"read": "read", "search": "search-type"}


def capability_statement(app: FastAPI, base: str) -> dict[str, Any]:
    """Every resource type, interaction, search parameter and operation the application has a route for."""
    resources: dict[str, set[str]] = {}
    operations = []
    for route in app.routes:
        if not isinstance(route, APIRoute):
            continue
        for tag in route.tags:
            kind, _, name = str(tag).partition(":")
            if kind == "operation":
                operations.append({"name": name, "definition": f"{canonical.BASE}/OperationDefinition/{name}"})
            elif kind in _INTERACTIONS:
                for resource_type in name.split(","):
                    resources.setdefault(resource_type, set()).add(_INTERACTIONS[kind])
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
                "resource": [_resource(name, found) for name, found in sorted(resources.items())],
                "operation": operations,
            }
        ],
    }
    return statement


def _resource(name: str, interactions: set[str]) -> dict[str, Any]:
    content: dict[str, Any] = {
        "type": name,
        "interaction": [{"code": code} for code in sorted(interactions)],
        "versioning": "no-version",
    }
    content |= {"readHistory": False, "updateCreate": False, "conditionalCreate": False, "conditionalUpdate": False}
    if "search-type" in interactions:
        content["searchParam"] = [{"name": parameter, "type": kind} for parameter, kind in SEARCH_PARAMETERS.items()]
    return content
