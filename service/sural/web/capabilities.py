"""The CapabilityStatement, generated from the routes that are really there."""

from collections.abc import Iterator
from typing import Any

from fastapi import FastAPI

from sural import canonical
from sural.ledger.parameters import IDENTIFIED, SEARCHED
from sural.subscriptions.topics import BACKPORT, TOPICS
from sural.web.accepting import FHIR_JSON
from sural.web.publications import parameters
from sural.web.routes import served
from sural.web.security import capability_security
from sural.web.settings import Settings
from sural.web.subscribing import KIND as SUBSCRIPTION
from sural.web.subscribing import SEARCH_PARAMETERS as OF_SUBSCRIPTIONS

DATE = "2026-11-27"
_TOPIC = f"{BACKPORT}/StructureDefinition/capabilitystatement-subscriptiontopic-canonical"


def capability_statement(app: FastAPI, base: str, settings: Settings | None = None) -> dict[str, Any]:
    """Every resource type, interaction, search parameter and operation the application has a route for."""
    resources: dict[str, set[str]] = {}
    operations: dict[str, list[dict[str, str]]] = {"": []}
    system: list[dict[str, str]] = []
    for route in served(app):
        if route.interaction == "operation":
            definition = route.definition or f"{canonical.BASE}/OperationDefinition/{route.name}"
            does = " ".join((route.endpoint.__doc__ or "").split())
            known = operations.setdefault(route.on, [])
            if route.name not in {one["name"] for one in known}:  # one of a type and of an instance has a route for each
                known.append({"name": route.name, "definition": definition, "documentation": does})
            if route.on:
                resources.setdefault(route.on, set())
        elif route.interaction == "transaction":
            system.append({"code": route.interaction})
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
        "instantiates": [f"{BACKPORT}/CapabilityStatement/backport-subscription-server-r4"],
        "fhirVersion": "4.0.1",
        "format": [FHIR_JSON],
        "rest": [
            {
                "mode": "server",
                "resource": [_resource(name, found, operations.get(name, [])) for name, found in sorted(resources.items())],
                **({"interaction": system} if system else {}),
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
    if name == SUBSCRIPTION:
        content["extension"] = [{"url": _TOPIC, "valueCanonical": topic} for topic in TOPICS]
        content["supportedProfile"] = [f"{BACKPORT}/StructureDefinition/backport-subscription"]
    content["versioning"] = "versioned" if "vread" in interactions or name == SUBSCRIPTION else "no-version"
    content["readHistory"] = "vread" in interactions
    content["updateCreate"] = False
    content["conditionalCreate"] = "create" in interactions and name in SEARCHED
    if "vread" in interactions:
        content["conditionalRead"] = "full-support"
    content["conditionalUpdate"] = "update" in interactions and name in SEARCHED
    if name in SEARCHED:
        content["searchInclude"] = [f"{name}:{one.names[0]}" for one in SEARCHED[name] if one.kind == "reference"]
        content["searchRevInclude"] = [f"{kind}:{one.names[0]}" for kind in SEARCHED for one in SEARCHED[kind] if name in one.targets]
        content["searchParam"] = list(_search_parameters(name))
        content = {key: value for key, value in content.items() if value != []}
    elif "search-type" in interactions:
        own = OF_SUBSCRIPTIONS if name == SUBSCRIPTION else parameters(name)
        content["searchParam"] = [{"name": parameter, "type": kind} for parameter, kind in own.items()]
    if operations:
        content["operation"] = operations
    return content


def _search_parameters(name: str) -> Iterator[dict[str, str]]:
    """The search parameters of stored answers of a type."""
    yield {"name": "_id", "type": "token"}
    yield {"name": "_lastUpdated", "type": "date"}
    if name in IDENTIFIED:
        yield {"name": "identifier", "type": "token"}
    for one in SEARCHED[name]:
        yield from ({"name": each, "type": one.kind} for each in one.names)
