"""What should happen: referrals as proposals, each with its time, and when to look again."""

from collections.abc import Iterable
from datetime import date, datetime, timedelta

from msgspec import Struct
from msgspec.structs import replace

from sural.exam.examination import Examination, Request
from sural.exam.finding import Finding
from sural.exam.moment import Moment, after, before
from sural.footrisk.risk import FootRisk, Standing
from sural.footrisk.scheme import NOT_APPLICABLE, NOT_STRATIFIED
from sural.plan.calendar import Calendar
from sural.plan.pathway import SERVICES, URGENCIES, Pathway, Step

ACTIVE_FACTORS = (
    "foot-ulcer",
    "foot-infection",
    "limb-threatening-ischaemia",
    "gangrene",
    "charcot-suspected",
    "hot-swollen-foot",
)
SAME_EPISODE = "P7D"
_PRIORITY = {"routine": 0, "urgent": 1, "asap": 2, "stat": 3}
_SERVICE_ORDER = {service: rank for rank, service in enumerate(SERVICES)}


class Window(Struct, frozen=True):
    """The span, after the referral, in which the person is to be seen first."""

    earliest: str
    latest: str


class Referral(Struct, frozen=True):
    """One proposal: to whom, how urgent, by when (and triaged by when), why. `due_at` is by the clock where the rule is, from `since` on.

    `about` says which part of the assessment it follows from, `asks` lists the tests it asks for.
    """

    service: str
    urgency: str
    due: date
    because: tuple[str, ...]
    source: str
    mark: str
    triage_by: date | None = None
    window: Window | None = None
    due_at: str | None = None
    status: str = "active"
    about: str = "foot-risk"
    asks: tuple[str, ...] = ()
    since: str | None = None

    def also(self, because: tuple[str, ...]) -> "Referral":
        """The same proposal for further reasons."""
        return replace(self, because=tuple(dict.fromkeys(self.because + because)))


class Suppressed(Struct, frozen=True):
    """A proposal that is not made because the same service has an active request already."""

    referral: Referral
    request: Request


class Recall(Struct, frozen=True):
    """When to look again, both days included."""

    earliest: date
    latest: date


class Plan(Struct, frozen=True):
    """Referrals in the order to act on them, what was left out because it is on file, and the recall."""

    pathway: Pathway
    calendar: Calendar
    referrals: tuple[Referral, ...]
    suppressed: tuple[Suppressed, ...]
    recall: Recall | None


def make_plan(
    exam: Examination, risk: FootRisk, standing: Standing, pathway: Pathway, calendar: Calendar, further: Iterable[Referral] = ()
) -> Plan:
    """Referrals and recall of one person. `standing` is that of the pathway's scheme; `further` are proposals of other parts."""
    proposed = sorted((*_foot_referrals(exam, risk, standing, pathway, calendar), *further), key=_order)
    kept: list[Referral] = []
    suppressed: list[Suppressed] = []
    for referral in proposed:
        request = next((request for request in exam.requests if _covers(request, referral, exam)), None)
        if request is None:
            kept.append(referral)
        else:
            suppressed.append(Suppressed(referral, request))
    return Plan(pathway, calendar, tuple(kept), tuple(suppressed), _recall(exam.as_of, standing))


def _order(referral: Referral) -> tuple[int, date, int]:
    return URGENCIES.index(referral.urgency), referral.due, _SERVICE_ORDER[referral.service]


def _foot_referrals(
    exam: Examination, risk: FootRisk, standing: Standing, pathway: Pathway, calendar: Calendar
) -> list[Referral]:
    code = standing.reach.at_least
    if risk.threats:
        step = pathway.threat if code != NOT_APPLICABLE else _only_acute(pathway.threat)
        because = tuple(threat.code for threat in risk.threats)
        return [propose(service, step, because, exam, calendar) for service in _services(step, exam, pathway, keep_first=True)]
    if code == NOT_APPLICABLE:
        return []
    active = tuple([factor for factor in ACTIVE_FACTORS if factor in risk.factors.present])
    if active:
        step = pathway.inpatient if exam.value("inpatient") == "present" else pathway.active
        seen = [finding for factor in active for finding in risk.factors.findings(factor)]
        return [propose(service, step, active, exam, calendar, seen=seen) for service in _services(step, exam, pathway)]
    if code == NOT_STRATIFIED or code not in pathway.category:
        return []
    step = pathway.category[code]
    return [propose(service, step, standing.reach.because, exam, calendar) for service in _services(step, exam, pathway)]


