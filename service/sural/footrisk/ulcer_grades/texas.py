"""University of Texas classification: grade by depth, stage by infection and ischaemia.

Source: Armstrong et al. 1998; grades and stages were seen in World J Diabetes 2022;13:1049 Table 2. Its own limits for ischaemia are from
memory and not used: ischaemia here is arterial disease of the foot.
"""

from msgspec import Struct

from sural.evidence.truth import UNKNOWN, YES, Truth
from sural.exam.examination import Ulcer
from sural.footrisk.foot import Foot
from sural.footrisk.infection import InfectionGrade
from sural.footrisk.sources import TEXAS, seen

CITATION = seen(TEXAS, "Table 2")
_GRADES = {"epithelialised": 0, "skin": 1, "subcutaneous": 1, "tendon-or-capsule": 2, "bone-or-joint": 3}


class Texas(Struct, frozen=True):
    """Every cell still possible, such as 2C; `cell` when there is one."""

    possible: tuple[str, ...]

    @property
    def cell(self) -> str | None:
        return self.possible[0] if len(self.possible) == 1 else None


def grade(foot: Foot, ulcer: Ulcer, infection: InfectionGrade) -> Texas:
    """Grade one ulcer."""
    depth = ulcer.value("ulcer-depth")
    grades = (0, 1, 2, 3) if depth is None else (_GRADES[str(depth)],)
    fact = foot.facts.get("arterial-disease")
    stages = _stages(infection.infected, fact.truth if fact else UNKNOWN)
    return Texas(tuple(f"{number}{stage}" for number in grades for stage in stages))


def _stages(infected: Truth, ischaemic: Truth) -> tuple[str, ...]:
    possible = {
        "ABCD"[infection + 2 * ischaemia] for infection in _completions(infected) for ischaemia in _completions(ischaemic)
    }
    return tuple(sorted(possible))


def _completions(truth: Truth) -> tuple[int, ...]:
    return (0, 1) if truth is UNKNOWN else (int(truth is YES),)
