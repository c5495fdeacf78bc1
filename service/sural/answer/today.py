"""What a reader has to do today though no proposal says it: remarks that cannot wait, and active problems for which no pathway proposes."""

from collections.abc import Iterator

from sural.answer.assessment import Assessment
from sural.answer.reasons import said_feet, said_reason
from sural.answer.wording import NOTES, listed
from sural.plan.plan import ACTIVE_FACTORS

_HOT = ("hot-swollen-foot", "charcot-suspected")
TODAY: dict[str, tuple[str, ...]] = {
    "threat-in-unusable-finding": (),
    "limb-threat-not-excluded": (),
    "no-weight-bearing-until-seen": _HOT,
    "consider-acute-charcot": ("hot-swollen-foot",),
}
"""Remarks that cannot wait, most pressing first, with the factors whose feet they are about; none where either foot may be meant."""
OUTSIDE = "The foot-risk schemes do not apply and no referral is proposed: use the local pathway."


def to_do_today(assessment: Assessment) -> Iterator[str]:
    """Active problems outside the pathway, then the remarks that cannot wait, each with the foot."""
    if problem := outside_the_pathway(assessment):
        yield f"Active foot problem: {problem}. {OUTSIDE}"
    risk = assessment.risk
    for note, factors in TODAY.items():
        if note in risk.notes:
            feet = said_feet(side for factor in factors for side in risk.factors.sides(factor))
            yield f"{feet[:1].upper()}{feet[1:]}: {NOTES[note]}" if feet else NOTES[note]


def outside_the_pathway(assessment: Assessment) -> str:
    """The active problems of a person for whom the scheme is not, in words; empty where something is proposed or on file for them."""
    risk, plan = assessment.risk, assessment.plan
    standing = risk.standings[plan.pathway.scheme]
    about = [*plan.referrals, *(entry.referral for entry in plan.suppressed)]
    if standing.applies or any(referral.about == "foot-risk" for referral in about):
        return ""
    return listed([said_reason(factor, risk) for factor in ACTIVE_FACTORS if factor in risk.factors.present])
