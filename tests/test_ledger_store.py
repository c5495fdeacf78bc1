"""Stored answers: kept once, amended in place, every version in one feed, uniqueness by the store."""

from concurrent.futures import ThreadPoolExecutor
from copy import deepcopy
from typing import Any

import pytest
from sqlalchemy.exc import IntegrityError

from sural.issues import Refused
from sural.ledger.keeping import Kept, keep
from sural.ledger.resources import Resources, Stored, Write
from sural.ledger.store import Ledger
from sural.ledger.tables import IDENTIFIER, RESOURCE
from sural.records.outgoing import NotOurs
from tests.asking import answer_of
from tests.builders import Exam

FIRST_DAY, LATER_DAY = "2026-03-01T09:30:00+00:00", "2026-06-01T09:30:00+00:00"


@pytest.fixture
def store(url: str) -> Resources:
    return Resources(Ledger(url))


def exam(lost: str = "left", patient: str = "p1", day: str = FIRST_DAY) -> dict[str, Any]:
    """The answer to an examination of a foot that has lost protective sensation, as a transaction."""
    found = Exam(patient).not_felt(lost).pulses("both").nothing_active().no_history().kidneys_well()
    found.see("callus", "absent", "both").see("foot-deformity", "absent", "both")
    for entry in found.entries:
        if entry["resource"]["resourceType"] == "Observation":
            entry["resource"]["effectiveDateTime"] = day
    return answer_of(found, as_of=day[:10], transaction=True)


def of_type(kept: tuple[Stored, ...], kind: str) -> list[dict[str, Any]]:
    return [one.resource for one in kept if one.type == kind]


def statuses(store: Resources, kept: Kept, kind: str) -> set[str]:
    """The status now of the resources of one kind."""
    return {str(found.resource["status"]) for one in kept.resources if one.type == kind and (found := store.read(kind, one.id))}


def test_an_answer_is_kept_as_resources_that_lead_to_each_other(store: Resources) -> None:
    """Every resource of the transaction, with an id, a version and an instant; links inside lead to what is stored."""
    answer = exam()
    kept = keep(store, answer)
    (request,) = of_type(kept.resources, "ServiceRequest")
    led_to = store.read(*request["supportingInfo"][0]["reference"].split("/"))

    assert sorted(entry["resource"]["resourceType"] for entry in answer["entry"]) == sorted(one.type for one in kept.changed)
    assert led_to is not None
    assert ("RiskAssessment", "1") == (led_to.type, led_to.resource["meta"]["versionId"])
    assert led_to.instant == led_to.resource["meta"]["lastUpdated"]


def test_the_same_answer_again_changes_nothing(store: Resources) -> None:
    """Interop E7: nothing is written, and the same resources are named."""
    first, again = keep(store, exam()), keep(store, exam())

    assert () == again.changed
    assert [one.reference for one in first.resources] == [one.reference for one in again.resources]


def test_other_findings_of_the_same_examination_amend_it_in_place(store: Resources) -> None:
    """Interop E8: same ids, next version, status amended; the version before stays."""
    first, second = keep(store, exam("left")), keep(store, exam("right"))
    kind, id = first.resources[1].type, first.resources[1].id
    versions = store.history(kind, id)

    assert [one.reference for one in first.resources[1:-1]] == [one.reference for one in second.resources[1:-1]]
    assert ["amended", "final"] == [one.resource["status"] for one in versions]
    assert [2, 1] == [one.version for one in versions]
    assert [1] == [one.version for one in store.history(kind, id, 1)]


def test_what_no_longer_follows_is_entered_in_error(store: Resources) -> None:
    """Decision 0013: a referral that an amended finding takes away."""
    first = keep(store, exam("left"))
    (request,) = [one for one in first.resources if one.type == "ServiceRequest"]
    normal = answer_of(Exam().normal(), transaction=True)
    keep(store, normal)
    standing = store.read("ServiceRequest", request.id)

    assert standing is not None
    assert "entered-in-error" == standing.resource["status"]


@pytest.mark.parametrize("days", [(FIRST_DAY, LATER_DAY), (LATER_DAY, FIRST_DAY)])
def test_a_later_examination_revokes_open_proposals_of_the_earlier_one(store: Resources, days: tuple[str, str]) -> None:
    """Decision 0013, in whichever order they come; the earlier assessments stay final."""
    kept = {day: keep(store, exam(day=day)) for day in days}

    assert {"revoked"} == statuses(store, kept[FIRST_DAY], "ServiceRequest")
    assert {"active"} == statuses(store, kept[LATER_DAY], "ServiceRequest")
    assert {"final"} == statuses(store, kept[FIRST_DAY], "RiskAssessment")


