"""The factors of foot risk, in the order they are judged, and how the two feet make one person."""

from collections.abc import Mapping

from msgspec import Struct

from sural.evidence.citation import Citation
from sural.evidence.criterion import Criteria, Criterion, Evidence, Fact, Ground, Held, doubt
from sural.evidence.truth import NO, UNKNOWN, YES, Truth
from sural.exam.as_if import as_if_heard
from sural.exam.examination import Examination, Limb
from sural.exam.finding import Finding
from sural.footrisk.arterial import ARTERIAL_DISEASE, LIMB_THREATENING_ISCHAEMIA, PULSE_ABSENT
from sural.footrisk.foot import NOTHING, Foot, recorded, when
from sural.footrisk.infection import local_signs
from sural.footrisk.protective_sensation import MONOFILAMENT_INSENSATE, protective_sensation
from sural.footrisk.sources import IWGDF, IWGDF_INFECTION, SCOTLAND, memory, project, seen

_RECORDED = project("decision 0003, recorded findings")
_SIGNS = (
    "infection-sign-count",
    "infection-sign-swelling",
    "infection-sign-tenderness",
    "infection-sign-warmth",
    "infection-sign-pus",
)
_LEVELS = ("toe", "ray", "forefoot", "unspecified", "entire-foot", "below-knee", "above-knee")


def _present(code: str, words: str) -> Ground[Foot]:
    return recorded(f"{code}-recorded", f"{words} is recorded", _RECORDED, code, "present")


def _absent(code: str, words: str) -> Ground[Foot]:
    return recorded(f"{code}-recorded-absent", f"{words} is recorded absent", _RECORDED, code, "absent")


def _plain(code: str, display: str) -> Criterion[Foot]:
    """A factor that is what the concept of the same name says."""
    return Criterion(code, display, (_present(code, display.lower()),), (_absent(code, display.lower()),))


def _two_local_signs(foot: Foot) -> Evidence:
    count, findings = local_signs(foot.limb)
    return findings if count.low >= 2 else NOTHING


def _charcot_shape(foot: Foot) -> Evidence:
    deformity = foot.get("foot-deformity")
    shape = ("deformity-type", "charcot")
    return (deformity,) if deformity is not None and deformity.value == "present" and shape in deformity.details else NOTHING


def _not_hot(foot: Foot) -> Evidence:
    return foot.evidence_of("hot-swollen-foot") if foot.is_no("hot-swollen-foot") else NOTHING


FOOT_CRITERIA: Criteria[Foot] = Criteria((
    protective_sensation(),
    ARTERIAL_DISEASE,
    _plain("foot-ulcer", "Foot ulcer"),
    Criterion(
        "gangrene", "Gangrene",
        (
            _present("gangrene", "gangrene"),
            recorded("gangrene-extent-recorded", "an extent of gangrene is recorded", _RECORDED, "gangrene-extent", "digits", "forefoot-or-more"),
        ),
        (_absent("gangrene", "gangrene"),),
    ),
    Criterion(
        "foot-infection", "Foot infection",
        (
            _present("foot-infection", "foot infection"),
            _present("deep-infection", "deep infection"),
            recorded("osteomyelitis-recorded", "osteomyelitis is suspected or confirmed", memory(IWGDF_INFECTION, "infection of bone"),
                     "osteomyelitis", "suspected", "confirmed"),
            when("two-local-signs", "two or more local signs of infection", memory(IWGDF_INFECTION, "definition of infection"),
                 _SIGNS, _two_local_signs),
        ),
        (_absent("foot-infection", "foot infection"),),
    ),
    LIMB_THREATENING_ISCHAEMIA,
    _plain("hot-swollen-foot", "Unexplained hot swollen foot"),
    Criterion(
        "charcot-suspected", "Suspected acute Charcot foot",
        (_present("charcot-suspected", "suspected acute Charcot foot"),),
        (
            _absent("charcot-suspected", "suspected acute Charcot foot"),
            when("foot-not-hot", "the foot is not hot and swollen", project("decision 0003, acute Charcot"), ("hot-swollen-foot",), _not_hot),
        ),
    ),
    Criterion("callus", "Callus", (_present("callus", "callus"), _present("significant-callus", "significant callus")), (_absent("callus", "callus"),)),
    Criterion(
        "foot-deformity", "Foot deformity",
        (_present("foot-deformity", "foot deformity"), _present("significant-deformity", "significant deformity")),
        (_absent("foot-deformity", "foot deformity"),),
    ),
    Criterion(
        "significant-callus", "Significant callus",
        (_present("significant-callus", "significant callus"),),
        (_absent("significant-callus", "significant callus"), _absent("callus", "callus")),
    ),
    Criterion(
        "significant-deformity", "Significant structural deformity",
        (_present("significant-deformity", "significant deformity"),),
        (_absent("significant-deformity", "significant deformity"), _absent("foot-deformity", "foot deformity")),
    ),
    _plain("previous-foot-ulcer", "Earlier foot ulcer"),
    Criterion(
        "amputation", "Amputation",
        (recorded("amputation-recorded", "an amputation is recorded", _RECORDED, "amputation", *_LEVELS),),
        (recorded("amputation-recorded-absent", "no amputation is recorded", _RECORDED, "amputation", "none"),),
    ),
    Criterion(
        "charcot-history", "Earlier Charcot foot",
        (
            _present("charcot-history", "earlier Charcot foot"),
            when("charcot-shape", "a deformity left by a Charcot foot is recorded", _RECORDED, ("foot-deformity",), _charcot_shape),
        ),
        (_absent("charcot-history", "earlier Charcot foot"),),
    ),
    MONOFILAMENT_INSENSATE,
    PULSE_ABSENT,
))  # fmt: skip

