"""A bench for writing back: a fake EHR, the examination of one invented person, and what is written into it."""

from datetime import date
from typing import Any

import orjson

import sural
from sural.ledger.answers import Answers
from sural.ledger.store import Ledger
from sural.records.write_back import Writer, Written
from tests.builders import EXAMINED, Exam, Json
from tests.ehr import AS_OF, BASE, FakeEhr, connect, fake_ehr, run

KINDS = ("RiskAssessment", "Observation", "ServiceRequest", "DiagnosticReport", "DetectedIssue", "Provenance", "Device")
PATIENT = "Patient/p1"


class Bench:
    """A fake EHR with the examination of one person, and what is written into it."""

    def __init__(self, **faults: Any) -> None:
        self.ehr: FakeEhr = fake_ehr(0, **faults)
        self.ledger = Ledger("sqlite://")
        self.exam: Json = {}

    def examine(self, exam: Json) -> "Bench":
        """Keep an examination in the EHR, Observations under their own ids."""
        self.exam = exam
        for entry in self.exam["entry"]:
            self.ehr.store.put(entry["resource"])
        return self

    def change(self, id: str, **elements: Any) -> "Bench":
        """Change one Observation of the examination, in the EHR too."""
        for entry in self.exam["entry"]:
            if entry["resource"]["id"] == id:
                entry["resource"] |= elements | {"meta": {"versionId": "2"}}
                self.ehr.store.put(entry["resource"])
        return self

    def answer(self, report: str = "none") -> Json:
        found: Json = sural.assess(self.exam, as_of=AS_OF, transaction=True, report=report)
        return found

    def write(self, answer: Json | None = None, ledger: Ledger | None = None, dry_run: bool = False, oldest: date | None = None) -> Written:
        async def work() -> Written:
            async with connect(self.ehr, attempts=1) as connection:
                return await Writer(connection, ledger or self.ledger).write(answer or self.answer(), dry_run, oldest)

        found: Written = run(work())
        return found

    def vanish(self, ledger: Ledger | None = None) -> Written:
        """What is written when a pull finds nothing left of the patient's."""

        async def work() -> Written:
            async with connect(self.ehr, attempts=1) as connection:
                return await Writer(connection, ledger or self.ledger).vanished(PATIENT)

        found: Written = run(work())
        return found

    def held(self, kind: str) -> list[Json]:
        """What the EHR holds of a type, of ours."""
        return [kept.resource for kept in self.ehr.store.search(kind, []) if kept.resource and _ours(kept.resource)]

    def count(self) -> dict[str, int]:
        return {kind: len(self.held(kind)) for kind in KINDS if self.held(kind)}

    def states(self) -> list[str]:
        return [one.state for one in Answers(self.ledger, BASE).of_subject(PATIENT)]


def _ours(resource: Json) -> bool:
    marks = [*resource.get("identifier", ()), *resource.get("meta", {}).get("tag", ())]
    return any(str(one.get("system", "")).startswith("https://sural.example/") for one in marks)


def statuses(resources: list[Json]) -> set[str]:
    return {one["status"] for one in resources}


def lost_feeling(day: str = EXAMINED) -> Json:
    """Moderate risk: nothing felt on the left, everything else normal. Each day has resources of its own."""
    text = orjson.dumps(Exam().normal().not_felt("left").bundle()).decode()
    found: Json = orjson.loads(text.replace(EXAMINED, day).replace('"id":"o', f'"id":"{day[:10]}-o'))
    return found
