"""The pull: nobody lost, nobody done twice, the mark last; each bad day of a record system."""

from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import Any

import pytest
from starlette.responses import Response

from sural.answer.identity import ANSWER_SYSTEM
from sural.doors.assessor import Answered, documents
from sural.records import pull as module
from sural.records.fake_ehr.app import FakeEhr
from sural.records.fake_ehr.faults import Faults
from sural.records.fake_ehr.population import population
from sural.records.fake_ehr.store import Refusal
from sural.records.faults import Declined, NotAuthorised, RecordsFault, ServerFailed, Throttled, Unreachable
from sural.records.pull import Stopped
from tests.ehr import BASE, MemoryLedger, Pulled, Waits, fake_ehr, instant, order, pull

ALL = 12


def everybody(number: int = ALL) -> set[str]:
    return {f"skerrow-{one:05d}" for one in range(1, number + 1)}


def outcomes(ledger: MemoryLedger, again: bool = False) -> dict[str, str]:
    """What became of everybody, in all runs over the patients or in the list of those put off."""
    found: dict[str, str] = {}
    for run, (source, _) in ledger.runs.items():
        if source.endswith("#again") is again:
            found |= ledger.work[run]
    return found


def change(ehr: FakeEhr, patient: str) -> None:
    """A new version of the patient's first Observation."""
    first = next(kept for kept in ehr.store.all("Observation") if kept.patient == patient)
    ehr.store.put({**(first.resource or {}), "status": "amended"})


def test_every_patient_is_assessed_once() -> None:
    """All of them, each once, and the mark moves to the server's time."""
    ehr, ledger, sink = fake_ehr(ALL), MemoryLedger(), Pulled()

    tally = pull(ehr, ledger, sink)

    assert everybody() == set(outcomes(ledger))
    assert {1} == set(sink.times.values())
    assert tally.complete
    assert ledger.mark(BASE, "changes") is not None


def test_the_answer_is_the_one_of_every_other_door() -> None:
    """Design, "One pure core, many doors": one summary per patient."""
    sink = Pulled()
    pull(fake_ehr(3), sink=sink)

    for patient, answered in sink.items():
        summaries = [one for one in documents(answered) if "summary" in one]
        assert [f"Patient/{patient}"] == [one["subject"] for one in summaries]


def test_by_get_and_by_post_the_same_is_found() -> None:
    """D3: searches by GET in pieces of codes, or by POST."""
    first, second = Pulled(), Pulled()
    pull(fake_ehr(3), sink=first, by_post=True)
    pull(fake_ehr(3), sink=second, by_post=False)

    assert [list(documents(one)) for one in first.values()] == [list(documents(second[patient])) for patient in first]


def test_the_second_pull_finds_only_what_changed() -> None:
    """The high-water mark, with its overlap."""
    ehr, ledger = fake_ehr(ALL), MemoryLedger()
    pull(ehr, ledger)
    ledger.marks[BASE, "changes"] = instant(ehr.store._clock() + timedelta(hours=1))
    ehr.store._clock.now += timedelta(hours=2)  # type: ignore[attr-defined]
    change(ehr, "skerrow-00004")
    sink = Pulled()

    tally = pull(ehr, ledger, sink)

    assert {"skerrow-00004"} == set(sink)
    assert 1 == tally.patients


@pytest.mark.parametrize(("overlap", "found"), [(timedelta(minutes=5), {"skerrow-00004"}), (timedelta(0), set())])
def test_a_change_that_became_visible_late_is_not_missed(overlap: timedelta, found: set[str]) -> None:
    """Common practice, no source: changes are asked for from a little before the mark."""
    ehr, ledger = fake_ehr(ALL), MemoryLedger()
    ehr.store._clock.now += timedelta(hours=2)  # type: ignore[attr-defined]
    change(ehr, "skerrow-00004")
    ledger.marks[BASE, "changes"] = instant(ehr.store._clock() + timedelta(minutes=2))
    sink = Pulled()

    pull(ehr, ledger, sink, order(overlap=overlap))

    assert found == set(sink)


