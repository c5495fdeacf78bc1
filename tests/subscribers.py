"""Subscribers for tests: Subscriptions as a client writes them, and an endpoint on loopback that may have bad days."""

import random
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import orjson
from msgspec import Struct

from sural.subscriptions.topics import BACKPORT, topic_of

Json = dict[str, Any]
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
