"""Where a known person stands on a day: the place, the states, and why. See `definitions` for what the words mean.

Nothing that is missing takes anybody off the list: a person of whom nothing is known, whose answers were withdrawn, or whose feet nobody
has looked at is lost; a category that is a range is unsettled. The order in which facts come does not matter.
"""

from collections.abc import Iterable
from datetime import date

from msgspec import Struct
from msgspec.structs import replace

from sural.evidence.truth import NO, YES, Truth
from sural.exam.moment import after, moment
from sural.footrisk.scheme import NOT_APPLICABLE, Review, Scheme
from sural.footrisk.schemes import SCHEMES
from sural.recall.deterioration import Change, deterioration
from sural.recall.facts import Answered, Fact, Followed, Proposed, Reached
from sural.recall.snapshot import Snapshot

USABLE = ("final", "amended", "corrected", "preliminary")
"""Statuses of answers that stand."""
OPEN = ("active", "draft", "on-hold", "unknown")
"""Statuses of proposals that wait for somebody."""
SEEN = {
    "Task": ("completed",),
    "Encounter": ("arrived", "triaged", "in-progress", "onleave", "finished"),
    "ServiceRequest": ("completed",),
}
"""Statuses by which somebody has been seen for a proposal (project choice, decision 0020)."""
REFUSED = {
    "Task": ("rejected", "cancelled", "failed"),
    "Encounter": ("cancelled",),
    "ServiceRequest": ("revoked", "entered-in-error"),
}
BOOKED = {"Task": ("accepted", "ready", "in-progress", "on-hold"), "Encounter": ("planned",), "ServiceRequest": ()}
YEAR = "P12M"
URGENCIES = ("stat", "asap", "urgent", "routine")


class Known(Struct, frozen=True):
    """Somebody the ledger knows: by which reference, what the record system last said of the record, and the facts of their answers."""

    subject: str
    facts: tuple[Fact, ...] = ()
    remark: str = ""


class Referral(Struct, frozen=True):
    """A proposal for which nobody has been seen: `late` when its last day has passed; `state` is waiting, booked or refused."""

    reference: str
    service: str
    priority: str
    due: date | None
    late: bool
    state: str


class Entry(Struct, frozen=True):
    """One person on a day. `examined` is the last examination of the feet, `due` the first and last day of the review. `not_ruled_out` is a
    category above `at_least` that was certain at an earlier examination, and that the newest answer leaves open."""

    subject: str
    place: str
    states: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    identifier: tuple[str, str] | None = None
    examined: date | None = None
    due: tuple[date, date] | None = None
    scheme: str = ""
    at_least: str = ""
    at_most: str = ""
    not_ruled_out: str = ""
    would_settle: tuple[tuple[str, ...], ...] = ()
    referrals: tuple[Referral, ...] = ()
    changes: tuple[Change, ...] = ()
    answer: str = ""

    @property
    def settled(self) -> bool:
        return self.at_least == self.at_most

    def overdue_days(self, as_of: date) -> int:
        """Days since the last day of the review; 0 before."""
        return max(0, (as_of - self.due[1]).days) if self.due else 0


def judge(known: Known, as_of: date) -> Entry:
    """Where somebody stands. Answers about examinations later than the day do not count."""
    answers = [one for one in known.facts if isinstance(one, Answered)]
    standing = sorted((one for one in answers if one.status in USABLE and _day(one.when, as_of) <= as_of), key=_order)
    identifier = next((one.identifier for one in sorted(answers, key=_order, reverse=True) if one.identifier), None)
    if known.remark == "died":
        return Entry(known.subject, "ended", (), ("died",), identifier)
    reasons = [known.remark] if known.remark else []
    withdrawn = any(one.status not in USABLE for one in answers)
    referrals = _referrals(known.facts, as_of)
    entry = Entry(known.subject, "lost", ("lost",), identifier=identifier, referrals=referrals)
    if not standing:
        return _with(entry, "lost", ("lost",), [*reasons, "examination-withdrawn" if withdrawn else "never-examined"])
    if withdrawn and not any(_feet(one) for one in standing):
        reasons.append("examination-withdrawn")
    return _of_answers(entry, standing, known.facts, as_of, reasons)


