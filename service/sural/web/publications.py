"""What is published, to read and to find: terminology, profiles, operations."""

from functools import cache
from typing import Any

import orjson

from sural.terminology.publication import Shelf, folder

SHELVES: dict[str, Shelf] = {
    "CodeSystem": "terminology",
    "ValueSet": "terminology",
    "ConceptMap": "terminology",
    "StructureDefinition": "profiles",
    "OperationDefinition": "profiles",
}
SEARCH_PARAMETERS = {"_id": "token", "url": "uri", "name": "string", "version": "token", "status": "token"}


@cache
def published(resource_type: str) -> dict[str, dict[str, Any]]:
    """Every published resource of a type by its id."""
    found = {}
    for path in sorted(folder(SHELVES[resource_type]).glob(f"{resource_type}-*.json")):
        resource = orjson.loads(path.read_bytes())
        found[resource["id"]] = resource
    return found


def search(resource_type: str, given: dict[str, str], base: str) -> dict[str, Any]:
    """A searchset of those that match. The self link states what was understood; other parameters are not applied."""
    understood = {name: value for name, value in given.items() if name in SEARCH_PARAMETERS}
    matches = [one for one in published(resource_type).values() if all(_matches(one, *item) for item in understood.items())]
    query = "&".join(f"{name}={value}" for name, value in understood.items())
    address = f"{base}/{resource_type}"
    return {
        "resourceType": "Bundle",
        "type": "searchset",
        "total": len(matches),
        "link": [{"relation": "self", "url": f"{address}?{query}" if query else address}],
        "entry": [{"fullUrl": f"{address}/{one['id']}", "resource": one, "search": {"mode": "match"}} for one in matches],
    }


def _matches(resource: dict[str, Any], name: str, value: str) -> bool:
    own = str(resource.get("id" if name == "_id" else name, ""))
    return own.lower().startswith(value.lower()) if name == "name" else own == value
