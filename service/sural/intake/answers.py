"""The answers of a QuestionnaireResponse to one of our forms, each as the FHIR resource that says the same.

One answer is one Observation (a named medicine a MedicationStatement), about the response's subject and of its time. What the answer
is worth the readers of those resources decide: a response is read exactly as what is extracted from it.

Source: HL7 SDC, observation-based extraction (item code, subject, encounter, author and authored carried over, the unit of the question).
"""

from collections.abc import Iterator
from typing import Any

import msgspec
from msgspec import Struct

from sural import canonical
from sural.exam.moment import moment
from sural.intake import wire
from sural.terminology import dictionary
from sural.terminology.questions import Question, questions

Json = dict[str, Any]
STATUSES = {
    "completed": "final",
    "amended": "amended",
    "in-progress": "preliminary",
    "entered-in-error": "entered-in-error",
    "stopped": "unknown",
}
"""What a status of a response means for an Observation. A response that was stopped is no evidence."""
_VALUES = (
    "valueBoolean", "valueDecimal", "valueInteger", "valueDate", "valueDateTime", "valueString", "valueCoding", "valueQuantity",
    "valueTime", "valueUri", "valueAttachment", "valueReference",
)  # fmt: skip
_SAYS_SOMETHING = ("value-type", "structure-invalid")
_PERFORMERS = ("Practitioner", "PractitionerRole", "Organization", "CareTeam", "Patient", "RelatedPerson")


class Answered(Struct):
    """One answer: where it stands in the response, its link id, and its resource, or the key of why it has none.

    `unheard` is the question of an answer that says something which cannot be read.
    """

    path: str
    link: str
    resource: Json | None = None
    trouble: str = ""
    unheard: Question | None = None


class Unreadable(Exception):
    """An answer that cannot be taken; the message is the key of the issue."""


def answers(response: wire.QuestionnaireResponse) -> list[Answered]:
    """Every answer in the order in which they stand. Answers to a form that is not ours have neither resource nor trouble."""
    known = questions(response.questionnaire)
    given = [(path, item, number) for path, item in _items(response.item) for number in range(len(item.answer))]
    if known is None:
        return [Answered(f"{path}.answer[{number}]", item.linkId or "") for path, item, number in given]
    shared = _shared(response)
    valued = {item.linkId for _, item, number in given if _values(item.answer[number])}
    found = []
    for path, item, number in given:
        one = Answered(f"{path}.answer[{number}]", item.linkId or "")
        try:
            one.resource = _resource(item, item.answer[number], known, valued, shared)
        except Unreadable as why:
            one.trouble = str(why)
            asked = known.get(one.link)
            one.unheard = asked if asked is not None and not asked.of and one.trouble in _SAYS_SOMETHING else None
        found.append(one)
    return found


def _items(items: tuple[wire.ResponseItem, ...]) -> Iterator[tuple[str, wire.ResponseItem]]:
    """Every item with its path, also those that stand in answers, in the order of the document."""
    waiting = _numbered(items, "")
    while waiting:
        path, item = waiting.pop()
        yield path, item
        for index in reversed(range(len(item.answer))):
            waiting += _numbered(item.answer[index].item, f"{path}.answer[{index}]")
        waiting += _numbered(item.item, path)


def _numbered(items: tuple[wire.ResponseItem, ...], path: str) -> list[tuple[str, wire.ResponseItem]]:
    """Items with their paths, the last first."""
    return [(f"{path}.item[{number}]", items[number]) for number in reversed(range(len(items)))]


def _shared(response: wire.QuestionnaireResponse) -> Json:
    """What every Observation has from its response."""
    shared: Json = {"status": STATUSES.get(response.status or "")}
    if response.subject is not None:
        shared["subject"] = _plain(response.subject)
    if response.encounter:
        shared["encounter"] = response.encounter
    if response.authored is not None:
        shared["effectiveDateTime"] = response.authored
        if moment(response.authored) and "T" in response.authored:
            shared["issued"] = response.authored
    if response.author:
        author = msgspec.json.decode(response.author)
        if str(author.get("reference", "")).split("/")[-2:-1] and str(author["reference"]).split("/")[-2] in _PERFORMERS:
            shared["performer"] = [response.author]
    return {name: value for name, value in shared.items() if value is not None}


