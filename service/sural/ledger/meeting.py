"""Whether one version of a resource meets the criteria of a search, told from the resource alone, without the database.

A search looks in what is found by now; subscriptions need what a resource was found by when it changed. Both follow from `sural.ledger.parameters`.
"""

from datetime import datetime
from functools import cached_property

from sural.ledger.criteria import Asked, Criterion, Range
from sural.ledger.parameters import identifiers, spans, terms
from sural.ledger.ranges import meets
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
            return any(
                meets(low, high, asked) for number, low, high in self._spans if number == one.number for asked in one.ranges
            )
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
