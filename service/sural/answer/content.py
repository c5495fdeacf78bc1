"""What a report says, as titled lists of plain lines: the text for a terminal and the page both render this, in this order.

What to act on first comes first; then referrals, category and reasons, what contradicts itself or could not be used, neuropathy, scores and
findings, what was not examined and what became of the input.
"""

from collections.abc import Iterable, Iterator

from msgspec import Struct

from sural.answer.assessment import Assessment
from sural.answer.coverage import Gap, gaps
from sural.answer.drawing.facts import FULL_TITLES
from sural.answer.drawing.view import view
from sural.answer.drawing.words import findings
from sural.answer.neuropathy_words import conclusion_lines, follow_up_lines, score_line
from sural.answer.reasons import said_reasons, said_threat
from sural.answer.risk_assessments import rationale, said_difference, said_notes, said_range
from sural.answer.states import moments_of_the_feet
from sural.answer.today import TODAY, to_do_today
from sural.answer.wording import (
    CAUTIONS,
    EMERGENCY,
    NOTES,
    in_sentence,
    listed,
    said_against,
    said_factor,
    said_span,
    said_urgency,
    said_value,
)
from sural.exam.examination import Examination
from sural.exam.finding import Finding
from sural.footrisk.prognosis import NOT_FOR, PERCENT, RISKS, TITLE, Prognosis
from sural.footrisk.risk import FootRisk, GradedUlcer, Standing
from sural.intake.read import Intake
from sural.issues import Issue
from sural.plan.pathway import SERVICES
from sural.plan.plan import Recall, Referral


class Section(Struct, frozen=True):
    """A titled list; `key` names it for the page."""

    key: str
    title: str
    lines: tuple[str, ...]


class Content(Struct, frozen=True):
    """A report before it is laid out. `alarms` is empty unless limb or life is threatened; then its first line says what to do."""

    heading: str
    examined: str
    alarms: tuple[str, ...]
    sections: tuple[Section, ...]
    cautions: tuple[str, ...]


def content(assessment: Assessment) -> Content:
    """What the report of one patient says; sections with nothing to list are left out."""
    exam = assessment.examination
    preliminary = "PRELIMINARY. " if exam.preliminary else ""
    subject = exam.subject.reference or "a patient without an identity"
    return Content(
        f"{preliminary}Foot and lower-limb assessment of {subject}, as of {exam.as_of.isoformat()}",
        _examined(exam),
        tuple(_alarms(assessment)),
        tuple(section for section in _sections(assessment) if section.lines),
        CAUTIONS,
    )


def _examined(exam: Examination) -> str:
    """When the feet were examined; a later blood test or diagnosis is not taken for it."""
    days = list(dict.fromkeys(moment.text[:10] for moment in moments_of_the_feet(exam)))
    feet = "not in what was sent" if not days else days[0] if len(days) == 1 else f"findings from {days[0]} to {days[-1]}"
    newest = exam.latest[:10] if exam.latest else ""
    other = f"; newest finding of any kind: {newest}" if newest and newest not in days[-1:] else ""
    return f"Feet examined: {feet}{other}"


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _alarms(assessment: Assessment) -> Iterator[str]:
    """What threatens limb or life, with the emergency route before it."""
    risk = assessment.risk
    threats = [f"{_capital(said_threat(threat, risk))} [{threat.citation}]" for threat in risk.threats]
    urgent = [
        f"{raised.flag.text[:1].upper()}{raised.flag.text[1:]} [{raised.flag.citation}]"
        for raised in assessment.neuropathy.urgent
    ]
    if threats or urgent:
        yield EMERGENCY
        yield from threats
        yield from urgent


