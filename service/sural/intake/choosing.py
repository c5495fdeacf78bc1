"""Which of several readings of the same thing is taken: the newest, and of those that tie the worse.

A finding is newest when none begins later than it may have ended; partial dates and exact ones on the same day therefore tie. What
lasts (history, diabetes, a known arterial diagnosis) is never undone by a later "no": the two contradict each other and the adverse one
is taken.
"""

from decimal import Decimal
from math import inf

import msgspec
from msgspec import Struct

from sural.exam.ankle_index import adverse_index
from sural.exam.finding import Finding


class Choice(Struct):
    """The reading taken, those that contradict it, those that repeat it and those whose details it took over."""

    taken: Finding
    against: tuple[Finding, ...] = ()
    repeated: tuple[Finding, ...] = ()
    joined: tuple[Finding, ...] = ()


def choose(found: list[Finding]) -> Choice:
    """The newest of several, or the worst of those that tie."""
    concept = found[0].concept
    contenders = newest(found) if concept.expires else found
    taken = max(contenders, key=order)
    against = tuple(one for one in contenders if one.value != taken.value and contradicts(taken, one))
    same = [one for one in contenders if one is not taken and one.value == taken.value and not (one.assumed or taken.assumed)]
    if concept.code != "foot-deformity":
        return Choice(taken, () if concept.series else against, tuple(same))
    joined = tuple(one for one in same if one.details != taken.details)
    details = tuple(dict.fromkeys(detail for one in (taken, *joined) for detail in one.details))
    repeated = tuple(one for one in same if one not in joined)
    return Choice(msgspec.structs.replace(taken, details=details) if joined else taken, against, repeated, joined)


def newest(found: list[Finding]) -> list[Finding]:
    """The findings that may be the newest."""
    latest = max(start(finding) for finding in found)
    return [finding for finding in found if end(finding) >= latest]


def order(finding: Finding) -> tuple[object, ...]:
    """Worse readings last; among equals the later one, then a fixed order that does not depend on the input's."""
    source = finding.source
    return (
        _severity(finding),
        end(finding),
        start(finding),
        source.issued if source else "",
        (source.reference or "") if source else "",
        str(finding.value),
    )


def _severity(finding: Finding) -> tuple[int, Decimal]:
    """As the concept says; of the ankle index both ends are worse than the middle."""
    if finding.concept.code == "ankle-brachial-index":
        return adverse_index(finding.number)
    return finding.concept.severity(finding.value)


def contradicts(taken: Finding, other: Finding) -> bool:
    """Whether two readings of the same thing cannot both be right; two adverse ones that last can (a toe, later the foot)."""
    concept = taken.concept
    if concept.expires or not concept.answers:
        return True
    return concept.adverse(taken.value) != concept.adverse(other.value)


def start(finding: Finding) -> float:
    """The earliest instant a finding may be of; an undated one may be of any time."""
    return finding.moment.start if finding.moment else -inf


def end(finding: Finding) -> float:
    """The latest instant a finding may be of."""
    return finding.moment.end if finding.moment else inf


def site_code(finding: Finding) -> str:
    """The site a finding is filed under; the great toe has one name."""
    site = finding.site
    if site is None:
        return ""
    return "hallux" if site.code == "toe-1" else site.code
