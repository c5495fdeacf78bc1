"""What `$extract` answers: the resources that the answers of a QuestionnaireResponse stand for, ready to be stored by whoever asked.

Nothing is stored here, and nothing is ever deleted: an answer that is left out leaves what was extracted before as it is. Each resource
has an identifier made from the response and the question, and is written by conditional update: the same response twice changes
nothing, an amended one amends what it said before. Source: HL7 SDC, observation-based extraction.
"""

from datetime import date
from hashlib import sha256
from typing import Any

import msgspec
from msgspec import Struct

from sural.answer.accounts import outcome
from sural.answer.identity import uuid_of
from sural.canonical import BASE, VERSION, profile
from sural.intake import wire
from sural.intake.answers import Answered, answers
from sural.intake.context import Context
from sural.intake.documents import Document, Item
from sural.intake.questionnaire_response import read_response
from sural.issues import Issue, Refused
from sural.terminology.lexicon import Lexicon

Json = dict[str, Any]
EXTRACTED_SYSTEM = f"{BASE}/identifier/extracted"
PROFILE = f"{profile('lower-limb-finding')}|{VERSION}"
LAST_DAY = date(2999, 12, 31)


class Extracted(Struct, frozen=True):
    """The Bundle, and what there is to say of answers that are not in it."""

    bundle: Json
    issues: tuple[Issue, ...]

    def encoded(self) -> bytes:
        """The answer of the operation: the Bundle, or Parameters with the Bundle and the issues where there are any."""
        if not self.issues:
            return _encoder.encode(self.bundle)
        parts = [{"name": "return", "resource": self.bundle}, {"name": "issues", "resource": outcome(self.issues)}]
        return _encoder.encode({"resourceType": "Parameters", "parameter": parts})


_encoder = msgspec.json.Encoder(decimal_format="number")


def extract(document: Document, lexicon: Lexicon) -> Extracted:
    """Extract from the only QuestionnaireResponse of a document.

    Raises Refused when it cannot be read, is not one of ours, is not complete, or does not say whom it is about and when.
    """
    found = [item for item in document.items if isinstance(item.record, wire.QuestionnaireResponse)]
    if len(found) != 1 or len(document.items) != 1:
        raise Refused(*document.issues or [Issue("resource-type-unsupported", "QuestionnaireResponse")])
    item, response = found[0], found[0].record
    context = Context([item], lexicon, LAST_DAY, False)
    subject = context.references.subject(response.subject, item)
    missing = [Issue("element-missing", item.path, "authored")] if response.authored is None else []
    if subject is None:
        missing += (
            [Issue("subject-not-patient", f"{item.path}.subject")] if response.subject else [Issue("patient-missing", item.path)]
        )
    if missing:
        raise Refused(*missing)
    assert subject is not None
    about = context.gathered(subject)
    read_response(context, item, response, about)
    if context.fates[item.index] != "used" and about.issues:
        raise Refused(*about.issues)
    return Extracted(_bundle(context, item, answers(response)), (*document.issues, *context.unattributed, *about.issues))


def _bundle(context: Context, item: Item, given: list[Answered]) -> Json:
    response = item.record
    key = _key(item)
    source = (
        {"reference": item.reference} if item.reference else {"type": "QuestionnaireResponse", "display": "The response given"}
    )
    entries = []
    for inner, one in zip(context.items[1:], given, strict=True):
        if one.resource is None or context.fates[inner.index] in ("unusable", "notRelevant"):
            continue
        kind = one.resource["resourceType"]
        value = sha256(f"{key}|{one.link}|{_repeat(given, one)}".encode()).hexdigest()[:40]
        resource = {"resourceType": kind, **({"meta": {"profile": [PROFILE]}} if kind == "Observation" else {})}
        resource |= {"identifier": [{"system": EXTRACTED_SYSTEM, "value": value}], **one.resource, "derivedFrom": [source]}
        request = {"method": "PUT", "url": f"{kind}?identifier={EXTRACTED_SYSTEM}|{value}"}
        entries.append({"fullUrl": uuid_of(value), "resource": resource, "request": request})
    bundle: Json = {"resourceType": "Bundle", "type": "transaction"}
    if response.authored and "T" in response.authored:
        bundle["timestamp"] = response.authored
    return bundle | ({"entry": entries} if entries else {})


def _repeat(given: list[Answered], one: Answered) -> int:
    """Which of several answers to the same question this is."""
    return [other.path for other in given if other.link == one.link].index(one.path)


def _key(item: Item) -> str:
    """What tells a response from every other: its identifier, else its id, else its content."""
    own = item.record.identifier
    if own is not None and own.value:
        return f"{own.system or ''}|{own.value}"
    return item.reference or sha256(msgspec.json.encode(item.record)).hexdigest()
