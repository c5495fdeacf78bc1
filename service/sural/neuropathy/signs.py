"""The signs and symptoms that the neuropathy rules ask about, worked out once per examination.

Three-valued throughout: a sign that was not tested is unknown, a foot that is not there has none.
"""

from collections.abc import Callable
from decimal import Decimal
from typing import Any, TypeVar

from msgspec import Struct

from sural.evidence.truth import NO, UNKNOWN, YES, Truth
from sural.exam.examination import Examination, Limb
from sural.exam.finding import Finding
from sural.neuropathy.reach import ANY, ARM_SITES, LEG_SITES, MODALITIES, TOES, TRUNK, Extent, arm_extent, leg_extent

SYMPTOMS = ("foot-pain-neuropathic", "foot-numbness", "foot-tingling")
LOST_REFLEX = ("reduced", "absent")
SMALL = ("pinprick", "temperature")
LARGE = ("light-touch", "monofilament", "vibration", "joint-position")

_GRADES = {"5": 0, "5-": 1, "4+": 1, "4": 1, "4-": 1, "3": 2, "2": 3, "1": 4, "0": 4}
VPT_NORMAL, VPT_ABNORMAL = Decimal(15), Decimal(25)

_ARM_SITES = frozenset(ARM_SITES)
_TOUCH = frozenset({"toe-touch", "monofilament-10g", "monofilament-foot", "monofilament-sites"})

T = TypeVar("T")


class Muscles(Struct, frozen=True):
    """A group of muscle tests."""

    name: str
    codes: frozenset[str]


PROXIMAL = Muscles(
    "proximal", frozenset(("power-hip-flexion", "power-hip-extension", "power-knee-extension", "power-knee-flexion"))
)
DISTAL = Muscles(
    "distal",
    frozenset(
        (
            "power-ankle-dorsiflexion",
            "power-ankle-plantarflexion",
            "power-ankle-eversion",
            "power-ankle-inversion",
            "power-great-toe-extension",
            "power-toe-flexion",
        )
    ),
)
LEGS = Muscles("legs", PROXIMAL.codes | DISTAL.codes)
ALL_MUSCLES = Muscles("all", LEGS.codes | {"power-finger-abduction", "power-thumb-abduction", "power-shoulder-abduction"})


class Sign(Struct, frozen=True, gc=False):
    """A sign with the findings that decide it."""

    truth: Truth
    findings: tuple[Finding, ...] = ()


_UNKNOWN_SIGN = Sign(UNKNOWN)