def test_what_we_wrote_back_makes_nobody_due() -> None:
    """E7: our answers are Observations too, and newer than the mark."""
    ehr, ledger = fake_ehr(3), MemoryLedger()
    ledger.marks[BASE, "changes"] = instant(ehr.store._clock() + timedelta(hours=1))
    ehr.store._clock.now += timedelta(hours=2)  # type: ignore[attr-defined]
    first = next(iter(ehr.store.all("Observation")))
    ehr.store.put({**(first.resource or {}), "id": "ours", "identifier": [{"system": ANSWER_SYSTEM, "value": "x"}]})

    assert 0 == pull(ehr, ledger).patients


def test_a_changed_record_of_a_patient_makes_them_due() -> None:
    """A corrected date of birth changes the answer."""
    ehr, ledger, sink = fake_ehr(3), MemoryLedger(), Pulled()
    ledger.marks[BASE, "changes"] = instant(ehr.store._clock() + timedelta(hours=1))
    ehr.store._clock.now += timedelta(hours=2)  # type: ignore[attr-defined]
    ehr.store.put({**(ehr.store.read("Patient", "skerrow-00002").resource or {}), "birthDate": "1950-01-01"})

    pull(ehr, ledger, sink)

    assert {"skerrow-00002"} == set(sink)


@pytest.mark.parametrize("fault", [None, ServerFailed("PUT Observation", status=500)], ids=["told", "put off"])
def test_who_has_nothing_left_is_told(fault: ServerFailed | None) -> None:
    """What was written about them has to be withdrawn; when that fails they are put off, not forgotten."""
    ehr, told = fake_ehr(3), []
    for kind in ("Observation", "Condition", "Procedure", "QuestionnaireResponse"):
        for kept in [one for one in ehr.store.all(kind) if one.patient == "skerrow-00002"]:
            ehr.store.delete(kind, kept.id)

    async def vanished(patient: str) -> None:
        told.append(patient)
        if fault:
            raise fault

    tally = pull(ehr, asked=order(patients=("skerrow-00001", "skerrow-00002")), vanished=vanished)

    assert ["skerrow-00002"] == told
    assert {"assessed": 1, "put-off" if fault else "nothing": 1} == tally.counts


def form_only() -> tuple[FakeEhr, str]:
    """A record system with one patient, whose examination was captured by one of our forms and stands nowhere else."""
    ehr = fake_ehr(0)
    patient, response = next(
        one for one in population(200) if [each["resourceType"] for each in one] == ["Patient", "QuestionnaireResponse"]
        and one[1]["status"] == "completed"
    )  # fmt: skip
    ehr.store.put(patient)
    ehr.store.put(response)
    return ehr, patient["id"]


@pytest.mark.parametrize("bulk", [False, True])
def test_an_examination_captured_by_form_is_assessed(bulk: bool) -> None:
    """Its QuestionnaireResponse makes the patient due and is evidence."""
    (ehr, patient), sink = form_only(), Pulled()

    pull(ehr, sink=sink, asked=order(bulk=bulk))
    (summary,) = (one for one in documents(sink[patient]) if "summary" in one)

    assert 1 < summary["intake"]["used"]


@pytest.mark.parametrize("bulk", [False, True])
def test_a_form_that_is_not_ours_is_not_fetched(bulk: bool) -> None:
    """What somebody answered to another form is none of our business: nobody is due by it, and it is not passed on."""
    (ehr, patient), sink = form_only(), Pulled()
    (kept,) = ehr.store.all("QuestionnaireResponse")
    ehr.store.put({**(kept.resource or {}), "questionnaire": "https://forms.skerrow.example/Questionnaire/tea"})

    pull(ehr, sink=sink, asked=order(bulk=bulk))

    assert patient not in sink


@pytest.mark.parametrize("fault", [{"gone": ("QuestionnaireResponse",)}, {}])
def test_without_forms_the_rest_is_assessed(fault: dict[str, Any]) -> None:
    """A server that has no QuestionnaireResponse: said once for the list, and everybody else is assessed as before."""
    ehr, sink = fake_ehr(ALL, **fault), Pulled()

    tally = pull(ehr, sink=sink)

    assert bool(fault) == ("not there: QuestionnaireResponse" in tally.remarks)
    assert {one.patient for one in ehr.store.all("Observation")} <= set(sink)


class Killed(BaseException):
    """As sudden as a kill: nothing of ours catches it."""


