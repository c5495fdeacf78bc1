"""Our own check of slices: how often each comes, which types its values have, its patterns and its required bindings.

Validators that run without a network look at the discriminator of a slice and not, or not wholly, at what stands inside: a text where
a slice wants a Quantity passes. Read from the snapshot of a profile; slices within slices are left to the validators.
"""

from collections.abc import Iterator
from typing import Any

from tests.builders import Json
from tests.conformance.published import members

_NOTHING = object()


def slice_faults(resource: Json, profile: Json) -> list[str]:
    """Every fault of the slices of a resource, each as a sentence that begins with the id of the element."""
    elements = {element["id"]: element for element in profile["snapshot"]["element"]}
    found: list[str] = []
    for id, element in elements.items():
        kinds = {discriminator["type"] for discriminator in element.get("slicing", {}).get("discriminator", [])}
        if kinds and kinds <= {"value", "pattern"} and ":" not in id:
            for name in [other for other in elements if other.startswith(f"{id}:") and "." not in other[len(id) + 1 :]]:
                found += _faults(resource, element, name, elements)
    return found


def _faults(resource: Json, sliced: Json, name: str, elements: dict[str, Json]) -> Iterator[str]:
    own = elements[name]
    for group in groups(resource, sliced["path"]):
        matching = [
            item for item in group if all(_fits(item, one["path"], name, elements) for one in sliced["slicing"]["discriminator"])
        ]
        if len(matching) < own["min"] or (own["max"] != "*" and len(matching) > int(own["max"])):
            yield f"{name}: {len(matching)} instead of {own['min']}..{own['max']}"
        for item in matching:
            yield from _inside(item, name, elements)


def groups(resource: Json, path: str) -> list[list[Any]]:
    """The items under a path, one list for each element that may hold them."""
    holders: list[Any] = [resource]
    *steps, last = path.split(".")[1:]
    for step in steps:
        holders = [item for holder in holders for item in _many(holder.get(step)) if isinstance(item, dict)]
    if last.endswith("[x]"):
        return [[value for key, value in holder.items() if _is_choice(key, last[:-3])] for holder in holders]
    return [_many(holder.get(last)) for holder in holders]


def _is_choice(key: str, stem: str) -> bool:
    return key.startswith(stem) and key[len(stem) : len(stem) + 1].isupper()


def _many(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [] if value is None else [value]


def _fits(item: Any, discriminator: str, name: str, elements: dict[str, Json]) -> bool:
    """Whether an item is of the slice, as one discriminator tells."""
    element = elements.get(name if discriminator == "$this" else f"{name}.{discriminator}")
    wanted = pattern(element) if element else _NOTHING
    value = item if discriminator == "$this" else item.get(discriminator)
    return wanted is not _NOTHING and matches(value, wanted)


def pattern(element: Json) -> Any:
    """The fixed value or pattern of an element."""
    return next((value for key, value in element.items() if key.startswith(("fixed", "pattern"))), _NOTHING)


def matches(value: Any, wanted: Any) -> bool:
    """Whether a value holds a pattern: every part of it, lists in any order (FHIR R4, ElementDefinition.pattern)."""
    if isinstance(wanted, dict):
        return isinstance(value, dict) and all(matches(value.get(key), part) for key, part in wanted.items())
    if isinstance(wanted, list):
        return isinstance(value, list) and all(any(matches(item, part) for item in value) for part in wanted)
    return bool(value == wanted)


def _inside(item: Any, name: str, elements: dict[str, Json]) -> Iterator[str]:
    yield from _bound(item, name, elements[name])
    if not isinstance(item, dict):
        return
    for id, element in elements.items():
        child = id.removeprefix(f"{name}.")
        if child == id or "." in child or ":" in child:
            continue
        key, value = _child(item, child)
        if value is None:
            if element["min"] > 0:
                yield f"{id}: missing"
            continue
        types = [kind["code"] for kind in element.get("type", [])]
        if child.endswith("[x]") and key.removeprefix(child[:-3]) not in {kind[0].upper() + kind[1:] for kind in types}:
            yield f"{id}: {key} instead of {' or '.join(types)}"
            continue
        wanted = pattern(element)
        if wanted is not _NOTHING and not matches(value, wanted):
            yield f"{id}: not as the pattern"
        yield from _bound(value, id, element)


def _child(item: Json, child: str) -> tuple[str, Any]:
    if not child.endswith("[x]"):
        return child, item.get(child)
    stem = child[:-3]
    key = next((key for key in item if _is_choice(key, stem)), child)
    return key, item.get(key)


def _bound(value: Any, id: str, element: Json) -> Iterator[str]:
    binding = element.get("binding", {})
    if binding.get("strength") != "required" or "sural" not in binding["valueSet"] or not isinstance(value, dict):
        return
    codings = value.get("coding", [value])
    if not any((coding.get("system"), coding.get("code")) in members(binding["valueSet"]) for coding in codings):
        yield f"{id}: not in {binding['valueSet']}"
