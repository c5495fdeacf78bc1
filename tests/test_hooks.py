"""The CDS Hooks 2 service: discovery, prefetch whole, partial and fetched, cards, feedback.

Rules: interop 2.16 (O1 to O7, O9), 2.1 A7; CDS Hooks 2 where a section is named. The record system is a function behind an HTTP mock
transport. All data are invented.
"""

import json
import re
from collections.abc import Callable, Iterator
from datetime import date
from typing import Any
from urllib.parse import parse_qs, unquote

import httpx
import orjson
import pytest
from starlette.testclient import TestClient

from sural.answer.cards import LONGEST_SUMMARY, OVERRIDES, cards, markdown
from sural.answer.wording import CAUTIONS, EMERGENCY
from sural.doors.assessor import answer
from sural.doors.cases import cases
from sural.doors.request import Request
from sural.doors.structure_check import model_faults
from sural.issues import Refused
from sural.web.app import create_app
from sural.web.feedback import Feedback
from sural.web.prefetch import filled, templates
from sural.web.settings import Browsers, Outgoing, Settings
from tests.builders import AS_OF, Exam, Json

PATH = "/cds-services/lower-limb-assessment"
INSTANCE = "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea"
SERVER = "https://127.0.0.1:9443/fhir"
KEYS = {
    "Patient": "patient", "Observation": "observations1", "Condition": "conditions1", "Procedure": "procedures1",
    "ServiceRequest": "serviceRequests",
}  # fmt: skip
Handler = Callable[[httpx.Request], httpx.Response]


@pytest.fixture(scope="module")
def client() -> Iterator[TestClient]:
    with TestClient(create_app(), raise_server_exceptions=False) as client:
        yield client


def searchset(resources: list[Json], **more: Any) -> Json:
    return {"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": one} for one in resources], **more}


def prefetch(exam: Exam) -> Json:
    """Every key: the data of an examination, null where it has none."""
    found: Json = dict.fromkeys(templates())
    resources = [entry["resource"] for entry in exam.entries]
    for kind, key in KINDS_AND_KEYS:
        own = [one for one in resources if one["resourceType"] == kind]
        if own:
            found[key] = own[0] if kind == "Patient" else searchset(own)
    return found


KINDS_AND_KEYS = tuple(KEYS.items())


def call(exam: Exam | Json, **more: Any) -> Json:
    """The request of a record system with the patient in view."""
    given = prefetch(exam) if isinstance(exam, Exam) else exam
    context = {"userId": "Practitioner/example", "patientId": "p1"}
    return {"hook": "patient-view", "hookInstance": INSTANCE, "context": context, "prefetch": given, **more}


def today(exam: Exam) -> Exam:
    """The same examination, made today: the service has no other day of assessment."""
    for entry in exam.entries:
        if "effectiveDateTime" in entry["resource"]:
            entry["resource"]["effectiveDateTime"] = date.today().isoformat()
    return exam


def asked(client: TestClient, exam: Exam, **more: Any) -> list[Json]:
    response = client.post(PATH, json=call(today(exam), **more))
    assert (200, "application/json") == (response.status_code, response.headers["content-type"]), response.text
    content: Json = response.json()
    assert ["cards"] == list(content)
    found: list[Json] = content["cards"]
    return found


def keys(response: httpx.Response, status: int) -> list[tuple[str, str]]:
    """Key and diagnostics of every issue of a refusal."""
    assert status == response.status_code, response.text
    assert "OperationOutcome" == response.json()["resourceType"]
    return [(one["details"]["coding"][0]["code"], one.get("diagnostics", "")) for one in response.json()["issue"]]


def with_ehr(handler: Handler, **how: Any) -> TestClient:
    """The service beside a listed record system on the private network."""
    settings = Settings(outbound=Outgoing(fhir_servers=(SERVER,), private=(SERVER,)), **how)
    return TestClient(create_app(settings=settings, transport=httpx.MockTransport(handler)), raise_server_exceptions=False)


def fhir(content: Any, status: int = 200, **headers: str) -> httpx.Response:
    return httpx.Response(status, content=orjson.dumps(content), headers={"content-type": "application/fhir+json"} | headers)


