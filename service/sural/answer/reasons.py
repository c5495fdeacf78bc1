"""Why something is to be done, with the foot it is about: a reason to act that does not name the foot sends somebody to the wrong one."""

from collections.abc import Iterable

from sural.answer.wording import in_sentence, listed
from sural.footrisk.risk import FootRisk
from sural.footrisk.threat import Threat
from sural.plan.plan import Referral
from sural.reasons import REASONS
from sural.terminology.site import SIDES

_OF = {"ulcer-with-systemic-signs": "foot-ulcer", "infection-with-systemic-signs": "foot-infection"}
_BOTH = "both feet"


def said_feet(sides: Iterable[str]) -> str:
    """Sides as feet: "left foot", "both feet"; nothing for no side."""
    held = set(sides)
    named = [side for side in SIDES if side in held]
    return _BOTH if len(named) == len(SIDES) else f"{named[0]} foot" if named else ""


def said_reason(code: str, risk: FootRisk) -> str:
    """A reason inside a sentence, with the foot where it has one: "gangrene (right foot)"."""
    return f"{in_sentence(REASONS[code])}{_where(code, risk)}"


def said_threat(threat: Threat, risk: FootRisk) -> str:
    """A reason to act at once inside a sentence, with the foot."""
    return f"{threat.text}{_where(threat.code, risk)}"


def said_reasons(referral: Referral, risk: FootRisk) -> str:
    """Why a referral is proposed, in words; patterns and flags of a neuropathy are titles, not nouns, so they are listed."""
    reasons = [said_reason(code, risk) for code in referral.because]
    return f"Because of {listed(reasons)}" if referral.about == "foot-risk" else f"Reasons: {'; '.join(reasons)}"


def _where(code: str, risk: FootRisk) -> str:
    factors = risk.factors
    if code == "ulcer-with-ischaemia":
        ulcer, flow = said_feet(factors.sides("foot-ulcer")), said_feet(factors.sides("arterial-disease"))
        feet = ulcer if ulcer == flow or not flow else f"ulcer: {ulcer}; arterial disease: {flow}"
    elif code == "deep-infection-concern":
        found = [finding for threat in risk.threats if threat.code == code for finding in threat.findings]
        feet = said_feet(finding.side for finding in found if finding.side)
    else:
        feet = said_feet(factors.sides(_OF.get(code, code)))
    return f" ({feet})" if feet else ""
