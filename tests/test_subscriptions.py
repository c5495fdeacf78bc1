"""Subscriptions over HTTP: what is taken, what is refused, who sees whose, `$status` and `$events`. Interop L1 to L4; FHIR R4, Subscription."""

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import orjson
import pytest
from fastapi.testclient import TestClient
from hypothesis import given, settings
from hypothesis import strategies as st
from joserfc import jwt
from joserfc.jwk import KeySet, RSAKey

from sural.doors.structure_check import model_faults
from sural.ledger.criteria import PREFIXES, asked
from sural.ledger.meeting import Found
from sural.ledger.resources import Resources, Write
from sural.ledger.search import search
from sural.ledger.store import Ledger
from sural.subscriptions.outbox import Outbox, Patience
from sural.subscriptions.topics import topic_of
from sural.web.app import create_app
from sural.web.settings import Outgoing, Settings, Tokens
from tests.databases import emptied
from tests.stored import BODY, exam, keep, keys, link
from tests.subscribers import EXTENSION, by_topic, parameters, plain

HOOK, WHOLE = "https://screening.skerrow.example/hook", "https://registry.skerrow.example/fhir"
LISTED = Outgoing(subscribers=(HOOK, WHOLE), full_resource=(WHOLE,))
Json = dict[str, Any]


@pytest.fixture
def client(url: str) -> Iterator[TestClient]:
    with TestClient(create_app(settings=Settings(outbound=LISTED), database=url), raise_server_exceptions=False) as client:
        yield client


@pytest.fixture
def memory() -> TestClient:
    """A service whose ledger is in memory: for what is refused before anything is stored."""
    return TestClient(create_app(settings=Settings(outbound=LISTED)), raise_server_exceptions=False)


def send(client: TestClient, resource: Json, method: str = "POST", path: str = "Subscription", **headers: str) -> httpx.Response:
    return client.request(method, f"/fhir/{path}", content=orjson.dumps(resource), headers=BODY | {name.replace("_", "-"): text for name, text in headers.items()})


def made(client: TestClient, resource: Json) -> Json:
    response = send(client, resource)
    assert 201 == response.status_code, response.text
    found: Json = response.json()
    return found


def resources_of(client: TestClient) -> Resources:
    found: Resources = client.app.state.ledger.resources()  # type: ignore[attr-defined]
    return found


# ---------------------------------------------------------------------------------------------------------------------------------
# taken


def test_what_is_taken_is_requested_and_can_be_read(client: TestClient) -> None:
    """L1: 201 with its address and version; nothing of what was asked for is changed."""
    asked_for = plain("RiskAssessment?risk=nice-ng19-2019.high", HOOK, end="2999-01-01T00:00:00Z") | {"id": "mine", "meta": {"versionId": "7", "tag": [{"code": "x"}]}}
    response = send(client, asked_for)
    found = response.json()
    read = client.get(response.headers["location"])

    assert (201, 'W/"1"', "requested", "1") == (response.status_code, response.headers["etag"], found["status"], found["meta"]["versionId"])
    assert found["id"] != "mine" and response.headers["location"].endswith(f"/fhir/Subscription/{found['id']}")
    assert (found, 'W/"1"') == (read.json(), read.headers["etag"])
    assert {**asked_for, "id": found["id"], "meta": found["meta"]} == found
    assert [] == model_faults(found, "Subscription")


def test_a_topic_is_told_id_only_unless_it_is_said(client: TestClient) -> None:
    """L3: and the Subscription says so, for whoever asked to see."""
    found = made(client, by_topic("RiskAssessment", HOOK))
    other = made(client, by_topic("RiskAssessment", HOOK, "empty"))
    levels = [one["channel"]["_payload"]["extension"] for one in (found, other)]

    assert [[{"url": f"{EXTENSION}payload-content", "valueCode": code}] for code in ("id-only", "empty")] == levels
    assert "application/fhir+json" == found["channel"]["payload"]


