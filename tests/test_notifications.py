"""What subscribers are sent, and what becomes of it on good and bad days. Interop L1 to L5; the backport's notifications and payloads pages.

Each test delivers what there is, to an endpoint that is a function, or to a real one on loopback.
"""

import asyncio
import logging
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import httpx
import orjson
import pytest
from starlette.testclient import TestClient

from sural.cli import main
from sural.doors.outbound import Outbound
from sural.doors.structure_check import model_faults
from sural.ledger.resources import Resources
from sural.ledger.store import Ledger
from sural.subscriptions.delivery import Delivery
from sural.subscriptions.topics import TOPICS, described, topic_of
from sural.web.app import create_app
from sural.web.settings import Outgoing, Settings
from tests.conformance.constraints import broken_in_bundle
from tests.stored import BODY, exam, keep
from tests.subscribers import BASE, ENDPOINT, Endpoint, House, by_topic, listening, parameters, plain

Json = dict[str, Any]
Answer = Callable[[httpx.Request], httpx.Response]


class Sent:
    """An endpoint that is a function, and every request that reached it."""

    def __init__(self, *answers: int | Exception | httpx.Response) -> None:
        self.answers = list(answers)
        self.requests: list[httpx.Request] = []

    def __call__(self, request: httpx.Request) -> httpx.Response:
        self.requests.append(request)
        answer = self.answers.pop(0) if self.answers else 200
        if isinstance(answer, Exception):
            raise answer
        return answer if isinstance(answer, httpx.Response) else httpx.Response(answer)

    @property
    def bundles(self) -> list[Json]:
        return [orjson.loads(one.content) for one in self.requests if one.content]


def deliver(house: House, sent: Sent, permitted: bool = True, audit: Callable[[Json], None] | None = None) -> int:
    """Deliver what can be delivered now."""
    return asyncio.run(Delivery(house.outbox, lambda _, __: permitted, httpx.MockTransport(sent), audit).once())


def house_of(resource: Json) -> House:
    return House(Resources(Ledger("sqlite://")), resource)


# ---------------------------------------------------------------------------------------------------------------------------------
# what is sent


@pytest.mark.parametrize("content", ["", "id-only", "empty", "full-resource"])
def test_a_notification_is_a_history_whose_first_entry_is_the_state(content: str) -> None:
    """L2, L3: Parameters in R4, event numbers as text; references only from id-only up, resources only with full-resource, id-only by default."""
    house, sent = house_of(by_topic("RiskAssessment", ENDPOINT, content, max_count=5)), Sent()
    deliver(house, sent)
    (stored, other) = house.store("p1", "p2")
    deliver(house, sent)
    bundle = sent.bundles[1]
    told = parameters(bundle)

    assert ("Bundle", "history", "Parameters") == (bundle["resourceType"], bundle["type"], bundle["entry"][0]["resource"]["resourceType"])
    assert [] == broken_in_bundle(bundle) + model_faults(bundle, "Bundle")
    assert (f"{BASE}/Subscription/{house.id}", "active", "event-notification", "2") == tuple(
        told[name] for name in ("subscription", "status", "type", "events-since-subscription-start")
    )
    assert [("1", stored.instant), ("2", other.instant)] == [(one["event-number"], one["timestamp"]) for one in told["events"]]
    assert {"method": "GET", "url": f"Subscription/{house.id}/$status"} == bundle["entry"][0]["request"]
    if content == "empty":
        assert "topic" not in told and not any("focus" in one for one in told["events"]) and 1 == len(bundle["entry"])
    else:
        assert topic_of("RiskAssessment") == told["topic"]
        assert [f"{BASE}/{one.reference}" for one in (stored, other)] == [one["focus"] for one in told["events"]]
    assert ([stored.resource, other.resource] if content == "full-resource" else []) == [entry["resource"] for entry in bundle["entry"][1:]]


