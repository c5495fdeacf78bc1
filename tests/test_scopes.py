"""Every route with every scope: who lacks the right is refused before anything is read, and learns nothing by another way. Interop N7; SMART 2, scopes."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import orjson
import pytest
from fastapi.testclient import TestClient
from joserfc import jwt
from joserfc.jwk import KeySet, RSAKey

from sural.ledger.parameters import SEARCHED, TYPES
from sural.subscriptions.outbox import Outbox
from sural.web.app import create_app
from sural.web.routes import Route, served
from sural.web.settings import Outgoing, Settings, Tokens
from tests.stored import exam, keys
from tests.subscribers import by_topic

ISSUER, AUDIENCE, HOOK = "https://login.skerrow.example", "https://foot.skerrow.example/fhir", "https://screening.skerrow.example/hook"
KEY = RSAKey.generate_key(2048, {"kid": "k"})
FHIR = {"content-type": "application/fhir+json"}
ASYNC = {"prefer": "respond-async", "accept": "application/fhir+json"}
RIGHTS = {"read": "r", "vread": "r", "history-instance": "r", "search-type": "s", "create": "c", "update": "u", "delete": "d", "operation": "r"}
NO_RIGHT_OF_THEIR_OWN = {"/fhir", "/fhir/$export/{job}", "/fhir/$export/{job}/{kind}"}
"""Judged entry by entry, or by the types of the job: the tests below."""
As = Callable[..., TestClient]


@pytest.fixture
def called(tmp_path: Path) -> As:
    """The service as a client with a scope and a name calls it."""
    (tmp_path / "jwks.json").write_bytes(orjson.dumps(KeySet([KEY]).as_dict(private=False)))
    settings = Settings("https://foot.skerrow.example", Tokens(ISSUER, AUDIENCE, str(tmp_path / "jwks.json")), outbound=Outgoing(subscribers=(HOOK,)))
    app = create_app(settings=settings)

    def client(scope: str, name: str = "screening") -> TestClient:
        claims = {"iss": ISSUER, "aud": AUDIENCE, "sub": name, "exp": int(time.time()) + 300, "scope": scope}
        bearer = jwt.encode({"alg": "RS384", "kid": "k"}, claims, KEY, algorithms=["RS384"])
        return TestClient(app, headers={"authorization": f"Bearer {bearer}"}, raise_server_exceptions=False)

    return client


def _closed(client: TestClient) -> list[Route]:
    return [route for route in served(client.app) if not route.open and not route.path.startswith("/cds-services")]  # type: ignore[arg-type]


def test_each_route_and_method_needs_its_right(called: As) -> None:
    """All rights on every other type, all other rights on this one, a patient's, a narrowed one and none at all: none of them is enough."""
    looked_at = 0
    for route in _closed(called("")):
        if route.path in NO_RIGHT_OF_THEIR_OWN:
            continue
        kind = (route.on or "RiskAssessment") if route.interaction == "operation" else route.name
        right = RIGHTS[str(route.interaction)]
        others = " ".join(f"system/{one}.cruds" for one in (*TYPES, "Subscription", "QuestionnaireResponse") if one != kind)
        insufficient = ("", others, f"system/{kind}.{''.join(one for one in 'cruds' if one != right)}", f"patient/{kind}.cruds patient/*.*", f"system/{kind}.cruds?category=exam")
        path = route.path.format(id="x", version="1")
        for method in route.methods:
            for scope in insufficient:
                answer = called(scope).request(method, path, content=b"{}" if method in ("POST", "PUT") else None, headers=FHIR)
                assert 403 == answer.status_code, (method, path, scope)
                assert f'scope="system/{kind}.{right}"' in answer.headers["www-authenticate"]
                looked_at += 1
    assert looked_at > 5 * 10 * len(SEARCHED)


def test_no_closed_route_answers_without_a_token(called: As) -> None:
    """Whatever the method."""
    client = called("")
    del client.headers["authorization"]
    for route in _closed(client):
        path = route.path.format(id="x", version="1", job="0" * 32, kind="Observation")
        assert {401} == {client.request(method, path, headers=FHIR).status_code for method in route.methods}, path


def test_an_export_is_seen_and_ended_by_who_may_read_what_is_in_it(called: As) -> None:
    """Its number alone is no right: counts say how many have been assessed, and an end takes it away from whoever began it."""
    begun = called("system/*.r").get("/fhir/$export", headers=ASYNC).headers["content-location"]

    for scope in ("", "system/RiskAssessment.cruds", "patient/*.*"):
        assert [403, 403] == [one.status_code for one in (called(scope).get(begun), called(scope).delete(begun))]
    assert 200 == called("system/*.r").get(begun).status_code
    assert [202, 404] == [called("system/*.r").delete(begun).status_code for _ in range(2)]