def killed_at(number: int, sink: Pulled) -> Callable[[str, Answered], Any]:
    """A sink that dies with its patient number `number`."""

    async def take(patient: str, answered: Answered) -> None:
        if len(sink.times) == number:
            raise Killed
        await sink(patient, answered)

    return take


@pytest.mark.parametrize("number", [0, 1, 5, ALL - 2])
def test_after_a_kill_the_pull_goes_on_where_it_was(number: int) -> None:
    """Nobody lost, nobody who was done is done again, and the mark is that of the first start."""
    ehr, ledger, sink = fake_ehr(ALL), MemoryLedger(), Pulled()
    with pytest.raises(Killed):
        pull(ehr, ledger, killed_at(number, sink), order(workers=1))
    until = ledger.runs[1][1]
    before = dict(sink.times)

    pull(ehr, ledger, sink)

    assert everybody() == set(outcomes(ledger))
    assert all("" != outcome for outcome in outcomes(ledger).values())
    assert dict.fromkeys(before, 1) == {patient: sink.times[patient] for patient in before}
    assert until == ledger.mark(BASE, "changes")


def test_a_patient_who_cannot_be_fetched_is_put_off_and_not_lost() -> None:
    """The mark moves, and the next pull fetches who was put off, changed or not."""
    ehr, ledger, sink = fake_ehr(ALL), MemoryLedger(), Pulled()
    second = Pulled()

    async def first_fails(patient: str, answered: Answered) -> None:
        if not tried:
            tried.add(patient)
            raise ServerFailed("POST /", status=500)
        await sink(patient, answered)

    tried: set[str] = set()
    pull(ehr, ledger, first_fails, order(workers=1))
    (lost,) = [patient for patient, outcome in outcomes(ledger, again=True).items() if not outcome]

    pull(ehr, ledger, second)

    assert {lost} == tried
    assert lost in second
    assert "assessed" == outcomes(ledger, again=True)[lost]


def test_a_server_that_is_down_stops_the_pull() -> None:
    """Ten patients in a row that cannot be fetched: nobody else is tried, and nobody is lost."""
    ehr, ledger = fake_ehr(40), MemoryLedger()

    async def down(patient: str, answered: Answered) -> None:
        raise Unreachable("POST /")

    with pytest.raises(Stopped):
        pull(ehr, ledger, down, order(workers=1))
    sink = Pulled()
    pull(ehr, ledger, sink)

    assert everybody(40) == set(outcomes(ledger))
    assert "" not in outcomes(ledger).values()
    assert "" not in outcomes(ledger, again=True).values()
    assert {"assessed"} >= set(outcomes(ledger, again=True).values())


def test_a_long_wait_stops_the_pull_with_its_length() -> None:
    """M1: 429 with an hour in Retry-After; the service mode waits that long."""
    with pytest.raises(Stopped) as stopped:
        pull(fake_ehr(3, throttle_every=5, retry_after=3600))

    assert isinstance(stopped.value.fault, Throttled)
    assert 3600 == stopped.value.fault.retry_after


def test_a_refused_token_stops_the_pull() -> None:
    """N4: nobody is marked as done for it."""
    ehr, ledger = fake_ehr(3, {"someone": {"keys": []}}), MemoryLedger()

    with pytest.raises(Stopped) as stopped:
        pull(ehr, ledger)

    assert isinstance(stopped.value.fault, NotAuthorised)
    assert {} == outcomes(ledger)


@pytest.mark.parametrize(
    "fault",
    [{"throttle_every": 7}, {"throttle_every": 9, "retry_after_as_date": True}, {"fail_every": 6}, {"slow": 0.5}, {"relative_next": True},
     {"no_post_search": True}, {"gone": ("Procedure", "Encounter")}, {"ignore": ("status", "_elements")}],
)  # fmt: skip
def test_on_a_bad_day_everybody_is_assessed_all_the_same(fault: dict[str, Any]) -> None:
    """M1, M5, D3, D6: throttling, gateways that fail, slowness, missing features."""
    ehr, ledger = fake_ehr(ALL, **fault), MemoryLedger()

    tally = pull(ehr, ledger)

    assert tally.complete
    assert everybody() == set(outcomes(ledger))
    assert "put-off" not in tally.counts


