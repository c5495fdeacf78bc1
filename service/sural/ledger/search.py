"""Searches over stored answers: one page after the other, each in one statement that follows an index.

Of all criteria the one that fewest resources meet leads; the others are looked up for each resource that it gives. When many resources
meet each of them, the page is filled in the order of an index and no more is read than fills it. A position says where a page ended; with
the last resource (or change) that there was when the first page was read, so that a walk ends however many are stored meanwhile, and shows
nothing twice.

Source: FHIR R4, search, prefixes (the range of the resource against the range that is asked for).
"""

from collections.abc import Iterable, Sequence
from heapq import merge
from typing import Any, Literal

from msgspec import Struct
from msgspec.structs import replace
from sqlalchemy import ColumnElement, Connection, FromClause, Select, and_, exists, false, func, not_, or_, select, tuple_

from sural.issues import Issue, Refused
from sural.ledger.criteria import Asked, Criterion, Range
from sural.ledger.parameters import TAG, parameter
from sural.ledger.resources import COLUMNS, Resources, Stored, stored
from sural.ledger.tables import CHANGE, IDENTIFIER, RESOURCE, SPAN, SYMBOL, TERM, WIDEST

FEW = 1000
"""Up to so many resources are put in order as they are found; of more an index gives the order."""
HANDFUL = 20
"""When a criterion has so few, none of the others is counted."""
_MOST_SYMBOLS = 500
_ORDERS = {"_lastUpdated": "sequence", "_id": "id"}
"""The orders that are not of a date parameter."""
Condition = ColumnElement[bool]


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


def including(resources: Resources, references: Iterable[str], kinds: Sequence[str]) -> list[Stored]:
    """The stored resources of some types that references lead to."""
    wanted = sorted({(kind, id) for one in references for kind, slash, id in [one.partition("/")] if slash and kind in kinds})
    if not wanted:
        return []
    with resources.database.reading() as connection:
        return [stored(row) for row in connection.execute(_all().where(tuple_(RESOURCE.c.type, RESOURCE.c.id).in_(wanted)))]


def leading_to(resources: Resources, number: int, found: Sequence[Stored], most: int) -> list[Stored]:
    """The stored resources whose reference parameter leads to one of those found."""
    with resources.database.reading() as connection:
        pairs = [(one.id, one.type) for one in found]
        symbols = select(SYMBOL.c.id).where(tuple_(SYMBOL.c.code, SYMBOL.c.system).in_(pairs))
        keys = select(TERM.c.resource).where(TERM.c.parameter == number, TERM.c.symbol.in_(symbols))
        wanted = _all().where(RESOURCE.c.key.in_(keys)).order_by(RESOURCE.c.key).limit(most)
        return [stored(row) for row in connection.execute(wanted)] if pairs else []


def _all() -> Select[Any]:
    return select(*COLUMNS).select_from(RESOURCE).join(CHANGE, CHANGE.c.sequence == RESOURCE.c.sequence)


