"""Active foot problems that threaten limb or life: immediate referral.

Source: NICE NG19 1.4.1 gives examples, not a closed list (published restatements seen; clause number from memory). What goes beyond the
printed examples is a project choice and says so.
"""

from decimal import Decimal

from msgspec import Struct

from sural.evidence.citation import Citation
from sural.evidence.truth import UNKNOWN
from sural.exam.examination import Examination
from sural.exam.finding import Finding
from sural.footrisk.factors import Factors
from sural.footrisk.infection import systemic_criteria
from sural.footrisk.sources import NICE, project, seen

FEVER = Decimal(38)
_NICE = seen(NICE, "limb- or life-threatening problems (1.4.1, number from memory)")
_OWN = project("decision 0003, limb and life")


class Threat(Struct, frozen=True):
    """One reason to act at once."""

    code: str
    text: str
    citation: Citation
    findings: tuple[Finding, ...] = ()


def threats(exam: Examination, factors: Factors) -> list[Threat]:
    """Every reason for immediate referral that is certain."""
    present = factors.present
    ulcer, infection = "foot-ulcer" in present, "foot-infection" in present
    found: list[Threat] = []
    if "gangrene" in present:
        found.append(Threat("gangrene", "gangrene", _NICE, factors.findings("gangrene")))
    if "limb-threatening-ischaemia" in present:
        found.append(
            Threat(
                "limb-threatening-ischaemia", "limb-threatening ischaemia", _OWN, factors.findings("limb-threatening-ischaemia")
            )
        )
    if ulcer and "arterial-disease" in present:
        evidence = factors.findings("foot-ulcer") + factors.findings("arterial-disease")
        found.append(Threat("ulcer-with-ischaemia", "an ulcer with arterial disease", _NICE, evidence))
    if deep := _deep(exam):
        found.append(Threat("deep-infection-concern", "concern for deep soft-tissue or bone infection", _NICE, deep))
    if (ulcer or infection) and (systemic := _systemic(exam)):
        name, citation = ("ulcer", _NICE) if ulcer else ("infection", _OWN)
        found.append(Threat(f"{name}-with-systemic-signs", f"{name} with fever or signs of sepsis", citation, systemic))
    return found


def threat_not_excluded(factors: Factors) -> bool:
    """Whether an active problem that is certain might, for all that is known, threaten the limb."""
    if "foot-ulcer" in factors.present and factors.truth("arterial-disease") is UNKNOWN:
        return True
    return UNKNOWN in (factors.truth("gangrene"), factors.truth("limb-threatening-ischaemia"))


def _deep(exam: Examination) -> tuple[Finding, ...]:
    found: list[Finding] = []
    for limb in exam.limbs:
        for code, answers in (("deep-infection", ("present",)), ("osteomyelitis", ("suspected", "confirmed"))):
            finding = limb.get(code)
            if finding is not None and finding.value in answers:
                found.append(finding)
        for ulcer in limb.ulcers:
            probe = ulcer.details.get("probe-to-bone")
            if probe is not None and probe.value == "positive":
                found.append(probe)
    return tuple(found)


def _systemic(exam: Examination) -> tuple[Finding, ...]:
    sepsis = exam.get("sepsis-suspected")
    if sepsis is not None and sepsis.value == "present":
        return (sepsis,)
    temperature = exam.get("body-temperature")
    if temperature is not None and temperature.number > FEVER:
        return (temperature,)
    count, findings = systemic_criteria(exam)
    return findings if count.low >= 2 else ()
