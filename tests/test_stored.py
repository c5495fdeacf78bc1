"""Stored answers over HTTP: kept on request, read, versions, conditional reads and writes, transactions, who may, what is audited.

Interop A2 to A5, E1 to E6, F2, N7, P1; FHIR R4, RESTful API.
"""

import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import orjson
import pytest
from fastapi.testclient import TestClient
from joserfc import jwt
from joserfc.jwk import KeySet, RSAKey

from sural.answer.identity import ANSWER_SYSTEM
from sural.cli.serve import store_cases
from sural.doors.cases import cases
from sural.ledger.parameters import SEARCHED, TYPES
from sural.ledger.writing import _led_to
from sural.web.app import create_app
from sural.web.settings import Settings, Tokens
from tests.asking import answer_of
from tests.builders import Exam
from tests.builders import answer as concept_of
from tests.forms import response
from tests.stored import BODY, STORE, exam, filled, found, keep, keys, matches, of_type

Json = dict[str, Any]


@pytest.fixture
def client(url: str) -> Iterator[TestClient]:
    with TestClient(create_app(database=url), raise_server_exceptions=False) as client:
        yield client


@pytest.fixture
def risk(client: TestClient) -> Json:
    """A RiskAssessment as it is stored."""
    return of_type(keep(client, exam()), "RiskAssessment")[0]


def send(client: TestClient, method: str, path: str, resource: Json, **headers: str) -> httpx.Response:
    return client.request(method, f"/fhir/{path}", content=orjson.dumps(resource), headers=BODY | {name.replace("_", "-"): text for name, text in headers.items()})


def fresh(value: str = "v1", **more: Any) -> Json:
    """A small RiskAssessment of a client's own."""
    return {
        "resourceType": "RiskAssessment", "identifier": [{"system": "urn:example:skerrow", "value": value}], "status": "final",
        "subject": {"reference": "Patient/p7"}, "occurrenceDateTime": "2026-03-01", **more,
    }  # fmt: skip


# ---------------------------------------------------------------------------------------------------------------------------------
# asked for


def test_assessing_stores_nothing(client: TestClient) -> None:
    """B8: storing is an operation of its own, and says that it changes something."""
    client.post("/fhir/$assess-lower-limb?as-of=2026-03-02", content=orjson.dumps(exam().bundle()), headers=BODY)
    affects = {name: client.get(f"/fhir/OperationDefinition/{name}").json()["affectsState"] for name in ("assess-lower-limb", "assess-and-store-lower-limb")}

    assert 0 == found(client, "RiskAssessment")["total"]
    assert {"assess-lower-limb": False, "assess-and-store-lower-limb": True} == affects


def test_extracting_stores_nothing(client: TestClient) -> None:
    """K4: the Observations of a form are answered, and storing them is the caller's."""
    extracted = send(client, "POST", "QuestionnaireResponse/$extract", response("foot-screening", {"callus-right": "absent"}))

    assert extracted.json()["entry"]
    assert 0 == found(client, "Observation")["total"]


def test_an_answer_is_stored_on_request(client: TestClient) -> None:
    """Every resource of the answer can be read under its id, and the intake report comes along."""
    response = client.post(f"{STORE}?as-of=2026-03-02", content=orjson.dumps(exam().bundle()), headers=BODY)
    entries = response.json()["entry"]

    for entry in entries[:-1]:
        assert entry["resource"] == client.get(entry["fullUrl"]).json()
    assert ("collection", "OperationOutcome") == (response.json()["type"], entries[-1]["resource"]["resourceType"])
    assert {entry["resource"]["resourceType"] for entry in entries[:-1]} < {*TYPES}


def test_the_definition_names_the_parameters_of_the_operation_that_stores(client: TestClient) -> None:
    """B1: those of assessing, but for the form of the answer."""
    one, other = ({one["name"] for one in client.get(f"/fhir/OperationDefinition/{name}").json()["parameter"]} for name in ("assess-lower-limb", "assess-and-store-lower-limb"))  # fmt: skip

    assert {"output", "trace"} == one - other
    assert ["parameter-unknown"] == keys(client.post(f"{STORE}?output=summary", content=orjson.dumps(exam().bundle()), headers=BODY), 400)


def test_what_cannot_be_assessed_is_not_stored(client: TestClient) -> None:
    """An OperationOutcome, and nothing else."""
    assert 400 == client.post(STORE, content=b"{}", headers=BODY).status_code
    assert 0 == found(client, "Observation")["total"]


def test_the_demonstration_has_the_answers_to_the_cases() -> None:
    """To be searched: in memory, each case's answers."""
    app = create_app(demo=True)
    stored = store_cases(app.state.ledger.resources())

    assert len(cases()) / 2 < stored
    assert {"match"} == {entry["search"]["mode"] for entry in found(TestClient(app), "RiskAssessment?_sort=-date&_count=500")["entry"]}


# ---------------------------------------------------------------------------------------------------------------------------------
# reading