def _of_answers(entry: Entry, standing: list[Answered], facts: Iterable[Fact], as_of: date, reasons: list[str]) -> Entry:
    """The entry of somebody with answers that stand, oldest first."""
    newest = standing[-1]
    scheme = SCHEMES.get(newest.scheme)
    at_least, at_most = newest.ranges.get(newest.scheme, ("", ""))
    feet = [day for one in standing if (day := _feet(one)) and day <= as_of]
    examined = max(feet, default=None)
    earlier = _not_ruled_out(scheme, standing) if scheme else ""
    entry = replace(
        entry, examined=examined, scheme=newest.scheme, at_least=at_least, at_most=at_most, not_ruled_out=earlier, answer=newest.reference,
        changes=_changes(standing, facts, examined),
    )  # fmt: skip
    if at_least == NOT_APPLICABLE:
        return _with(entry, "outside", (), [*reasons, "scheme-not-applicable"])
    open_findings = at_least != at_most or scheme is None or not at_least
    if open_findings:
        settle = (_open(scheme, newest),) if scheme else ()
        entry = replace(entry, would_settle=settle)
    states = ["unsettled"] if open_findings else []
    reasons += ["open-findings"] if open_findings else []
    reasons += ["earlier-category-not-ruled-out"] if earlier else []
    if examined is None:
        return _with(entry, "lost", ("lost", *states), [*reasons, "feet-not-examined"])
    ulcer = newest.states.get("foot-ulcer", {}).get("person", False)
    return _by_date(entry, scheme, examined, as_of, _review(scheme, entry, ulcer), states, reasons)


def _by_date(
    entry: Entry, scheme: Scheme | None, examined: date, as_of: date, judged: tuple[Review | None, str], states: list[str], reasons: list[str]
) -> Entry:
    review, why = judged
    reasons += [why] if why else []
    first, last = (after(examined, review.earliest), after(examined, review.latest)) if review else (examined, examined)
    entry = replace(entry, due=(first, last))
    longest = after(examined, _longest(scheme))
    if as_of > last:
        states.insert(0, "overdue")
        reasons.append("review-passed")
    if as_of > longest:
        states.insert(0, "lost")
        reasons.append("no-examination-in-a-year")
    if first <= as_of <= last:
        states.insert(0, "due")
        reasons.append("in-review-interval")
    if "record-gone" in reasons and "lost" not in states:
        states.insert(0, "lost")
    place = next((state for state in states if state in ("lost", "overdue", "due")), "not-due")
    return _with(entry, place, tuple(states), reasons)


def _review(scheme: Scheme | None, entry: Entry, ulcer: bool) -> tuple[Review | None, str]:
    """The review of a category, and why it is another; None when the examination is to be completed at once.

    Where the scheme has none for somebody with an active problem, that of its highest category with one is kept: worse never waits longer.
    """
    longest = _longest(scheme)
    category = scheme.categories.get(entry.at_least) if scheme else None
    if category is None or scheme is None:
        return (_closest(scheme), "treating-service-sets-review") if scheme and ulcer else (Review(longest, longest), "not-stratified")
    if category.review is None:
        return _closest(scheme), "treating-service-sets-review"
    if not entry.settled and entry.at_least == scheme.lowest:
        return None, "complete-the-examination"
    if entry.not_ruled_out:
        return scheme.categories[entry.not_ruled_out].review or _closest(scheme), ""
    return category.review, ""


def _not_ruled_out(scheme: Scheme, standing: Iterable[Answered]) -> str:
    """The category above the one that is certain now that was certain before, and that nothing since has ruled out; empty where there is none.

    Each answer moves it as little as its range demands, so that what an answer leaves open is what was known before. One that rests on an older
    examination of the feet than an answer before it, and is newer by a blood test, rules nothing out.
    """
    ranks = list(scheme.categories)
    kept, low = -1, -1
    latest: date | None = None
    for one in standing:
        feet = _feet(one)
        stale = feet is not None and latest is not None and feet < latest
        latest = latest if stale else feet or latest
        ends = one.ranges.get(scheme.id, ("", ""))
        if NOT_APPLICABLE in ends:
            kept = low = -1
        elif ends[0] in ranks and ends[1] in ranks:
            low, high = map(ranks.index, ends)
            kept = max(kept, low) if stale else min(max(kept, low), high)
    return ranks[kept] if kept > low else ""


