"""Writing back where a record system is weaker than the standard, and where the ledger was lost. All people are invented.

FHIR R4, RESTful API (conditional create, transaction) and Search (self link); interop 2.5, E1 to E8.
"""

import asyncio
from typing import Any

import orjson
import pytest
from msgspec.structs import replace

import sural
from sural.ledger.answers import Answers
from sural.ledger.store import Ledger
from sural.records.fake_ehr.store import Refusal
from sural.records.faults import Declined, RecordsFault, Unreadable
from sural.records.write_back import Writer
from tests.bench import KINDS, PATIENT, Bench, lost_feeling, statuses
from tests.builders import Json
from tests.ehr import AS_OF, BASE, connect, run

WEAK: dict[str, Json] = {
    "identifier ignored": {"ignore": ("identifier",), "no_transaction": True},
    "identifier refused": {"no_identifier": KINDS},
    "identifier refused of one type": {"no_identifier": ("RiskAssessment",)},
    "conditions not heeded": {"weak_conditions": True, "no_transaction": True},
    "conditions not heeded in a transaction": {"weak_conditions": True},
    "a transaction that was promised is not to be had": {"broken_promise": True},
}


def versions(bench: Bench) -> list[tuple[str, str, str]]:
    return [(kind, one["id"], one["meta"]["versionId"]) for kind in KINDS for one in bench.held(kind)]


@pytest.mark.parametrize("faults", WEAK.values(), ids=WEAK)
def test_a_weak_server_holds_everything_once(faults: Json) -> None:
    """Another patient's resources stand there too. Written, written again, and again without a ledger: as on a good server."""
    good, weak = Bench().examine(lost_feeling()), Bench(**faults).examine(lost_feeling())
    other = orjson.loads(orjson.dumps(lost_feeling()).replace(b"p1", b"p2").replace(b"-o", b"-q"))
    for bench in (good, weak):
        bench.write(sural.assess(other, as_of=AS_OF, transaction=True, report="none"))
        bench.write()
    before = versions(weak)
    weak.write()
    weak.write(ledger=Ledger("sqlite://"))

    assert good.count() == weak.count()
    assert before == versions(weak)


def test_a_refusal_of_the_content_leaves_nothing_in_parts() -> None:
    """Somebody else made twins of an assessment, so that its condition finds two (412): single creates would leave half an answer."""
    bench = Bench().examine(lost_feeling())
    sent = next(entry["resource"] for entry in bench.answer()["entry"] if entry["resource"]["resourceType"] == "RiskAssessment")
    for id in ("twin-1", "twin-2"):
        bench.ehr.store.put(sent | {"id": id})

    with pytest.raises(Declined):
        bench.write()
    assert {"Device": 1, "RiskAssessment": 2} == bench.count()


@pytest.mark.parametrize("faults", [{}, {"weak_conditions": True}], ids=["good", "conditions not heeded"])
def test_first_answers_at_the_same_time_make_one_device(faults: Json) -> None:
    """E1: seen of a general-purpose server whose conditional creates do not look at what is being created."""
    bench = Bench(**faults)
    answers = [
        sural.assess(orjson.loads(orjson.dumps(lost_feeling()).replace(b"p1", f"p{number}".encode())), as_of=AS_OF, transaction=True)
        for number in range(1, 7)
    ]

    async def work() -> None:
        async with connect(bench.ehr) as connection:
            writer = Writer(connection, bench.ledger)
            await asyncio.gather(*(writer.write(answer) for answer in answers))

    run(work())
    assert 1 == bench.count()["Device"]
    assert 6 == bench.count()["Provenance"]


def test_a_device_that_is_there_is_not_said_to_be_created() -> None:
    """What is said is what is done, also of a dry run: one Device, then none."""
    bench = Bench().examine(lost_feeling())
    planned, done = bench.write(dry_run=True), bench.write()
    again = bench.write(ledger=Ledger("sqlite://"))

    assert [1, 1, 0] == [sum(step.type == "Device" for step in written.steps) for written in (planned, done, again)]


