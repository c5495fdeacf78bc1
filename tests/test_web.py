"""The HTTP door: the operation, content negotiation, errors, what is published, and the traps of the web framework.

Rules: interop 2.1 (A1, A6), 2.2 (B1 to B9), 2.3, 2.8 (H1, H2, H4); traps: FastAPI sends its own JSON for 404, 405, 422 and bad JSON,
answers 405 to HEAD, redirects trailing slashes, parses no body without a content type, and lets `/{type}/{id}` catch operations. In
process, no socket. All data are invented.
"""

import gzip
from base64 import b64decode
from collections.abc import Iterator
from datetime import date
from typing import Any

import httpx
import orjson
import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute
from starlette.testclient import TestClient

import sural
from sural import canonical
from sural.doors.cases import cases
from sural.issues import KINDS
from sural.ledger.parameters import SEARCHED
from sural.terminology.publication import folder
from sural.web.app import create_app
from sural.web.operation import ASKED_BY_QUERY
from sural.web.publications import SEARCH_PARAMETERS, SHELVES
from tests.builders import AS_OF, Exam, Json
from tests.pieces import about_p1, bundle, component, observation, patient

OPERATION = "/fhir/$assess-lower-limb"
FHIR_JSON = "application/fhir+json"
NDJSON = "application/fhir+ndjson"
JSON_BODY = {"content-type": FHIR_JSON}
NORMAL = orjson.dumps(Exam().normal().bundle())


@pytest.fixture(scope="module")
def app() -> FastAPI:
    return create_app()


@pytest.fixture(scope="module")
def client(app: FastAPI) -> Iterator[TestClient]:
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


def ask(client: TestClient, content: bytes | Json, query: str = f"as-of={AS_OF}", **headers: str) -> httpx.Response:
    """The operation asked with a JSON body."""
    body = content if isinstance(content, bytes) else orjson.dumps(content)
    sent = JSON_BODY | {name.replace("_", "-"): value for name, value in headers.items()}
    return client.post(f"{OPERATION}?{query}" if query else OPERATION, content=body, headers=sent)


def outcome(response: httpx.Response, status: int) -> list[str]:
    """The keys of a response that must be an OperationOutcome in FHIR JSON."""
    assert (status, FHIR_JSON) == (response.status_code, response.headers["content-type"])
    content = response.json()
    assert "OperationOutcome" == content["resourceType"]
    assert content["issue"]
    return [issue["details"]["coding"][0]["code"] for issue in content["issue"] if "coding" in issue["details"]]


# ---------------------------------------------------------------------------------------------------------------------------------
# the operation


def test_the_operation_answers_with_the_bytes_of_the_core(client: TestClient) -> None:
    """The door adds nothing: the same bytes as the Python call."""
    response = ask(client, NORMAL)

    assert (200, FHIR_JSON) == (response.status_code, response.headers["content-type"])
    assert sural.assess(NORMAL, as_of=date.fromisoformat(AS_OF), check=True) == response.content


def test_a_bundle_and_parameters_give_equal_bytes(client: TestClient) -> None:
    """B2: a single Resource-typed input may be posted bare. The paths of issues differ, so the examination has none."""
    parameters = {
        "resourceType": "Parameters",
        "parameter": [{"name": "exam", "resource": Exam().normal().bundle()}, {"name": "as-of", "valueDate": AS_OF}],
    }

    assert ask(client, NORMAL).content == ask(client, parameters, "").content


def test_query_and_parameters_ask_the_same(client: TestClient) -> None:
    """The parameters of the query in FHIR Parameters, byte for byte (a trace would name other paths)."""
    given: list[Json] = [
        {"name": "exam", "resource": Exam().normal().bundle()},
        {"name": "as-of", "valueDate": AS_OF},
        {"name": "scheme", "valueCode": "iwgdf-2023"},
        {"name": "lookback", "valueString": "P6M"},
        {"name": "complete", "valueCode": "history"},
        {"name": "calendar", "valueString": "GB-SCT"},
        {"name": "preliminary", "valueBoolean": True},
        {"name": "pathway", "valueString": "ng19"},
    ]
    query = f"as-of={AS_OF}&scheme=iwgdf-2023&lookback=P6M&complete=history&calendar=GB-SCT&preliminary=true&pathway=ng19"

    assert ask(client, NORMAL, query).content == ask(client, {"resourceType": "Parameters", "parameter": given}, "").content


def test_parameters_go_before_the_query(client: TestClient) -> None:
    """What the body says is nearer to the examination than the address."""
    parameters = {
        "resourceType": "Parameters",
        "parameter": [{"name": "exam", "resource": Exam().normal().bundle()}, {"name": "as-of", "valueDate": AS_OF}],
    }

    assert ask(client, NORMAL).content == ask(client, parameters, "as-of=2030-01-01").content


def test_a_single_resource_is_assessed(client: TestClient) -> None:
    """One Observation, posted bare."""
    response = ask(client, observation("callus", "present", "left"))

    assert 200 == response.status_code
    assert "Patient/p1" in response.text


@pytest.mark.parametrize(
    "text", [NORMAL, orjson.dumps(orjson.loads(NORMAL), option=orjson.OPT_INDENT_2), b"\n\n " + NORMAL + b"\n"]
)
def test_white_space_in_the_body_changes_nothing(client: TestClient, text: bytes) -> None:
    """Pretty or not."""
    assert ask(client, NORMAL).content == ask(client, text).content


