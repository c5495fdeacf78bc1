"""CDS Hooks 2: what is offered, the call that answers with cards, and what became of them.

| what arrives for a prefetch key | read as |
| --- | --- |
| a resource, or a searchset with all its pages | data |
| `null` | there are no such data |
| nothing, an OperationOutcome, or a searchset with pages left, with fewer matches than its total, or that says it is not whole | asked for at `fhirServer` with `fhirAuthorization`, if that server is listed; else 412 |

An answer over part of the data would look like one over all of it, so that there is none: 412 names what was missing.
Source: CDS Hooks 2 ("Discovery", "Prefetch", "HTTP request", "Feedback").
"""

import re
from datetime import date
from typing import Any

import httpx
import msgspec
from fastapi import Request
from fastapi.responses import JSONResponse, Response
from msgspec import Struct
from starlette.concurrency import run_in_threadpool

from sural.answer.cards import cards
from sural.doors.assessor import answer, structural_check
from sural.doors.outbound import Outbound
from sural.doors.request import Request as Asked
from sural.intake.text import parse
from sural.issues import Issue, Refused
from sural.records.fetching import ID
from sural.web.accepting import FHIR_JSON, JSON, media_type
from sural.web.feedback import Feedback
from sural.web.fetching import Fetching, complete
from sural.web.fhir import read_body
from sural.web.prefetch import templates
from sural.web.routes import Route
from sural.web.settings import Settings

SERVICE = "lower-limb-assessment"
HOOKS = {"patient-view": (), "encounter-discharge": ("encounterId",)}
"""The hooks that are served, all under one id so that later advice takes the place of earlier (CDS Hooks 2, "Update stale guidance"), each
with what its context has beside the user and the patient. Before discharge: whoever has diabetes and has had no examination is noticed."""
Json = dict[str, Any]
_UUID = re.compile(r"(?i)[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_to_json = msgspec.json.Encoder(decimal_format="number")


class Call(Struct, frozen=True):
    """A request to the service, after its form was checked."""

    instance: str
    patient: str
    prefetch: Json
    server: str
    token: str


def hooks_routes(
    settings: Settings, check: bool, max_bytes: int, transport: httpx.AsyncBaseTransport | None = None
) -> list[Route]:
    """Discovery, the service and its feedback. `transport` reaches record systems."""
    reach = Outbound(settings.outbound.fhir_servers, settings.outbound.private, inner=transport)
    feedback = Feedback(settings.audit.feedback)

    async def services() -> Response:
        """What is offered."""
        return JSONResponse({"services": [discovery(hook) for hook in HOOKS]})

    async def advise(request: Request) -> Response:
        """Cards for the patient in view."""
        call = read_call(await _body(request, max_bytes))
        request.state.patient = f"Patient/{call.patient}"
        resources, missing = complete(call.prefetch, templates())
        if missing:
            fetching = Fetching(reach, call.server, call.token)
            resources += await fetching.fetch(missing, call.patient)
        found = await run_in_threadpool(_cards, resources, call, check)
        return Response(_to_json.encode({"cards": found}), media_type=JSON)

    async def told(request: Request) -> Response:
        """What became of the cards."""
        feedback.take(await _body(request, max_bytes))
        return Response(status_code=200)

    path = f"/cds-services/{SERVICE}"
    return [
        Route("/cds-services", services, response=JSONResponse, open=True),
        Route(path, advise, ("POST",), response=JSONResponse),
        Route(f"{path}/feedback", told, ("POST",)),
    ]


def discovery(hook: str) -> Json:
    """The service under one hook as the discovery endpoint describes it."""
    return {
        "hook": hook,
        "id": SERVICE,
        "title": "Foot and lower-limb assessment",
        "description": "Foot risk, neuropathy and referral proposals from the recorded examination of feet and legs. Decision support for review by a clinician.",
        "usageRequirements": "Every prefetch key is needed: sent, null where there are no such data, or to be had at a listed fhirServer.",
        "prefetch": templates(),
    }


async def _body(request: Request, limit: int) -> Any:
    kind, _ = media_type(request.headers.get("content-type", ""))
    if kind not in (JSON, FHIR_JSON):
        raise Refused(Issue("media-type-unsupported", "http.Content-Type", f"read here: {JSON}, {FHIR_JSON}"))
    return parse(await read_body(request, limit))


def read_call(content: Any) -> Call:
    """A request taken apart. Raises Refused with every fault of its form, named by element and without its value."""
    given = content if isinstance(content, dict) else {}
    context: Json = given["context"] if isinstance(given.get("context"), dict) else {}
    hook, instance, patient = given.get("hook"), given.get("hookInstance"), context.get("patientId")
    if isinstance(hook, str) and hook not in HOOKS:
        raise Refused(Issue("hook-unknown", diagnostics=f"served here: {', '.join(HOOKS)}"))
    server, access, prefetch = given.get("fhirServer", ""), given.get("fhirAuthorization", {}), given.get("prefetch", {})
    faults = [
        name
        for name, good in (
            ("hook", isinstance(hook, str)),
            ("hookInstance", isinstance(instance, str) and _UUID.fullmatch(instance) is not None),
            ("context.userId", isinstance(context.get("userId"), str) and context["userId"] != ""),
            ("context.patientId", isinstance(patient, str) and ID.fullmatch(patient) is not None),
            *((f"context.{one}", isinstance(context.get(one), str) and context[one] != "") for one in HOOKS.get(str(hook), ())),
            ("prefetch", isinstance(prefetch, dict)),
            ("fhirServer", isinstance(server, str)),
            ("fhirAuthorization", isinstance(access, dict) and (not access or _bearer(access) is not None)),
        )
        if not good
    ]
    if faults:
        raise Refused(*(Issue("hook-request-invalid", diagnostics=name) for name in faults))
    return Call(str(instance), str(patient), prefetch, server, _bearer(access) or "")


def _bearer(access: Json) -> str | None:
    """The token of a fhirAuthorization, if it has one that can be sent."""
    token, kind = access.get("access_token"), access.get("token_type", "Bearer")
    good = (
        isinstance(token, str) and token.isascii() and token.isprintable() and isinstance(kind, str) and kind.lower() == "bearer"
    )
    return str(token) if good else None


def _cards(resources: list[Json], call: Call, check: bool) -> list[Json]:
    """The cards over all resources. Raises Refused when they are about anyone else."""
    patients = [one.get("id") for one in resources if one.get("resourceType") == "Patient"]
    if patients != [call.patient]:
        raise Refused(Issue("hook-patient-mismatch"))
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in resources]}
    try:
        answered = answer(_to_json.encode(bundle), Asked(date.today()), structural_check() if check else None)
    except Refused as refused:
        if {issue.key for issue in refused.issues if issue.severity == "fatal"} == {"patient-deceased"}:
            return []
        raise
    assert answered.assessed is not None
    subjects = [one.examination.subject.reference for one in answered.assessed.patients]
    if subjects != [f"Patient/{call.patient}"]:
        raise Refused(Issue("hook-patient-mismatch"))
    return cards(answered.assessed.patients[0], call.instance)