def test_of_several_devices_the_first_is_taken() -> None:
    """Twins that somebody else has left behind stop no answer, and get no third."""
    bench = Bench().examine(lost_feeling())
    bench.write()
    device = bench.held("Device")[0]
    bench.ehr.store.put(device | {"id": "twin"})
    bench.change(bench.exam["entry"][2]["resource"]["id"], status="amended")
    bench.write()

    assert 2 == bench.count()["Device"]
    assert {f"Device/{device['id']}"} == {one["performer"]["reference"] for one in bench.held("RiskAssessment")}


def test_findings_that_are_gone_altogether_withdraw_the_answer() -> None:
    """E8: the pull finds nothing to assess any more; what was said stands as entered in error, not as it was."""
    bench = Bench().examine(lost_feeling())
    bench.write()
    for entry in bench.exam["entry"]:
        if entry["resource"]["resourceType"] != "Patient":
            bench.ehr.store.delete(entry["resource"]["resourceType"], entry["resource"]["id"])
    bench.vanish()

    ours = [one for kind in KINDS for one in bench.held(kind) if kind not in ("Device", "Provenance")]
    assert {"entered-in-error"} == statuses(ours)
    assert [] == bench.states()


def test_findings_that_still_stand_withdraw_nothing() -> None:
    """They may have become too old, or are not asked for any more: the answer was right on its day."""
    bench = Bench().examine(lost_feeling())
    bench.write()
    before = versions(bench)

    assert () == bench.vanish().steps
    assert before == versions(bench)


def test_without_a_ledger_what_is_gone_is_still_withdrawn() -> None:
    """The ledger was lost: what stands is found by our identifiers, and what it rests on by its Provenance."""
    bench = Bench().examine(lost_feeling())
    bench.write()
    for entry in bench.exam["entry"]:
        if entry["resource"]["resourceType"] == "Observation":
            bench.change(entry["resource"]["id"], status="entered-in-error")
    bench.vanish(Ledger("sqlite://"))

    ours = [one for kind in KINDS for one in bench.held(kind) if kind not in ("Device", "Provenance")]
    assert {"entered-in-error"} == statuses(ours)


@pytest.mark.parametrize("faults", [{}, {"no_transaction": True}, {"gone": ("DetectedIssue",)}], ids=["transaction", "one by one", "a type less"])
def test_without_a_ledger_what_no_longer_follows_is_retracted(faults: Json) -> None:
    """The ledger was lost and the findings corrected: a kind of resource that the new answer does not have does not stay behind."""
    bench = Bench(**faults).examine(lost_feeling())
    bench.write()
    before = {one["id"] for one in bench.held("ServiceRequest")}
    for entry in bench.exam["entry"]:
        value = entry["resource"].get("valueCodeableConcept", {})
        if "not-felt" in str(value):
            coding = [value["coding"][0] | {"code": "felt"}]
            bench.change(entry["resource"]["id"], status="corrected", valueCodeableConcept={"coding": coding})
    bench.write(ledger=Ledger("sqlite://"))
    gone = [one for one in bench.held("ServiceRequest") if one["code"]["coding"][0]["code"] == "foot-protection-service"]

    assert before and {"entered-in-error"} == statuses(gone)
    assert {"amended"} == statuses(bench.held("RiskAssessment"))


