"""Recall from a record system: who is known by a pull, what vanishes there, and Tasks and Encounters that follow proposals (interop Q3)."""

from collections.abc import Awaitable, Callable
from datetime import date, timedelta
from typing import Any

import pytest

from sural.doors.assessor import Answered, transactions
from sural.doors.request import Request, lexicon
from sural.exam.moment import before
from sural.ledger.knowing import Knowing
from sural.ledger.recalling import entries
from sural.ledger.store import Ledger
from sural.recall.listing import KNOWN_STATES, Wanted
from sural.recall.person import Entry
from sural.records.criteria import criteria
from sural.records.fake_ehr.app import FakeEhr
from sural.records.fake_ehr.faults import Faults
from sural.records.following import Follower
from sural.records.http import Connection
from sural.records.keeper import Keeper
from sural.records.pull import Order, Pull, Tally
from sural.records.search import Searcher
from sural.records.write_back import Writer
from tests.bench import lost_feeling
from tests.builders import Exam, Json, answer, concept
from tests.ehr import AS_OF, BASE, connect, fake_ehr, run

EARLY, LATE = "2025-09-01T09:30:00Z", "2026-03-01T09:30:00Z"
ME = f"{BASE}/Patient/p1"


class Service:
    """A record system, a ledger, and pulls that keep, write back and follow, as `sural pull --store --write-back` does."""

    def __init__(self, url: str = "sqlite://") -> None:
        self.ehr: FakeEhr = fake_ehr(0)
        self.ledger = Ledger(url)
        self.remarks: list[str] = []

    def examine(self, exam: Json) -> "Service":
        for entry in exam["entry"]:
            self.ehr.store.put(entry["resource"])
        return self

    def pull(self, as_of: date = AS_OF) -> Tally:
        async def work(connection: Connection) -> Tally:
            searcher = Searcher(connection, self.remarks.append)
            writer = Writer(connection, self.ledger, searcher)

            async def write(patient: str, answered: Answered) -> None:
                for one in transactions(answered):
                    await writer.write(one, oldest=before(as_of, answered.request.lookback))

            async def vanished(patient: str) -> None:
                await writer.vanished(f"Patient/{patient}")

            keeper = Keeper(connection, self.ledger, self.remarks.append, write, vanished)
            order = Order(Request(as_of, output="summary"), since="1900-01-01T00:00:00Z")
            one = Pull(
                connection, self.ledger, criteria(lexicon()), searcher, order, keeper.answered, vanished=keeper.vanished, told=keeper.told
            )
            tally = await one.run()
            await Follower(connection, self.ledger, searcher, self.remarks.append).follow()
            return tally

        return self._using(work)

    def follow(self) -> int:
        async def work(connection: Connection) -> int:
            return await Follower(connection, self.ledger, Searcher(connection, self.remarks.append), self.remarks.append).follow()

        found: int = self._using(work)
        return found

    def _using(self, work: Callable[[Connection], Awaitable[Any]]) -> Any:
        async def whole() -> Any:
            async with connect(self.ehr, attempts=1) as connection:
                return await work(connection)

        return run(whole())

    def entry(self, days: int = 0) -> Entry:
        return self.entries(days)[ME]

    def entries(self, days: int = 0) -> dict[str, Entry]:
        return {one.subject: one for one in entries(Knowing(self.ledger), Wanted(AS_OF + timedelta(days=days), KNOWN_STATES))}

    def proposal(self) -> str:
        """The open proposal as it stands in the record system."""
        (found,) = [
            kept.resource["id"] for kept in self.ehr.store.all("ServiceRequest") if kept.resource and kept.resource["status"] == "active"
        ]
        return f"ServiceRequest/{found}"

    def put(self, kind: str, status: str, **more: Any) -> None:
        self.ehr.store.put({"resourceType": kind, "id": f"{kind.lower()}-1", "status": status, "subject": {"reference": "Patient/p1"}, **more})


def dated(exam: Exam, day: str) -> Json:
    for entry in exam.entries:
        if entry["resource"]["resourceType"] == "Observation":
            entry["resource"]["effectiveDateTime"] = day
    return exam.bundle()


@pytest.fixture
def service(url: str) -> Service:
    """With an examination that proposes a referral, pulled, kept and written back."""
    found = Service(url).examine(lost_feeling(LATE))
    found.pull()
    return found


def test_a_pull_makes_the_list(service: Service) -> None:
    """The person by the address in the record system, the proposal by when it is due."""
    entry = service.entry()

    assert ("not-due", ("referred-not-seen",)) == (entry.place, entry.states)
    assert [("foot-protection-service", "waiting", False)] == [(one.service, one.state, one.late) for one in entry.referrals]
    assert service.entry(100).referrals[0].late