def _only_acute(step: Step) -> Step:
    """Outside the scheme only the emergency route remains."""
    return Step(step.services[:1], step.urgency, "Sural: emergencies of a foot outside the scheme", "project choice")


def _services(step: Step, exam: Examination, pathway: Pathway, keep_first: bool = False) -> tuple[str, ...]:
    """The services of a step; for children their own team, beside the acute services in an emergency."""
    age = exam.subject.age_to
    if age is None or age > pathway.children.to_age:
        return step.services
    return (*step.services[:1], pathway.children.service) if keep_first else (pathway.children.service,)


def propose(
    service: str,
    step: Step,
    because: tuple[str, ...],
    exam: Examination,
    calendar: Calendar,
    about: str = "foot-risk",
    asks: tuple[str, ...] = (),
    seen: Iterable[Finding] = (),
) -> Referral:
    """One proposal by a step of a pathway, with its times. A step by the clock counts from when the problem was `seen`."""
    as_of = exam.as_of
    due, triage, due_at, since = as_of, None, None, None
    window = Window(*step.window) if step.window else None
    if step.hours is not None:
        due, due_at, since = _by_the_clock(exam, step.hours, seen)
    elif step.working_days is not None:
        due = calendar.next_working_day(as_of, step.working_days)
    elif window is not None:
        due = calendar.last_working_day(after(as_of, window.latest))
    if step.triage_working_days is not None:
        triage = calendar.next_working_day(due, step.triage_working_days)
    return Referral(service, step.urgency, due, because, step.source, step.mark, triage, window, due_at, "active", about, asks, since)


def _by_the_clock(exam: Examination, hours: int, seen: Iterable[Finding]) -> tuple[date, str | None, str | None]:
    """Hours that run through nights and weekends: from the first time at which the problem was seen, else from the last at which the
    feet were examined (a blood test later that day moves nothing), else from the day of assessment."""
    first = min(_timed(seen), key=_start, default=None) or max(_timed([*exam.left, *exam.right]), key=_start, default=None)
    if first is None:
        return exam.as_of + timedelta(hours=hours), None, None
    due = datetime.fromisoformat(first.text) + timedelta(hours=hours)
    return max(due.date(), exam.as_of), due.isoformat(), first.text


def _timed(findings: Iterable[Finding]) -> list[Moment]:
    """The moments that have a time of the clock."""
    return [one.moment for one in findings if one.moment is not None and one.moment.start == one.moment.end]


def _start(when: Moment) -> float:
    return when.start


def _covers(request: Request, referral: Referral, exam: Examination) -> bool:
    """Whether a request on file makes a proposal needless: the same service exactly, as urgent at least, and recent enough."""
    if request.service != referral.service or not request.exact or request.authored is None:
        return False
    if _PRIORITY.get(request.priority, 0) < _PRIORITY[referral.urgency]:
        return False
    oldest = exam.lookback_from if referral.urgency == "routine" else before(exam.as_of, SAME_EPISODE)
    return oldest <= request.authored <= exam.as_of


def _recall(as_of: date, standing: Standing) -> Recall | None:
    """By the review of the category; at once when only the lowest is certain; none where another service sets it."""
    if standing.review is not None:
        return Recall(after(as_of, standing.review.earliest), after(as_of, standing.review.latest))
    floor = standing.floor
    if floor is not None and floor.code == standing.scheme.lowest and not standing.reach.settled:
        return Recall(as_of, as_of)
    return None
