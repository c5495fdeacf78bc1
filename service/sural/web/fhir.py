"""FHIR over HTTP: the response class, the body, and every error as an OperationOutcome."""

import logging
from collections.abc import Awaitable, Callable
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from sural.answer.accounts import outcome
from sural.doors.assessor import encode
from sural.issues import Issue, Refused
from sural.ledger.database import Unavailable, Unusable
from sural.web.accepting import FHIR_JSON, FHIR_LINES, JSON, LINES, VERSIONS, media_type

fault_log = logging.getLogger("sural.fault")
_READ = (FHIR_JSON, JSON, FHIR_LINES, LINES, "application/ndjson")


class FhirResponse(Response):
    """A FHIR resource as JSON. Takes plain dicts: models would be dumped with nulls."""

    media_type = FHIR_JSON

    def render(self, content: Any) -> bytes:
        return content if isinstance(content, bytes) else encode(content)


def refuse(refused: Refused) -> FhirResponse:
    """The refusal of an input, with the status its worst issue asks for."""
    return FhirResponse(outcome(refused.issues), refused.status)


def fault(status: int, key: str, expression: str = "") -> FhirResponse:
    """One issue as a response."""
    return FhirResponse(outcome([Issue(key, expression)]), status)


def body_type(request: Request) -> str:
    """The media type of the body. Raises Refused when it is none that is read."""
    kind, parameters = media_type(request.headers.get("content-type", ""))
    if kind not in _READ or parameters.get("fhirversion", "4.0") not in VERSIONS:
        raise Refused(Issue("media-type-unsupported", "http.Content-Type", f"read here: {', '.join(_READ)}"))
    if parameters.get("charset", "utf-8").lower() not in ("utf-8", "utf8"):
        raise Refused(Issue("media-type-unsupported", "http.Content-Type", "charset: only utf-8"))
    return kind


async def read_body(request: Request, limit: int) -> bytes:
    """The body, refused as soon as it is longer than the limit."""
    announced = request.headers.get("content-length", "")
    if announced.isascii() and announced.isdigit() and int(announced) > limit:
        raise Refused(Issue("input-too-large", diagnostics=f"limit: {limit} bytes"))
    parts: list[bytes] = []
    length = 0
    async for part in request.stream():
        length += len(part)
        if length > limit:
            raise Refused(Issue("input-too-large", diagnostics=f"limit: {limit} bytes"))
        parts.append(part)
    return b"".join(parts)


RETRY_AFTER = "2"
"""Seconds after which a client may ask again when the database did not answer."""
_KEY_BY_STATUS = {404: "not-found", 405: "method-not-allowed", 413: "input-too-large", 415: "media-type-unsupported"}


def handle_errors(app: FastAPI) -> None:
    """Make every failure of the application an OperationOutcome, with nothing of the request in it."""

    async def refused(_: Request, error: Exception) -> Response:
        assert isinstance(error, Refused)
        return refuse(error)

    async def http(_: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        response = fault(error.status_code, _KEY_BY_STATUS.get(error.status_code, "parameter-invalid"))
        response.headers.update(error.headers or {})
        return response

    async def invalid(_: Request, error: Exception) -> Response:
        return fault(400, "parameter-invalid")

    async def unavailable(_: Request, error: Exception) -> Response:
        fault_log.warning("%s", error)  # the text is ours
        response = fault(503, "ledger-unavailable")
        response.headers["Retry-After"] = RETRY_AFTER
        return response

    async def failed(_: Request, error: Exception) -> Response:
        return fault(500, "internal-error")

    handlers: dict[type[Exception], Callable[[Request, Exception], Awaitable[Response]]] = {
        Refused: refused,
        Unavailable: unavailable,
        Unusable: unavailable,
        HTTPException: http,
        RequestValidationError: invalid,
        Exception: failed,
    }
    for kind, handler in handlers.items():
        app.add_exception_handler(kind, handler)
