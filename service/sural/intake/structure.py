"""Faults of structure in one resource, all of them, each with a FHIRPath that selects one node."""

import re
import types
from collections.abc import Iterable, Iterator
from decimal import Decimal
from functools import cache
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

from msgspec import Struct

from sural.exam.units import measurable
from sural.intake import wire
from sural.intake.text import Doubled
from sural.issues import Issue

_CHOICES = ("value", "effective", "onset", "abatement", "performed", "medication", "deceased")
_DATATYPES = """
Base64Binary Boolean Canonical Code Date DateTime Decimal Id Instant Integer Markdown Oid PositiveInt String Time UnsignedInt Uri Url Uuid
Address Age Annotation Attachment CodeableConcept Coding ContactPoint Count Distance Duration HumanName Identifier Money Period Quantity
Range Ratio Reference SampledData Signature Timing ContactDetail Contributor DataRequirement Expression ParameterDefinition
RelatedArtifact TriggerDefinition UsageContext Dosage Meta
"""
_CHOSEN = frozenset(stem + datatype for stem in _CHOICES for datatype in _DATATYPES.split())
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_KEYWORDS = """
and as contains day days div false hour hours implies in is minute minutes mod month months or second seconds true week weeks xor year years
"""
_RESERVED = frozenset(_KEYWORDS.split())
_KINDS: dict[str, type | tuple[type, ...]] = {
    "a string": str,
    "true or false": bool,
    "an object": dict,
    "an array": list,
    "a number": (int, float, Decimal),
    "an integer": int,
}
_PLAIN = {str: "a string", bool: "true or false"}


def nulls(tree: Any, path: str) -> list[Issue]:
    """Every JSON null that FHIR does not allow: anywhere but in an array that pairs with its `_` sibling (FHIR R4, JSON format)."""
    return [Issue("null-value", where) for where in dict.fromkeys(_nulls(tree, path))]


def doubles(tree: Any, path: str) -> list[Issue]:
    """Every property that stands twice in an object, at any depth. Which of the two was meant cannot be known."""
    return list(_doubles(tree, path))


def doubled(node: dict[str, Any], path: str, names: Iterable[str]) -> list[Issue]:
    """Which of these properties stand twice in one object."""
    twice = [name for name in names if name in node.names] if isinstance(node, Doubled) else []
    return [Issue("duplicate-property", selecting(node[name], child(path, name), path)) for name in twice]


def frame_faults(node: dict[str, Any], path: str, frame: str, inner: str) -> list[Issue]:
    """Faults of what stands around resources (a Bundle, an entry, Parameters): nulls, properties that stand twice, unknown elements,
    a fullUrl that is no string. `inner` holds the resources; it is not looked into."""
    outer = {key: value for key, value in node.items() if key != inner}
    found = [*nulls(outer, path), *doubled(node, path, node), *doubles(outer, path)]
    found += [
        Issue("element-unknown", selecting(value, as_written(path, key), path))
        for key, value in outer.items()
        if not _belongs(key, frame)
    ]
    full_url = outer.get("fullUrl") if frame == "entry" else None
    if full_url is not None and not isinstance(full_url, str):
        found.append(Issue("structure-invalid", selecting(full_url, f"{path}.fullUrl", path), "needs a string"))
    return found


def parameter_faults(parameter: Any, path: str, holder: str) -> list[Issue]:
    """Faults of one parameter, apart from what is inside an examination."""
    if not isinstance(parameter, dict):
        key = "null-value" if parameter is None else "structure-invalid"
        return [Issue(key, selecting(parameter, path, holder), "needs an object")]
    inner = "resource" if parameter.get("name") == "exam" else ""
    found = frame_faults(parameter, path, "parameter", inner)
    if parameter.get("resource", {}) is None and inner:
        found.append(Issue("null-value", path))
    if sum(child("", key) == ".value" for key in parameter) > 1:
        found.append(Issue("structure-invalid", path, "more than one value"))
    return found or faults(parameter, path, wire.Parameter)


def _belongs(key: str, frame: str) -> bool:
    return key in wire.FRAMES[frame] or (frame == "parameter" and child("", key.removeprefix("_")) == ".value")


def faults(tree: dict[str, Any], path: str, record: type[Struct] | None = None) -> list[Issue]:
    """Every element that is read here and does not have its JSON type, and every choice element that is given twice.

    `record` says what is read; without one it is the record of the resource's type.
    """
    return list(_faults(tree, record or _records()[tree["resourceType"]], path))


