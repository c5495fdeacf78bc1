"""What stored resources lead to, and what leads to them, for includes."""

from collections.abc import Iterable, Sequence

from sqlalchemy import bindparam, select

from sural.ledger.resources import Resources, Stored, as_it_stands, stored, symbols_of
from sural.ledger.tables import RESOURCE, TERM

_NAMED = as_it_stands().where(RESOURCE.c.type == bindparam("kind"), RESOURCE.c.id.in_(bindparam("ids", expanding=True)))
_KEYS = select(TERM.c.resource).where(TERM.c.parameter == bindparam("number"), TERM.c.symbol.in_(bindparam("symbols", expanding=True)))
_LEADING = as_it_stands().where(RESOURCE.c.key.in_(_KEYS)).order_by(RESOURCE.c.key).limit(bindparam("most"))


def including(resources: Resources, references: Iterable[str], kinds: Sequence[str]) -> list[Stored]:
    """The stored resources of some types that references lead to."""
    wanted: dict[str, set[str]] = {}
    for kind, slash, id in (one.partition("/") for one in references):
        if slash and kind in kinds:
            wanted.setdefault(kind, set()).add(id)
    with resources.database.reading() as connection:
        rows = [row for kind, ids in wanted.items() for row in connection.execute(_NAMED, {"kind": kind, "ids": sorted(ids)})]
    return [stored(row) for row in rows]


def leading_to(resources: Resources, number: int, found: Sequence[Stored], most: int) -> list[Stored]:
    """The stored resources whose reference parameter leads to one of those found."""
    if not found:
        return []
    with resources.database.reading() as connection:
        known = symbols_of(connection, sorted({one.id for one in found}))
        symbols = [known[one.id, one.type] for one in found if (one.id, one.type) in known]
        rows = connection.execute(_LEADING, {"symbols": symbols, "number": number, "most": most}) if symbols else ()
        return [stored(row) for row in rows]
