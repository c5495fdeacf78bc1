"""The operation `$assess-lower-limb`: what is asked in the query, and the form of the answer.

| asked for | answered as |
| --- | --- |
| `bundle`, `transaction` | `application/fhir+json`: one Bundle over all patients |
| `summary` | `application/json`, or `application/x-ndjson` for several patients: it is ours and not FHIR |
| `report`, `html` | `text/plain`, `text/html`; a Binary that holds the text where FHIR JSON is asked for by name (FHIR R4, Binary: a client that names a FHIR type gets the resource, any other the content) |

What comes as lines is answered in lines (`application/fhir+ndjson`, summaries `application/x-ndjson`), one document per patient, and so
is a Bundle where the client wants lines more than one document.
"""

from base64 import b64encode

from fastapi import Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from sural.doors.assessor import Answered, answer, answer_all, documents, encode, merged, page_of, reports, structural_check
from sural.doors.request import Request as Asked
from sural.intake.documents import Checker
from sural.web.accepting import FHIR_JSON, FHIR_LINES, HTML, JSON, LINES, TEXT, Accept
from sural.web.asking import BODY, asked_by_query
from sural.web.fhir import FhirResponse, body_type, read_body
from sural.web.routes import Route

LARGE_BODY = 262_144
ASKED_BY_QUERY = ("as-of", "lookback", "pathway", "output", "report", "calendar", "trace", "preliminary", "scheme", "complete")


def operation_route(check: bool, max_bytes: int) -> Route:
    """The route of the operation. `check` says whether the structural check is made where a query does not say."""

    async def assess_lower_limb(request: Request) -> Response:
        """Assess an examination: a Bundle, Parameters or single resource in, a Bundle out."""
        accept = Accept.of(request)
        accept.refuse_unless(FHIR_JSON, FHIR_LINES, TEXT, HTML)
        in_lines = "ndjson" in body_type(request)
        data = await read_body(request, max_bytes)
        asked, checked = asked_by_query(request, check, ASKED_BY_QUERY)
        checker = structural_check() if checked else None
        if len(data) > LARGE_BODY:
            return await run_in_threadpool(_answer, data, asked, checker, accept, in_lines)
        return _answer(data, asked, checker, accept, in_lines)

    return Route(
        "/fhir/$assess-lower-limb",
        assess_lower_limb,
        ("POST",),
        "operation",
        "assess-lower-limb",
        FhirResponse,
        more={"include_in_schema": True, "openapi_extra": BODY},
    )


def _answer(data: bytes, asked: Asked, checker: Checker | None, accept: Accept, in_lines: bool) -> Response:
    if in_lines:
        answers = list(answer_all(data, asked, checker, declared=True))
    else:
        answers = [answer(data, asked, checker)]
    outputs = {answered.request.output for answered in answers}
    if outputs <= {"report", "html"} and len(outputs) == 1:
        return _text(answers, accept, HTML if "html" in outputs else TEXT)
    if not in_lines and accept.weight(FHIR_LINES) <= accept.weight(FHIR_JSON) and "summary" not in outputs:
        accept.refuse_unless(FHIR_JSON)
        return FhirResponse(merged(answers[0]))
    return _lines(answers, accept, "summary" in outputs, in_lines)


def _lines(answers: list[Answered], accept: Accept, ours: bool, in_lines: bool) -> Response:
    """Documents, one per line. Whoever accepts JSON gets lines of it where there are several."""
    accept.refuse_unless(FHIR_JSON, FHIR_LINES)
    written = [encode(document) for answered in answers for document in documents(answered)]
    if ours and len(written) == 1 and not in_lines:
        return Response(written[0] + b"\n", media_type=JSON)
    return Response(b"".join(line + b"\n" for line in written), media_type=LINES if ours else FHIR_LINES)


def _text(answers: list[Answered], accept: Accept, kind: str) -> Response:
    """The report as text, or the page; in a Binary where FHIR is wanted."""
    text = page_of(answers) if kind == HTML else "\n".join(text for answered in answers for text in reports(answered))
    if accept.names(FHIR_JSON) and accept.weight(kind) <= accept.weight(FHIR_JSON):
        content = b64encode(text.encode()).decode()
        return FhirResponse({"resourceType": "Binary", "contentType": f"{kind}; charset=utf-8", "data": content})
    accept.refuse_unless(kind)
    return Response(text, media_type=kind)