def child(path: str, field: str) -> str:
    """The FHIRPath of a property: choice elements lose their type (`valueQuantity` is `value`), other names stand as they are.

    What cannot stand in a path is left out: the path is then that of the holder.
    """
    if field in _CHOSEN:
        return f"{path}.{next(stem for stem in _CHOICES if field.startswith(stem))}"
    return as_written(path, field)


def as_written(path: str, field: str) -> str:
    """The FHIRPath of a property that is none of FHIR's, under the name that the sender gave it."""
    if _NAME.fullmatch(field) and field not in _RESERVED:
        return f"{path}.{field}"
    return f"{path}.`{field}`" if field and not set("`\\") & set(field) and field.isprintable() else path


def selecting(value: Any, path: str, holder: str) -> str:
    """A path that selects one node: the value, the first of a list, or the holder where there is no node."""
    if isinstance(value, list):
        return selecting(value[0], f"{path}[0]", holder) if value and not isinstance(value[0], list) else holder
    return holder if value is None else path


def _nulls(node: Any, path: str) -> Iterator[str]:
    """The objects that hold a null: the null itself is no node that a path could select."""
    if not isinstance(node, dict):
        return
    for key, value in node.items():
        where = child(path, key)
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


def _doubles(node: Any, path: str) -> Iterator[Issue]:
    if isinstance(node, dict):
        if isinstance(node, Doubled):
            for name in node.names:
                yield Issue("duplicate-property", selecting(node[name], child(path, name), path))
        for key, value in node.items():
            yield from _doubles(value, child(path, key))
    elif isinstance(node, list):
        for index, value in enumerate(node):
            yield from _doubles(value, f"{path}[{index}]")


@cache
def _records() -> dict[str, type[Struct]]:
    return {record.__name__: record for record in (*wire.READ, *wire.OTHERS)}


@cache
def _fields(record: type[Struct]) -> dict[str, Any]:
    hints = get_type_hints(record, include_extras=True)
    names = dict(zip(record.__struct_fields__, record.__struct_encode_fields__, strict=True))
    return {names[field]: hints[field] for field in record.__struct_fields__}


def _faults(node: dict[str, Any], record: type[Struct], path: str) -> Iterator[Issue]:
    chosen: dict[str, str] = {}
    for key, hint in _fields(record).items():
        if key not in node:
            continue
        where = child(path, key)
        if where != f"{path}.{key}":
            if where in chosen:
                yield Issue("structure-invalid", path, f"{chosen[where]} and {key} exclude each other")
            chosen[where] = key
        yield from _value_faults(node[key], hint, where, path)


def _value_faults(value: Any, hint: Any, path: str, holder: str) -> Iterator[Issue]:
    if get_origin(hint) in (Union, types.UnionType):
        hint = next(option for option in get_args(hint) if option is not type(None))
    if get_origin(hint) is tuple:
        if not isinstance(value, list):
            yield Issue("structure-invalid", path, "needs an array")
            return
        for index, item in enumerate(value):
            yield from _value_faults(item, get_args(hint)[0], f"{path}[{index}]", path)
    elif isinstance(hint, type) and issubclass(hint, Struct):
        if isinstance(value, dict):
            yield from _faults(value, hint, path)
        else:
            yield Issue("structure-invalid", selecting(value, path, holder), "needs an object")
    else:
        yield from _scalar_faults(value, hint, path, holder)


def _scalar_faults(value: Any, hint: Any, path: str, holder: str) -> Iterator[Issue]:
    kind = _kind(hint)
    given: Any = value
    if not isinstance(value, _KINDS[kind]) or (isinstance(value, bool) and kind != "true or false"):
        yield Issue("structure-invalid", selecting(value, path, holder), f"needs {kind}")
    elif kind == "a number" and not measurable(Decimal(given)):
        yield Issue("value-out-of-range", path, "no measurement has this size")
    elif kind == "an integer" and not -(2**31) <= given < 2**31:
        yield Issue("value-out-of-range", path, "FHIR integers have 32 bits")


def _kind(hint: Any) -> str:
    """The JSON type that a hint of a wire record stands for, in words."""
    if get_origin(hint) is not Annotated:
        return _PLAIN[hint]
    said = get_args(hint)[1]
    return said if isinstance(said, str) else "an integer"
