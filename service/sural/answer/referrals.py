"""ServiceRequests: proposals, never orders."""

from functools import lru_cache

from sural import canonical
from sural.answer.derived import FOOT_RISK_KIND, NEUROPATHY_KIND
from sural.answer.parts import DEVICE_REFERENCE, Json, Writing, coding, concept, meta, narrative
from sural.answer.reasons import said_reasons
from sural.answer.wording import CAUTIONS, EMERGENCY, in_sentence, listed
from sural.exam.moment import after
from sural.plan.pathway import SERVICES
from sural.plan.plan import Referral
from sural.reasons import REASONS
from sural.terminology.publication import read

_CATEGORY: Json = {"coding": [coding(canonical.SERVICE, "referral", "Referral")], "text": "Referral"}


def service_request(writing: Writing, referral: Referral) -> Json:
    """One proposal: to whom, how urgent, in which window, and why."""
    plan = writing.assessment.plan
    name = SERVICES[referral.service]
    says = _says(referral, name)
    asks = f"Asks for: {listed([in_sentence(REASONS[code]) for code in referral.asks])}." if referral.asks else ""
    neuro = referral.about == "neuropathy"
    why = f"{said_reasons(referral, writing.assessment.risk)}." if referral.because else ""
    source = (
        f"{referral.source} [{referral.mark}]; pathway {plan.pathway.id} {plan.pathway.version}, calendar {plan.calendar.region}."
    )
    urgent = EMERGENCY if referral.urgency == "stat" else ""
    kind = request_kind(referral)
    resource: Json = {
        "resourceType": "ServiceRequest",
        "meta": meta("referral-proposal"),
        "text": narrative(urgent, says, why, asks, source, CAUTIONS[1]),
        "identifier": writing.identity.identifiers(kind),
        "requisition": {"system": f"{canonical.BASE}/identifier/plan", "value": writing.identity.content},
        "status": referral.status,
        "intent": "proposal",
        "category": [_CATEGORY],
        "priority": referral.urgency,
        "code": {"coding": [coding(canonical.SERVICE, referral.service, name), *_open_codings(referral.service)], "text": name},
        "subject": writing.subject,
        "occurrencePeriod": _period(referral, writing),
        "authoredOn": writing.as_of.isoformat(),
        "requester": DEVICE_REFERENCE,
    }
    if referral.because:
        system = canonical.NEUROPATHY if neuro else canonical.FACTOR
        resource["reasonCode"] = [concept(system, code, REASONS[code]) for code in referral.because]
    if referral.asks:
        resource["orderDetail"] = [concept(canonical.NEUROPATHY, code, REASONS[code]) for code in referral.asks]
    resource["reasonReference"] = [writing.link(NEUROPATHY_KIND if neuro else FOOT_RISK_KIND)]
    resource["supportingInfo"] = [writing.link(plan.pathway.scheme)]
    resource["note"] = [{"text": text} for text in (urgent, says, why, asks, source, *CAUTIONS) if text]
    return resource


def request_kind(referral: Referral) -> str:
    return f"referral-{referral.about}-{referral.service}" if referral.about != "foot-risk" else f"referral-{referral.service}"


def _period(referral: Referral, writing: Writing) -> Json:
    """When it is to happen: by the clock from when the problem was seen, or in days from the day of assessment."""
    if referral.due_at and referral.since:
        return {"start": referral.since, "end": referral.due_at}
    start = after(writing.as_of, referral.window.earliest) if referral.window else writing.as_of
    return {"start": start.isoformat(), "end": referral.due.isoformat()}


def _says(referral: Referral, name: str) -> str:
    if referral.urgency == "stat":
        return f"{name}: refer at once."
    if referral.window:
        words = f"to be seen within {_weeks(referral.window.earliest)} to {_weeks(referral.window.latest)} weeks of referral"
        return f"{name}: {words}, by {referral.due.isoformat()}."
    by = referral.due_at or referral.due.isoformat()
    triage = f", triage by {referral.triage_by.isoformat()}" if referral.triage_by else ""
    return f"{name}: refer by {by}{triage}."


def _weeks(duration: str) -> str:
    return duration.removeprefix("P").removesuffix("W")


@lru_cache(maxsize=32)
def _open_codings_of(service: str) -> tuple[tuple[str, str, str | None], ...]:
    found = []
    for group in read("ConceptMap", "services")["group"]:
        for element in group["element"]:
            if any(target["code"] == service and target["equivalence"] == "equivalent" for target in element["target"]):
                found.append((group["source"], element["code"], element.get("display")))
    return tuple(found[:1])


def _open_codings(service: str) -> list[Json]:
    """The open code that means exactly this service, where there is one."""
    return [coding(*entry) for entry in _open_codings_of(service)]