class Signs:
    """One examination seen by the neuropathy rules.

    `legs` and `arms` hold the level of each modality by side, `of_legs` and `of_arms` the same in one list; `lost` and `normal` the names of
    the modalities that are impaired on a leg, or normal, with the names of both legs and of either.
    """

    __slots__ = (
        "arms",
        "codes",
        "exam",
        "known",
        "legs",
        "lost",
        "lost_both",
        "lost_either",
        "normal",
        "normal_both",
        "normal_either",
        "of_arms",
        "of_legs",
        "power",
    )

    def __init__(self, exam: Examination) -> None:
        self.exam = exam
        self.known: dict[Any, Any] = {}
        self.codes = exam.recorded
        self.power = [
            (limb.side, code, finding)
            for limb in exam.limbs
            for code, finding in limb.findings.items()
            if code in ALL_MUSCLES.codes
        ]
        self.legs = {"left": _legs(exam.left, exam.right), "right": _legs(exam.right, exam.left)}
        self.arms = {"left": _arms(exam.left), "right": _arms(exam.right)}
        self.of_legs = [*self.legs["left"].values(), *self.legs["right"].values()]
        self.of_arms = [*self.arms["left"].values(), *self.arms["right"].values()]
        self.lost: dict[str, set[str]] = {"left": set(), "right": set()}
        self.normal: dict[str, set[str]] = {"left": set(), "right": set()}
        for side, leg in self.legs.items():
            for name, extent in leg.items():
                if extent.low > 0:
                    self.lost[side].add(name)
                elif extent.high == 0:
                    self.normal[side].add(name)
        self.lost_both, self.lost_either = _both_and_either(self.lost)
        self.normal_both, self.normal_either = _both_and_either(self.normal)

    # symptoms

    def symptoms(self) -> Sign:
        """Neuropathic symptoms of the feet: pain, numbness or tingling on either side."""
        return self.either(*SYMPTOMS)

    def symptom(self, code: str) -> Sign:
        """One symptom or sign, on either side."""
        return self.either(code)

    def either(self, *codes: str) -> Sign:
        """Present on either side; absent only when each of the findings is recorded absent on every side that is there."""
        sign = self.known.get(codes)
        if sign is None:
            sign = self.known[codes] = _UNKNOWN_SIGN if self.codes.isdisjoint(codes) else either(self.exam, codes)
        found: Sign = sign
        return found

    def person(self, code: str, *answers: str) -> Sign:
        """A person-level finding that has one of these answers."""
        finding = self.exam.person.get(code)
        if finding is None:
            return _UNKNOWN_SIGN
        return Sign(YES if finding.value in (answers or ("present",)) else NO, (finding,))

    # sensation

    def both(self, modality: str) -> Truth:
        """Whether a modality is impaired on both legs."""
        return YES if modality in self.lost_both else NO if modality in self.normal_either else UNKNOWN

    def findings_of_loss(self) -> tuple[Finding, ...]:
        """Everything that shows impaired sensation."""
        return _findings_of_loss(self)

    # reflexes and power

    def reflexes(self, code: str, answers: tuple[str, ...]) -> Sign:
        """Whether a reflex has one of these answers on both sides."""
        key = (code, answers)
        known: Sign | None = self.known.get(key)
        if known is None:
            left, right = self.exam.left.findings.get(code), self.exam.right.findings.get(code)
            if left is None and right is None:
                self.known[key] = _UNKNOWN_SIGN
                return _UNKNOWN_SIGN
            found = tuple([finding for finding in (left, right) if finding is not None])
            lost = [finding.value in answers for finding in found]
            truth = NO if False in lost else YES if len(found) == 2 else UNKNOWN
            known = self.known[key] = Sign(truth, found)
        return known

    def weak(self, muscles: Muscles, side: str | None = None) -> Sign:
        """Whether a muscle of these is weak: on a side, or on either."""
        key = (muscles.name, side)
        known: Sign | None = self.known.get(key)
        if known is None:
            known = self.known[key] = self._weak(muscles, side)
        return known

    def _weak(self, muscles: Muscles, side: str | None) -> Sign:
        found = [finding for where, code, finding in self.power if code in muscles.codes and side in (None, where)]
        weak = tuple([finding for finding in found if finding.value != "5"])
        if weak:
            return Sign(YES, weak)
        return Sign(NO, tuple(found)) if found else _UNKNOWN_SIGN

    def motor_grade(self) -> int:
        """How severe the worst weakness of the legs is: 0 none known, 1 mild (MRC 4), 2 (3), 3 (2), 4 (1 or 0)."""
        worst = 0
        for _, code, finding in self.power:
            if code in LEGS.codes:
                worst = max(worst, _GRADES[str(finding.value)])
        for limb in self.exam.limbs:
            wasting = limb.findings.get("foot-muscle-wasting")
            if wasting is not None and wasting.value == "present":
                worst = max(worst, 1)
        return worst

    def sensory_grade(self) -> int:
        """How far the worst loss reaches on the same scale: 0 none known, 1 foot, 2 ankle to mid-shin, 3 knee, 4 above."""
        return (0, 1, 1, 2, 2, 3, 4, 4)[max([extent.low for extent in self.of_legs], default=0)]


def remembered(rule: Callable[[Signs], T]) -> Callable[[Signs], T]:
    """A rule that is worked out once per examination."""

    def ask(signs: Signs) -> T:
        found: T | None = signs.known.get(rule)
        if found is None:
            found = signs.known[rule] = rule(signs)
        return found

    ask.__doc__ = rule.__doc__
    return ask


@remembered
def _findings_of_loss(signs: Signs) -> tuple[Finding, ...]:
    return tuple([finding for extent in signs.of_legs if extent.low > 0 for finding in extent.findings])


def _both_and_either(names: dict[str, set[str]]) -> tuple[set[str], set[str]]:
    return names["left"] & names["right"], names["left"] | names["right"]


def either(exam: Examination, codes: tuple[str, ...]) -> Sign:
    """Present on either side; absent only when every one of the findings is recorded absent on every side that is there."""
    present: list[Finding] = []
    absent: list[Finding] = []
    for limb in exam.limbs:
        for code in codes:
            finding = limb.findings.get(code)
            if finding is not None:
                (present if finding.value == "present" else absent).append(finding)
    if present:
        return Sign(YES, tuple(present))
    there = sum(not limb.foot_lost for limb in exam.limbs) or 2
    return Sign(NO if len(absent) >= there * len(codes) else UNKNOWN, tuple(absent))


def _legs(limb: Limb, other: Limb) -> dict[str, Extent]:
    """The level of every modality that was recorded on a leg; a level without a named modality under "any"."""
    found: dict[str, Extent] = {}
    if limb.foot_lost:
        return found
    for modality in MODALITIES:
        if modality.sites in limb.sites or modality.level in limb.findings:
            extent = leg_extent(limb, modality)
            if extent is not None:
                found[modality.name] = extent
    if not _TOUCH.isdisjoint(limb.codes):
        _add_touch(limb, other, found)
    _add_vibration(limb, found)
    if ANY.level in limb.findings:
        extent = leg_extent(limb, ANY)
        if extent is not None:
            found[ANY.name] = extent
    return found


