"""The foot-risk part of an assessment: factors, each scheme per foot and per person, prognosis, ulcer grades, threats, differences."""

from collections.abc import Iterable, Mapping
from collections.abc import Set as AbstractSet
from functools import lru_cache

from msgspec import Struct

from sural.evidence.criterion import Fact
from sural.evidence.ladder import Reach
from sural.evidence.truth import UNKNOWN, YES, Truth
from sural.exam.ankle_index import INDEX_INCOMPRESSIBLE
from sural.exam.as_if import as_if_heard
from sural.exam.examination import Examination, Limb, Ulcer
from sural.footrisk.arterial import PULSES, ankle_index
from sural.footrisk.factors import Factors, judge
from sural.footrisk.foot import Foot
from sural.footrisk.infection import InfectionGrade, grade_infection
from sural.footrisk.prognosis import Prognosis, prognosis
from sural.footrisk.scheme import NOT_APPLICABLE, NOT_STRATIFIED, Category, Review, Scheme
from sural.footrisk.schemes import IMMEDIATE_CONCERN, SCHEMES
from sural.footrisk.threat import Threat, threat_not_excluded, threats
from sural.footrisk.ulcer_grades import sinbad, texas, wifi

UNSTRATIFIED_UNDER = 12
_ARTERIAL = frozenset({*PULSES, "ankle-brachial-index", "ankle-pressure"})
_ACTIVE = ("foot-ulcer", "foot-infection", "hot-swollen-foot", "charcot-suspected")


class Standing(Struct, frozen=True):
    """What one scheme says of a person: the range, each foot's own range, when to look again, and remarks by code."""

    scheme: Scheme
    reach: Reach
    left: Reach
    right: Reach
    review: Review | None
    notes: tuple[str, ...]

    @property
    def applies(self) -> bool:
        """False when the scheme does not stratify this person."""
        return self.reach.at_least in self.scheme.categories

    @property
    def floor(self) -> Category | None:
        """The category that is certain, or None outside the scale."""
        return self.scheme.categories.get(self.reach.at_least)


class GradedUlcer(Struct, frozen=True):
    """One ulcer (or one foot with gangrene or rest pain) with its grades."""

    side: str
    ulcer: Ulcer | None
    infection: InfectionGrade
    sinbad: sinbad.Sinbad | None
    texas: texas.Texas | None
    wifi: wifi.Wifi | None


class Difference(Struct, frozen=True):
    """Two schemes that stand apart, and the factors that one counts and the other does not."""

    higher: str
    lower: str
    factors: tuple[str, ...]


class FootRisk(Struct, frozen=True):
    """Everything the foot-risk rules say of one examination."""

    factors: Factors
    standings: Mapping[str, Standing]
    prognosis: Prognosis
    ulcers: tuple[GradedUlcer, ...]
    threats: tuple[Threat, ...]
    differences: tuple[Difference, ...]
    notes: tuple[str, ...]


def assess_foot_risk(exam: Examination, schemes: Iterable[str] = SCHEMES) -> FootRisk:
    """Apply the schemes to an examination. Raises KeyError for a scheme that does not exist."""
    factors = judge(exam)
    gate, notes = _gate(exam)
    person = {factor: fact.truth for factor, fact in factors.person.items()}
    sides = {side: _side_truths(factors.side(side), person) for side in ("left", "right")}
    standings = {id: _standing(SCHEMES[id], exam, person, sides, gate, notes) for id in schemes}
    return FootRisk(
        factors,
        standings,
        prognosis(exam, factors),
        tuple(_graded(exam, factors)),
        tuple(threats(exam, factors)),
        tuple(_differences(list(standings.values()), factors.present.keys())),
        _remarks(exam, factors),
    )


def _gate(exam: Examination) -> tuple[str | None, tuple[str, ...]]:
    """Whether the schemes are for this person at all, and what to remark when that is not certain."""
    notes = []
    subject = exam.subject
    if exam.no_diabetes:
        return NOT_APPLICABLE, ("no-diabetes",)
    if exam.left.foot_lost and exam.right.foot_lost:
        return NOT_APPLICABLE, ("no-foot",)
    if subject.age_to is not None and subject.age_to < UNSTRATIFIED_UNDER:
        return NOT_STRATIFIED, ("under-12",)
    if exam.value("diabetes") in (None, "absent"):
        notes.append("diabetes-not-confirmed")
    if subject.age_from is None:
        notes.append("age-unknown")
    notes += [f"assumed-complete-{group}" for group in sorted(exam.complete)]
    return None, tuple(notes)