def test_lines_of_resources_are_one_examination(client: TestClient) -> None:
    """NDJSON of one resource a line, as in Bulk Data, answers as the Bundle does."""
    lines = b"\n".join(orjson.dumps(one["resource"]) for one in Exam().normal().entries)
    response = ask(client, lines, content_type=NDJSON)

    (answered,) = (orjson.loads(line) for line in response.content.splitlines())
    assert _without_ids(orjson.loads(ask(client, NORMAL).content)) == _without_ids(answered)


def _without_ids(content: Json) -> list[str]:
    """The types and categories of an answer; identities depend on the input's bytes."""
    return [f"{one['resource']['resourceType']} {one['resource'].get('prediction')}" for one in content["entry"]]


def test_lines_of_bundles_are_answered_one_by_one(client: TestClient) -> None:
    """A bad line among them is an OperationOutcome with its number, and does not stop the others."""
    body = NORMAL + b"\n{bad\n" + orjson.dumps(Exam("p2").normal().bundle())
    response = ask(client, body, content_type=NDJSON)

    assert NDJSON == response.headers["content-type"]
    assert ["Bundle", "OperationOutcome", "Bundle"] == [
        orjson.loads(line)["resourceType"] for line in response.content.splitlines()
    ]
    assert "line 2" in orjson.loads(response.content.splitlines()[1])["issue"][0]["diagnostics"]


@pytest.mark.parametrize("first", [b"{bad", b"garbage", b'{"resourceType":"Bundle","type":', b"[]", b"null"])
def test_a_bad_first_line_does_not_stop_the_others(client: TestClient, first: bytes) -> None:
    """Contract: one bad line does not stop the others, wherever it stands."""
    response = ask(client, first + b"\n" + NORMAL + b"\n" + NORMAL, content_type=NDJSON)

    assert ["OperationOutcome", "Bundle", "Bundle"] == [
        orjson.loads(line)["resourceType"] for line in response.content.splitlines()
    ]


def test_one_answer_to_lines_is_still_fhir(client: TestClient) -> None:
    """H1: FHIR content has a FHIR media type."""
    assert ask(client, NORMAL, content_type=NDJSON).headers["content-type"] in (NDJSON, FHIR_JSON)


def test_ndjson_may_be_accepted(client: TestClient) -> None:
    """What is written must be acceptable."""
    assert 200 == ask(client, NORMAL + b"\n" + NORMAL, content_type=NDJSON, accept=NDJSON).status_code


def test_a_bundle_is_never_plain_json(client: TestClient) -> None:
    """Whatever output was asked for, a Bundle is FHIR."""
    response = ask(client, NORMAL, f"as-of={AS_OF}&output=report")

    assert FHIR_JSON == response.headers["content-type"] or b"Bundle" not in response.content


def test_a_summary_is_plain_json(client: TestClient) -> None:
    """It is ours and not FHIR."""
    response = ask(client, NORMAL, f"as-of={AS_OF}&output=summary")

    assert "application/json" == response.headers["content-type"]
    assert ("Patient/p1", "low") == (response.json()["subject"], response.json()["footRisk"]["nice-ng19-2019"]["category"])


def test_a_transaction_is_a_transaction(client: TestClient) -> None:
    """B6: to post back unchanged."""
    assert "transaction" == ask(client, NORMAL, f"as-of={AS_OF}&output=transaction").json()["type"]


def test_two_patients_are_answered_in_one_bundle(client: TestClient) -> None:
    """B4: one resource comes back."""
    both = Exam().normal().entries + Exam("p2").normal().entries
    for number, one in enumerate(both):
        if one["resource"]["resourceType"] != "Patient":
            one["resource"]["id"] = f"n{number}"

    response = ask(client, {"resourceType": "Bundle", "type": "collection", "entry": both})

    assert {"Patient/p1", "Patient/p2"} == {
        one["resource"]["subject"]["reference"]
        for one in response.json()["entry"]
        if one["resource"]["resourceType"] == "RiskAssessment"
    }


def test_missing_evidence_is_a_success(client: TestClient) -> None:
    """B7: 4xx only when the operation itself failed."""
    assert 200 == ask(client, patient()).status_code


def test_unusable_resources_are_a_success_with_an_outcome_inside(client: TestClient) -> None:
    """The answer says what could not be used."""
    response = ask(client, about_p1(observation("callus", "present")))

    assert 200 == response.status_code
    assert "side-missing" in response.text


def test_the_answer_has_no_ids_and_no_nulls(client: TestClient) -> None:
    """B5: what is not stored has no id; the framework would dump models with every null."""
    content = ask(client, NORMAL).content

    assert all("id" not in one["resource"] for one in orjson.loads(content)["entry"])
    assert b"null" not in content


@pytest.mark.parametrize("path", [OPERATION, "/fhir/%24assess-lower-limb"])
def test_the_dollar_may_be_encoded(client: TestClient, path: str) -> None:
    """Trap: some clients encode it."""
    assert 200 == client.post(path, params={"as-of": AS_OF}, content=NORMAL, headers=JSON_BODY).status_code


def test_the_as_of_defaults_to_today(client: TestClient) -> None:
    """The local date at the door."""
    assert date.today().isoformat() in ask(client, NORMAL, "output=summary").json()["asOf"]


# ---------------------------------------------------------------------------------------------------------------------------------
# bodies