def _sections(assessment: Assessment) -> Iterator[Section]:
    exam, risk, found = assessment.examination, assessment.risk, assessment.neuropathy
    yield _section("today", "To do today", to_do_today(assessment))
    yield _section("referrals", "Referrals (proposals)", _referrals(assessment))
    yield _section("foot-risk", "Foot risk", _foot_risk(assessment))
    yield _section("ulcers", "Ulcers", (_ulcer(graded) for graded in risk.ulcers))
    yield _section("remarks", "Remarks", (NOTES[note] for note in risk.notes if note not in TODAY))
    yield _section(
        "contradictions",
        "Contradictions, the worse reading taken",
        (_contradiction(one.taken, one.against) for one in exam.contradictions),
    )
    shown = view(assessment)
    yield _section("not-usable", "Recorded but not usable: not ruled out, look again", shown.not_usable)
    yield _section("neuropathy", "Neuropathy", (*conclusion_lines(found), *follow_up_lines(found)))
    yield _section("scores", "Scores", (score_line(score) for score in assessment.scores))
    yield _section("trend", "Over time", _trend(assessment))
    yield _section("findings", "Findings", findings(shown))
    yield _section("not-examined", "Not examined", (said_gap(gap) for gap in gaps(exam)))
    yield _section("input", "Input", _input(assessment.intake))


def _section(key: str, title: str, lines: Iterable[str]) -> Section:
    return Section(key, title, tuple(lines))


def _trend(assessment: Assessment) -> Iterator[str]:
    """What has certainly changed since the earlier examinations of the same input."""
    trend = assessment.trend
    titles = {**FULL_TITLES, **{score.id: score.table.title for score in assessment.scores}}
    for change in trend.changes:
        of = titles.get(change.of, change.of.replace("-", " ").capitalize())
        side = f", {change.side}" if change.side else ""
        yield f"{of}{side}: {change.before} on {change.since.isoformat()}, now {change.after}."
    if trend.earlier and not trend.changes:
        days = listed([point.day.isoformat() for point in trend.earlier])
        yield f"No certain change since the examination of {days}."


def sources(assessment: Assessment) -> tuple[str, ...]:
    """The published source of every rule that the report rests on, each once."""
    risk, neuropathy = assessment.risk, assessment.neuropathy
    cited = [
        *(standing.scheme.citation for standing in risk.standings.values()),
        *(standing.floor.citation for standing in risk.standings.values() if standing.floor),
        *((RISKS,) if risk.prognosis.score is not None else ()),
        *(threat.citation for threat in risk.threats),
        *(pattern.rule.citation for pattern in neuropathy.patterns),
        *(certainty.citation for certainty in neuropathy.certainty.values()),
        *(raised.flag.citation for raised in neuropathy.red_flags),
        *(supported.cause.citation for supported in neuropathy.causes),
        *(test.citation for test in neuropathy.work_up),
        *(score.table.citation for score in assessment.scores),
    ]
    referred = [f"{referral.source} [{referral.mark}]" for referral in assessment.plan.referrals]
    return tuple(dict.fromkeys([*map(str, cited), *referred]))


def _referrals(assessment: Assessment) -> Iterator[str]:
    plan = assessment.plan
    for referral in plan.referrals:
        yield said_referral(referral, assessment.risk)
    for entry in plan.suppressed:
        reference = entry.request.source.reference or entry.request.source.path
        yield f"{SERVICES[entry.referral.service]}: not proposed again, an active request is on file ({reference})."
    if plan.recall is not None:
        yield _look_again(plan.recall, assessment.risk.standings[plan.pathway.scheme])


def _look_again(recall: Recall, standing: Standing) -> str:
    """When to look again; what has to be done before, when the category may be a higher one than its interval is for."""
    earliest, latest = recall.earliest.isoformat(), recall.latest.isoformat()
    if standing.review is None:
        return f"Look again on {earliest}: complete the examination."
    when = f"by {latest}" if earliest == latest else f"from {earliest} to {latest}"
    if standing.reach.settled:
        return f"Look again {when}."
    most = in_sentence(standing.scheme.categories[standing.reach.at_most].display)
    return f"Look again {when}; before that, complete the examination: {most} is not excluded."


def said_referral(referral: Referral, risk: FootRisk) -> str:
    """One referral in a sentence."""
    when = "at once" if referral.urgency == "stat" else f"by {referral.due_at or referral.due.isoformat()}"
    triage = f", triage by {referral.triage_by.isoformat()}" if referral.triage_by else ""
    why = f", {in_sentence(said_reasons(referral, risk))}" if referral.because else ""
    return f"{SERVICES[referral.service]}: {said_urgency(referral.urgency)}, {when}{triage}{why} [{referral.source}]."


