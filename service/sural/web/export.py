"""Bulk export of stored answers: `GET /fhir/$export`, its status, its files, its end.

Source: HL7 FHIR Bulk Data Access, STU 2 (`error`, `request`), system level: kick-off with `Prefer: respond-async`, status, NDJSON files of one type
each, DELETE. A job is a point in the feed of changes: each file is read off the store as it stood then, so that files agree with each other, nothing
is written twice, any worker can serve them, and there is nothing to wait for. `_typeFilter`, `_elements` and group or patient level are not offered.
"""

import time
from collections.abc import Iterator
from email.utils import formatdate
from typing import Annotated

from fastapi import Path, Request
from fastapi.responses import JSONResponse, Response, StreamingResponse

from sural.exam.moment import moment
from sural.issues import Issue, Refused
from sural.ledger.exporting import LIFE, Exports, Job
from sural.ledger.parameters import TYPES
from sural.ledger.resources import said
from sural.web.accepting import FHIR_JSON, FHIR_LINES, Accept
from sural.web.fhir import FhirResponse, fault
from sural.web.routes import READ, Route
from sural.web.security import permitted, require
from sural.web.stored import Base, Opened, prefers

DEFINITION = "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/export"
JobId = Annotated[str, Path(pattern=r"^[0-9a-f]{32}$")]
FORMATS = ("application/fhir+ndjson", "application/ndjson", "ndjson")


def export_routes(opened: Opened, base: Base) -> list[Route]:
    """The routes of an export."""

    def exports() -> Exports:
        return Exports(opened.resources())

    def kick_off(request: Request) -> Response:
        """Export stored answers as NDJSON files, asynchronously: all types or those of `_type`, all or those changed since `_since`."""
        Accept.of(request).refuse_unless(FHIR_JSON)
        if not prefers(request, "respond-async"):
            raise Refused(Issue("respond-async-needed", "http.Prefer"))
        kinds, since = _asked(request)
        chosen = kinds or tuple(kind for kind in TYPES if permitted(request, kind, "r"))
        for kind in kinds or ():
            require(request, kind, "r")
        job = exports().begin(chosen, since, str(request.url.query), time.time())
        return Response(status_code=202, headers={"Content-Location": f"{base(request)}/$export/{job.id}"})

    def status(request: Request, job: JobId) -> Response:
        found = _theirs(request, _job(exports(), job))
        address = f"{base(request)}/$export"
        content = {
            "transactionTime": said(found.instant),
            "request": f"{address}?{found.query}" if found.query else address,
            "requiresAccessToken": getattr(request.state, "scopes", None) is not None,
            "output": [
                {"type": kind, "url": f"{address}/{job}/{kind}", "count": count} for kind, count in exports().counts(found).items() if count
            ],
            "error": [],
        }
        return JSONResponse(content, headers={"Expires": _http_date(found.began + LIFE)})

    def file(request: Request, job: JobId, kind: Annotated[str, Path(pattern=r"^[A-Za-z]{1,40}$")]) -> Response:
        found = _job(exports(), job)
        if kind not in found.kinds:
            raise Refused(Issue("not-found"))
        require(request, kind, "r")
        return StreamingResponse(_lines(exports(), found, kind), media_type=FHIR_LINES)

    def end(request: Request, job: JobId) -> Response:
        _theirs(request, _job(exports(), job))
        if not exports().end(job):
            raise Refused(Issue("not-found"))
        return fault(202, "export-ended")

    return [
        Route("/fhir/$export", kick_off, ("GET",), "operation", "export", FhirResponse, definition=DEFINITION),
        Route("/fhir/$export/{job}", status, READ, name="export", response=JSONResponse),
        Route("/fhir/$export/{job}", end, ("DELETE",), name="export", response=FhirResponse),
        Route("/fhir/$export/{job}/{kind}", file, READ, name="export"),
    ]


def _asked(request: Request) -> tuple[tuple[str, ...], int]:
    """The types and the instant (milliseconds) that are asked for. Raises Refused."""
    kinds: list[str] = []
    since = 0
    issues: list[Issue] = []
    for name, text in request.query_params.multi_items():
        if name == "_type":
            kinds += [one for one in text.split(",") if one]
        elif name == "_since" and (when := moment(text)) is not None and "T" in text:
            since = round(when.start * 1000)
        elif name == "_outputFormat" and text.replace(" ", "+") in FORMATS:
            continue
        elif name in ("_since", "_outputFormat"):
            taken = "an instant such as 2026-03-02T08:00:00Z" if name == "_since" else f"there are {', '.join(FORMATS)}"
            issues.append(Issue("parameter-invalid", f"http.{name}", taken))
        elif name != "_format":
            issues.append(Issue("parameter-unknown", f"http.{name}", "there are _type, _since, _outputFormat"))
    lenient = prefers(request, "handling=lenient")
    unknown = [kind for kind in kinds if kind not in TYPES]
    issues += [Issue("type-not-stored", "http._type", f"there are {', '.join(TYPES)}")] if unknown and not lenient else []
    issues = [issue for issue in issues if not (lenient and issue.key == "parameter-unknown")]
    if issues:
        raise Refused(*issues)
    return tuple(dict.fromkeys(kind for kind in kinds if kind in TYPES)), since


def _job(exports: Exports, id: str) -> Job:
    found = exports.job(id, time.time())
    if found is None:
        raise Refused(Issue("not-found"))
    return found


def _theirs(request: Request, job: Job) -> Job:
    """A job that the caller could have begun. Raises Denied, also for one that may read nothing."""
    for kind in job.kinds or TYPES[:1]:
        require(request, kind, "r")
    return job


def _lines(exports: Exports, job: Job, kind: str) -> Iterator[bytes]:
    for content in exports.contents(job, kind):
        yield content + b"\n"


def _http_date(seconds: float) -> str:
    return formatdate(seconds, usegmt=True)

