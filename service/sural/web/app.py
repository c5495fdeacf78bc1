"""The HTTP application: the operation, what is published, health."""

from datetime import date
from html import escape
from typing import Annotated

from fastapi import APIRouter, Depends, FastAPI, Path, Request
from fastapi.responses import HTMLResponse, PlainTextResponse, Response
from fastapi.routing import APIRoute
from starlette.concurrency import run_in_threadpool

from sural.canonical import RULE_SET, VERSION
from sural.doors.assessor import Answered, answer, answer_all, documents, encode, merged, structural_check
from sural.doors.request import Request as Asked
from sural.doors.request import lexicon, with_parameters
from sural.intake.documents import MAX_BYTES, Checker, Parameter
from sural.issues import Issue, Refused
from sural.web.capabilities import capability_statement
from sural.web.demo import demo_routes
from sural.web.fhir import NDJSON, FhirResponse, body_type, check_accept, handle_errors, read_body
from sural.web.publications import SHELVES, published, search

Id = Annotated[str, Path(pattern=r"^[A-Za-z0-9\-.]{1,64}$")]
LARGE_BODY = 262_144
GET = ["GET", "HEAD"]
_FLAGS = ("trace", "preliminary")
_REPEATED = ("scheme", "complete")
_ASKED_BY_QUERY = ("as-of", "lookback", "pathway", "output", "calendar", *_FLAGS, *_REPEATED)


def create_app(check: bool = True, demo: bool = False, max_bytes: int = MAX_BYTES) -> FastAPI:
    """The application. `check` turns the structural check of what comes in on; `demo` adds pages over the fixture cases."""
    app = FastAPI(
        title="Sural", version=VERSION, redirect_slashes=False, openapi_url="/openapi.json", docs_url=None, redoc_url=None
    )
    handle_errors(app)
    checker = structural_check() if check else None
    app.include_router(_operation_routes(checker, max_bytes))
    app.include_router(_published_routes(app))
    app.include_router(_plain_routes(app))
    if demo:
        app.include_router(demo_routes())
    return app


_BODY = {
    "requestBody": {
        "required": True,
        "content": {"application/fhir+json": {"schema": {"type": "object", "required": ["resourceType"]}}},
    }
}


def _operation_routes(checker: Checker | None, max_bytes: int) -> APIRouter:
    router = APIRouter(prefix="/fhir", dependencies=[Depends(check_accept)])

    @router.post("/$assess-lower-limb", tags=["operation:assess-lower-limb"], openapi_extra=_BODY, response_class=FhirResponse)
    async def assess_lower_limb(request: Request) -> Response:
        """Assess an examination: a Bundle, Parameters or single resource in, a Bundle out."""
        kind = body_type(request)
        data = await read_body(request, max_bytes)
        asked, check = _asked(request, checker)
        work = _lines if "ndjson" in kind else _one
        if len(data) > LARGE_BODY:
            return await run_in_threadpool(work, data, asked, check)
        return work(data, asked, check)

    return router


def _one(data: bytes, asked: Asked, check: Checker | None) -> Response:
    answered = answer(data, asked, check)
    if answered.request.output in ("summary", "report"):
        return _summaries([answered])
    return FhirResponse(merged(answered))


def _lines(data: bytes, asked: Asked, check: Checker | None) -> Response:
    answers = list(answer_all(data, asked, check))
    return _summaries(answers)


def _summaries(answers: list[Answered]) -> Response:
    """Documents, one per line: summaries are ours and not FHIR, everything else is."""
    body = b"".join(encode(document) + b"\n" for answered in answers for document in documents(answered))
    plain = len(answers) == 1 and body.count(b"\n") == 1
    return Response(body, media_type="application/json" if plain else NDJSON)


def _asked(request: Request, checker: Checker | None) -> tuple[Asked, Checker | None]:
    """The request as the query states it. Raises Refused with every parameter that is unknown or cannot be used."""
    parameters: list[Parameter] = []
    issues: list[Issue] = []
    for name, text in request.query_params.multi_items():
        if name == "_format":
            continue
        if name == "check" and text in ("structure", "none"):
            checker = checker if text == "structure" else None
        elif name in _FLAGS and text not in ("true", "false"):
            issues.append(Issue("parameter-invalid", f"http.{name}"))
        elif name not in _ASKED_BY_QUERY:
            issues.append(Issue("parameter-unknown", f"http.{name}"))
        else:
            parameters.append(Parameter(name, text == "true" if name in _FLAGS else text, path=f"http.{name}"))
    if issues:
        raise Refused(*issues)
    return with_parameters(Asked(date.today()), parameters), checker


def _published_routes(app: FastAPI) -> APIRouter:
    router = APIRouter(prefix="/fhir", dependencies=[Depends(check_accept)])

    @router.api_route("/metadata", methods=GET, response_class=FhirResponse, include_in_schema=False)
    async def metadata(request: Request) -> Response:
        """What this service can do."""
        return FhirResponse(capability_statement(app, _base(request)))

    for resource_type in SHELVES:
        _add_published(router, resource_type)
    return router


def _add_published(router: APIRouter, resource_type: str) -> None:
    @router.api_route(
        f"/{resource_type}", methods=GET, tags=[f"search:{resource_type}"], response_class=FhirResponse, include_in_schema=False
    )
    async def search_type(request: Request) -> Response:
        return FhirResponse(search(resource_type, dict(request.query_params), _base(request)))

    @router.api_route(
        f"/{resource_type}/{{id}}",
        methods=GET,
        tags=[f"read:{resource_type}"],
        response_class=FhirResponse,
        include_in_schema=False,
    )
    async def read(id: Id) -> Response:
        resource = published(resource_type).get(id)
        if resource is None:
            raise Refused(Issue("not-found"))
        return FhirResponse(resource)


def _base(request: Request) -> str:
    return str(request.base_url).rstrip("/") + "/fhir"


def _plain_routes(app: FastAPI) -> APIRouter:
    router = APIRouter()

    @router.api_route("/health/live", methods=GET, response_class=PlainTextResponse, include_in_schema=False)
    async def live() -> str:
        return "alive\n"

    @router.api_route("/health/ready", methods=GET, response_class=PlainTextResponse, include_in_schema=False)
    async def ready() -> str:
        lexicon()
        return f"ready: Sural {VERSION}, rule set {RULE_SET}\n"

    @router.api_route("/", methods=GET, response_class=HTMLResponse, include_in_schema=False)
    async def home() -> str:
        routes = sorted(
            {(route.path, ", ".join(sorted(route.methods or ()))) for route in app.routes if isinstance(route, APIRoute)}
        )
        rows = "".join(f"<tr><td>{escape(methods)}</td><td><code>{escape(path)}</code></td></tr>" for path, methods in routes)
        return _PAGE.format(version=VERSION, rules=RULE_SET, rows=rows)

    return router


_PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Sural</title>
<style>body{{font:1rem/1.5 system-ui,sans-serif;margin:2rem auto;max-width:48rem;padding:0 1rem}}td{{padding:.1rem 1rem .1rem 0}}</style></head>
<body><h1>Sural {version}</h1><p>Foot and lower-limb neurological examinations in, foot risk, neuropathy and referral proposals out, as FHIR R4.
Rule set {rules}. Decision support for review by a clinician; local policy and licensed practice decide.</p>
<table>{rows}</table></body></html>"""
