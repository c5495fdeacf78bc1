"""Writing back into a scripted EHR: created once, amended in place, withdrawn with what it rested on. All people are invented.

interop 2.5 (identity and idempotency: E1 to E9) and 2.6 (transactions, F5 to F8); FHIR R4, RESTful API (conditional create, version-aware
update) and status values of Observation and ServiceRequest.
"""

from datetime import date, timedelta
from typing import Any

import orjson
import pytest
from msgspec.structs import replace

import sural
from sural.ledger.answers import Answers
from sural.ledger.store import Ledger
from sural.recall.replacing import GROWN_OLD
from sural.records.fake_ehr.faults import Faults
from sural.records.faults import RecordsFault
from sural.records.outgoing import NotOurs
from tests.bench import KINDS, PATIENT, Bench, lost_feeling, statuses
from tests.builders import EXAMINED, Exam, Json, answer, concept
from tests.ehr import AS_OF, BASE, connect, run


def felt_after_all(bench: "Bench", status: str) -> None:
    """Every site that was not felt turns out to have been felt."""
    for entry in bench.exam["entry"]:
        value = entry["resource"].get("valueCodeableConcept", {})
        if "not-felt" in str(value):
            bench.change(entry["resource"]["id"], status=status, valueCodeableConcept={"coding": [value["coding"][0] | {"code": "felt"}]})


BOTH_WAYS = pytest.mark.parametrize("faults", [{}, {"no_transaction": True}], ids=["transaction", "one by one"])


@BOTH_WAYS
def test_an_answer_is_written_whole(faults: Json) -> None:
    """F5: every resource of the transaction stands in the record system, and links lead to resources there."""
    bench = Bench(**faults).examine(lost_feeling())
    written = bench.write()

    sent = [entry["resource"]["resourceType"] for entry in bench.answer()["entry"]]
    assert {kind: sent.count(kind) for kind in dict.fromkeys(sent)} == bench.count()
    assert len(sent) == written.count("create") == len(written.steps)
    assert "urn:uuid" not in orjson.dumps([bench.held(kind) for kind in KINDS]).decode()
    assert ["acknowledged"] == bench.states()


@BOTH_WAYS
def test_written_again_it_changes_nothing(faults: Json) -> None:
    """E3: replay, with the ledger and without it."""
    bench = Bench(**faults).examine(lost_feeling())
    bench.write()
    before = [(kind, one["id"], one["meta"]["versionId"]) for kind in KINDS for one in bench.held(kind)]
    again = bench.write()
    bench.write(ledger=Ledger("sqlite://"))

    assert () == again.steps
    assert before == [(kind, one["id"], one["meta"]["versionId"]) for kind in KINDS for one in bench.held(kind)]


@pytest.mark.parametrize("faults", [{"lose_reply_every": 1}, {"no_transaction": True, "fail_every": 7}], ids=["reply lost", "cut off"])
def test_a_reply_that_is_lost_leads_to_no_twins(faults: Json) -> None:
    """A kill or a broken line between send and acknowledgement: the next time goes on, and everything stands once."""
    bench = Bench(**faults).examine(lost_feeling())
    for _ in range(30):
        try:
            bench.write()
            break
        except RecordsFault:
            assert ["sent"] == bench.states()
            bench.ehr.faults = type(bench.ehr.faults)(no_transaction=faults.get("no_transaction", False))
    whole = Bench().examine(lost_feeling())
    whole.write()

    assert ["acknowledged"] == bench.states()
    assert whole.count() == bench.count()


@BOTH_WAYS
def test_an_amended_finding_amends_the_answer_in_place(faults: Json) -> None:
    """E5: the corrected answer stands under the ids of the first, with status amended; nobody's link breaks."""
    bench = Bench(**faults).examine(lost_feeling())
    bench.write()
    before = {one["id"]: one for one in bench.held("RiskAssessment")}
    felt_after_all(bench, "amended")
    written = bench.write()
    after = {one["id"]: one for one in bench.held("RiskAssessment")}

    assert before.keys() == after.keys()
    assert {"amended"} == statuses(list(after.values()))
    assert written.count("amend") >= len(after)
    assert ["acknowledged"] == bench.states()