def test_a_whole_resource_is_as_it_was_then() -> None:
    """Each event has the version that it is about, and says whether it was made or changed."""
    house, sent = house_of(by_topic("RiskAssessment", ENDPOINT, "full-resource", max_count=5)), Sent()
    (first,) = house.store("p1")
    house.store("p1", current=first)
    deliver(house, sent)
    entries = sent.bundles[1]["entry"][1:]

    assert ["1", "2"] == [entry["resource"]["meta"]["versionId"] for entry in entries]
    assert [("POST", "RiskAssessment", "201"), ("PUT", first.reference, "200")] == [
        (entry["request"]["method"], entry["request"]["url"], entry["response"]["status"]) for entry in entries
    ]


def test_the_handshake_is_a_notification_without_events() -> None:
    """L1: with the status requested, the headers of the channel, and its payload as the content type."""
    asked = by_topic("RiskAssessment", ENDPOINT)
    asked["channel"] |= {"header": ["Authorization: Bearer secret", "X-Site:skerrow"], "payload": "application/fhir+json; fhirVersion=4.0"}
    house, sent = house_of(asked), Sent()
    deliver(house, sent)
    (request,) = sent.requests
    told = parameters(sent.bundles[0])

    assert ("requested", "handshake", "0", []) == (told["status"], told["type"], told["events-since-subscription-start"], told["events"])
    assert ("POST", ENDPOINT) == (request.method, str(request.url))
    assert ("Bearer secret", "skerrow", "application/fhir+json; fhirVersion=4.0") == tuple(request.headers[name] for name in ("authorization", "x-site", "content-type"))  # fmt: skip
    assert "active" == house.one.status


def test_without_a_payload_an_empty_post_is_sent() -> None:
    """R4 rest-hook: nothing in the body, and no type of it; the headers all the same."""
    asked = plain("RiskAssessment", ENDPOINT)
    asked["channel"]["header"] = ["Authorization: Bearer secret"]
    house, sent = house_of(asked), Sent()
    house.store("p1", "p2")
    deliver(house, sent)

    assert [("POST", ENDPOINT, b"")] * 2 == [(one.method, str(one.url), one.content) for one in sent.requests]
    assert all("content-type" not in one.headers and "Bearer secret" == one.headers["authorization"] for one in sent.requests)
    assert [] == house.waiting()


def test_with_a_payload_the_resource_is_updated_at_the_endpoint() -> None:
    """R4 rest-hook: the endpoint is the base of a service."""
    house, sent = house_of(plain("RiskAssessment", f"{ENDPOINT}/", "application/fhir+json")), Sent()
    (stored,) = house.store("p1")
    deliver(house, sent)
    request = sent.requests[1]

    assert ("PUT", f"{ENDPOINT}/{stored.reference}", stored.content) == (request.method, str(request.url), request.content)
    assert "application/fhir+json" == request.headers["content-type"]


def test_a_heartbeat_has_the_state_and_no_events() -> None:
    """L4."""
    house, sent = house_of(by_topic("RiskAssessment", ENDPOINT, heartbeat_period=60)), Sent()
    deliver(house, sent)
    house.time += 61
    deliver(house, sent)

    assert ("heartbeat", "active", []) == tuple(parameters(sent.bundles[1])[name] for name in ("type", "status", "events"))


def test_only_what_meets_the_criteria_is_told() -> None:
    """Of the topic's type, and through every filter."""
    house, sent = house_of(by_topic("RiskAssessment", ENDPOINT, "", ("RiskAssessment?patient=p1,p2", "patient:Patient=p2,p3"))), Sent()
    house.store("p1", "p2", "p3")
    house.store("p2", kind="Observation")
    deliver(house, sent)

    assert ["1"] == [event["event-number"] for bundle in sent.bundles for event in parameters(bundle)["events"]]
    assert ["Patient/p2"] == [event.stored.subject for event in house.outbox.events(house.id, 1, 9)]


