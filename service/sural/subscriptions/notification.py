"""What is sent for a subscription, and what `$status` and `$events` answer.

Source: HL7 Subscriptions R5 Backport for R4: a Bundle of type history whose first entry is a Parameters with the state of the subscription and the
events; with `empty` no reference at all, with `id-only` references to what changed and no resource, with `full-resource` both. R4B has another
first entry, and is not spoken here.
"""

from collections.abc import Iterable, Sequence
from typing import Any, Literal
from uuid import uuid4

import orjson
from msgspec import Struct

from sural.ledger.resources import Stored, said
from sural.subscriptions.channel import Channel
from sural.subscriptions.outbox import Claim, Event
from sural.subscriptions.store import Subscribed
from sural.subscriptions.topics import BACKPORT

Json = dict[str, Any]
Kind = Literal["handshake", "heartbeat", "event-notification", "query-status", "query-event"]
STATUS = f"{BACKPORT}/StructureDefinition/backport-subscription-status-r4"
NOTIFICATION = f"{BACKPORT}/StructureDefinition/backport-subscription-notification-r4"
_ERRORS = "http://terminology.hl7.org/CodeSystem/subscription-error"


class Sending(Struct, frozen=True):
    """One HTTP request to an endpoint."""

    method: str
    address: str
    headers: tuple[tuple[str, str], ...]
    body: bytes


def sending(claim: Claim, now: int) -> Sending:
    """The request that tells of what was claimed."""
    one, asked = claim.subscribed, claim.channel
    if asked.topic:
        bundle = notification(one, asked, claim.what, claim.events, now)
        return Sending("POST", asked.endpoint, (*asked.headers, ("Content-Type", asked.mime)), orjson.dumps(bundle))
    if asked.content == "resource" and claim.events:
        stored = claim.events[0].stored
        headers = (*asked.headers, ("Content-Type", asked.mime))
        return Sending("PUT", f"{asked.endpoint.rstrip('/')}/{stored.reference}", headers, stored.content)
    return Sending("POST", asked.endpoint, asked.headers, b"")


def notification(one: Subscribed, asked: Channel, kind: Any, events: Sequence[Event], now: int) -> Json:
    """A notification Bundle (R4)."""
    request = {"method": "GET", "url": f"Subscription/{one.id}/$status"}
    entry = {**_first(status(one, asked, kind, events)), "request": request, "response": {"status": "200"}}
    whole = [_entry(event.stored, one.base) for event in events] if asked.content == "full-resource" else []
    return {
        "resourceType": "Bundle", "id": str(uuid4()), "meta": {"profile": [NOTIFICATION]}, "type": "history", "timestamp": said(now), "entry": [entry, *whole],
    }  # fmt: skip


def status(one: Subscribed, asked: Channel, kind: Any, events: Iterable[Event] = ()) -> Json:
    """The state of a subscription as Parameters (R4), with the events that are told."""
    parameters: list[Json] = [{"name": "subscription", "valueReference": {"reference": f"{one.base}/Subscription/{one.id}"}}]
    if asked.topic and asked.content != "empty":
        parameters.append({"name": "topic", "valueCanonical": asked.topic})
    parameters += [
        {"name": "status", "valueCode": one.status},
        {"name": "type", "valueCode": kind},
        {"name": "events-since-subscription-start", "valueString": str(one.events)},
        *({"name": "notification-event", "part": _parts(event, one.base, asked.content)} for event in events),
    ]
    if one.fault:
        parameters.append({"name": "error", "valueCodeableConcept": _fault(one.fault)})
    return {"resourceType": "Parameters", "meta": {"profile": [STATUS]}, "parameter": parameters}


def statuses(found: Iterable[tuple[Subscribed, Channel]], address: str) -> Json:
    """The answer of `$status`: a searchset."""
    entries = [{**_first(status(one, asked, "query-status")), "search": {"mode": "match"}} for one, asked in found]
    bundle: Json = {"resourceType": "Bundle", "type": "searchset", "total": len(entries), "link": [{"relation": "self", "url": address}]}
    return bundle | ({"entry": entries} if entries else {})


def _first(state: Json) -> Json:
    """The entry of a state, which is stored nowhere, under an id of its own."""
    id = str(uuid4())
    return {"fullUrl": f"urn:uuid:{id}", "resource": {"resourceType": "Parameters", "id": id, **state}}


def _parts(event: Event, base: str, content: str) -> list[Json]:
    found: list[Json] = [
        {"name": "event-number", "valueString": str(event.number)},
        {"name": "timestamp", "valueInstant": event.stored.instant},
    ]
    if content != "empty":
        found.append({"name": "focus", "valueReference": {"reference": f"{base}/{event.stored.reference}"}})
    return found


def _entry(stored: Stored, base: str) -> Json:
    """A resource as it was stored then."""
    created = stored.version == 1
    return {
        "fullUrl": f"{base}/{stored.reference}",
        "resource": orjson.Fragment(stored.content),
        "request": {"method": "POST", "url": stored.type} if created else {"method": "PUT", "url": stored.reference},
        "response": {"status": "201" if created else "200", "etag": f'W/"{stored.version}"', "lastModified": stored.instant},
    }


def _fault(fault: str) -> Json:
    code = "error-response" if fault.startswith("HTTP") else "no-response"
    return {"coding": [{"system": _ERRORS, "code": code}], "text": fault}
