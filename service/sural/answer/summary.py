"""The summary: one flat JSON object per patient, for services that want the result and not the resources."""

from decimal import Decimal
from typing import Any

from sural.answer.assessment import Assessment
from sural.answer.neuropathy_summary import neuropathy_summary, score_summary, trend_summary
from sural.evidence.ladder import Reach
from sural.footrisk.factors import Factors
from sural.footrisk.prognosis import HORIZON, PERCENT, Prognosis
from sural.footrisk.prognosis import ID as PODUS
from sural.footrisk.protective_sensation import monofilament_counts
from sural.footrisk.risk import FootRisk, GradedUlcer, Standing
from sural.footrisk.ulcer_grades.wifi import Wifi
from sural.plan.plan import Plan, Referral

FORM = 1
_FINDINGS = (
    ("protectiveSensationLost", "protective-sensation-lost"),
    ("arterialDisease", "arterial-disease"),
    ("deformity", "foot-deformity"),
    ("callus", "callus"),
    ("previousUlcer", "previous-foot-ulcer"),
    ("amputation", "amputation"),
    ("ulcer", "foot-ulcer"),
    ("infection", "foot-infection"),
    ("gangrene", "gangrene"),
    ("limbThreateningIschaemia", "limb-threatening-ischaemia"),
    ("charcotSuspected", "charcot-suspected"),
    ("charcotHistory", "charcot-history"),
    ("hotSwollenFoot", "hot-swollen-foot"),
)
_PERSON_FINDINGS = (("renalReplacement", "renal-replacement"), ("endStageRenalDisease", "end-stage-renal-disease"))
_WORDS = ("no", "unknown", "yes")
_GONE = "not-applicable"
_PERCENT = {score: tuple(map(float, row)) for score, row in PERCENT.items()}


def summary(assessment: Assessment) -> dict[str, Any]:
    """The summary of one patient. All values are JSON types; numbers of the rule tables are floats."""
    exam, risk, plan = assessment.examination, assessment.risk, assessment.plan
    content: dict[str, Any] = {
        "summary": FORM,
        "subject": exam.subject.reference or None,
        "asOf": exam.as_of.isoformat(),
        "findings": _findings(risk.factors),
        "monofilament": {limb.side: _counts(monofilament_counts(limb)) for limb in exam.limbs},
        "footRisk": {id: _standing(standing, risk.factors) for id, standing in risk.standings.items()},
        "prognosis": {PODUS: _prognosis(risk.prognosis)},
        "neuropathy": neuropathy_summary(assessment.neuropathy),
        "scores": {score.id: score_summary(score) for score in assessment.scores},
        "ulcers": [_ulcer(graded) for graded in risk.ulcers],
        "referrals": [_referral(referral) for referral in plan.referrals],
        "recall": _recall(plan),
        "issues": [
            {"severity": issue.severity, "key": issue.key, "expression": issue.expression} for issue in assessment.intake.issues
        ],
        "intake": assessment.intake.counts,
    }
    _add_remarks(content, risk, plan)
    if assessment.trend.earlier:
        content["trend"] = trend_summary(assessment.trend)
    if exam.preliminary:
        content["preliminary"] = True
    return content


def _add_remarks(content: dict[str, Any], risk: FootRisk, plan: Plan) -> None:
    if risk.notes:
        content["notes"] = list(risk.notes)
    if risk.threats:
        content["threats"] = [threat.code for threat in risk.threats]
    if risk.differences:
        content["differences"] = [
            {"higher": difference.higher, "lower": difference.lower, "factors": list(difference.factors)}
            for difference in risk.differences
        ]
    if plan.suppressed:
        content["onFile"] = [
            {"service": entry.referral.service, "request": entry.request.source.reference} for entry in plan.suppressed
        ]


def _findings(factors: Factors) -> dict[str, Any]:
    left, right, person = factors.left, factors.right, factors.person
    found: dict[str, Any] = {}
    for name, factor in _FINDINGS:
        one, two = left.get(factor), right.get(factor)
        found[name] = {
            "person": _GONE if one is None and two is None else _WORDS[person[factor].truth],
            "left": _GONE if one is None else _WORDS[one.truth],
            "right": _GONE if two is None else _WORDS[two.truth],
        }
    for name, factor in _PERSON_FINDINGS:
        found[name] = {"person": _WORDS[person[factor].truth]}
    return found


def _counts(counts: tuple[int, int, int]) -> dict[str, int]:
    return {"felt": counts[0], "notFelt": counts[1], "undecided": counts[2]}