# ---------------------------------------------------------------------------------------------------------------------------------
# discovery


def test_discovery_names_the_service(client: TestClient) -> None:
    """O1, O10: hook, id, description, and what is asked for; one id under both hooks."""
    services = client.get("/cds-services").json()["services"]

    assert ["patient-view", "encounter-discharge"] == [service["hook"] for service in services]
    assert {"lower-limb-assessment"} == {service["id"] for service in services}
    assert all(service["title"] and service["description"] and service["usageRequirements"] for service in services)
    assert [templates(), templates()] == [service["prefetch"] for service in services]


@pytest.mark.parametrize("key", templates())
def test_a_template_keeps_to_the_recommended_subset(key: str) -> None:
    """O2: read by id, or search by type with token equality; only first-level context fields; short enough for an address."""
    template = templates()[key]
    path, _, query = template.partition("?")

    assert {"context.patientId"} == set(re.findall(r"\{\{(.*?)\}\}", template))
    assert re.fullmatch(r"Patient/\{\{context\.patientId\}\}" if not query else r"[A-Z][A-Za-z]+", path)
    assert {"patient", "code", "status"} >= {part.partition("=")[0] for part in query.split("&") if part}
    assert len(filled(template, "p" * 64)) < 8000


def test_every_code_that_is_read_is_asked_for() -> None:
    """The templates come from the terminology: our own codes as a whole, open codes one by one, each once."""
    asked = [
        code for key, one in templates().items() if key.startswith("observations") for code in one.split("code=")[1].split(",")
    ]

    assert {"https://sural.example/fhir/CodeSystem/finding|", "http://snomed.info/sct|371087003"} <= set(asked)
    assert len(asked) == len(set(asked))


def test_a_filled_template_is_an_address_that_means_the_same() -> None:
    """The bar of a token is encoded, the parameters stay."""
    address = filled(templates()["conditions1"], "p1")
    path, _, query = address.partition("?")

    assert ("Condition", ["p1"]) == (path, parse_qs(query)["patient"])
    assert unquote(query) == templates()["conditions1"].partition("?")[2].replace("{{context.patientId}}", "p1")


# ---------------------------------------------------------------------------------------------------------------------------------
# cards


def test_a_threat_comes_first_with_the_emergency_route(client: TestClient) -> None:
    """O4, design "Safety": limb- or life-threatening first, critical, with both referrals at once; the rest unknown."""
    first, second = asked(client, Exam().see("gangrene", "present", "left"))

    assert ("critical", "Refer at once: gangrene (left foot)") == (first["indicator"], first["summary"])
    assert first["detail"].startswith(f"**{markdown(EMERGENCY)}**")
    assert ["stat", "stat"] == [one["actions"][0]["resource"]["priority"] for one in first["suggestions"]]
    assert "warning" == second["indicator"]


def test_an_active_problem_is_a_warning_with_its_referral(client: TestClient) -> None:
    """An ulcer without a threat: urgent, not critical."""
    first, *_ = asked(client, Exam().normal().see("foot-ulcer", "present", "left", id="u"))

    assert ("warning", "Active foot problem: foot ulcer (left foot)") == (first["indicator"], first["summary"])
    assert ["urgent"] == [one["actions"][0]["resource"]["priority"] for one in first["suggestions"]]


def test_missing_examinations_are_told_and_never_a_low_risk(client: TestClient) -> None:
    """Design, idea 1: diabetes and no examination gives one card that names what is missing; the word low is not in it."""
    (only,) = asked(client, Exam())

    assert "not settled" in only["summary"] and "missing" in only["summary"]
    assert "Not examined: 10 g monofilament" in only["detail"]
    assert not re.search(r"\blow\b", only["summary"] + only["detail"])
    assert "suggestions" not in only


def test_nothing_to_say_gives_an_empty_list(client: TestClient) -> None:
    """O4: nothing of the legs and no diabetes recorded."""
    assert [] == asked(client, Exam(diabetes=None))


def test_of_the_dead_nothing_is_said(client: TestClient) -> None:
    """A record that is opened after a death is no place for advice (project choice)."""
    exam = Exam().not_felt("left")
    exam.entries[0]["resource"]["deceasedBoolean"] = True

    assert [] == asked(client, exam)


