"""The operation `$extract` of SDC: a QuestionnaireResponse in, a Bundle of what its answers stand for out. Nothing is stored.

The body is the response, or Parameters that hold it as `questionnaire-response`. Where some answers could not be used the Bundle comes
in Parameters as `return`, beside the `issues`; else by itself. Only observation-based extraction is done: no templates, maps or expressions.
"""

from fastapi import Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from sural.answer.extraction import extract
from sural.doors.assessor import structural_check
from sural.doors.request import lexicon
from sural.intake.documents import Checker, Document, read_document
from sural.issues import Issue, Refused
from sural.web.accepting import check_accept
from sural.web.fhir import FhirResponse, body_type, read_body
from sural.web.operation import LARGE_BODY
from sural.web.routes import Route

DEFINITION = "http://hl7.org/fhir/uv/sdc/OperationDefinition/QuestionnaireResponse-extract"


def extract_route(check: bool, max_bytes: int) -> Route:
    """The route of the operation. `check` says whether what comes in is checked against the whole of FHIR R4."""

    async def extract_answers(request: Request) -> Response:
        """Extract the answers of a QuestionnaireResponse to one of our forms as Observations, by the codes of the questions only: no
        templates, StructureMaps or expressions. Nothing is stored."""
        if "ndjson" in body_type(request):
            raise Refused(Issue("media-type-unsupported", "http.Content-Type"))
        checker = structural_check() if check else None
        data = await read_body(request, max_bytes)
        if len(data) > LARGE_BODY:
            return await run_in_threadpool(_answer, data, checker)
        return _answer(data, checker)

    return Route(
        "/fhir/QuestionnaireResponse/$extract",
        extract_answers,
        ("POST",),
        "operation",
        "extract",
        FhirResponse,
        check_accept,
        on="QuestionnaireResponse",
        definition=DEFINITION,
    )


def _answer(data: bytes, checker: Checker | None) -> Response:
    document = _response(read_document(data, checker), checker)
    return FhirResponse(extract(document, lexicon()).encoded())


def _response(document: Document, checker: Checker | None) -> Document:
    """The response of Parameters, or the document itself. Raises Refused for any other parameter."""
    if not document.parameters:
        return document
    unknown = [
        Issue("parameter-unknown", one.path)
        for one in document.parameters
        if one.name != "questionnaire-response" or not one.resource
    ]
    if unknown or len(document.parameters) > 1:
        raise Refused(*unknown or [Issue("parameter-invalid", document.parameters[1].path)])
    only = document.parameters[0]
    return read_document(only.resource, checker, base=f"{only.path}.resource")