def _standing(standing: Standing, factors: Factors) -> dict[str, Any]:
    reach, review = standing.reach, standing.review
    return {
        "atLeast": reach.at_least,
        "atMost": reach.at_most,
        "category": reach.category,
        "settled": reach.settled,
        "left": _ends(standing.left),
        "right": _ends(standing.right),
        "because": because(standing, factors),
        "open": list(reach.open),
        "wouldSettle": list(map(list, reach.would_settle)),
        "review": {"from": review.earliest, "to": review.latest} if review else None,
        "notes": list(standing.notes),
    }


def because(standing: Standing, factors: Factors) -> list[dict[str, Any]]:
    """The factors that put the floor where it is, one entry per side, with the clause."""
    floor = standing.floor
    if floor is None:
        return []
    clause = floor.citation.clause
    return [
        {"factor": factor, "side": side, "clause": clause}
        for factor in standing.reach.because
        for side in factors.sides(factor) or (None,)
    ]


def _ends(reach: Reach) -> dict[str, str]:
    return {"atLeast": reach.at_least, "atMost": reach.at_most}


def _prognosis(prognosis: Prognosis) -> dict[str, Any]:
    content: dict[str, Any] = {"score": None, "percent": None, "interval": None, "horizon": HORIZON}
    score = prognosis.score
    if score is None:
        content["notApplicable"] = list(prognosis.excluded)
        return content
    least, most = int(score.low), int(score.high)
    if least == most:
        percent, low, high = _PERCENT[least]
        content |= {"score": least, "percent": percent, "interval": [low, high]}
    else:
        content |= {
            "scoreAtLeast": least,
            "scoreAtMost": most,
            "percentAtLeast": _PERCENT[least][0],
            "percentAtMost": _PERCENT[most][0],
        }
    if prognosis.notes:
        content["notes"] = list(prognosis.notes)
    return content


def _ulcer(graded: GradedUlcer) -> dict[str, Any]:
    infection = graded.infection
    content: dict[str, Any] = {
        "side": graded.side,
        "site": graded.ulcer.site if graded.ulcer else None,
        "sinbad": None,
        "texas": None,
        "wifi": _wifi(graded.wifi) if graded.wifi else None,
        "infection": infection.grade,
    }
    if graded.sinbad:
        exact = graded.sinbad.score.exact
        content["sinbad"] = _whole(exact)
        if exact is None:
            content |= {
                "sinbadAtLeast": _whole(graded.sinbad.score.low),
                "sinbadAtMost": _whole(graded.sinbad.score.high),
                "sinbadMissing": list(graded.sinbad.missing),
            }
    if graded.texas:
        content["texas"] = graded.texas.cell
        if graded.texas.cell is None:
            content["texasPossible"] = list(graded.texas.possible)
    if infection.grade is None:
        content |= {"infectionAtLeast": infection.at_least, "infectionAtMost": infection.at_most}
    return content


def _wifi(wifi: Wifi) -> dict[str, Any]:
    stages = wifi.stages
    content: dict[str, Any] = {
        "wound": _only(wifi.wound),
        "ischaemia": _only(wifi.ischaemia),
        "infection": _only(wifi.infection),
        "stage": _only(stages),
        "benefit": wifi.benefits[0] if len(wifi.benefits) == 1 else None,
        "notes": ["table-from-memory", *wifi.notes],
    }
    if len(stages) > 1:
        content |= {"stageAtLeast": stages[0], "stageAtMost": stages[-1]}
    return content


def _only(possible: tuple[int, ...]) -> int | None:
    return possible[0] if len(possible) == 1 else None


def _whole(number: Decimal | None) -> int | None:
    return None if number is None else int(number)


def _referral(referral: Referral) -> dict[str, Any]:
    window = referral.window
    content: dict[str, Any] = {
        "service": referral.service,
        "urgency": referral.urgency,
        "due": referral.due.isoformat(),
        "triageBy": referral.triage_by.isoformat() if referral.triage_by else None,
        "window": {"from": window.earliest, "to": window.latest} if window else None,
        "because": list(referral.because),
        "status": referral.status,
    }
    if referral.due_at:
        content["dueAt"] = referral.due_at
    if referral.asks:
        content["asks"] = list(referral.asks)
    return content


def _recall(plan: Plan) -> dict[str, str] | None:
    recall = plan.recall
    return {"from": recall.earliest.isoformat(), "to": recall.latest.isoformat()} if recall else None
