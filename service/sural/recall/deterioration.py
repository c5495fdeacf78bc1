"""What has become worse between two successive answers about one person.

A change is named only when it is certain: the ranges do not overlap, or a state was known both times. That something is not known any more
is no deterioration of the feet, but of what is known of them, and is named apart (`newly-unsettled`).
"""

from collections.abc import Iterator

from msgspec import Struct

from sural.footrisk.schemes import SCHEMES
from sural.recall.snapshot import Range, Snapshot

_SIDES = ("left", "right")
_PERSON = "person"
_SENSATION, _ULCER, _HISTORY = "protective-sensation-lost", "foot-ulcer", "previous-foot-ulcer"


class Change(Struct, frozen=True, order=True):
    """One certain change: its code (see `definitions.CHANGES`), of what (a scheme, a factor, a modality), and on which side, where on one."""

    code: str
    of: str
    side: str = ""


def deterioration(before: Snapshot, after: Snapshot) -> tuple[Change, ...]:
    """What is certainly worse after than before, in the order of the codes. The same answer twice has none."""
    return (*_categories(before, after), *_factors(before, after), *_levels(before, after), *_unsettled(before, after))


def moved(scheme: str, before: Range, after: Range) -> str | None:
    """How a category has certainly moved: `worse`, `better`, `same`, or `overlapping` where it cannot be said; None outside the scale."""
    if scheme not in SCHEMES:
        return None
    ranks = {code: rank for rank, code in enumerate(SCHEMES[scheme].ladder.categories)}
    if any(code not in ranks for code in (*before, *after)):
        return None
    low, high, new_low, new_high = (ranks[code] for code in (*before, *after))
    if new_low > high:
        return "worse"
    if new_high < low:
        return "better"
    return "same" if low == high == new_low == new_high else "overlapping"


def _categories(before: Snapshot, after: Snapshot) -> Iterator[Change]:
    for scheme in SCHEMES:
        if scheme in before.ranges and scheme in after.ranges and moved(scheme, before.ranges[scheme], after.ranges[scheme]) == "worse":
            yield Change("category-up", scheme)


def _factors(before: Snapshot, after: Snapshot) -> Iterator[Change]:
    for code, factor in (("protective-sensation-newly-lost", _SENSATION), ("ulcer-new", _ULCER)):
        yield from (Change(code, factor, where if where in _SIDES else "") for where in _newly(factor, before, after))
    if _known(before, _ULCER) is False:
        yield from (Change("ulcer-history-new", _HISTORY, where if where in _SIDES else "") for where in _newly(_HISTORY, before, after))


def _newly(factor: str, before: Snapshot, after: Snapshot) -> tuple[str, ...]:
    """The sides on which a factor was absent and holds now; the person where no side tells it."""
    old, new = before.states.get(factor, {}), after.states.get(factor, {})
    sides = tuple(side for side in _SIDES if old.get(side) is False and new.get(side) is True)
    if sides:
        return sides
    return (_PERSON,) if old.get(_PERSON) is False and new.get(_PERSON) is True else ()


def _known(snapshot: Snapshot, factor: str) -> bool | None:
    return snapshot.states.get(factor, {}).get(_PERSON)


def _levels(before: Snapshot, after: Snapshot) -> Iterator[Change]:
    for modality in sorted(before.levels.keys() & after.levels.keys()):
        for side in _SIDES:
            old, new = before.levels[modality].get(side), after.levels[modality].get(side)
            if old and new and new[0] > old[1]:
                yield Change("reach-rising", modality, side)


def _unsettled(before: Snapshot, after: Snapshot) -> Iterator[Change]:
    for scheme in SCHEMES:
        old, new = before.ranges.get(scheme), after.ranges.get(scheme)
        if old and new and old[0] == old[1] and new[0] != new[1]:
            yield Change("newly-unsettled", scheme)