def _closest(scheme: Scheme) -> Review:
    """The review of the highest category that has one."""
    return [category.review for category in scheme.categories.values() if category.review][-1]


def _longest(scheme: Scheme | None) -> str:
    """The longest interval for which a scheme leaves anybody: that of its lowest category."""
    review = scheme.categories[scheme.lowest].review if scheme else None
    return review.latest if review else YEAR


def _open(scheme: Scheme, answered: Answered) -> tuple[str, ...]:
    """The smallest set of factors that settles the category; every unknown one where the states do not tell what was stored."""
    truths: dict[str, Truth] = {
        factor: YES if known["person"] else NO for factor, known in answered.states.items() if "person" in known
    }
    reach = scheme.reach(truths)
    if (reach.at_least, reach.at_most) == answered.ranges.get(scheme.id) and reach.open:
        return reach.open
    return tuple(factor for factor in scheme.factors if factor not in truths)


def _changes(standing: list[Answered], facts: Iterable[Fact], examined: date | None) -> tuple[Change, ...]:
    """What is worse at the last examination of the feet than at the one before, whatever blood test came since; of the schemes only the
    pathway's is missed when it opens."""
    newest = next((one for one in reversed(standing) if examined and _feet(one) == examined), standing[-1])
    before = next((one for one in reversed(standing) if (day := _feet(one)) and examined and day < examined), None)
    if before is None:
        return ()
    reached = {one.examination: one.levels for one in facts if isinstance(one, Reached) and one.status in USABLE}
    old, new = (Snapshot(one.ranges, one.states, reached.get(one.examination, {})) for one in (before, newest))
    return tuple(one for one in deterioration(old, new) if one.code != "newly-unsettled" or one.of == newest.scheme)


def _referrals(facts: Iterable[Fact], as_of: date) -> tuple[Referral, ...]:
    """The proposals for which nobody has been seen, the most urgent and then the oldest first."""
    facts = tuple(facts)
    followed: dict[str, list[Followed]] = {}
    for one in facts:
        if isinstance(one, Followed):
            followed.setdefault(one.request, []).append(one)
    found = []
    for one in facts:
        if isinstance(one, Proposed) and one.status in OPEN:
            steps = followed.get(one.reference, [])
            if not any(step.status in SEEN.get(step.type, ()) for step in steps):
                due = _last_day(one.due)
                found.append(Referral(one.reference, one.service, one.priority, due, due is None or as_of > due, _state(steps)))
    return tuple(sorted(found, key=lambda one: (_urgency(one.priority), one.due or date.min, one.service, one.reference)))


def _state(steps: list[Followed]) -> str:
    if any(step.status in BOOKED.get(step.type, ()) for step in steps):
        return "booked"
    return "refused" if any(step.status in REFUSED.get(step.type, ()) for step in steps) else "waiting"


def _urgency(priority: str) -> int:
    return URGENCIES.index(priority) if priority in URGENCIES else len(URGENCIES)


def _with(entry: Entry, place: str, states: tuple[str, ...], reasons: list[str]) -> Entry:
    """The entry with its place; referrals add their state and reasons."""
    if entry.referrals:
        states = (*states, "referred-not-seen")
        for one in entry.referrals:
            reasons.append("referral-refused" if one.state == "refused" else "referral-late" if one.late else "referral-waiting")
    return replace(entry, place=place, states=states, reasons=tuple(dict.fromkeys(reasons)))


def _order(one: Answered) -> tuple[float, str, str, str]:
    when = moment(one.when)
    return when.end if when else float("-inf"), one.feet or "", one.examination, one.reference


def _day(text: str, otherwise: date) -> date:
    when = moment(text)
    return when.first_day if when else otherwise


def _last_day(text: str | None) -> date | None:
    when = moment(text) if text else None
    return when.last_day if when else None


def _feet(one: Answered) -> date | None:
    return _last_day(one.feet)