def test_the_topics_are_described_as_they_are_served() -> None:
    """As Basic, one for each type of an answer about a person; the files are fresh (run `python profiles/topics.py` when this fails)."""
    client = TestClient(create_app())
    served = {one["resource"]["id"]: one["resource"] for one in client.get("/fhir/Basic").json()["entry"]}
    (listed,) = (one for one in client.get("/fhir/metadata").json()["rest"][0]["resource"] if one["type"] == "Subscription")

    assert {one["id"]: one for one in map(described, TOPICS.values())} == served
    assert list(TOPICS) == [one["valueCanonical"] for one in listed["extension"]]
    assert [] == [fault for one in served.values() for fault in model_faults(one, "Basic")]


# ---------------------------------------------------------------------------------------------------------------------------------
# bad days


@pytest.mark.parametrize("answer", [500, 503, 404, 401, 302, httpx.ConnectError("x"), httpx.ReadTimeout("x"), httpx.RemoteProtocolError("x")], ids=repr)
def test_what_is_not_taken_is_sent_again(answer: int | Exception) -> None:
    """L4: after a wait, and told as the same event."""
    house, sent = house_of(by_topic("RiskAssessment", ENDPOINT)), Sent(200, answer)
    house.store("p1")
    deliver(house, sent)
    before = len(sent.requests)
    house.time += 3
    deliver(house, sent)

    assert (2, 3, []) == (before, len(sent.requests), house.waiting())
    assert parameters(sent.bundles[1])["events"] == parameters(sent.bundles[2])["events"]


def test_an_answer_that_is_too_late_is_none() -> None:
    """The backport's time-out: the endpoint is asked again."""
    house = house_of(by_topic("RiskAssessment", ENDPOINT, timeout=1)).active()
    house.store("p1")
    endpoint = Slow()
    asyncio.run(Delivery(house.outbox, lambda _, __: True, endpoint).once())

    assert ("no answer (TimeoutError)", 1, [(1, "p1")]) == (house.one.fault, house.one.failures, house.waiting())


class Slow(httpx.AsyncBaseTransport):
    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        await asyncio.sleep(5)
        return httpx.Response(200)


def test_too_many_requests_says_when() -> None:
    """Retry-After in seconds."""
    house, sent = house_of(by_topic("RiskAssessment", ENDPOINT)).active(), Sent(httpx.Response(429, headers={"retry-after": "40"}))
    house.store("p1")
    deliver(house, sent)

    assert 40 == house.one.free_from / 1000 - house.time


def test_a_refused_event_stops_nobody_elses() -> None:
    """422 speaks of the event, 503 of the endpoint."""
    house, sent = house_of(by_topic("RiskAssessment", ENDPOINT)).active(), Sent(422)
    house.store("p1", "p2", "p3")
    deliver(house, sent)

    assert (3, [(1, "p1")], 0) == (len(sent.requests), house.waiting(), house.one.failures)


def test_a_dead_endpoint_keeps_no_other_waiting() -> None:
    """Each subscription is served by itself."""
    house = house_of(by_topic("RiskAssessment", ENDPOINT, timeout=1)).active()
    other = house.subscribe(by_topic("RiskAssessment", "https://other.skerrow.example/hook"))
    house.store("p1")
    arrived: list[float] = []

    class One(Slow):
        async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
            if request.url.host.startswith("other"):
                arrived.append(time.monotonic())
                return httpx.Response(200)
            return await super().handle_async_request(request)

    delivery = Delivery(house.outbox, lambda _, __: True, One())

    async def run() -> float:
        began, task = time.monotonic(), asyncio.create_task(delivery.run())
        while len(arrived) < 2 and time.monotonic() < began + 10:
            await asyncio.sleep(0.01)
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
        return began

    began = asyncio.run(run())
    assert 2 == len(arrived) and arrived[-1] - began < 1
    assert [] != house.outbox.events(other.id, 1, 1)


