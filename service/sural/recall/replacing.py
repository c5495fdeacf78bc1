"""Whether an answer replaces what was known before, or only knows less.

A blood test the day after an ulcer was seen says nothing about the ulcer: the referral for it stays open. Replaced is a proposal when the
later answer knows every finding that it was made for, present or absent; when it settles a category below an active problem; or when it
proposes the same service itself, as urgently, for all these reasons. Decision 0013.

What an answer does not know takes nothing back that another one knew.
"""

from collections.abc import Collection, Iterable
from typing import Any

from sural import canonical
from sural.footrisk.factors import HISTORICAL
from sural.footrisk.schemes import SCHEMES
from sural.recall.facts import Answered, fact_of

Json = dict[str, Any]
GROWN_OLD = "findings that grew too old take nothing back"
"""What is said of an answer that knows less only because of time."""
_ACTIVE = 3
_URGENCY = {"routine": 0, "urgent": 1, "asap": 2, "stat": 3}


def replaced(request: Json, later: Json, proposals: Iterable[Json], before: Json | None = None) -> bool:
    """Whether a later answer, by its Observation of the foot-risk category and its own ServiceRequests, replaces a proposal. `before` is that
    Observation of the proposal's own answer: one that rests on an older examination of the feet is later by a blood test only, and knows no better."""
    reasons = _codes(request)
    if _is_of_the_foot(reasons):
        answered = _answered(later)
        if answered is not None and not _is_older(answered, before) and (_knows(answered, reasons) or _is_below_active(answered)):
            return True
    return not reasons or any(_takes_over(one, request, reasons) for one in proposals)


def knows_less(before: Json, now: Json) -> bool:
    """Whether an answer leaves open what another one knew of the feet: the state of a factor, or that they were examined. Both are
    Observations of the foot-risk category."""
    old, new = _answered(before), _answered(now)
    if old is None or new is None:
        return False
    unknown = any("person" in known and "person" not in new.states.get(factor, {}) for factor, known in old.states.items())
    return unknown or (old.feet is not None and (new.feet is None or new.feet < old.feet))


def takes_back(before: Json, requests: Iterable[Json], now: Json, proposals: Collection[Json]) -> bool:
    """Whether an answer leaves open what the one that stands about the same examination knew or proposed: of the feet, as `knows_less` says;
    or for a neuropathy, which no factor tells of: what was proposed for one and is not proposed any more."""
    return knows_less(before, now) or any(
        one.get("status") not in ("revoked", "entered-in-error") and reasons and not _is_of_the_foot(reasons)
        and not any(_takes_over(each, one, reasons) for each in proposals)
        for one in requests
        for reasons in (_codes(one),)
    )  # fmt: skip


def says_otherwise(before: Json, now: Json) -> bool:
    """Whether an answer contradicts another one in the state of a factor, of the person or of a foot. That something was there once does not
    contradict: with time what was seen becomes history."""
    old, new = _answered(before), _answered(now)
    if old is None or new is None:
        return False
    return any(
        new.states.get(factor, {}).get(where, state) != state and (state or factor not in HISTORICAL)
        for factor, known in old.states.items()
        for where, state in known.items()
    )


def _answered(observation: Json) -> Answered | None:
    """What an Observation of the foot-risk category says; it may not have an id yet."""
    fact = fact_of(observation, "")
    return fact if isinstance(fact, Answered) else None


def _is_of_the_foot(reasons: set[tuple[str, str]]) -> bool:
    return bool(reasons) and all(system == canonical.FACTOR for system, _ in reasons)


def _codes(request: Json) -> set[tuple[str, str]]:
    """The reasons of a proposal, as (system, code)."""
    codings = [coding for reason in request.get("reasonCode", ()) for coding in reason.get("coding", ())]
    return {(str(one.get("system", "")), str(one.get("code", ""))) for one in codings}


def _is_older(answered: Answered, before: Json | None) -> bool:
    earlier = _answered(before) if before is not None else None
    return earlier is not None and answered.feet is not None and earlier.feet is not None and answered.feet < earlier.feet


def _knows(answered: Answered, reasons: set[tuple[str, str]]) -> bool:
    return all("person" in answered.states.get(factor, {}) for _, factor in reasons)


def _is_below_active(answered: Answered) -> bool:
    """Whether a category is settled that rules out every active problem: then none threatens the limb either."""
    scheme, (least, most) = SCHEMES.get(answered.scheme), answered.ranges.get(answered.scheme, ("", ""))
    category = scheme.categories.get(least) if scheme is not None and scheme.stratifies_active else None
    return least == most and category is not None and category.standing < _ACTIVE


def _takes_over(one: Json, request: Json, reasons: set[tuple[str, str]]) -> bool:
    return (
        one.get("code") == request.get("code") and one.get("status") != "entered-in-error"
        and _URGENCY.get(str(one.get("priority")), 0) >= _URGENCY.get(str(request.get("priority")), 0) and _codes(one) >= reasons
    )  # fmt: skip
