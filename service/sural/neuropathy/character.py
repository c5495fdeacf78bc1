"""Predominance, fibre type and process: what kind of loss it is. At the bedside axonal or demyelinating is never established."""

from sural.evidence.truth import NO, YES
from sural.exam.finding import Finding
from sural.neuropathy.electrodiagnosis import MEASURED, demyelinating_attributes
from sural.neuropathy.pattern import Pattern
from sural.neuropathy.recognition import deep_loss, generalised_areflexia
from sural.neuropathy.signs import DISTAL, LARGE, LEGS, LOST_REFLEX, PROXIMAL, SMALL, Signs

LARGE_TESTS_NEEDED = 2
_SIDES = ("left", "right")


def predominance(signs: Signs) -> str:
    """sensory, sensory-predominant, sensorimotor, motor-predominant, motor or undetermined.

    Without any weakness recorded the picture is sensory as far as it was examined; with both, the grades of the worst weakness and of
    the furthest loss are compared (project choice).
    """
    lost = bool(signs.lost_either)
    weak = signs.weak(LEGS).truth is YES or _wasted(signs)
    if lost and not weak:
        return "sensory"
    if not weak:
        return "undetermined"
    if not lost:
        tested = any(signs.legs[side] for side in _SIDES)
        return "motor" if tested else "undetermined"
    difference = signs.motor_grade() - signs.sensory_grade()
    if difference >= 1:
        return "motor-predominant"
    return "sensory-predominant" if difference <= -2 else "sensorimotor"


def _wasted(signs: Signs) -> bool:
    return signs.symptom("foot-muscle-wasting").truth is YES


def fibres(signs: Signs) -> tuple[str, str | None]:
    """(small, large, mixed, none or not-assessed; the family that is certainly involved while the other was not tested).

    Each family needs a test of its own; to call one spared, all its tests must be normal, and for the large fibres two at least.
    """
    small_lost, small_normal = _tested(signs, SMALL)
    large_lost, large_normal = _tested(signs, LARGE)
    ankles = signs.reflexes("ankle-reflex", LOST_REFLEX).truth
    weakness = signs.weak(DISTAL).truth
    large_lost = large_lost or ankles is YES or weakness is YES
    large_normal += (signs.reflexes("ankle-reflex", ("normal", "brisk")).truth is YES) + (weakness is NO)
    if small_lost and large_lost:
        return "mixed", None
    if small_lost:
        return ("small", None) if large_normal >= LARGE_TESTS_NEEDED else ("not-assessed", "small")
    if large_lost:
        return ("large", None) if small_normal else ("not-assessed", "large")
    return ("none", None) if small_normal and large_normal >= LARGE_TESTS_NEEDED else ("not-assessed", None)


def _tested(signs: Signs, modalities: tuple[str, ...]) -> tuple[bool, int]:
    """Whether any of these is lost on any side, and how many are normal on both."""
    return not signs.lost_either.isdisjoint(modalities), len(signs.normal_both.intersection(modalities))


def process(signs: Signs, standing: list[Pattern], kind: str) -> tuple[str, tuple[Finding, ...]]:
    """axonal-likely, demyelinating-suspected or not-assessed, with the findings.

    Suspected: reflexes absent at knees and ankles with proximal weakness or prominent loss of joint position, thickened nerves, or
    conduction values in the published demyelinating range. Axonal likely: length-dependent and sensory first (common practice).
    """
    if not MEASURED.isdisjoint(signs.codes) and (slow := demyelinating_attributes(signs.exam)):
        return "demyelinating-suspected", tuple(attribute.finding for attribute in slow)
    thickened = signs.symptom("thickened-nerves")
    if thickened.truth is YES:
        return "demyelinating-suspected", thickened.findings
    areflexia = generalised_areflexia(signs)
    if areflexia:
        proximal = signs.weak(PROXIMAL)
        prominent = deep_loss(signs) if kind != "sensory" or not _small_lost(signs) else ()
        if proximal.truth is YES or prominent:
            return "demyelinating-suspected", areflexia + proximal.findings + prominent
    codes = {pattern.code for pattern in standing}
    if "length-dependent-symmetric" in codes and not codes & {
        "motor-predominant",
        "asymmetric-multifocal",
        "non-length-dependent",
    }:
        found = next(pattern for pattern in standing if pattern.code == "length-dependent-symmetric")
        return "axonal-likely", found.findings
    return "not-assessed", ()


def _small_lost(signs: Signs) -> bool:
    return _tested(signs, SMALL)[0]
