"""The fake EHR as an ASGI application: FHIR R4 under /fhir, the token endpoint beside it, and /control to switch faults."""

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from email.utils import formatdate
from typing import Any
from urllib.parse import parse_qsl

import orjson
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from sural.canonical import VERSION
from sural.records.fake_ehr import faults as bad_days
from sural.records.fake_ehr.export import Exports
from sural.records.fake_ehr.faults import Faults
from sural.records.fake_ehr.searching import Searches
from sural.records.fake_ehr.store import SEARCHED, Json, Kept, Refusal, Store
from sural.records.fake_ehr.tokens import Tokens
from sural.records.fake_ehr.transactions import condition, transaction

FHIR = "application/fhir+json;charset=utf-8"
ALWAYS = (
    "Device", "Observation", "RiskAssessment", "ServiceRequest", "DetectedIssue", "DiagnosticReport", "Provenance",
)  # fmt: skip
"""Types that are taken, and said to be, while there is none yet."""
RIGHTS = {"GET": "r", "POST": "c", "PUT": "u", "DELETE": "d"}


class FakeEhr:
    """The application and what a test or a control route may look at and change: `store`, `faults`, `served` (requests by method and
    type)."""

    def __init__(
        self,
        store: Store,
        clients: Mapping[str, Json] | None = None,
        faults: Faults | None = None,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self.store = store
        self.tokens = Tokens(clients or {})
        self.faults = faults or Faults()
        self.exports = Exports(store)
        self.served: list[str] = []
        self._searches = Searches(store)
        self._sleep = sleep
        self._transactions = 0
        everything = ["GET", "POST", "PUT", "DELETE"]
        self.app = Starlette(
            routes=[
                Route("/fhir/.well-known/smart-configuration", self._smart),
                Route("/token", self._token, methods=["POST"]),
                Route("/control", self._control, methods=["GET", "PUT"]),
                Route("/fhir", self._fhir, methods=everything),
                Route("/fhir/{path:path}", self._fhir, methods=everything),
            ]
        )

    async def _smart(self, request: Request) -> Response:
        return _json(self.tokens.configuration(_base(request), self._endpoint(request)), kind="application/json")

    async def _token(self, request: Request) -> Response:
        form = dict(parse_qsl((await request.body()).decode()))
        try:
            return _json(self.tokens.grant(form, self._endpoint(request), self.faults.narrow_scope), kind="application/json")
        except Refusal as refusal:
            return _json({"error": refusal.code}, refusal.status, "application/json")

    def _endpoint(self, request: Request) -> str:
        return str(request.base_url).rstrip("/") + "/token"

    async def _control(self, request: Request) -> Response:
        if request.method == "PUT":
            try:
                self.faults = bad_days.faults(orjson.loads(await request.body()))
            except ValueError as wrong:
                return _json({"error": str(wrong)}, 400, "application/json")
        return _json({"faults": bad_days.described(self.faults), "requests": len(self.served)}, kind="application/json")

    async def _fhir(self, request: Request) -> Response:
        path = request.path_params.get("path", "").strip("/")
        self.served.append(f"{request.method} {path.partition('/')[0] or '/'}")
        try:
            return await self._bad_day(request) or await self._answer(request, [part for part in path.split("/") if part])
        except Refusal as refusal:
            return _outcome(refusal.status, refusal.code)
        except ClientDisconnect:  # a client that was killed while it was sending; nobody reads this
            return Response(status_code=400)

    async def _bad_day(self, request: Request) -> Response | None:
        """What goes wrong before anything is looked at."""
        today, number = self.faults, len(self.served)
        if today.slow:
            await self._sleep(today.slow)
        if today.throttle_every and number % today.throttle_every == 0:
            wait = (
                formatdate(time.time() + today.retry_after, usegmt=True) if today.retry_after_as_date else str(today.retry_after)
            )
            return _outcome(429, "throttled", {"Retry-After": wait})
        if today.fail_every and number % today.fail_every == 0:
            return Response("<html>Bad gateway</html>", 502, media_type="text/html")
        if today.wrong_type_every and number % today.wrong_type_every == 0:
            return Response("<html>Please sign in</html>", 200, media_type="text/html")
        return None

    async def _answer(self, request: Request, path: list[str]) -> Response:
        if path == ["metadata"]:
            return _json(_capabilities(self.store, self.faults))
        if path and path[0] == "jobs":
            return self._job(request, path[1:])
        if path and path[-1] == "$export":
            return self._export(request, path[:-1])
        if not path:
            return await self._transaction(request)
        kind, rest = path[0], path[1:]
        if kind in self.faults.gone:
            raise Refusal(404, "not-supported")
        searching = rest == ["_search"] or (request.method == "GET" and not rest)
        self._allowed(request, kind, "s" if searching else RIGHTS[request.method])
        if searching:
            return await self._search(request, kind)
        return await self._resource(request, kind, rest[0] if rest else "")

    def _allowed(self, request: Request, kind: str, right: str) -> None:
        self.tokens.check(request.headers.get("authorization", ""), kind, right, self.faults.expire_tokens)

    async def _search(self, request: Request, kind: str) -> Response:
        given = list(request.query_params.multi_items())
        if request.method == "POST":
            if self.faults.no_post_search:
                raise Refusal(405, "not-supported")
            given += [("_id", "")] if self.faults.empty_post_search else parse_qsl((await request.body()).decode())
        names = dict(given)
        if self.faults.most_codes and names.get("code", "").count(",") >= self.faults.most_codes:
            raise Refusal(500, "exception")
        if kind in self.faults.no_identifier and "identifier" in names:
            raise Refusal(400, "not-supported")
        if "_page" in names:
            body = self._searches.page(kind, names["_page"], _base(request), self.faults)
        else:
            body = self._searches.search(kind, given, _base(request), self.faults)
        return Response(body, media_type=FHIR)

    async def _resource(self, request: Request, kind: str, id: str) -> Response:
        if request.method == "GET":
            return _kept(self.store.read(kind, id))
        if request.method == "DELETE":
            self.store.delete(kind, id)
            return Response(status_code=204)
        resource = _resource(await request.body(), kind)
        if request.method == "PUT":
            there = next((one for one in self.store.all(kind) if one.id == id), None)
            wanted = request.headers.get("if-match")
            if wanted and (there is None or there.etag != wanted):
                raise Refusal(412, "conflict")
            if resource.get("id") != id:
                raise Refusal(400, "invalid")
            return self._answered(self.store.put(resource), 200 if there else 201)
        query = request.headers.get("if-none-exist")
        there = condition(self.store, kind, query, self.faults) if query else None
        return self._answered(there) if there else self._answered(self.store.create(resource), 201)

    def _answered(self, kept: Kept, status: int = 200) -> Response:
        whole = _kept(kept, status)
        names = ("etag", "location")
        return Response(status_code=status, headers={name: whole.headers[name] for name in names}) if self.faults.no_body else whole

    async def _transaction(self, request: Request) -> Response:
        if request.method != "POST" or self.faults.no_transaction or self.faults.broken_promise:
            raise Refusal(501, "not-supported")
        bundle = _resource(await request.body(), "Bundle")
        for entry in bundle.get("entry", ()):
            asked = entry.get("request", {})
            kind = str(asked.get("url", "")).partition("?")[0].partition("/")[0]
            self._allowed(request, kind, RIGHTS.get(asked.get("method", ""), "u"))
        if bundle.get("type") != "transaction":
            raise Refusal(400, "not-supported")
        answer = transaction(self.store, bundle, self.faults)
        self._transactions += 1
        if self.faults.lose_reply_every and self._transactions % self.faults.lose_reply_every == 0:
            return Response("<html>Bad gateway</html>", 502, media_type="text/html")
        return _json(answer)

    def _export(self, request: Request, path: list[str]) -> Response:
        self._allowed(request, "*", "r")
        if "respond-async" not in request.headers.get("prefer", ""):
            raise Refusal(400, "invalid")
        group = path[1] if len(path) == 2 and path[0] == "Group" else None
        job = self.exports.start(str(request.url), dict(request.query_params), group, self.faults)
        return Response(status_code=202, headers={"Content-Location": f"{_base(request)}/jobs/{job}"})

    def _job(self, request: Request, path: list[str]) -> Response:
        id = path[0]
        if len(path) == 3:
            return self._file(request, id, path[2])
        self._allowed(request, "*", "r")
        if request.method == "DELETE":
            self.exports.forget(id)
            return Response(status_code=202)
        part = int(request.query_params.get("part", "0"))
        manifest = self.exports.manifest(id, f"{_base(request)}/jobs/{id}", part, self.faults)
        if manifest is None:
            return Response(status_code=202, headers={"X-Progress": "working", "Retry-After": str(self.faults.retry_after)})
        return _json(manifest, kind="application/json")

    def _file(self, request: Request, id: str, name: str) -> Response:
        if self.faults.files_need_token:
            self._allowed(request, "*", "r")
        elif "authorization" in request.headers:
            raise Refusal(400, "security")
        content, cut = self.exports.file(id, name, self.faults)
        kind = "application/gzip" if name.endswith(".gz") else "application/fhir+ndjson"

        async def half() -> AsyncIterator[bytes]:
            yield content[: len(content) // 2]
            raise ConnectionResetError

        return StreamingResponse(half(), media_type=kind) if cut else Response(content, media_type=kind)


def _base(request: Request) -> str:
    return str(request.base_url).rstrip("/") + "/fhir"


def _json(content: Any, status: int = 200, kind: str = FHIR) -> Response:
    return Response(orjson.dumps(content), status, media_type=kind)


def _kept(kept: Kept, status: int = 200) -> Response:
    return Response(
        kept.raw, status, {"ETag": kept.etag, "Location": f"{kept.reference}/_history/{kept.version}"}, media_type=FHIR
    )


def _outcome(status: int, code: str, headers: Mapping[str, str] | None = None) -> Response:
    outcome = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": code}]}
    return Response(orjson.dumps(outcome), status, headers, media_type=FHIR)


def _resource(body: bytes, kind: str) -> Json:
    try:
        resource = orjson.loads(body)
    except orjson.JSONDecodeError:
        raise Refusal(400, "structure") from None
    if not isinstance(resource, dict) or resource.get("resourceType") != kind:
        raise Refusal(400, "invalid")
    return resource


def _capabilities(store: Store, faults: Faults) -> Json:
    parameters = [
        {"name": name, "type": "date" if name == "_lastUpdated" else "token"}
        for name in sorted(SEARCHED - {"patient", "subject"})
    ]
    parameters += [{"name": name, "type": "reference"} for name in ("patient", "subject")]
    interactions = [{"code": code} for code in ("read", "create", "update", "delete", "search-type")]
    kinds = sorted({*store.kinds(), *ALWAYS}.difference(faults.gone))
    return {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": "2026-11-25",
        "kind": "instance",
        "software": {"name": "Fake EHR of Sural", "version": VERSION},
        "implementation": {"description": "A scripted record system with invented patients"},
        "fhirVersion": "4.0.1",
        "format": ["application/fhir+json"],
        "rest": [
            {
                "mode": "server",
                "resource": [{"type": kind, "interaction": interactions, "searchParam": parameters} for kind in kinds],
                "interaction": [] if faults.no_transaction else [{"code": "transaction"}],
            }
        ],
    }