def hurt(day: str = FIRST_DAY) -> dict[str, Any]:
    """The answer to an examination that finds a foot ulcer."""
    return answer_of(dated(Exam("p1").felt("both").pulses("both").see("foot-ulcer", "present", "left").no_history(), day), as_of=day[:10], transaction=True)


def dated(found: Exam, day: str) -> Exam:
    for entry in found.entries:
        if entry["resource"]["resourceType"] == "Observation":
            entry["resource"] |= {"effectiveDateTime": day, "id": f"{entry['resource']['id']}-{day[:10]}"}
    return found


BLOOD = Exam("p1").see("egfr", 80)
PULSES = Exam("p1").pulses("both").felt("both")
HEALED = Exam("p1").normal()


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize(("later", "status"), [(BLOOD, "active"), (PULSES, "active"), (HEALED, "revoked")])
def test_a_later_answer_that_knows_less_leaves_proposals_open(store: Resources, later: Exam, status: str, turned: bool) -> None:
    """Decision 0013: a blood test says nothing of an ulcer, so that the urgent referral for it still waits; in whichever order they come."""
    answers = [hurt(), answer_of(dated(deepcopy(later), LATER_DAY), as_of=LATER_DAY[:10], transaction=True)]
    kept = [keep(store, one) for one in (reversed(answers) if turned else answers)]

    assert {status} == statuses(store, kept[-1 if turned else 0], "ServiceRequest")


@pytest.mark.parametrize("turned", [False, True])
def test_an_older_examination_with_a_later_blood_test_leaves_proposals_open(store: Resources, turned: bool) -> None:
    """What was found before the ulcer was seen does not say that it has healed."""
    found = dated(Exam("p1").normal(), "2026-02-01T09:30:00+00:00").see("egfr", 80, effectiveDateTime=LATER_DAY, id="blood")
    answers = [hurt(), answer_of(found, as_of=LATER_DAY[:10], transaction=True)]
    kept = [keep(store, one) for one in (reversed(answers) if turned else answers)]

    assert {"active"} == statuses(store, kept[-1 if turned else 0], "ServiceRequest")


def test_a_later_answer_that_proposes_the_same_takes_over(store: Resources) -> None:
    """The ulcer is seen again: one proposal is open, that of the later examination."""
    first, second = keep(store, hurt()), keep(store, hurt(LATER_DAY))

    assert ({"revoked"}, {"active"}) == (statuses(store, first, "ServiceRequest"), statuses(store, second, "ServiceRequest"))


def test_a_part_of_an_examination_does_not_take_the_rest_back(store: Resources) -> None:
    """A blood test of the same day, sent alone: the ulcer that was seen that day, and the referral for it, stand."""
    kept = keep(store, hurt())
    blood = answer_of(dated(Exam("p1", diabetes=None).see("egfr", 80), FIRST_DAY.replace("T09", "T11")), as_of=FIRST_DAY[:10], transaction=True)

    with pytest.raises(Refused) as refused:
        keep(store, blood, held={"Observation/other"})

    assert ["examination-in-part"] == [issue.key for issue in refused.value.issues]
    assert {"active"} == statuses(store, kept, "ServiceRequest")


@pytest.mark.parametrize("held", [None, "all"])
def test_what_an_input_holds_it_may_take_back(store: Resources, held: str | None) -> None:
    """Where the input is everything there is, or names all that the stored answer rests on, the answer is amended."""
    first = hurt()
    keep(store, first)
    names = {str(one["what"]["reference"]) for entry in first["entry"] for one in entry["resource"].get("entity", ())}
    blood = answer_of(dated(Exam("p1", diabetes=None).see("egfr", 80), FIRST_DAY), as_of=FIRST_DAY[:10], transaction=True)
    kept = keep(store, blood, held=names if held else None)

    assert "amended" in statuses(store, kept, "RiskAssessment")


def test_a_proposal_that_somebody_changed_is_theirs(store: Resources) -> None:
    """Left alone, and said."""
    (request,) = [one for one in keep(store, exam("left")).resources if one.type == "ServiceRequest"]
    store.write(lambda _: [Write({**request.resource, "status": "completed"}, request)])
    kept = keep(store, exam("right"))

    assert ("ServiceRequest, referral-foot-protection-service: changed by somebody else",) == kept.left
    assert {"completed"} == statuses(store, kept, "ServiceRequest")


def without_identifier(answer: dict[str, Any]) -> dict[str, Any]:
    """The answer about a patient who is known by a reference only."""
    for entry in answer["entry"]:
        for name in ("subject", "patient"):
            entry["resource"].get(name, {}).pop("identifier", None)
    return answer


