"""Recall lists over a ledger: everybody who is known is judged, one part after the other, in the order of their references."""

from collections.abc import Iterator

from sural.ledger.knowing import Knowing
from sural.recall.listing import Wanted, listed_of
from sural.recall.person import Entry


def entries(knowing: Knowing, wanted: Wanted, after: str = "") -> Iterator[Entry]:
    """The entries of a list after a reference; facts of a few hundred persons are held at a time."""
    return listed_of(knowing.persons(after), wanted)


def page(knowing: Knowing, wanted: Wanted, count: int, after: str = "") -> tuple[list[Entry], str | None]:
    """At most `count` persons of a list, and the reference after which the next page begins; None on the last one."""
    found: list[Entry] = []
    for entry in entries(knowing, wanted, after):
        if len(found) == count:
            return found, found[-1].subject
        found.append(entry)
    return found, None