def _values(answer: wire.Answer) -> list[str]:
    return [name for name in _VALUES if getattr(answer, name) not in (None, wire.NONE)]


def _resource(item: wire.ResponseItem, answer: wire.Answer, known: dict[str, Question], valued: set[Any], shared: Json) -> Json:
    question = known.get(item.linkId or "")
    if question is None:
        raise Unreadable("question-unknown")
    given = _values(answer)
    if len(given) != 1:
        raise Unreadable("structure-invalid" if given else "value-missing")
    if question.of and question.of in valued:
        raise Unreadable("value-and-absent-reason")
    value = _value(given[0], answer, question)
    more = {"modifierExtension": answer.modifierExtension or item.modifierExtension}
    modified = more if more["modifierExtension"] else {}
    if question.part == "medicine":
        return _medicine(value, shared) | modified
    return _observation(question, value, shared) | modified


def _value(name: str, answer: wire.Answer, question: Question) -> Json:
    """The value of an Observation, or the reason why there is none."""
    asked = question.answered
    given = getattr(answer, name)
    if name == "valueCoding":
        concept = {"coding": [_plain(given)]}
        absent = question.of or (given.system == canonical.ABSENT_REASON and not question.part)
        return {"dataAbsentReason" if absent else "valueCodeableConcept": concept}
    if question.of:
        raise Unreadable("value-type")
    if name == "valueDecimal":
        unit = asked.unit or "1"
        return {"valueQuantity": {"value": given, "unit": unit, "system": canonical.UCUM, "code": unit}}
    if name == "valueInteger" and asked.kind == "Quantity":
        return {"valueQuantity": {"value": given, "unit": asked.unit, "system": canonical.UCUM, "code": asked.unit}}
    if name == "valueDate":
        return {"valueDateTime": given}
    if name == "valueQuantity":
        return {name: _plain(given)}
    if name in ("valueBoolean", "valueInteger", "valueDateTime", "valueString"):
        return {name: given}
    raise Unreadable("value-type")


def _plain(given: Struct) -> Json:
    """A record as plain JSON, with what it does not have left out."""
    held = {name: getattr(given, name) for name in given.__struct_fields__}
    return {name: _plain(one) if isinstance(one, Struct) else one for name, one in held.items() if one is not None}


def _observation(question: Question, value: Json, shared: Json) -> Json:
    resource: Json = {"resourceType": "Observation", **shared, "code": _own(question.concept.code)}
    places = [
        {"system": system, "code": code}
        for system, code in ((canonical.SITE, question.site), (canonical.SIDE, question.side))
        if code
    ]
    if places:
        resource["bodySite"] = {"coding": places}
    if not question.part or "dataAbsentReason" in value:
        return resource | value
    if question.concept.kind == "code":
        resource["valueCodeableConcept"] = _coded(canonical.FINDING_VALUE, "present", dictionary.answer_displays()["present"])
    resource["component"] = [{"code": _own(question.part), **value}]
    if question.minutes:
        minutes = {"value": int(question.minutes), "unit": "min", "system": canonical.UCUM, "code": "min"}
        resource["component"].append({"code": _own("minutes-standing"), "valueQuantity": minutes})
    return resource


def _medicine(value: Json, shared: Json) -> Json:
    """A medicine that the person takes or took."""
    if "valueCodeableConcept" in value:
        named = value["valueCodeableConcept"]
    elif "valueString" in value:
        named = {"text": value["valueString"]}
    else:
        raise Unreadable("value-type")
    taken = {"final": "active", "amended": "active", "entered-in-error": "entered-in-error"}
    statement: Json = {"resourceType": "MedicationStatement", "status": taken.get(shared.get("status", ""), "unknown")}
    carried = {name: shared[name] for name in ("subject", "effectiveDateTime") if name in shared}
    return statement | {"medicationCodeableConcept": named} | carried


def _own(code: str) -> Json:
    return _coded(canonical.FINDING, code, dictionary.concepts()[code].display)


def _coded(system: str, code: str, display: str) -> Json:
    return {"coding": [{"system": system, "code": code, "display": display}]}