def _side_truths(facts: Mapping[str, Fact], person: Mapping[str, Truth]) -> Mapping[str, Truth] | None:
    """A foot's own factors with those of the person; None when the foot is not there."""
    if "foot-ulcer" not in facts:
        return None
    return {**person, **{factor: fact.truth for factor, fact in facts.items()}}


@lru_cache(maxsize=64)
def outside(code: str) -> Reach:
    """A range that is off the scale: not applicable, not stratified."""
    return Reach(code, code, (), ())


def _standing(
    scheme: Scheme,
    exam: Examination,
    person: Mapping[str, Truth],
    sides: Mapping[str, Mapping[str, Truth] | None],
    gate: str | None,
    notes: tuple[str, ...],
) -> Standing:
    if gate is not None:
        return Standing(scheme, outside(gate), outside(gate), outside(gate), None, notes)
    reach = _reach(scheme, person)
    left, right = (outside(NOT_APPLICABLE) if truths is None else _reach(scheme, truths) for truths in sides.values())
    return Standing(
        scheme, reach, left, right, _review(scheme, reach, exam), (*notes, *_scheme_notes(scheme, exam, reach, person))
    )


def _reach(scheme: Scheme, truths: Mapping[str, Truth]) -> Reach:
    if not scheme.stratifies_active and truths["foot-ulcer"] is YES:
        return outside(NOT_STRATIFIED)
    return scheme.reach(truths)


def _review(scheme: Scheme, reach: Reach, exam: Examination) -> Review | None:
    """The category's review, or the floor's when that is above the lowest; none while only the lowest is certain."""
    category = scheme.categories.get(reach.at_least)
    if category is None or (not reach.settled and category.code == scheme.lowest):
        return None
    if scheme.id == "nice-ng19-2019" and category.code == "high" and exam.value("immediate-concern") == "present":
        return IMMEDIATE_CONCERN
    return category.review


def _scheme_notes(scheme: Scheme, exam: Examination, reach: Reach, person: Mapping[str, Truth]) -> tuple[str, ...]:
    notes = []
    category = scheme.categories.get(reach.at_least)
    if category is not None and reach.settled and category.note:
        notes.append(category.note)
    if not scheme.stratifies_active and person["foot-ulcer"] is UNKNOWN:
        notes.append("active-ulcer-not-excluded")
    if scheme.id == "iwgdf-2023" and category is not None and category.code == "0":
        history = ("previous-foot-ulcer", "amputation", "end-stage-renal-disease", "foot-deformity")
        notes += [f"gap-{factor}-alone" for factor in history if person[factor] is YES]
    if scheme.id == "scotland-2016":
        egfr = exam.number("egfr")
        if egfr == 30:
            notes.append("egfr-exactly-30")
        if person["limb-threatening-ischaemia"] is YES:
            notes.append("ischaemia-alone-not-active-here")
    if scheme.id == "nice-ng19-2019":
        if "present" in (exam.value("cannot-check-own-feet"), exam.value("visual-impairment")):
            notes.append("consider-more-frequent-review")
        if exam.value("inpatient") == "present" and category is not None and category.code in ("moderate", "high"):
            notes.append("heel-pressure-redistribution")
    return tuple(notes)


def _graded(exam: Examination, factors: Factors) -> Iterable[GradedUlcer]:
    for limb, other in ((exam.left, exam.right), (exam.right, exam.left)):
        if limb.foot_lost or not (limb.ulcers or wifi.gangrenous(limb) or limb.value("rest-pain") == "present"):
            continue
        foot = Foot(limb, other, exam)
        foot.facts = dict(factors.side(limb.side))
        infection = grade_infection(exam, limb)
        for ulcer in limb.ulcers:
            yield GradedUlcer(
                limb.side,
                ulcer,
                infection,
                sinbad.grade(foot, ulcer, infection),
                texas.grade(foot, ulcer, infection),
                wifi.grade(foot, ulcer, infection),
            )
        if not limb.ulcers:
            staged = wifi.grade(foot, None, infection)
            if staged is not None:
                yield GradedUlcer(limb.side, None, infection, None, None, staged)


