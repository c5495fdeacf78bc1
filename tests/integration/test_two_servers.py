"""Pull and write back against general-purpose FHIR servers that we did not write, read with a client library that we did not write.

SURAL_TEST_SERVERS names their base addresses, separated by blanks; `.ci/steps/60-two-servers` starts them. Issue 4, "must show". All people
are invented.
"""

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import httpx
import orjson
import pytest

from sural.records.fake_ehr.population import population

SERVERS = os.environ.get("SURAL_TEST_SERVERS", "").split()
SURAL = "import sys; from sural.cli.main import main; sys.exit(main(sys.argv[1:]))"
FHIR = {"content-type": "application/fhir+json"}
OURS = "https://sural.example/fhir/identifier/examination"
pytestmark = pytest.mark.skipif(not SERVERS, reason="SURAL_TEST_SERVERS names no server: see .ci/steps/60-two-servers")
Json = dict[str, Any]


def pulled(base: str, patient: str, folder: Path) -> None:
    """One pull of one patient with write-back, as a user starts it."""
    options = ["--patient", patient, "--write-back", "--search", "get", "--check", "none", "--as-of", "2026-03-02"]
    done = subprocess.run(
        [sys.executable, "-c", SURAL, "pull", "--from", base, *options, "--database", f"sqlite:///{folder / 'ledger.sqlite'}"],
        capture_output=True, check=False,
    )  # fmt: skip
    assert (0, True) == (done.returncode, b"1 assessed" in done.stderr), done.stderr.decode()


def ours(client: httpx.Client, patient: str) -> dict[str, list[tuple[str, str, str]]]:
    """(id, status, version) of what we wrote about a patient, by type."""
    found: dict[str, list[tuple[str, str, str]]] = {}
    for kind in ("Observation", "ServiceRequest"):
        entries = client.get(f"/{kind}", params={"subject": f"Patient/{patient}", "_count": "200"}).json().get("entry", ())
        for one in (entry["resource"] for entry in entries):
            if any(known.get("system") == OURS for known in one.get("identifier", ())):
                found.setdefault(kind, []).append((one["id"], one["status"], one["meta"]["versionId"]))
    return {kind: sorted(listed) for kind, listed in found.items()}


@pytest.mark.parametrize("base", SERVERS)
def test_written_once_and_amended_in_place(base: str, tmp_path: Path) -> None:
    """Load, pull, assess, write back; again: no twins; a finding amended: the same resources, amended."""
    resources = next(iter(population(1)))
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

    assert first and {"Observation"} <= set(first)
    assert first == again == without_ledger
    assert {id for id, _, _ in first["Observation"]} <= {id for id, _, _ in amended["Observation"]}
    assert "amended" in {status for _, status, _ in amended["Observation"]}
