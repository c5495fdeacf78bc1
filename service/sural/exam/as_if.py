"""The examination as it would be if everything that could not be used were true."""

from decimal import Decimal

import msgspec

from sural.exam.examination import Examination, Limb
from sural.exam.finding import Finding, Unheard, Value
from sural.terminology.site import SIDES

_INSPECTED = ("foot-inspection", "complete-inspection")
_BEYOND_ALL = Decimal(10**9)
_WORST_DETAILS: dict[str, tuple[tuple[str, Value], ...]] = {"monofilament-sites": (("sites-tested", Decimal(1)),)}


def as_if_heard(exam: Examination) -> Examination:
    """A copy in which every unheard finding stands where it is the worse reading; one that could not be read, at its worst.

    One without a side stands on both. What is ruled out here as well is ruled out whatever the unheard findings mean.
    """
    other = Examination(exam.subject, exam.as_of, exam.lookback_from)
    other.left, other.right = (_copy(limb) for limb in exam.limbs)
    other.person = dict(exam.person)
    other.series, other.complete = exam.series, exam.complete
    for told in exam.unheard:
        one = told if told.value is not None else _at_worst(told)
        if one.value is None:
            continue
        if not one.concept.sided:
            _worsen(other.person, one.concept.code, one, None)
            continue
        for side in (one.side,) if one.side else SIDES:
            limb = other.left if side == "left" else other.right
            if one.concept.code == "foot-inspection" and one.concept.adverse(one.value):
                limb.findings = {code: known for code, known in limb.findings.items() if known.assumed not in _INSPECTED}
            if one.concept.scope == "site":
                _worsen(limb.sites.setdefault(one.concept.code, {}), one.site.code if one.site else "", one, side)
            else:
                _worsen(limb.findings, one.concept.code, one, side)
    return other


def _copy(limb: Limb) -> Limb:
    other = Limb(limb.side)
    other.findings = dict(limb.findings)
    other.sites = {code: dict(by_site) for code, by_site in limb.sites.items()}
    other.ulcers = limb.ulcers
    other.foot_lost = limb.foot_lost
    return other


def _at_worst(one: Unheard) -> Unheard:
    """The same with the worst value there is; unchanged where none is worse than another."""
    concept = one.concept
    value: Value | None = concept.answers[-1] if concept.answers else None
    if concept.worse == "lower":
        value = concept.minimum if concept.minimum is not None else Decimal(0)
    elif concept.worse == "higher":
        value = concept.maximum if concept.maximum is not None else _BEYOND_ALL
    return msgspec.structs.replace(one, value=value, details=one.details or _WORST_DETAILS.get(concept.code, ()))


def _worsen(place: dict[str, Finding], name: str, one: Unheard, side: str | None) -> None:
    assert one.value is not None
    known = place.get(name)
    if known is None or one.concept.severity(one.value) > one.concept.severity(known.value):
        place[name] = Finding(one.concept, side, one.site, one.value, one.moment, one.source, one.details)