def test_what_is_under_way_at_the_end_is_let_go() -> None:
    """A service that is stopped in order leaves nothing held."""
    house = house_of(by_topic("RiskAssessment", ENDPOINT)).active()
    house.store("p1")

    async def run() -> None:
        task = asyncio.create_task(Delivery(house.outbox, lambda _, __: True, Slow()).run())
        await asyncio.sleep(0.3)
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task

    asyncio.run(run())
    assert [1] == house.claim().numbers


def test_an_endpoint_that_is_not_listed_any_more_is_sent_nothing() -> None:
    """The list is asked each time."""
    house, sent = house_of(by_topic("RiskAssessment", ENDPOINT)).active(), Sent()
    house.store("p1")
    deliver(house, sent, permitted=False)

    assert ([], "the endpoint may not be notified", [(1, "p1")]) == (sent.requests, house.one.fault, house.waiting())


async def _private(_: str, __: int) -> list[str]:
    return ["10.0.0.8"]


async def _public(_: str, __: int) -> list[str]:
    return ["93.184.215.14"]


@pytest.mark.parametrize(("resolve", "said"), [(_private, "a listed name that leads to a private address"), (_public, "a redirect")])
def test_a_notification_goes_to_the_listed_server_and_nowhere_else(resolve: Any, said: str) -> None:
    """Neither to a private address that a listed name leads to, nor on by a redirect."""
    house, sent = house_of(by_topic("RiskAssessment", ENDPOINT)).active(), Sent(httpx.Response(307, headers={"location": "https://elsewhere.example"}))
    house.store("p1")
    reach = Outbound([ENDPOINT], inner=httpx.MockTransport(sent), resolve=resolve)
    asyncio.run(Delivery(house.outbox, lambda _, __: True, reach).once())

    assert said == house.one.fault
    assert len(sent.requests) == (said == "a redirect")


def test_each_notification_is_audited() -> None:
    """P1: which subscription, how it ended, and the patient where it is about one; no address and no finding."""
    house, sent, audited = house_of(by_topic("RiskAssessment", ENDPOINT, "full-resource")), Sent(200, 200, 503), list[Json]()
    house.store("p1", "p2")
    deliver(house, sent, audit=audited.append)

    assert [("0", "handshake"), ("0", "event-notification"), ("8", "event-notification")] == [
        (one["outcome"], one["entity"][0]["name"]) for one in audited
    ]
    assert {"reference": "Patient/p1"} == audited[1]["entity"][1]["what"]
    assert [] == [fault for one in audited for fault in model_faults(one, "AuditEvent")]
    assert "skerrow.example" not in str(audited) and "RiskAssessment" not in str(audited)


def test_what_cannot_be_audited_counts_as_not_delivered() -> None:
    """It is sent again, when it can."""

    def full(_: Json) -> None:
        raise OSError("no space left")

    house, sent = house_of(by_topic("RiskAssessment", ENDPOINT)).active(), Sent()
    house.store("p1")
    deliver(house, sent, audit=full)

    assert ("the notification cannot be audited", [(1, "p1")]) == (house.one.fault, house.waiting())


def test_nothing_of_a_patient_or_an_endpoint_is_logged(caplog: pytest.LogCaptureFixture) -> None:
    """L5: on failure neither; subscription, kind, number of events and status are."""
    caplog.set_level(logging.DEBUG, "sural")
    house, sent = house_of(by_topic("RiskAssessment", ENDPOINT, "full-resource")), Sent(200, 500, 422)
    (stored,) = house.store("p1")
    deliver(house, sent)
    house.time += 3
    deliver(house, sent)
    said = "\n".join(one.getMessage() for one in caplog.records if one.name.startswith("sural"))

    assert f"{house.id} event-notification, 1 events: HTTP status 500" in said
    assert not any(word in said for word in ("p1", stored.id, "skerrow", "secret"))


