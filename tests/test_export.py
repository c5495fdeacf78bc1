"""Bulk export of stored answers: HL7 FHIR Bulk Data Access, STU 2, system level. Interop M7, G1."""

from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import urlsplit

import httpx
import orjson
import pytest
from fastapi.testclient import TestClient

from sural.ledger.exporting import AT_ONCE, LIFE, Exports
from sural.ledger.parameters import TYPES
from sural.ledger.resources import Resources, Write
from sural.ledger.store import Ledger
from sural.web.app import create_app
from tests.databases import emptied
from tests.stored import exam, filled, keep, keys, of_type

ASYNC = {"prefer": "respond-async", "accept": "application/fhir+json"}


@pytest.fixture(scope="module")
def client(new_database: Callable[[], str]) -> Iterator[TestClient]:
    with TestClient(create_app(database=new_database())) as client:
        yield client


def export(client: TestClient, query: str = "") -> dict[str, Any]:
    """The manifest of an export, with what its files hold by type."""
    begun = client.get(f"/fhir/$export{query}", headers=ASYNC)
    assert 202 == begun.status_code, begun.text
    status = client.get(begun.headers["content-location"])
    assert 200 == status.status_code
    manifest: dict[str, Any] = status.json()
    manifest["held"] = {one["type"]: lines(client.get(one["url"])) for one in manifest["output"]}
    manifest["status"] = begun.headers["content-location"]
    assert [one["count"] for one in manifest["output"]] == [len(held) for held in manifest["held"].values()]
    return manifest


def lines(response: httpx.Response) -> list[dict[str, Any]]:
    assert (200, "application/fhir+ndjson") == (response.status_code, response.headers["content-type"])
    return [orjson.loads(line) for line in response.content.splitlines()]


@pytest.fixture
def kept(client: TestClient) -> list[dict[str, Any]]:
    """Everything that is stored: three patients' answers."""
    emptied(client.app.state.ledger.resources())  # type: ignore[attr-defined]
    return list({one["id"]: one for resources in filled(client).values() for one in resources}.values())


def test_everything_is_exported_once(client: TestClient, kept: list[dict[str, Any]]) -> None:
    """One file for each type that there is, with every resource as it stands."""
    manifest = export(client)

    assert {kind: of_type(kept, kind) for kind in manifest["held"]} == manifest["held"]
    assert {one["resourceType"] for one in kept} == manifest["held"].keys()
    assert [] == manifest["error"] and manifest["requiresAccessToken"] is False
    assert manifest["request"].endswith("/fhir/$export")


def test_types_are_chosen(client: TestClient, kept: list[dict[str, Any]]) -> None:
    """`_type`, with commas or repeated."""
    for query in ("?_type=RiskAssessment,ServiceRequest", "?_type=RiskAssessment&_type=ServiceRequest"):
        assert {"RiskAssessment", "ServiceRequest"} == export(client, query)["held"].keys()
    assert {} == export(client, "?_type=DetectedIssue")["held"]
    assert kept


def test_what_was_being_stored_while_an_export_began_is_in_the_next(client: TestClient, kept: list[dict[str, Any]]) -> None:
    """Its instant is from before the export began, by a clock that is behind too; the next transactionTime is not after it."""
    resources: Resources = client.app.state.ledger.resources()  # type: ignore[attr-defined]
    behind = Resources(Ledger("sqlite://"), lambda: 0.0)
    behind.database = resources.database
    first = export(client)
    (late,) = behind.write(lambda _: [Write({"resourceType": "Device", "status": "active"})])
    second = export(client, f"?_since={first['transactionTime']}")

    assert [late.id] == [one["id"] for held in second["held"].values() for one in held]
    assert kept


def test_the_next_export_goes_on_where_the_last_one_was(client: TestClient, kept: list[dict[str, Any]]) -> None:
    """`_since` takes the last transactionTime: what changed since, and nothing is lost in between."""
    first = export(client)
    changed = keep(client, exam("p1", "right"))
    second = export(client, f"?_since={first['transactionTime']}")
    amended = {one["id"] for one in changed if one["resourceType"] == "RiskAssessment"}

    assert amended == {one["id"] for one in second["held"]["RiskAssessment"]}
    assert {"amended"} == {one["status"] for one in second["held"]["RiskAssessment"]}
    assert {} == export(client, "?_since=2999-01-01T00:00:00Z")["held"]
    assert kept


