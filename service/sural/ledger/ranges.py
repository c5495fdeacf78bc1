"""Prefixes of dates and numbers as conditions on the range of a resource, and where in an index of beginnings such ranges lie.

Source: FHIR R4, search, prefixes: the range of the resource against the range that is asked for.
"""

from collections.abc import Sequence
from typing import Any, overload

from sqlalchemy import ColumnElement, false, or_

from sural.ledger.criteria import Range

LARGEST = 2**62
Condition = ColumnElement[bool]


def first_beginning(asked: Range, width: int) -> int:
    """The earliest beginning that a matching range can have."""
    match asked.prefix:
        case "eq":
            return asked.low
        case "sa":
            return asked.high + 1
        case "gt" | "ge" | "ap":
            return max(asked.low - width, -LARGEST)
    return -LARGEST


def last_beginning(asked: Range) -> int:
    """The latest beginning that a matching range can have."""
    return asked.high if asked.prefix in ("eq", "le", "ap") else asked.low - 1 if asked.prefix in ("lt", "eb") else LARGEST


def within(low: ColumnElement[int], high: ColumnElement[int], ranges: Sequence[Range]) -> Condition:
    """Whether a range of a resource meets one of those that are asked for."""
    return or_(*(meets(low, high, asked) for asked in ranges)) if ranges else false()


@overload
def meets(low: int, high: int, asked: Range) -> bool: ...
@overload
def meets(low: ColumnElement[int], high: ColumnElement[int], asked: Range) -> Condition: ...
def meets(low: Any, high: Any, asked: Range) -> Any:
    """Whether a range meets the one that is asked for: of numbers, or of columns as a condition for the database."""
    inside = (low >= asked.low) & (high <= asked.high)
    match asked.prefix:
        case "lt":
            return low < asked.low
        case "gt":
            return high > asked.high
        case "sa":
            return low > asked.high
        case "eb":
            return high < asked.low
        case "ap":
            return (low <= asked.high) & (high >= asked.low)
        case "ne":
            return (low < asked.low) | (high > asked.high)
        case "le":
            return (low < asked.low) | inside
        case "ge":
            return (high > asked.high) | inside
    return inside