BODIES: dict[str, tuple[bytes, int, str]] = {
    "empty": (b"", 400, "empty-input"),
    "white space": (b"  \n", 400, "empty-input"),
    "not JSON": (b"{", 400, "not-json"),
    "null": (b"null", 400, "not-fhir"),
    "a list": (b"[]", 400, "not-fhir"),
    "not FHIR": (b"{}", 400, "not-fhir"),
    "unknown resource": (b'{"resourceType":"Nonsense"}', 400, "not-fhir"),
    "a message": (orjson.dumps(Exam().bundle("message")), 422, "bundle-type-unsupported"),
    "a history": (orjson.dumps(Exam().bundle("history")), 422, "bundle-type-unsupported"),
    "no type": (b'{"resourceType":"Bundle"}', 400, "element-missing"),
    "about nobody": (orjson.dumps(bundle({"resourceType": "Practitioner", "id": "x"})), 422, "patient-missing"),
    "a resource that says nothing alone": (b'{"resourceType":"Organization","id":"x"}', 422, "resource-type-unsupported"),
    "deceased": (orjson.dumps(bundle(patient(deceasedBoolean=True), observation("callus", "present", "left"))), 422, "patient-deceased"),
    "two patients, no subject": (orjson.dumps(bundle(patient(), patient("p2"), observation("callus", "present", "left", subject=None))), 422, "subject-missing"),
    "nested too deep": (NORMAL.replace(b'"status":"final"', b'"x":' + b"[" * 500 + b"]" * 500 + b',"status":"final"', 1), 413, "too-deep"),
    "not UTF-8": (b"\xff\xfe{", 400, "not-json"),
    "compressed": (gzip.compress(NORMAL), 400, "not-json"),
}  # fmt: skip


@pytest.mark.parametrize("case", BODIES)
def test_a_body_that_cannot_be_used_is_refused(client: TestClient, case: str) -> None:
    """Bad JSON is 400 and never the framework's 422; what is FHIR and cannot be assessed is 422."""
    body, status, key = BODIES[case]

    assert [key] == outcome(ask(client, body), status)


def test_a_body_over_the_limit_is_413_and_names_it() -> None:
    """Announced or not: refused as soon as it is too long (F6)."""
    with TestClient(create_app(max_bytes=1000), raise_server_exceptions=False) as small:
        announced = ask(small, NORMAL)
        streamed = small.post(OPERATION, content=iter([NORMAL[:600], NORMAL[600:]]), headers=JSON_BODY)

    for response in (announced, streamed):
        assert ["input-too-large"] == outcome(response, 413)
        assert "limit: 1000 bytes" == response.json()["issue"][0]["diagnostics"]


def test_a_body_of_50_mb_is_413(client: TestClient) -> None:
    """The service's own limit."""
    assert ["input-too-large"] == outcome(ask(client, NORMAL + b" " * 50_000_000), 413)


def test_a_false_content_length_is_no_crash(client: TestClient) -> None:
    """A length that is no number is not believed."""
    assert client.post(
        OPERATION, params={"as-of": AS_OF}, content=NORMAL, headers=JSON_BODY | {"content-length": "many"}
    ).status_code in (200, 400)


TYPES: dict[str | None, int] = {
    None: 415, "": 415, "text/plain": 415, "text/html": 415, "application/xml": 415, "application/fhir+xml": 415, "text/json": 415,
    "application/x-www-form-urlencoded": 415, "multipart/form-data; boundary=x": 415, "application/json-patch+json": 415, "*/*": 415,
    "application/json": 200, FHIR_JSON: 200, "APPLICATION/FHIR+JSON": 200, f"{FHIR_JSON}; charset=utf-8": 200, f"{FHIR_JSON};charset=UTF-8": 200,
    f'{FHIR_JSON}; charset="utf-8"': 200, f"{FHIR_JSON}; charset=utf-16": 415, f"{FHIR_JSON}; charset=iso-8859-1": 415,
    f"{FHIR_JSON}; fhirVersion=4.0": 200, f"{FHIR_JSON}; fhirVersion=4.0.1": 200, f"{FHIR_JSON}; fhirVersion=3.0": 415, f"{FHIR_JSON}; fhirVersion=4.3": 415,
    f"{FHIR_JSON}; fhirVersion=5.0": 415, "application/json; fhirVersion=5.0": 415, NDJSON: 200, "application/x-ndjson": 200, "application/ndjson": 200,
}  # fmt: skip


@pytest.mark.parametrize("kind", TYPES)
def test_the_media_type_of_the_body(client: TestClient, kind: str | None) -> None:
    """FHIR JSON in UTF-8 of R4; anything else is 415 with an outcome (trap: without a type the framework answers 422)."""
    headers = {"content-type": kind} if kind is not None else {}
    response = client.post(OPERATION, params={"as-of": AS_OF}, content=NORMAL, headers=headers)

    if TYPES[kind] == 200:
        assert 200 == response.status_code
    else:
        assert ["media-type-unsupported"] == outcome(response, 415)


# ---------------------------------------------------------------------------------------------------------------------------------
# what is accepted

ACCEPTED: dict[str, int] = {
    "": 200, "*/*": 200, "application/*": 200, "application/json": 200, FHIR_JSON: 200, "APPLICATION/FHIR+JSON": 200, f"{FHIR_JSON};charset=utf-8": 200,
    f"{FHIR_JSON}; fhirVersion=4.0": 200, f"{FHIR_JSON}; fhirVersion=4.0.1": 200, f"{FHIR_JSON}; fhirVersion=3.0": 406, f"{FHIR_JSON}; fhirVersion=5.0": 406,
    f"{FHIR_JSON}; fhirVersion=5.0, application/json": 200, "text/html,application/xhtml+xml,*/*;q=0.8": 200, "application/fhir+xml": 406,
    "application/xml": 406, "text/html": 406, "image/png": 406, "garbage": 406, f"{FHIR_JSON};q=0": 406, f"{FHIR_JSON};q=0.0": 406,
    f"application/fhir+xml;q=1.0, {FHIR_JSON};q=0.9": 200, "text/turtle, application/fhir+xml": 406, f"text/html , {FHIR_JSON}": 200,
}  # fmt: skip


