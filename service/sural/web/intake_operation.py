"""The operation `$lower-limb-intake`: what of an extract would be understood, per code, before anything is wired. Answers Parameters."""

from collections.abc import Iterable, Iterator

from fastapi import Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from sural.answer.accounts import outcome
from sural.answer.parts import Json
from sural.doors.assessor import structural_check
from sural.doors.request import Request as Asked
from sural.doors.starter import starter_concept_map
from sural.doors.survey import WORST, Change, Contradiction, Effect, Survey, survey
from sural.intake.context import CodeUse
from sural.intake.documents import Checker, Document
from sural.intake.lines import read_all
from sural.issues import Issue, Refused
from sural.web.accepting import FHIR_JSON, Accept
from sural.web.asking import BODY, asked_by_query
from sural.web.fhir import FhirResponse, body_type, read_body
from sural.web.routes import Route

ASKED_BY_QUERY = ("as-of", "lookback", "preliminary")
_NAMES = {*ASKED_BY_QUERY, "exam", "concept-map"}


def intake_route(check: bool, max_bytes: int) -> Route:
    """The route of the operation. `check` says whether the structural check is made where a query does not say."""

    async def lower_limb_intake(request: Request) -> Response:
        """What would be understood: a Bundle, Parameters, single resource or NDJSON in, Parameters out."""
        Accept.of(request).refuse_unless(FHIR_JSON)
        in_lines = "ndjson" in body_type(request)
        data = await read_body(request, max_bytes)
        asked, checked = asked_by_query(request, check, ASKED_BY_QUERY)
        checker = structural_check() if checked else None
        return FhirResponse(await run_in_threadpool(_answer, data, asked, checker, in_lines))

    return Route(
        "/fhir/$lower-limb-intake",
        lower_limb_intake,
        ("POST",),
        "operation",
        "lower-limb-intake",
        FhirResponse,
        more={"include_in_schema": True, "openapi_extra": BODY},
    )


def _answer(data: bytes, asked: Asked, checker: Checker | None, in_lines: bool) -> Json:
    found, effect = survey(_with_known_parameters(read_all(data, checker, in_lines)), asked)
    if not found.read:
        raise Refused(*found.issues)
    return intake_parameters(found, effect, starter_concept_map(found.ranked(), asked.as_of.isoformat(), asked.concept_maps))


def _with_known_parameters(
    documents: Iterable[tuple[int | None, Document | Refused]],
) -> Iterator[tuple[int | None, Document | Refused]]:
    """The documents; one that asks for something this operation does not know is refused."""
    for number, document in documents:
        unknown: list[Issue] = []
        if isinstance(document, Document):
            unknown = [Issue("parameter-unknown", one.path) for one in document.parameters if one.name not in _NAMES]
        yield number, Refused(*unknown) if unknown else document


def intake_parameters(found: Survey, effect: Effect | None, starter: Json) -> Json:
    """The report as FHIR Parameters: codes worst first, findings, the effect of ConceptMaps, a ConceptMap to fill in, the issues."""
    parameters = [_part("counts", *(_integer(fate, found.counts[fate]) for fate in reversed(WORST)))]
    parameters += [_use(use) for use in found.ranked()]
    parameters += [
        _part("finding", _code("concept", code), _integer("count", count)) for code, count in sorted(found.findings.items())
    ]
    if effect is not None:
        parameters.append(_effect(effect))
    if "group" in starter:
        parameters.append({"name": "starter-concept-map", "resource": starter})
    parameters.append({"name": "outcome", "resource": outcome(found.issues, found.counts)})
    return {"resourceType": "Parameters", "parameter": parameters}


def _use(use: CodeUse) -> Json:
    reasons = (_part("reason", _code("issue", key), _integer("count", count)) for key, count in sorted(use.reasons.items()))
    return _part(
        "code",
        _code("role", use.role),
        *_coding(use),
        _integer("count", use.count),
        *([_string("understood", use.understood)] if use.understood else []),
        *(_integer(fate, use.fates[fate]) for fate in reversed(WORST) if fate in use.fates),
        *reasons,
    )


def _effect(effect: Effect) -> Json:
    parts: list[Json] = [{"name": "worse", "valueBoolean": effect.worse}]
    parts.append(_part("counts-before", *(_integer(fate, effect.counts_before[fate]) for fate in reversed(WORST))))
    parts += [_change(change) for change in effect.changes]
    parts += [
        _part("finding", _code("concept", code), _integer("before", before), _integer("after", after))
        for code, (before, after) in effect.findings.items()
    ]
    return _part("effect", *parts, *(_contradiction(one) for one in effect.contradictions))


def _change(change: Change) -> Json:
    said = [_string(name, text) for name, text in (("before", change.before), ("after", change.after)) if text]
    counts = (_integer("read-before", change.read_before), _integer("read-after", change.read_after))
    return _part("change", _code("kind", change.kind), _code("role", change.role), *_coding(change), *said, *counts)


def _contradiction(one: Contradiction) -> Json:
    coding = {"name": "coding", "valueCoding": {"system": one.system, "code": one.code}}
    said = (_string("published", one.published), _string("overlay", one.overlay))
    return _part("contradiction", coding, *said, {"name": "verified", "valueBoolean": one.verified})


def _coding(of: CodeUse | Change) -> list[Json]:
    named = {"system": of.system, "code": of.code, "display": of.display}
    coding = {name: text for name, text in named.items() if text}
    return [{"name": "coding", "valueCoding": coding}] if coding else []


def _part(name: str, *parts: Json) -> Json:
    return {"name": name, "part": list(parts)}


def _integer(name: str, value: int) -> Json:
    return {"name": name, "valueInteger": value}


def _string(name: str, value: str) -> Json:
    return {"name": name, "valueString": value}


def _code(name: str, value: str) -> Json:
    return {"name": name, "valueCode": value}
