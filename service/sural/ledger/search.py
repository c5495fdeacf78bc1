"""Searches over stored answers: one page after the other, each in one statement that follows an index.

Of all criteria the one that fewest resources meet leads; the others are looked up for each resource that it gives. When many resources
meet each of them, the page is filled in the order of an index and no more is read than fills it. A position says where a page ended; with
the last resource (or change) that there was when the first page was read, so that a walk ends however many are stored meanwhile, and shows
nothing twice.

Source: FHIR R4, search, prefixes (the range of the resource against the range that is asked for).
"""

from collections.abc import Sequence
from heapq import merge
from typing import Any, Literal

from msgspec import Struct
from msgspec.structs import replace
from sqlalchemy import (
    ColumnElement,
    Connection,
    FromClause,
    Select,
    and_,
    bindparam,
    exists,
    func,
    not_,
    or_,
    select,
    tuple_,
)

from sural.issues import Issue, Refused
from sural.ledger.criteria import Asked, Criterion, Range
from sural.ledger.parameters import TAG, parameter
from sural.ledger.ranges import LARGEST, Condition, first_beginning, last_beginning, within
from sural.ledger.resources import Resources, Stored, as_it_stands, stored, symbols_of
from sural.ledger.tables import CHANGE, IDENTIFIER, RESOURCE, SPAN, SYMBOL, TERM, WIDEST

FEW = 1000
"""Up to so many resources are put in order as they are found; of more an index gives the order."""
HANDFUL = 20
"""When a criterion has so few, none of the others is counted."""
_MOST_SYMBOLS = 500
_ORDERS = {"_lastUpdated": "sequence", "_id": "id"}
"""The orders that are not of a date parameter."""


class Order(Struct, frozen=True):
    """What a search is sorted by: `_lastUpdated`, `_id`, or a date parameter; nothing in particular when the name is empty."""

    name: str = ""
    descending: bool = False


class Position(Struct, frozen=True):
    """Where a page ended: what the order was, the value and key of its last resource, and the last key or change of the first page."""

    by: str
    value: int | str
    key: int
    ceiling: int


class Page(Struct, frozen=True):
    """Matches in order; where the next page goes on, None on the last one; how many there are in all, where that was asked for or is known."""

    matches: tuple[Stored, ...]
    next: Position | None = None
    total: int | None = None


class _Lead(Struct, frozen=True):
    """What gives the resources: a criterion, all of a type, or nothing. `by` is the order that its index has."""

    by: Literal["key", "low", "sequence", "id"]
    criterion: Criterion | None = None
    symbols: tuple[int, ...] = ()


def search(resources: Resources, asked: Asked, count: int, order: Order | None = None, after: Position | None = None, total: bool = False) -> Page:
    """One page of a search with at most `count` matches. Raises Refused when a criterion is too wide to be looked up."""
    with resources.database.reading() as connection:
        return _Search(connection, asked, order or Order()).page(count, after, total)


def matching(connection: Connection, asked: Asked, most: int) -> list[Stored]:
    """The first matches of a search, within a transaction."""
    return list(_Search(connection, asked, Order()).page(most, None, False).matches)


def _counted(wanted: Select[Any]) -> Select[Any]:
    return select(func.count()).select_from(wanted.limit(FEW).subquery())


_TERM, _SPAN = TERM.alias(), SPAN.alias()
_OF_KEYS = as_it_stands().where(RESOURCE.c.key.in_(bindparam("keys", expanding=True)))
_FEW_TERMS = _counted(
    select(TERM.c.resource).where(TERM.c.parameter == bindparam("parameter"), TERM.c.symbol.in_(bindparam("symbols", expanding=True)))
)
_FEW_SPANS = _counted(
    select(SPAN.c.resource).where(SPAN.c.parameter == bindparam("parameter"), SPAN.c.low.between(bindparam("first"), bindparam("latest")))
)