def test_metadata_promises_what_is_kept_for_stored_answers(client: TestClient) -> None:
    """A2: each flag is shown by a test below."""
    resources = [one for one in client.get("/fhir/metadata").json()["rest"][0]["resource"] if one["type"] in SEARCHED]
    flags = ("versioning", "readHistory", "updateCreate", "conditionalCreate", "conditionalRead", "conditionalUpdate")

    assert len(SEARCHED) == len(resources)
    assert {("versioned", True, False, True, "full-support", True)} == {tuple(one[flag] for flag in flags) for one in resources}
    assert [{"code": "transaction"}] == client.get("/fhir/metadata").json()["rest"][0]["interaction"]


def test_a_read_has_its_version_in_the_headers(client: TestClient, risk: Json) -> None:
    """A3: ETag and Last-Modified; id and address agree."""
    response = client.get(f"/fhir/RiskAssessment/{risk['id']}")

    assert ('W/"1"', risk["id"]) == (response.headers["etag"], response.json()["id"])
    assert response.headers["last-modified"].endswith("GMT")
    assert ["not-found"] == keys(client.get("/fhir/RiskAssessment/none"), 404)


def test_a_read_on_condition_is_304(client: TestClient, risk: Json) -> None:
    """A5: by version, by time; the version goes before the time (RFC 9110)."""
    path = f"/fhir/RiskAssessment/{risk['id']}"
    modified = client.get(path).headers["last-modified"]
    conditions = [{"if-none-match": 'W/"1"'}, {"if-none-match": '"7", "1"'}, {"if-none-match": "*"}, {"if-modified-since": modified}]
    missed = [{"if-none-match": 'W/"2"'}, {"if-none-match": 'W/"2"', "if-modified-since": modified}, {"if-modified-since": "Thu, 01 Jan 1970 00:00:00 GMT"}, {"if-modified-since": "soon"}]  # fmt: skip

    assert [(304, b"")] * 4 == [(one.status_code, one.content) for one in (client.get(path, headers=each) for each in conditions)]
    assert [200] * 4 == [client.get(path, headers=each).status_code for each in missed]


def test_versions_and_history(client: TestClient, risk: Json) -> None:
    """A4: every version can be read; the history is a Bundle of them, newest first."""
    keep(client, exam(lost="right"))
    path = f"/fhir/RiskAssessment/{risk['id']}"
    history = client.get(f"{path}/_history").json()

    assert risk == client.get(f"{path}/_history/1").json()
    assert ["2", "1"] == [entry["resource"]["meta"]["versionId"] for entry in history["entry"]]
    assert ("history", 2, ["PUT", "POST"]) == (history["type"], history["total"], [entry["request"]["method"] for entry in history["entry"]])
    assert ["amended", "final"] == [entry["resource"]["status"] for entry in history["entry"]]
    for missing in (f"{path}/_history/3", f"{path}/_history/x", "/fhir/RiskAssessment/none/_history"):
        assert ["not-found"] == keys(client.get(missing), 404)


def test_a_history_since_an_instant(client: TestClient, risk: Json) -> None:
    """R4, history, _since: versions of that instant or later; an instant that is none is refused."""
    path = f"/fhir/RiskAssessment/{risk['id']}"
    client.put(path, content=orjson.dumps(risk | {"status": "amended"}), headers=BODY)
    later = client.get(path).json()["meta"]["lastUpdated"]
    since = [client.get(f"{path}/_history", params={"_since": text}).json() for text in ("2020-01-01T00:00:00Z", later, "2999-01-01T00:00:00Z")]

    assert [2, 1, 0] == [one["total"] for one in since] == [len(one.get("entry", ())) for one in since]
    assert ["parameter-invalid"] == keys(client.get(f"{path}/_history?_since=yesterday"), 400)


# ---------------------------------------------------------------------------------------------------------------------------------
# writing


def test_a_create_says_where_it_stands(client: TestClient) -> None:
    """201, Location with the version; incoming id, version and instant are not kept (E5)."""
    response = send(client, "POST", "RiskAssessment", fresh(id="mine", meta={"versionId": "9", "lastUpdated": "1999-01-01T00:00:00Z"}))
    stored = response.json()

    assert (201, 'W/"1"', "1") == (response.status_code, response.headers["etag"], stored["meta"]["versionId"])
    assert response.headers["location"].endswith(f"/fhir/RiskAssessment/{stored['id']}/_history/1")
    assert "mine" != stored["id"] and not stored["meta"]["lastUpdated"].startswith("1999")
    assert stored == client.get(f"/fhir/RiskAssessment/{stored['id']}").json()


def test_a_conditional_create_is_done_once(client: TestClient) -> None:
    """E1: none there: 201; one: 200 and nothing written; several: 412."""
    condition = "identifier=urn:example:skerrow|v1"
    responses = [send(client, "POST", "RiskAssessment", fresh(), if_none_exist=condition) for _ in range(2)]
    send(client, "POST", "RiskAssessment", fresh("v2"))
    several = send(client, "POST", "RiskAssessment", fresh("v3"), if_none_exist="patient=p7")

    assert [201, 200] == [one.status_code for one in responses]
    assert responses[0].json() == responses[1].json()
    assert ["several-matches"] == keys(several, 412)
    assert ["parameter-invalid"] == keys(send(client, "POST", "RiskAssessment", fresh("v3"), if_none_exist="colour=red"), 400)