def test_a_page_instead_of_an_answer_is_no_answer() -> None:
    """H1: a sign-in page with status 200 puts a patient off; on a better day the pull catches up."""
    ehr, ledger = fake_ehr(ALL, wrong_type_every=23), MemoryLedger()
    with suppress(Stopped):
        pull(ehr, ledger)
    ehr.faults = Faults()
    pull(ehr, ledger)

    assert everybody() == set(outcomes(ledger))
    assert not [one for one in [*outcomes(ledger).values(), *outcomes(ledger, again=True).values()] if one == ""]


@pytest.mark.parametrize("fault", ["looping_next", "missing_page", "lost_page", "foreign_next"])
def test_a_list_that_is_not_whole_moves_no_mark(fault: str) -> None:
    """D2, N5: somebody may be missing, so the next pull lists again from the same mark."""
    ehr, ledger = fake_ehr(60, **{fault: True}), MemoryLedger()

    with pytest.raises(Stopped):
        pull(ehr, ledger)

    assert ledger.mark(BASE, "changes") is None


def test_who_was_named_is_pulled_and_the_marks_are_left_alone() -> None:
    """`--patient`: no run, no mark; somebody who is not there is told."""
    ledger, sink = MemoryLedger(), Pulled()

    tally = pull(fake_ehr(3), ledger, sink, order(patients=("skerrow-00002", "nobody")))

    assert {"skerrow-00002"} == set(sink)
    assert {"assessed": 1, "gone": 1} == tally.counts
    assert {} == ledger.marks


def with_group(ehr: FakeEhr, *patients: str) -> FakeEhr:
    members = [{"entity": {"reference": f"Patient/{patient}"}} for patient in patients]
    ehr.store.put({"resourceType": "Group", "id": "g1", "type": "person", "actual": True, "member": members})
    return ehr


@pytest.mark.parametrize("bulk", [False, True])
def test_a_group_is_pulled_with_a_mark_of_its_own(bulk: bool) -> None:
    """M7: `--group`, by search or by export."""
    ehr, ledger, sink = with_group(fake_ehr(8), "skerrow-00002", "skerrow-00007"), MemoryLedger(), Pulled()

    pull(ehr, ledger, sink, order(group="g1", bulk=bulk))

    assert {"skerrow-00002", "skerrow-00007"} == set(outcomes(ledger))
    assert ledger.mark(BASE, "changes") is None
    assert ledger.mark(f"{BASE}#g1", "changes") is not None


def clinical(answers: Pulled) -> dict[str, Any]:
    """What is said of each patient, without the account of the input: an export brings finished encounters too."""
    account = ("issues", "intake", "outcome")
    return {
        patient: [{name: value for name, value in one.items() if name not in account} for one in documents(answered)]
        for patient, answered in answers.items()
    }


@pytest.mark.parametrize("fault", [{}, {"paged_manifest": True}, {"compressed_files": True}, {"lost_file_every": 2}])
def test_an_export_gives_the_same_answers(fault: dict[str, Any]) -> None:
    """M1 to M5: assessed from the files, without a request per patient."""
    by_search, by_export = Pulled(), Pulled()
    ehr = fake_ehr(ALL, **fault)
    pull(fake_ehr(ALL), sink=by_search)

    pull(ehr, sink=by_export, asked=order(bulk=True))

    assert clinical(by_search) == clinical(by_export)
    assert "GET Patient" not in ehr.served[3:]


def test_an_export_of_changes_names_who_is_fetched() -> None:
    """M2: `_since` gives changed resources only, so each patient is fetched whole."""
    ehr, ledger, sink = fake_ehr(ALL), MemoryLedger(), Pulled()
    ledger.marks[BASE, "changes"] = instant(ehr.store._clock() + timedelta(hours=1))
    ehr.store._clock.now += timedelta(hours=2)  # type: ignore[attr-defined]
    change(ehr, "skerrow-00005")

    pull(ehr, ledger, sink, order(bulk=True))

    assert {"skerrow-00005"} == set(sink)


