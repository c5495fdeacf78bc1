"""The data of a CDS Hooks call: what was sent, judged key by key, and what is still to be fetched from the record system."""

import asyncio
from collections.abc import Iterator, Mapping
from typing import Any

import httpx

from sural.doors.outbound import Outbound
from sural.intake.documents import MAX_ENTRIES
from sural.intake.text import parse
from sural.issues import Issue, Refused
from sural.records.addresses import Addresses
from sural.records.faults import RecordsFault
from sural.records.http import Connection, Manner
from sural.records.search import says_not_all
from sural.web.prefetch import filled

Json = dict[str, Any]
TIME = 5.0
MOST_PAGES = 20
_MANNER = Manner(concurrency=8, timeout=TIME, longest_body=TIME, attempts=1, max_bytes=8_000_000)


class Incomplete(Exception):
    """A prefetch value that does not hold all the data."""


def complete(prefetch: Json, wanted: Mapping[str, str]) -> tuple[list[Json], dict[str, str]]:
    """The resources that were sent, and the templates whose data are still missing. Keys that were not asked for are left alone."""
    resources: list[Json] = []
    missing: dict[str, str] = {}
    for key, template in wanted.items():
        try:
            found = list(_resources(prefetch[key], template))
        except (KeyError, Incomplete):
            missing[key] = template
        else:
            resources += found
    return resources, missing


def _resources(value: Any, template: str) -> Iterator[Json]:
    """The resources of one value. Raises Incomplete."""
    if value is None:
        if "?" not in template:
            raise Incomplete
        return
    if not isinstance(value, dict):
        raise Incomplete
    kind = value.get("resourceType")
    if kind == "Bundle" and "?" in template:
        if _next(value) is not None:
            raise Incomplete
        found = _matches(value)
        _all_came(value, found)
        yield from found
    elif kind == template.partition("/")[0] and "?" not in template:
        yield value
    else:
        raise Incomplete


def _matches(bundle: Json) -> list[Json]:
    """The resources of a searchset. Raises Incomplete when it says that something went wrong, or that there is more."""
    entries = bundle.get("entry", [])
    if not isinstance(entries, list):
        raise Incomplete
    found: list[Json] = []
    for entry in entries:
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if not isinstance(resource, dict):
            raise Incomplete
        if resource.get("resourceType") != "OperationOutcome":
            found.append(resource)
            continue
        issues = resource.get("issue")
        if not isinstance(issues, list) or any(not isinstance(one, dict) or says_not_all(one.get("severity"), one.get("code")) for one in issues):
            raise Incomplete
    return found


def _all_came(first: Json, found: list[Json]) -> None:
    """Raises Incomplete when fewer resources came than the first page announced."""
    total = first.get("total")
    if isinstance(total, int) and len({(one.get("resourceType"), one.get("id")) for one in found}) < total:
        raise Incomplete


def _next(bundle: Json) -> str | None:
    links = bundle.get("link", [])
    found = [link.get("url") for link in links if isinstance(link, dict) and link.get("relation") == "next"] if isinstance(links, list) else []  # fmt: skip
    return str(found[0]) if found else None


class _Given:
    """The token that came with the call."""

    def __init__(self, token: str) -> None:
        self._token = token

    async def token(self, refused: str | None = None) -> str:
        return self._token


class Fetching:
    """Asks the record system that made the call, if it is listed, with the token that came along."""

    def __init__(self, reach: Outbound, server: str, token: str) -> None:
        self._reach, self._server, self._token = reach, server, token

    async def fetch(self, wanted: Mapping[str, str], patient: str) -> list[Json]:
        """The resources of every template. Raises Refused, with each key that cannot be had."""
        if not self._server or not self._reach.lists(self._server):
            issues = [Issue("prefetch-unobtainable", diagnostics=key) for key in wanted]
            raise Refused(*issues, *([Issue("host-not-allowed")] if self._server else []))
        authoriser = _Given(self._token) if self._token else None
        try:
            async with asyncio.timeout(TIME):
                connection = Connection(Addresses(self._server), authoriser, _MANNER, transport=self._reach)
                found = await asyncio.gather(
                    *(self._one(connection, filled(template, patient)) for template in wanted.values()), return_exceptions=True
                )
        except TimeoutError:
            found = [Incomplete() for _ in wanted]
        except ValueError:
            raise Refused(
                Issue("host-not-allowed"), *(Issue("prefetch-unobtainable", diagnostics=key) for key in wanted)
            ) from None
        failed = [key for key, one in zip(wanted, found, strict=True) if isinstance(one, BaseException)]
        for one in found:
            if isinstance(one, BaseException) and not isinstance(one, RecordsFault | Incomplete | Refused | httpx.HTTPError):
                raise one
        if failed:
            raise Refused(*(Issue("prefetch-unobtainable", diagnostics=key) for key in failed))
        return [resource for one in found if isinstance(one, list) for resource in one]

    async def _one(self, connection: Connection, address: str) -> list[Json]:
        """All pages of one search, or one resource."""
        resources: list[Json] = []
        seen: set[str] = set()
        first: Json | None = None
        following: str | None = address
        while following is not None:
            if following in seen or len(seen) >= MOST_PAGES or len(resources) > MAX_ENTRIES:
                raise Incomplete
            seen.add(following)
            reply = await connection.request("GET", following)
            reply.json()  # refuses what is not declared as FHIR JSON
            value = parse(reply.content)  # numbers as they stand
            if "?" not in address:
                return list(_resources(value, address))
            if not isinstance(value, dict) or value.get("resourceType") != "Bundle":
                raise Incomplete
            first = first or value
            resources += _matches(value)
            following = _next(value)
        _all_came(first or {}, resources)
        return resources
