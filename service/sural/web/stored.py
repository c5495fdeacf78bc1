"""Stored answers over HTTP: read, versions, search, create, update and transaction of each type that answers are stored as.

Source: FHIR R4, RESTful API: ETag and Last-Modified, conditional read (304), `If-Match`, `If-None-Exist`, `Prefer: return`, the answers to
each. What comes in is checked as a resource; ids, versions and instants are ours.
"""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from decimal import Decimal
from email.utils import format_datetime, parsedate_to_datetime
from functools import partial
from threading import Lock
from typing import Annotated, Any, TypeVar
from urllib.parse import urlencode

import orjson
from anyio import CapacityLimiter, to_thread
from fastapi import Path, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from sural.answer.accounts import outcome
from sural.doors.assessor import structural_check
from sural.exam.moment import moment
from sural.exam.units import measurable
from sural.intake.structure import child
from sural.intake.text import parse
from sural.issues import Issue, Refused
from sural.ledger.content import written
from sural.ledger.parameters import SEARCHED
from sural.ledger.resources import Resources, Stored
from sural.ledger.store import Ledger
from sural.ledger.used_tokens import UsedTokens
from sural.ledger.writing import Done, Wish, searched_by, write
from sural.web.accepting import check_accept
from sural.web.elements import part_of
from sural.web.fhir import FhirResponse, body_type, read_body
from sural.web.forms import LARGEST_FORM, read_form
from sural.web.routes import READ, Interaction, Route
from sural.web.searching import SUMMARIES, Searcher
from sural.web.security import permitted, require

Json = dict[str, Any]
Id = Annotated[str, Path(pattern=r"^[A-Za-z0-9\-.]{1,64}$")]
Base = Callable[[Request], str]


T = TypeVar("T")
WRITERS = 8


class Writers:
    """Runs what writes in a few threads of its own: writers wait for each other, and those that wait leave threads to those that read."""

    def __init__(self) -> None:
        self._limiter = CapacityLimiter(WRITERS)

    async def run(self, work: Callable[..., T], *given: Any) -> T:
        return await to_thread.run_sync(partial(work, *given), limiter=self._limiter)


class Opened:
    """A ledger that is opened when it is first needed, once."""

    def __init__(self, database: str) -> None:
        self._database = database
        self._lock = Lock()
        self._found: tuple[Resources, Searcher, UsedTokens] | None = None

    def _open(self) -> tuple[Resources, Searcher, UsedTokens]:
        with self._lock:
            if self._found is None:
                resources = Resources(Ledger(self._database))
                self._found = resources, Searcher(resources), UsedTokens(resources.database)
            return self._found

    def resources(self) -> Resources:
        return self._open()[0]

    def searcher(self) -> Searcher:
        return self._open()[1]

    def used_tokens(self) -> UsedTokens:
        return self._open()[2]


def stored_routes(opened: Callable[[], Resources], searcher: Callable[[], Searcher], base: Base, check: bool, max_bytes: int) -> list[Route]:
    """The routes of every type that answers are stored as, and of transactions."""
    doors = _Doors(opened, searcher, base, check, max_bytes)
    found = [Route("/fhir", doors.transaction, ("POST",), "transaction", "", FhirResponse, check_accept)]
    for kind in SEARCHED:
        found += doors.of(kind)
    return found


def prefers(request: Request, wish: str) -> bool:
    """Whether the Prefer header says something, such as `handling=strict`."""
    said = request.headers.get("prefer", "").replace(" ", "").lower().replace(";", ",").split(",")
    return wish in said