@pytest.mark.parametrize("fault", [{"partial_export": True}, {"broken_lines": True}])
def test_a_partial_export_moves_no_mark(fault: dict[str, Any]) -> None:
    """M2: partial success is 200; who is named is fetched whole, and somebody may be missing."""
    ehr, ledger = fake_ehr(ALL, **fault), MemoryLedger()

    tally = pull(ehr, ledger, asked=order(bulk=True))
    after_partial = ledger.mark(BASE, "changes")
    ehr.faults = Faults()
    pull(ehr, ledger, asked=order(bulk=True))

    assert not tally.complete
    assert after_partial is None
    assert everybody() == set(outcomes(ledger))
    assert ledger.mark(BASE, "changes") is not None


def test_deleted_resources_are_told() -> None:
    """M2: an export names them without their patients."""
    tally = pull(fake_ehr(3, deleted=("Observation/x",)), asked=order(bulk=True))

    assert any(remark.startswith("export names deleted") for remark in tally.remarks)


def test_one_patient_that_we_fail_on_does_not_stop_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    """Our fault is put off like any other, and told by its type only."""
    real = module.answer

    def failing(data: bytes, *how: Any) -> Answered:
        if b'"skerrow-00002"' in data:
            raise KeyError("Ingrid")
        return real(data, *how)

    monkeypatch.setattr(module, "answer", failing)
    sink = Pulled()
    tally = pull(fake_ehr(3), sink=sink)

    assert 1 == tally.remarks["internal failure: KeyError"]
    assert "skerrow-00002" not in sink
    assert sink


def test_remarks_name_no_patient() -> None:
    """P2, C5: what is said of a pull holds no id."""
    tally = pull(fake_ehr(ALL, wrong_type_every=23, gone=("Procedure",)), asked=order(give_up_after=1000))

    assert tally.remarks
    assert not any("skerrow" in remark for remark in tally.remarks)


def test_no_more_waits_than_needed() -> None:
    """On a good day nobody waits."""
    waits = Waits()
    pull(fake_ehr(3), sleep=waits)

    assert [] == waits


def put_off(ledger: MemoryLedger) -> set[str]:
    return {patient for patient, outcome in outcomes(ledger, again=True).items() if not outcome}


def test_who_is_put_off_a_second_time_is_not_lost() -> None:
    """Done in between, while somebody else still waited on the same list."""
    ehr, ledger, failing = fake_ehr(ALL), MemoryLedger(), {"skerrow-00002", "skerrow-00003"}

    async def some_fail(patient: str, answered: Answered) -> None:
        if patient in failing:
            raise ServerFailed("POST /", status=500)

    pull(ehr, ledger, some_fail)
    failing.remove("skerrow-00002")
    ehr.store._clock.now += timedelta(days=400)  # type: ignore[attr-defined]
    pull(ehr, ledger, some_fail)
    failing.add("skerrow-00002")
    change(ehr, "skerrow-00002")
    pull(ehr, ledger, some_fail)

    assert {"skerrow-00002", "skerrow-00003"} == put_off(ledger)


def test_a_pull_that_put_somebody_off_is_not_complete() -> None:
    async def one_fails(patient: str, answered: Answered) -> None:
        if patient == "skerrow-00002":
            raise ServerFailed("POST /", status=500)

    ehr, ledger = fake_ehr(ALL), MemoryLedger()
    first, second = pull(ehr, ledger, one_fails), pull(ehr, ledger)

    assert not first.complete
    assert second.complete


def test_an_answer_that_may_not_be_written_is_put_off() -> None:
    """403 on writing: the patient's data came, and the answer is not forgotten."""

    async def not_permitted(patient: str, answered: Answered) -> None:
        if patient == "skerrow-00002":
            raise NotAuthorised("POST /", status=403)

    ledger = MemoryLedger()
    tally = pull(fake_ehr(ALL), ledger, not_permitted)

    assert 1 == tally.counts["put-off"]
    assert {"skerrow-00002"} == put_off(ledger)


@pytest.mark.parametrize("bulk", [False, True])
def test_what_since_asked_for_is_done_by_the_next_pull_when_it_was_stopped(bulk: bool) -> None:
    """Stopped while it listed: the next pull goes back as far, and the one after that does not."""
    ehr, ledger = fake_ehr(ALL), MemoryLedger()
    pull(ehr, ledger)
    ehr.store._clock.now += timedelta(days=400)  # type: ignore[attr-defined]
    ledger.marks[BASE, "changes"] = instant(ehr.store._clock())
    ehr.faults = Faults(fail_every=1) if bulk else Faults(gone=("Observation",))
    with pytest.raises(Stopped):
        pull(ehr, ledger, asked=order(since="1900-01-01", bulk=bulk))
    ehr.faults = Faults()
    next_one, after = Pulled(), Pulled()
    pull(ehr, ledger, next_one, order(bulk=bulk))
    ledger.marks[BASE, "changes"] = instant(ehr.store._clock())
    pull(ehr, ledger, after)

    assert everybody() == set(next_one)
    assert set() == set(after)


