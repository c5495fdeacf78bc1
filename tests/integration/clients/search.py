"""What a Python client library that we did not write finds of our answers about a patient, as JSON: type to [id, status, version].

    python search.py BASE PATIENT SYSTEM TYPE…

Searched by subject, and each resource once more by its identifier of SYSTEM, which must find just it. Runs in an environment of its own.
"""

import json
import sys

from fhirpy import SyncFHIRClient


def main(base: str, patient: str, system: str, *kinds: str) -> None:
    client = SyncFHIRClient(base)
    found: dict[str, list[list[str]]] = {}
    for kind in kinds:
        for one in client.resources(kind).search(subject=f"Patient/{patient}").limit(100).fetch_all():
            value = next((known["value"] for known in one.get("identifier", []) if known.get("system") == system), None)
            if value is not None:
                again = client.resources(kind).search(identifier=f"{system}|{value}").get()
                found.setdefault(kind, []).append([again["id"], again["status"], again["meta"]["versionId"]])
    print(json.dumps({kind: sorted(listed) for kind, listed in found.items()}))


if __name__ == "__main__":
    main(*sys.argv[1:])
