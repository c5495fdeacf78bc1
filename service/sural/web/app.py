"""The HTTP application: the operation, what is published, health."""

import asyncio
from html import escape
from typing import Annotated

from fastapi import FastAPI, Path, Request
from fastapi.middleware.cors import CORSMiddleware
from fastapi.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from httpx import AsyncBaseTransport

from sural.canonical import RULE_SET, VERSION
from sural.doors.request import lexicon
from sural.intake.documents import MAX_BYTES
from sural.issues import Issue, Refused
from sural.ledger.database import lasts
from sural.web.accepting import check_accept
from sural.web.audit import Accounted, Write, log_to
from sural.web.capabilities import capability_statement
from sural.web.demo import demo_routes
from sural.web.export import export_routes
from sural.web.extraction import extract_route
from sural.web.fhir import FhirResponse, handle_errors
from sural.web.hooks import hooks_routes
from sural.web.intake_operation import intake_route
from sural.web.notifying import notifying
from sural.web.operation import operation_route
from sural.web.publications import SHELVES, published, search
from sural.web.recall import recall_route
from sural.web.routes import READ, Route, register, served
from sural.web.security import Guard, handle_denied, smart_configuration
from sural.web.settings import Settings
from sural.web.stored import Opened, stored_routes
from sural.web.storing import store_route
from sural.web.subscribing import subscription_routes

Id = Annotated[str, Path(pattern=r"^[A-Za-z0-9\-.]{1,64}$")]


def create_app(
    check: bool = True,
    demo: bool = False,
    max_bytes: int = MAX_BYTES,
    settings: Settings | None = None,
    transport: AsyncBaseTransport | None = None,
    audit: Write | None = None,
    database: str = "sqlite://",
    deliver: bool = False,
) -> FastAPI:
    """The application. `check` turns the structural check of what comes in on where a query does not say; `demo` adds pages over the
    fixture cases. `settings` say who may ask and whom the service may ask; `transport` and `audit` are for other ways to reach servers
    and to write the audit log, such as those of tests. `database` is the address of the ledger with the stored answers, opened when it is
    first needed; by default they last as long as the application. With `deliver` the application notifies subscribers while it runs."""
    settings = settings or Settings()
    write = audit or (log_to(settings.audit.file) if settings.audit.file else None)
    ledger = Opened(database)
    app = FastAPI(
        title="Sural", version=VERSION, redirect_slashes=False, openapi_url="/openapi.json", docs_url=None, redoc_url=None,
        lifespan=notifying(ledger, settings, write) if deliver else None,
    )  # fmt: skip
    handle_errors(app)
    operations = [operation_route(check, max_bytes), intake_route(check, max_bytes), extract_route(check, max_bytes)]
    handle_denied(app)
    app.state.guard = Guard(settings, transport, ledger.used_tokens if lasts(database) else None)
    if settings.web.origins:
        app.add_middleware(
            CORSMiddleware,
            allow_origins=settings.web.origins,
            allow_methods=["GET", "POST", "PUT", "DELETE"],
            allow_headers=["authorization", "content-type", "prefer", "if-match", "if-none-match", "if-none-exist"],
            expose_headers=["etag", "last-modified", "location", "content-location"],
            max_age=600,
        )
    app.add_middleware(Accounted, write=write, secure=settings.base.startswith("https:"))

    def base(request: Request) -> str:
        return f"{settings.base.rstrip('/')}/fhir" if settings.base else _base(request)

    register(app, [*operations, *_published_routes(app, settings), *_plain_routes(app, ledger)])
    app.state.ledger = ledger
    register(app, [store_route(ledger, base, check, max_bytes), *export_routes(ledger, base), recall_route(ledger, base)])
    register(app, stored_routes(ledger.resources, ledger.searcher, base, check, max_bytes))
    register(app, subscription_routes(ledger, base, settings, max_bytes))
    register(app, hooks_routes(settings, check, max_bytes, transport))
    if demo:
        register(app, demo_routes())
    return app


def _published_routes(app: FastAPI, settings: Settings) -> list[Route]:
    async def metadata(request: Request) -> Response:
        """What this service can do."""
        return FhirResponse(capability_statement(app, _base(request), settings))

    found = [Route("/fhir/metadata", metadata, response=FhirResponse, before=check_accept, open=True)]
    if content := smart_configuration(settings):

        async def smart() -> Response:
            """Where tokens are to be had."""
            return JSONResponse(content)

        found.append(Route("/fhir/.well-known/smart-configuration", smart, response=JSONResponse, open=True))
    for resource_type in SHELVES:
        found += _shelf_routes(resource_type)
    return found


def _shelf_routes(resource_type: str) -> list[Route]:
    async def search_type(request: Request) -> Response:
        strict = "handling=strict" in request.headers.get("prefer", "").replace(" ", "").lower().replace(";", ",").split(",")
        return FhirResponse(search(resource_type, request.query_params.multi_items(), _base(request), strict))

    async def read(id: Id) -> Response:
        resource = published(resource_type).get(id)
        if resource is None:
            raise Refused(Issue("not-found"))
        return FhirResponse(resource)

    path = f"/fhir/{resource_type}"
    return [
        Route(path, search_type, READ, "search-type", resource_type, FhirResponse, check_accept, open=True),
        Route(f"{path}/{{id}}", read, READ, "read", resource_type, FhirResponse, check_accept, open=True),
    ]


def _base(request: Request) -> str:
    return str(request.base_url).rstrip("/") + "/fhir"


def _plain_routes(app: FastAPI, ledger: Opened) -> list[Route]:
    async def live() -> str:
        return "alive\n"

    def answers() -> None:
        lexicon()
        ledger.resources().database.answers()

    async def ready() -> str:
        await asyncio.to_thread(answers)  # in no thread that requests wait for
        return f"ready: Sural {VERSION}, rule set {RULE_SET}\n"

    async def home() -> str:
        routes = sorted((route.path, ", ".join(route.methods)) for route in served(app))
        rows = "".join(f"<tr><td>{methods}</td><td><code>{escape(path)}</code></td></tr>" for path, methods in routes)
        return _PAGE.format(version=VERSION, rules=RULE_SET, rows=rows)

    return [
        Route("/health/live", live, response=PlainTextResponse, open=True),
        Route("/health/ready", ready, response=PlainTextResponse, open=True),
        Route("/", home, response=HTMLResponse, open=True),
    ]


_PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Sural</title>
<style>body{{font:1rem/1.5 system-ui,sans-serif;margin:2rem auto;max-width:48rem;padding:0 1rem}}td{{padding:.1rem 1rem .1rem 0}}</style></head>
<body><h1>Sural {version}</h1><p>Foot and lower-limb neurological examinations in, foot risk, neuropathy and referral proposals out, as FHIR R4.
Rule set {rules}. Decision support for review by a clinician; local policy and licensed practice decide.</p>
<table>{rows}</table></body></html>"""