@pytest.mark.parametrize("since", ["2026", "2026-03", "2026-03-02", "0001-01-01", "2026-03-02T08:00:00+13:00"])
def test_a_partial_date_is_a_time_to_start_from(since: str) -> None:
    assert pull(fake_ehr(1), asked=order(since=since)).complete


def test_changes_after_the_instant_of_an_export_are_found_by_the_next_pull() -> None:
    """M2: an export may tell of a copy of last night; what changed since then is asked for again, whatever the clock says now."""
    ehr, ledger, sink = fake_ehr(ALL), MemoryLedger(), Pulled()
    ehr.store._clock.now = datetime.now(UTC) - timedelta(hours=9)  # type: ignore[attr-defined]
    pull(ehr, ledger, asked=order(bulk=True))
    ehr.store._clock.now += timedelta(hours=1)  # type: ignore[attr-defined]
    change(ehr, "skerrow-00005")

    pull(ehr, ledger, sink)

    assert {"skerrow-00005"} == set(sink)


def test_a_patient_who_was_deleted_is_found_gone() -> None:
    """Bulk Data 2, "deleted": of a Patient the export does say who it was."""
    tally = pull(fake_ehr(3, deleted=("Patient/nobody",)), asked=order(bulk=True, since="2026-01-01"))

    assert 1 == tally.counts["gone"]


@pytest.mark.parametrize("bulk", [False, True])
def test_who_joins_a_group_is_pulled_whatever_the_mark(bulk: bool) -> None:
    """Their findings are older than the mark; who left and comes back is as new."""
    ehr, ledger = with_group(fake_ehr(8), "skerrow-00002"), MemoryLedger()
    pull(ehr, ledger, asked=order(group="g1", bulk=bulk))
    ledger.marks[f"{BASE}#g1", "changes"] = instant(ehr.store._clock() + timedelta(days=400))
    ledger.marks[f"{BASE}#g1", "back-to"] = ""
    came: list[set[str]] = []
    for members in (["skerrow-00002", "skerrow-00003"], ["skerrow-00002"], ["skerrow-00002", "skerrow-00003"], ["skerrow-00003"]):
        sink = Pulled()
        pull(with_group(ehr, *members), ledger, sink, order(group="g1", bulk=bulk))
        ledger.marks[f"{BASE}#g1", "changes"] = instant(ehr.store._clock() + timedelta(days=400))
        ledger.marks[f"{BASE}#g1", "back-to"] = ""
        came.append(set(sink))

    assert [{"skerrow-00003"}, set(), {"skerrow-00003"}, set()] == came


@pytest.mark.parametrize("group", [{"quantity": 900}, {"actual": False, "member": None}, {"member": [{"entity": "p1"}]}])
def test_a_group_that_does_not_list_everybody_stops_the_pull(group: dict[str, Any]) -> None:
    """Nobody would be due, and nobody would notice."""
    ehr, ledger = with_group(fake_ehr(3), "skerrow-00002"), MemoryLedger()
    there = {**(ehr.store.read("Group", "g1").resource or {}), **group}
    ehr.store.put({name: value for name, value in there.items() if value is not None})

    with pytest.raises(Stopped):
        pull(ehr, ledger, asked=order(group="g1"))
    assert {} == {key: mark for key, mark in ledger.marks.items() if mark}


def test_a_member_whose_record_changes_is_due() -> None:
    """As when they die or are merged with somebody."""
    ehr, ledger, sink = with_group(fake_ehr(8), "skerrow-00002"), MemoryLedger(), Pulled()
    pull(ehr, ledger, asked=order(group="g1"))
    ledger.marks[f"{BASE}#g1", "changes"] = instant(ehr.store._clock() + timedelta(hours=1))
    ehr.store._clock.now += timedelta(hours=2)  # type: ignore[attr-defined]
    for patient in ("skerrow-00002", "skerrow-00003"):
        ehr.store.put(ehr.store.read("Patient", patient).resource or {})

    pull(ehr, ledger, sink, order(group="g1"))

    assert {"skerrow-00002"} == set(sink)