def test_fifty_at_once_create_one(client: TestClient) -> None:
    """E1, E2: exactly one row, whatever the moment."""
    with ThreadPoolExecutor(10) as pool:
        statuses = list(pool.map(lambda _: send(client, "POST", "RiskAssessment", fresh(), if_none_exist="identifier=urn:example:skerrow|v1").status_code, range(50)))

    assert [200] * 49 + [201] == sorted(statuses)
    assert 1 == found(client, "RiskAssessment")["total"]


def test_an_identifier_that_is_taken_is_409(client: TestClient) -> None:
    """E2: a create without condition makes no twin."""
    send(client, "POST", "RiskAssessment", fresh())

    assert ["identifier-taken"] == keys(send(client, "POST", "RiskAssessment", fresh()), 409)


def test_an_update_is_on_the_version_that_was_read(client: TestClient) -> None:
    """E3: If-Match; a mismatch is 412; success has the new version."""
    stored = send(client, "POST", "RiskAssessment", fresh()).json()
    path = f"RiskAssessment/{stored['id']}"
    changed = send(client, "PUT", path, stored | {"status": "amended"}, if_match='W/"1"')
    late = send(client, "PUT", path, stored | {"status": "cancelled"}, if_match='W/"1"')

    assert (200, 'W/"2"', "amended") == (changed.status_code, changed.headers["etag"], changed.json()["status"])
    assert ["version-conflict"] == keys(late, 412)
    assert "amended" == client.get(f"/fhir/{path}").json()["status"]


@pytest.mark.parametrize(("match", "status"), [("*", 200), ("1", 200), ('"1"', 200), ('W/""', 412), ('W/"9"', 412), ("*, 1", 412)])
def test_an_update_on_any_version_or_on_none_that_can_be_read(client: TestClient, match: str, status: int) -> None:
    """RFC 9110, 13.1.1: an asterisk is met by any version; what names no version is never met, so that nothing is overwritten."""
    stored = send(client, "POST", "RiskAssessment", fresh()).json()

    assert status == send(client, "PUT", f"RiskAssessment/{stored['id']}", stored | {"status": "amended"}, if_match=match).status_code


def test_a_part_of_a_resource_is_not_stored_over_the_whole(client: TestClient) -> None:
    """R4, search, _summary: what is tagged SUBSETTED is no base for an update; the rest would be lost."""
    path = f"RiskAssessment/{send(client, 'POST', 'RiskAssessment', fresh()).json()['id']}"
    part = client.get(f"/fhir/{path}?_elements=occurrenceDateTime").json()

    assert ["resource-in-part"] == keys(send(client, "PUT", path, part), 422)
    assert ["resource-in-part"] == keys(client.post("/fhir", content=orjson.dumps(transaction(("PUT", path, part))), headers=BODY), 422)


def test_an_update_that_changes_nothing_makes_no_version(client: TestClient) -> None:
    """What is sent is what stands."""
    stored = send(client, "POST", "RiskAssessment", fresh()).json()

    assert 'W/"1"' == send(client, "PUT", f"RiskAssessment/{stored['id']}", stored).headers["etag"]


def test_an_update_of_something_else_is_refused(client: TestClient) -> None:
    """E5: another id in the body: 400; an id that was not assigned here: 405, as updateCreate says; another type: 400."""
    stored = send(client, "POST", "RiskAssessment", fresh()).json()

    assert ["id-differs"] == keys(send(client, "PUT", f"RiskAssessment/{stored['id']}", fresh(id="other")), 400)
    assert ["id-differs"] == keys(send(client, "PUT", f"RiskAssessment/{stored['id']}", fresh()), 400)
    assert ["id-not-assigned"] == keys(send(client, "PUT", "RiskAssessment/mine", fresh(id="mine")), 405)
    assert ["resource-type-differs"] == keys(send(client, "POST", "Observation", fresh()), 400)


def test_a_conditional_update(client: TestClient) -> None:
    """E4: none is created, one is updated, several are refused."""
    where = "RiskAssessment?identifier=urn:example:skerrow|v1"
    made, changed = send(client, "PUT", where, fresh()), send(client, "PUT", where, fresh(status="amended"))
    send(client, "POST", "RiskAssessment", fresh("v2"))

    assert [201, 200] == [made.status_code, changed.status_code]
    assert (made.json()["id"], "2") == (changed.json()["id"], changed.json()["meta"]["versionId"])
    assert ["several-matches"] == keys(send(client, "PUT", "RiskAssessment?patient=p7", fresh("v3")), 412)
    assert ["parameter-invalid"] == keys(send(client, "PUT", "RiskAssessment", fresh("v3")), 400)


@pytest.mark.parametrize(("wish", "kind"), [("minimal", None), ("representation", "RiskAssessment"), ("OperationOutcome", "OperationOutcome"), ("", "RiskAssessment")])  # fmt: skip
def test_what_comes_back_is_as_preferred(client: TestClient, wish: str, kind: str | None) -> None:
    """E6: Prefer: return."""
    response = send(client, "POST", "RiskAssessment", fresh(), prefer=f"return={wish}")

    assert (201, kind) == (response.status_code, response.json()["resourceType"] if response.content else None)