@pytest.mark.parametrize("accept", ACCEPTED)
@pytest.mark.parametrize("path", ["/fhir/metadata", OPERATION])
def test_the_accept_header(client: TestClient, accept: str, path: str) -> None:
    """H1, H2: a table of headers; 406 is an OperationOutcome, in FHIR JSON because there is nothing else."""
    response = ask(client, NORMAL, accept=accept) if path == OPERATION else client.get(path, headers={"accept": accept})

    if ACCEPTED[accept] == 200:
        assert (200, FHIR_JSON) == (response.status_code, response.headers["content-type"])
    else:
        assert ["not-acceptable"] == outcome(response, 406)


@pytest.mark.parametrize("accept", [f"{FHIR_JSON};q=0.00", f"{FHIR_JSON};q=0.000", f"{FHIR_JSON};q=0, */*;q=0.5"])
def test_a_weight_of_nought_is_a_refusal(client: TestClient, accept: str) -> None:
    """RFC 9110: up to three decimals; the most specific range decides."""
    assert 406 == client.get("/fhir/metadata", headers={"accept": accept}).status_code


@pytest.mark.parametrize(
    ("format", "status"),
    [
        ("json", 200),
        ("application/json", 200),
        ("application/fhir%2Bjson", 200),
        ("application/fhir+json", 200),
        ("xml", 406),
        ("application/fhir%2Bxml", 406),
        ("ttl", 406),
        ("html", 406),
    ],
)
@pytest.mark.parametrize("accept", ["application/fhir+xml", FHIR_JSON])
def test_the_format_parameter_goes_before_the_header(client: TestClient, format: str, status: int, accept: str) -> None:
    """`_format` overrides Accept, in both directions; a plus that was not encoded arrives as a blank."""
    assert status == client.get(f"/fhir/metadata?_format={format}", headers={"accept": accept}).status_code
    assert status == ask(client, NORMAL, f"as-of={AS_OF}&_format={format}", accept=accept).status_code


# ---------------------------------------------------------------------------------------------------------------------------------
# query parameters

QUERIES: dict[str, str] = {
    "as-of=today": "parameter-invalid", "as-of=2026-13-01": "parameter-invalid", "as-of=2026-03": "parameter-invalid", "as-of=": "parameter-invalid",
    "as-of=9999-12-31": "parameter-invalid", "lookback=12": "parameter-invalid", "lookback=": "parameter-invalid", "scheme=nice-2031": "scheme-unknown",
    "complete=everything": "parameter-invalid", "pathway=nowhere": "pathway-unknown", "pathway=../../etc/passwd": "pathway-unknown",
    "pathway=..": "pathway-unknown", "pathway=/etc/site.toml": "parameter-invalid", "pathway=a%00b": "pathway-unknown", "output=pdf": "parameter-invalid",
    "calendar=GB-XYZ": "parameter-invalid", "calendar=Atlantis": "parameter-invalid", "calendar=%00": "parameter-invalid", "trace=yes": "parameter-invalid",
    "preliminary=1": "parameter-invalid", "colour=red": "parameter-unknown", "AS-OF=2026-03-02": "parameter-unknown", "concept-map=x": "parameter-unknown",
    "exam=x": "parameter-unknown", "_pretty=true": "parameter-unknown",
}  # fmt: skip


@pytest.mark.parametrize("query", QUERIES)
def test_a_query_that_cannot_be_used_is_400(client: TestClient, query: str) -> None:
    """Unknown parameters are an error: a typing mistake must not change an assessment silently (B9)."""
    assert [QUERIES[query]] == outcome(ask(client, NORMAL, query), 400)


@pytest.mark.parametrize("query", ["as-of=today", "trace=yes", "colour=red"])
def test_a_fault_of_the_query_is_named_after_it(client: TestClient, query: str) -> None:
    """C4: `http.<parameter>`."""
    assert [f"http.{query.split('=')[0]}"] == ask(client, NORMAL, query).json()["issue"][0]["expression"]


@pytest.mark.parametrize(
    "query", ["scheme=nice-2031", "pathway=nowhere", "lookback=12", "complete=everything", "output=pdf", "calendar=GB-XYZ"]
)
def test_a_fault_of_the_query_that_is_seen_later_is_named_after_it_too(client: TestClient, query: str) -> None:
    """C4 for every parameter."""
    assert [f"http.{query.split('=')[0]}"] == ask(client, NORMAL, query).json()["issue"][0].get("expression")


def test_a_fault_of_a_header_is_named_after_it(client: TestClient) -> None:
    """C4: `http.<Header>`."""
    response = client.get("/fhir/metadata", headers={"accept": "text/html"})

    assert ["http.Accept"] == response.json()["issue"][0].get("expression")


def test_several_faults_of_the_query_come_together(client: TestClient) -> None:
    """C6."""
    assert ["parameter-invalid", "parameter-unknown"] == outcome(ask(client, NORMAL, "trace=yes&colour=red"), 400)


@pytest.mark.parametrize("query", ["lookback=P9999Y", "lookback=P99999999999Y", "as-of=0001-01-01"])
def test_no_query_ends_in_500(client: TestClient, query: str) -> None:
    """4xx or an answer."""
    assert ask(client, NORMAL, query).status_code < 500


def test_no_body_ends_in_500(client: TestClient) -> None:
    """A number of thirty digits is JSON."""
    content = about_p1(observation("callus", "present", "left", extension=[{"url": "urn:x", "valueDecimal": 424242}]))

    assert ask(client, orjson.dumps(content).replace(b"424242", b"1" * 30)).status_code < 500


