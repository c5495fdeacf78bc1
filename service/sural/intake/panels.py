"""Panels: Observations that group others through `hasMember` and may state their place and time for them."""

from msgspec import Struct

from sural.exam.moment import Moment, moment, period
from sural.intake import wire
from sural.intake.documents import Item
from sural.intake.references import References
from sural.intake.where import Where
from sural.terminology.lexicon import Lexicon
from sural.terminology.site import BILATERAL

USABLE = frozenset({"final", "amended", "corrected"})


class Inherited(Struct, frozen=True):
    """What the panels above a member state: a place and a time, each from the nearest that states one."""

    where: Where = Where()
    moment: Moment | None = None
    conflict: bool = False


NOTHING_ABOVE = Inherited()


class Panels:
    """Which panels an Observation is a member of."""

    def __init__(self, lexicon: Lexicon, references: References, preliminary: bool) -> None:
        self._lexicon = lexicon
        self._references = references
        self._statuses = USABLE | {"preliminary"} if preliminary else USABLE
        self._above: dict[int, list[Item]] = {}

    def add(self, member: Item, panel: Item) -> None:
        """Note that one Observation is a member of another."""
        self._above.setdefault(member.index, []).append(panel)

    def inherited(self, member: Item) -> Inherited:
        """What is stated above a member, nearest first. A panel that is no evidence, or about someone else, states nothing.

        Two panels at the same distance that name different sides, one of them not both, are a conflict.
        """
        if member.index not in self._above:
            return NOTHING_ABOVE
        side, site, when = None, None, None
        conflict = False
        seen = {member.index}
        level = self._above[member.index]
        while level:
            panels = [panel for panel in level if panel.index not in seen and self._speaks(panel, member)]
            seen.update(panel.index for panel in level)
            places = [self._lexicon.places[bytes(panel.record.bodySite)] for panel in panels if panel.record.bodySite]
            sides = {place.side for place in places if place.side and place.trouble in (None, "site-not-mapped")}
            one = sides - {BILATERAL} or sides
            conflict = conflict or (side is None and len(one) > 1)
            if side is None and len(one) == 1:
                side = one.pop()
                site = next((place.site for place in places if place.side == side), None)
            times = {found.text: found for panel in panels if (found := effective(panel.record)) is not None}
            if when is None and len(times) == 1:
                when = next(iter(times.values()))
            level = [above for panel in panels for above in self._above.get(panel.index, ())]
        return Inherited(Where(side, site), when, conflict)

    def _speaks(self, panel: Item, member: Item) -> bool:
        record = panel.record
        if not isinstance(record, wire.Observation) or record.status not in self._statuses:
            return False
        if record.modifierExtension or record.implicitRules is not None or record.focus:
            return False
        whose, theirs = (self._references.subject(item.record.subject, item) for item in (panel, member))
        return whose is None or theirs is None or whose is theirs


def effective(record: wire.Observation) -> Moment | None:
    """When the finding was made: effectiveDateTime, effectiveInstant or effectivePeriod; a Timing is not read."""
    if record.effectiveDateTime is not None:
        return moment(record.effectiveDateTime)
    if record.effectiveInstant is not None:
        return moment(record.effectiveInstant)
    if record.effectivePeriod is not None:
        return period(record.effectivePeriod.start, record.effectivePeriod.end)
    return None
