"""Pull and write back against general-purpose FHIR servers that we did not write, the result searched with client libraries likewise.

SURAL_TEST_SERVERS names the servers' base addresses, SURAL_TEST_CLIENTS the commands of the clients in `clients/`, each separated by
semicolons; `.ci/steps/61-two-servers` starts and sets up all of them. All people are invented.
"""

import os
import shlex
import subprocess
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Any

import httpx
import orjson
import pytest

import sural
from sural.records.fake_ehr.population import population
from tests.commands import command

SERVERS, CLIENTS = (os.environ.get(name, "").split(";") for name in ("SURAL_TEST_SERVERS", "SURAL_TEST_CLIENTS"))
FHIR = {"content-type": "application/fhir+json"}
OURS = "https://sural.example/fhir/identifier/examination"
pytestmark = pytest.mark.skipif(SERVERS == [""], reason="SURAL_TEST_SERVERS names no server: see .ci/steps/61-two-servers")
Json = dict[str, Any]


def pulled(base: str, patient: str, folder: Path, outcome: str = "1 assessed") -> None:
    """One pull of one patient with write-back, as a user starts it."""
    options = ["--patient", patient, "--write-back", "--search", "get", "--check", "none", "--as-of", "2026-03-02"]
    done = subprocess.run(
        command("pull", "--from", base, *options, "--database", f"sqlite:///{folder / 'ledger.sqlite'}"),
        capture_output=True, check=False,
    )  # fmt: skip
    assert (0, True) == (done.returncode, outcome.encode() in done.stderr), done.stderr.decode()


def ours(client: httpx.Client, patient: str) -> dict[str, list[list[str]]]:
    """[id, status, version] of what we wrote about a patient, by type; one of the servers has no RiskAssessment."""
    found: dict[str, list[list[str]]] = {}
    for kind in ("Observation", "ServiceRequest", "RiskAssessment"):
        entries = client.get(f"/{kind}", params={"subject": f"Patient/{patient}", "_count": "200"}).json().get("entry", ())
        for one in (entry["resource"] for entry in entries):
            if any(known.get("system") == OURS for known in one.get("identifier", ())):
                found.setdefault(kind, []).append([one["id"], one["status"], one["meta"]["versionId"]])
    return {kind: sorted(listed) for kind, listed in found.items()}


def by_client(command: str, base: str, patient: str, kinds: Iterable[str]) -> Json:
    """The same as a client library finds it."""
    done = subprocess.run([*shlex.split(command), base, patient, OURS, *kinds], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    found: Json = orjson.loads(done.stdout)
    return found


def with_proposals() -> list[Json]:
    """The record of the first invented patient whose answer holds proposals."""
    for resources in population(50):
        bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in resources]}
        answer = sural.assess(bundle, as_of=date(2026, 3, 2), transaction=True)
        proposals = any(entry["resource"]["resourceType"] == "ServiceRequest" for entry in answer["entry"])
        if proposals and any("felt" in str(one.get("valueCodeableConcept", "")) for one in resources):
            return resources
    raise AssertionError("nobody")


@pytest.mark.parametrize("base", SERVERS)
def test_written_once_and_amended_in_place(base: str, tmp_path: Path) -> None:
    """Load, pull, assess, write back; again, also without the ledger: no twins; a finding amended: the same resources, amended, as the client
    libraries find them; every finding deleted: entered in error."""
    resources = with_proposals()
    patient = next(one["id"] for one in resources if one["resourceType"] == "Patient")
    with httpx.Client(base_url=base, headers=FHIR, timeout=60) as client:
        for one in resources:
            client.put(f"/{one['resourceType']}/{one['id']}", content=orjson.dumps(one)).raise_for_status()
        pulled(base, patient, tmp_path)
        first = ours(client, patient)
        pulled(base, patient, tmp_path)
        again = ours(client, patient)
        (tmp_path / "lost").mkdir()
        pulled(base, patient, tmp_path / "lost")
        without_ledger = ours(client, patient)
        finding = next(one for one in resources if "felt" in str(one.get("valueCodeableConcept", "")))
        coding = finding["valueCodeableConcept"]["coding"][0]
        coding |= {"code": "felt" if coding["code"] == "not-felt" else "not-felt"}
        coding.pop("display", None)
        changed = finding | {"status": "amended"}
        client.put(f"/Observation/{finding['id']}", content=orjson.dumps(changed)).raise_for_status()
        pulled(base, patient, tmp_path)
        amended = ours(client, patient)
        searched = [by_client(command, base, patient, amended) for command in CLIENTS]
        for one in resources:
            if one["resourceType"] != "Patient":
                client.delete(f"/{one['resourceType']}/{one['id']}").raise_for_status()
        pulled(base, patient, tmp_path / "lost", "1 nothing")
        withdrawn = ours(client, patient)

    assert {"Observation", "ServiceRequest"} <= set(first)
    assert first == again == without_ledger
    assert {id for id, _, _ in first["Observation"]} <= {id for id, _, _ in amended["Observation"]}
    assert "amended" in {status for _, status, _ in amended["Observation"]}
    assert [amended, amended] == searched
    assert {"entered-in-error"} == {status for listed in withdrawn.values() for _, status, _ in listed}