@pytest.mark.parametrize("query", [f"as-of={AS_OF}&as-of=2020-01-01", "pathway=ng19&pathway=ng19&lookback=P1M&lookback=P12M"])
def test_a_parameter_given_twice_is_refused(client: TestClient, query: str) -> None:
    """Which was meant is not for us to say."""
    assert "parameter-invalid" in outcome(ask(client, NORMAL, query), 400)


def test_check_with_another_value_is_invalid(client: TestClient) -> None:
    """`check` is structure or none."""
    assert ["parameter-invalid"] == outcome(ask(client, NORMAL, "check=perhaps"), 400)


def test_the_check_may_be_turned_off(client: TestClient) -> None:
    """An unknown element is then not looked for."""
    content = about_p1(observation("callus", "present", "left", foo=1))

    assert b"element-unknown" in ask(client, content).content
    assert b"element-unknown" not in ask(client, content, f"as-of={AS_OF}&check=none").content


def test_schemes_may_be_repeated(client: TestClient) -> None:
    """Two of the three; the pathway's own is always there."""
    summary = ask(client, NORMAL, f"as-of={AS_OF}&output=summary&scheme=iwgdf-2023&scheme=nice-ng19-2019").json()

    assert {"iwgdf-2023", "nice-ng19-2019"} == summary["footRisk"].keys()


# ---------------------------------------------------------------------------------------------------------------------------------
# errors of the router


@pytest.mark.parametrize(
    "path",
    [
        "/nowhere",
        "/fhir/",
        "/fhir/Nonsense",
        "/fhir/metadata/",
        "/fhir/CodeSystem/none",
        "/health",
        "/fhir/CodeSystem/finding/_history/1",
        "/fhir/%2e%2e",
    ],
)
@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_an_address_with_nothing_under_it_is_404(client: TestClient, path: str, method: str) -> None:
    """A6: the router's own 404 too; a trailing slash is no redirect (trap)."""
    response = client.request(method, path, follow_redirects=False)

    if method == "GET":
        assert ["not-found"] == outcome(response, 404)
    assert 404 == response.status_code


@pytest.mark.parametrize("method", ["GET", "HEAD", "PUT", "DELETE", "PATCH", "OPTIONS"])
def test_another_method_on_the_operation_is_405(client: TestClient, method: str) -> None:
    """With the Allow header; `GET /fhir/$assess-lower-limb` does not fall into a read of some type (trap)."""
    response = client.request(method, OPERATION)

    assert (405, "POST") == (response.status_code, response.headers["allow"])
    if method != "HEAD":
        assert ["method-not-allowed"] == outcome(response, 405)


@pytest.mark.parametrize("path", ["/fhir/metadata", "/fhir/CodeSystem", "/fhir/CodeSystem/finding", "/health/live", "/"])
def test_what_is_read_cannot_be_posted(client: TestClient, path: str) -> None:
    """405 with what is allowed."""
    response = client.post(path, content=b"{}", headers=JSON_BODY)

    assert ["method-not-allowed"] == outcome(response, 405)
    assert {"GET", "HEAD"} == set(response.headers["allow"].split(", "))


@pytest.mark.parametrize("id", ["a" * 65, "a b", "a_b", "$validate", "finding?"])
def test_an_id_that_is_none_is_an_outcome(client: TestClient, id: str) -> None:
    """Trap: the framework's 422 in its own JSON. An id has up to 64 letters, digits, dashes and dots."""
    response = client.get(f"/fhir/CodeSystem/{id.replace('?', '%3F').replace(' ', '%20')}")

    assert response.status_code in (400, 404)
    assert outcome(response, response.status_code)


