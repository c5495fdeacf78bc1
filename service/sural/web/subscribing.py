"""Subscriptions over HTTP: create, read, update, delete, search, `$status` and `$events`.

Sources: FHIR R4, Subscription; HL7 Subscriptions R5 Backport for R4. What is not offered is refused with every fault. A subscription is seen
and changed by whoever made it: its headers may hold what its endpoint knows it by.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Annotated, Any
from urllib.parse import quote, urlencode

import orjson
from fastapi import Path, Request
from fastapi.responses import Response
from msgspec import Struct
from msgspec.structs import replace
from starlette.concurrency import run_in_threadpool

from sural.doors.assessor import structural_check
from sural.issues import Issue, Refused
from sural.ledger.content import written
from sural.ledger.criteria import refuse_too_many
from sural.subscriptions.channel import Channel
from sural.subscriptions.channel import channel as channel_of
from sural.subscriptions.notification import notification, statuses
from sural.subscriptions.outbox import Outbox
from sural.subscriptions.store import Subscribed, Subscriptions
from sural.subscriptions.topics import BACKPORT
from sural.web.accepting import check_accept
from sural.web.fhir import FhirResponse, body_type, read_body
from sural.web.forms import LARGEST_FORM, read_form
from sural.web.paging import PARAMETER, page_size, token_of
from sural.web.routes import READ, Interaction, Route
from sural.web.searching import COUNT, MOST, ignored_entry
from sural.web.security import require
from sural.web.settings import Settings
from sural.web.stored import Base, Opened, prefers, tree, wanted_version

Json = dict[str, Any]
Id = Annotated[str, Path(pattern=r"^[A-Za-z0-9\-.]{1,64}$")]
KIND = "Subscription"
SEARCH_PARAMETERS = {"_id": "token", "status": "token", "url": "uri"}
_DEFINITION = f"{BACKPORT}/OperationDefinition/backport-subscription-"
_STATUS_SYSTEM = "http://hl7.org/fhir/subscription-status"
_LEVELS = ("empty", "id-only", "full-resource")


class Continued(Struct, frozen=True, tag="subscriptions"):
    """A search that goes on: the pairs that were understood, how many to a page and whether that was asked for, and after which id."""

    understood: tuple[tuple[str, str], ...]
    count: int = COUNT
    counted: bool = False
    after: str = ""


def subscription_routes(opened: Opened, base: Base, settings: Settings, max_bytes: int) -> list[Route]:
    """The routes of subscriptions."""
    doors = _Doors(opened, base, settings, max_bytes)
    path = f"/fhir/{KIND}"

    def route(path: str, endpoint: Callable[..., Any], methods: tuple[str, ...], interaction: Interaction) -> Route:
        return Route(path, endpoint, methods, interaction, KIND, FhirResponse, check_accept)

    def operation(path: str, endpoint: Callable[..., Any], name: str) -> Route:
        return Route(path, endpoint, ("GET", "POST"), "operation", name, FhirResponse, check_accept, on=KIND, definition=f"{_DEFINITION}{name}")

    return [
        operation(f"{path}/$status", doors.status_of_all, "status"), operation(f"{path}/{{id}}/$status", doors.status, "status"),
        operation(f"{path}/{{id}}/$events", doors.events, "events"),
        route(path, doors.search, READ, "search-type"), route(f"{path}/_search", doors.search_by_form, ("POST",), "search-type"),
        route(path, doors.create, ("POST",), "create"), route(f"{path}/{{id}}", doors.read, READ, "read"),
        route(f"{path}/{{id}}", doors.update, ("PUT",), "update"), route(f"{path}/{{id}}", doors.delete, ("DELETE",), "delete"),
    ]  # fmt: skip


class _Doors:
    def __init__(self, opened: Opened, base: Base, settings: Settings, max_bytes: int) -> None:
        self._opened, self._base, self._settings, self._max_bytes = opened, base, settings, max_bytes

    def _kept(self) -> Subscriptions:
        return Subscriptions(self._opened.resources())

    def _found(self, request: Request, id: str) -> Subscribed:
        found = self._kept().read(id, _owner(request))
        if found is None:
            raise Refused(Issue("not-found"))
        return found

    # reading

    def read(self, request: Request, id: Id) -> Response:
        return _answer(self._found(request, id))

    async def search(self, request: Request) -> Response:
        return await run_in_threadpool(self._search, request, request.query_params.multi_items())

    async def search_by_form(self, request: Request) -> Response:
        form = await read_form(request, min(self._max_bytes, LARGEST_FORM))
        return await run_in_threadpool(self._search, request, [*request.query_params.multi_items(), *form])

    def _search(self, request: Request, given: list[tuple[str, str]]) -> Response:
        given = [(name, text) for name, text in given if name != "_format"]
        seal, token = self._opened.searcher().seal, token_of(given)
        unknown: list[str] = []
        address = f"{self._base(request)}/{KIND}"
        if token is not None:
            asked, query = seal.opened(token, Continued), f"{PARAMETER}={token}"
        else:
            asked, unknown = _asked_for(given, prefers(request, "handling=strict"))
            query = urlencode([*asked.understood, *([("_count", str(asked.count))] if asked.counted else [])], quote_via=quote, safe=",")
        mine = sorted(self._kept().of(_owner(request)), key=lambda one: one.id)  # a database may have an order of its own for texts
        found = [one for one in mine if all(_matches(one, *pair) for pair in asked.understood)]
        left = [one for one in found if one.id > asked.after]
        page = left[: asked.count]
        bundle: Json = {
            "resourceType": "Bundle", "type": "searchset", "total": len(found),
            "link": [{"relation": "self", "url": f"{address}?{query}" if query else address}],
        }  # fmt: skip
        if page and len(left) > len(page):
            further = seal.close(replace(asked, after=page[-1].id))
            bundle["link"].append({"relation": "next", "url": f"{address}?{PARAMETER}={further}"})
        entries = [{"fullUrl": f"{address}/{one.id}", "resource": orjson.Fragment(written(one.resource)), "search": {"mode": "match"}} for one in page]
        entries += [ignored_entry(unknown)] if unknown else []
        return FhirResponse(bundle | ({"entry": entries} if entries else {}))

    async def status(self, request: Request, id: Id) -> Response:
        """The state of a subscription: its status, how many events there were, and what is wrong."""
        await self._asked(request, ())
        found = await run_in_threadpool(self._found, request, id)
        return await run_in_threadpool(self._statuses, request, [found], f"{KIND}/{id}/$status")

    async def status_of_all(self, request: Request) -> Response:
        """The state of the subscriptions that are asked for by `id` and `status`; of all that one has, where they are not."""
        given = await self._asked(request, ("id", "status"))
        wanted = {name: {text for own, text in given if own == name} for name in ("id", "status")}
        mine = await run_in_threadpool(self._kept().of, _owner(request))
        found = [one for one in mine if one.id in (wanted["id"] or {one.id}) and one.status in (wanted["status"] or {one.status})]
        return await run_in_threadpool(self._statuses, request, found, f"{KIND}/$status")

    def _statuses(self, request: Request, found: list[Subscribed], path: str) -> Response:
        now = self._kept().now()
        return FhirResponse(statuses(((one, _channel(one, now)) for one in found), f"{self._base(request)}/{path}"))

    async def events(self, request: Request, id: Id) -> Response:
        """Events by their numbers, also those that were delivered: for a subscriber who missed some."""
        given = dict(await self._asked(request, ("eventsSinceNumber", "eventsUntilNumber", "content")))
        return await run_in_threadpool(self._events, request, id, given)

    def _events(self, request: Request, id: str, given: dict[str, str]) -> Response:
        one = self._found(request, id)
        found = one.channel(self._kept().now())
        first, last = (_number(given, name, default) for name, default in (("eventsSinceNumber", 1), ("eventsUntilNumber", one.events)))
        asked = _lowered(found, given.get("content", ""))
        require(request, found.kind, "r")
        events = Outbox(self._opened.resources()).events(id, first, last)
        for kind in sorted({event.stored.type for event in events}):
            require(request, kind, "r")  # criteria that were changed leave events of another type
        people = {event.stored.subject for event in events}
        request.state.patient = people.pop() if len(people) == 1 else None
        return FhirResponse(notification(one, asked, "query-event", events, self._kept().now()))

    async def _asked(self, request: Request, names: tuple[str, ...]) -> list[tuple[str, str]]:
        """What is asked for in the query, or as Parameters in the body. Raises Refused."""
        given = [(name, text) for name, text in request.query_params.multi_items() if name != "_format"]
        if request.method == "POST" and (body := await read_body(request, self._max_bytes)):
            body_type(request)
            resource = tree(body)
            if resource.get("resourceType") != "Parameters":
                raise Refused(Issue("resource-type-differs"))
            given += list(_primitives(resource))
        unknown = [Issue("parameter-unknown", f"http.{name}") for name, _ in given if names and name not in names]
        if unknown:
            raise Refused(*unknown)
        return given

    # writing

    async def create(self, request: Request) -> Response:
        resource, found = await self._resource(request)
        kept = await run_in_threadpool(self._kept().create, resource, found, _owner(request), self._base(request))
        return self._written(request, kept, 201, {"Location": f"{self._base(request)}/{KIND}/{kept.id}"})

    async def update(self, request: Request, id: Id) -> Response:
        resource, found = await self._resource(request)
        if resource.get("id") != id:
            raise Refused(Issue("id-differs", f"{KIND}.id" if "id" in resource else KIND))
        match = wanted_version(request.headers.get("if-match", "")).removeprefix("*")  # it has to be there in any case
        kept = await run_in_threadpool(self._kept().update, id, resource, found, _owner(request), self._base(request), match)
        return self._written(request, kept, 200)

    def delete(self, request: Request, id: Id) -> Response:
        if not self._kept().delete(id, _owner(request)):
            raise Refused(Issue("not-found"))
        return Response(status_code=204)

    async def _resource(self, request: Request) -> tuple[Json, Channel]:
        """The Subscription in the body, and what it asks for. Raises Refused with its faults."""
        body_type(request)
        resource = tree(await read_body(request, self._max_bytes))
        if resource.get("resourceType") != KIND:
            raise Refused(Issue("resource-type-differs"))
        issues = structural_check()(resource, KIND)
        if any(issue.severity in ("error", "fatal") for issue in issues):
            raise Refused(*issues)
        now = self._kept().now()
        found = channel_of(resource, self._base(request), now, self._settings.may_notify if resource["status"] != "off" else None)
        for right in ("r", "s"):
            require(request, found.kind, right)
        return resource, found

    def _written(self, request: Request, one: Subscribed, status: int, headers: dict[str, str] | None = None) -> Response:
        if prefers(request, "return=minimal"):
            return Response(status_code=status, headers=_headers(one) | (headers or {}))
        return _answer(one, status, headers)


def _asked_for(given: Sequence[tuple[str, str]], strict: bool) -> tuple[Continued, list[str]]:
    """A search, and the names that are not known. Raises Refused for what cannot be used."""
    refuse_too_many(len(given))
    bare = [(name.partition(":")[0], name, text) for name, text in given]
    unknown = [own for own, _, _ in bare if own not in (*SEARCH_PARAMETERS, "_count")]
    counts = [page_size(text, MOST) for name, text in given if name == "_count"]
    invalid = [own for own, name, _ in bare if own != name and own not in unknown]
    invalid += ["_count"] if None in counts or len(counts) > 1 else []
    issues = [Issue("parameter-invalid", f"http.{name}") for name in invalid]
    issues += [Issue("parameter-unknown", f"http.{name}", f"there are {', '.join(SEARCH_PARAMETERS)}, _count") for name in unknown] if strict else []
    if issues:
        raise Refused(*issues)
    understood = tuple((name, text) for name, text in given if name in SEARCH_PARAMETERS and text)
    return Continued(understood, counts[0] if counts and counts[0] is not None else COUNT, bool(counts)), unknown


def _channel(one: Subscribed, now: int) -> Channel:
    """What a subscription asks for; one that is not offered any more still has a state."""
    try:
        return one.channel(now)
    except Refused:
        return Channel("", (), "", "empty")


def _answer(one: Subscribed, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    return FhirResponse(written(one.resource), status, _headers(one) | (headers or {}))


def _headers(one: Subscribed) -> dict[str, str]:
    return {"ETag": f'W/"{one.version}"'}


def _owner(request: Request) -> str:
    """Who asks: the issuer of the token and the client in it; nobody in particular where nobody has to say."""
    agent = getattr(request.state, "agent", None)
    return f"{agent['issuer']}|{agent['name']}" if agent else ""


def _matches(one: Subscribed, name: str, text: str) -> bool:
    """Whether one of the alternatives holds."""
    own = {"_id": one.id, "status": one.status, "url": str(one.asked["channel"].get("endpoint", ""))}[name]
    values = [own, f"|{own}", f"{_STATUS_SYSTEM}|{own}"] if name == "status" else [own]
    return any(value in values for value in ([text] if name == "url" else text.split(",")))


def _primitives(resource: Json) -> Iterator[tuple[str, str]]:
    for one in resource.get("parameter", ()):
        for key, value in one.items():
            if key.startswith("value") and isinstance(value, str | int):
                yield str(one.get("name")), str(value)


def _number(given: dict[str, str], name: str, default: int) -> int:
    text = given.get(name, str(default))
    if not (text.isascii() and text.isdigit() and len(text) < 16):
        raise Refused(Issue("parameter-invalid", f"http.{name}"))
    return int(text)


def _lowered(found: Channel, level: str) -> Channel:
    """The content level that is wished for, where it says less than what was subscribed to; else that."""
    if level and level not in _LEVELS:
        raise Refused(Issue("parameter-invalid", "http.content"))
    own = found.content if found.topic else "id-only"
    content = min(level or own, own, key=_LEVELS.index)
    return replace(found, content=content)