def _foot_risk(assessment: Assessment) -> Iterator[str]:
    risk = assessment.risk
    for standing in risk.standings.values():
        yield said_standing(standing, assessment)
    yield _prognosis(risk.prognosis)
    for difference in risk.differences:
        yield said_difference(difference)


def said_standing(standing: Standing, assessment: Assessment) -> str:
    """One scheme: range, reasons, what would settle it, review and remarks."""
    parts = [f"{said_range(standing.scheme, standing.reach)}."]
    why = rationale(standing, assessment.risk.factors)
    if why:
        parts.append(why)
    if standing.reach.open:
        parts.append(f"Would settle it: {listed([in_sentence(said_factor(factor)) for factor in standing.reach.open])}.")
    if standing.review:
        parts.append(f"Review in {said_span(standing.review.earliest, standing.review.latest)}.")
    parts += said_notes(standing)
    return " ".join(parts)


def _prognosis(prognosis: Prognosis) -> str:
    score = prognosis.score
    if score is None:
        return f"{TITLE}: does not apply: {listed([NOT_FOR[reason] for reason in prognosis.excluded])}."
    if prognosis.exact is not None:
        percent, low, high = PERCENT[prognosis.exact]
        return f"{TITLE}: score {prognosis.exact}, {percent} % (95 % interval {low} to {high} %) risk of a new ulcer within two years."
    least, most = int(score.low), int(score.high)
    return f"{TITLE}: score {least} to {most}, {PERCENT[least][0]} to {PERCENT[most][0]} % risk of a new ulcer within two years."


def _ulcer(graded: GradedUlcer) -> str:
    site = graded.ulcer.present.site if graded.ulcer else None
    what = f", {site.display.lower()}" if site else "" if graded.ulcer else ", gangrene or rest pain without an ulcer on record"
    parts = [f"{graded.side.capitalize()} foot{what}:"]
    if graded.sinbad:
        score = graded.sinbad.score
        missing = f" (missing: {', '.join(graded.sinbad.missing)})" if graded.sinbad.missing else ""
        parts.append(f"SINBAD {score.low if score.exact is not None else f'{score.low} to {score.high}'}{missing};")
    if graded.texas:
        parts.append(
            f"University of Texas {' or '.join(graded.texas.possible) if len(graded.texas.possible) < 5 else 'not gradable'};"
        )
    if graded.wifi:
        wifi = graded.wifi
        grades = ", ".join(
            f"{name} {'/'.join(map(str, possible))}"
            for name, possible in (("W", wifi.wound), ("I", wifi.ischaemia), ("fI", wifi.infection))
        )
        parts.append(f"WIfI {grades}, stage {'/'.join(map(str, wifi.stages))} (table from memory);")
    infection = graded.infection
    parts.append(f"IWGDF/IDSA infection {infection.grade or f'{infection.at_least} to {infection.at_most}'}.")
    if graded.wifi:
        parts += [NOTES[note] for note in graded.wifi.notes]
    return " ".join(parts)


def _contradiction(taken: Finding, against: tuple[Finding, ...]) -> str:
    where = " ".join(filter(None, (taken.concept.display, taken.site.display.lower() if taken.site else "", taken.side or "")))
    return f"{where}: {said_value(taken)} against {', '.join(said_against(taken, other) for other in against)}."


def said_gap(gap: Gap) -> str:
    """One part that was not examined."""
    sides = "both feet" if len(gap.sides) == 2 else f"{gap.sides[0]} foot"
    reasons = f" ({', '.join(reason.replace('-', ' ') for reason in gap.reasons)})" if gap.reasons else ""
    return f"{gap.text}, {sides}{reasons}"


def _input(intake: Intake) -> Iterator[str]:
    counts = intake.counts
    yield (
        f"{sum(counts.values())} resources: {counts['used']} used, {counts['superseded']} superseded, "
        f"{counts['notRelevant']} not relevant, {counts['unusable']} unusable."
    )
    for issue in intake.issues:
        yield said_issue(issue)


def said_issue(issue: Issue) -> str:
    """One issue on a line."""
    where = f" at {issue.expression}" if issue.expression else ""
    detail = f" ({issue.diagnostics})" if issue.diagnostics else ""
    return f"{issue.severity}: {issue.kind.text} [{issue.key}]{where}{detail}"