class _Doors:
    def __init__(self, opened: Callable[[], Resources], searcher: Callable[[], Searcher], base: Base, check: bool, max_bytes: int) -> None:
        self._opened, self._searcher, self._base = opened, searcher, base
        self._check, self._max_bytes = check, max_bytes
        self._writers = Writers()

    def of(self, kind: str) -> list[Route]:
        """The routes of one type."""

        def read(request: Request, id: Id) -> Response:
            return self._read(request, self._opened().read(kind, id))

        def vread(request: Request, id: Id, version: Id) -> Response:
            versions = self._opened().history(kind, id, int(version)) if version.isascii() and version.isdigit() and len(version) < 10 else []
            return self._read(request, versions[0] if versions else None)

        def history(request: Request, id: Id) -> Response:
            return self._history(request, self._opened().history(kind, id))

        async def search(request: Request) -> Response:
            return await self._search(request, kind, request.query_params.multi_items())

        async def search_by_form(request: Request) -> Response:
            form = await read_form(request, min(self._max_bytes, LARGEST_FORM))
            return await self._search(request, kind, [*request.query_params.multi_items(), *form])

        async def create(request: Request) -> Response:
            wish = Wish(await self._resource(request, kind), condition=request.headers.get("if-none-exist", ""))
            return await self._one(request, wish)

        async def update(request: Request, id: Id) -> Response:
            resource = await self._resource(request, kind)
            if resource.get("id") != id:
                raise Refused(Issue("id-differs", f"{kind}.id" if "id" in resource else kind))
            return await self._one(request, Wish(resource, id, if_match=wanted_version(request.headers.get("if-match", ""))))

        async def update_where(request: Request) -> Response:
            wish = Wish(
                await self._resource(request, kind), update_where=request.url.query or "?", if_match=wanted_version(request.headers.get("if-match", ""))
            )
            return await self._one(request, wish)

        path = f"/fhir/{kind}"

        def route(path: str, endpoint: Any, methods: tuple[str, ...], interaction: Interaction) -> Route:
            return Route(path, endpoint, methods, interaction, kind, FhirResponse, check_accept)

        return [
            route(path, search, READ, "search-type"), route(f"{path}/_search", search_by_form, ("POST",), "search-type"),
            route(path, create, ("POST",), "create"), route(path, update_where, ("PUT",), "update"),
            route(f"{path}/{{id}}", read, READ, "read"), route(f"{path}/{{id}}", update, ("PUT",), "update"),
            route(f"{path}/{{id}}/_history", history, READ, "history-instance"),
            route(f"{path}/{{id}}/_history/{{version}}", vread, READ, "vread"),
        ]  # fmt: skip

    # reading

    def _read(self, request: Request, one: Stored | None) -> Response:
        if one is None:
            raise Refused(Issue("not-found"))
        request.state.patient = one.subject
        headers = _headers(one)
        if _known(request, one):
            return Response(status_code=304, headers=headers)
        summary, elements = request.query_params.get("_summary", ""), request.query_params.get("_elements", "")
        if summary and (summary not in SUMMARIES or summary == "count"):
            raise Refused(Issue("parameter-invalid", "http._summary"))
        partly = summary in ("true", "text", "data") or elements
        return FhirResponse(written(part_of(one.resource, summary, elements.split(","))) if partly else one.content, headers=headers)

    def _history(self, request: Request, versions: list[Stored]) -> Response:
        if not versions:
            raise Refused(Issue("not-found"))
        request.state.patient = versions[0].subject
        base, since = self._base(request), request.query_params.get("_since", "")
        reference = versions[0].reference
        versions = _since(versions, since)
        entries = [
            {
                "fullUrl": f"{base}/{one.reference}",
                "resource": orjson.Fragment(one.content),
                "request": {"method": "POST", "url": one.type} if one.version == 1 else {"method": "PUT", "url": one.reference},
                "response": {"status": "201" if one.version == 1 else "200", **_place(one)},
            }
            for one in versions
        ]
        query = f"?{urlencode({'_since': since})}" if since else ""
        link = [{"relation": "self", "url": f"{base}/{reference}/_history{query}"}]
        bundle = {"resourceType": "Bundle", "type": "history", "total": len(versions), "link": link}
        return FhirResponse(bundle | ({"entry": entries} if entries else {}))

    async def _search(self, request: Request, kind: str, given: list[tuple[str, str]]) -> Response:
        about = [text for name, text in given if name.partition(":")[0] in ("patient", "subject")]
        request.state.patient = about[0] if len(about) == 1 and "," not in about[0] else None
        strict, base = prefers(request, "handling=strict"), self._base(request)

        def answered() -> Json:
            return self._searcher().bundle(kind, given, base, strict, lambda other: permitted(request, other, "r"))

        return FhirResponse(await run_in_threadpool(answered))

    # writing

    async def _resource(self, request: Request, kind: str) -> Json:
        """The resource in the body. Raises Refused with all its faults."""
        body_type(request)
        resource = tree(await read_body(request, self._max_bytes))
        if resource.get("resourceType") != kind:
            raise Refused(Issue("resource-type-differs"))
        self._judge(resource, kind)
        return resource

    def _judge(self, resource: Json, path: str) -> None:
        issues = structural_check()(resource, path) if self._check else []
        if any(issue.severity in ("error", "fatal") for issue in issues):
            raise Refused(*issues)

    def _write(self, wishes: list[Wish], base: str) -> list[Done]:
        return write(self._opened(), wishes, base)

    async def _one(self, request: Request, wish: Wish) -> Response:
        self._may_ask(request, wish)
        (done,) = await self._writers.run(self._write, [wish], self._base(request))
        request.state.patient = done.stored.subject
        headers = _headers(done.stored)
        if done.what == "created":
            headers["Location"] = f"{self._base(request)}/{done.stored.reference}/_history/{done.stored.version}"
        status = 201 if done.what == "created" else 200
        if prefers(request, "return=minimal"):
            return Response(status_code=status, headers=headers)
        if prefers(request, "return=operationoutcome") or not _may_see(request, done):
            return FhirResponse(outcome([Issue(_SAID[done.what])]), status, headers)
        return FhirResponse(done.stored.content, status, headers)

    async def transaction(self, request: Request) -> Response:
        """Create or update several resources that lead to each other, all or none."""
        body_type(request)
        bundle = tree(await read_body(request, self._max_bytes))
        if bundle.get("resourceType") != "Bundle" or bundle.get("type") != "transaction":
            raise Refused(Issue("not-a-transaction"))
        wishes = [_wish(entry, f"Bundle.entry[{number}]") for number, entry in enumerate(bundle.get("entry", ()))]
        for wish in wishes:
            require(request, wish.kind, "u" if wish.id or wish.update_where else "c")
            self._may_ask(request, wish)
            self._judge(wish.resource, f"{wish.at}.resource")
        done = await self._writers.run(self._write, wishes, self._base(request))
        whole = not prefers(request, "return=minimal")
        return FhirResponse({"resourceType": "Bundle", "type": "transaction-response", "entry": [_answer(one, whole and _may_see(request, one)) for one in done]})

    def _may_ask(self, request: Request, wish: Wish) -> None:
        """Raises Denied when a condition asks for more than an identifier, which tells what is stored, and the caller may not search."""
        for kind in sorted(searched_by(wish)):
            require(request, kind, "s")


