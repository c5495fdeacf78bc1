"""The routes as one list: it is what registers them, and what the CapabilityStatement and the home page are made from."""

from collections.abc import Awaitable, Callable, Iterable
from typing import Any, Literal

from fastapi import Depends, FastAPI, Request
from fastapi.responses import Response
from msgspec import Struct

READ = ("GET", "HEAD")
Interaction = Literal["operation", "search-type", "read", "vread", "history-instance", "create", "update", "delete", "transaction"]


class Route(Struct, frozen=True):
    """One route: its path and methods, what answers, and for FHIR what it does with which type or operation.

    An operation is of the type it is `on`, or of the service; `definition` is its canonical where it is not one of ours.

    `before` is called with the request first and may refuse it. `more` goes to the web framework as it is. `open` is for what anyone may
    have without saying who they are.
    """

    path: str
    endpoint: Callable[..., Any]
    methods: tuple[str, ...] = READ
    interaction: Interaction | None = None
    name: str = ""
    response: type[Response] = Response
    before: Callable[..., Any] | None = None
    more: dict[str, Any] = {}
    on: str = ""
    definition: str = ""
    open: bool = False


def register(app: FastAPI, routes: Iterable[Route]) -> None:
    """Serve these routes, and remember them. The application's guard, if it has one, is asked before anything else."""
    guard = getattr(app.state, "guard", None)
    for route in routes:
        checks = [_audited(route), *([guard.of(route)] if guard else []), *([route.before] if route.before else [])]
        app.add_api_route(
            route.path,
            route.endpoint,
            methods=list(route.methods),
            response_class=route.response,
            dependencies=[Depends(check) for check in checks],
            **({"include_in_schema": False} | route.more),
        )
        served(app).append(route)


def _audited(route: Route) -> Callable[[Request], Awaitable[None]]:
    async def remember(request: Request) -> None:
        request.state.audited = route

    return remember


def served(app: FastAPI) -> list[Route]:
    """Every route that the application serves."""
    if not hasattr(app.state, "served"):
        app.state.served = []
    found: list[Route] = app.state.served
    return found
