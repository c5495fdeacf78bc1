"""The operation `$recall`: who is to be examined again, as pages of DetectedIssues or as CSV (decision 0020).

Pages are in the order of references, so that a walk ends and shows nobody twice, however many are stored meanwhile. CSV is the whole list,
the most urgent first. Neither names anybody in an address.
"""

from collections.abc import Iterator
from datetime import date
from typing import Any
from urllib.parse import quote, urlencode

from fastapi import Request
from fastapi.responses import Response, StreamingResponse
from msgspec import Struct

from sural.issues import Issue, Refused
from sural.ledger.knowing import Knowing
from sural.ledger.recalling import entries, page
from sural.plan.pathway import SERVICES
from sural.recall.issues import detected_issues
from sural.recall.listing import KNOWN_STATES, Wanted, sorted_by_urgency
from sural.recall.words import csv_lines
from sural.web.accepting import CSV, FHIR_JSON, Accept
from sural.web.fhir import FhirResponse
from sural.web.paging import PARAMETER, Seal, page_size, token_of
from sural.web.routes import Route
from sural.web.security import require
from sural.web.stored import Base, Opened

PERSONS, MOST = 200, 1000
"""Persons on a page when none is asked for, and at most."""
_TAKEN = {
    "as-of": "a day such as 2026-03-02", "_count": "a whole number from 1", "state": f"there are {', '.join(KNOWN_STATES)}",
    "service": f"there are {', '.join(SERVICES)}",
}  # fmt: skip
READ_TYPES = ("RiskAssessment", "Observation", "ServiceRequest")
"""What a list tells of."""


class Continued(Struct, frozen=True, tag="recall"):
    """A list that goes on: what is wanted, how many to a page, and after whom."""

    wanted: Wanted
    count: int
    after: str


def recall_route(opened: Opened, base: Base) -> Route:
    """The route of the operation."""

    def recall(request: Request) -> Response:
        """Who is due, overdue, lost, unsettled, or referred and not seen, each with reasons and dates; FHIR or CSV."""
        for kind in READ_TYPES:
            require(request, kind, "r")
        accept = Accept.of(request)
        accept.refuse_unless(FHIR_JSON, CSV)
        knowing, seal = Knowing(opened.resources().ledger), opened.searcher().seal
        asked = _asked(request, seal)
        if asked.wanted.source and knowing.count() and not knowing.has_source(asked.wanted.source):
            raise Refused(Issue("parameter-invalid", "http.source", "nobody is known from there: what stands before /Patient/ in the references of the list"))
        if accept.weight(CSV) > accept.weight(FHIR_JSON):
            return _csv(knowing, asked.wanted)
        return FhirResponse(_bundle(knowing, asked, seal, f"{base(request)}/$recall", request.query_params.get(PARAMETER)))

    return Route("/fhir/$recall", recall, ("GET",), "operation", "recall", FhirResponse)


def _csv(knowing: Knowing, wanted: Wanted) -> Response:
    """The list as a file. It is sorted before its first line is sent, so a failure is an error and never half a list."""
    found = sorted_by_urgency(entries(knowing, wanted))

    def lines() -> Iterator[bytes]:
        for line in csv_lines(found, wanted.as_of):
            yield line.encode()

    name = f"recall-{wanted.as_of.isoformat()}.csv"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return StreamingResponse(lines(), media_type=f"{CSV}; charset=utf-8; header=present", headers=headers)


def _bundle(knowing: Knowing, asked: Continued, seal: Seal, address: str, page_token: str | None) -> dict[str, Any]:
    wanted = asked.wanted
    found, following = page(knowing, wanted, asked.count, asked.after)
    written = [("as-of", wanted.as_of.isoformat()), *(("state", one) for one in wanted.states), *(("service", one) for one in wanted.services)]
    written += [("source", wanted.source)] if wanted.source else []
    query = urlencode([*written, ("_count", str(asked.count))], quote_via=quote)
    links = [{"relation": "self", "url": f"{address}?{PARAMETER}={page_token}" if page_token else f"{address}?{query}"}]
    if following is not None:
        token = seal.close(Continued(wanted, asked.count, following))
        links.append({"relation": "next", "url": f"{address}?{PARAMETER}={token}"})
    issues = [{"resource": one} for entry in found for one in detected_issues(entry, wanted.as_of)]
    bundle: dict[str, Any] = {"resourceType": "Bundle", "type": "collection", "link": links}
    if issues:
        bundle["entry"] = issues
    return bundle


def _asked(request: Request, seal: Seal) -> Continued:
    """What is asked for. Raises Refused with every parameter that is unknown or cannot be used."""
    given = [(name, text) for name, text in request.query_params.multi_items() if name != "_format"]
    token = token_of(given)
    if token is not None:
        return seal.opened(token, Continued)
    known: dict[str, list[str]] = {"as-of": [], "state": [], "service": [], "source": [], "_count": []}
    issues: list[Issue] = []
    for name, text in given:
        if name in known:
            known[name] += [one for one in text.split(",") if one] if name in ("state", "service") else [text]
        else:
            issues.append(Issue("parameter-unknown", f"http.{name}", f"there are {', '.join(known)}"))
    issues += [Issue("parameter-invalid", f"http.{name}", "stands twice") for name in ("as-of", "source", "_count") if len(known[name]) > 1]
    day, count = _day(known["as-of"]), _count(known["_count"])
    invalid = {
        "as-of": day is None, "_count": count is None, "state": not set(known["state"]) <= set(KNOWN_STATES),
        "service": not set(known["service"]) <= SERVICES.keys(),
    }  # fmt: skip
    issues += [Issue("parameter-invalid", f"http.{name}", _TAKEN[name]) for name, wrong in invalid.items() if wrong]
    if issues or day is None or count is None:
        raise Refused(*dict.fromkeys(issues))
    source = known["source"][0].rstrip("/") if known["source"] else ""
    return Continued(Wanted(day, tuple(known["state"]), tuple(known["service"]), source), count, "")


def _day(given: list[str]) -> date | None:
    if not given:
        return date.today()
    try:
        found = date.fromisoformat(given[0])
    except ValueError:
        return None
    return found if found.isoformat() == given[0] else None


def _count(given: list[str]) -> int | None:
    if not given:
        return PERSONS
    return page_size(given[0], MOST) or None
