"""The service over a store with a few answers in it, for tests."""

from typing import Any

import httpx
import orjson
from fastapi.testclient import TestClient

from tests.builders import Exam

FHIR_JSON = "application/fhir+json"
BODY = {"content-type": FHIR_JSON}
STORE = "/fhir/$assess-and-store-lower-limb"
DAYS = {"p1": "2026-03-01", "p2": "2026-03-02", "p3": "2026-04-10"}


def exam(patient: str = "p1", lost: str | None = "left", day: str | None = None, time: str = "T09:30:00+00:00") -> Exam:
    """An examination; a foot that has lost protective sensation, or none."""
    found = Exam(patient)
    found = found.normal() if lost is None else found.not_felt(lost).pulses("both").nothing_active().no_history().kidneys_well()
    if lost is not None:
        found.see("callus", "absent", "both").see("foot-deformity", "absent", "both")
    for entry in found.entries:
        if entry["resource"]["resourceType"] == "Observation":
            entry["resource"]["effectiveDateTime"] = (day or DAYS.get(patient, "2026-03-01")) + time
    return found


def keep(client: TestClient, found: Exam, as_of: str = "2026-04-10", **headers: str) -> list[dict[str, Any]]:
    """Store the answer to an examination; its resources as they are stored."""
    response = client.post(f"{STORE}?as-of={as_of}", content=orjson.dumps(found.bundle()), headers=BODY | headers)
    assert 200 == response.status_code, response.text
    return [entry["resource"] for entry in response.json()["entry"] if "fullUrl" in entry]


def of_type(resources: list[dict[str, Any]], kind: str) -> list[dict[str, Any]]:
    return [one for one in resources if one["resourceType"] == kind]


def filled(client: TestClient) -> dict[str, list[dict[str, Any]]]:
    """Three patients: one at risk, one with nothing, one at risk later."""
    return {"p1": keep(client, exam("p1")), "p2": keep(client, exam("p2", None)), "p3": keep(client, exam("p3", "right"))}


def found(client: TestClient, query: str, **headers: str) -> dict[str, Any]:
    """The Bundle of a search that has to succeed."""
    response = client.get(f"/fhir/{query}", headers={name.replace("_", "-"): text for name, text in headers.items()})
    assert 200 == response.status_code, response.text
    content: dict[str, Any] = response.json()
    return content


def matches(bundle: dict[str, Any], mode: str = "match") -> list[dict[str, Any]]:
    """The resources of a searchset in one mode."""
    return [entry["resource"] for entry in bundle.get("entry", []) if entry["search"]["mode"] == mode]


def keys(response: httpx.Response, status: int) -> list[str]:
    """The keys of a refusal."""
    assert (status, FHIR_JSON) == (response.status_code, response.headers["content-type"]), response.text
    return [issue["details"]["coding"][0]["code"] for issue in response.json()["issue"]]


def link(bundle: dict[str, Any], relation: str) -> str | None:
    """The address of a link."""
    return next((one["url"] for one in bundle["link"] if one["relation"] == relation), None)