def test_a_completed_task_ends_the_waiting(service: Service) -> None:
    """Q3: its focus is our proposal; accepted it is booked, completed the person was seen, and gone again they wait."""
    focus = {"reference": service.proposal()}
    states = []
    for status in ("requested", "accepted", "completed", "entered-in-error"):
        service.put("Task", status, focus=focus)
        service.follow()
        states.append([one.state for one in service.entry().referrals])

    assert [["waiting"], ["booked"], [], ["waiting"]] == states


def test_a_task_that_is_deleted_no_longer_counts(service: Service) -> None:
    """What followed before is forgotten when it is asked for again."""
    service.put("Task", "completed", focus={"reference": service.proposal()})
    service.follow()
    service.ehr.store.delete("Task", "task-1")
    service.follow()

    assert ["waiting"] == [one.state for one in service.entry().referrals]


@pytest.mark.parametrize(("status", "states"), [("planned", ["booked"]), ("finished", []), ("cancelled", ["refused"])])
def test_an_encounter_for_a_proposal_counts(service: Service, status: str, states: list[str]) -> None:
    """`basedOn`."""
    service.put("Encounter", status, basedOn=[{"reference": f"{BASE}/{service.proposal()}"}])
    service.follow()

    assert states == [one.state for one in service.entry().referrals]


def test_a_request_that_was_made_of_a_proposal_is_followed_too(service: Service) -> None:
    """Somebody ordered what was proposed; the Task is about their order."""
    service.put("ServiceRequest", "active", intent="order", basedOn=[{"reference": service.proposal()}])
    service.put("Task", "completed", focus={"reference": "ServiceRequest/servicerequest-1"})
    service.follow()

    assert () == service.entry().referrals


@pytest.mark.parametrize(("status", "states"), [("completed", []), ("revoked", ["refused"]), ("on-hold", ["waiting"])])
def test_the_status_of_the_proposal_itself_counts(service: Service, status: str, states: list[str]) -> None:
    """Changed in the record system by whom it was proposed to."""
    kind, _, id = service.proposal().partition("/")
    there = service.ehr.store.read(kind, id).resource
    assert there is not None
    service.ehr.store.put(there | {"status": status})
    service.follow()

    assert states == [one.state for one in service.entry().referrals]


def test_what_is_about_something_else_does_not_count(service: Service) -> None:
    """Also where the server ignores the parameter and answers with every Task."""
    service.put("Task", "completed", focus={"reference": "ServiceRequest/another"})
    service.ehr.faults = Faults(ignore=("focus", "based-on", "_id"))
    service.follow()

    assert ["waiting"] == [one.state for one in service.entry().referrals]


def test_a_server_without_tasks_tells_nothing(service: Service) -> None:
    """They stay referred and not seen, and it is said."""
    service.ehr.faults = Faults(gone=("Task", "Encounter"))
    service.follow()

    assert ["waiting"] == [one.state for one in service.entry().referrals]
    assert "not there: Task" in service.remarks


# what vanishes


def withdraw(service: Service, exam: Json, how: str) -> None:
    """All Observations of an examination entered in error, deleted, or another patient's after all."""
    for entry in exam["entry"]:
        resource = entry["resource"]
        if resource["resourceType"] != "Observation":
            continue
        if how == "deleted":
            service.ehr.store.delete("Observation", resource["id"])
        elif how == "entered-in-error":
            service.ehr.store.put(resource | {"status": "entered-in-error"})
        else:
            service.ehr.store.put(resource | {"subject": {"reference": "Patient/p2"}})


@pytest.mark.parametrize("how", ["deleted", "entered-in-error", "another's"])
def test_an_examination_that_vanishes_leaves_the_person_on_the_list(service: Service, how: str) -> None:
    """Nothing is left to assess: the stored answer is entered in error, the person is lost, and the reason is told."""
    withdraw(service, lost_feeling(LATE), how)
    service.ehr.store.put({"resourceType": "Patient", "id": "p2"})
    service.ehr.store.put({"resourceType": "Patient", "id": "p1"})
    service.pull()
    entry = service.entry()

    assert ("lost", ("lost",)) == (entry.place, entry.states)
    assert "examination-withdrawn" in entry.reasons
    assert "withdrawn in the ledger" in service.remarks


def test_an_earlier_examination_counts_again(url: str) -> None:
    """The later one vanished: the earlier one is the newest, and its proposal, which the later one had revoked, is open again."""
    early, late = lost_feeling(EARLY), lost_feeling(LATE)
    service = Service(url).examine(early)
    service.pull()
    service.examine(late)
    service.pull()
    before = service.entry().examined
    withdraw(service, late, "deleted")
    service.pull()
    entry = service.entry()

    assert ("2026-03-01", "2025-09-01") == (str(before), str(entry.examined))
    assert ["foot-protection-service"] == [one.service for one in entry.referrals]