@pytest.mark.parametrize(
    "resource",
    [
        plain("/RiskAssessment?risk=x&_format=json", HOOK), plain("RiskAssessment", HOOK), plain("ServiceRequest?status=active,draft&occurrence=lt2030-01-01", HOOK),
        plain("Observation?code=http://loinc.org|1975-2", HOOK), plain("Observation?patient=p1", WHOLE, "application/fhir+json"),
        by_topic("Provenance", HOOK, "empty"), by_topic("Observation", WHOLE, "full-resource", ("Observation?category=exam",), max_count=20, timeout=60),
        by_topic("RiskAssessment", HOOK, "id-only", ("risk=a,b", "RiskAssessment?patient=Patient/p1"), heartbeat_period=60),
        by_topic("RiskAssessment", HOOK) | {"criteria": topic_of("RiskAssessment") + "|0.1.0"},
    ],
    ids=range(9),
)  # fmt: skip
def test_what_is_offered_is_taken(memory: TestClient, resource: Json) -> None:
    """Every type that answers are stored as, every documented search, every content level."""
    made(memory, resource)


# ---------------------------------------------------------------------------------------------------------------------------------
# refused


def _channel(**more: Any) -> Json:
    found = by_topic("RiskAssessment", HOOK)
    return found | {"channel": found["channel"] | more}


def _extended(name: str, **value: Any) -> Json:
    return {"extension": [{"url": f"{EXTENSION}{name}", **value}]}


