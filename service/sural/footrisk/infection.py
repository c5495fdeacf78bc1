"""Infection of one foot: local signs, systemic response and the IWGDF/IDSA grade.

Source: IWGDF/IDSA classification 2023, from memory (Table 1); local signs, 0.5 cm and the systemic limits are printed in restatements of
the 2003 and 2012 tables (PMC6174858 Table 1, published source seen). Exactly 2.0 cm of erythema is moderate here; in the 2012 edition it
is mild. Bands count from 10% (IDSA 2012, two restatements seen).
"""

from decimal import Decimal
from itertools import product

from msgspec import Struct

from sural.evidence.criterion import Evidence
from sural.evidence.span import Span, between, exactly, total
from sural.evidence.truth import NO, UNKNOWN, YES, Truth
from sural.exam.examination import Examination, Limb

EDITION = "iwgdf-idsa-2023"
GRADES = ("1", "2", "3", "3(O)", "4", "4(O)")
ERYTHEMA_SIGN = Decimal("0.5")
ERYTHEMA_WIDE = Decimal("2")
_SIGNS = ("infection-sign-swelling", "infection-sign-tenderness", "infection-sign-warmth", "infection-sign-pus")
_ONE, _NONE, _MAYBE = exactly(1), exactly(0), between(0, 1)


class InfectionGrade(Struct, frozen=True):
    """The lowest and highest grade still possible; `grade` when they are the same."""

    at_least: str
    at_most: str

    @property
    def grade(self) -> str | None:
        return self.at_least if self.at_least == self.at_most else None

    @property
    def infected(self) -> Truth:
        if self.at_least != "1":
            return YES
        return NO if self.at_most == "1" else UNKNOWN


def local_signs(limb: Limb) -> tuple[Span, Evidence]:
    """How many of the five local signs there are, and the findings that say so. A count never takes back signs that are recorded singly."""
    span, findings = _single_signs(limb)
    counted = limb.get("infection-sign-count")
    if counted is None:
        return span, findings
    return (exactly(counted.number), (counted,)) if counted.number >= span.low else (span, findings)


def _single_signs(limb: Limb) -> tuple[Span, Evidence]:
    findings = [finding for sign in _SIGNS if (finding := limb.get(sign)) is not None]
    spans = [_ONE if finding.value == "present" else _NONE for finding in findings] + [_MAYBE] * (len(_SIGNS) - len(findings))
    erythema = limb.get("erythema-extent")
    if erythema is None:
        spans.append(_MAYBE)
    else:
        findings.append(erythema)
        spans.append(_ONE if erythema.number > ERYTHEMA_SIGN else _NONE)
    return total(spans), tuple(findings)


def systemic_criteria(exam: Examination) -> tuple[Span, Evidence]:
    """How many of the four criteria of a systemic inflammatory response there are."""
    temperature = _outside(exam, "body-temperature", Decimal(36), Decimal(38))
    pulse = _outside(exam, "heart-rate-resting", None, Decimal(90))
    breathing = _either(_outside(exam, "respiratory-rate", None, Decimal(20)), _outside(exam, "paco2", Decimal("4.3"), None))
    bands = exam.number("band-neutrophils")
    blood = _either(
        _outside(exam, "white-cell-count", Decimal(4), Decimal(12)),
        UNKNOWN if bands is None else YES if bands >= 10 else NO,
    )
    criteria = (temperature, pulse, breathing, blood)
    span = between(sum(t is YES for t in criteria), sum(t is not NO for t in criteria))
    codes = ("body-temperature", "heart-rate-resting", "respiratory-rate", "paco2", "white-cell-count", "band-neutrophils")
    return span, tuple(finding for code in codes if (finding := exam.get(code)) is not None)


def _outside(exam: Examination, code: str, low: Decimal | None, high: Decimal | None) -> Truth:
    """Whether a number lies strictly outside its limits."""
    number = exam.number(code)
    if number is None:
        return UNKNOWN
    return YES if (low is not None and number < low) or (high is not None and number > high) else NO


def _either(one: Truth, other: Truth) -> Truth:
    """One criterion measured in two ways: met by either; a single normal measurement clears it."""
    if YES in (one, other):
        return YES
    return NO if NO in (one, other) else UNKNOWN


def grade_infection(exam: Examination, limb: Limb) -> InfectionGrade:
    """The grade over everything that is not recorded."""
    signs, _ = local_signs(limb)
    recorded = limb.value("foot-infection")
    deep = _present(limb, "deep-infection")
    bone = _bone(limb)
    infected = UNKNOWN
    if recorded == "present" or signs.low >= 2 or deep is YES:
        infected = YES
    elif recorded == "absent" or signs.high < 2:
        infected = NO
        deep = NO if deep is UNKNOWN else deep
        bone = NO if bone is UNKNOWN else bone
    erythema = limb.number("erythema-extent")
    wide = UNKNOWN if erythema is None else YES if erythema >= ERYTHEMA_WIDE else NO
    systemic, _ = systemic_criteria(exam)
    severe = YES if systemic.low >= 2 else NO if systemic.high < 2 else UNKNOWN
    possible = {
        _grade(*completion)
        for completion in product(
            _completions(infected), _completions(wide), _completions(deep), _completions(bone), _completions(severe)
        )
    }
    ranked = [grade for grade in GRADES if grade in possible]
    return InfectionGrade(ranked[0], ranked[-1])


def _present(limb: Limb, code: str) -> Truth:
    value = limb.value(code)
    return UNKNOWN if value is None else YES if value == "present" else NO


def _bone(limb: Limb) -> Truth:
    """Infection of bone. A suspicion is none yet, and a positive probe alone is no diagnosis."""
    value = limb.value("osteomyelitis")
    return UNKNOWN if value in (None, "suspected") else YES if value == "confirmed" else NO


def _completions(truth: Truth) -> tuple[bool, ...]:
    return (False, True) if truth is UNKNOWN else (truth is YES,)


def _grade(infected: bool, wide: bool, deep: bool, bone: bool, severe: bool) -> str:
    if not infected and not bone:
        return "1"
    number = "4" if severe else "3" if wide or deep or bone else "2"
    return f"{number}(O)" if bone else number