def test_our_own_failure_is_500_with_an_outcome_and_nothing_else(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """A6, C5: the text of the exception, which may hold a patient's values, stays inside."""

    def fail(*_: Any) -> Any:
        raise RuntimeError("Patient Zyxolunde, born 1957-04-11")

    monkeypatch.setattr("sural.web.operation.answer", fail)
    response = ask(client, NORMAL)

    assert ["internal-error"] == outcome(response, 500)
    assert "Zyxolunde" not in response.text
    assert "Traceback" not in response.text


@pytest.mark.parametrize("make", ["404", "405", "406", "413", "415", "400", "422"])
def test_no_error_repeats_what_was_asked(client: TestClient, make: str) -> None:
    """C5: no value of the patient's, no part of the address or the body."""
    word = "Zyxolunde"
    marked = orjson.dumps(
        bundle(
            patient(name=[{"family": word}], deceasedBoolean=True),
            observation("callus", "present", "left", note=[{"text": word}]),
        )
    )
    response = {
        "404": lambda: client.get(f"/fhir/Patient/{word}"),
        "405": lambda: client.delete(OPERATION, params={"name": word}),
        "406": lambda: client.get("/fhir/metadata", headers={"accept": f"text/{word}"}),
        "413": lambda: ask(client, marked.replace(b'"status":"final"', b'"x":' + b"[" * 300 + b"]" * 300 + b',"status":"final"')),
        "415": lambda: ask(client, marked, content_type=f"text/{word}"),
        "400": lambda: ask(client, word.encode()),
        "422": lambda: ask(client, marked),
    }[make]()

    assert outcome(response, int(make))
    assert word not in response.text


@pytest.mark.parametrize("status", [400, 404, 405, 406, 413, 415, 422, 500])
def test_the_vocabulary_has_a_key_for_each_status(status: int) -> None:
    """Severity fits the status: error or fatal."""
    kinds = [kind for kind in KINDS.values() if kind.status == status and kind.severity in ("error", "fatal")]

    assert kinds


# ---------------------------------------------------------------------------------------------------------------------------------
# metadata and what is published


def _api_routes(holder: Any) -> Iterator[APIRoute]:
    """Every route that is really served, asked of the framework. It keeps the routes of an included router in a wrapper of its own."""
    for route in holder.routes:
        if isinstance(route, APIRoute):
            yield route
        elif hasattr(route, "original_router"):
            yield from _api_routes(route.original_router)


def _routes(app: FastAPI) -> set[tuple[str, str]]:
    """(method, path) of every FHIR route."""
    return {
        (method, route.path) for route in _api_routes(app) if route.path.startswith("/fhir") for method in route.methods or ()
    }


def _promised(statement: Json) -> set[tuple[str, str]]:
    """(method, path) of everything a CapabilityStatement promises; HEAD goes with GET."""
    rest = statement["rest"][0]
    found = {("GET", "/fhir/metadata"), ("HEAD", "/fhir/metadata")}
    for resource in rest["resource"]:
        if resource["type"] == "Subscription":
            found |= _OF_SUBSCRIPTIONS
        else:
            found |= {("POST", f"/fhir/{resource['type']}/${operation['name']}") for operation in resource.get("operation", [])}
        for interaction in resource.get("interaction", []):
            at = f"/fhir/{resource['type']}"
            found |= {(method, at + rest) for method, rest in _OF_INTERACTION[interaction["code"]]}
            stored = resource["versioning"] == "versioned"
            found |= {("POST", f"{at}/_search")} if interaction["code"] == "search-type" and stored else set()
            found |= {("PUT", at)} if interaction["code"] == "update" and resource["conditionalUpdate"] else set()
    found |= {("POST", "/fhir") for interaction in rest["interaction"] if interaction["code"] == "transaction"}
    for operation in rest["operation"]:
        method = "GET" if operation["name"] == "recall" else "POST"
        found |= _OF_EXPORT if operation["name"] == "export" else {(method, f"/fhir/${operation['name']}")}
    return found


_OF_INTERACTION = {
    "read": [("GET", "/{id}"), ("HEAD", "/{id}")], "search-type": [("GET", ""), ("HEAD", "")], "create": [("POST", "")],
    "update": [("PUT", "/{id}")], "delete": [("DELETE", "/{id}")], "vread": [("GET", "/{id}/_history/{version}"), ("HEAD", "/{id}/_history/{version}")],
    "history-instance": [("GET", "/{id}/_history"), ("HEAD", "/{id}/_history")],
}  # fmt: skip
_OF_EXPORT = {
    ("GET", "/fhir/$export"), ("GET", "/fhir/$export/{job}"), ("HEAD", "/fhir/$export/{job}"), ("DELETE", "/fhir/$export/{job}"),
    ("GET", "/fhir/$export/{job}/{kind}"), ("HEAD", "/fhir/$export/{job}/{kind}"),
}  # fmt: skip
"""The kick-off, and what Bulk Data says that follows from it."""
_OF_SUBSCRIPTIONS = {
    (method, f"/fhir/Subscription{path}") for method in ("GET", "POST") for path in ("/$status", "/{id}/$status", "/{id}/$events")
}
"""The operations of the backport, of the type and of an instance as its definitions have them."""


def test_the_routes_of_the_application_are_seen(app: FastAPI) -> None:
    """The tests on metadata and the home page compare with operations, metadata, what is published and what is stored."""
    assert {
        ("POST", OPERATION),
        ("GET", "/fhir/metadata"),
        ("GET", "/fhir/CodeSystem/{id}"),
        ("HEAD", "/fhir/ValueSet"),
    } <= _routes(app)
    operations = {(method, path) for method, path in _routes(app) if "$" in path}
    assert len(operations) + 2 + 1 + 4 * len(SHELVES) + 12 * len(SEARCHED) + 8 == len(_routes(app))


def test_metadata_lists_exactly_the_routes_there_are(app: FastAPI, client: TestClient) -> None:
    """A1, in both directions: nothing promised that is not served, nothing served that is not listed."""
    assert _promised(client.get("/fhir/metadata").json()) == _routes(app)


def test_metadata_is_an_r4_capability_statement(client: TestClient) -> None:
    """Required elements of R4 4.0.1."""
    statement = client.get("/fhir/metadata").json()

    assert ("CapabilityStatement", "active", "instance", "4.0.1", [FHIR_JSON]) == tuple(
        statement[part] for part in ("resourceType", "status", "kind", "fhirVersion", "format")
    )
    assert statement["date"] and statement["implementation"]["url"].endswith("/fhir")


def test_metadata_promises_nothing_that_is_not_kept(client: TestClient) -> None:
    """A2: of what is published no history, no conditional create, no update; stored answers: test_search."""
    resources = client.get("/fhir/metadata").json()["rest"][0]["resource"]

    assert {*SHELVES, *SEARCHED, "QuestionnaireResponse", "Subscription"} == {resource["type"] for resource in resources}
    for resource in (one for one in resources if one["type"] not in SEARCHED):
        assert ("versioned" if resource["type"] == "Subscription" else "no-version") == resource["versioning"]
        assert not any(resource[flag] for flag in ("readHistory", "updateCreate", "conditionalCreate", "conditionalUpdate"))


def test_metadata_passes_the_models(client: TestClient) -> None:
    """The structural check on our own output."""
    from sural.doors.structure_check import model_faults

    assert [] == model_faults(client.get("/fhir/metadata").json(), "CapabilityStatement")


@pytest.mark.parametrize("kind", SHELVES)
def test_what_is_published_can_be_found_and_read(client: TestClient, kind: str) -> None:
    """A3, D1: every file is in the search, and its read is the same resource under its own id."""
    found = client.get(f"/fhir/{kind}").json()
    files = sorted(folder(SHELVES[kind]).glob(f"{kind}-*.json"))

    assert ("searchset", len(files)) == (found["type"], found["total"])
    assert len(files) == len(found["entry"])
    for one in found["entry"]:
        read = client.get(f"/fhir/{kind}/{one['resource']['id']}")
        assert (200, one["resource"]) == (read.status_code, read.json())
        assert one["fullUrl"].endswith(f"/fhir/{kind}/{one['resource']['id']}")
        assert "match" == one["search"]["mode"]


@pytest.mark.parametrize("parameter", SEARCH_PARAMETERS)
def test_every_search_parameter_that_is_listed_works(client: TestClient, parameter: str) -> None:
    """It narrows, it finds, and the self link states it."""
    target = client.get("/fhir/CodeSystem/finding").json()
    value = target["id" if parameter == "_id" else parameter]
    hit = client.get("/fhir/CodeSystem", params={parameter: value}).json()
    miss = client.get("/fhir/CodeSystem", params={parameter: "none-such"}).json()

    assert "finding" in [one["resource"]["id"] for one in hit["entry"]]
    assert (0, []) == (miss["total"], miss["entry"])
    assert f"{parameter}={value}" in httpx.URL(hit["link"][0]["url"]).query.decode().replace("%3A", ":").replace("%2F", "/")


def test_the_search_parameters_of_metadata_are_those_that_work(client: TestClient) -> None:
    """Each listed one is exercised above."""
    resources = client.get("/fhir/metadata").json()["rest"][0]["resource"]

    assert {(name, kind) for name, kind in SEARCH_PARAMETERS.items()} == {
        (one["name"], one["type"])
        for resource in resources
        for one in resource.get("searchParam", [])
        if resource["type"] not in SEARCHED
    }


def test_a_parameter_that_is_not_known_is_not_in_the_self_link(client: TestClient) -> None:
    """D1, D6: what was not applied is not stated."""
    found = client.get("/fhir/CodeSystem?colour=red&_id=finding").json()

    assert found["link"][0]["url"].endswith("/fhir/CodeSystem?_id=finding")


@pytest.mark.parametrize("value", ["a b", "a&_id=x"])
def test_the_self_link_is_an_address(client: TestClient, value: str) -> None:
    """Read back, it states the same parameter."""
    link = client.get("/fhir/CodeSystem", params={"name": value}).json()["link"][0]["url"]

    assert (
        f"name={httpx.QueryParams({'name': value})['name']}" == "name=" + httpx.QueryParams(link.partition("?")[2])["name"]
        and " " not in link
    )
    assert ["name"] == list(httpx.QueryParams(link.partition("?")[2]))


def test_several_values_of_a_token_are_alternatives(client: TestClient) -> None:
    """R4 search: a comma means or."""
    assert 2 == client.get("/fhir/CodeSystem", params={"_id": "finding,site"}).json()["total"]


def test_a_search_parameter_given_twice_must_hold_twice(client: TestClient) -> None:
    """R4 search: repeating means and."""
    assert 0 == client.get("/fhir/CodeSystem?_id=finding&_id=site").json()["total"]


def test_strict_handling_refuses_an_unknown_parameter(client: TestClient) -> None:
    """Prefer: handling=strict is 400."""
    assert 400 == client.get("/fhir/CodeSystem?colour=red", headers={"prefer": "handling=strict"}).status_code


OPERATION_FILE = folder("profiles") / "OperationDefinition-assess-lower-limb.json"


@pytest.mark.skipif(
    not OPERATION_FILE.exists(), reason="profiles/fhir/OperationDefinition-assess-lower-limb.json is not there yet"
)
def test_the_operation_definition_names_the_parameters_of_the_handler() -> None:
    """B1: what is published and what is taken are one list."""
    definition = orjson.loads(OPERATION_FILE.read_bytes())
    inputs = {one["name"] for one in definition["parameter"] if one["use"] == "in"}

    assert {*ASKED_BY_QUERY, "exam", "concept-map"} == inputs
    assert ["return"] == [one["name"] for one in definition["parameter"] if one["use"] == "out"]
    assert definition["affectsState"] is False


@pytest.mark.skipif(
    not OPERATION_FILE.exists(), reason="profiles/fhir/OperationDefinition-assess-lower-limb.json is not there yet"
)
def test_the_operation_definitions_of_metadata_can_be_read(client: TestClient) -> None:
    """B1: each address in rest.operation is that of a published resource."""
    ours = [one for one in client.get("/fhir/metadata").json()["rest"][0]["operation"] if one["definition"].startswith(canonical.BASE)]

    assert 4 == len(ours)
    for operation in ours:
        read = client.get("/fhir/OperationDefinition/" + operation["definition"].rpartition("/")[2]).json()

        assert (operation["definition"], operation["name"]) == (read["url"], read["code"])


# ---------------------------------------------------------------------------------------------------------------------------------
# HEAD, health, home, demo

PATHS = (
    "/",
    "/health/live",
    "/health/ready",
    "/fhir/metadata",
    "/fhir/CodeSystem",
    "/fhir/CodeSystem/finding",
    "/fhir/ValueSet",
    "/fhir/ConceptMap/sites",
)


@pytest.mark.parametrize("path", PATHS)
def test_head_is_get_without_the_body(client: TestClient, path: str) -> None:
    """H4; trap: the framework answers 405."""
    got, head = client.get(path), client.head(path)

    assert (200, 200, b"") == (got.status_code, head.status_code, head.content)
    assert got.headers["content-length"] == head.headers["content-length"]
    assert got.headers["content-type"] == head.headers["content-type"]


def test_the_service_says_that_it_is_alive_and_ready(client: TestClient) -> None:
    """Plain text, with version and rule set."""
    assert "alive\n" == client.get("/health/live").text
    assert f"ready: Sural {canonical.VERSION}, rule set {canonical.RULE_SET}\n" == client.get("/health/ready").text


def test_the_home_page_names_every_route(app: FastAPI, client: TestClient) -> None:
    """Contract: a plain page naming the routes."""
    page = client.get("/").text
    paths = [route.path for route in _api_routes(app)]

    assert paths
    assert [] == [path for path in paths if f"<code>{path}</code>" not in page]


def test_the_home_page_is_plain_html_with_the_caution(client: TestClient) -> None:
    """In UTF-8, with version and rule set."""
    page = client.get("/")

    assert "text/html; charset=utf-8" == page.headers["content-type"]
    assert "Decision support for review by a clinician" in page.text
    assert canonical.RULE_SET in page.text


def test_the_description_of_the_interface_says_fhir_json(client: TestClient) -> None:
    """Trap: the framework declares every request body as application/json."""
    described = client.get("/openapi.json").json()["paths"][OPERATION]["post"]

    assert [FHIR_JSON] == list(described["requestBody"]["content"])
    assert FHIR_JSON in described["responses"]["200"]["content"]


@pytest.fixture(scope="module")
def demo() -> Iterator[TestClient]:
    with TestClient(create_app(demo=True), raise_server_exceptions=False) as client:
        yield client


def test_the_demo_pages_are_not_there_unless_asked_for(client: TestClient) -> None:
    """`sural demo` only."""
    assert 404 == client.get("/demo").status_code


def test_the_demo_lists_its_cases(demo: TestClient) -> None:
    """Every fixture case has a link; the people are said to be invented."""
    page = demo.get("/demo")

    assert 200 == page.status_code
    assert "Invented people" in page.text
    for one in cases():
        assert f'href="/demo/{one.name}"' in page.text


@pytest.mark.parametrize("path", ["/demo/none", "/demo/none/input", "/demo/..%2f..%2fpyproject.toml/input", "/demo/%2e%2e"])
def test_a_demo_case_that_is_not_there_is_404(demo: TestClient, path: str) -> None:
    """With an outcome, and no file of the server's."""
    assert ["not-found"] == outcome(demo.get(path), 404)


@pytest.mark.skipif(not cases(), reason="there are no fixture cases yet")
def test_every_demo_case_has_its_page_and_input(demo: TestClient) -> None:
    """The page holds why the case is there and its report, escaped; the input is what is in the folder."""
    for one in cases()[:10]:
        page, given = demo.get(f"/demo/{one.name}"), demo.get(f"/demo/{one.name}/input")
        assert (200, 200) == (page.status_code, given.status_code)
        assert one.input.read_bytes() == given.content


def test_head_works_on_the_demo_pages(demo: TestClient) -> None:
    """The same trap as everywhere."""
    assert 200 == demo.head("/demo").status_code


def test_a_large_body_is_answered_as_a_small_one(client: TestClient) -> None:
    """Above a quarter of a megabyte the work goes to a thread: the answer is the same."""
    padded = orjson.dumps(Exam().normal().bundle(), option=orjson.OPT_INDENT_2) + b" " * 300_000

    assert ask(client, NORMAL).content == ask(client, padded).content


def test_five_thousand_entries_are_answered(client: TestClient) -> None:
    """F6, without the structural check."""
    exam = Exam()
    for number in range(5000):
        exam.see("heart-rate-resting", 60 + number % 30, id=f"h{number}")

    assert 200 == ask(client, exam.bundle(), f"as-of={AS_OF}&check=none").status_code


def test_a_component_fault_keeps_its_path_over_http(client: TestClient) -> None:
    """The same expression as in Python."""
    content = about_p1(
        observation("callus", component=[component({"coding": [{"system": canonical.SITE, "code": "foot"}]}, "present")])
    )

    assert b"Bundle.entry[2].resource.component[0]" in ask(client, content).content


def test_the_page_is_html_that_loads_nothing(client: TestClient) -> None:
    """`output=html` for a browser; a client that wants FHIR gets it in a Binary (FHIR R4, Binary)."""
    page = ask(client, NORMAL, f"as-of={AS_OF}&output=html", accept="text/html")
    binary = ask(client, NORMAL, f"as-of={AS_OF}&output=html", accept=FHIR_JSON).json()

    assert (200, "text/html; charset=utf-8") == (page.status_code, page.headers["content-type"])
    policy = {part.strip() for part in page.headers["content-security-policy"].split(";")}
    assert {"default-src 'none'", "style-src 'unsafe-inline'", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'none'"} == policy
    assert ("Binary", page.content) == (binary["resourceType"], b64decode(binary["data"]))


@pytest.mark.parametrize(("report", "reports"), [("none", 0), ("text", 1), ("picture", 1)])
def test_the_report_can_be_left_out(client: TestClient, report: str, reports: int) -> None:
    """A service that only wants the categories does not pay for prose."""
    answer = ask(client, NORMAL, f"as-of={AS_OF}&report={report}").json()

    assert reports == [one["resource"]["resourceType"] for one in answer["entry"]].count("DiagnosticReport")
