"""What is written of each request: an AuditEvent per access, an access log without identifiers, and headers that keep answers private.

AuditEvent: FHIR R4, after the patterns of IHE BALP (REST events; the software is the server). It says who asked for which type, when,
and how it ended; the patient where the request names one, or one resource of theirs. It never holds a finding, an address or a
query. An access that cannot be audited is not answered.
"""

import logging
import sys
import time
import traceback
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from starlette.datastructures import MutableHeaders, State
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from sural.canonical import VERSION
from sural.doors.assessor import encode
from sural.web.fhir import fault, fault_log
from sural.web.routes import Route

access_log = logging.getLogger("sural.access")
_DICOM = "http://dicom.nema.org/resources/ontology/DCM"
_ACTIONS = {"read": "R", "vread": "R", "history-instance": "R", "create": "C", "update": "U", "delete": "D"}
"""What is done, where it is not an execution."""
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "X-Frame-Options": "DENY",
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
    "Cache-Control": "no-store",
}
Write = Callable[[bytes], None]


class AuditFailed(Exception):
    """The audit log cannot be written."""


def _where(failure: BaseException) -> str:
    """The type of a failure and the places it passed; its text may hold health data."""
    frames = traceback.extract_tb(failure.__traceback__)[-5:]
    return " < ".join([type(failure).__name__, *(f"{Path(frame.filename).name}:{frame.lineno}" for frame in reversed(frames))])


def log_to(target: str) -> Write:
    """Appends lines to a file that only its owner may read, or to standard error for "-"."""
    if target == "-":
        return lambda line: print(line.decode(), file=sys.stderr, flush=True)
    path = Path(target)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.touch(mode=0o600, exist_ok=True)
    path.chmod(0o600)
    path.open("ab").close()  # what cannot be written to is told now, and not with the first request

    def append(line: bytes) -> None:
        with path.open("ab") as file:
            file.write(line + b"\n")

    return append


class Accounted:
    """ASGI middleware around everything. `write` takes one AuditEvent as a line; `secure` says that the service is reached by https."""

    def __init__(self, app: ASGIApp, write: Write | None = None, secure: bool = False) -> None:
        self._app = app
        self._write = write
        self._headers = {**HEADERS, **({"Strict-Transport-Security": "max-age=31536000"} if secure else {})}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        began = time.perf_counter()
        scope.setdefault("state", {})

        started = False

        async def sending(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                self._account(scope, message["status"], time.perf_counter() - began)
                started = True
            await self._private(message, send)

        try:
            await self._app(scope, receive, sending)
        except Exception as failure:  # not passed on: a server would log its text, which may hold health data
            fault_log.error("internal failure: %s", _where(failure))
            if not started:
                if not isinstance(failure, AuditFailed):
                    self._account(scope, 500, time.perf_counter() - began)
                await fault(500, "internal-error")(scope, receive, partial(self._private, send=send))

    async def _private(self, message: Message, send: Send) -> None:
        """Pass a message on; the start of an answer with the headers that keep it private."""
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in self._headers.items():
                headers.setdefault(name, value)
        await send(message)

    def _account(self, scope: Scope, status: int, seconds: float) -> None:
        route = scope.get("route")
        template = getattr(route, "path", "(no such route)")
        access_log.info("%s %s %d %.0f ms", scope["method"], template, status, seconds * 1000)
        own = scope["state"].get("audited")
        if self._write is not None and isinstance(own, Route) and not own.open:
            try:
                self._write(encode(audit_event(own, scope, status)))
            except OSError as failure:
                raise AuditFailed(type(failure).__name__) from None


def audit_event(route: Route, scope: Scope, status: int) -> dict[str, Any]:
    """The AuditEvent of one request to a route."""
    state = State(scope["state"])
    agent = getattr(state, "agent", {})
    subtype = route.interaction or "operation"
    action = _ACTIONS.get(subtype, "E")
    client = scope.get("client")
    who = {"identifier": {"system": agent["issuer"], "value": agent["name"]}} if agent else {"display": "not authenticated"}
    asked: dict[str, Any] = {"type": _coding(_DICOM, "110153", "Source Role ID"), "who": who, "requestor": True}
    if client:
        asked["network"] = {"address": str(client[0]), "type": "2"}
    event: dict[str, Any] = {
        "resourceType": "AuditEvent",
        "type": {
            "system": "http://terminology.hl7.org/CodeSystem/audit-event-type",
            "code": "rest",
            "display": "RESTful Operation",
        },
        "subtype": [{"system": "http://hl7.org/fhir/restful-interaction", "code": subtype}],
        "action": action,
        "recorded": datetime.now(UTC).isoformat(timespec="milliseconds"),
        "outcome": "0" if status < 400 else "8" if status >= 500 else "4",
        "outcomeDesc": f"HTTP status {status}",
        "agent": [
            asked,
            {
                "type": _coding(_DICOM, "110152", "Destination Role ID"),
                "who": {"display": f"Sural {VERSION}"},
                "requestor": False,
            },
        ],
        "source": {"observer": {"display": f"Sural {VERSION}"}},
        "entity": [
            {
                "type": {
                    "system": "http://terminology.hl7.org/CodeSystem/audit-entity-type",
                    "code": "2",
                    "display": "System Object",
                },
                "name": route.name or route.path,
            }
        ],
    }
    patient = getattr(state, "patient", None)
    if patient:
        event["entity"].append(
            {
                "what": _patient(patient),
                "type": {"system": "http://terminology.hl7.org/CodeSystem/audit-entity-type", "code": "1", "display": "Person"},
                "role": {"system": "http://terminology.hl7.org/CodeSystem/object-role", "code": "1", "display": "Patient"},
            }
        )
    return event


def _patient(named: str) -> dict[str, Any]:
    """A patient by reference, or by `system|value`."""
    if "|" in named:
        system, _, value = named.partition("|")
        return {"identifier": {"system": system, "value": value} if system else {"value": value}}
    return {"reference": named if "/" in named else f"Patient/{named}"}


def _coding(system: str, code: str, display: str) -> dict[str, Any]:
    return {"coding": [{"system": system, "code": code, "display": display}]}