@BOTH_WAYS
def test_what_no_longer_follows_is_entered_in_error(faults: Json) -> None:
    """The proposal to the foot protection service rested on a finding that was wrong."""
    bench = Bench(**faults).examine(lost_feeling())
    bench.write()
    assert {"active"} == statuses(bench.held("ServiceRequest"))
    felt_after_all(bench, "corrected")
    bench.write()

    gone = [one for one in bench.held("ServiceRequest") if one["code"]["coding"][0]["code"] == "foot-protection-service"]
    assert {"entered-in-error"} == statuses(gone)


def test_a_proposal_that_was_taken_up_is_left_alone() -> None:
    """Somebody has acted on it: it is theirs now, and that is said."""
    bench = Bench().examine(lost_feeling())
    bench.write()
    for request in bench.held("ServiceRequest"):
        bench.ehr.store.put(request | {"status": "completed"})
    felt_after_all(bench, "amended")
    written = bench.write()

    assert {"completed"} == statuses(bench.held("ServiceRequest"))
    assert written.left and all("changed by somebody else" in text for text in written.left)


def test_withdrawn_findings_withdraw_the_answer() -> None:
    """Every finding was entered in error: so was the answer. A later finding of another day would get an answer of its own."""
    bench = Bench().examine(lost_feeling())
    bench.write()
    for entry in bench.exam["entry"]:
        if entry["resource"]["resourceType"] == "Observation":
            bench.change(entry["resource"]["id"], status="entered-in-error")
    bench.write()

    ours = [one for kind in KINDS for one in bench.held(kind) if kind not in ("Device", "Provenance")]
    assert {"entered-in-error"} == statuses(ours)
    assert [] == bench.states()


def test_a_later_examination_gets_an_answer_of_its_own() -> None:
    """The earlier assessment stays as it was on its day; its open proposals are replaced by those of the later one."""
    bench = Bench().examine(lost_feeling("2025-09-01T09:30:00Z"))
    bench.write(sural.assess(bench.exam, as_of=AS_OF, transaction=True, report="none"))
    early = {one["id"] for one in bench.held("ServiceRequest")}
    bench.examine(lost_feeling())
    bench.write()

    assert 2 == len({one["occurrenceDateTime"] for one in bench.held("RiskAssessment")})
    assert {"final"} == statuses(bench.held("RiskAssessment"))
    assert {"revoked"} == statuses([one for one in bench.held("ServiceRequest") if one["id"] in early])
    assert {"active"} == statuses([one for one in bench.held("ServiceRequest") if one["id"] not in early])
    assert ["superseded", "acknowledged"] == bench.states()


def test_a_later_answer_that_knows_less_leaves_proposals_open() -> None:
    """Of the feet nothing is left inside the look-back: nobody has been seen for the earlier proposal, and it still waits. When they are
    examined again it is revoked."""
    bench = Bench().examine(lost_feeling("2025-09-01T09:30:00Z"))
    bench.write(sural.assess(bench.exam, as_of=AS_OF, transaction=True, report="none"))
    early = {one["id"] for one in bench.held("ServiceRequest")}
    blood = Exam(diabetes=None).see("egfr", 80, effectiveDateTime="2026-01-10T09:30:00Z")
    bench.write(sural.assess(blood.bundle(), as_of=AS_OF, transaction=True, report="none"))
    assert {"active"} == statuses([one for one in bench.held("ServiceRequest") if one["id"] in early])

    bench.examine(lost_feeling())
    bench.write()
    assert {"revoked"} == statuses([one for one in bench.held("ServiceRequest") if one["id"] in early])