def test_without_a_ledger_a_later_examination_replaces_open_proposals() -> None:
    """Decision 0013: those of the earlier examination are revoked, except what somebody has taken up."""
    bench = Bench().examine(lost_feeling("2025-09-01T09:30:00Z"))
    bench.write(sural.assess(bench.exam, as_of=AS_OF, transaction=True, report="none"))
    first, *others = bench.held("ServiceRequest")
    bench.ehr.store.put(first | {"status": "completed"})
    store: Any = Ledger("sqlite://")
    bench.examine(lost_feeling())
    bench.write(ledger=store)
    early = {one["id"]: one["status"] for one in bench.held("ServiceRequest") if one["id"] in {known["id"] for known in [first, *others]}}

    assert {first["id"]: "completed"} | {one["id"]: "revoked" for one in others} == early
    assert ["superseded", "acknowledged"] == [one.state for one in Answers(store, BASE).of_subject(PATIENT)]


def test_a_transaction_that_was_done_in_part_is_not_taken_for_done() -> None:
    """A server that does it as a batch: somebody changed one resource meanwhile (412), and its withdrawal is still to be made."""
    bench = Bench(as_batch=True).examine(lost_feeling())
    bench.write()
    for entry in bench.exam["entry"]:
        if entry["resource"]["resourceType"] == "Observation":
            bench.change(entry["resource"]["id"], status="entered-in-error")
    assessment = bench.held("RiskAssessment")[0]
    put, changed = bench.ehr.store.put, []

    def meanwhile(resource: Json) -> Any:
        if not changed:
            changed.append(put(assessment))
        return put(resource)

    bench.ehr.store.put = meanwhile  # type: ignore[method-assign]
    with pytest.raises(RecordsFault):
        bench.vanish()
    states = bench.states()
    bench.ehr.store.put = put  # type: ignore[method-assign]
    bench.vanish()

    assert ["acknowledged"] == states
    assert {"entered-in-error"} == statuses([one for kind in KINDS for one in bench.held(kind) if kind not in ("Device", "Provenance")])


@pytest.mark.parametrize("faults", [{}, {"no_transaction": True}], ids=["transaction", "one by one"])
def test_a_server_that_answers_without_a_body_is_understood(faults: Json) -> None:
    """R4, http.html#ops: the body of a create or update may be left out; Location and ETag say where it stands."""
    bench, whole = Bench(no_body=True, **faults).examine(lost_feeling()), Bench(**faults).examine(lost_feeling())
    bench.write()
    whole.write()
    again = bench.write()

    assert ["acknowledged"] == bench.states()
    assert whole.count() == bench.count()
    assert () == again.steps


def test_a_deleted_resource_that_is_answered_with_an_outcome_is_not_written_over() -> None:
    """Status 200 with an OperationOutcome: nothing is known of it, so that the answer waits."""
    bench = Bench().examine(lost_feeling())
    bench.write()
    gone = bench.held("RiskAssessment")[0]
    read = bench.ehr.store.read

    def odd(kind: str, id: str) -> Any:
        kept = read(kind, id)
        return replace(kept, resource={}, raw=b'{"resourceType":"OperationOutcome","issue":[]}') if id == gone["id"] else kept

    bench.ehr.store.read = odd  # type: ignore[method-assign]
    for entry in bench.exam["entry"]:
        if entry["resource"]["resourceType"] == "Observation":
            bench.change(entry["resource"]["id"], status="entered-in-error")
    with pytest.raises(Unreadable):
        bench.vanish()
    assert ["acknowledged"] == bench.states()


def test_findings_that_a_proxy_does_not_find_are_not_withdrawn() -> None:
    """404 for every reading, as from a proxy that has lost its server, and the search still finds them."""
    bench = Bench().examine(lost_feeling())
    bench.write()
    answer = bench.ehr._answer

    async def astray(request: Any, path: list[str]) -> Any:
        if request.method == "GET" and len(path) == 2 and path[0] == "Observation" and path[1] in ids:
            raise Refusal(404, "not-found")
        return await answer(request, path)

    ids = {entry["resource"]["id"] for entry in bench.exam["entry"]}
    bench.ehr._answer = astray  # type: ignore[method-assign]
    bench.vanish()

    assert ["acknowledged"] == bench.states()
    assert {"active"} == statuses(bench.held("ServiceRequest"))
