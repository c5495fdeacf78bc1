"""SINBAD: site, ischaemia, neuropathy, bacterial infection, area and depth, one point each.

Source: Ince et al. 2008; the table was seen in World J Diabetes 2022;13:1049 Table 4 and the IWGDF 2023 classification guideline. Report the
items, not only the sum; do not use the sum to tell one person their prognosis (IWGDF 2019 recommendation 2, seen).
"""

from decimal import Decimal

from msgspec import Struct

from sural.evidence.span import Span, between, exactly, total
from sural.evidence.truth import NO, UNKNOWN, YES, Truth
from sural.exam.examination import Ulcer
from sural.footrisk.foot import Foot
from sural.footrisk.infection import InfectionGrade
from sural.footrisk.sources import SINBAD, seen

CITATION = seen(SINBAD, "Table 4")
AREA = Decimal(1)
ITEMS = ("site", "ischaemia", "neuropathy", "infection", "area", "depth")
_DEEP = ("tendon-or-capsule", "bone-or-joint")


class Sinbad(Struct, frozen=True):
    """Each item as a truth, and the sum of what is known and possible."""

    items: dict[str, Truth]
    score: Span

    @property
    def missing(self) -> tuple[str, ...]:
        return tuple(item for item, truth in self.items.items() if truth is UNKNOWN)


def grade(foot: Foot, ulcer: Ulcer, infection: InfectionGrade) -> Sinbad:
    """Grade one ulcer."""
    area = ulcer.details.get("ulcer-area")
    depth = ulcer.value("ulcer-depth")
    site = ulcer_third(ulcer)
    items = {
        "site": UNKNOWN if site is None else NO if site == "forefoot" else YES,
        "ischaemia": _ischaemia(foot),
        "neuropathy": _truth(foot, "protective-sensation-lost"),
        "infection": infection.infected,
        "area": UNKNOWN if area is None else YES if area.number >= AREA else NO,
        "depth": UNKNOWN if depth is None else YES if depth in _DEEP else NO,
    }
    return Sinbad(items, total(exactly(int(t is YES)) if t is not UNKNOWN else between(0, 1) for t in items.values()))


def ulcer_third(ulcer: Ulcer) -> str | None:
    """Forefoot, midfoot or hindfoot: as recorded, else by the site of the ulcer."""
    recorded = ulcer.value("ulcer-site")
    if isinstance(recorded, str):
        return recorded
    site = ulcer.present.site
    return site.ulcer_site if site else None


def _ischaemia(foot: Foot) -> Truth:
    """None while at least one pulse of the foot is palpable; clinical evidence of reduced flow otherwise."""
    pulses = [foot.value("dorsalis-pedis-pulse"), foot.value("posterior-tibial-pulse")]
    if any(pulse in ("present", "reduced") for pulse in pulses):
        return NO
    return _truth(foot, "arterial-disease")


def _truth(foot: Foot, factor: str) -> Truth:
    fact = foot.facts.get(factor)
    return fact.truth if fact else UNKNOWN