def tree(data: bytes) -> Json:
    """The JSON object of a body, its decimals as they were written. Raises Refused, also for a number beyond all measure."""
    found = parse(data)
    if not isinstance(found, dict):
        raise Refused(Issue("not-fhir"))
    beyond = tuple(_beyond_measure(found, str(found.get("resourceType", ""))))
    if beyond:
        raise Refused(*(Issue("value-out-of-range", path) for path in beyond))
    return found


def _beyond_measure(node: Any, path: str) -> Iterator[str]:
    """Where a number is too large, too fine or too long for anything to be measured so."""
    if isinstance(node, dict):
        for name, value in node.items():
            yield from _beyond_measure(value, child(path, name))
    elif isinstance(node, list):
        for number, value in enumerate(node):
            yield from _beyond_measure(value, f"{path}[{number}]")
    elif isinstance(node, Decimal | int) and not measurable(Decimal(node)):
        yield path


def _may_see(request: Request, done: Done) -> bool:
    """Whether the caller sees the resource of an answer: what they have just sent, or what they may read."""
    return done.what != "unchanged" or permitted(request, done.stored.type, "r")


_SAID = {"created": "stored", "updated": "stored", "unchanged": "stored-already"}


def _wish(entry: Any, at: str) -> Wish:
    """One entry of a transaction. Raises Refused for anything but a create or update of a resource."""
    try:
        resource, request = entry["resource"], entry["request"]
        kind, method, url = str(resource["resourceType"]), str(request["method"]), str(request["url"])
    except (KeyError, TypeError):
        raise Refused(Issue("element-missing", at)) from None
    link, condition, match = str(entry.get("fullUrl", "")), str(request.get("ifNoneExist", "")), wanted_version(str(request.get("ifMatch", "")))
    place, question, query = url.partition("?")
    if method == "POST" and url == kind:
        return Wish(resource, condition=condition, link=link, at=at)
    if method == "PUT" and question and place == kind:
        return Wish(resource, update_where=query, if_match=match, link=link, at=at)
    if method == "PUT" and place.startswith(f"{kind}/") and resource.get("id") == place.removeprefix(f"{kind}/"):
        return Wish(resource, place.removeprefix(f"{kind}/"), if_match=match, link=link, at=at)
    raise Refused(Issue("request-not-offered", f"{at}.request"))


def _answer(done: Done, whole: bool) -> Json:
    one = done.stored
    response = {"status": "201 Created" if done.what == "created" else "200 OK", **_place(one), "location": f"{one.reference}/_history/{one.version}"}
    return {"response": response, **({"resource": orjson.Fragment(one.content)} if whole else {})}


def _place(one: Stored) -> Json:
    return {"etag": f'W/"{one.version}"', "lastModified": one.instant}


def _when(one: Stored) -> datetime:
    return datetime.fromisoformat(one.instant.replace("Z", "+00:00")).astimezone(UTC)


def _since(versions: list[Stored], text: str) -> list[Stored]:
    """The versions of an instant or later; all where none is given. Raises Refused."""
    if not text:
        return versions
    when = moment(text)
    if when is None or "T" not in text:
        raise Refused(Issue("parameter-invalid", "http._since"))
    return [one for one in versions if _when(one).timestamp() >= when.start]


def _headers(one: Stored) -> dict[str, str]:
    return {"ETag": f'W/"{one.version}"', "Last-Modified": format_datetime(_when(one), usegmt=True)}


def _known(request: Request, one: Stored) -> bool:
    """Whether the client has this version already; `If-None-Match` goes before `If-Modified-Since` (RFC 9110)."""
    tags = request.headers.get("if-none-match")
    if tags is not None:
        return tags.strip() == "*" or str(one.version) in map(version_of, tags.split(","))
    since = request.headers.get("if-modified-since")
    try:
        return since is not None and _when(one).replace(microsecond=0) <= parsedate_to_datetime(since)
    except (ValueError, TypeError):
        return False


def wanted_version(match: str) -> str:
    """The version that `If-Match` asks for; empty where it does not ask, and never where it asks for something else than a version."""
    return (version_of(match) or "none") if match else ""


def version_of(tag: str) -> str:
    """The version in an ETag, weak or not."""
    return tag.strip().removeprefix("W/").strip('"')