class _Search:
    def __init__(self, connection: Connection, asked: Asked, order: Order) -> None:
        self._connection = connection
        self._kind = asked.kind
        self._order = order
        self._stays = connection.dialect.name == "postgresql"
        self._widest: dict[int, int] | None = None
        self._counts: dict[Criterion, int] = {}
        self._symbols = self._numbers([one for one in asked.criteria if one.symbols])
        self._criteria = asked.criteria
        self._dates = [one for one in asked.criteria if one.ranges and one.number]

    def page(self, count: int, after: Position | None, total: bool) -> Page:
        if any(one.symbols and not one.negated and not self._symbols[one] for one in self._criteria):
            return Page((), total=0)
        lead = self._lead()
        by = self._by(lead)
        if after is not None and after.by != by:
            by, lead = after.by, self._streaming(after.by)
        ceiling = after.ceiling if after else self._ceiling(by)
        rows = self._rows(lead, by, count + 1, after, ceiling) if count else []
        position = Position(by, rows[count - 1][1], rows[count - 1][0], ceiling) if count and len(rows) > count else None
        matches = tuple(self._contents([key for key, _ in rows[:count]]))
        known = len(matches) if after is None and position is None and count else None
        return Page(matches, position, known if known is not None else self._total(lead) if total or not count else None)

    # what leads

    def _lead(self) -> _Lead:
        """The criterion with fewest resources; or, where all have many, the one whose index has the order that is wanted."""
        best, fewest = None, FEW
        groups = {one.number or one.name: one for one in sorted(self._criteria, key=lambda one: bool(one.ranges)) if not one.negated}
        compared = len(groups) > 1 or self._order.name or any(len(self._symbols.get(one, ())) > 1 for one in groups.values())
        for one in groups.values():
            if fewest <= HANDFUL:
                break
            found = 0 if one.ids or one.identifiers else self._at_most_few(one) if compared else FEW
            if found < fewest:
                best, fewest = one, found
        if best is not None and best.name == "_lastUpdated":
            return _Lead("sequence")
        if best is not None and best.ranges:
            return _Lead("low", best)
        if best is not None:
            return _Lead("key", best, tuple(self._symbols.get(best, ())))
        if self._order.name:
            return self._streaming(_ORDERS.get(self._order.name, "low"))
        if self._dates:
            return self._streaming("low")
        if any(one.name == "_lastUpdated" for one in self._criteria):
            return self._streaming("sequence")
        return self._streaming("key")

    def _streaming(self, by: str) -> _Lead:
        """A lead that reads on in the order of an index."""
        if by == "low":
            number = self._sorted_by() if self._order.name else self._dates[0].number
            return _Lead("low", next((one for one in self._dates if one.number == number), Criterion(self._order.name, number)))
        if by == "sequence":
            return _Lead("sequence")
        if by == "id":
            return _Lead("id")
        terms = [one for one in self._criteria if one.symbols and not one.negated and one.number > 1]
        narrow = min(terms, key=lambda one: len(self._symbols[one]), default=None)
        return _Lead("key", narrow, tuple(self._symbols[narrow])) if narrow else _Lead("key")

    def _by(self, lead: _Lead) -> str:
        """The order of the results: the one asked for, else that of what leads."""
        return _ORDERS.get(self._order.name, "low") if self._order.name else lead.by

    def _sorted_by(self) -> int:
        one = parameter(self._kind, self._order.name)
        assert one is not None
        return one.number

    def _at_most_few(self, one: Criterion) -> int:
        """About how many resources meet a criterion, counted no further than FEW."""
        if one in self._counts:
            return self._counts[one]
        if one.symbols:
            counted, values = _FEW_TERMS, {"parameter": one.number, "symbols": self._symbols[one]}
        elif one.number:
            first, latest = self._bounds([other for other in self._dates if other.number == one.number])
            counted, values = _FEW_SPANS, {"parameter": one.number, "first": first, "latest": latest}
        else:
            updated = [self._in_sequence(other) for other in self._criteria if other.name == one.name]
            keys = select(RESOURCE.c.key).where(RESOURCE.c.type == self._kind, *updated)
            counted, values = select(func.count()).select_from(keys.limit(FEW).subquery()), {}
        self._counts[one] = int(self._connection.scalar(counted, values) or 0)
        return self._counts[one]

    # the rows

    def _contents(self, keys: Sequence[int]) -> list[Stored]:
        """The resources with some keys, in the order of these."""
        if not keys:
            return []
        found = {row[0]: stored(row) for row in self._connection.execute(_OF_KEYS, {"keys": keys})}
        return [found[key] for key in keys]

    def _rows(self, lead: _Lead, by: str, most: int, after: Position | None, ceiling: int) -> list[tuple[int, Any]]:
        """Keys with the value that they are sorted by. Several symbols with many resources each are read side by side."""
        if len(lead.symbols) > 1 and by == "key" and self._at_most_few(lead.criterion or Criterion("")) >= FEW:
            parts = [self._ordered(replace(lead, symbols=(one,)), by, most, after, ceiling) for one in lead.symbols]
            return list(dict.fromkeys(merge(*parts, reverse=self._order.descending)))[:most]
        return self._ordered(lead, by, most, after, ceiling)

    def _ordered(self, lead: _Lead, by: str, most: int, after: Position | None, ceiling: int) -> list[tuple[int, Any]]:
        key, value, wanted = self._from(lead, by)
        conditions: list[Condition] = [(RESOURCE.c.sequence if by == "sequence" else key) <= ceiling]
        down = self._order.descending
        if after is not None:
            if by == "low":
                here, there = tuple_(value, key), tuple_(after.value, after.key)
                conditions.append(here < there if down else here > there)
            else:
                conditions.append(value < after.value if down else value > after.value)
        columns = [value] if by != "low" else [value, key]
        wanted = wanted.where(*conditions).order_by(*(one.desc() if down else one for one in columns)).limit(most)
        return [(row[0], row[1]) for row in self._connection.execute(wanted)]

    def _from(self, lead: _Lead, by: str) -> tuple[ColumnElement[Any], ColumnElement[Any], Select[Any]]:
        """The key, the value of the order, and the statement without either."""
        one = lead.criterion
        key: ColumnElement[Any] = RESOURCE.c.key
        others = [other for other in self._criteria if other is not one]
        whole = by in ("sequence", "id") or any(not other.number and not other.identifiers for other in others)
        source: FromClause = RESOURCE
        led: list[Condition] = []
        if lead.by == "low" and one is not None:
            key, source = SPAN.c.resource, SPAN
            others = [other for other in others if other.number != one.number]
            led = [SPAN.c.parameter == one.number, *self._ranges(one)]
        elif len(lead.symbols) == 1 and one is not None and one.number != TAG.number:
            key, source = TERM.c.resource, TERM
            led = [TERM.c.parameter == one.number, TERM.c.symbol == lead.symbols[0]]
        elif one is not None and not one.ids:
            mine = self._keys(one).distinct().subquery()
            key, source, whole = mine.c.resource, mine, True
            led = [RESOURCE.c.type == self._kind]
        else:
            whole, led = False, [RESOURCE.c.type == self._kind, *([self._probe(one, key)] if one is not None else [])]
        if whole:
            source = source.join(RESOURCE, RESOURCE.c.key == key)
        value: ColumnElement[Any] = {"sequence": RESOURCE.c.sequence, "id": RESOURCE.c.id, "low": SPAN.c.low}.get(by, key)
        if by == "low" and lead.by != "low":
            source = source.join(SPAN, and_(SPAN.c.resource == key, SPAN.c.parameter == self._sorted_by()))
        return key, value, select(key, value).select_from(source).where(*led, *(self._probe(other, key) for other in others))

    def _total(self, lead: _Lead) -> int:
        """How many there are, whatever the page."""
        self._stays = False
        _, _, wanted = self._from(lead, lead.by)
        return int(self._connection.scalar(wanted.with_only_columns(func.count(), maintain_column_froms=True)) or 0)

    def _ceiling(self, by: str) -> int:
        """The last change, or the last resource, that there is now."""
        column = RESOURCE.c.sequence if by == "sequence" else RESOURCE.c.key
        return int(self._connection.scalar(select(func.max(column))) or 0)

    # one criterion

    def _keys(self, one: Criterion) -> Select[Any]:
        """The keys of the resources that meet a criterion, but for those on ids and changes."""
        if one.identifiers:
            return select(IDENTIFIER.c.resource).where(IDENTIFIER.c.type == self._kind, or_(*(_named(*each) for each in one.identifiers)))
        if one.symbols:
            return select(TERM.c.resource).where(TERM.c.parameter == one.number, TERM.c.symbol.in_(self._symbols[one]))
        return select(SPAN.c.resource).where(SPAN.c.parameter == one.number, *self._ranges(one))

    def _ranges(self, one: Criterion) -> list[Condition]:
        """What every criterion on the same date or number says of its range, with what that says of the beginning: an index has those."""
        same = [other for other in self._dates if other.number == one.number]
        if not same:
            return []
        first, latest = self._bounds(same)
        return [SPAN.c.low.between(first, latest), *(within(SPAN.c.low, SPAN.c.high, other.ranges) for other in same)]

    def _probe(self, one: Criterion, key: ColumnElement[Any]) -> Condition:
        """Whether the resource with a key meets a criterion."""
        if one.ids:
            return RESOURCE.c.id.in_(one.ids)
        if one.identifiers:
            return key.in_(self._keys(one))
        if one.symbols:
            symbols = self._symbols[one]
            of_symbol = _TERM.c.symbol == symbols[0] if len(symbols) == 1 else _TERM.c.symbol.in_(symbols)
            met = self._looked_up(select(_TERM.c.resource).where(_TERM.c.parameter == one.number, of_symbol, _TERM.c.resource == key))
            return not_(met) if one.negated else met
        if one.number:
            # the number is not compared as it is, so that no index but that of the resource is taken
            number = _SPAN.c.parameter + 0 == one.number
            return self._looked_up(select(_SPAN.c.resource).where(_SPAN.c.resource == key, number, within(_SPAN.c.low, _SPAN.c.high, one.ranges)))
        return self._in_sequence(one)

    def _looked_up(self, wanted: Select[Any]) -> Condition:
        """Whether a statement about one resource gives something. PostgreSQL would make a join of it, and may then begin at the wrong end:
        it takes parameter and symbol for independent, and thinks that few resources have both. With an offset it leaves it where it is."""
        return exists(wanted.offset(0) if self._stays else wanted)

    def _numbers(self, criteria: Sequence[Criterion]) -> dict[Criterion, list[int]]:
        """The numbers of the symbols of criteria; those that name code and system are looked up together."""
        exact = sorted({code for one in criteria for code, system in one.symbols if code is not None and system is not None})
        known = symbols_of(self._connection, exact) if exact else {}
        found: dict[Criterion, list[int]] = {}
        for one in criteria:
            numbers = [known[code, system] for code, system in one.symbols if code and system is not None and (code, system) in known]
            codes = [code for code, system in one.symbols if system is None]
            systems = [system for code, system in one.symbols if code is None]
            if codes or systems:
                which = or_(SYMBOL.c.code.in_(codes), SYMBOL.c.system.in_(systems)) if systems else SYMBOL.c.code.in_(codes)
                numbers += self._connection.scalars(select(SYMBOL.c.id).where(which).limit(_MOST_SYMBOLS + 1))
            if len(numbers) > _MOST_SYMBOLS:
                raise Refused(Issue("search-too-costly", f"http.{one.name}"))
            found[one] = list(dict.fromkeys(numbers))
        return found

    def _bounds(self, same: Sequence[Criterion]) -> tuple[int, int]:
        """The first and last beginning of ranges that meet criteria on one date or number: none is wider than the widest ever stored."""
        first, latest = -LARGEST, LARGEST
        for one in same:
            width = self._widths().get(one.number, 0)
            first = max(first, min(first_beginning(asked, width) for asked in one.ranges))
            latest = min(latest, max(last_beginning(asked) for asked in one.ranges))
        return first, latest

    def _widths(self) -> dict[int, int]:
        """The widest range of each parameter."""
        if self._widest is None:
            self._widest = {row.parameter: row.width for row in self._connection.execute(select(WIDEST))}
        return self._widest

    def _in_sequence(self, one: Criterion) -> Condition:
        """`_lastUpdated` as numbers of changes: instants never go back from one change to the next."""
        return or_(*(self._changed(asked) for asked in one.ranges))

    def _changed(self, asked: Range) -> Condition:
        before, last = self._number(-(-asked.low // 1000)), self._number(asked.high // 1000 + 1)
        sequence = RESOURCE.c.sequence
        match asked.prefix:
            case "lt" | "eb":
                return sequence < before
            case "gt" | "sa":
                return sequence >= last
            case "le":
                return sequence < last
            case "ge":
                return sequence >= before
            case "ne":
                return or_(sequence < before, sequence >= last)
        return and_(sequence >= before, sequence < last)

    def _number(self, instant: int) -> int:
        """The number of the first change at an instant (milliseconds) or later; one more than the last where there is none."""
        found = self._connection.scalar(select(CHANGE.c.sequence).where(CHANGE.c.instant >= instant).order_by(CHANGE.c.instant, CHANGE.c.sequence).limit(1))
        return int(found) if found is not None else 2**62


def _named(value: str, system: str | None) -> Condition:
    return and_(IDENTIFIER.c.value == value, *([IDENTIFIER.c.system == system] if system is not None else []))
