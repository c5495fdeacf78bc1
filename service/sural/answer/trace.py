"""The trace: every rule that fired, the clause, the findings it used and the input each came from."""

from collections.abc import Iterable
from typing import Any

from sural.answer.assessment import Assessment
from sural.evidence.criterion import Fact, Held
from sural.exam.finding import Finding
from sural.footrisk.risk import Standing
from sural.neuropathy.classification import Classification
from sural.neuropathy.scores import Score
from sural.neuropathy.scores.score import number

Node = dict[str, Any]


def trace(assessment: Assessment) -> Node:
    """The whole trace as plain JSON: settings, factors by side, schemes, threats, referrals."""
    risk, plan = assessment.risk, assessment.plan
    return {
        "settings": {
            "pathway": plan.pathway.id,
            "pathwayVersion": plan.pathway.version,
            "calendar": plan.calendar.data,
            "complete": sorted(assessment.examination.complete),
        },
        "factors": {
            "left": [_fact(fact) for fact in risk.factors.left.values()],
            "right": [_fact(fact) for fact in risk.factors.right.values()],
            "person": [_fact(fact) for fact in risk.factors.person.values()],
        },
        "schemes": [_scheme(standing) for standing in risk.standings.values()],
        "threats": [
            {"rule": threat.code, "text": threat.text, "source": str(threat.citation), "findings": _findings(threat.findings)}
            for threat in risk.threats
        ],
        "referrals": [
            {"service": referral.service, "because": list(referral.because), "source": f"{referral.source} [{referral.mark}]"}
            for referral in plan.referrals
        ],
        "neuropathy": _neuropathy(assessment.neuropathy),
        "scores": [_score(score) for score in assessment.scores],
    }


def _neuropathy(found: Classification) -> Node:
    """What the classification rests on."""
    return {
        "patterns": [
            {
                "rule": f"pattern.{pattern.code}",
                "text": pattern.rule.text,
                "source": str(pattern.rule.citation),
                "excludedBy": pattern.rule.excluded_by,
                "findings": _findings(pattern.findings),
            }
            for pattern in found.patterns
        ],
        "certainty": [
            {"definition": id, "source": str(certainty.citation), "findings": _findings(certainty.findings)}
            for id, certainty in found.certainty.items()
        ],
        "redFlags": [
            {"rule": f"red-flag.{raised.code}", "source": str(raised.flag.citation), "findings": _findings(raised.findings)}
            for raised in found.red_flags
        ],
        "causes": [
            {"rule": f"cause.{one.code}", "source": str(one.cause.citation), "findings": _findings(one.findings)}
            for one in found.causes
        ],
        "process": _findings(found.process_findings),
    }


def _score(score: Score) -> Node:
    """Every item of a score with its points."""
    return {
        "rule": f"score.{score.id}",
        "source": str(score.table.citation),
        "bands": score.table.band_set or str(score.table.band_citation),
        "items": [
            {
                "item": item.text,
                **({"side": item.side} if item.side else {}),
                "atLeast": number(least),
                "atMost": number(most),
            }
            for item, (least, most) in zip(score.table.items, score.points, strict=True)
        ],
    }


def _fact(fact: Fact) -> Node:
    node: Node = {"factor": fact.factor, "truth": str(fact.truth)}
    if fact.held:
        node["grounds"] = [_held(held) for held in fact.held]
    if fact.doubted:
        node["doubted"] = True
    return node


def _held(held: Held) -> Node:
    ground = held.ground
    return {"rule": ground.id, "text": ground.text, "source": str(ground.citation), "findings": _findings(held.findings)}


def _findings(findings: Iterable[Finding]) -> list[Node]:
    return [finding.as_node() for finding in findings]


def _scheme(standing: Standing) -> Node:
    reach, floor = standing.reach, standing.floor
    return {
        "scheme": standing.scheme.id,
        "source": str(standing.scheme.citation),
        "atLeast": reach.at_least,
        "atMost": reach.at_most,
        "because": list(reach.because),
        "open": list(reach.open),
        "clause": str(floor.citation) if floor else None,
        "notes": list(standing.notes),
    }


def trace_parameters(assessment: Assessment) -> Node:
    """The trace as a FHIR Parameters resource: objects become parts, lists repeat their name."""
    return {
        "resourceType": "Parameters",
        "parameter": [part for name, value in trace(assessment).items() for part in _parts(name, value)],
    }


def _parts(name: str, value: Any) -> list[Node]:
    if value is None or value == [] or value == {}:
        return []
    if isinstance(value, dict):
        return [{"name": name, "part": [part for key, item in value.items() for part in _parts(key, item)]}]
    if isinstance(value, list):
        return [part for item in value for part in _parts(name, item)]
    if isinstance(value, bool):
        return [{"name": name, "valueBoolean": value}]
    if isinstance(value, int):
        return [{"name": name, "valueInteger": value}]
    return [{"name": name, "valueString": str(value)}]
