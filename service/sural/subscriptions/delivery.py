"""Delivers what is in the outbox, and goes on until it is stopped.

Each subscription is served by itself: an endpoint that is slow or dead keeps no other waiting. Several processes may deliver from one ledger.
What is logged or audited of a notification names the subscription and how many events there were, never the endpoint's address or a resource.
"""

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from typing import Any

import httpx
import orjson

from sural.canonical import VERSION
from sural.doors.outbound import NotAllowed
from sural.records.http import retry_after
from sural.subscriptions.channel import Permits
from sural.subscriptions.notification import sending
from sural.subscriptions.outbox import Claim, Outbox

log = logging.getLogger("sural.notifications")
PAUSE = 0.5
"""Seconds between two looks at the outbox when there was nothing in it."""
LANES = 4
"""Notifications that are under way to one endpoint at the same time; never two of one patient."""
FORGETTING = 3600.0
REFUSALS = (400, 409, 413, 415, 422)
"""Statuses that speak of what was sent; any other that is no success speaks of the endpoint."""
Json = dict[str, Any]
Audit = Callable[[Json], None]
Sleep = Callable[[float], Awaitable[None]]


class Delivery:
    """Delivers from one outbox. `permits` is asked each time whether an endpoint may be notified; `transport` reaches them."""

    def __init__(
        self, outbox: Outbox, permits: Permits, transport: httpx.AsyncBaseTransport, audit: Audit | None = None, sleep: Sleep = asyncio.sleep
    ) -> None:
        self._outbox, self._permits, self._transport, self._audit, self._sleep = outbox, permits, transport, audit, sleep
        self._busy: dict[str, asyncio.Task[None]] = {}
        self._forgot = float("-inf")
        self.sent = 0

    async def run(self) -> None:
        """Deliver until cancelled. A database that does not answer for a while is asked again."""
        async with self._client() as client:
            try:
                while True:
                    if not await self._look(client):
                        await self._sleep(PAUSE)
            finally:
                for task in self._busy.values():
                    task.cancel()
                await asyncio.gather(*self._busy.values(), return_exceptions=True)

    async def once(self) -> int:
        """Deliver what can be delivered now, and end; how many notifications were sent."""
        async with self._client() as client:
            while True:
                before = self.sent
                read = await self._look(client)
                await asyncio.gather(*self._busy.values())
                if not read and self.sent == before:
                    return self.sent

    def _client(self) -> httpx.AsyncClient:
        return httpx.AsyncClient(
            transport=self._transport, timeout=None, follow_redirects=False, trust_env=False, headers={"User-Agent": f"sural/{VERSION}"}
        )

    async def _look(self, client: httpx.AsyncClient) -> int:
        """Read on in the feed and begin with whatever is due; how many changes were new."""
        try:
            if time.monotonic() - self._forgot > FORGETTING:
                await asyncio.to_thread(self._outbox.forget)
                self._forgot = time.monotonic()
            read = await asyncio.to_thread(self._outbox.collect)
            due = await asyncio.to_thread(self._outbox.due)
        except Exception as fault:  # goes on: whatever it is, its text may hold health data
            log.error("nothing can be read from the ledger: %s", type(fault).__name__)
            return 0
        self._busy = {id: task for id, task in self._busy.items() if not task.done()}
        for id in due:
            if id not in self._busy:
                self._busy[id] = asyncio.create_task(self._serve(client, id))
        return read

    async def _serve(self, client: httpx.AsyncClient, id: str) -> None:
        """Everything that is due for one subscription, in a few lanes."""
        await asyncio.gather(*(self._lane(client, id) for _ in range(LANES)))

    async def _lane(self, client: httpx.AsyncClient, id: str) -> None:
        try:
            while (claim := await asyncio.to_thread(self._outbox.claim, id)) is not None:
                await self._deliver(client, claim)
                self.sent += 1
        except Exception as fault:
            log.error("%s: internal failure: %s", id, type(fault).__name__)

    async def _deliver(self, client: httpx.AsyncClient, claim: Claim) -> None:
        began = time.perf_counter()
        try:
            status, fault, later = await self._send(client, claim)
        except BaseException:
            self._outbox.released(claim)
            raise
        said = fault or f"HTTP status {status}"
        log.info("%s %s, %d events: %s, %.0f ms", claim.subscribed.id, claim.what, len(claim.events), said, (time.perf_counter() - began) * 1000)
        if not self._audited(claim, said, not fault):
            fault, status = "the notification cannot be audited", 0
        if not fault:
            await asyncio.to_thread(self._outbox.delivered, claim)
        elif status in REFUSALS and claim.events:
            await asyncio.to_thread(self._outbox.refused, claim, fault)
        else:
            await asyncio.to_thread(self._outbox.failed, claim, fault, later)

    async def _send(self, client: httpx.AsyncClient, claim: Claim) -> tuple[int, str, float | None]:
        """The status, what is wrong in words that hold nothing of the endpoint's or a patient's, and when it wants to be asked again."""
        asked = claim.channel
        if not self._permits(asked.endpoint, asked.content in ("resource", "full-resource")):
            return 0, "the endpoint may not be notified", None
        one = sending(claim, self._outbox.now())
        try:
            async with asyncio.timeout(asked.timeout):
                request = client.build_request(one.method, one.address, headers=list(one.headers), content=one.body)
                response = await client.send(request, stream=True)
                await response.aclose()
        except NotAllowed as fault:
            return 0, str(fault), None
        except (httpx.HTTPError, httpx.InvalidURL, TimeoutError) as fault:
            return 0, f"no answer ({type(fault).__name__})", None
        if response.is_success:
            return response.status_code, "", None
        return response.status_code, f"HTTP status {response.status_code}", retry_after(response.headers, time.time())

    def _audited(self, claim: Claim, said: str, success: bool) -> bool:
        """Whether it is written down, where that is wanted, that a notification was sent."""
        if self._audit is None:
            return True
        try:
            self._audit(audit_event(claim, said, success))
        except OSError as fault:
            log.error("the audit log cannot be written: %s", type(fault).__name__)
            return False
        return True


