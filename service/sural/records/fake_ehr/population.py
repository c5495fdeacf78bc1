"""Invented patients of the Skerrow Islands for the fake EHR: the fixture cases, drawn with a seed and made into people of their own."""

import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

import orjson

from sural.doors.cases import cases
from sural.records.fake_ehr.store import Json, Store

LEFT_OUT = ("bad-", "bundle-", "local-codes", "references-in-five-forms")
START = datetime(2026, 3, 2, 18, tzinfo=UTC)


def fill(store: Store, patients: int, seed: int = 1, start: datetime = START) -> None:
    """Keep some patients with their records, one second after another."""
    for number, resources in enumerate(population(patients, seed)):
        instant = (start + timedelta(seconds=number)).isoformat(timespec="microseconds").replace("+00:00", "Z")
        for resource in resources:
            store.put(resource, instant)


def population(patients: int, seed: int = 1) -> Iterator[list[Json]]:
    """The resources of each patient."""
    chance = random.Random(seed)
    drawn = _examinations()
    return (_person(chance.choice(drawn), number) for number in range(1, patients + 1))


@cache
def _examinations() -> tuple[bytes, ...]:
    """The cases that are about one patient and without faults of form."""
    found: list[bytes] = []
    for case in cases():
        if case.input.name == "input.json" and not case.name.startswith(LEFT_OUT):
            content = orjson.loads(case.input.read_bytes())
            kinds = [entry["resource"]["resourceType"] for entry in content.get("entry", ())]
            if kinds.count("Patient") == 1:
                found.append(case.input.read_bytes())
    return tuple(found)


def _person(examination: bytes, number: int) -> list[Json]:
    entries = orjson.loads(examination)["entry"]
    links: dict[str, str] = {}
    for position, entry in enumerate(entries):
        resource = entry["resource"]
        kind = resource["resourceType"]
        id = f"skerrow-{number:05d}" + ("" if kind == "Patient" else f"-{position}")
        links |= {name: f"{kind}/{id}" for name in (entry.get("fullUrl"), f"{kind}/{resource.get('id')}") if name}
        resource["id"] = id
        resource.pop("meta", None)
        if "identifier" in resource:
            resource["identifier"] = [
                {"system": f"https://skerrow.example/id/{kind.lower()}", "value": f"SKF{number:05d}-{position}"}
            ]
    return [_relinked(entry["resource"], links) for entry in entries]


def _relinked(tree: Any, links: dict[str, str]) -> Any:
    if isinstance(tree, dict):
        return {key: links.get(one, one) if key == "reference" else _relinked(one, links) for key, one in tree.items()}
    return [_relinked(one, links) for one in tree] if isinstance(tree, list) else tree
