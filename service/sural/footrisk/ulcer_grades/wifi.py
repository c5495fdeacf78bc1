"""WIfI: wound, ischaemia and foot infection, and the clinical stage they make.

Source: Mills et al. 2014. Grades, scope and footnotes were seen in restatements (idwiki; PMC11279131 Table 2; SVS guidance notes 2014;
PMC6200626 Table 1); the two tables of 64 cells are from memory and no printed page was reached: the output says so. Scope: a wound,
gangrene or ischaemic rest pain; never acute limb ischaemia.
"""

from collections.abc import Iterable
from decimal import Decimal
from itertools import product

from msgspec import Struct

from sural.exam.ankle_index import INDEX_INCOMPRESSIBLE
from sural.exam.examination import Limb, Ulcer
from sural.footrisk.arterial import ankle_index
from sural.footrisk.foot import Foot
from sural.footrisk.infection import InfectionGrade
from sural.footrisk.sources import WIFI, memory, seen

GRADES = seen(WIFI, "grades")
STAGES = memory(WIFI, "clinical stage, table from memory")
BENEFIT = memory(WIFI, "benefit of revascularisation, table from memory")
_LEVELS = "VLMH"
STAGE_NAMES = {"V": 1, "L": 2, "M": 3, "H": 4}
BENEFIT_NAMES = {"V": "very-low", "L": "low", "M": "moderate", "H": "high"}
_STAGE_TABLE = (
    ("VVLM", "VLMH", "LLMH", "LMMH"),
    ("VVLM", "VLMH", "LMHH", "MMHH"),
    ("LLMH", "MMHH", "MHHH", "HHHH"),
    ("MMHH", "HHHH", "HHHH", "HHHH"),
)
_BENEFIT_TABLE = (
    ("VVVV", "VLLM", "LLMM", "MHHH"),
    ("VVVV", "LMMM", "MHHH", "HHHH"),
    ("VVVV", "MMHH", "HHHH", "HHHH"),
    ("VVVV", "MMMH", "HHHH", "HHHH"),
)
_WOUND_BY_DEPTH = {"epithelialised": (0,), "skin": (1,), "subcutaneous": (1,), "tendon-or-capsule": (2,), "bone-or-joint": (2,)}
_HEEL = {"shallow": 2, "full-thickness": 3, "calcaneus": 3}
_INFECTION_BY_GRADE = {"1": 0, "2": 1, "3": 2, "3(O)": 2, "4": 3, "4(O)": 3}
_ANY = (0, 1, 2, 3)


class Wifi(Struct, frozen=True):
    """Every grade still possible of wound, ischaemia and infection; the stages and benefits over all combinations of them."""

    wound: tuple[int, ...]
    ischaemia: tuple[int, ...]
    infection: tuple[int, ...]
    notes: tuple[str, ...] = ()

    @property
    def stages(self) -> tuple[int, ...]:
        return tuple(sorted({STAGE_NAMES[self._cell(_STAGE_TABLE, *grades)] for grades in self._combinations()}))

    @property
    def benefits(self) -> tuple[str, ...]:
        cells = {self._cell(_BENEFIT_TABLE, *grades) for grades in self._combinations()}
        return tuple(BENEFIT_NAMES[level] for level in _LEVELS if level in cells)

    def _combinations(self) -> Iterable[tuple[int, int, int]]:
        return product(self.wound, self.ischaemia, self.infection)

    @staticmethod
    def _cell(table: tuple[tuple[str, ...], ...], wound: int, ischaemia: int, infection: int) -> str:
        return table[wound][ischaemia][infection]


def grade(foot: Foot, ulcer: Ulcer | None, infection: InfectionGrade) -> Wifi | None:
    """Grade one ulcer, or the foot when there is gangrene or rest pain without an ulcer; None outside the scope."""
    limb = foot.limb
    if limb.value("acute-limb-ischaemia") == "present":
        return None
    gangrene = gangrenous(limb)
    rest_pain = limb.value("rest-pain") == "present"
    if ulcer is None and not gangrene and not rest_pain:
        return None
    ischaemia, notes = _ischaemia(foot)
    wound = _wound(limb, ulcer)
    if ulcer is None and not gangrene and 3 not in ischaemia:
        notes = (*notes, "rest-pain-not-explained-by-grade")
    possible = _INFECTION_BY_GRADE[infection.at_least], _INFECTION_BY_GRADE[infection.at_most]
    return Wifi(wound, ischaemia, tuple(range(possible[0], possible[1] + 1)), notes)


def gangrenous(limb: Limb) -> bool:
    """Whether gangrene is recorded, or how far it goes."""
    return limb.value("gangrene") == "present" or limb.value("gangrene-extent") is not None


def _wound(limb: Limb, ulcer: Ulcer | None) -> tuple[int, ...]:
    """The wound grade as judged, else from depth, what is exposed, the heel and gangrene. Depth outranks size."""
    judged = ulcer.details.get("ulcer-wound-grade") if ulcer else None
    if judged is not None:
        return (int(judged.number),)
    lowest = {0} if ulcer is None else set(_by_depth(ulcer))
    if ulcer is not None:
        heel = ulcer.value("ulcer-on-heel")
        if isinstance(heel, str) and heel in _HEEL:
            lowest = {max(grade, _HEEL[heel]) for grade in lowest}
        if ulcer.value("ulcer-exposes-bone") == "present":
            lowest = {max(grade, 2) for grade in lowest}
    if gangrenous(limb):
        extent = limb.value("gangrene-extent")
        by_gangrene = {"digits": (2,), "forefoot-or-more": (3,)}.get(str(extent), (2, 3))
        lowest = {max(grade, other) for grade in lowest for other in by_gangrene}
    return tuple(sorted(lowest))


def _by_depth(ulcer: Ulcer) -> tuple[int, ...]:
    depth = ulcer.value("ulcer-depth")
    return _WOUND_BY_DEPTH[str(depth)] if depth is not None else (1, 2, 3)


def _ischaemia(foot: Foot) -> tuple[tuple[int, ...], tuple[str, ...]]:
    """Toe pressure first; transcutaneous oxygen and a flat waveform only where it is missing; an incompressible index says nothing."""
    toe = foot.number("toe-pressure")
    if toe is not None:
        return (_toe_grade(toe),), ()
    measured = []
    index, _ = ankle_index(foot)
    incompressible = index is not None and index > INDEX_INCOMPRESSIBLE
    if index is not None and not incompressible:
        measured.append(_steps(index, (Decimal("0.80"), Decimal("0.60"), Decimal("0.40"))))
    ankle = foot.number("ankle-pressure")
    if ankle is not None and not incompressible:
        measured.append(0 if ankle > 100 else 1 if ankle > 70 else 2 if ankle >= 50 else 3)
    oxygen = foot.number("tcpo2")
    if oxygen is not None:
        measured.append(_toe_grade(oxygen))
    if foot.value("pedal-waveform") == "flat":
        measured.append(3)
    if measured:
        return (max(measured),), ()
    return _ANY, ("index-incompressible",) if incompressible else ()


def _toe_grade(pressure: Decimal) -> int:
    return _steps(pressure, (Decimal(60), Decimal(40), Decimal(30)))


def _steps(number: Decimal, limits: tuple[Decimal, ...]) -> int:
    """How many limits, from the best down, a number falls short of."""
    return sum(number < limit for limit in limits)