def test_findings_that_grew_too_old_take_nothing_back() -> None:
    """Of an examination only a history is left inside the look-back: what was written about it stays as it was on its day."""
    exam = Exam().not_felt("left").felt("right").pulses("both").see("previous-foot-ulcer", "present", "right")
    bench = Bench().examine(exam.bundle())
    bench.write(sural.assess(bench.exam, as_of=AS_OF, transaction=True, report="none"))
    before = [bench.held(kind) for kind in KINDS]
    written = bench.write(sural.assess(bench.exam, as_of=AS_OF + timedelta(days=500), transaction=True, report="none"))

    assert ("findings that grew too old take nothing back",) == written.left
    assert before == [bench.held(kind) for kind in KINDS]
    assert ["acknowledged"] == bench.states()


def dated(exam: Exam, day: str) -> Json:
    """A Bundle whose Observations are of a day, under ids of their own."""
    for entry in exam.entries:
        if entry["resource"]["resourceType"] == "Observation":
            entry["resource"] |= {"effectiveDateTime": f"{day}T09:30:00Z", "id": f"{day}-{entry['resource']['id']}"}
    return exam.bundle()


def as_of(bench: Bench, day: date) -> Json:
    found: Json = sural.assess(bench.exam, as_of=day, transaction=True, report="none")
    return found


ULCER = date(2026, 3, 1)


def with_an_old_part() -> tuple[Bench, str]:
    """An ulcer, written about on its day, with what was felt ten months before; and the id of the finding."""
    ulcer = dated(Exam(diabetes=None).see("foot-ulcer", "present", "left").pulses("both"), ULCER.isoformat())["entry"][1:]
    bench = Bench().examine({**(felt := dated(Exam().felt("both"), "2025-05-01")), "entry": [*felt["entry"], *ulcer]})
    bench.write(as_of(bench, ULCER))
    return bench, str(ulcer[0]["resource"]["id"])


@pytest.mark.parametrize("later", [ULCER, date(2026, 6, 1)])
@pytest.mark.parametrize(
    "change", [{"valueCodeableConcept": answer("absent")}, {"valueCodeableConcept": {}, "dataAbsentReason": concept("http://terminology.hl7.org/CodeSystem/data-absent-reason", "unknown")}]
)  # fmt: skip
def test_a_finding_that_was_corrected_did_not_grow_old(change: Json, later: date) -> None:
    """Not there after all, or not judged, under its own id: the proposal is in error, though what was felt is outside the look-back by now."""
    bench, finding = with_an_old_part()
    bench.change(finding, status="corrected", **change)
    bench.write(as_of(bench, later), oldest=later - timedelta(days=365))

    assert {"entered-in-error"} == statuses(bench.held("ServiceRequest"))


@pytest.mark.parametrize("lost", [False, True])
def test_what_was_proposed_for_a_neuropathy_does_not_end_by_age(lost: bool) -> None:
    """Signs of the spinal cord, of which no factor of the foot tells; also where the ledger was lost meanwhile."""
    signs = dated(Exam(diabetes=None).see("sensory-level-trunk", "present").see("egfr", 80), "2025-02-01")
    signs["entry"][-1]["resource"]["effectiveDateTime"] = "2025-03-01T11:00:00Z"
    bench = Bench().examine(signs)
    bench.write(as_of(bench, date(2025, 3, 1)))
    before = bench.held("ServiceRequest")
    later = date(2026, 2, 15)
    written = bench.write(as_of(bench, later), Ledger("sqlite://") if lost else None, oldest=later - timedelta(days=365))

    assert ((GROWN_OLD,), before) == (written.left, bench.held("ServiceRequest"))
    assert "stat" in {one["priority"] for one in before}


def test_an_older_examination_with_a_later_blood_test_leaves_proposals_open() -> None:
    """What was found before an ulcer was seen does not say that it has healed."""
    bench = Bench().examine(dated(Exam().felt("both").pulses("both").see("foot-ulcer", "present", "left").no_history(), "2026-01-01"))
    bench.write(as_of(bench, date(2026, 1, 1)))
    healthy = dated(Exam().normal().see("egfr", 80), "2025-12-01")
    healthy["entry"][-1]["resource"]["effectiveDateTime"] = "2026-02-01T09:30:00Z"
    bench.write(as_of(bench.examine(healthy), AS_OF))

    assert {"active"} == statuses(bench.held("ServiceRequest"))