def test_what_could_not_be_used_is_told(client: TestClient) -> None:
    """Design, "Bad input": an ulcer without a side is not ruled out, and the card says that something was lost."""
    found = asked(client, Exam().see("foot-ulcer", "present"))

    assert all("could not be used" in one["detail"] for one in found)


def test_a_suggestion_creates_one_draft_proposal(client: TestClient) -> None:
    """O5, 2.21.1: a ServiceRequest, draft, proposal, for the patient in view, with nothing that only the whole answer holds."""
    (card,) = [one for one in asked(client, Exam().not_felt("left")) if one.get("suggestions")]
    (suggestion,) = card["suggestions"]
    (action,) = suggestion["actions"]
    resource = action["resource"]

    assert ("create", "any") == (action["type"], card["selectionBehavior"])
    assert ("ServiceRequest", "draft", "proposal", "Patient/p1") == (
        resource["resourceType"], resource["status"], resource["intent"], resource["subject"]["reference"],
    )  # fmt: skip
    assert "urn:uuid:" not in json.dumps(resource)
    assert "id" not in resource and "meta" not in resource
    assert [] == model_faults(resource, "ServiceRequest")
    assert list(OVERRIDES) == [one["code"] for one in card["overrideReasons"]]
    assert all(one["display"] and one["system"] for one in card["overrideReasons"])


@pytest.mark.parametrize("case", cases(), ids=lambda case: case.name)
def test_the_cards_of_every_case_keep_the_rules(case: Any) -> None:
    """O4, O5, O6 over all fixture cases: form, lengths, cautions, no nulls, no empties, no system actions, most pressing first."""
    try:
        answered = answer(case.input.read_bytes(), Request(date.fromisoformat(AS_OF)))
    except Refused as refused:
        assert refused.issues
        return
    assert answered.assessed is not None
    for patient in answered.assessed.patients:
        found = cards(patient, INSTANCE)
        _assert_no_empties(found)
        order = ["critical", "warning", "info"]
        assert [] == [one for one in found if one["indicator"] not in order]
        assert found == cards(patient, INSTANCE)
        assert len({one["uuid"] for one in found}) == len(found)
        if patient.risk.threats:
            assert "critical" == found[0]["indicator"]
        for card in found:
            assert 0 < len(card["summary"]) <= LONGEST_SUMMARY < 140
            assert card["source"]["label"]
            assert all(markdown(caution) in card["detail"] for caution in CAUTIONS)
            assert "<" not in card["detail"] and "](" not in card["detail"]
            assert {"uuid", "summary", "detail", "indicator", "source"} <= card.keys()
            assert ("suggestions" in card) == ("selectionBehavior" in card) == ("overrideReasons" in card)


def _assert_no_empties(node: Any) -> None:
    """No null, empty object, empty list or empty text (CDS Hooks 2, "JSON": as in FHIR)."""
    assert node is not None and node != "" and node != {}
    for child in node.values() if isinstance(node, dict) else node if isinstance(node, list) else ():
        assert child != []
        _assert_no_empties(child)


def test_every_proposal_of_the_plan_is_on_exactly_one_card() -> None:
    """Design: cards and the operation are two views of one plan."""
    for case in cases():
        try:
            answered = answer(case.input.read_bytes(), Request(date.fromisoformat(AS_OF)))
        except Refused:
            continue
        assert answered.assessed is not None
        for patient in answered.assessed.patients:
            shown = [one["label"] for card in cards(patient) for one in card.get("suggestions", ())]
            assert len(patient.plan.referrals) == len(shown), case.name


@pytest.mark.parametrize(
    "text",
    ["<script>x</script>", "[a](http://x.example)", "![a](b)", "*b* _c_ `d`", "# e", "a|b", "https://x.example", "www.x.example"],
)
def test_no_markup_comes_of_a_text(text: str) -> None:
    """O4, detail: what could be markup is shown as it is."""
    shown = markdown(text)

    assert "<" not in shown and not re.search(r"(?<!\\)[\[\]*_`#|!]", shown.replace("&#8203;", ""))
    assert "http:" not in shown and "https:" not in shown and "www." not in shown