def _arms(limb: Limb) -> dict[str, Extent]:
    """The level of every modality that was recorded on an arm."""
    found: dict[str, Extent] = {}
    for modality in (*MODALITIES, ANY):
        if modality.hand_level in limb.findings or not _ARM_SITES.isdisjoint(limb.sites.get(modality.sites, ())):
            extent = arm_extent(limb, modality)
            if extent is not None:
                found[modality.name] = extent
    return found


def _add_touch(limb: Limb, other: Limb, found: dict[str, Extent]) -> None:
    """The monofilament and the touch of toes count as touch where cotton wool was not used, and where they show a loss that it did not."""
    toes = _toes(limb, other)
    if toes is not None and ("light-touch" not in found or toes.low > found["light-touch"].low):
        found["light-touch"] = toes
    monofilament = [extent for extent in (_at_sites(limb), _whole_foot(limb), _counted(limb)) if extent is not None]
    if monofilament:
        worst = max(monofilament, key=_low)
        if worst.low or "light-touch" not in found:
            found["monofilament"] = worst


def _low(extent: Extent) -> int:
    return extent.low


def _toes(limb: Limb, other: Limb) -> Extent | None:
    """Toes 1, 3 and 5 touched: lost from two of the six not felt (Rayman, seen); a side whose toes are all felt is normal."""
    here, there = limb.findings.get("toe-touch"), other.findings.get("toe-touch")
    if here is None:
        return None
    missed = _TOUCHED_TOES - here.number
    if missed and missed + (_TOUCHED_TOES - there.number if there is not None else 0) >= 2:
        return Extent(TOES, TRUNK, (here,))
    return Extent(0, 0, (here,), boundary=True) if not missed or there is not None else Extent(0, TRUNK, (here,))


def _at_sites(limb: Limb) -> Extent | None:
    """Sites of the sole reach as far as the furthest one not felt, when none up to there is felt; a single site among others that are felt
    shows a loss, not how far it goes (project choice)."""
    sites = limb.sites.get("monofilament-10g")
    if not sites:
        return None
    missed = tuple([finding for finding in sites.values() if finding.value == "not-felt"])
    felt = tuple([finding for finding in sites.values() if finding.value == "felt"])
    if missed:
        lost, kept = (
            [LEG_SITES.get(site, TOES) for site, finding in sites.items() if finding.value == answer]
            for answer in ("not-felt", "felt")
        )
        reached = max(lost)
        return Extent(TOES if any(rank <= reached for rank in kept) else reached, TRUNK, missed)
    return Extent(0, 0, felt, boundary=True) if len(felt) >= _SITES_NEEDED else None


def _whole_foot(limb: Limb) -> Extent | None:
    whole = limb.findings.get("monofilament-foot")
    if whole is None:
        return None
    return Extent(0, 0, (whole,), boundary=True) if whole.value == "normal" else Extent(TOES, TRUNK, (whole,))


def _counted(limb: Limb) -> Extent | None:
    """A count is normal when at least three sites were tested and all of them felt."""
    count = limb.findings.get("monofilament-sites")
    tested = count.detail("sites-tested") if count is not None else None
    if count is None or not isinstance(tested, Decimal):
        return None
    if count.number < tested:
        return Extent(TOES, TRUNK, (count,))
    return Extent(0, 0, (count,), boundary=True) if tested >= _SITES_NEEDED else None


_SITES_NEEDED = 3
_TOUCHED_TOES = Decimal(3)


def _add_vibration(limb: Limb, found: dict[str, Extent]) -> None:
    """A threshold, an on-off test or a timed comparison at the great toe, beside or instead of the tuning fork: the worse result counts.

    Limits: threshold below 15 V normal, from 25 V abnormal (Young 1994 and PMC7950904, published sources seen), between them undecided;
    on-off five or more of eight wrong abnormal, at most one normal (Perkins 2001, seen); felt 10 s longer by the examiner is reduced
    (MNSI instruction sheet, seen). A graduated fork gives no verdict: its limits differ by site and source.
    """
    for code, normal, abnormal in _VIBRATION_LIMITS:
        measured = limb.findings.get(code)
        if measured is not None:
            number = measured.number
            extent = _banded(measured, number < normal, number >= abnormal)
            known = found.get("vibration")
            if known is None or extent.low > known.low:
                found["vibration"] = extent


_VIBRATION_LIMITS = (
    ("vibration-threshold", VPT_NORMAL, VPT_ABNORMAL),
    ("vibration-on-off", Decimal(2), Decimal(5)),
    ("vibration-time-difference", Decimal(10), Decimal(10)),
)


def _banded(finding: Finding, normal: bool, abnormal: bool) -> Extent:
    if normal:
        return Extent(0, 0, (finding,), boundary=True)
    return Extent(1 if abnormal else 0, 7, (finding,))