@pytest.mark.parametrize("by_somebody", [False, True])
def test_a_proposal_is_open_again_when_the_later_examination_is_withdrawn(by_somebody: bool) -> None:
    """It was revoked because the feet were found well since, which was an error: nobody was seen for it. What somebody else has revoked stays so."""
    bench = Bench().examine(lost_feeling("2025-11-01T09:30:00Z"))
    bench.write()
    early, well = bench.exam["entry"], dated(Exam().normal(), "2026-02-01")["entry"][1:]
    bench.examine({"resourceType": "Bundle", "type": "collection", "entry": [*early, *well]})
    bench.write()
    assert {"revoked"} == statuses(bench.held("ServiceRequest"))

    if by_somebody:
        bench.ehr.store.put(bench.held("ServiceRequest")[0] | {"note": [{"text": "not needed"}]})
    for entry in well:
        bench.change(entry["resource"]["id"], status="entered-in-error")
    bench.write()
    assert {"revoked" if by_somebody else "active"} == statuses(bench.held("ServiceRequest"))
    assert () == bench.write().steps


def test_a_dry_run_writes_nothing_and_says_what_it_would() -> None:
    """The steps in words hold a method, a type and a kind; nothing of the patient."""
    bench = Bench().examine(lost_feeling())
    written = bench.write(dry_run=True)

    assert {} == bench.count()
    assert [] == bench.states()
    assert "create: POST RiskAssessment, nice-ng19-2019" in [step.said for step in written.steps]
    assert all("p1" not in step.said for step in written.steps)


def test_an_old_transaction_that_comes_late_changes_nothing() -> None:
    """The first answer, sent again by somebody else after it was amended, finds its resources by their old identifiers."""
    bench = Bench().examine(lost_feeling())
    first = bench.answer()
    bench.write(first)
    bench.change(bench.exam["entry"][2]["resource"]["id"], status="amended")
    bench.write()
    counted = bench.count()

    async def post() -> None:
        async with connect(bench.ehr) as connection:
            await connection.request("POST", "", content=orjson.dumps(first))

    run(post())
    after = bench.count()
    assert counted | {"Provenance": after["Provenance"]} == after


def test_a_type_that_the_server_does_not_have_is_left_out_and_said() -> None:
    """A1 seen from the client: seen of a general-purpose server without RiskAssessment. The rest is written, with logical links."""
    bench = Bench(gone=("RiskAssessment", "DetectedIssue")).examine(lost_feeling())
    written = bench.write()
    request = bench.held("ServiceRequest")[0]

    assert "RiskAssessment: not taken by this server" in written.left
    assert {"Device", "Observation", "ServiceRequest", "Provenance"} == set(bench.count())
    assert [{"type", "identifier"}] == [set(one) for one in request["supportingInfo"]]
    assert "urn:uuid" not in orjson.dumps([bench.held(kind) for kind in KINDS]).decode()


@pytest.mark.parametrize("elsewhere", ["https://laboratory.skerrow.example/fhir/", ""], ids=["elsewhere", "versioned"])
def test_an_input_that_lies_elsewhere_is_not_taken_for_withdrawn(elsewhere: str) -> None:
    """E8: only what can be seen to be withdrawn withdraws an answer; an id of another system means nothing here."""
    bench = Bench().examine(lost_feeling())
    bench.write()
    noted = Answers(bench.ledger, BASE).of_subject(PATIENT)[0]
    named = frozenset(f"{elsewhere}{one}" if elsewhere else f"{one}/_history/1" for one in noted.inputs if one.startswith("Observation"))
    store = Ledger("sqlite://")
    Answers(store, BASE).note(replace(noted, inputs=named))
    early = sural.assess(lost_feeling("2025-09-01T09:30:00Z"), as_of=AS_OF, transaction=True, report="none")
    bench.write(early, ledger=store)

    assert {"final"} == statuses(bench.held("RiskAssessment"))


