"""The neuropathy part of the summary: classification, scores and trend."""

from typing import Any

from sural.exam.examination import Examination
from sural.neuropathy.certainty import Certainty
from sural.neuropathy.classification import Classification
from sural.neuropathy.reach import ARM_LEVELS, LEG_LEVELS, Extent, said_level
from sural.neuropathy.scores import Score
from sural.neuropathy.scores.score import number
from sural.neuropathy.signs import VPT_ABNORMAL, VPT_NORMAL, Signs
from sural.terminology.site import SIDES
from sural.trend import Trend

_UNTESTED = {"atLeast": LEG_LEVELS[0], "atMost": LEG_LEVELS[-1]}
_WORDS = ("no", "unknown", "yes")


def neuropathy_summary(found: Classification) -> dict[str, Any]:
    """The classification; parts that say nothing are left out, the contract's own keys are always there."""
    content: dict[str, Any] = {
        "pattern": found.codes,
        "predominance": found.predominance,
        "fibres": found.fibres,
        "process": found.process,
        "certainty": {id: _certainty(certainty) for id, certainty in found.certainty.items()},
        "level": levels(found.signs),
        "redFlags": [raised.flag.code for raised in found.red_flags],
        "causes": [supported.cause.code for supported in found.causes],
        "workUp": [test.code for test in found.work_up],
        "autonomic": list(found.autonomic.codes),
    }
    more = {
        "handLevel": _hand_levels(found.signs),
        "fibresAtLeast": found.fibres_at_least,
        "stage": {"toronto-2010": _certainty(found.stage)} if found.stage else None,
        "notes": list(found.notes),
        "detail": {pattern.code: pattern.detail for pattern in found.patterns if pattern.detail},
        "autonomicTests": found.autonomic.tests,
        "conduction": found.conduction,
        "vibrationThreshold": _thresholds(found.signs.exam),
    }
    for name, part in more.items():
        if part:
            content[name] = part
    return content


def levels(signs: Signs) -> dict[str, Any]:
    """Per modality and side, the most proximal abnormal level, or both ends where it is not exact."""
    left, right = signs.legs["left"], signs.legs["right"]
    return {
        name: {"left": _side(signs, "left", left.get(name)), "right": _side(signs, "right", right.get(name))}
        for name in dict.fromkeys((*left, *right))
    }


def _side(signs: Signs, side: str, extent: Extent | None) -> Any:
    if extent is not None:
        return said_level(extent)
    limb = signs.exam.left if side == "left" else signs.exam.right
    return "not-applicable" if limb.foot_lost else _UNTESTED


def _hand_levels(signs: Signs) -> dict[str, Any]:
    """The same for the arms; nothing where they were not tested."""
    names = dict.fromkeys((*signs.arms["left"], *signs.arms["right"]))
    return {
        name: {side: said_level(extent, ARM_LEVELS) for side in SIDES if (extent := signs.arms[side].get(name)) is not None}
        for name in names
    }


def _certainty(certainty: Certainty) -> dict[str, Any]:
    content: dict[str, Any] = {"atLeast": certainty.at_least, "atMost": certainty.at_most}
    if certainty.notes:
        content["notes"] = list(certainty.notes)
    return content


def _thresholds(exam: Examination) -> dict[str, Any]:
    """Vibration perception threshold with the ulcer-risk bands of Young 1994 (seen): below 15, 15 to 25, above 25 V."""
    found = {}
    for limb in exam.limbs:
        volts = limb.number("vibration-threshold")
        if volts is not None:
            band = "low" if volts < VPT_NORMAL else "intermediate" if volts <= VPT_ABNORMAL else "high"
            found[limb.side] = {"volts": float(volts), "band": band}
    return found


def score_summary(score: Score) -> dict[str, Any]:
    """One score: both ends, the total and the band when they are settled, and what is missing."""
    low, total, missing = number(score.low), score.total, score.missing
    content: dict[str, Any] = {
        "atLeast": low,
        "atMost": number(score.high),
        "total": None if total is None else low,
        "band": score.band,
        "missing": missing,
    }
    notes = (*score.table.notes, *score.remarks)
    if notes:
        content["notes"] = list(notes)
    return content


def trend_summary(trend: Trend) -> dict[str, Any]:
    """Earlier examinations, oldest first, and every certain change."""
    return {
        "earlier": [
            {
                "asOf": point.day.isoformat(),
                "level": levels(point.signs),
                "scores": {
                    id: {"atLeast": number(score.low), "atMost": number(score.high)} for id, score in point.scores.items()
                },
                "protectiveSensationLost": {side: _WORDS[truth] for side, truth in point.sensation.items()},
            }
            for point in trend.earlier
        ],
        "changes": [
            {
                "code": change.code,
                "of": change.of,
                "side": change.side,
                "since": change.since.isoformat(),
                "before": change.before,
                "after": change.after,
            }
            for change in trend.changes
        ],
    }