def test_the_same_call_gives_the_same_bytes(client: TestClient) -> None:
    """Project choice on hookInstance: idempotent; another instance has other uuids and the same words."""
    body = call(today(Exam().not_felt("left")))
    first, again = client.post(PATH, json=body).content, client.post(PATH, json=body).content
    other = client.post(PATH, json=body | {"hookInstance": INSTANCE.replace("d", "e")}).json()["cards"]

    assert first == again
    assert [one["summary"] for one in orjson.loads(first)["cards"]] == [one["summary"] for one in other]
    assert {one["uuid"] for one in orjson.loads(first)["cards"]}.isdisjoint({one["uuid"] for one in other})


# ---------------------------------------------------------------------------------------------------------------------------------
# the request


def test_another_hook_is_refused(client: TestClient) -> None:
    """O1: only what discovery names."""
    assert "hook-unknown" == keys(client.post(PATH, json=call(Exam(), hook="order-sign")), 400)[0][0]


def test_before_discharge_the_same_is_advised(client: TestClient) -> None:
    """O10: the same cards under the second hook, whose context names the encounter."""
    exam = today(Exam().not_felt("left"))
    context = {"userId": "Practitioner/example", "patientId": "p1", "encounterId": "e1"}
    seen = client.post(PATH, json=call(exam)).json()["cards"]

    assert seen
    assert seen == client.post(PATH, json=call(exam, hook="encounter-discharge", context=context)).json()["cards"]


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"hook": None}, "hook"),
        ({"hook": "encounter-discharge"}, "context.encounterId"),
        ({"hookInstance": "1"}, "hookInstance"),
        ({"context": {"patientId": "p1"}}, "context.userId"),
        ({"context": {"userId": "Practitioner/x"}}, "context.patientId"),
        ({"context": {"userId": "Practitioner/x", "patientId": "p1/../p2"}}, "context.patientId"),
        ({"context": {"userId": "Practitioner/x", "patientId": ".."}}, "context.patientId"),
        ({"context": []}, "context.userId"),
        ({"prefetch": []}, "prefetch"),
        ({"fhirServer": 1}, "fhirServer"),
        ({"fhirAuthorization": {"access_token": "a\r\nb: c"}}, "fhirAuthorization"),
        ({"fhirAuthorization": {"access_token": "a", "token_type": "mac"}}, "fhirAuthorization"),
    ],
)
def test_a_fault_of_the_request_is_named_without_its_value(client: TestClient, change: Json, named: str) -> None:
    """CDS Hooks 2, "HTTP request": required fields; C5: no value in diagnostics."""
    assert ("hook-request-invalid", named) in keys(client.post(PATH, json=call(Exam()) | change), 400)


@pytest.mark.parametrize("body", [b"[]", b"null", b"1", b"{}"])
def test_what_is_no_request_is_refused(client: TestClient, body: bytes) -> None:
    """Every required element is named."""
    response = client.post(PATH, content=body, headers={"content-type": "application/json"})

    assert {"hook", "hookInstance", "context.userId", "context.patientId"} == {named for _, named in keys(response, 400)}


def test_limits_of_the_body_hold_here_too() -> None:
    """F6: bytes and depth; what is not JSON; another content type."""
    with TestClient(create_app(max_bytes=1000), raise_server_exceptions=False) as small:
        assert "input-too-large" == keys(small.post(PATH, json=call(Exam().normal())), 413)[0][0]
        deep = b'{"prefetch":' + b"[" * 200 + b"]" * 200 + b"}"
        assert "too-deep" == keys(small.post(PATH, content=deep, headers={"content-type": "application/json"}), 413)[0][0]
        assert "not-json" == keys(small.post(PATH, content=b"{", headers={"content-type": "application/json"}), 400)[0][0]
        assert (
            "media-type-unsupported" == keys(small.post(PATH, content=b"{}", headers={"content-type": "text/plain"}), 415)[0][0]
        )


def test_data_about_another_patient_are_refused(client: TestClient) -> None:
    """2.21.6: the Patient and every finding are of the patient in view, or nothing is said."""
    other = Exam("p2").normal()
    mixed = Exam().not_felt("left")
    mixed.entries += Exam("p2").see("gangrene", "present", "left").entries[1:]

    assert "hook-patient-mismatch" == keys(client.post(PATH, json=call(today(other))), 400)[0][0]
    assert "hook-patient-mismatch" == keys(client.post(PATH, json=call(today(mixed))), 400)[0][0]


