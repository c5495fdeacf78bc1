"""Encounters and referrals on file: where the person is, and what has been asked for already."""

import msgspec

from sural.exam.examination import Request
from sural.exam.finding import Finding
from sural.exam.moment import moment
from sural.intake import wire
from sural.intake.context import Context, Gathered
from sural.intake.documents import Item
from sural.intake.medicines import INTENTS
from sural.intake.standing import modified, ongoing, when
from sural.terminology.coding import codeable_concept

_ENCOUNTER = frozenset(
    {"planned", "arrived", "triaged", "in-progress", "onleave", "finished", "cancelled", "entered-in-error", "unknown"}
)
_REQUEST = frozenset({"draft", "active", "on-hold", "revoked", "completed", "entered-in-error", "unknown"})
_NOBODY_WANTS = frozenset({"option", "proposal"})
_PRIORITY = frozenset({None, "routine", "urgent", "asap", "stat"})
_INPATIENT = frozenset({"IMP", "ACUTE", "NONAC"})
_IN_HOSPITAL = frozenset({"arrived", "triaged", "in-progress", "onleave"})
_ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"


def read_encounter(context: Context, item: Item, record: wire.Encounter, about: Gathered) -> None:
    """A stay in hospital that is under way on the day of assessment (FHIR v3-ActCode: IMP, ACUTE, NONAC)."""
    if modified(context, item, record, about):
        return
    kind = record.class_
    if record.status not in _ENCOUNTER:
        context.unusable(item, "status-invalid" if record.status else "element-missing", about)
        return
    if kind is None or kind.code not in _INPATIENT or kind.system not in (None, _ACT_CODE) or record.status not in _IN_HOSPITAL:
        context.not_relevant(item)
        return
    stay = None
    if record.period is not None:
        try:
            began, ended = when(record.period.start, None), when(record.period.end, None)
        except ValueError:
            context.unusable(item, "date-invalid", about, ".period")
            return
        if (began and began.first_day > context.as_of) or (ended and ended.last_day < context.as_of):
            context.not_relevant(item)
            return
        if began and ended and ended.end < began.start:
            context.unusable(item, "date-invalid", about, ".period")
            return
        stay = began
    concept = context.lexicon.concepts["inpatient"]
    about.findings.append(Finding(concept, None, None, "present", ongoing(stay, context.as_of), item))


def read_request(context: Context, item: Item, record: wire.ServiceRequest, about: Gathered) -> None:
    """A referral on file. Only one that is active and really wanted by someone can make a second one needless: never a proposal, of Sural
    or another, which R4 defines as a suggestion without the intention to make it happen."""
    if record.status not in _REQUEST or record.intent not in INTENTS or record.priority not in _PRIORITY:
        context.unusable(item, "status-invalid" if record.status and record.intent else "element-missing", about)
        return
    codings = []
    for raw in (record.code, record.performerType, *record.orderDetail):
        if raw:
            try:
                codings += codeable_concept(bytes(raw)).coding
            except msgspec.MsgspecError:
                context.unusable(item, "structure-invalid", about)
                return
    service = context.lexicon.service(codings)
    if (
        service is None
        or record.status != "active"
        or record.intent in _NOBODY_WANTS
        or record.doNotPerform
        or record.modifierExtension
    ):
        context.not_relevant(item)
        return
    authored = moment(record.authoredOn) if record.authoredOn else None
    about.requests.append(
        Request(service[0], service[1], record.priority or "routine", authored.last_day if authored else None, item)
    )
    context.fates[item.index] = "used"
