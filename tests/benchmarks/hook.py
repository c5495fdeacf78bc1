"""The CDS Hooks service over HTTP, one worker on loopback, on the largest cases: against its budget and against an empty route.

    python -m tests.benchmarks.hook [--requests N] [--cases N]

CDS Hooks 2 ("Performance") wants an answer within 500 ms. All data come along, so that no record system is waited for.
"""

import argparse
import multiprocessing
import socket
import sys
from typing import Any

import httpx
import orjson

from sural.doors.cases import cases
from sural.web.prefetch import templates
from tests.benchmarks.web import percentile, serve, wait

PATH = "/cds-services/lower-limb-assessment"
BUDGET = 500.0
KEYS = {"Patient": "patient", "Observation": "observations1", "Condition": "conditions1", "Procedure": "procedures1",
        "QuestionnaireResponse": "questionnaireResponses", "MedicationStatement": "medicationStatements",
        "MedicationRequest": "medicationRequests", "Encounter": "encounters", "ServiceRequest": "serviceRequests"}  # fmt: skip


def calls(most: int) -> list[bytes]:
    """The largest cases about one patient, each as a call of the hook."""
    found: list[bytes] = []
    for case in sorted(cases(), key=lambda case: -case.input.stat().st_size):
        content = orjson.loads(case.input.read_bytes()) if case.input.suffix == ".json" else {}
        resources = [entry.get("resource", {}) for entry in content.get("entry", ())]
        patients = [one["id"] for one in resources if one.get("resourceType") == "Patient" and "id" in one]
        if len(patients) == 1 and len(found) < most:
            found.append(orjson.dumps(call(patients[0], resources)))
    return found


def call(patient: str, resources: list[Any]) -> Any:
    prefetch: dict[str, Any] = dict.fromkeys(templates())
    for kind, key in KEYS.items():
        own = [one for one in resources if one.get("resourceType") == kind]
        if own:
            bundle = {"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": one} for one in own]}
            prefetch[key] = own[0] if kind == "Patient" else bundle
    context = {"userId": "Practitioner/example", "patientId": patient}
    return {"hook": "patient-view", "hookInstance": "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea", "context": context, "prefetch": prefetch}


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--requests", type=int, default=200)
    parser.add_argument("--cases", type=int, default=10)
    options = parser.parse_args()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = multiprocessing.get_context("spawn").Process(target=serve, args=(port,))
    server.start()
    try:
        headers = {"content-type": "application/json"}
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", headers=headers) as client:
            wait(client)
            good = [one for one in calls(options.cases * 3) if client.post(PATH, content=one).status_code == 200][: options.cases]
            empty = percentile(lambda one: client.post("/bare/empty", content=one).raise_for_status(), good, options.requests)
            hook = percentile(lambda one: client.post(PATH, content=one).raise_for_status(), good, options.requests)
    finally:
        server.terminate()
        server.join()
    print(f"{len(good)} calls of {min(map(len, good)) // 1024} to {max(map(len, good)) // 1024} KiB")
    print(f"{'ms':14}{'median':>8}{'95 %':>8}")
    for name, (median, high) in (("empty route", empty), ("hook", hook)):
        print(f"{name:14}{median:8.2f}{high:8.2f}")
    print(f"median of the hook is {hook[0] / empty[0]:.1f} times that of the empty route")
    print(f"95 % of the hook is {hook[1] / BUDGET:.3f} of the budget of {BUDGET:.0f} ms")
    return 0 if hook[1] <= BUDGET else 1


if __name__ == "__main__":
    sys.exit(main())
