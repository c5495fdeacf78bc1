"""Whether one version of a resource meets the criteria of a search, told from the resource alone, without the database.

A search looks in what is found by now; subscriptions need what a resource was found by when it changed. Both follow from `sural.ledger.parameters`.
"""

from collections.abc import Sequence
from datetime import datetime
from functools import cached_property

from sural.ledger.criteria import Asked, Criterion, Range
from sural.ledger.parameters import identifiers, spans, terms
from sural.ledger.resources import Stored


class Found:
    """One version of a resource, with what it is found by."""

    def __init__(self, stored: Stored) -> None:
        self.stored = stored

    @cached_property
    def _terms(self) -> set[tuple[int, str, str]]:
        return set(terms(self.stored.resource))

    @cached_property
    def _spans(self) -> list[tuple[int, int, int]]:
        return list(spans(self.stored.resource))

    @cached_property
    def _identifiers(self) -> set[tuple[str, str]]:
        return identifiers(self.stored.resource)

    @cached_property
    def _instant(self) -> int:
        return round(datetime.fromisoformat(self.stored.instant.replace("Z", "+00:00")).timestamp() * 1000)

    def meets(self, asked: Asked) -> bool:
        """Whether it is of the type and every criterion holds."""
        return self.stored.type == asked.kind and all(self._meets(one) for one in asked.criteria)

    def _meets(self, one: Criterion) -> bool:
        if one.ids:
            return self.stored.id in one.ids
        if one.identifiers:
            return any(value == code and system in (None, of) for value, system in one.identifiers for code, of in self._identifiers)
        if one.symbols:
            mine = [(code, system) for number, code, system in self._terms if number == one.number]
            met = any(code in (None, own) and system in (None, of) for code, system in one.symbols for own, of in mine)
            return met is not one.negated
        if one.number:
            return any(within(low, high, one.ranges) for number, low, high in self._spans if number == one.number)
        return any(self._changed(asked) for asked in one.ranges)

    def _changed(self, asked: Range) -> bool:
        """`_lastUpdated`, in whole milliseconds."""
        first, last = -(-asked.low // 1000), asked.high // 1000
        match asked.prefix:
            case "lt" | "eb":
                return self._instant < first
            case "gt" | "sa":
                return self._instant > last
            case "le":
                return self._instant <= last
            case "ge":
                return self._instant >= first
            case "ne":
                return not first <= self._instant <= last
        return first <= self._instant <= last


def within(low: int, high: int, ranges: Sequence[Range]) -> bool:
    """Whether a range of a resource meets one of those that are asked for; as `sural.ledger.ranges` has it for the database."""
    return any(_met(low, high, asked) for asked in ranges)


def _met(low: int, high: int, asked: Range) -> bool:
    inside = low >= asked.low and high <= asked.high
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
            return low <= asked.high and high >= asked.low
        case "ne":
            return not inside
        case "le":
            return low < asked.low or inside
        case "ge":
            return high > asked.high or inside
    return inside
