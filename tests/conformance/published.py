"""What Sural publishes, as the checks need it: profiles by claim, and the codes of its own code systems and value sets."""

import json
from functools import cache
from pathlib import Path

from tests.builders import Json

ROOT = Path(__file__).parents[2]
PROFILES = ROOT / "profiles" / "fhir"
TERMINOLOGY = ROOT / "terminology" / "fhir"


def read(path: Path) -> Json:
    resource: Json = json.loads(path.read_text(encoding="utf-8"))
    return resource


@cache
def profiles() -> dict[str, Json]:
    """Our StructureDefinitions by canonical with version, as an answer claims them."""
    found = (read(path) for path in sorted(PROFILES.glob("StructureDefinition-*.json")))
    return {f"{profile['url']}|{profile['version']}": profile for profile in found}


def profile(name: str) -> Json:
    """One StructureDefinition by its id."""
    return read(PROFILES / f"StructureDefinition-{name}.json")


def claimed(resource: Json) -> list[Json]:
    """The profiles a resource claims. Raises KeyError for one that we do not publish."""
    return [profiles()[claim] for claim in resource.get("meta", {}).get("profile", [])]


@cache
def codes() -> dict[str, dict[str, str]]:
    """Each of our code systems: code to display."""
    systems = (read(path) for path in sorted(TERMINOLOGY.glob("CodeSystem-*.json")))
    return {system["url"]: {concept["code"]: concept["display"] for concept in system["concept"]} for system in systems}


@cache
def members(value_set: str) -> frozenset[tuple[str, str]]:
    """System and code of everything in one of our value sets."""
    name = value_set.split("|")[0].rsplit("/", 1)[-1]
    found: set[tuple[str, str]] = set()
    for include in read(TERMINOLOGY / f"ValueSet-{name}.json")["compose"]["include"]:
        listed = [concept["code"] for concept in include.get("concept", [])] or codes()[include["system"]]
        found |= {(include["system"], code) for code in listed}
    return frozenset(found)


def published() -> list[Json]:
    """Every resource that we publish."""
    return [read(path) for folder in (PROFILES, TERMINOLOGY) for path in sorted(folder.glob("*.json"))]