def _stored(called: As) -> dict[str, Any]:
    """A RiskAssessment that is stored."""
    every = called("system/*.cruds")
    assert 200 == every.post("/fhir/$assess-and-store-lower-limb?as-of=2026-04-10", json=exam("p1").bundle(), headers=FHIR).status_code
    found: dict[str, Any] = every.get("/fhir/RiskAssessment").json()["entry"][0]["resource"]
    return found


def test_a_conditional_create_shows_nothing_to_who_may_not_read(called: As) -> None:
    """FHIR answers the resource that meets the condition; who may only create learns that it is there, and not what it says."""
    there = _stored(called)
    identifier = f"identifier={there['identifier'][0]['system']}|{there['identifier'][0]['value']}"
    mine = {name: value for name, value in there.items() if name not in ("id", "meta", "text", "identifier")}
    headers = {**FHIR, "if-none-exist": identifier}
    entry = {"resource": mine, "request": {"method": "POST", "url": "RiskAssessment", "ifNoneExist": identifier}}
    bundle = orjson.dumps({"resourceType": "Bundle", "type": "transaction", "entry": [entry]})
    creator, reader = called("system/RiskAssessment.c"), called("system/RiskAssessment.cr")

    assert (200, "OperationOutcome") == ((answer := creator.post("/fhir/RiskAssessment", json=mine, headers=headers)).status_code, answer.json()["resourceType"])
    assert there["id"] == reader.post("/fhir/RiskAssessment", json=mine, headers=headers).json()["id"]
    assert "resource" not in creator.post("/fhir", content=bundle, headers=FHIR).json()["entry"][0]
    assert there["id"] == reader.post("/fhir", content=bundle, headers=FHIR).json()["entry"][0]["resource"]["id"]


@pytest.mark.parametrize("way", ["create", "disguised", "update", "transaction", "reference"])
def test_a_condition_is_a_search(called: As, way: str) -> None:
    """A condition over findings tells whether somebody has them: beyond an identifier it needs the right to search."""
    there = _stored(called)
    mine = {name: value for name, value in there.items() if name not in ("id", "meta", "text", "identifier")}
    condition = "patient=Patient/p1&risk=none-such"
    asked: dict[str, Any] = {"method": "POST", "url": "RiskAssessment"}
    if way == "transaction":
        asked["ifNoneExist"] = condition
    held = mine | ({"basis": [{"reference": f"Observation?{condition.partition('&')[0]}"}]} if way == "reference" else {})
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [{"resource": held, "request": asked}]}
    ask = {
        "create": lambda client: client.post("/fhir/RiskAssessment", json=mine, headers={**FHIR, "if-none-exist": condition}),
        "disguised": lambda client: client.post("/fhir/RiskAssessment", json=mine, headers={**FHIR, "if-none-exist": f"x?{condition}?identifier=1"}),
        "update": lambda client: client.put(f"/fhir/RiskAssessment?{condition}", json=mine, headers=FHIR),
    }.get(way, lambda client: client.post("/fhir", json=bundle, headers=FHIR))

    assert ["scope-insufficient"] == keys(ask(called("system/RiskAssessment.cru system/Observation.cru")), 403)
    assert 403 != ask(called("system/RiskAssessment.crus system/Observation.rs")).status_code


def test_events_of_an_earlier_type_need_the_right_on_that_type(called: As) -> None:
    """A subscription whose criteria were changed still has the events of before."""
    both = called("system/Subscription.cruds system/RiskAssessment.rs system/Observation.rs")
    made = both.post("/fhir/Subscription", json=by_topic("RiskAssessment", HOOK), headers=FHIR).json()
    _stored(called)
    outbox = both.app.state.ledger.resources()  # type: ignore[attr-defined]
    assert Outbox(outbox).collect()
    place = f"/fhir/Subscription/{made['id']}"
    assert 200 == both.put(place, json=by_topic("Observation", HOOK) | {"id": made["id"]}, headers=FHIR).status_code

    assert 200 == both.get(f"{place}/$events").status_code
    assert ["scope-insufficient"] == keys(called("system/Subscription.cruds system/Observation.rs").get(f"{place}/$events"), 403)
