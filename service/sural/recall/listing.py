"""Which entries are on a list, and in which order somebody should act on them."""

from collections.abc import Iterable, Iterator
from datetime import date
from typing import Any

from msgspec import Struct

from sural.footrisk.schemes import SCHEMES
from sural.recall.definitions import PLACES, STATES
from sural.recall.person import Entry, Known, judge

_PRESSING = ("stat", "asap", "urgent")
_NONE = len(_PRESSING), True
_ORDER = {place: rank for rank, place in enumerate(PLACES)}


class Wanted(Struct, frozen=True):
    """What a list is to hold: those in one of some states or places, all that ask for something when none is named; with a referral to one of
    some services that was not seen; of one record system, by the address of its FHIR endpoint."""

    as_of: date
    states: tuple[str, ...] = ()
    services: tuple[str, ...] = ()
    source: str = ""

    def takes(self, entry: Entry) -> bool:
        """Whether an entry is on the list."""
        if self.states and entry.place not in self.states and not any(state in self.states for state in entry.states):
            return False
        if not self.states and not entry.states:
            return False
        return not self.services or any(one.service in self.services for one in entry.referrals)

    def of_source(self, subject: str) -> bool:
        """Whether somebody is of the record system."""
        return not self.source or subject.startswith(f"{self.source}/")


KNOWN_STATES = tuple(dict.fromkeys((*STATES, *PLACES)))
"""What a list can be asked for."""


def urgency(entry: Entry) -> tuple[Any, ...]:
    """What entries are sorted by: referrals that cannot wait, late ones first; then the place, the category that is certain, the longest wait."""
    pressing = [(_PRESSING.index(one.priority), not one.late) for one in entry.referrals if one.priority in _PRESSING and one.state != "booked"]
    return min(pressing, default=_NONE), _ORDER[entry.place], -standing(entry), entry.due[1] if entry.due else date.min, entry.subject


def standing(entry: Entry) -> int:
    """Where the category that is certain, or that was and is not ruled out, stands: from 0 (lowest, or not known) to 3 (active)."""
    scheme = SCHEMES.get(entry.scheme)
    category = scheme.categories.get(entry.not_ruled_out or entry.at_least) if scheme else None
    return category.standing if category else 0


def listed_of(people: Iterable[Known], wanted: Wanted) -> Iterator[Entry]:
    """The entries of known people that are on a list, in their order."""
    for known in people:
        if wanted.of_source(known.subject):
            entry = judge(known, wanted.as_of)
            if wanted.takes(entry):
                yield entry


def sorted_by_urgency(entries: Iterable[Entry]) -> list[Entry]:
    """The entries in the order in which to act."""
    return sorted(entries, key=urgency)
