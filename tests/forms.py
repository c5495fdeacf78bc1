"""Forms for tests: the published Questionnaires, responses under construction, and the same answers as plain Observations."""

from collections.abc import Iterator
from typing import Any

import orjson

from sural import canonical
from sural.terminology.publication import folder
from tests.builders import EXAMINED, Json, answer, concept, own, place, quantity

FORMS = ("foot-screening", "neurological-examination")
WHY_NOT = "-not-measured"
PARTS = {
    "blood-pressure-lying-": ("blood-pressure-lying", None),
    "blood-pressure-standing-after-1-min-": ("blood-pressure-standing", 1),
    "blood-pressure-standing-after-3-min-": ("blood-pressure-standing", 3),
}


def resource(kind: str, name: str) -> Json:
    found: Json = orjson.loads((folder("terminology") / f"{kind}-{name}.json").read_bytes())
    return found


def questionnaire(form: str) -> Json:
    return resource("Questionnaire", form)


def items(content: Json) -> Iterator[Json]:
    """Every item of a Questionnaire or of a response, groups first."""
    for item in content.get("item", []):
        yield item
        yield from items(item)
        for one in item.get("answer", []):
            yield from items(one)


def questions(form: str) -> dict[str, Json]:
    """The items that can be answered, by link id."""
    return {item["linkId"]: item for item in items(questionnaire(form)) if item["type"] != "group"}


def option(item: Json, code: str) -> Json:
    """One of the answers to choose from."""
    return next(one for one in item["answerOption"] if one["valueCoding"]["code"] == code)


def response(form: str, answers: dict[str, Any], **more: Any) -> Json:
    """A completed response about p1. A text answers by code where there is something to choose; a list answers several times."""
    known = questions(form)

    def written(item: Json) -> Json | None:
        inner = [one for child in item.get("item", []) if (one := written(child)) is not None]
        node: Json = {"linkId": item["linkId"], "text": item["text"]}
        if inner:
            return node | {"item": inner}
        if item["linkId"] not in answers:
            return None
        given = answers[item["linkId"]]
        return node | {"answer": [_answer(known[item["linkId"]], one) for one in (given if isinstance(given, list) else [given])]}

    content: Json = {
        "resourceType": "QuestionnaireResponse",
        "id": "r1",
        "questionnaire": f"{canonical.BASE}/Questionnaire/{form}|{canonical.VERSION}",
        "status": "completed",
        "subject": {"reference": "Patient/p1"},
        "authored": EXAMINED,
        "item": [one for section in questionnaire(form)["item"] if (one := written(section)) is not None],
    } | more
    return {name: value for name, value in content.items() if value not in (None, [])}


def _answer(item: Json, given: Any) -> Json:
    if isinstance(given, dict):
        return given
    if item["type"] == "choice":
        return option(item, given)
    return {f"value{item['type'].capitalize()}": given}


def with_patient(content: Json) -> Json:
    """A response, or the entries of a Bundle, beside the record of the patient."""
    record = {
        "resourceType": "Patient",
        "id": "p1",
        "identifier": [{"system": "urn:example:skerrow", "value": "p1"}],
        "birthDate": "1957-04-11",
    }
    entries = content["entry"] if content["resourceType"] == "Bundle" else [{"resource": content}]
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"resource": record}, *({"resource": one["resource"]} for one in entries)],
    }


def directly(answers: dict[str, Any], concepts: dict[str, Json]) -> Json:
    """The same answers as Observations in our own codes, put together from the link ids alone. `concepts` are those of the dictionary."""
    found: list[Json] = []
    for link, given in answers.items():
        for one in given if isinstance(given, list) else [given]:
            found.append(_resource(link, one, concepts) | {"id": f"o{len(found)}", "subject": {"reference": "Patient/p1"}})
    return with_patient({"resourceType": "Bundle", "entry": [{"resource": one} for one in found]})


def _resource(link: str, given: Any, concepts: dict[str, Json]) -> Json:
    if link == "neurotoxic-medicine-medicine":
        statement = {"resourceType": "MedicationStatement", "status": "active", "effectiveDateTime": EXAMINED}
        return statement | {"medicationCodeableConcept": concept(canonical.MEDICINE, given)}
    asked = link.removesuffix(WHY_NOT)
    observation: Json = {"resourceType": "Observation", "status": "final", "effectiveDateTime": EXAMINED}
    for start, (code, minutes) in PARTS.items():
        if asked.startswith(start):
            return observation | _pressure(code, minutes, asked.removeprefix(start), given)
    code = max((one for one in concepts if asked == one or asked.startswith(f"{one}-")), key=len)
    side, _, site = asked.removeprefix(code).removeprefix("-").partition("-")
    at = place(side or None, site or None)
    observation |= {"bodySite": at} if at else {}
    if code == "deformity-type":
        component = {"code": own(code), "valueCodeableConcept": answer(given)}
        return observation | {"code": own("foot-deformity"), "valueCodeableConcept": answer("present"), "component": [component]}
    return observation | {"code": own(code)} | _value(concepts[code], given)


def _pressure(code: str, minutes: int | None, part: str, given: Any) -> Json:
    if isinstance(given, str):
        return {"code": own(code), "dataAbsentReason": concept(canonical.ABSENT_REASON, given)}
    components = [{"code": own(part), "valueQuantity": quantity(given, "mm[Hg]")}]
    if minutes:
        components.append({"code": own("minutes-standing"), "valueQuantity": quantity(minutes, "min")})
    return {"code": own(code), "component": components}


def _value(known: Json, given: Any) -> Json:
    """The value of a finding by its kind; what is none of its answers is a reason for there being none."""
    told = {
        one["code"]: next(iter(v for k, v in one.items() if k != "code")) for one in known["property"] if one["code"] != "answer"
    }
    choices = [one["valueCode"] for one in known["property"] if one["code"] == "answer"]
    if given in choices:
        return {"valueCodeableConcept": answer(given)}
    if isinstance(given, int | float):
        if told["kind"] == "integer":
            return {"valueInteger": given}
        return {"valueQuantity": quantity(given, told["unit"])}
    if given[:1].isdigit():
        return {"valueDateTime": given}
    return {"dataAbsentReason": concept(canonical.ABSENT_REASON, given)}