@pytest.mark.parametrize("content", [{}, {"resourceType": "Bundle", "type": "collection"}, b"no", {"resourceType": "Bundle", "type": "transaction", "entry": []}])
def test_what_is_no_answer_of_ours_is_refused(content: Any) -> None:
    """Nothing else is ever posted into a record system."""
    with pytest.raises(NotOurs):
        Bench().write(content or {"resourceType": "Patient"})


def test_findings_that_come_in_one_by_one_are_one_examination() -> None:
    """A visit is pulled in the middle: what comes in minutes later amends the answer, and does not make another."""
    bench = Bench().examine(lost_feeling())
    bench.write()
    later = orjson.loads(orjson.dumps(bench.exam).replace(EXAMINED.encode(), b"2026-03-01T09:55:00+00:00"))
    bench.exam["entry"].append({"resource": later["entry"][-1]["resource"] | {"id": "late"}})
    bench.ehr.store.put(bench.exam["entry"][-1]["resource"])
    bench.write()

    assert 1 == len(bench.states())
    assert 4 == len(bench.held("RiskAssessment"))
    assert {"amended"} == statuses(bench.held("RiskAssessment"))


def withdrawn_everything(bench: Bench) -> None:
    """Every finding is entered in error."""
    for entry in bench.exam["entry"]:
        if entry["resource"]["resourceType"] == "Observation":
            bench.change(entry["resource"]["id"], status="entered-in-error")


def assert_nothing_of_ours_stands(bench: Bench) -> None:
    ours = [one for kind in KINDS for one in bench.held(kind) if kind not in ("Device", "Provenance")]
    assert ours and {"entered-in-error"} == statuses(ours)


@pytest.mark.parametrize("again", [True, False], ids=["written again first", "withdrawn at once"])
@pytest.mark.parametrize("faults", [{"lose_reply_every": 1}, {"no_transaction": True, "fail_every": 15}], ids=["reply lost", "cut off"])
def test_what_was_written_before_a_lost_reply_is_withdrawn_with_its_findings(faults: Json, again: bool) -> None:
    """Where it stands is looked up again: the proposals of a withdrawn finding would else stay active."""
    bench = Bench(**faults).examine(lost_feeling())
    with pytest.raises(RecordsFault):
        bench.write()
    bench.ehr.faults = Faults(no_transaction=faults.get("no_transaction", False))
    if again:
        bench.write()
    withdrawn_everything(bench)
    bench.vanish()

    assert_nothing_of_ours_stands(bench)


def test_an_amendment_whose_reply_was_lost_is_still_ours_to_take_back() -> None:
    """The version that it gave a proposal is no sign of somebody else."""
    bench = Bench().examine(lost_feeling())
    bench.write()
    late = next(one["resource"]["id"] for one in bench.exam["entry"] if "not-felt" in str(one))
    bench.change(late, note=[{"text": "seen twice"}], issued="2026-03-01T09:00:00Z")
    bench.ehr.faults = Faults(lose_reply_every=1)
    with pytest.raises(RecordsFault):
        bench.write()
    bench.ehr.faults = Faults()
    bench.write()
    withdrawn_everything(bench)
    bench.vanish()

    assert_nothing_of_ours_stands(bench)


def test_a_proposal_that_was_taken_up_after_a_lost_reply_is_left_alone() -> None:
    bench = Bench(lose_reply_every=1).examine(lost_feeling())
    with pytest.raises(RecordsFault):
        bench.write()
    bench.ehr.faults = Faults()
    for request in bench.held("ServiceRequest"):
        bench.ehr.store.put(request | {"status": "completed"})
    bench.write()
    withdrawn_everything(bench)
    written = bench.vanish()

    assert {"completed"} == statuses(bench.held("ServiceRequest"))
    assert any("changed by somebody else" in text for text in written.left)
