"""CDS Hooks cards of one assessment: what threatens limb or life first, then active problems, foot risk and neuropathy.

Source of the form: CDS Hooks 2, "CDS Service Response" (summary under 140 characters, GitHub-flavoured Markdown in the detail, one
suggestion per proposal). A card proposes and never acts: there are no system actions, and a ServiceRequest inside a card is a draft.
"""

import re
from collections.abc import Iterable, Iterator

from msgspec import Struct

from sural import canonical
from sural.answer.assessment import Assessment
from sural.answer.content import said_gap
from sural.answer.coverage import gaps
from sural.answer.identity import uuid_of
from sural.answer.neuropathy_words import conclusion_lines, follow_up_lines, said_patterns
from sural.answer.parts import DEVICE_REFERENCE, Json, Writing
from sural.answer.reasons import said_reason, said_threat
from sural.answer.referrals import request_kind, service_request
from sural.answer.risk_assessments import rationale, said_notes, said_range
from sural.answer.today import OUTSIDE, TODAY, outside_the_pathway
from sural.answer.wording import CAUTIONS, EMERGENCY, NOTES, in_sentence, listed, said_factor, said_span
from sural.exam.examination import Examination
from sural.footrisk.risk import Standing
from sural.plan.pathway import SERVICES
from sural.plan.plan import ACTIVE_FACTORS, Referral

LONGEST_SUMMARY = 139
SOURCE: Json = {"label": f"Sural {canonical.VERSION}, rule set {canonical.RULE_SET}"}
OVERRIDES: dict[str, str] = {
    "already-arranged": "Already arranged, or the person is seen by this service",
    "not-agreed": "The person does not want this",
    "finding-not-confirmed": "The finding is not confirmed at the bedside",
    "local-policy": "Local policy differs",
    "another-reason": "Another reason",
}
_SERIOUS = 2
"""The standing from which a category is more than information: high."""


class _Draft(Struct, frozen=True):
    """A card before it is written down."""

    kind: str
    summary: str
    indicator: str
    lines: tuple[str, ...]
    referrals: tuple[Referral, ...] = ()
    lead: str = ""


def cards(assessment: Assessment, instance: str = "") -> list[Json]:
    """The cards, most pressing first; none when nothing is recorded that calls for advice.

    `instance` is the hookInstance: the same call gives the same cards with the same uuids.
    """
    drafts = [draft for draft in _drafts(assessment) if draft is not None]
    lost = tuple(_unusable(assessment))
    if lost and not drafts:
        drafts = [_Draft("input", "Findings of the lower limb could not be used", "warning", ())]
    writing = Writing(assessment)
    return [_card(draft, lost, writing, instance) for draft in drafts]


def _drafts(assessment: Assessment) -> Iterator[_Draft | None]:
    yield _threat(assessment)
    yield _active(assessment)
    yield _foot_risk(assessment)
    yield _neuropathy(assessment)


def _threat(assessment: Assessment) -> _Draft | None:
    risk = assessment.risk
    reasons = [(said_threat(one, risk), str(one.citation)) for one in risk.threats]
    reasons += [(one.flag.text, str(one.flag.citation)) for one in assessment.neuropathy.urgent]
    if not reasons:
        return None
    lines = (*(f"{_capital(text)} [{source}]" for text, source in reasons), *_remarks(assessment))
    referrals = tuple(one for one in assessment.plan.referrals if one.urgency == "stat")
    return _Draft("threat", f"Refer at once: {listed([text for text, _ in reasons])}", "critical", lines, referrals, EMERGENCY)


def _active(assessment: Assessment) -> _Draft | None:
    referrals = tuple(one for one in assessment.plan.referrals if one.urgency != "stat" and _is_active(one))
    codes = dict.fromkeys(code for one in referrals for code in one.because)
    reasons = listed([said_reason(code, assessment.risk) for code in codes]) or outside_the_pathway(assessment)
    if not reasons:
        return None
    outside = () if referrals else (OUTSIDE,)
    lines = (f"Because of {reasons}.", *outside, *_remarks(assessment))
    return _Draft("active", f"Active foot problem: {reasons}", "warning", lines, referrals)


def _is_active(referral: Referral) -> bool:
    return referral.about == "foot-risk" and bool(set(referral.because) & set(ACTIVE_FACTORS))


def _remarks(assessment: Assessment) -> Iterator[str]:
    """Remarks, those that cannot wait first."""
    return (NOTES[note] for note in sorted(assessment.risk.notes, key=lambda note: note not in TODAY))


def _foot_risk(assessment: Assessment) -> _Draft | None:
    """The pathway's scheme: range and reasons, what would settle it, what was not examined. Where no more than the lowest category is
    certain, only what is still possible is said: nobody is to read it as a low risk."""
    exam, standing = assessment.examination, assessment.risk.standings[assessment.plan.pathway.scheme]
    if not standing.applies or not _concerns(exam):
        return None
    floor = standing.floor
    assert floor is not None
    serious = floor.standing >= _SERIOUS
    referrals = tuple(
        one for one in assessment.plan.referrals if one.about == "foot-risk" and one.urgency != "stat" and not _is_active(one)
    )
    return _Draft("foot-risk", _said(standing), "warning" if serious else "info", tuple(_why(assessment, standing)), referrals)