def test_a_failure_of_ours_ends_nothing_and_is_told_by_its_type(caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its text may hold health data."""
    house, sent = house_of(by_topic("RiskAssessment", ENDPOINT)).active(), Sent()
    house.store("p1")

    def fail(*_: object) -> None:
        raise KeyError("what a patient has")

    with monkeypatch.context() as patched:
        patched.setattr("sural.subscriptions.delivery.sending", fail)
        deliver(house, sent)
    deliver(house, sent)

    assert "internal failure: KeyError" in caplog.text and "patient" not in caplog.text
    assert [] == house.waiting()


# ---------------------------------------------------------------------------------------------------------------------------------
# the service, and the command


def wait_for(met: Callable[[], Any]) -> None:
    until = time.monotonic() + 20
    while not met():
        assert time.monotonic() < until, "it did not happen"
        time.sleep(0.05)


def test_an_outage_loses_nothing(url: str) -> None:
    """L4: a service with an endpoint that answers, dies, and answers again; each RiskAssessment is told once it does, in order."""
    endpoint = Endpoint()
    with listening(endpoint) as address:
        listed = Settings(outbound=Outgoing(subscribers=(address,), private=(address,)))
        with TestClient(create_app(settings=listed, database=url, deliver=True)) as client:
            made = client.post("/fhir/Subscription", json=by_topic("RiskAssessment", f"{address}/hook"), headers=BODY)
            place = made.headers["location"]
            wait_for(lambda: client.get(place).json()["status"] == "active")
            endpoint.answer = 503
            stored = [one for one in keep(client, exam()) if one["resourceType"] == "RiskAssessment"]
            wait_for(lambda: _error(client, place))
            told = _error(client, place)
            endpoint.answer = 200
            wait_for(lambda: len(_taken(endpoint)) == len(stored))

    assert ["HTTP status 503"] == told
    assert [str(number + 1) for number in range(len(stored))] == [event["event-number"] for event in _taken(endpoint)]
    assert {f"/RiskAssessment/{one['id']}" for one in stored} == {event["focus"].partition("/fhir")[2] for event in _taken(endpoint)}


def _error(client: TestClient, place: str) -> list[str]:
    """What `$status` says went wrong last."""
    told = client.get(f"{place}/$status").json()["entry"][0]["resource"]["parameter"]
    return [one["valueCodeableConcept"]["text"] for one in told if one["name"] == "error"]


def _taken(endpoint: Endpoint) -> list[Json]:
    return [event for one in endpoint.received if one.answer == 200 for event in one.status["events"]]


def test_the_command_delivers_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`sural notify --once`: what is there now, from another process's ledger."""
    endpoint, database = Endpoint(), f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    with listening(endpoint) as address:
        house = House(Resources(Ledger(database)), by_topic("RiskAssessment", f"{address}/hook"))
        house.store("p1")
        settings = tmp_path / "settings.toml"
        settings.write_text(f'[outbound]\nsubscribers = ["{address}"]\nprivate = ["{address}"]\n')

        assert 0 == main(["notify", "--database", database, "--settings", str(settings), "--once"])
    assert "2 notifications sent" in capsys.readouterr().err
    assert [] == house.waiting()


@pytest.mark.parametrize("content", ["", "[outbound]\nsubscribers = ['http://screening.skerrow.example']\n", "[subscriptions]\nfailures = 0\n"])
def test_the_command_needs_somebody_to_notify(tmp_path: Path, capsys: pytest.CaptureFixture[str], content: str) -> None:
    """Settings that name nobody, or cannot be used, are said at the start; plain http only on a private network."""
    settings = tmp_path / "settings.toml"
    settings.write_text(content)

    assert 2 == main(["notify", "--database", f"sqlite:///{tmp_path / 'ledger.sqlite'}", "--settings", str(settings)])
    assert "sural notify: " in capsys.readouterr().err