def test_findings_that_are_only_too_old_withdraw_nothing(url: str) -> None:
    """Decision 0013: what has become stale is no fault of the examination; the person becomes lost by the calendar."""
    service = Service(url).examine(lost_feeling(LATE))
    service.pull()
    service.pull()
    later = service.entry(800)

    assert ("2026-03-01", "lost") == (str(later.examined), later.place)
    assert "examination-withdrawn" not in later.reasons


def test_findings_that_grow_too_old_one_by_one_take_nothing_back(url: str) -> None:
    """A history never expires, so that something is left of the examination when the rest is outside the look-back: the answer that was right on its day
    stands, with its proposal. When a finding is withdrawn it is amended."""
    exam = Exam("p1").not_felt("left").felt("right").pulses("both").see("previous-foot-ulcer", "present", "right")
    service = Service(url).examine(dated(exam, LATE))
    service.pull()
    first = service.entry()
    service.pull(AS_OF + timedelta(days=500))
    after = service.entry()
    sensation = next(kept.resource for kept in service.ehr.store.all("Observation") if kept.resource and "monofilament" in str(kept.resource))
    service.ehr.store.put(sensation | {"status": "entered-in-error"})
    service.pull(AS_OF + timedelta(days=500))

    assert ("2026-03-01", first.referrals, first.at_least) == (str(after.examined), after.referrals, after.at_least)
    assert service.entry().examined is None


@pytest.mark.parametrize("value", [{"valueCodeableConcept": answer("absent")}, {"dataAbsentReason": concept("http://terminology.hl7.org/CodeSystem/data-absent-reason", "unknown")}])
@pytest.mark.parametrize("later", [date(2026, 3, 2), date(2026, 6, 1)])
def test_a_finding_that_was_corrected_did_not_grow_old(url: str, value: Json, later: date) -> None:
    """An ulcer that was none, or that nobody judged, under its own id, in the ledger and in the record system; other findings of the examination are
    outside the look-back by then."""
    exam = Exam("p1").see("foot-ulcer", "present", "left").pulses("both")
    ulcer = exam.entries[-5]["resource"]
    service = Service(url).examine(dated(exam, LATE))
    for entry in dated(Exam("p1", diabetes=None).felt("both"), "2025-05-01T09:30:00Z")["entry"][1:]:
        service.ehr.store.put(entry["resource"] | {"id": f"early-{entry['resource']['id']}"})
    service.pull(date(2026, 3, 1))
    waiting = [one.service for one in service.entry().referrals]
    service.ehr.store.put({name: found for name, found in ulcer.items() if name != "valueCodeableConcept"} | value | {"status": "corrected"})
    service.pull(later)

    assert ["multidisciplinary-foot-service"] == waiting
    assert () == service.entry().referrals
    assert {"entered-in-error"} == {one.resource["status"] for one in service.ehr.store.all("ServiceRequest") if one.resource}


# what is said of records


@pytest.mark.parametrize(
    ("record", "place", "reason"),
    [
        ({"deceasedBoolean": True}, "ended", "died"), ({"active": False}, "not-due", "record-inactive"),
        ({"link": [{"type": "replaced-by", "other": {"reference": "Patient/p9"}}]}, "not-due", "record-replaced"),
    ],
)  # fmt: skip
def test_what_a_record_says_is_kept(service: Service, record: Json, place: str, reason: str) -> None:
    """Only a recorded death ends anything; and a correction of it brings the person back."""
    service.ehr.store.put({"resourceType": "Patient", "id": "p1", **record})
    service.pull()
    said = service.entry()
    service.ehr.store.put({"resourceType": "Patient", "id": "p1"})
    service.pull()

    assert (place, True) == (said.place, reason in said.reasons)
    assert ("not-due", False) == (service.entry().place, reason in service.entry().reasons)


def test_a_record_that_is_gone_leaves_the_person_lost(service: Service) -> None:
    """Its findings are still there; nobody can be invited by it."""
    service.ehr.store.delete("Patient", "p1")
    service.pull()
    entry = service.entry()

    assert ("lost", True) == (entry.place, "record-gone" in entry.reasons)
    assert entry.examined is not None


def test_who_has_nothing_to_assess_is_known(url: str) -> None:
    """A patient whose record changed: seen by the pull, never examined."""
    service = Service(url)
    service.ehr.store.put({"resourceType": "Patient", "id": "p7"})
    service.pull()
    entry = service.entries()[f"{BASE}/Patient/p7"]

    assert ("lost", ("never-examined",)) == (entry.place, entry.reasons)
