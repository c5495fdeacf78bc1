"""What stored resources lead to, and what leads to them, for includes."""

from collections.abc import Iterable, Sequence

from sqlalchemy import bindparam, select, tuple_

from sural.ledger.resources import Resources, Stored, as_it_stands, stored
from sural.ledger.tables import RESOURCE, SYMBOL, TERM

_NAMED = as_it_stands().where(tuple_(RESOURCE.c.type, RESOURCE.c.id).in_(bindparam("named", expanding=True)))
_SYMBOLS = select(SYMBOL.c.id).where(tuple_(SYMBOL.c.code, SYMBOL.c.system).in_(bindparam("named", expanding=True)))
_KEYS = select(TERM.c.resource).where(TERM.c.parameter == bindparam("number"), TERM.c.symbol.in_(_SYMBOLS))
_LEADING = as_it_stands().where(RESOURCE.c.key.in_(_KEYS)).order_by(RESOURCE.c.key).limit(bindparam("most"))


def including(resources: Resources, references: Iterable[str], kinds: Sequence[str]) -> list[Stored]:
    """The stored resources of some types that references lead to."""
    wanted = sorted({(kind, id) for one in references for kind, slash, id in [one.partition("/")] if slash and kind in kinds})
    if not wanted:
        return []
    with resources.database.reading() as connection:
        return [stored(row) for row in connection.execute(_NAMED, {"named": wanted})]


def leading_to(resources: Resources, number: int, found: Sequence[Stored], most: int) -> list[Stored]:
    """The stored resources whose reference parameter leads to one of those found."""
    if not found:
        return []
    named = sorted((one.id, one.type) for one in found)
    with resources.database.reading() as connection:
        rows = connection.execute(_LEADING, {"named": named, "number": number, "most": most})
        return [stored(row) for row in rows]