def test_patients_of_two_systems_with_one_id_are_not_taken_for_one(store: Resources) -> None:
    """Relative references become absolute when it is said where they belong; what would be kept as another person's is refused."""
    first = keep(store, without_identifier(exam()), "https://ehr.skerrow.example/fhir/")
    (risk, *_) = of_type(first.resources, "RiskAssessment")

    assert "https://ehr.skerrow.example/fhir/Patient/p1" == risk["subject"]["reference"]
    with pytest.raises(Refused, match="identifier-taken"):
        keep(store, without_identifier(exam()), "https://clinic.skerrow.example/fhir")


def test_one_person_of_two_systems_is_one(store: Resources) -> None:
    """By the same identifier, whatever each system calls them."""
    keep(store, exam(), "https://ehr.skerrow.example/fhir")

    assert () == keep(store, exam(), "https://clinic.skerrow.example/fhir").changed


def test_something_else_is_not_kept(store: Resources) -> None:
    """Only answers of ours, as a transaction."""
    with pytest.raises(NotOurs):
        keep(store, answer_of(Exam().normal()))


def test_the_feed_tells_every_change_once_in_its_order(store: Resources) -> None:
    """From the last number that was seen; each change as the resource was then, and whom it is about."""
    keep(store, exam("left"))
    seen = store.changes()
    keep(store, exam("right"))
    fresh = store.changes(after=seen[-1].sequence)
    whole = store.changes(limit=10_000)

    assert list(range(1, len(whole) + 1)) == [one.sequence for one in whole] == list(range(1, store.last() + 1))
    assert whole == [*seen, *fresh]
    assert {"Patient/p1", None} == {one.subject for one in whole}
    assert ["Device"] == [one.type for one in whole if one.subject is None]
    assert [1, 2] == [one.sequence for one in store.changes(limit=2)]


def test_last_updated_is_later_with_each_transaction(url: str) -> None:
    """Also when the clock of a machine goes back, so that an export can name the instant after which everything is new."""
    clock = iter([2000.0, 1000.0])
    store = Resources(Ledger(url), lambda: next(clock))
    first = keep(store, exam(patient="p1"))
    second = keep(store, exam(patient="p2"))

    assert {"1970-01-01T00:33:20.000Z"} == {one.instant for one in first.changed}
    assert {"1970-01-01T00:33:20.001Z"} == {one.instant for one in second.changed}


def test_many_writers_keep_one_answer_once(store: Resources) -> None:
    """Interop E1, E2: however many send it at the same moment."""
    answer = exam()
    with ThreadPoolExecutor(8) as pool:
        kept = list(pool.map(lambda _: keep(store, answer), range(16)))

    assert 1 == len({tuple(one.reference for one in each.resources) for each in kept})
    assert len(answer["entry"]) == store.last()


def test_many_writers_leave_no_gap_in_the_feed(store: Resources) -> None:
    """A reader that follows while they write sees every change, in the order of the numbers."""
    answers = [exam(patient=f"p{number}") for number in range(6)]
    seen: list[int] = []
    with ThreadPoolExecutor(4) as pool:
        writing = [pool.submit(keep, store, answer) for answer in answers]
        while not all(one.done() for one in writing):
            seen += [one.sequence for one in store.changes(after=seen[-1] if seen else 0)]
    seen += [one.sequence for one in store.changes(after=seen[-1] if seen else 0)]

    assert list(range(1, store.last() + 1)) == seen


def test_an_identifier_of_two_resources_is_refused_by_the_store(store: Resources) -> None:
    """Interop E2: by a constraint, not by looking first; and nothing of the transaction is there."""
    (risk, *_) = of_type(keep(store, exam()).resources, "RiskAssessment")
    before = store.last()

    with pytest.raises(Refused, match="identifier-taken"):
        store.write(lambda _: [Write({"resourceType": "RiskAssessment", "status": "final"}), Write(risk)])
    assert before == store.last()


@pytest.mark.parametrize("table", [RESOURCE, IDENTIFIER], ids=lambda table: table.name)
def test_the_same_row_twice_is_refused_by_the_database(store: Resources, table: Any) -> None:
    """Ids and identifiers are unique there."""
    keep(store, exam())
    with store.database.reading() as connection:
        row = dict(connection.execute(table.select().limit(1)).mappings().one())
    row |= {"key": 10_000, "sequence": 10_000} if table is RESOURCE else {}

    with pytest.raises(IntegrityError), store.database.writing() as connection:
        connection.execute(table.insert(), [row])
