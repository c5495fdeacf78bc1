"""Faults of structure in one resource, all of them, each with a FHIRPath that selects one node."""

import types
from collections.abc import Iterator
from decimal import Decimal
from functools import cache
from typing import Any, Union, get_args, get_origin, get_type_hints

from msgspec import Raw, Struct

from sural.intake import wire
from sural.issues import Issue

_CHOICES = ("value", "effective", "onset", "abatement", "performed", "medication", "deceased")
_JSON_NAMES: dict[type, str] = {
    str: "a string",
    bool: "true or false",
    int: "an integer",
    Decimal: "a number",
    list: "an array",
    Struct: "an object",
}


def nulls(tree: Any, path: str) -> list[Issue]:
    """Every JSON null that FHIR does not allow: anywhere but in an array that pairs with its `_` sibling (FHIR R4, JSON format)."""
    return [Issue("null-value", where) for where in dict.fromkeys(_nulls(tree, path))]


def faults(tree: dict[str, Any], path: str) -> list[Issue]:
    """Every element that is read here and does not have its JSON type, and every choice element that is given twice."""
    record = _records().get(tree.get("resourceType", ""))
    return list(_faults(tree, record, path)) if record else []


def name_in_path(field: str) -> str:
    """The FHIRPath name of a JSON property: choice elements lose their type (`valueQuantity` is `value`)."""
    for stem in _CHOICES:
        if field.startswith(stem) and field[len(stem) : len(stem) + 1].isupper():
            return stem
    return field


def _nulls(node: Any, path: str) -> Iterator[str]:
    """The objects that hold a null: the null itself is no node that a path could select."""
    if not isinstance(node, dict):
        return
    for key, value in node.items():
        where = f"{path}.{name_in_path(key)}"
        if value is None:
            yield path
        elif isinstance(value, list):
            paired = key.startswith("_") or f"_{key}" in node
            for index, item in enumerate(value):
                if item is None and not paired:
                    yield path
                else:
                    yield from _nulls(item, f"{where}[{index}]")
        else:
            yield from _nulls(value, where)


@cache
def _records() -> dict[str, type[Struct]]:
    return {record.__name__: record for record in wire.READ}


@cache
def _fields(record: type[Struct]) -> dict[str, Any]:
    hints = get_type_hints(record)
    names = dict(zip(record.__struct_fields__, record.__struct_encode_fields__, strict=True))
    return {names[field]: hints[field] for field in record.__struct_fields__}


def _faults(node: dict[str, Any], record: type[Struct], path: str) -> Iterator[Issue]:
    chosen: dict[str, str] = {}
    for key, hint in _fields(record).items():
        if key not in node:
            continue
        name = name_in_path(key)
        if name != key:
            if name in chosen:
                yield Issue("structure-invalid", path, f"{chosen[name]} and {key} exclude each other")
            chosen[name] = key
        yield from _value_faults(node[key], hint, f"{path}.{name}")


def _value_faults(value: Any, hint: Any, path: str) -> Iterator[Issue]:
    origin = get_origin(hint)
    if origin in (Union, types.UnionType):
        hint = next(option for option in get_args(hint) if option is not type(None))
        origin = get_origin(hint)
    if hint is Raw:
        if not isinstance(value, dict | list):
            yield Issue("structure-invalid", path, "needs an object or an array")
    elif origin is list:
        if not isinstance(value, list):
            yield Issue("structure-invalid", path, "needs an array")
            return
        for index, item in enumerate(value):
            yield from _value_faults(item, get_args(hint)[0], f"{path}[{index}]")
    elif isinstance(hint, type) and issubclass(hint, Struct):
        if isinstance(value, dict):
            yield from _faults(value, hint, path)
        else:
            yield Issue("structure-invalid", path, "needs an object")
    elif not _fits(value, hint):
        yield Issue("structure-invalid", path, f"needs {_JSON_NAMES[hint]}")


def _fits(value: Any, hint: type) -> bool:
    if hint is Decimal:
        return isinstance(value, int | float) and not isinstance(value, bool)
    if hint is int:
        return isinstance(value, int) and not isinstance(value, bool)
    return isinstance(value, hint)