def test_files_agree_whatever_is_stored_meanwhile(client: TestClient, kept: list[dict[str, Any]]) -> None:
    """A job is a point in the feed: what is amended or added after it is not in its files."""
    begun = client.get("/fhir/$export", headers=ASYNC).headers["content-location"]
    keep(client, exam("p1", "right"))
    keep(client, exam("p8"))
    manifest = client.get(begun).json()

    for one in manifest["output"]:
        assert of_type(kept, one["type"]) == lines(client.get(one["url"]))


def test_more_than_are_read_at_once(client: TestClient) -> None:
    """Parts follow each other without a gap."""
    store: Resources = emptied(client.app.state.ledger.resources())  # type: ignore[attr-defined]
    one = {"resourceType": "RiskAssessment", "status": "final", "subject": {"reference": "Patient/p1"}, "occurrenceDateTime": "2026-03-01"}
    store.write(lambda _: [Write(one, id=f"r{number}") for number in range(2 * AT_ONCE + 1)])

    assert [f"r{number}" for number in range(2 * AT_ONCE + 1)] == [one["id"] for one in export(client)["held"]["RiskAssessment"]]


def test_an_export_is_forgotten_on_request(client: TestClient, kept: list[dict[str, Any]]) -> None:
    """DELETE: 202, then 404 for status and files."""
    manifest = export(client)
    ended = client.delete(manifest["status"])

    assert (202, ["export-ended"]) == (ended.status_code, keys(ended, 202))
    for address in (manifest["status"], manifest["output"][0]["url"]):
        assert ["not-found"] == keys(client.get(address), 404)
    assert ["not-found"] == keys(client.delete(manifest["status"]), 404)
    assert kept


def test_an_export_has_to_be_asked_for_as_the_standard_wants(client: TestClient) -> None:
    """Prefer: respond-async; types that are stored; parameters that are offered, unless handling is lenient."""
    assert ["respond-async-needed"] == keys(client.get("/fhir/$export"), 400)
    assert ["type-not-stored"] == keys(client.get("/fhir/$export?_type=Patient", headers=ASYNC), 404)
    assert ["parameter-unknown"] == keys(client.get("/fhir/$export?_typeFilter=x", headers=ASYNC), 400)
    for query in ("_since=yesterday", "_since=2026-01-01", "_outputFormat=text/csv"):
        assert ["parameter-invalid"] == keys(client.get(f"/fhir/$export?{query}", headers=ASYNC), 400)
    lenient = ASYNC | {"prefer": "respond-async, handling=lenient"}
    assert 202 == client.get("/fhir/$export?_typeFilter=x&_type=Patient,Device&_outputFormat=application/fhir%2Bndjson", headers=lenient).status_code


def test_no_address_of_an_export_says_anything_of_a_patient(client: TestClient, kept: list[dict[str, Any]]) -> None:
    """D11: a random number and a type."""
    addresses = [urlsplit(one["url"]).path for one in export(client)["output"]]

    assert {"/fhir", "$export"} == {part for address in addresses for part in ("/" + address.split("/")[1], address.split("/")[2])}
    assert {address.rpartition("/")[2] for address in addresses} <= {*TYPES}
    assert kept


def test_a_job_ends_after_a_day_and_is_forgotten_by_the_next(client: TestClient) -> None:
    """What was asked stays nowhere for longer than it can be fetched."""
    exports = Exports(client.app.state.ledger.resources())  # type: ignore[attr-defined]
    old = exports.begin(TYPES, 0, "", 1_000_000.0)

    assert exports.job(old.id, 1_000_000.0 + LIFE) is not None
    assert exports.job(old.id, 1_000_001.0 + LIFE) is None
    exports.begin(TYPES, 0, "", 1_000_000.0 + LIFE)
    assert exports.job(old.id, 1_000_000.0) is not None
    exports.begin(TYPES, 0, "", 1_000_001.0 + LIFE)
    assert exports.job(old.id, 1_000_000.0) is None
