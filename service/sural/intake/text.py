"""JSON text parsed with care: UTF-8 only, nesting limited, numbers exact, and properties that stand twice noticed.

The tree is there to be judged. What is read comes from the bytes themselves.
"""

import json
from collections import Counter
from decimal import Decimal, InvalidOperation
from typing import Any

import msgspec
from msgspec import Raw

from sural.issues import Issue, Refused

MAX_DEPTH = 100
_LONGEST_INTEGER = 1000
_valid = msgspec.json.Decoder(Raw)


class Doubled(dict[str, Any]):
    """A JSON object in which properties stand more than once; it holds the last of each."""

    names: tuple[str, ...]


def parse(data: bytes) -> Any:
    """The tree of a JSON text. Raises Refused when it is not JSON, not UTF-8 without a byte order mark, or nested too deep.

    Source: RFC 8259, 8.1 (UTF-8, no byte order mark) and 8.2 (a half surrogate pair is no character).
    """
    try:
        text = data.decode()
    except UnicodeDecodeError:
        raise Refused(Issue("not-json", diagnostics="not UTF-8")) from None
    if text.startswith("\ufeff"):
        raise Refused(Issue("not-json", diagnostics="a byte order mark stands before the text"))
    try:
        tree = json.loads(text, object_pairs_hook=_object, parse_constant=_no_constant, parse_int=_integer, parse_float=_number)
        _valid.decode(data)
    except json.JSONDecodeError as fault:
        where = f"line {fault.lineno}, column {fault.colno}" if "\n" in text else f"column {fault.colno}"
        raise Refused(Issue("not-json", diagnostics=where)) from None
    except RecursionError:
        raise Refused(Issue("too-deep", diagnostics=f"limit: {MAX_DEPTH} levels")) from None
    except _NotJson as fault:
        raise Refused(Issue("not-json", diagnostics=str(fault))) from None
    except msgspec.DecodeError:
        raise Refused(Issue("not-json", diagnostics="half a character in a text")) from None
    if _depth_exceeds(tree, MAX_DEPTH):
        raise Refused(Issue("too-deep", diagnostics=f"limit: {MAX_DEPTH} levels"))
    return tree


def is_utf8(data: bytes) -> bool:
    """Whether the bytes are UTF-8: the parser that skips what is not read does not look."""
    if data.isascii():
        return True
    try:
        data.decode()
    except UnicodeDecodeError:
        return False
    return True


class _NotJson(Exception):
    """Something that a lenient parser would take."""


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    plain = dict(pairs)
    if len(plain) == len(pairs):
        return plain
    doubled = Doubled(plain)
    counted = Counter(name for name, _ in pairs)
    doubled.names = tuple(name for name in plain if counted[name] > 1)
    return doubled


def _no_constant(_: str) -> Any:
    raise _NotJson("NaN and Infinity are not JSON")


def _number(text: str) -> Decimal:
    try:
        return Decimal(text)
    except InvalidOperation:  # an exponent beyond all bounds
        return Decimal("Infinity")


def _integer(text: str) -> Any:
    return int(text) if len(text) <= _LONGEST_INTEGER else _number(text)


def _depth_exceeds(node: Any, limit: int) -> bool:
    level = [node]
    for _ in range(limit):
        level = [child for parent in level for child in _children(parent)]
        if not level:
            return False
    return True


def _children(node: Any) -> list[Any]:
    values = node.values() if isinstance(node, dict) else node if isinstance(node, list) else ()
    return [value for value in values if isinstance(value, dict | list)]