class _Search:
    def __init__(self, connection: Connection, asked: Asked, order: Order) -> None:
        self._connection = connection
        self._kind = asked.kind
        self._order = order
        self._widest: dict[int, int] | None = None
        self._symbols = {one: self._numbers(one) for one in asked.criteria if one.symbols}
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
        last = rows[count - 1] if count and len(rows) > count else None
        position = Position(by, last[-1], last[0], ceiling) if last is not None else None
        matches = tuple(stored(row[:-1]) for row in rows[:count])
        known = len(matches) if after is None and position is None and count else None
        return Page(matches, position, known if known is not None else self._total(lead) if total or not count else None)

    # what leads

    def _lead(self) -> _Lead:
        """The criterion with fewest resources; or, where all have many, the one whose index has the order that is wanted."""
        best, fewest = None, FEW
        for one in sorted(self._criteria, key=lambda one: bool(one.ranges)):
            if fewest <= HANDFUL:
                break
            found = FEW if one.negated else 0 if one.ids or one.identifiers else self._at_most_few(one)
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
        """How many resources meet a criterion, counted no further than FEW."""
        if one.number:
            keys = self._keys(one)
        else:
            updated = [self._in_sequence(other) for other in self._criteria if other.name == one.name]
            keys = select(RESOURCE.c.key).where(RESOURCE.c.type == self._kind, *updated)
        return int(self._connection.scalar(select(func.count()).select_from(keys.limit(FEW).subquery())) or 0)

    # the rows

    def _rows(self, lead: _Lead, by: str, most: int, after: Position | None, ceiling: int) -> list[Any]:
        """Rows of COLUMNS with the value that they are sorted by. Several symbols with many resources each are read side by side."""
        if len(lead.symbols) > 1 and by == "key" and not self._few(lead):
            parts = [self._ordered(replace(lead, symbols=(one,)), by, most, after, ceiling) for one in lead.symbols]
            unique: dict[int, Any] = {}
            for row in merge(*parts, key=lambda row: row[0], reverse=self._order.descending):
                unique.setdefault(row[0], row)
            return list(unique.values())[:most]
        return self._ordered(lead, by, most, after, ceiling)

    def _few(self, lead: _Lead) -> bool:
        return lead.criterion is not None and self._at_most_few(lead.criterion) < FEW

    def _ordered(self, lead: _Lead, by: str, most: int, after: Position | None, ceiling: int) -> list[Any]:
        key, value, wanted = self._from(lead, by)
        limit = RESOURCE.c.sequence if by == "sequence" else key
        wanted = wanted.where(limit <= ceiling)
        down = self._order.descending
        if after is not None:
            if by in ("key", "sequence", "id"):
                wanted = wanted.where(value < after.value if down else value > after.value)
            else:
                here, there = tuple_(value, key), tuple_(after.value, after.key)
                wanted = wanted.where(here < there if down else here > there)
        columns = [value] if by != "low" else [value, key]
        found = wanted.order_by(*(one.desc() if down else one.asc() for one in columns)).limit(most).subquery()
        standing = RESOURCE.join(CHANGE, CHANGE.c.sequence == RESOURCE.c.sequence)
        whole = select(*COLUMNS, found.c.value).select_from(found.join(standing, RESOURCE.c.key == found.c.key))
        ordered = [found.c.value] if by != "low" else [found.c.value, found.c.key]
        return [tuple(row) for row in self._connection.execute(whole.order_by(*(one.desc() if down else one.asc() for one in ordered)))]

    def _from(self, lead: _Lead, by: str) -> tuple[ColumnElement[Any], ColumnElement[Any], Select[Any]]:
        """The key, the value of the order, and the statement without either."""
        one, key = lead.criterion, RESOURCE.c.key
        source: FromClause = RESOURCE
        led: list[Condition] = [RESOURCE.c.type == self._kind]
        others = [other for other in self._criteria if other is not one]
        if lead.by == "low" and one is not None:
            key, source = SPAN.c.resource, SPAN.join(RESOURCE, RESOURCE.c.key == SPAN.c.resource)
            others = [other for other in others if other.number != one.number]
            led = [SPAN.c.parameter == one.number, *self._ranges(one)]
        elif len(lead.symbols) == 1 and one is not None and one.number != TAG.number:
            key, source = TERM.c.resource, TERM.join(RESOURCE, RESOURCE.c.key == TERM.c.resource)
            led = [TERM.c.parameter == one.number, TERM.c.symbol == lead.symbols[0]]
        elif one is not None and not one.ids:
            mine = self._keys(one).distinct().subquery()
            source = mine.join(RESOURCE, RESOURCE.c.key == mine.c.resource)
        elif one is not None:
            led.append(self._probe(one, key))
        value: ColumnElement[Any] = {"sequence": RESOURCE.c.sequence, "id": RESOURCE.c.id, "low": SPAN.c.low}.get(by, key)
        if by == "low" and lead.by != "low":
            source = source.join(SPAN, and_(SPAN.c.resource == RESOURCE.c.key, SPAN.c.parameter == self._sorted_by()))
        wanted = select(key.label("key"), value.label("value")).select_from(source)
        return key, value, wanted.where(*led, *(self._probe(other, key) for other in others))

    def _total(self, lead: _Lead) -> int:
        """How many there are, whatever the page."""
        one, key = lead.criterion, RESOURCE.c.key
        conditions = [self._probe(other, key) for other in self._criteria if other is not one]
        if one in self._criteria:
            conditions.append(key.in_(self._keys(one)) if one.number else self._probe(one, key))
        counted = select(func.count()).select_from(RESOURCE).where(RESOURCE.c.type == self._kind, *conditions)
        return int(self._connection.scalar(counted) or 0)

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
        same = [other for other in self._criteria if other.ranges and other.number == one.number]
        return [condition for other in same for condition in (*self._bounds(other), _within(SPAN.c.low, SPAN.c.high, other.ranges))]

    def _probe(self, one: Criterion, key: ColumnElement[Any]) -> Condition:
        """Whether the resource with a key meets a criterion."""
        if one.ids:
            return RESOURCE.c.id.in_(one.ids)
        if one.identifiers:
            return key.in_(self._keys(one))
        if one.symbols:
            term = TERM.alias()
            met = exists().where(term.c.parameter == one.number, term.c.symbol.in_(self._symbols[one]), term.c.resource == key)
            return not_(met) if one.negated else met
        if one.number:
            span = SPAN.alias()
            number = span.c.parameter + 0  # so that no index but that of the resource is taken
            return exists().where(span.c.resource == key, number == one.number, _within(span.c.low, span.c.high, one.ranges))
        return self._in_sequence(one)

    def _numbers(self, one: Criterion) -> list[int]:
        """The numbers of the symbols of a criterion."""
        exact = [(code, system) for code, system in one.symbols if code is not None and system is not None]
        codes = [code for code, system in one.symbols if system is None]
        systems = [system for code, system in one.symbols if code is None]
        which = [tuple_(SYMBOL.c.code, SYMBOL.c.system).in_(exact)] if exact else []
        which += [SYMBOL.c.code.in_(codes)] if codes else []
        which += [SYMBOL.c.system.in_(systems)] if systems else []
        found = list(self._connection.scalars(select(SYMBOL.c.id).where(or_(*which)).limit(_MOST_SYMBOLS + 1)))
        if len(found) > _MOST_SYMBOLS:
            raise Refused(Issue("search-too-costly", f"http.{one.name}"))
        return found

    def _bounds(self, one: Criterion) -> list[Condition]:
        """Where in the index of beginnings the ranges lie that meet a criterion: no range is wider than the widest ever stored."""
        width = self._widths().get(one.number, 0)
        lows = [_first(asked, width) for asked in one.ranges]
        highs = [_latest(asked) for asked in one.ranges]
        found: list[Condition] = []
        if None not in lows:
            found.append(SPAN.c.low >= min(low for low in lows if low is not None))
        if None not in highs:
            found.append(SPAN.c.low <= max(high for high in highs if high is not None))
        return found

    def _widths(self) -> dict[int, int]:
        """The widest range of each parameter."""
        if self._widest is None:
            self._widest = {row.parameter: row.width for row in self._connection.execute(select(WIDEST))}
        return self._widest

    def _in_sequence(self, one: Criterion) -> Condition:
        """`_lastUpdated` as numbers of changes: instants never go back from one change to the next."""
        return or_(*(self._changed(asked) for asked in one.ranges))

    def _changed(self, asked: Range) -> Condition:
        low, high = -(-asked.low // 1000), asked.high // 1000
        before, last = self._number(low), self._number(high + 1)
        sequence = RESOURCE.c.sequence
        conditions: dict[str, Condition] = {
            "lt": sequence < before, "eb": sequence < before, "gt": sequence >= last, "sa": sequence >= last,
            "le": sequence < last, "ge": sequence >= before, "ne": or_(sequence < before, sequence >= last),
        }  # fmt: skip
        return conditions.get(asked.prefix, and_(sequence >= before, sequence < last))

    def _number(self, instant: int) -> int:
        """The number of the first change at an instant (milliseconds) or later; one more than the last where there is none."""
        found = self._connection.scalar(select(CHANGE.c.sequence).where(CHANGE.c.instant >= instant).order_by(CHANGE.c.instant, CHANGE.c.sequence).limit(1))
        return int(found) if found is not None else 2**62


def _named(value: str, system: str | None) -> Condition:
    return and_(IDENTIFIER.c.value == value, *([IDENTIFIER.c.system == system] if system is not None else []))


def _first(asked: Range, width: int) -> int | None:
    """The earliest beginning that a matching range can have."""
    if asked.prefix in ("eq",):
        return asked.low
    if asked.prefix == "sa":
        return asked.high + 1
    return asked.low - width if asked.prefix in ("gt", "ge", "ap") else None


def _latest(asked: Range) -> int | None:
    """The latest beginning that a matching range can have."""
    if asked.prefix in ("eq", "le", "ap"):
        return asked.high
    return asked.low - 1 if asked.prefix in ("lt", "eb") else None


def _within(low: ColumnElement[int], high: ColumnElement[int], ranges: Sequence[Range]) -> Condition:
    """Whether a range of a resource meets one of those that are asked for."""
    return or_(*(_meets(low, high, asked) for asked in ranges)) if ranges else false()


def _meets(low: ColumnElement[int], high: ColumnElement[int], asked: Range) -> Condition:
    inside = and_(low >= asked.low, high <= asked.high)
    conditions: dict[str, Condition] = {
        "ne": not_(inside), "lt": low < asked.low, "gt": high > asked.high, "le": or_(low < asked.low, inside),
        "ge": or_(high > asked.high, inside), "sa": low > asked.high, "eb": high < asked.low, "ap": and_(low <= asked.high, high >= asked.low),
    }  # fmt: skip
    return conditions.get(asked.prefix, inside)