@pytest.mark.parametrize(
    ("content", "key"),
    [(b"{bad", "not-json"), (b"[]", "not-fhir"), (orjson.dumps(fresh(colour="red")), "element-unknown"), (orjson.dumps({**fresh(), "occurrenceDateTime": None}), None),
     (orjson.dumps({key: value for key, value in fresh().items() if key != "occurrenceDateTime"}), "element-missing")],
)  # fmt: skip
def test_what_is_no_good_resource_is_refused(client: TestClient, content: bytes, key: str | None) -> None:
    """With the fault; a date that results are sorted by has to be there."""
    refused = keys(client.post("/fhir/RiskAssessment", content=content, headers=BODY), 400)

    assert key is None or key in refused


# ---------------------------------------------------------------------------------------------------------------------------------
# transactions


def test_a_transaction_of_ours_is_taken_as_it_is_and_twice(client: TestClient) -> None:
    """B6, F3: the answer posted back; links lead to what is stored; sent again it changes nothing."""
    answer = answer_of(exam(), transaction=True)
    first, again = (client.post("/fhir", content=orjson.dumps(answer), headers=BODY).json() for _ in range(2))
    (request,) = matches(found(client, "ServiceRequest"))

    assert {"201 Created"} == {entry["response"]["status"] for entry in first["entry"]}
    assert {"200 OK"} == {entry["response"]["status"] for entry in again["entry"]}
    assert [entry["response"]["location"] for entry in first["entry"]] == [entry["response"]["location"] for entry in again["entry"]]
    assert 200 == client.get(f"/fhir/{request['supportingInfo'][0]['reference']}").status_code
    assert "urn:uuid" not in orjson.dumps(first).decode()


def test_a_transaction_is_all_or_nothing(client: TestClient) -> None:
    """F2: one entry that fails takes all with it; the order of entries has no meaning for links."""
    good = {"fullUrl": "urn:uuid:1", "resource": fresh(), "request": {"method": "POST", "url": "RiskAssessment"}}
    bad = {"resource": fresh("v2", id="none"), "request": {"method": "PUT", "url": "RiskAssessment/none"}}
    for entries in ([good, bad], [bad, good]):
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}

        assert ["id-not-assigned"] == keys(client.post("/fhir", content=orjson.dumps(bundle), headers=BODY), 405)
    assert 0 == found(client, "RiskAssessment")["total"]


@pytest.mark.parametrize(
    ("request_", "key"),
    [({"method": "DELETE", "url": "RiskAssessment/x"}, "request-not-offered"), ({"method": "POST", "url": "Observation"}, "request-not-offered"),
     ({"method": "POST"}, "element-missing"), ({"method": "PUT", "url": "RiskAssessment?patient=p7", "ifMatch": 'W/"3"'}, "version-conflict")],
)  # fmt: skip
def test_an_entry_that_is_not_offered_is_refused(client: TestClient, request_: Json, key: str) -> None:
    """Creates and updates only, each on its condition."""
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [{"resource": fresh(), "request": request_}]}
    response = client.post("/fhir", content=orjson.dumps(bundle), headers=BODY)

    assert [key] == keys(response, response.status_code) and response.status_code >= 400


def transaction(*wanted: tuple[str, str, dict[str, Any]], link: str = "") -> dict[str, Any]:
    entries = [{"resource": one, "request": {"method": method, "url": url}} | ({"fullUrl": link} if link else {}) for method, url, one in wanted]
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def report(reference: str) -> dict[str, Any]:
    return {
        "resourceType": "DiagnosticReport", "status": "final", "code": {"text": "feet"}, "subject": {"reference": "Patient/p7"},
        "effectiveDateTime": "2026-03-01", "result": [{"reference": reference}],
    }  # fmt: skip


def observation(value: str) -> dict[str, Any]:
    return {
        "resourceType": "Observation", "status": "final", "code": {"text": "feet"}, "subject": {"reference": "Patient/p7"},
        "effectiveDateTime": "2026-03-01", "identifier": [{"system": "urn:example:skerrow", "value": value}],
    }  # fmt: skip


def test_a_conditional_reference_leads_to_exactly_one_resource(client: TestClient) -> None:
    """F4 and R4, transactions: a reference by search is replaced by what it finds; with none or several the whole fails."""
    stored = [send(client, "POST", "Observation", observation(value)).json()["id"] for value in ("o1", "o2")]

    def sent(reference: str) -> httpx.Response:
        return client.post("/fhir", content=orjson.dumps(transaction(("POST", "DiagnosticReport", report(reference)))), headers=BODY)

    found = sent("Observation?identifier=urn:example:skerrow|o1")
    assert (200, f"Observation/{stored[0]}") == (found.status_code, found.json()["entry"][0]["resource"]["result"][0]["reference"])
    for reference, key in (
        ("Observation?identifier=urn:example:skerrow|o3", "no-match"), ("Observation?patient=p7", "several-matches"),
        ("Patient?identifier=urn:example:skerrow|p7", "no-match"), ("Observation?colour=red", "no-match"),
    ):  # fmt: skip
        assert [key] == keys(sent(reference), 412)
    assert ["no-match"] == keys(send(client, "POST", "DiagnosticReport", report("Observation?identifier=urn:example:skerrow|o1")), 412)
    assert 1 == len(matches(client.get("/fhir/DiagnosticReport").json()))