def audit_event(claim: Claim, said: str, success: bool) -> Json:
    """The AuditEvent of one notification (FHIR R4): whom it went to by the subscription; the patient where all of it is about one."""
    entity: list[Json] = [
        {
            "what": {"reference": f"Subscription/{claim.subscribed.id}"},
            "type": _code("http://terminology.hl7.org/CodeSystem/audit-entity-type", "2", "System Object"),
            "name": claim.what,
        }
    ]
    people = {event.stored.subject for event in claim.events}
    if len(people) == 1 and (named := people.pop()) and "|" not in named:
        entity.append({"what": {"reference": named}, "type": _code("http://terminology.hl7.org/CodeSystem/audit-entity-type", "1", "Person")})
    return {
        "resourceType": "AuditEvent",
        "type": _code("http://terminology.hl7.org/CodeSystem/audit-event-type", "rest", "RESTful Operation"),
        "subtype": [_code("http://hl7.org/fhir/restful-interaction", "operation", "operation")],
        "action": "E",
        "recorded": datetime.now(UTC).isoformat(timespec="milliseconds"),
        "outcome": "0" if success else "8",
        "outcomeDesc": said,
        "agent": [{"who": {"display": f"Sural {VERSION}"}, "requestor": True}],
        "source": {"observer": {"display": f"Sural {VERSION}"}},
        "entity": entity,
    }


def _code(system: str, code: str, display: str) -> Json:
    return {"system": system, "code": code, "display": display}


def lines(write: Callable[[bytes], None]) -> Audit:
    """Audit events as lines of JSON."""
    return lambda event: write(orjson.dumps(event))
