"""Subscribers for tests: Subscriptions as a client writes them, a ledger with one and a clock of its own, an endpoint on loopback with bad days."""

import random
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import orjson
from msgspec import Struct
from sqlalchemy import select

from sural.ledger.resources import Resources, Stored, Write
from sural.ledger.tables import NOTIFICATION
from sural.subscriptions.channel import channel
from sural.subscriptions.outbox import Claim, Outbox, Patience
from sural.subscriptions.store import Subscribed, Subscriptions
from sural.subscriptions.topics import BACKPORT, topic_of

Json = dict[str, Any]
BASE, ENDPOINT = "http://testserver/fhir", "https://screening.skerrow.example/hook"
PATIENCE = Patience(first_wait=1.0, longest_wait=60.0, failures=5)
EXTENSION = f"{BACKPORT}/StructureDefinition/backport-"


def plain(criteria: str, endpoint: str, payload: str = "", **more: Any) -> Json:
    """An R4 Subscription with a search as its criteria."""
    channel = {"type": "rest-hook", "endpoint": endpoint} | ({"payload": payload} if payload else {})
    return {"resourceType": "Subscription", "status": "requested", "reason": "screening", "criteria": criteria, "channel": channel} | more


def by_topic(kind: str, endpoint: str, content: str = "", filters: tuple[str, ...] = (), **numbers: int) -> Json:
    """A Subscription to the topic about a type, as the backport has it; `heartbeat_period`, `timeout` and `max_count` as they are given."""
    found = plain(topic_of(kind), endpoint, "application/fhir+json")
    if filters:
        found["_criteria"] = {"extension": [{"url": f"{EXTENSION}filter-criteria", "valueString": one} for one in filters]}
    if content:
        found["channel"]["_payload"] = {"extension": [{"url": f"{EXTENSION}payload-content", "valueCode": content}]}
    if numbers:
        found["channel"]["extension"] = [
            {"url": f"{EXTENSION}{name.replace('_', '-')}", "valuePositiveInt" if name == "max_count" else "valueUnsignedInt": number}
            for name, number in numbers.items()
        ]
    return found


class House:
    """A ledger with a clock of our own, and one subscription."""

    def __init__(self, resources: Resources, resource: Json | None = None, patience: Patience = PATIENCE) -> None:
        self.time = 1_772_400_000.0
        self.resources = resources
        self.resources._clock = self.clock
        self.kept = Subscriptions(resources, self.clock)
        self.outbox = Outbox(resources, patience, self.clock)
        self.id = self.subscribe(resource or by_topic("RiskAssessment", ENDPOINT)).id

    def clock(self) -> float:
        return self.time

    def subscribe(self, resource: Json) -> Subscribed:
        return self.kept.create(resource, channel(resource, BASE, self.kept.now()), "", BASE)

    def set(self, status: str, **more: Any) -> Subscribed:
        resource = self.one.asked | {"status": status} | more
        return self.kept.update(self.id, resource, channel(resource, BASE, self.kept.now()), "", BASE)

    @property
    def one(self) -> Subscribed:
        found = self.kept.read(self.id, None)
        assert found is not None
        return found

    def active(self) -> "House":
        self.outbox.delivered(self.claim("handshake"))
        return self

    def claim(self, what: str = "event-notification") -> Claim:
        claim = self.outbox.claim(self.id)
        assert claim is not None and what == claim.what
        return claim

    def store(self, *patients: str, kind: str = "RiskAssessment", current: Stored | None = None) -> list[Stored]:
        resources = [
            {"resourceType": kind, "status": "final", "subject": {"reference": f"Patient/{one}"}, "occurrenceDateTime": "2026-03-01"} for one in patients
        ]
        made = self.resources.write(lambda _: [Write(one, current) for one in resources])
        self.outbox.collect()
        return made

    def waiting(self) -> list[tuple[int, str]]:
        """Number and patient of what is not delivered."""
        wanted = select(NOTIFICATION.c.number, NOTIFICATION.c.about).where(NOTIFICATION.c.delivered.is_(None)).order_by(NOTIFICATION.c.number)
        with self.resources.database.reading() as connection:
            return [(row[0], row[1].removeprefix("Patient/")) for row in connection.execute(wanted)]


class Received(Struct):
    """One request that reached an endpoint: when its handling began and ended, and what it was answered (0 where the line was cut)."""

    method: str
    path: str
    headers: dict[str, str]
    body: bytes
    began: float
    ended: float = 0.0
    answer: int = 0

    @property
    def status(self) -> Json:
        """The parameters of the first entry of a notification Bundle; events apart."""
        return parameters(orjson.loads(self.body))


def parameters(bundle: Json) -> Json:
    """The parameters of the first entry of a notification Bundle by name; the events as a list of their parts."""
    found: Json = {"events": []}
    for one in bundle["entry"][0]["resource"]["parameter"]:
        if one["name"] == "notification-event":
            found["events"].append({part["name"]: _value(part) for part in one["part"]})
        else:
            found[one["name"]] = _value(one)
    return found


def _value(one: Json) -> Any:
    (value,) = (value for name, value in one.items() if name.startswith("value"))
    return value.get("reference", value) if isinstance(value, dict) else value


class Endpoint:
    """An endpoint that notes everything and, on bad days, answers late, with a fault, or not at all."""

    def __init__(self, bad: float = 0.0, seed: int = 1) -> None:
        self.received: list[Received] = []
        self.answer = 200
        self._bad, self._chance, self._lock = bad, random.Random(seed), threading.Lock()

    def take(self, method: str, path: str, headers: dict[str, str], body: bytes) -> int:
        with self._lock:
            one = Received(method, path, headers, body, time.monotonic())
            self.received.append(one)
            luck = self._chance.random()
        one.answer = self.answer
        if luck < self._bad:
            one.answer = self._chance.choice((500, 503, 422, 0, 0))
        time.sleep(0.002 + 0.02 * luck if self._bad else 0.0)
        if one.answer == 0 and luck < self._bad / 4:
            time.sleep(1.2)  # longer than the time-out of the kills
        one.ended = time.monotonic()
        return one.answer


@contextmanager
def listening(endpoint: Endpoint, port: int = 0) -> Iterator[str]:
    """Serves an endpoint on loopback; its address."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers.get("content-length") or 0))
            answer = endpoint.take(self.command, self.path, {name.lower(): text for name, text in self.headers.items()}, body)
            if answer:
                self.send_response(answer)
                self.send_header("content-length", "0")
                self.end_headers()
            else:
                self.close_connection = True

        do_PUT = do_POST

        def log_message(self, format: str, *args: Any) -> None:
            """Nothing: the suite watches standard error."""

        def handle(self) -> None:
            try:
                super().handle()
            except OSError:
                return  # whoever sent it was killed

    server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