def test_findings_of_an_export_that_came_without_their_patient_are_put_off() -> None:
    ehr, ledger = fake_ehr(3), MemoryLedger()
    search = ehr.store.search
    ehr.store.search = lambda kind, asked: search(kind, asked)[1:] if kind == "Patient" else search(kind, asked)  # type: ignore[method-assign]

    tally = pull(ehr, ledger, asked=order(bulk=True))

    assert 1 == tally.counts["put-off"]
    assert 1 == len(put_off(ledger))


def test_a_server_without_a_capability_statement_is_pulled_from() -> None:
    """405 or 406 on metadata: no reason not to pull."""
    ehr = fake_ehr(3)
    answer = ehr._answer

    async def without(request: Any, path: list[str]) -> Any:
        if path == ["metadata"]:
            raise Refusal(406, "not-supported")
        return await answer(request, path)

    ehr._answer = without  # type: ignore[method-assign]

    assert pull(ehr).complete


class Astray(FakeEhr):
    """An EHR whose proxy has lost it from some request on: 404 with a page of its own, for everything."""

    reads = 0
    most = 0

    async def _answer(self, request: Any, path: list[str]) -> Any:
        self.reads += len(path) == 2 and path[0] == "Patient" and request.method == "GET"
        if self.most and self.reads > self.most:
            return Response("<h1>Not found</h1>", 404, media_type="text/html")
        return await super()._answer(request, path)


def test_a_proxy_that_has_lost_its_server_makes_nobody_gone() -> None:
    """Whoever cannot be read is searched for: nobody is done for whom there is neither."""
    ehr, ledger, sink = fake_ehr(40), MemoryLedger(), Pulled()
    ehr.__class__ = Astray
    ehr.most = 5  # type: ignore[attr-defined]
    with pytest.raises(Stopped):
        pull(ehr, ledger, asked=order(workers=1), sink=sink)
    ehr.most = 0  # type: ignore[attr-defined]
    tally = pull(ehr, ledger, sink)

    assert "gone" not in tally.counts
    assert everybody(40) == set(sink)


def test_a_patient_who_really_is_not_there_is_gone() -> None:
    ehr, told = fake_ehr(2), Pulled()
    ehr.store.delete("Patient", "skerrow-00001")

    assert {"assessed": 1, "gone": 1} == pull(ehr, sink=told, asked=order(workers=1)).counts


def test_an_answer_to_a_write_that_is_no_fhir_puts_one_patient_off() -> None:
    """The others go on; nothing of it is said but its type."""

    async def odd(patient: str, answered: Answered) -> None:
        if patient == "skerrow-00002":
            raise KeyError("Jean Mouat")

    ledger = MemoryLedger()
    tally = pull(fake_ehr(ALL), ledger, odd)

    assert {"assessed": ALL - 1, "put-off": 1} == tally.counts
    assert {"write back: KeyError": 1} == {text: times for text, times in tally.remarks.items() if "write" in text}


def test_texts_in_another_encoding_are_not_read() -> None:
    """FHIR JSON is UTF-8: somebody whose name came as Latin-1 is put off, and not refused for good."""
    ehr, ledger = fake_ehr(3), MemoryLedger()
    page = ehr._searches.search

    def latin(kind: str, *more: Any) -> bytes:
        found: bytes = page(kind, *more)
        return found.replace(b'"final"', b'"final","note":[{"text":"\xe9"}]') if b"skerrow-00002" in found and b"_elements" not in found else found

    ehr._searches.search = latin  # type: ignore[method-assign]
    tally = pull(ehr, ledger)

    assert 1 == tally.counts["put-off"]
    assert "refused" not in tally.counts