def _differences(standings: list[Standing], present: AbstractSet[str]) -> Iterable[Difference]:
    """Pairs of settled schemes that stand apart, with the factors that only one of them counts."""
    settled = [standing for standing in standings if standing.reach.settled and standing.floor is not None]
    for index, one in enumerate(settled):
        for other in settled[index + 1 :]:
            assert one.floor is not None and other.floor is not None
            if one.floor.standing == other.floor.standing:
                continue
            higher, lower = (one, other) if one.floor.standing > other.floor.standing else (other, one)
            only = tuple(factor for factor in higher.reach.because if factor not in lower.reach.because)
            yield Difference(higher.scheme.id, lower.scheme.id, only or tuple(sorted(present & set(higher.reach.because))))


def _remarks(exam: Examination, factors: Factors) -> tuple[str, ...]:
    """What a reader should know beside the categories."""
    notes: list[str] = []
    for limb, other in ((exam.left, exam.right), (exam.right, exam.left)):
        if limb.foot_lost:
            continue
        notes += _arterial_remarks(limb, other, exam, factors)
        if _only_reduced(exam, limb.side, factors):
            notes.append("sensation-only-reduced")
    if exam.unheard and any(fact.doubted for fact in factors.person.values()):
        notes += sorted(
            {
                "adverse-finding-without-side" if one.concept.sided and one.side is None else "adverse-finding-not-usable"
                for one in exam.unheard
            }
        )
    present = factors.present.keys()
    if "hot-swollen-foot" in present and "charcot-suspected" not in present:
        notes.append("consider-acute-charcot")
    if "hot-swollen-foot" in present or "charcot-suspected" in present:
        notes.append("no-weight-bearing-until-seen")
        if _warmer(exam):
            notes.append("skin-temperature-difference-supports-charcot")
    if not present.isdisjoint(_ACTIVE) and threat_not_excluded(factors):
        notes.append("limb-threat-not-excluded")
    if exam.unheard and not present.isdisjoint(_ACTIVE) and _threat_unheard(exam, factors):
        notes.append("threat-in-unusable-finding")
    return tuple(dict.fromkeys(notes))


def _threat_unheard(exam: Examination, factors: Factors) -> bool:
    """Whether fever, sepsis or a deep infection would be there if what could not be used were true."""
    if any(one.concept.code == "probe-to-bone" and one.value in (None, "positive") for one in exam.unheard):
        return True
    known = {threat.code for threat in threats(exam, factors)}
    return any(threat.code not in known for threat in threats(as_if_heard(exam), factors))


def _arterial_remarks(limb: Limb, other: Limb, exam: Examination, factors: Factors) -> Iterable[str]:
    fact = factors.side(limb.side).get("arterial-disease")
    if fact is None or fact.truth is YES or _ARTERIAL.isdisjoint(limb.codes):
        return
    index, _ = ankle_index(Foot(limb, other, exam))
    pulses = [limb.value(code) for code in PULSES]
    if fact.truth is UNKNOWN:
        if pulses.count("absent") == 1:
            yield "one-pulse-absent"
        if "reduced" in pulses:
            yield "pulse-only-reduced"
        if index is not None and index > INDEX_INCOMPRESSIBLE:
            yield "index-incompressible"
    if index is not None and index <= INDEX_INCOMPRESSIBLE:
        yield "normal-index-does-not-exclude"


def _only_reduced(exam: Examination, side: str, factors: Factors) -> bool:
    fact = factors.side(side).get("protective-sensation-lost")
    if fact is None or fact.truth is YES:
        return False
    limb = exam.left if side == "left" else exam.right
    return any(
        finding.value == "reduced"
        for code in ("light-touch", "pinprick", "vibration-128hz")
        for finding in limb.at(code).values()
    )


def _warmer(exam: Examination) -> bool:
    """Whether one foot is at least 2 degrees warmer: it supports, and less never excludes (project choice after a regional page)."""
    left, right = exam.left.number("foot-skin-temperature"), exam.right.number("foot-skin-temperature")
    return left is not None and right is not None and abs(left - right) >= 2
