"""Concepts, sites and answers, loaded from the published code systems."""

from decimal import Decimal
from functools import cache
from typing import Any

from sural.terminology.concept import Concept
from sural.terminology.publication import read
from sural.terminology.site import Site


@cache
def concepts() -> dict[str, Concept]:
    """Every finding of the data dictionary by its code."""
    return {entry["code"]: _concept(entry) for entry in read("CodeSystem", "finding")["concept"]}


@cache
def sites() -> dict[str, Site]:
    """Every body site by its code."""
    entries = read("CodeSystem", "site")["concept"]
    parents = {entry["code"]: _properties(entry).get("within", [""])[0] for entry in entries}
    return {entry["code"]: _site(entry, parents) for entry in entries}


@cache
def answer_displays() -> dict[str, str]:
    """The display of every answer code."""
    return {entry["code"]: entry["display"] for entry in read("CodeSystem", "finding-value")["concept"]}


@cache
def medicines() -> dict[str, str]:
    """The code of every medicine known to harm nerves, by its international name in lower case."""
    return {entry["display"].lower(): entry["code"] for entry in read("CodeSystem", "medicine")["concept"]}


def _properties(entry: dict[str, Any]) -> dict[str, list[Any]]:
    properties: dict[str, list[Any]] = {}
    for item in entry.get("property", ()):
        value = next(value for key, value in item.items() if key.startswith("value"))
        properties.setdefault(item["code"], []).append(value)
    return properties


def _concept(entry: dict[str, Any]) -> Concept:
    own = _properties(entry)

    def one(name: str, default: Any = None) -> Any:
        return own[name][0] if name in own else default

    answers = tuple(own.get("answer", ()))
    return Concept(
        code=entry["code"],
        display=entry["display"],
        definition=entry["definition"],
        group=one("group"),
        scope=one("scope"),
        kind=one("kind"),
        answers=answers,
        reassuring=answers.index(one("adverse-from")) if "adverse-from" in own else len(answers),
        unit=one("unit", ""),
        minimum=_decimal(one("minimum")),
        maximum=_decimal(one("maximum")),
        worse=one("worse", ""),
        expires=one("expires"),
        series=one("series"),
        sided=one("scope") in ("site", "side", "ulcer"),
        sited=one("scope") in ("site", "ulcer") or entry["code"] == "foot-ulcer",
    )


def _decimal(number: int | float | None) -> Decimal | None:
    return None if number is None else Decimal(str(number))


def _site(entry: dict[str, Any], parents: dict[str, str]) -> Site:
    own = _properties(entry)
    within = []
    parent = parents[entry["code"]]
    while parent:
        within.append(parent)
        parent = parents.get(parent, "")
    return Site(
        code=entry["code"],
        display=entry["display"],
        region=own["region"][0],
        within=tuple(within),
        plantar=own["plantar"][0],
        ulcer_site=own.get("ulcer-site", [None])[0],
    )