def test_a_conditional_reference_is_looked_up_once(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many entries have it: others wait for the end of the transaction."""
    looked_up: list[str] = []

    def led_to(connection: Any, text: str, *where: str) -> str:
        looked_up.append(text)
        return _led_to(connection, text, *where)

    send(client, "POST", "Observation", observation("o1"))
    monkeypatch.setattr("sural.ledger.writing._led_to", led_to)
    one = ("POST", "DiagnosticReport", report("Observation?identifier=urn:example:skerrow|o1"))

    assert 200 == client.post("/fhir", content=orjson.dumps(transaction(*[one] * 20)), headers=BODY).status_code
    assert ["Observation?identifier=urn:example:skerrow|o1"] == looked_up


def test_two_entries_with_one_full_url_are_refused(client: TestClient) -> None:
    """R4, Bundle, bdl-7: a link to it could lead to either."""
    both = transaction(("POST", "Observation", observation("o1")), ("POST", "Observation", observation("o2")), link="urn:uuid:5e2b4b1e-7a0c-4a52-9b64-0d3c6a0f0e11")

    assert ["link-taken"] * 2 == keys(client.post("/fhir", content=orjson.dumps(both), headers=BODY), 400)
    assert [] == matches(client.get("/fhir/Observation").json())


def test_only_transactions_and_stored_types_are_taken(client: TestClient) -> None:
    """A batch is not; a Patient is not."""
    patient = {"resource": {"resourceType": "Patient"}, "request": {"method": "POST", "url": "Patient"}}

    assert ["not-a-transaction"] == keys(client.post("/fhir", content=orjson.dumps({"resourceType": "Bundle", "type": "batch"}), headers=BODY), 400)
    refused = client.post("/fhir", content=orjson.dumps({"resourceType": "Bundle", "type": "transaction", "entry": [patient]}), headers=BODY)
    assert ["type-not-stored"] == keys(refused, 404)


# ---------------------------------------------------------------------------------------------------------------------------------
# who may, and what is written down

ISSUER, AUDIENCE = "https://login.skerrow.example", "https://foot.skerrow.example/fhir"
KEY = RSAKey.generate_key(2048, {"kid": "rsa"})


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[tuple[Callable[[str], TestClient], list[bytes]]]:
    """Clients with a scope, of a service that asks for tokens; and its audit log."""
    file = tmp_path / "jwks.json"
    file.write_bytes(orjson.dumps(KeySet([KEY]).as_dict(private=False)))
    lines: list[bytes] = []
    app = create_app(settings=Settings("https://foot.skerrow.example", Tokens(ISSUER, AUDIENCE, str(file))), audit=lines.append)
    now = int(time.time())

    def client(scope: str) -> TestClient:
        claims = {"iss": ISSUER, "aud": AUDIENCE, "sub": "screening", "exp": now + 300, "scope": scope}
        return TestClient(app, headers={"authorization": f"Bearer {jwt.encode({'alg': 'RS384', 'kid': 'rsa'}, claims, KEY, algorithms=['RS384'])}"})

    yield client, lines


Guarded = tuple[Callable[[str], TestClient], list[bytes]]
RIGHTS = [
    ("GET", "RiskAssessment", "s"), ("POST", "RiskAssessment/_search", "s"), ("GET", "RiskAssessment/x", "r"), ("GET", "RiskAssessment/x/_history", "r"),
    ("GET", "RiskAssessment/x/_history/1", "r"), ("POST", "RiskAssessment", "c"), ("PUT", "RiskAssessment/x", "u"), ("PUT", "RiskAssessment", "u"),
]  # fmt: skip


@pytest.mark.parametrize(("method", "path", "right"), RIGHTS)
def test_each_interaction_needs_its_right(guarded: Guarded, method: str, path: str, right: str) -> None:
    """N7: every other right, and the right on another type, is not enough."""
    others = "".join(one for one in "cruds" if one != right)
    for scope in (f"system/RiskAssessment.{others}", f"system/Observation.{right}"):
        assert ["scope-insufficient"] == keys(guarded[0](scope).request(method, f"/fhir/{path}", content=b"{}", headers=BODY), 403)
    assert 403 != guarded[0](f"system/RiskAssessment.{right}").request(method, f"/fhir/{path}", content=b"{}", headers=BODY).status_code


def test_a_recall_list_needs_every_type_that_it_tells_of(guarded: Guarded) -> None:
    """N7 and P1: results, proposals and the Observations beside them; refused and given, both are audited, and nobody is named there."""
    whole = "system/RiskAssessment.r system/Observation.r system/ServiceRequest.r"
    for kind in ("RiskAssessment", "Observation", "ServiceRequest"):
        assert ["scope-insufficient"] == keys(guarded[0](whole.replace(f"system/{kind}.r", f"system/{kind}.s")).get("/fhir/$recall"), 403)
    keep(guarded[0]("system/*.cruds"), exam())
    guarded[1].clear()

    assert b"Patient/p1" in guarded[0](whole).get("/fhir/$recall?_format=csv").content
    assert [("operation", "recall")] == [(one["subtype"][0]["code"], one["entity"][0]["name"]) for one in map(orjson.loads, guarded[1])]
    assert b"Patient/p1" not in guarded[1][0]


def test_a_transaction_is_judged_entry_by_entry(guarded: Guarded) -> None:
    """N7: one type that is not permitted refuses the whole; nothing is stored."""
    answer = orjson.dumps(answer_of(exam(), transaction=True))
    some, all_types = guarded[0]("system/RiskAssessment.cruds system/Observation.cruds"), guarded[0]("system/*.cruds")

    assert ["scope-insufficient"] == keys(some.post("/fhir", content=answer, headers=BODY), 403)
    assert 0 == all_types.get("/fhir/RiskAssessment").json()["total"]
    assert 200 == all_types.post("/fhir", content=answer, headers=BODY).status_code


def test_storing_needs_the_right_to_create_and_update(guarded: Guarded) -> None:
    """Reading results does not permit it."""
    content = orjson.dumps(exam().bundle())

    assert ["scope-insufficient"] == keys(guarded[0]("system/*.rs").post(STORE, content=content, headers=BODY), 403)
    assert 200 == guarded[0]("system/*.cruds").post(STORE, content=content, headers=BODY).status_code


def test_what_is_not_permitted_is_not_included(guarded: Guarded) -> None:
    """SMART: an include gives no more than a read would."""
    filled(guarded[0]("system/*.cruds"))
    query = "/fhir/RiskAssessment?patient=p1&_include=RiskAssessment:performer&_revinclude=Provenance:target"
    narrow, wide = guarded[0]("system/RiskAssessment.s"), guarded[0]("system/*.cruds")

    assert [] == matches(narrow.get(query).json(), "include")
    assert {"Device", "Provenance"} == {one["resourceType"] for one in matches(wide.get(query).json(), "include")}


def test_every_access_to_stored_answers_is_audited(guarded: Guarded) -> None:
    """P1: who, what, whose; never a finding, an address or a query."""
    client = guarded[0]("system/*.cruds")
    risk = of_type(keep(client, exam()), "RiskAssessment")[0]
    guarded[1].clear()
    for path in (f"RiskAssessment/{risk['id']}", "RiskAssessment?patient=p1&risk=nice-ng19-2019.high", f"RiskAssessment/{risk['id']}/_history", "Observation"):
        client.get(f"/fhir/{path}")
    send(client, "POST", "RiskAssessment", fresh())
    events = [orjson.loads(line) for line in guarded[1]]
    patients = [[one["what"]["reference"] for one in event["entity"] if "what" in one] for event in events]

    assert ["read", "search-type", "history-instance", "search-type", "create"] == [event["subtype"][0]["code"] for event in events]
    assert ["R", "E", "R", "E", "C"] == [event["action"] for event in events]
    assert [["Patient/p1"], ["Patient/p1"], ["Patient/p1"], [], ["Patient/p7"]] == patients
    assert b"nice-ng19" not in b"".join(guarded[1]) and ANSWER_SYSTEM.encode() not in b"".join(guarded[1])


def test_a_patient_who_is_searched_by_identifier_is_audited_by_it(guarded: Guarded) -> None:
    """P1: as the request names them."""
    guarded[0]("system/*.cruds").get("/fhir/RiskAssessment?patient:identifier=urn:example:skerrow|p1")
    named = [one["what"] for one in orjson.loads(guarded[1][-1])["entity"] if "what" in one]

    assert [{"identifier": {"system": "urn:example:skerrow", "value": "p1"}}] == named


def test_a_part_of_an_examination_is_refused_where_it_would_take_findings_back(client: TestClient) -> None:
    """A blood test of the same day, sent alone: what was found on the feet stands; sent with them it amends the answer."""
    whole = exam("p1")
    kept = keep(client, whole)
    blood = Exam("p1", diabetes=None).see("egfr", 80, id="egfr-1", effectiveDateTime="2026-03-01T11:00:00+00:00")

    refused = client.post(f"{STORE}?as-of=2026-04-10", content=orjson.dumps(blood.bundle()), headers=BODY)
    assert ["examination-in-part"] == keys(refused, 409)
    assert kept == keep(client, whole)

    whole.add(blood.entries[-1]["resource"])
    (leading,) = [one for one in keep(client, whole) if one["id"] == of_type(kept, "RiskAssessment")[0]["id"]]
    assert "amended" == leading["status"]


def test_findings_that_grew_too_old_take_nothing_back(client: TestClient) -> None:
    """Decision 0013: sent again a year later, most of an examination is outside the look-back; the answer that was right on its day stands."""
    found = Exam("p1").felt("both").pulses("both").see("foot-ulcer", "present", "left").see("previous-foot-ulcer", "present", "right")
    for entry in found.entries:
        if entry["resource"]["resourceType"] == "Observation":
            entry["resource"]["effectiveDateTime"] = "2025-03-01T09:30:00+00:00"
    first = keep(client, found, as_of="2025-03-01")
    keep(client, found, as_of="2026-06-01")
    assert first == [client.get(f"/fhir/{one['resourceType']}/{one['id']}").json() for one in first]

    for entry in found.entries:
        if "Observation" == entry["resource"]["resourceType"] and "foot-ulcer" == entry["resource"]["code"]["coding"][0]["code"]:
            entry["resource"]["status"] = "entered-in-error"
    keep(client, found, as_of="2026-06-01")
    assert "amended" == client.get(f"/fhir/RiskAssessment/{of_type(first, 'RiskAssessment')[0]['id']}").json()["status"]


def test_a_character_that_databases_do_not_keep_is_refused(client: TestClient) -> None:
    """R4, data types, string: no control characters but tab and line ends; PostgreSQL has no place for U+0000. A text that only speaks of it is kept."""
    named = exam("p1")
    named.entries[0]["resource"]["identifier"][0]["value"] = "p\0"
    response = client.post(f"{STORE}?as-of=2026-04-10", content=orjson.dumps(named.bundle()), headers=BODY)

    assert ["character-invalid"] == keys(response, 400)
    assert ["character-invalid"] == keys(send(client, "POST", "Observation", observation("a\0b")), 400)
    assert 201 == send(client, "POST", "Observation", observation(r"a\u0000b")).status_code
    for query in ("identifier=a%00b", "patient=http://a.example/fhir/Patient/a%00", "code=a%00", "_id=a%00", "date=2026%00"):
        assert ["parameter-invalid"] == keys(client.get(f"/fhir/Observation?{query}"), 400)


def test_another_person_under_the_same_reference_is_refused(client: TestClient) -> None:
    """Two systems send relative references, and both have a Patient/p1: what is stored of the one is not amended or revoked by the other. A changed
    identifier comes with the former one."""
    first = keep(client, exam("p1"))
    other = exam("p1", None, day="2026-03-20")
    named = other.entries[0]["resource"]["identifier"]
    named[:] = [{"system": "urn:example:skerrow", "value": "p1-of-another"}]

    refused = client.post(f"{STORE}?as-of=2026-04-10", content=orjson.dumps(other.bundle()), headers=BODY)
    assert ["person-differs"] == keys(refused, 409)
    assert first == [client.get(f"/fhir/{one['resourceType']}/{one['id']}").json() for one in first]

    named.append({"system": "urn:example:skerrow", "value": "p1", "use": "old"})
    assert of_type(keep(client, other), "RiskAssessment")


def on(found: Exam, day: str, *codes: str) -> Exam:
    """The Observations of some codes, or all, of a day."""
    for one in observations(found, *codes):
        one["effectiveDateTime"] = f"{day}T09:30:00+00:00"
    return found


def observations(found: Exam, *codes: str) -> list[Json]:
    mine = [entry["resource"] for entry in found.entries if entry["resource"]["resourceType"] == "Observation"]
    return [one for one in mine if not codes or one["code"]["coding"][0]["code"] in codes]


def ulcer() -> Exam:
    """An ulcer; what was felt lies ten months before it."""
    found = Exam("p1").felt("both").pulses("both").see("foot-ulcer", "present", "left")
    return on(on(found, "2025-05-01"), "2026-03-01", "foot-ulcer", "dorsalis-pedis-pulse")


UNKNOWN = {"valueCodeableConcept": None, "dataAbsentReason": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "unknown"}]}}


@pytest.mark.parametrize("as_of", ["2026-03-02", "2026-06-01"])
@pytest.mark.parametrize("change", [{"valueCodeableConcept": concept_of("absent")}, UNKNOWN, {"subject": {"reference": "Patient/p2"}}])
def test_a_finding_that_was_corrected_did_not_grow_old(client: TestClient, change: Json, as_of: str) -> None:
    """Not there after all, not judged, or another patient's, under its own id: the answer no longer rests on it, and the proposal is in error, though
    other findings of the examination are outside the look-back by now."""
    found = ulcer()
    (request,) = of_type(keep(client, found, "2026-03-01"), "ServiceRequest")
    (finding,) = observations(found, "foot-ulcer")
    finding |= {"status": "corrected"} | change
    found.entries[[entry["resource"] for entry in found.entries].index(finding)]["resource"] = {name: value for name, value in finding.items() if value}
    found.add({"resourceType": "Patient", "id": "p2", "birthDate": "1950-01-01"})
    keep(client, found, as_of)

    assert "entered-in-error" == client.get(f"/fhir/ServiceRequest/{request['id']}").json()["status"]


def test_an_examination_of_which_all_was_another_patients_is_withdrawn(client: TestClient) -> None:
    """As where it was entered in error: what is left is an earlier examination."""
    found = on(ulcer(), "2025-05-01", "dorsalis-pedis-pulse")
    first = keep(client, found, "2026-03-01")
    observations(found, "foot-ulcer")[0]["subject"] = {"reference": "Patient/p2"}
    keep(client, found.add({"resourceType": "Patient", "id": "p2", "birthDate": "1950-01-01"}), "2026-03-02")
    now = [client.get(f"/fhir/{one['resourceType']}/{one['id']}").json() for one in of_type(first, "ServiceRequest") + of_type(first, "RiskAssessment")]

    assert {"entered-in-error"} == {one["status"] for one in now}


def test_what_comes_late_is_no_matter_of_age(client: TestClient) -> None:
    """A result for the day of the examination is told of, though other findings of it are outside the look-back by now."""
    found = ulcer()
    (leading,) = [one for one in of_type(keep(client, found, "2026-03-01"), "Observation") if "foot-risk-category" in one["identifier"][1]["value"]]
    keep(client, found.see("end-stage-renal-disease", "present", effectiveDateTime="2026-03-01T08:00:00+00:00"), "2026-06-01")

    assert "amended" == client.get(f"/fhir/Observation/{leading['id']}").json()["status"]


def test_a_part_of_an_examination_does_not_take_back_what_was_proposed_for_a_neuropathy(client: TestClient) -> None:
    """Signs of the spinal cord, and a blood test of that day sent alone: no factor of the foot tells of them, and whoever was sent to the emergency
    department at once still is."""
    first = keep(client, on(Exam("p1").see("sensory-level-trunk", "present"), "2026-03-01"))
    blood = Exam("p1", diabetes=None).see("egfr", 80, id="egfr-1", effectiveDateTime="2026-03-01T11:00:00+00:00")

    refused = client.post(f"{STORE}?as-of=2026-03-02", content=orjson.dumps(blood.bundle()), headers=BODY)
    assert ["examination-in-part"] == keys(refused, 409)
    assert "stat" in {one["priority"] for one in of_type(first, "ServiceRequest")}
    assert first == [client.get(f"/fhir/{one['resourceType']}/{one['id']}").json() for one in first]


def of_another(found: Exam) -> Exam:
    """The same under the same references, from another record system, about another person."""
    found.entries[0]["resource"]["identifier"] = [{"system": "urn:example:skerrow", "value": "p1-of-another"}]
    return found


def test_another_person_under_the_same_reference_takes_nothing_back(client: TestClient) -> None:
    """Findings that are entered in error in one system are not those of the other, whatever their ids; and somebody else died."""
    first = keep(client, exam("p1"))
    erroneous, dead = of_another(exam("p1")), of_another(exam("p1"))
    for one in observations(erroneous):
        one["status"] = "entered-in-error"
    dead.entries[0]["resource"]["deceasedBoolean"] = True

    for told, status, key in ((erroneous, 409, "person-differs"), (dead, 422, "patient-deceased")):
        assert [key] == keys(client.post(f"{STORE}?as-of=2026-04-10", content=orjson.dumps(told.bundle()), headers=BODY), status)
    assert first == [client.get(f"/fhir/{one['resourceType']}/{one['id']}").json() for one in first]
    assert "died" not in client.get("/fhir/$recall?as-of=2026-04-10").text


def test_a_client_does_not_make_somebody_another(client: TestClient) -> None:
    """Only our answers tell whose a reference is: what a client stored under it with another identifier does not shut the person out."""
    keep(client, exam("p1"))
    send(client, "POST", "Observation", observation("o1") | {"subject": {"reference": "Patient/p1", "identifier": {"system": "urn:example:skerrow", "value": "x"}}})

    assert keep(client, exam("p1", None, day="2026-03-20"))


def of_three() -> Exam:
    """A blood test of one person, and examinations of two others."""
    found = Exam("p1", diabetes=None).see("egfr", 80, id="egfr-1", effectiveDateTime="2026-03-01T11:00:00+00:00")
    for patient in ("p0", "p2"):
        found.entries += [{"resource": {**entry["resource"], "id": f"{entry['resource']['id']}-{patient}"}} for entry in exam(patient).entries[1:]]
        found.entries.append(exam(patient).entries[0])
    return found


def test_each_person_is_known_by_the_identifiers_of_their_own_record(client: TestClient) -> None:
    """One comes without any, beside others who have some: nothing says that it is somebody else."""
    keep(client, exam("p1"))
    found = of_three()
    del found.entries[0]["resource"]["identifier"]

    assert {"Patient/p0", "Patient/p1", "Patient/p2"} == {one["subject"]["reference"] for one in of_type(keep(client, found), "RiskAssessment")}


def test_who_is_refused_does_not_keep_others_from_being_stored(client: TestClient) -> None:
    """Of three persons in one input one is refused; sent again nothing would change, so that those after it would never be stored."""
    keep(client, exam("p1"))
    found = of_three()

    refused = client.post(f"{STORE}?as-of=2026-04-10", content=orjson.dumps(found.bundle()), headers=BODY)
    assert ["examination-in-part"] == keys(refused, 409)
    assert all(matches(client.get(f"/fhir/RiskAssessment?patient={patient}").json()) for patient in ("p0", "p2"))