EGFR_LIMIT = 30


def _person_valued(id: str, text: str, citation: Citation, code: str, *answers: str) -> Ground[Examination]:
    def test(exam: Examination) -> Evidence:
        finding = exam.get(code)
        return (finding,) if finding is not None and finding.value in answers else NOTHING

    return Ground(id, text, citation, frozenset({code}), test)


def _filtration(id: str, text: str, low: bool) -> Ground[Examination]:
    def test(exam: Examination) -> Evidence:
        finding = exam.get("egfr")
        return (finding,) if finding is not None and (finding.number <= EGFR_LIMIT) is low else NOTHING

    return Ground(id, text, seen(SCOTLAND, "eGFR below 30, low risk above 30"), frozenset({"egfr"}), test)


def _kidneys_well(exam: Examination) -> Evidence:
    disease, replacement = exam.get("end-stage-renal-disease"), exam.get("dialysis-or-transplant")
    if disease is not None and replacement is not None and disease.value == "absent" and replacement.value == "none":
        return disease, replacement
    return NOTHING


_KIDNEYS = project("decision 0003, kidneys")
_REPLACED = _person_valued(
    "renal-replacement-recorded",
    "dialysis or a kidney transplant is recorded",
    _KIDNEYS,
    "dialysis-or-transplant",
    "dialysis",
    "transplant",
)
PERSON_CRITERIA: Criteria[Examination] = Criteria((
    Criterion(
        "renal-replacement", "Renal replacement therapy",
        (_REPLACED,),
        (_person_valued("renal-replacement-recorded-absent", "no renal replacement therapy is recorded", _RECORDED, "dialysis-or-transplant", "none"),),
    ),
    Criterion(
        "end-stage-renal-disease", "End-stage renal disease",
        (
            _person_valued("end-stage-recorded", "end-stage renal disease is recorded", seen(IWGDF, "risk table"), "end-stage-renal-disease", "present"),
            _REPLACED,
        ),
        (Ground("kidneys-recorded-well", "neither end-stage disease nor renal replacement", _KIDNEYS, frozenset({"end-stage-renal-disease"}), _kidneys_well),),
    ),
    Criterion(
        "low-filtration", "eGFR of 30 or less",
        (_filtration("egfr-30-or-less", "eGFR is 30 or less (the chart leaves exactly 30 open; it counts)", True),),
        (_filtration("egfr-above-30", "eGFR is above 30", False),),
    ),
    Criterion(
        "cannot-self-care", "Cannot self-care and no help",
        (_person_valued("cannot-self-care-recorded", "inability to self-care without help is recorded", seen(SCOTLAND, "factor"), "cannot-self-care", "present"),),
        (_person_valued("can-self-care", "inability to self-care is recorded absent", _RECORDED, "cannot-self-care", "absent"),),
    ),
))  # fmt: skip

