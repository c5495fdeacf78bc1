"""What is published, to read and to find: terminology, profiles, operations."""

import re
from functools import cache
from typing import Any
from urllib.parse import quote, urlencode

import orjson

from sural.issues import Issue, Refused
from sural.terminology.publication import Shelf, folder

SHELVES: dict[str, Shelf] = {
    "CodeSystem": "terminology",
    "ValueSet": "terminology",
    "ConceptMap": "terminology",
    "Questionnaire": "terminology",
    "StructureDefinition": "profiles",
    "OperationDefinition": "profiles",
    "PlanDefinition": "profiles",
    "Basic": "profiles",
}
SEARCH_PARAMETERS = {"_id": "token", "url": "uri", "name": "string", "version": "token", "status": "token"}
_OF_BASIC = {"_id": "token"}
_SYSTEMS = {"status": "http://hl7.org/fhir/publication-status"}


def parameters(resource_type: str) -> dict[str, str]:
    """The search parameters of a published type, with their types; a Basic is no canonical resource and has none of theirs."""
    return _OF_BASIC if resource_type == "Basic" else SEARCH_PARAMETERS


@cache
def published(resource_type: str) -> dict[str, dict[str, Any]]:
    """Every published resource of a type by its id."""
    found = {}
    for path in sorted(folder(SHELVES[resource_type]).glob(f"{resource_type}-*.json")):
        resource = orjson.loads(path.read_bytes())
        found[resource["id"]] = resource
    return found


def search(resource_type: str, given: list[tuple[str, str]], base: str, strict: bool = False) -> dict[str, Any]:
    """A searchset of those that match. A parameter that repeats must hold each time; values with commas between them are alternatives.

    The self link states what was understood. A parameter that is not known is not applied, or refused where the client asks for strict
    handling; a modifier is always refused: without it the search would be another one. Source: FHIR R4, search.
    """
    known = parameters(resource_type)
    understood = [(name, value) for name, value in given if name in known and value]
    issues = [
        Issue("parameter-unknown" if name.partition(":")[0] not in known else "parameter-invalid", f"http.{name}")
        for name, _ in given
        if name not in (*known, "_format") and (strict or name.partition(":")[0] in known)
    ]
    if issues:
        raise Refused(*issues)
    matches = [one for one in published(resource_type).values() if all(_matches(one, *item) for item in understood)]
    address = f"{base}/{resource_type}"
    query = urlencode(understood, quote_via=quote, safe=",")
    return {
        "resourceType": "Bundle",
        "type": "searchset",
        "total": len(matches),
        "link": [{"relation": "self", "url": f"{address}?{query}" if query else address}],
        "entry": [{"fullUrl": f"{address}/{one['id']}", "resource": one, "search": {"mode": "match"}} for one in matches],
    }


def _matches(resource: dict[str, Any], name: str, text: str) -> bool:
    """Whether one of the alternatives holds."""
    own = str(resource.get(name.removeprefix("_"), ""))
    for value in _alternatives(text):
        if name == "name":
            if own.lower().startswith(value.lower()):
                return True
        elif own == value or (SEARCH_PARAMETERS[name] == "token" and value in (f"|{own}", f"{_SYSTEMS.get(name)}|{own}")):
            return True
    return False


def _alternatives(text: str) -> list[str]:
    """The values between commas; one with a backslash before it is part of the value."""
    return [re.sub(r"\\(.)", r"\1", value) for value in re.findall(r"(?:[^,\\]|\\.)+", text)]