def _concerns(exam: Examination) -> bool:
    """Whether there is anything to advise on: diabetes, or something recorded of a leg."""
    if exam.value("diabetes") not in (None, "absent"):
        return True
    return bool(exam.unheard) or any(limb.findings or limb.sites or limb.ulcers for limb in exam.limbs)


def _said(standing: Standing) -> str:
    scheme, reach = standing.scheme, standing.reach
    if not reach.settled and reach.at_least == scheme.lowest:
        return f"Foot risk not settled ({scheme.title}): could be {scheme.categories[reach.at_most].display.lower()}; examinations are missing"
    return f"Foot risk, {said_range(scheme, reach)}"


def _why(assessment: Assessment, standing: Standing) -> Iterator[str]:
    if why := rationale(standing, assessment.risk.factors):
        yield why
    sets = [listed([in_sentence(said_factor(factor)) for factor in some]) for some in standing.reach.would_settle]
    if sets:
        yield f"Would settle it: {'; or '.join(sets)}."
    if review := standing.review:
        yield f"Review in {said_span(review.earliest, review.latest)}."
    missing = [said_gap(gap) for gap in gaps(assessment.examination)]
    if missing:
        yield f"Not examined: {'; '.join(missing)}."
    for entry in assessment.plan.suppressed:
        yield f"Already requested: {SERVICES[entry.referral.service]}."
    yield from said_notes(standing)


def _neuropathy(assessment: Assessment) -> _Draft | None:
    found = assessment.neuropathy
    referrals = tuple(one for one in assessment.plan.referrals if one.about == "neuropathy" and one.urgency != "stat")
    if not (found.patterns or found.red_flags or referrals):
        return None
    indicator = "warning" if found.red_flags else "info"
    lines = (*conclusion_lines(found), *follow_up_lines(found))
    return _Draft("neuropathy", f"Neuropathy. {said_patterns(found)}", indicator, lines, referrals)


def _unusable(assessment: Assessment) -> Iterator[str]:
    """What could not be used of the input, by kind and number: it is not ruled out, and not named with its value."""
    count = assessment.intake.counts["unusable"]
    if count:
        yield f"{count} resources could not be used; what they might show is not ruled out."
        faults = [issue for issue in assessment.intake.issues if issue.severity in ("error", "fatal", "warning")]
        yield from dict.fromkeys(issue.kind.text for issue in faults)


def _card(draft: _Draft, lost: Iterable[str], writing: Writing, instance: str) -> Json:
    preliminary = "Preliminary. " if writing.assessment.examination.preliminary else ""
    summary = _short(f"{preliminary}{draft.summary}")
    shortened = summary != f"{preliminary}{draft.summary}"
    card: Json = {
        "uuid": _uuid(instance, writing, draft.kind),
        "summary": summary,
        "detail": _detail(draft, lost, draft.summary if shortened else ""),
        "indicator": draft.indicator,
        "source": SOURCE,
    }
    if draft.referrals:
        card["suggestions"] = [_suggestion(referral, writing, instance) for referral in draft.referrals]
        card["selectionBehavior"] = "any"
        card["overrideReasons"] = [
            {"code": code, "system": canonical.OVERRIDE, "display": text} for code, text in OVERRIDES.items()
        ]
    return card


def _uuid(instance: str, writing: Writing, kind: str) -> str:
    return uuid_of(f"{instance}|{writing.identity.content}|{kind}").removeprefix("urn:uuid:")


def _suggestion(referral: Referral, writing: Writing, instance: str) -> Json:
    """One proposal as a draft to create. What it refers to inside the whole answer is not in the record system, and is left out."""
    resource = service_request(writing, referral)
    for name in ("meta", "reasonReference", "supportingInfo"):
        del resource[name]
    resource |= {"status": "draft", "requester": {"display": DEVICE_REFERENCE["display"]}}
    name = SERVICES[referral.service]
    when = "at once" if referral.urgency == "stat" else f"by {referral.due.isoformat()}"
    label = f"Propose referral: {in_sentence(name)}, {when}"
    return {
        "label": label,
        "uuid": _uuid(instance, writing, request_kind(referral)),
        "actions": [{"type": "create", "description": f"{label}. A proposal for review, not an order.", "resource": resource}],
    }


def _detail(draft: _Draft, lost: Iterable[str], whole: str) -> str:
    parts = [f"**{markdown(draft.lead)}**"] if draft.lead else []
    parts.append("\n".join(f"- {markdown(line)}" for line in (*filter(None, (whole,)), *draft.lines, *lost)))
    parts.append("\n".join(f"*{markdown(caution)}*  " for caution in CAUTIONS).rstrip())
    return "\n\n".join(part for part in parts if part)


def markdown(text: str) -> str:
    """A text that Markdown shows as it is: no markup, link, image or HTML can come of it."""
    plain = " ".join(text.split())
    escaped = re.sub(r"([\\`*_{}\[\]()#+!|~>$@])", r"\\\1", plain).replace("&", "&amp;").replace("<", "&lt;")
    return re.sub(r"(?i)(https?|www)([:.])", r"\1&#8203;\2", escaped)


def _short(text: str) -> str:
    if len(text) <= LONGEST_SUMMARY:
        return text
    return f"{text[: LONGEST_SUMMARY - 1].rsplit(' ', 1)[0].rstrip(',;')}…"


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"