DISPLAYS: dict[str, str] = {
    **{criterion.factor: criterion.display for criterion in FOOT_CRITERIA},
    **{criterion.factor: criterion.display for criterion in PERSON_CRITERIA},
}
HISTORICAL = frozenset({"amputation", "previous-foot-ulcer", "charcot-history"})


class Factors(Struct, frozen=True):
    """Every factor, per foot and for the person. A foot that is not there has only its history.

    `present` holds those the person has, each with the sides that have it.
    """

    left: Mapping[str, Fact]
    right: Mapping[str, Fact]
    person: Mapping[str, Fact]
    present: Mapping[str, tuple[str, ...]]

    def side(self, side: str) -> Mapping[str, Fact]:
        return self.left if side == "left" else self.right

    def truth(self, factor: str) -> Truth:
        """The factor for the person as a whole."""
        fact = self.person.get(factor)
        return fact.truth if fact else UNKNOWN

    def sides(self, factor: str) -> tuple[str, ...]:
        """The sides on which a factor is present."""
        return self.present.get(factor, ())

    def findings(self, factor: str) -> tuple[Finding, ...]:
        """The findings behind a factor of the person, each once."""
        fact = self.person.get(factor)
        return tuple(dict.fromkeys([f for held in fact.held for f in held.findings])) if fact else ()


def judge(exam: Examination, criteria: Criteria[Foot] = FOOT_CRITERIA) -> Factors:
    """Judge every factor on both feet and for the person.

    Nothing is ruled out that findings which could not be used still speak for: what would not be absent if they were true.
    """
    feet = {limb.side: _foot(limb, other, exam, criteria) for limb, other in _pairs(exam)}
    person = _facts_of_person(exam)
    if exam.unheard:
        feared = as_if_heard(exam)
        for limb, other in _pairs(feared):
            _doubt(feet[limb.side], _foot(limb, other, feared, criteria))
        _doubt(person, _facts_of_person(feared))
    left, right = feet["left"], feet["right"]
    both: dict[str, Fact] = {}
    for factor, unknown in criteria.unknown.items():
        here, there = left.get(factor), right.get(factor)
        both[factor] = unknown if here is there is unknown else _person(factor, here, there)
    both |= person
    return Factors(left, right, both, {factor: _sides(left, right, factor) for factor, fact in both.items() if fact.truth is YES})


def _sides(left: Mapping[str, Fact], right: Mapping[str, Fact], factor: str) -> tuple[str, ...]:
    feet = (("left", left.get(factor)), ("right", right.get(factor)))
    return tuple([side for side, fact in feet if fact is not None and fact.truth is YES])


def _facts_of_person(exam: Examination) -> dict[str, Fact]:
    facts: dict[str, Fact] = {}
    PERSON_CRITERIA.judge(exam, facts)
    return facts


def _doubt(facts: dict[str, Fact], feared: Mapping[str, Fact]) -> None:
    for factor, fact in facts.items():
        other = feared.get(factor)
        if other is not None and other.truth is not NO:
            facts[factor] = doubt(fact)


def _pairs(exam: Examination) -> tuple[tuple[Limb, Limb], tuple[Limb, Limb]]:
    return (exam.left, exam.right), (exam.right, exam.left)


def _foot(limb: Limb, other: Limb, exam: Examination, criteria: Criteria[Foot]) -> dict[str, Fact]:
    foot = Foot(limb, other, exam)
    criteria.judge(foot, foot.facts)
    if limb.foot_lost:
        return {factor: fact for factor, fact in foot.facts.items() if factor in HISTORICAL and fact.truth is YES}
    return foot.facts


def _person(factor: str, one: Fact | None, two: Fact | None) -> Fact:
    """Any foot that has it makes the person have it; only when every foot is free of it is the person."""
    if one is two or one is None or two is None:
        return one or two or Fact(factor, UNKNOWN)
    if one.truth is YES or two.truth is YES:
        held: tuple[Held, ...] = (one.held if one.truth is YES else ()) + (two.held if two.truth is YES else ())
        return Fact(factor, YES, held)
    if one.truth is NO and two.truth is NO:
        return Fact(factor, NO, one.held + two.held)
    return Fact(factor, UNKNOWN, doubted=one.doubted or two.doubted)
