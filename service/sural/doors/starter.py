"""A ConceptMap to start from: every code of an extract that is not understood, with nothing mapped yet.

Each element is `unmatched`, which says nothing until somebody who knows the local code replaces it. Comments carry what is known of the
code; they are hints to look at and never a mapping: a program that guesses here would invent findings.
"""

from collections.abc import Iterable
from functools import cache
from typing import Any

import orjson

from sural import canonical
from sural.intake.context import CodeUse
from sural.terminology import dictionary, publication
from sural.terminology.lexicon import EQUIVALENT

Json = dict[str, Any]
TARGETS = {"code": canonical.FINDING, "value": canonical.FINDING_VALUE, "site": canonical.SITE}
_MAPS = ("findings", "answers", "sites")
_TO_FILL_IN = "To fill in: set `code` and `equivalence` (only equal and equivalent count as evidence), or delete the element."


def starter_concept_map(uses: Iterable[CodeUse], day: str, concept_maps: Iterable[bytes] = ()) -> Json:
    """A FHIR R4 ConceptMap of the codes that are not understood, worst first within each system; `day` is its date (ISO 8601).

    Inexact mappings, the published ones and those of the site's `concept_maps`, become hints.
    """
    nearly = _nearly([*(publication.read("ConceptMap", name) for name in _MAPS), *map(orjson.loads, concept_maps)])
    groups: dict[tuple[str, str], list[Json]] = {}
    for use in uses:
        if use.understood is None and use.code and use.system:
            groups.setdefault((use.system, TARGETS[use.role]), []).append(_element(use, nearly.get((use.system, use.code), ())))
    content: Json = {
        "resourceType": "ConceptMap",
        "url": "http://example.org/fhir/ConceptMap/site-codes",
        "name": "SiteCodes",
        "title": "Codes of this site that Sural does not understand yet",
        "status": "draft",
        "experimental": False,
        "date": day,
        "description": f"{_TO_FILL_IN} Hints stand in the comments; they are no mappings. Change `url` to an address of your own.",
    }
    if groups:
        content["group"] = [
            {"source": source, "target": target, "element": elements} for (source, target), elements in groups.items()
        ]
    return content


def _element(use: CodeUse, nearly: Iterable[tuple[str, str]]) -> Json:
    why = ", ".join(sorted(use.reasons)) or "code-not-mapped"
    said = [f"Came {use.count} times as {_ROLES[use.role]} ({why}).", *_hints(use, nearly)]
    element: Json = {"code": use.code}
    if use.display:
        element["display"] = use.display
    return element | {"target": [{"equivalence": "unmatched", "comment": " ".join(said)}]}


_ROLES = {"code": "the code of a resource", "value": "a coded value", "site": "a body site"}


def _hints(use: CodeUse, nearly: Iterable[tuple[str, str]]) -> list[str]:
    """What is known of a code that is not understood: inexact mappings, and a code of ours that has exactly its display."""
    found = [f"Mapped as {equivalence} of {code}: that is not evidence by itself." for code, equivalence in nearly]
    same = _displays(use.role).get(use.display.strip().lower()) if use.display else None
    return [*found, *([f"Our code {same} has the same display; look whether it means the same."] if same else [])]


def _nearly(maps: Iterable[Json]) -> dict[tuple[str, str], list[tuple[str, str]]]:
    """Codes with inexact targets only."""
    found: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for one in maps:
        for group in one.get("group", ()):
            for element in group["element"]:
                targets = [(target["code"], target["equivalence"]) for target in element["target"] if target.get("code")]
                if not any(equivalence in EQUIVALENT for _, equivalence in targets):
                    found[group["source"], element["code"]] = targets
    return found


@cache
def _displays(role: str) -> dict[str, str]:
    """Our codes by their displays in lower case."""
    if role == "code":
        return {concept.display.lower(): code for code, concept in dictionary.concepts().items()}
    if role == "site":
        return {site.display.lower(): code for code, site in dictionary.sites().items()}
    return {display.lower(): code for code, display in dictionary.answer_displays().items()}