REFUSED: dict[str, tuple[str, Json]] = {
    "another channel": ("subscription-channel", _channel(type="email")),
    "a channel of its own": ("subscription-channel", _channel(_type=_extended("channel-type", valueCoding={"code": "zulip"}))),
    "a wait that is no number": ("subscription-channel", _channel(**_extended("timeout", valueString="60"))),
    "a modifier": ("modifier-extension", by_topic("RiskAssessment", HOOK) | {"modifierExtension": [{"url": "urn:example:x", "valueBoolean": True}]}),
    "another type": ("subscription-criteria", plain("Patient?name=x", HOOK)),
    "no type": ("subscription-criteria", plain("?risk=x", HOOK)),
    "another topic": ("subscription-criteria", by_topic("RiskAssessment", HOOK) | {"criteria": "https://elsewhere.example/SubscriptionTopic/admission"}),
    "another parameter": ("subscription-criteria", plain("RiskAssessment?status=final", HOOK)),
    "a chain": ("subscription-criteria", plain("RiskAssessment?patient.name=x", HOOK)),
    "a value that is none": ("subscription-criteria", plain("RiskAssessment?date=tomorrow", HOOK)),
    "an empty value": ("subscription-criteria", plain("RiskAssessment?risk=", HOOK)),
    "a control": ("subscription-criteria", plain("RiskAssessment?_sort=date", HOOK)),
    "a filter of another type": ("subscription-criteria", by_topic("RiskAssessment", HOOK, "", ("Observation?code=x",))),
    "a filter that is not known": ("subscription-criteria", by_topic("RiskAssessment", HOOK, "", ("colour=red",))),
    "a filter without a topic": ("subscription-criteria", plain("RiskAssessment", HOOK) | {"_criteria": _extended("filter-criteria", valueString="risk=x")}),
    "XML": ("subscription-payload", _channel(payload="application/fhir+xml")),
    "another version": ("subscription-payload", _channel(payload="application/fhir+json; fhirVersion=5.0")),
    "another content level": ("subscription-payload", _channel(_payload=_extended("payload-content", valueCode="everything"))),
    "a content level without a topic": (
        "subscription-payload",
        plain("RiskAssessment", HOOK) | {"channel": {"type": "rest-hook", "endpoint": HOOK, "_payload": _extended("payload-content", valueCode="id-only")}},
    ),
    "whole resources, where they may not go": ("subscription-payload", by_topic("RiskAssessment", HOOK, "full-resource")),
    "updates, where whole resources may not go": ("subscription-payload", plain("RiskAssessment", HOOK, "application/fhir+json")),
    "an endpoint that is not listed": ("subscription-endpoint", by_topic("RiskAssessment", "https://elsewhere.example/hook")),
    "a listed name by plain http": ("subscription-endpoint", by_topic("RiskAssessment", HOOK.replace("https", "http"))),
    "a listed name on another port": ("subscription-endpoint", by_topic("RiskAssessment", "https://screening.skerrow.example:8443/hook")),
    "credentials in the address": ("subscription-endpoint", by_topic("RiskAssessment", "https://a:b@screening.skerrow.example/hook")),
    "no endpoint": ("subscription-endpoint", plain("RiskAssessment", HOOK) | {"channel": {"type": "rest-hook"}}),
    "a base with a query": ("subscription-endpoint", plain("RiskAssessment", f"{WHOLE}?x=1", "application/fhir+json")),
    "a header that is ours": ("subscription-header", _channel(header=["Content-Length: 5"])),
    "a header of two lines": ("subscription-header", _channel(header=["X-A: b\r\nX-C: d"])),
    "a header without a name": ("subscription-header", _channel(header=["Bearer secret"])),
    "too many headers": ("subscription-header", _channel(header=[f"X-{number}: y" for number in range(21)])),
    "a header of endless blanks": ("subscription-header", _channel(header=["X-A:" + " " * 400_000 + "\u00e9"])),
    "a header that is too long": ("subscription-header", _channel(header=["X-A: " + "b" * 8192])),
    "criteria without end": ("subscription-criteria", plain("RiskAssessment?" + "&".join(["risk=x"] * 201), HOOK)),
    "an end that is past": ("subscription-ended", by_topic("RiskAssessment", HOOK) | {"end": "2020-01-01T00:00:00Z"}),
    "a status that is not the client's": ("subscription-status", by_topic("RiskAssessment", HOOK) | {"status": "error"}),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_is_not_offered_is_refused(memory: TestClient, what: str) -> None:
    """L2: 422, an OperationOutcome with the key and the element; nothing is kept."""
    key, resource = REFUSED[what]
    response = send(memory, resource)

    assert [key] == list(dict.fromkeys(keys(response, 422)))
    assert all(issue["expression"][0].startswith("Subscription") for issue in response.json()["issue"])
    assert 0 == memory.get("/fhir/Subscription").json()["total"]
    assert "secret" not in response.text and "elsewhere" not in response.text


def test_all_faults_come_in_one_answer(memory: TestClient) -> None:
    """C6."""
    resource = _channel(type="email", endpoint="https://elsewhere.example", payload="text/plain", header=["Host: x"]) | {"criteria": "Patient", "end": "2020-01-01T00:00:00Z"}

    assert {f"subscription-{part}" for part in ("channel", "criteria", "payload", "header", "endpoint", "ended")} == set(keys(send(memory, resource), 422))


def test_without_a_list_nobody_may_be_notified() -> None:
    """The default."""
    assert ["subscription-endpoint"] == keys(send(TestClient(create_app()), by_topic("RiskAssessment", HOOK)), 422)


def test_what_is_no_subscription_is_refused(memory: TestClient) -> None:
    """Its structure first."""
    assert ["resource-type-differs"] == keys(send(memory, {"resourceType": "Flag"}), 400)
    assert "element-missing" in keys(send(memory, {"resourceType": "Subscription", "status": "requested"}), 400)
    assert ["not-json"] == keys(memory.post("/fhir/Subscription", content=b"{", headers=BODY), 400)


# ---------------------------------------------------------------------------------------------------------------------------------
# changed, found, deleted


def test_an_update_is_on_the_version_that_was_read(client: TestClient) -> None:
    """If-Match; the id of the address; an id that is not there is not made."""
    found = made(client, plain("RiskAssessment", HOOK))
    path = f"Subscription/{found['id']}"
    changed = send(client, found | {"reason": "other"}, "PUT", path, if_match='W/"1"')

    assert (200, 'W/"2"', "other") == (changed.status_code, changed.headers["etag"], changed.json()["reason"])
    assert ["version-conflict"] == keys(send(client, found, "PUT", path, if_match='W/"1"'), 412)
    assert ["id-differs"] == keys(send(client, found, "PUT", "Subscription/other"), 400)
    assert ["id-not-assigned"] == keys(send(client, found | {"id": "other"}, "PUT", "Subscription/other"), 405)
    assert ["subscription-endpoint"] == keys(send(client, found | {"channel": {"type": "rest-hook", "endpoint": "https://elsewhere.example"}}, "PUT", path), 422)


def test_one_may_be_turned_off_though_its_server_is_not_listed_any_more(client: TestClient) -> None:
    """What is not sent needs no permission."""
    found = made(client, plain("RiskAssessment", HOOK))
    resources = resources_of(client)
    stricter = TestClient(create_app(settings=Settings(), database=resources.database.engine.url.render_as_string(hide_password=False)))

    assert "off" == send(stricter, found | {"status": "off"}, "PUT", f"Subscription/{found['id']}").json()["status"]


def test_a_deleted_one_is_gone(client: TestClient) -> None:
    """204, then 404 in every way."""
    place = f"/fhir/Subscription/{made(client, plain('RiskAssessment', HOOK))['id']}"

    assert (204, b"") == ((gone := client.delete(place)).status_code, gone.content)
    assert [404] * 4 == [one.status_code for one in (client.get(place), client.delete(place), client.get(f"{place}/$status"), client.get(f"{place}/$events"))]


@pytest.mark.parametrize(
    ("query", "count"),
    [("", 2), ("status=requested", 2), ("status=http://hl7.org/fhir/subscription-status|off,requested", 2), ("status=off", 0), (f"url={HOOK}", 1), ("_id=none", 0), ("colour=red", 2)],
)
def test_subscriptions_are_found(client: TestClient, query: str, count: int) -> None:
    """By id, status and endpoint; by address and by form; what is not known is not in the self link."""
    for endpoint in (HOOK, WHOLE):
        made(client, plain("RiskAssessment", endpoint))
    found = client.get(f"/fhir/Subscription?{query}").json()
    form = client.post("/fhir/Subscription/_search", content=query, headers={"content-type": "application/x-www-form-urlencoded"}).json()

    modes = [one["search"]["mode"] for one in found.get("entry", [])]

    assert (count, ["match"] * count + ["outcome"] * ("colour" in query)) == (found["total"], modes)
    assert found == form
    assert "colour" not in found["link"][0]["url"]


def test_subscriptions_come_in_pages(client: TestClient) -> None:
    """D2: `next` is followed until there is none, nothing comes twice, and each page tells the whole number; by form too."""
    ids = [made(client, plain("RiskAssessment", endpoint))["id"] for endpoint in (HOOK, WHOLE, HOOK, HOOK)]
    query = f"url={HOOK}&_count=1&colour=red"
    page = client.post("/fhir/Subscription/_search", content=query, headers={"content-type": "application/x-www-form-urlencoded"}).json()
    first, seen, totals = page, [], []
    while True:
        seen += [one["resource"]["id"] for one in page["entry"] if one["search"]["mode"] == "match"]
        totals.append(page["total"])
        address = link(page, "next")
        if address is None:
            break
        page = client.get(address).json()
        assert address == link(page, "self")

    assert (sorted({ids[0], ids[2], ids[3]}), [3, 3, 3]) == (seen, totals)
    assert "_count=1" in str(link(first, "self")) and "colour" not in str(link(first, "self"))
    assert first["entry"][0] == client.get(str(link(first, "self"))).json()["entry"][0]


def test_a_page_may_be_as_long_as_one_likes_up_to_a_limit(client: TestClient) -> None:
    """The limit stands in the self link; nought asks for the number only."""
    made(client, plain("RiskAssessment", HOOK))
    most, none = (client.get(f"/fhir/Subscription?_count={count}").json() for count in (100_000, 0))

    assert ("_count=500", 1) == (str(link(most, "self")).partition("?")[2], len(most["entry"]))
    assert (1, False, None) == (none["total"], "entry" in none, link(none, "next"))


def test_a_link_of_another_search_leads_nowhere(client: TestClient) -> None:
    """Neither does one that was not sealed here, nor one with something else beside it."""
    for _ in range(2):
        made(client, plain("RiskAssessment", HOOK))
    address = str(link(client.get("/fhir/Subscription?_count=1").json(), "next"))
    token = address.partition("=")[2]
    wrong = [f"Subscription?_page={token[:-4]}AAAA", f"RiskAssessment?_page={token}", f"$recall?_page={token}", f"Subscription?_page={token}&_count=1",
             f"Subscription?_page={token}&_page={token}", f"$recall?_page={token}&_page={token}"]  # fmt: skip

    assert [["parameter-invalid"]] * len(wrong) == [keys(client.get(f"/fhir/{path}"), 400) for path in wrong]


@pytest.mark.parametrize("count", ["x", "-1", "1&_count=2", ""])
def test_a_count_that_is_none_is_refused(memory: TestClient, count: str) -> None:
    """As in every search."""
    assert ["parameter-invalid"] == keys(memory.get(f"/fhir/Subscription?_count={count}"), 400)


def test_a_search_that_cannot_be_made_is_refused(memory: TestClient) -> None:
    """Strictly where that is wished; a modifier always."""
    assert ["parameter-unknown"] == keys(memory.get("/fhir/Subscription?colour=red", headers={"prefer": "handling=strict"}), 400)
    assert ["parameter-invalid"] == keys(memory.get("/fhir/Subscription?status:not=off"), 400)
    assert ["media-type-unsupported"] == keys(memory.post("/fhir/Subscription/_search", json={}), 415)


# ---------------------------------------------------------------------------------------------------------------------------------
# $status and $events


def test_the_state_of_one_and_of_several(client: TestClient) -> None:
    """L4: a searchset of Parameters; by query, and by Parameters in the body."""
    one, other = made(client, by_topic("RiskAssessment", HOOK)), made(client, by_topic("Observation", HOOK))
    single = client.get(f"/fhir/Subscription/{one['id']}/$status").json()
    wanted = {"resourceType": "Parameters", "parameter": [{"name": "id", "valueId": other["id"]}, {"name": "status", "valueCode": "requested"}]}
    asked_for = send(client, wanted, path="Subscription/$status").json()
    told = parameters(single)

    assert ("searchset", 1, "match") == (single["type"], single["total"], single["entry"][0]["search"]["mode"])
    assert ("requested", "query-status", "0", topic_of("RiskAssessment")) == tuple(told[name] for name in ("status", "type", "events-since-subscription-start", "topic"))
    assert [] == model_faults(single, "Bundle")
    assert [f"http://testserver/fhir/Subscription/{other['id']}"] == [parameters(asked_for)["subscription"]]
    assert [2, 1, 0] == [client.get(f"/fhir/Subscription/$status{query}").json()["total"] for query in ("", f"?id={one['id']}&id=none", "?status=active")]


def test_events_can_be_asked_for_again(client: TestClient) -> None:
    """By their numbers, delivered or not; at the content that was subscribed to or less."""
    found = made(client, by_topic("Observation", WHOLE, "full-resource"))
    keep(client, exam())
    keep(client, exam("p3"))
    Outbox(resources_of(client)).collect()
    place = f"/fhir/Subscription/{found['id']}/$events"
    every, some = client.get(place).json(), client.get(f"{place}?eventsSinceNumber=2&eventsUntilNumber=3").json()
    less = [client.get(f"{place}?content={level}").json() for level in ("full-resource", "id-only", "empty")]
    total = int(parameters(every)["events-since-subscription-start"])

    assert total > 3 and "query-event" == parameters(every)["type"]
    assert [str(number + 1) for number in range(total)] == [event["event-number"] for event in parameters(every)["events"]]
    assert ["2", "3"] == [event["event-number"] for event in parameters(some)["events"]]
    assert [total + 1, 1, 1] == [len(bundle["entry"]) for bundle in less]
    assert [True, True, False] == ["focus" in parameters(bundle)["events"][0] for bundle in less]
    assert [] == model_faults(every, "Bundle")


def test_events_of_a_subscription_to_less_are_told_as_less(client: TestClient) -> None:
    """The wish for more is not followed."""
    found = made(client, by_topic("RiskAssessment", HOOK))
    keep(client, exam())
    Outbox(resources_of(client)).collect()

    assert 1 == len(client.get(f"/fhir/Subscription/{found['id']}/$events?content=full-resource").json()["entry"])


@pytest.mark.parametrize(
    ("query", "key"),
    [("eventsSinceNumber=one", "parameter-invalid"), ("eventsUntilNumber=-1", "parameter-invalid"), ("content=all", "parameter-invalid"), ("since=1", "parameter-unknown")],
)
def test_what_events_cannot_be_asked_for(memory: TestClient, query: str, key: str) -> None:
    """B9."""
    found = made(memory, by_topic("RiskAssessment", HOOK))

    assert [key] == keys(memory.get(f"/fhir/Subscription/{found['id']}/$events?{query}"), 400)


# ---------------------------------------------------------------------------------------------------------------------------------
# who may

ISSUER, AUDIENCE = "https://login.skerrow.example", "https://foot.skerrow.example/fhir"
KEY = RSAKey.generate_key(2048, {"kid": "k"})
ALL = "system/Subscription.cruds system/RiskAssessment.rs"


@pytest.fixture
def guarded(tmp_path: Path) -> tuple[Callable[..., TestClient], list[bytes]]:
    """Clients with a name and a scope, of a service that asks for tokens; and its audit log."""
    (tmp_path / "jwks.json").write_bytes(orjson.dumps(KeySet([KEY]).as_dict(private=False)))
    lines: list[bytes] = []
    listed = Settings("https://foot.skerrow.example", Tokens(ISSUER, AUDIENCE, str(tmp_path / "jwks.json")), outbound=LISTED)
    app = create_app(settings=listed, audit=lines.append)

    def client(scope: str = ALL, name: str = "screening") -> TestClient:
        claims = {"iss": ISSUER, "aud": AUDIENCE, "sub": name, "exp": int(time.time()) + 300, "scope": scope}
        return TestClient(app, headers={"authorization": f"Bearer {jwt.encode({'alg': 'RS384', 'kid': 'k'}, claims, KEY, algorithms=['RS384'])}"})

    return client, lines


def test_a_subscription_is_its_owners_only(guarded: tuple[Callable[..., TestClient], list[bytes]]) -> None:
    """Its headers may hold a secret: nobody else sees, changes or deletes it, or learns that it is there."""
    mine, other = guarded[0](), guarded[0](name="registry")
    found = made(mine, by_topic("RiskAssessment", HOOK))
    place = f"Subscription/{found['id']}"

    assert [404] * 4 == [one.status_code for one in (other.get(f"/fhir/{place}"), other.delete(f"/fhir/{place}"), other.get(f"/fhir/{place}/$status"), other.get(f"/fhir/{place}/$events"))]
    assert 405 == send(other, found, "PUT", place).status_code
    assert (0, 1) == (other.get("/fhir/Subscription").json()["total"], mine.get("/fhir/Subscription").json()["total"])
    assert (200, "https://foot.skerrow.example/fhir") == (mine.get(f"/fhir/{place}").status_code, _base(mine, place))


def _base(client: TestClient, place: str) -> str:
    reference: str = parameters(client.get(f"/fhir/{place}/$status").json())["subscription"]
    return reference.partition("/Subscription")[0]


@pytest.mark.parametrize(
    ("method", "path", "right"),
    [("POST", "Subscription", "c"), ("GET", "Subscription/x", "r"), ("PUT", "Subscription/x", "u"), ("DELETE", "Subscription/x", "d"),
     ("GET", "Subscription", "s"), ("GET", "Subscription/x/$status", "r"), ("POST", "Subscription/$status", "r"), ("GET", "Subscription/x/$events", "r")],
)  # fmt: skip
def test_each_interaction_needs_its_right(guarded: tuple[Callable[..., TestClient], list[bytes]], method: str, path: str, right: str) -> None:
    """N7: every other right is not enough."""
    others = "".join(one for one in "cruds" if one != right)

    assert ["scope-insufficient"] == keys(guarded[0](f"system/Subscription.{others}").request(method, f"/fhir/{path}", content=b"{}", headers=BODY), 403)


@pytest.mark.parametrize("scope", ["system/Subscription.cruds", "system/Subscription.cruds system/RiskAssessment.r", "system/Subscription.cruds system/Observation.rs"])
def test_nobody_subscribes_to_what_they_may_not_read_and_search(guarded: tuple[Callable[..., TestClient], list[bytes]], scope: str) -> None:
    """N7: the type of the criteria is judged too."""
    assert ["scope-insufficient"] == keys(send(guarded[0](scope), by_topic("RiskAssessment", HOOK)), 403)


def test_what_is_done_with_subscriptions_is_audited(guarded: tuple[Callable[..., TestClient], list[bytes]]) -> None:
    """P1: create, read, delete; no header and no address in it."""
    client, lines = guarded[0](), guarded[1]
    place = f"/fhir/Subscription/{made(client, by_topic('RiskAssessment', HOOK))['id']}"
    client.get(place)
    client.delete(place)

    assert [("C", "create"), ("R", "read"), ("D", "delete")] == [(one["action"], one["subtype"][0]["code"]) for one in map(orjson.loads, lines)]
    assert HOOK.encode() not in b"".join(lines)


# ---------------------------------------------------------------------------------------------------------------------------------
# criteria

_MINUTES = st.integers(0, 9)
_CODES = ("high", "low", "urn:example:a|high", "urn:example:b|high", "urn:example:a|", "|high", "low,high", "none")
_QUERIES = st.one_of(
    st.tuples(st.sampled_from(["risk", "risk:not", "method", "_tag", "_tag:not"]), st.sampled_from(_CODES)),
    st.tuples(st.just("date"), st.builds(lambda prefix, minute: f"{prefix}2026-01-01T00:{minute:02d}:00Z", st.sampled_from([one for one in PREFIXES if one != "ap"]), _MINUTES)),
    st.tuples(st.just("probability"), st.builds(lambda prefix, number: f"{prefix}{number}", st.sampled_from(["", "lt", "ge", "ne"]), st.integers(0, 5))),
    st.tuples(st.sampled_from(["patient", "subject"]), st.sampled_from(["p1", "Patient/p2", "p1,p3", "https://ehr.skerrow.example/fhir/Patient/p1"])),
    st.tuples(st.just("patient:identifier"), st.sampled_from(["urn:example:id|1", "1", "urn:example:id|2"])),
    st.tuples(st.just("identifier"), st.sampled_from(["urn:example:x|r1", "r2", "r1,r3", "|r1"])),
    st.tuples(st.just("_id"), st.sampled_from(["r1", "r1,r2", "none"])),
    st.tuples(st.just("_lastUpdated"), st.builds(lambda prefix, minute: f"{prefix}2026-03-01T00:{minute:02d}", st.sampled_from(["ge", "lt", "sa", "eb", "le", "gt"]), _MINUTES).map(lambda text: f"{text}:00Z")),
)  # fmt: skip
_CODING = st.sampled_from([{"system": "urn:example:a", "code": "high"}, {"system": "urn:example:b", "code": "high"}, {"code": "high"}, {"system": "urn:example:a", "code": "low"}])
_SUBJECTS = st.sampled_from(
    [{"reference": "Patient/p1"}, {"reference": "Patient/p2"}, {"reference": "https://ehr.skerrow.example/fhir/Patient/p1"}, {"identifier": {"system": "urn:example:id", "value": "1"}}]
)
_RESOURCES = st.fixed_dictionaries(
    {"subject": _SUBJECTS, "occurrencePeriod": st.tuples(_MINUTES, _MINUTES).map(lambda span: {"start": f"2026-01-01T00:{min(span):02d}:00Z", "end": f"2026-01-01T00:{max(span):02d}:30Z"})},
    optional={
        "method": _CODING.map(lambda coding: {"coding": [coding]}), "prediction": st.tuples(_CODING, st.integers(0, 5)).map(lambda one: [{"qualitativeRisk": {"coding": [one[0]]}, "probabilityDecimal": one[1]}]),
        "meta": _CODING.map(lambda coding: {"tag": [coding]}),
    },
)  # fmt: skip


@pytest.fixture(scope="module")
def store() -> Resources:
    return Resources(Ledger("sqlite://"))


@given(st.lists(_RESOURCES, min_size=1, max_size=6), st.lists(_QUERIES, min_size=1, max_size=3))
@settings(deadline=None, max_examples=150)
def test_criteria_mean_what_the_search_means(store: Resources, given: list[Json], query: list[tuple[str, str]]) -> None:
    """What a subscription is told of is what the same search finds."""
    emptied(store)
    store._clock = iter(range(1_772_323_200, 1_772_423_200, 60)).__next__
    for number, one in enumerate(given, 1):
        resource = {"resourceType": "RiskAssessment", "status": "final", "identifier": [{"system": "urn:example:x", "value": f"r{number}"}], **one}
        store.write(lambda _, resource=resource, number=number: [Write(resource, id=f"r{number}")])  # type: ignore[misc]
    wanted = asked("RiskAssessment", query, "http://testserver/fhir")

    assert {one.id for one in search(store, wanted, 100).matches} == {one.id for one in store.changes() if Found(one).meets(wanted)}


def test_patience_is_bounded() -> None:
    """Settings that would never try again, or without end, are refused."""
    for patience in (Patience(failures=0), Patience(first_wait=0), Patience(first_wait=5, longest_wait=1)):
        with pytest.raises(ValueError, match="subscriptions"):
            Settings(subscriptions=patience)
    with pytest.raises(ValueError, match="full_resource"):
        Settings(outbound=Outgoing(full_resource=(WHOLE,)))
