"""The answer as a page of text, for a terminal: what to act on first, then category, reasons, gaps and cautions."""

from collections.abc import Iterator
from textwrap import fill

from sural.answer.assessment import Assessment
from sural.answer.coverage import Gap, gaps
from sural.answer.risk_assessments import rationale, said_difference, said_range
from sural.answer.wording import CAUTIONS, EMERGENCY, NOTES, in_sentence, listed, said_factor
from sural.exam.finding import Finding
from sural.footrisk.prognosis import PERCENT, TITLE, Prognosis
from sural.footrisk.risk import GradedUlcer, Standing
from sural.intake.read import Intake
from sural.issues import Issue
from sural.plan.pathway import SERVICES
from sural.plan.plan import Plan, Referral
from sural.reasons import REASONS

WIDTH = 100


def report(assessment: Assessment) -> str:
    """The report of one patient. Wrapped at 100 columns; plain text without escape codes."""
    return "\n".join(_lines(assessment)) + "\n"


def _lines(assessment: Assessment) -> Iterator[str]:
    exam, risk, plan = assessment.examination, assessment.risk, assessment.plan
    preliminary = "PRELIMINARY. " if exam.preliminary else ""
    yield f"{preliminary}Foot and lower-limb assessment of {exam.subject.reference}, as of {exam.as_of.isoformat()}"
    yield f"Examination: {exam.latest or 'no dated finding'}"
    if risk.threats:
        yield ""
        yield _wrapped("!! ", EMERGENCY)
        for threat in risk.threats:
            yield _wrapped("!! ", f"{threat.text[:1].upper()}{threat.text[1:]} [{threat.citation}]")
    yield from _section("Referrals (proposals)", _referrals(plan))
    yield from _section("Foot risk", _foot_risk(assessment))
    yield from _section("Ulcers", (_ulcer(graded) for graded in risk.ulcers))
    yield from _section("Neuropathy", assessment.neuropathy.lines())
    yield from _section("Scores", (line for score in assessment.scores for line in score.lines()))
    yield from _section("Remarks", (NOTES[note] for note in risk.notes))
    yield from _section(
        "Contradictions, the worse reading taken", (_contradiction(c.taken, c.against) for c in exam.contradictions)
    )
    yield from _section("Not examined", (said_gap(gap) for gap in gaps(exam)))
    yield from _section("Input", _input(assessment.intake))
    yield ""
    for caution in CAUTIONS:
        yield _wrapped("", caution)


def _section(title: str, lines: Iterator[str]) -> Iterator[str]:
    """A titled list; nothing at all when there is nothing to list."""
    listed_lines = list(lines)
    if listed_lines:
        yield ""
        yield title
        for line in listed_lines:
            yield _wrapped("  - ", line)


def _wrapped(prefix: str, text: str) -> str:
    return fill(
        text, WIDTH, initial_indent=prefix, subsequent_indent=" " * len(prefix), break_long_words=False, break_on_hyphens=False
    )


def _referrals(plan: Plan) -> Iterator[str]:
    for referral in plan.referrals:
        yield said_referral(referral)
    for entry in plan.suppressed:
        reference = entry.request.source.reference or entry.request.source.path
        yield f"{SERVICES[entry.referral.service]}: not proposed again, an active request is on file ({reference})."
    if plan.recall is not None:
        earliest, latest = plan.recall.earliest.isoformat(), plan.recall.latest.isoformat()
        yield f"Look again {f'on {earliest}: complete the examination' if earliest == latest else f'from {earliest} to {latest}'}."


def said_referral(referral: Referral) -> str:
    """One referral in a sentence."""
    reasons = listed([in_sentence(REASONS.get(code, code)) for code in referral.because])
    when = "at once" if referral.urgency == "stat" else f"by {referral.due_at or referral.due.isoformat()}"
    triage = f", triage by {referral.triage_by.isoformat()}" if referral.triage_by else ""
    why = f", because of {reasons}" if reasons else ""
    return f"{SERVICES[referral.service]}: {referral.urgency}, {when}{triage}{why} [{referral.source}]."


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
        earliest, latest = standing.review.earliest, standing.review.latest
        parts.append(f"Review {earliest if earliest == latest else f'{earliest} to {latest}'}.")
    parts += [NOTES[note] for note in standing.notes]
    return " ".join(parts)


def _prognosis(prognosis: Prognosis) -> str:
    score = prognosis.score
    if score is None:
        return f"{TITLE}: does not apply ({', '.join(prognosis.excluded)})."
    if prognosis.exact is not None:
        percent, low, high = PERCENT[prognosis.exact]
        return f"{TITLE}: score {prognosis.exact}, {percent} % (95 % interval {low} to {high} %) risk of a new ulcer within two years."
    least, most = int(score.low), int(score.high)
    return f"{TITLE}: score {least} to {most}, {PERCENT[least][0]} to {PERCENT[most][0]} % risk of a new ulcer within two years."


def _ulcer(graded: GradedUlcer) -> str:
    site = graded.ulcer.present.site if graded.ulcer else None
    parts = [f"{graded.side.capitalize()} foot{f', {site.display.lower()}' if site else ''}:"]
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
    return " ".join(parts)


def _contradiction(taken: Finding, against: tuple[Finding, ...]) -> str:
    where = " ".join(filter(None, (taken.concept.display, taken.site.display.lower() if taken.site else "", taken.side or "")))
    return f"{where}: {taken.said} against {', '.join(other.said for other in against)}."


def said_gap(gap: Gap) -> str:
    """One part that was not examined."""
    sides = "both feet" if len(gap.sides) == 2 else f"{gap.sides[0]} foot"
    reasons = f" ({', '.join(gap.reasons)})" if gap.reasons else ""
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
