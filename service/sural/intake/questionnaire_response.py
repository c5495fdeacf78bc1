"""A QuestionnaireResponse to one of our forms: each answer is read as the resource that says the same, and counted like one.

An issue points at the answer, which is the node that a person can correct.
"""

import msgspec

from sural.exam.finding import Unheard
from sural.exam.moment import moment
from sural.intake import wire
from sural.intake.answers import STATUSES, Answered, answers
from sural.intake.context import Context, Gathered
from sural.intake.documents import MAX_ENTRIES, Item
from sural.intake.medicines import read_medication
from sural.intake.observations import read_observation
from sural.intake.unheard import keep_observation
from sural.issues import Issue, Refused
from sural.terminology.questions import Question, questions

_encoder = msgspec.json.Encoder(decimal_format="number")


def read_response(context: Context, item: Item, record: wire.QuestionnaireResponse, about: Gathered) -> None:
    """Read every answer of a response. The context gets one item for each, in the order in which they stand.

    Raises Refused for more answers than a Bundle may have entries.
    """
    found = answers(record)
    if len(found) > MAX_ENTRIES:
        raise Refused(Issue("too-many-entries", item.path, f"limit: {MAX_ENTRIES} answers", item.line))
    refused = _refused(context, record)
    if questions(record.questionnaire) is None:
        part = ".questionnaire" if record.questionnaire else ""
        context.not_relevant(item, "questionnaire-unknown", about, part)
    elif refused:
        context.unusable(item, refused[0], about, refused[1])
    else:
        context.fates[item.index] = "used" if found else "notRelevant"
    for one in found:
        inner = context.add_contained(_item(item, one))
        if context.fates[item.index] == "notRelevant":
            context.not_relevant(inner)
            context.reasons[inner.index] = "questionnaire-unknown"
        elif refused:
            context.fates[inner.index] = "unusable"
            context.reasons[inner.index] = refused[0]
            if isinstance(inner.record, wire.Observation):
                keep_observation(context, inner, inner.record, about)
        elif one.trouble:
            context.unusable(inner, one.trouble, about)
            if one.unheard is not None:
                about.unheard.append(_unheard(context, inner, record, one.unheard))
        else:
            _read(context, inner, about)


def _refused(context: Context, record: wire.QuestionnaireResponse) -> tuple[str, str] | None:
    """Why nothing of a response can be used, as key and path."""
    if record.status is None:
        return "element-missing", ""
    if record.status not in STATUSES:
        return "status-invalid", ".status"
    if record.status == "in-progress":
        return None if context.preliminary else ("preliminary", ".status")
    if STATUSES[record.status] not in ("final", "amended"):
        return "status-not-usable", ".status"
    if record.modifierExtension:
        return "modifier-extension", ".modifierExtension[0]"
    if record.implicitRules is not None:
        return "modifier-extension", ".implicitRules"
    if record.authored is not None and moment(record.authored) is None:
        return "date-invalid", ".authored"
    return None


def _unheard(context: Context, inner: Item, record: wire.QuestionnaireResponse, asked: Question) -> Unheard:
    """An answer that says something which cannot be read: while it stands, nothing it may speak for is ruled out."""
    site = context.lexicon.sites[asked.site] if asked.site else None
    when = moment(record.authored) if record.authored is not None else None
    return Unheard(asked.concept, asked.side or None, site, None, when, inner)


def _item(holder: Item, one: Answered) -> Item:
    """An answer as an item of the input."""
    record = wire.resource_decoder.decode(_encoder.encode(one.resource)) if one.resource is not None else None
    kind = one.resource["resourceType"] if one.resource is not None else ""
    return Item(holder.index, holder.base, holder.number, None, kind, record, holder.line, holder, one.path)


def _read(context: Context, inner: Item, about: Gathered) -> None:
    """Read one answer. What its resource has and the answer has not is pointed at as the answer, or as its value."""
    first = len(about.issues)
    if isinstance(inner.record, wire.Observation):
        read_observation(context, inner, inner.record, about)
    else:
        read_medication(context, inner, inner.record, about)
    path = inner.path
    for number in range(first, len(about.issues)):
        issue = about.issues[number]
        rest = issue.expression.removeprefix(path)
        if rest not in ("", ".value"):
            at = f"{path}.value" if rest.startswith(".component") else path
            about.issues[number] = msgspec.structs.replace(issue, expression=at)
