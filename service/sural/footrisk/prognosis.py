"""PODUS 2021: the risk of a new foot ulcer within two years, from three findings.

Source: Chappell et al. 2021 (risks and intervals per score seen in five records of the paper; predictors and total seen). The split of
the points (2 for history, 1 each for the others) follows from whole points summing to 4 and from the parent odds ratios; it is not
printed in any page reached. Development: adults with diabetes and no ulcer.
"""

from decimal import Decimal
from functools import lru_cache

from msgspec import Struct

from sural.evidence.span import Span, between, exactly, total
from sural.evidence.truth import NO, UNKNOWN, YES, Truth
from sural.exam.examination import Examination
from sural.exam.finding import Finding
from sural.footrisk.factors import Factors
from sural.footrisk.sources import PODUS, memory, seen

ID = "podus-2021"
TITLE = "PODUS (2021)"
HORIZON = "P2Y"
NOT_FOR = {
    "current-ulcer": "there is an ulcer now",
    "under-18": "the person is under 18",
    "no-diabetes": "the person has no diabetes",
    "no-foot": "there is no foot",
}
ADULT = 18
RISKS = seen(PODUS, "risk by score")
SPLIT = memory(PODUS, "points: history 2, monofilament 1, pulse 1 (split derived, confirm in the paper)")
PERCENT: dict[int, tuple[Decimal, Decimal, Decimal]] = {
    0: (Decimal("2.4"), Decimal("1.5"), Decimal("3.9")),
    1: (Decimal("6.0"), Decimal("3.5"), Decimal("9.5")),
    2: (Decimal("14.0"), Decimal("8.5"), Decimal("21.3")),
    3: (Decimal("29.2"), Decimal("19.2"), Decimal("41.0")),
    4: (Decimal("51.1"), Decimal("37.9"), Decimal("64.1")),
}


class Prognosis(Struct, frozen=True):
    """The score over what is unknown, or why the rule does not apply."""

    score: Span | None
    excluded: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def exact(self) -> int | None:
        exact = self.score.exact if self.score else None
        return None if exact is None else int(exact)


def prognosis(exam: Examination, factors: Factors) -> Prognosis:
    """The rule for one person. It does not apply with a current ulcer, under 18, without diabetes or without a foot."""
    excluded = []
    if factors.truth("foot-ulcer") is YES:
        excluded.append("current-ulcer")
    if exam.subject.age_to is not None and exam.subject.age_to < ADULT:
        excluded.append("under-18")
    if exam.no_diabetes:
        excluded.append("no-diabetes")
    if exam.left.foot_lost and exam.right.foot_lost:
        excluded.append("no-foot")
    if excluded:
        return Prognosis(None, tuple(excluded))
    history = _either(factors.truth("previous-foot-ulcer"), factors.truth("amputation"))
    score = _score(factors.truth("monofilament-insensate"), factors.truth("pulse-absent"), history)
    used = ("monofilament-insensate", "pulse-absent", "previous-foot-ulcer", "amputation")
    findings = tuple(dict.fromkeys([one for factor in used for held in factors.person[factor].held for one in held.findings]))
    notes = ("active-ulcer-not-excluded",) if factors.truth("foot-ulcer") is UNKNOWN else ()
    return Prognosis(score, (), findings, notes)


@lru_cache(maxsize=27)
def _score(insensate: Truth, pulse: Truth, history: Truth) -> Span:
    return total((_points(insensate, 1), _points(pulse, 1), _points(history, 2)))


def _points(truth: Truth, points: int) -> Span:
    return exactly(points if truth is YES else 0) if truth is not UNKNOWN else between(0, points)


def _either(one: Truth, other: Truth) -> Truth:
    if YES in (one, other):
        return YES
    return NO if one is NO and other is NO else UNKNOWN