@pytest.mark.parametrize("fault", [None, Declined("PUT RiskAssessment/{id}", status=409), ServerFailed("PUT RiskAssessment/{id}", status=500)])
@pytest.mark.parametrize("how", ["merged", "gone", "died"])
def test_what_was_said_of_a_record_that_was_merged_is_looked_at(how: str, fault: RecordsFault | None) -> None:
    """Findings move with a merge, and the answers about the old record have nothing left to rest on; those about the dead have."""
    ehr, ledger, told = fake_ehr(2), MemoryLedger(), []
    there = ehr.store.read("Patient", "skerrow-00001").resource or {}
    if how == "gone":
        ehr.store.delete("Patient", "skerrow-00001")
    else:
        link = [{"type": "replaced-by", "other": {"reference": "Patient/skerrow-00002"}}]
        ehr.store.put({**there, **({"link": link} if how == "merged" else {"deceasedBoolean": True})})

    async def vanished(patient: str) -> None:
        told.append(patient)
        if fault is not None:
            raise fault

    tally = pull(ehr, ledger, vanished=vanished)
    passing = fault is not None and fault.passing

    assert ([] if how == "died" else ["skerrow-00001"]) == told
    assert ({"skerrow-00001"} if passing and told else set()) == put_off(ledger)
    assert ("refused" if how == "died" else "put-off" if passing else "gone" if how == "gone" else "refused") in tally.counts


@pytest.mark.parametrize("bulk", [False, True])
def test_a_record_system_that_names_itself_otherwise_stops_the_pull(bulk: bool) -> None:
    """Every subject by another address: nobody would be due, and the mark would move."""
    ehr, ledger = fake_ehr(2), MemoryLedger()
    for kind in ("Observation", "Condition", "Procedure", "QuestionnaireResponse"):
        for kept in list(ehr.store.all(kind)):
            whole = kept.resource or {}
            ehr.store.put({**whole, "subject": {"reference": f"https://inside.skerrow.example/fhir/{whole['subject']['reference']}"}})

    with pytest.raises(Stopped):
        pull(ehr, ledger, asked=order(bulk=bulk))
    assert ledger.mark(BASE, "changes") is None


def test_a_server_whose_clock_runs_far_ahead_keeps_nobody_away() -> None:
    """A mark in the future would: nobody changes before it comes."""
    ehr, ledger = fake_ehr(2), MemoryLedger()
    answer = ehr._answer

    async def ahead(request: Any, path: list[str]) -> Any:
        response = await answer(request, path)
        response.headers["date"] = format_datetime(datetime.now(UTC) + timedelta(days=3650), usegmt=True)
        return response

    ehr._answer = ahead  # type: ignore[method-assign]
    tally = pull(ehr, ledger)

    assert str(ledger.mark(BASE, "changes")) <= instant(datetime.now(UTC))
    assert any("clock of the server" in remark for remark in tally.remarks)


def test_what_a_later_since_leaves_out_is_said() -> None:
    ehr, ledger = fake_ehr(2), MemoryLedger()
    ledger.marks[BASE, "changes"] = "2026-01-01T00:00:00Z"

    assert any("changes in between" in remark for remark in pull(ehr, ledger, asked=order(since="2026-02-01")).remarks)
    assert not any("changes in between" in remark for remark in pull(ehr, ledger, asked=order(since="2025-02-01")).remarks)


@pytest.mark.parametrize("there", [True, False])
def test_medications_that_an_export_only_names_are_read(there: bool) -> None:
    """They are about nobody, so that an export of patients need not hold them; those that are not to be had are remarked."""
    ehr, by_search, by_export = fake_ehr(2), Pulled(), Pulled()
    ehr.store.put({"resourceType": "Medication", "id": "m1", "code": {"text": "metformin"}})
    named = {"status": "active", "subject": {"reference": "Patient/skerrow-00001"}, "medicationReference": {"reference": "Medication/m1"}}
    ehr.store.put({"resourceType": "MedicationStatement", "id": "s1", **named})
    pull(ehr, sink=by_search)
    if not there:
        ehr.store.delete("Medication", "m1")
    tally = pull(ehr, sink=by_export, asked=order(bulk=True))

    def unresolved(answers: Pulled) -> list[Any]:
        (summary,) = documents(answers["skerrow-00001"])
        return [issue for issue in summary["issues"] if issue["key"] == "reference-unresolved"]

    assert [] == unresolved(by_search)
    assert there is ([] == unresolved(by_export))
    assert there is ("medication of an export cannot be read" not in tally.remarks)
