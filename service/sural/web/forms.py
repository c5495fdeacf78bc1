"""Searches that come as a form: `POST TYPE/_search` (FHIR R4, search), so that no address names a patient."""

from urllib.parse import parse_qsl

from fastapi import Request

from sural.issues import Issue, Refused
from sural.ledger.criteria import refuse_too_many
from sural.web.fhir import read_body

FORM = "application/x-www-form-urlencoded"
LARGEST_FORM = 262_144
"""Bytes of a form: some 200 parameters with their codes."""


async def read_form(request: Request, limit: int) -> list[tuple[str, str]]:
    """The pairs of the form in the body. Raises Refused for another media type, a longer body, or more pairs than one search may have."""
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != FORM:
        raise Refused(Issue("media-type-unsupported", "http.Content-Type", f"read here: {FORM}"))
    body = (await read_body(request, limit)).decode("utf-8", "replace")
    refuse_too_many(body.count("&"))
    return parse_qsl(body, keep_blank_values=True)
