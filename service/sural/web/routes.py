"""The routes as one list: it is what registers them, and what the CapabilityStatement and the home page are made from."""

from collections.abc import Callable, Iterable
from typing import Any, Literal

from fastapi import Depends, FastAPI
from fastapi.responses import Response
from msgspec import Struct

READ = ("GET", "HEAD")
Interaction = Literal["operation", "search-type", "read"]


class Route(Struct, frozen=True):
    """One route: its path and methods, what answers, and for FHIR what it does with which type or operation.

    An operation is of the type it is `on`, or of the service; `definition` is its canonical where it is not one of ours.

    `before` is called with the request first and may refuse it. `more` goes to the web framework as it is.
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


def register(app: FastAPI, routes: Iterable[Route]) -> None:
    """Serve these routes, and remember them."""
    for route in routes:
        app.add_api_route(
            route.path,
            route.endpoint,
            methods=list(route.methods),
            response_class=route.response,
            dependencies=[Depends(route.before)] if route.before else None,
            **({"include_in_schema": False} | route.more),
        )
        served(app).append(route)


def served(app: FastAPI) -> list[Route]:
    """Every route that the application serves."""
    if not hasattr(app.state, "served"):
        app.state.served = []
    found: list[Route] = app.state.served
    return found