# ---------------------------------------------------------------------------------------------------------------------------------
# prefetch (O3)


def test_null_means_that_there_are_no_data(client: TestClient) -> None:
    """O3: null for every search is an answer."""
    assert 1 == len(asked(client, Exam()))


@pytest.mark.parametrize(
    "value",
    [
        pytest.param("left out", id="left out"),
        pytest.param({"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "exception"}]}, id="failed"),
        pytest.param(searchset([], link=[{"relation": "next", "url": f"{SERVER}?page=2"}]), id="first page only"),
        pytest.param(searchset([{"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "timeout"}]}]), id="failed inside"),
        pytest.param(searchset([{"resourceType": "OperationOutcome", "issue": [{"severity": "warning", "code": "incomplete"}]}]), id="not all"),
        pytest.param(searchset([{"resourceType": "OperationOutcome", "issue": None}]), id="an outcome of nothing"),
        pytest.param(searchset([], total=3), id="fewer than announced"),
        pytest.param({"resourceType": "Condition"}, id="something else"),
        pytest.param([], id="no resource"),
    ],
)  # fmt: skip
def test_what_is_not_whole_and_cannot_be_fetched_is_412(client: TestClient, value: Any) -> None:
    """O3: missing, failed or paged, and no server named; the key is named."""
    body = call(Exam().not_felt("left"))
    if value == "left out":
        del body["prefetch"]["conditions1"]
    else:
        body["prefetch"]["conditions1"] = value

    assert [("prefetch-unobtainable", "conditions1")] == keys(client.post(PATH, json=body), 412)


def test_a_patient_that_is_null_is_412(client: TestClient) -> None:
    """Without the Patient it cannot be said whom it is about."""
    body = call(Exam())
    body["prefetch"]["patient"] = None

    assert [("prefetch-unobtainable", "patient")] == keys(client.post(PATH, json=body), 412)


def test_a_server_that_is_not_listed_is_not_asked() -> None:
    """P, SSRF: fhirServer is the caller's word; the token goes nowhere."""
    requests: list[httpx.Request] = []

    def record(request: httpx.Request) -> httpx.Response:
        requests.append(request)
        return fhir(searchset([]))

    with with_ehr(record) as client:
        for server in (
            "https://169.254.169.254/latest",
            "https://127.0.0.1:9443.evil.example/fhir",
            "http://127.0.0.1:9443/fhir",
            "file:///etc",
        ):
            body = call({}, fhirServer=server, fhirAuthorization={"access_token": "secret", "token_type": "Bearer"})
            assert ("host-not-allowed", "") in keys(client.post(PATH, json=body), 412)

    assert [] == requests


def test_missing_data_are_fetched_with_the_token_of_the_call() -> None:
    """O3, N5: only the missing keys, all pages, from the listed server."""
    exam = today(Exam().not_felt("left"))
    resources = [entry["resource"] for entry in exam.entries]
    requests: list[httpx.Request] = []

    def ehr(request: httpx.Request) -> httpx.Response:
        requests.append(request)
        if request.url.path.endswith("/Patient/p1"):
            return fhir(resources[0])
        if request.url.path.endswith("/Observation") and b"page=2" in request.url.query:
            return fhir(searchset(resources[3:]))
        if request.url.path.endswith("/Observation") and len(resources) > 3:
            page = [{"relation": "next", "url": f"{SERVER}/Observation?page=2"}]
            first = "CodeSystem/finding|" in unquote(str(request.url))
            return fhir(searchset(resources[1:3], link=page) if first else searchset([]))
        return fhir(searchset([]))

    with with_ehr(ehr) as client:
        whole = client.post(PATH, json=call(exam)).json()
        fetched = client.post(
            PATH, json=call({"encounters": None}, fhirServer=SERVER, fhirAuthorization={"access_token": "secret"})
        )

    assert whole == fetched.json()
    assert {"Bearer secret"} == {one.headers["authorization"] for one in requests}
    assert {"127.0.0.1:9443"} == {one.headers["host"] for one in requests}
    assert not any(one.url.path.endswith("/Encounter") for one in requests)


@pytest.mark.parametrize(
    "fault",
    [
        fhir({"resourceType": "OperationOutcome", "issue": []}, 500),
        fhir({}, 401),
        httpx.Response(302, headers={"location": "https://127.0.0.1:9443/other"}),
        httpx.Response(200, text="<html>", headers={"content-type": "text/html"}),
        fhir({"resourceType": "Patient"}),
        fhir(searchset([], link=[{"relation": "next", "url": "https://elsewhere.example/page"}])),
        fhir(searchset([], link=[{"relation": "next", "url": f"{SERVER}/Condition?again"}])),
        fhir(searchset([], total=2)),
        fhir(searchset([{"resourceType": "OperationOutcome", "issue": [{"severity": "warning", "code": "too-costly"}]}])),
    ],
    ids=["failed", "token refused", "redirect", "not FHIR", "not a searchset", "foreign next", "looping next", "fewer than announced", "not all"],
)
def test_a_record_system_that_fails_is_412(fault: httpx.Response) -> None:
    """O3: unobtainable is 412, whatever the reason; a redirect is not followed."""
    body = call(Exam(), fhirServer=SERVER, fhirAuthorization={"access_token": "secret"})
    del body["prefetch"]["conditions1"]
    content, status, headers = fault.content, fault.status_code, dict(fault.headers)
    headers.pop("content-length", None)

    with with_ehr(lambda _: httpx.Response(status, content=content, headers=headers)) as client:
        assert [("prefetch-unobtainable", "conditions1")] == keys(client.post(PATH, json=body), 412)


# ---------------------------------------------------------------------------------------------------------------------------------
# feedback and browsers


def told(**change: Any) -> Json:
    entry = {
        "card": INSTANCE,
        "outcome": "accepted",
        "acceptedSuggestions": [{"id": INSTANCE}],
        "outcomeTimestamp": "2026-03-02T09:30:00Z",
    }
    return {"feedback": [entry | change]}


def test_feedback_is_taken_however_often_it_is_told() -> None:
    """O7: kept once; the clinician's own words are not kept."""
    lines: list[bytes] = []
    feedback = Feedback(write=lines.append)
    reason = {"reason": {"code": "local-policy", "system": "x"}, "userComment": "words about a person"}

    assert [1, 0, 1] == [feedback.take(one) for one in (told(), told(), told(outcome="overridden", overrideReason=reason))]
    assert 2 == len(lines)
    assert b"local-policy" in lines[1] and b"words" not in b"".join(lines)


def test_feedback_over_http(client: TestClient) -> None:
    """O7: 200, twice."""
    assert [200, 200] == [client.post(f"{PATH}/feedback", json=told()).status_code for _ in range(2)]


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"card": ""}, "card"),
        ({"outcome": "ignored"}, "outcome"),
        ({"acceptedSuggestions": []}, "acceptedSuggestions"),
        ({"outcomeTimestamp": "2026-03-02T09:30:00+02:00"}, "outcomeTimestamp"),
        ({"outcomeTimestamp": "yesterday"}, "outcomeTimestamp"),
    ],
)
def test_feedback_of_the_wrong_form_is_refused(client: TestClient, change: Json, named: str) -> None:
    """O7: the timestamp is UTC; accepted names its suggestions."""
    assert [("hook-request-invalid", f"feedback[0].{named}")] == keys(client.post(f"{PATH}/feedback", json=told(**change)), 400)


def test_listed_web_pages_may_call_and_no_others() -> None:
    """A7: the preflight of a browser."""
    with with_ehr(lambda _: fhir({}), web=Browsers(("https://ehr.skerrow.example",))) as client:
        ask = {"access-control-request-method": "POST", "access-control-request-headers": "authorization,content-type"}
        listed = client.options(PATH, headers=ask | {"origin": "https://ehr.skerrow.example"})
        other = client.options(PATH, headers=ask | {"origin": "https://elsewhere.example"})

    assert (200, "https://ehr.skerrow.example") == (listed.status_code, listed.headers["access-control-allow-origin"])
    assert "access-control-allow-origin" not in other.headers
