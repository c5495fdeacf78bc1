"""A recall entry as FHIR: one DetectedIssue for each state of a person (decision 0020).

They are made anew for each list and stored nowhere, so they have no id. `evidence.detail` leads to the stored answer and proposals.
"""

from collections.abc import Iterator
from datetime import date
from typing import Any

from sural import canonical
from sural.answer.parts import concept, meta, narrative
from sural.answer.wording import CAUTIONS, said_factor
from sural.recall.definitions import CHANGES, PLACES, REASONS, STATES
from sural.recall.listing import standing
from sural.recall.person import Entry, Referral
from sural.recall.words import NOT_SETTLED, said_category, said_change, said_floor, said_referral

Json = dict[str, Any]
DATES_EXTENSION = canonical.profile("recall-dates")
_SEVERITY = ("low", "moderate", "high", "high")
_ONLY = ("referral-late", "referral-waiting", "referral-refused")


def detected_issues(entry: Entry, as_of: date) -> Iterator[Json]:
    """One for each state; for somebody in none, one for the place."""
    for state in entry.states or (entry.place,):
        if state == "referred-not-seen":
            yield from (_referred(entry, one, as_of) for one in entry.referrals)
        else:
            yield _issue(entry, state, as_of)


def _issue(entry: Entry, state: str, as_of: date) -> Json:
    said = [f"{(STATES.get(state) or PLACES[state]).display} as of {as_of.isoformat()}."]
    said += [f"{REASONS[reason].display}." for reason in entry.reasons if reason not in _ONLY]
    if entry.at_least:
        least, most = said_floor(entry), said_category(entry.scheme, entry.at_most).lower()
        low = least.lower() if least == NOT_SETTLED else f"at least {least.lower()}"
        said.append(f"Category: {least}." if entry.settled else f"Category: {low}, could be {most}.")
    if entry.not_ruled_out:
        said.append(f"Before: {said_category(entry.scheme, entry.not_ruled_out)}.")
    evidence = [{"code": [_reason(reason)]} for reason in entry.reasons if reason not in _ONLY]
    if state == "unsettled":
        evidence += [{"code": [concept(canonical.FACTOR, factor, said_factor(factor)) for factor in one]} for one in entry.would_settle if one]
    for change in entry.changes:
        said.append(f"{said_change(change)}.")
    evidence += [{"code": [concept(canonical.RECALL, code, CHANGES[code].display)]} for code in dict.fromkeys(one.code for one in entry.changes)]
    if entry.answer:
        evidence.append({"detail": [{"reference": entry.answer}]})
    return _resource(entry, state, _severity(entry, state), said, evidence, entry.due, as_of)


def _referred(entry: Entry, one: Referral, as_of: date) -> Json:
    reason = "referral-refused" if one.state == "refused" else "referral-late" if one.late else "referral-waiting"
    evidence = [{"code": [_reason(reason)], "detail": [{"reference": one.reference}]}]
    pressing = one.priority != "routine"
    severity = "high" if one.priority == "stat" or (one.late and pressing) else "moderate" if one.late or pressing else "low"
    due = (one.due, one.due) if one.due else None
    return _resource(entry, "referred-not-seen", severity, [f"{said_referral(one)}."], evidence, due, as_of)


def _resource(
    entry: Entry, state: str, severity: str, said: list[str], evidence: list[Json], due: tuple[date, date] | None, as_of: date
) -> Json:
    dates: list[Json] = []
    if entry.examined:
        dates.append({"url": "examined", "valueDate": entry.examined.isoformat()})
    if due:
        dates.append({"url": "due", "valuePeriod": {"start": due[0].isoformat(), "end": due[1].isoformat()}})
    resource: Json = {
        "resourceType": "DetectedIssue",
        "meta": meta("recall-issue"),
        "text": narrative(*said, CAUTIONS[0]),
        **({"extension": [{"url": DATES_EXTENSION, "extension": dates}]} if dates else {}),
        "status": "final",
        "code": concept(canonical.RECALL, state, (STATES.get(state) or PLACES[state]).display),
        "severity": severity,
        "patient": patient(entry),
        "identifiedDateTime": as_of.isoformat(),
        "detail": f"{' '.join(said)} {CAUTIONS[0]}",
    }
    if evidence:
        resource["evidence"] = evidence
    return resource


def patient(entry: Entry) -> Json:
    """Whom it is about: by reference, by identifier, or both."""
    system, bar, value = entry.subject.partition("|")
    if bar:
        return {"identifier": {"system": system, "value": value} if system else {"value": value}}
    found: Json = {"reference": entry.subject}
    if entry.identifier:
        named = {"system": entry.identifier[0], "value": entry.identifier[1]}
        found["identifier"] = {name: text for name, text in named.items() if text}
    return found


def _reason(code: str) -> Json:
    return concept(canonical.RECALL, code, REASONS[code].display)


def _severity(entry: Entry, state: str) -> str:
    """By the category that is certain; an open one, and somebody of whom nothing is known, are not below moderate."""
    least = _SEVERITY[standing(entry)]
    is_open = not entry.settled or not entry.at_least
    return "moderate" if least == "low" and (is_open or state == "lost") and state in STATES else least


