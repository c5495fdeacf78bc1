"""Recall: who is due, overdue, lost, unsettled, referred and not seen; and what has become worse. Pure, on facts of real answers.

Sources: NICE NG19 1.3.3 (at least yearly) and 1.3.11 (3 to 6 months at moderate, 1 to 2 months at high risk, yearly at low risk); what counts
as lost or seen is decision 0020.
"""

import csv
import io
from datetime import date, timedelta
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from sural.canonical import RECALL
from sural.recall.definitions import CHANGES, PLACES, REASONS, REMARKS, STATES
from sural.recall.deterioration import Change, deterioration, moved
from sural.recall.facts import Answered, Followed, Proposed, fact_of
from sural.recall.issues import detected_issues
from sural.recall.listing import KNOWN_STATES, Wanted, sorted_by_urgency, urgency
from sural.recall.person import Entry, Known, Referral, judge
from sural.recall.snapshot import Snapshot, of_summary
from sural.recall.words import COLUMNS, csv_lines, harmless, row
from tests.asking import answer_of, summary_of
from tests.builders import Exam, Json
from tests.recalls import DAY, SUBJECT, after_days, facts, facts_of, high, known, numb, on, proposal, ulcer

YEAR = 365


# places by date


@pytest.mark.parametrize(
    ("days", "place", "states"),
    [
        (0, "not-due", ()), (364, "not-due", ()), (365, "due", ("due",)), (366, "lost", ("lost", "overdue")), (4000, "lost", ("lost", "overdue")),
    ],
)  # fmt: skip
def test_low_risk_is_reviewed_in_a_year(days: int, place: str, states: tuple[str, ...]) -> None:
    """NG19 1.3.11 and 1.3.3: due on the day; after it nobody has seen these feet for a year."""
    entry = after_days(Exam().normal(), days)

    assert (place, states) == (entry.place, entry.states)


@pytest.mark.parametrize(
    ("days", "place"), [(0, "not-due"), (91, "not-due"), (92, "due"), (184, "due"), (185, "overdue"), (365, "overdue"), (366, "lost")]
)
def test_moderate_risk_is_reviewed_in_three_to_six_months(days: int, place: str) -> None:
    """NG19 1.3.11: examined on 1 March, from 1 June to 1 September; lost only after the year of 1.3.3."""
    entry = after_days(numb(), days)

    assert place == entry.place
    assert (DAY, (date(2026, 6, 1), date(2026, 9, 1))) == (entry.examined, entry.due)
    assert ("overdue" in entry.states) == (days > 184)


@pytest.mark.parametrize(("days", "place"), [(30, "not-due"), (31, "due"), (61, "due"), (62, "overdue"), (366, "lost")])
def test_high_risk_is_reviewed_in_one_to_two_months(days: int, place: str) -> None:
    """NG19 1.3.11."""
    assert place == after_days(high(), days).place


def test_an_active_problem_waits_no_longer_than_high_risk() -> None:
    """The scheme has no interval for it: worse never waits longer."""
    entry, less = after_days(ulcer(), 62), after_days(high(), 62)

    assert (less.due, less.place) == (entry.due, entry.place)
    assert "treating-service-sets-review" in entry.reasons


def test_reviews_count_from_the_feet_and_not_from_a_blood_test() -> None:
    """A blood test ten months later is the newest finding of the answer; the feet are no younger for it."""
    exam = on(Exam().normal(), DAY)
    late = exam.observation("hba1c", 60.0)
    exam.add({**late, "valueQuantity": {"value": 7.4, "unit": "%", "system": "http://unitsofmeasure.org", "code": "%"}, "effectiveDateTime": "2026-12-20"})
    entry = judge(known(*facts_of(answer_of(exam, "2026-12-20", transaction=True))), date(2026, 12, 21))

    assert (DAY, date(2027, 3, 1)) == (entry.examined, entry.due[1] if entry.due else None)


def test_an_answer_without_feet_is_lost() -> None:
    """Diabetes and a blood test: nobody has looked at the feet."""
    entry = after_days(Exam().kidneys_well(), 1)

    assert ("lost", True, None) == (entry.place, "unsettled" in entry.states, entry.examined)
    assert "feet-not-examined" in entry.reasons


def test_a_day_before_the_examination_does_not_know_it() -> None:
    """The list for a day counts what had been examined by then."""
    assert ("lost", ("never-examined",)) == (lambda entry: (entry.place, entry.reasons))(after_days(numb(), -1))


# nobody disappears


def test_who_is_known_and_was_never_examined_is_lost() -> None:
    """A record system told of them, nothing else."""
    entry = judge(Known(SUBJECT), DAY)

    assert ("lost", ("lost",), ("never-examined",)) == (entry.place, entry.states, entry.reasons)


def test_whose_examination_was_withdrawn_is_lost() -> None:
    """Entered in error, with nothing else left; an earlier examination that stands counts again."""
    gone = facts(numb(), status="entered-in-error")
    withdrawn, earlier = judge(known(*gone), DAY), judge(known(*gone, *facts(Exam().normal(), DAY - timedelta(days=100))), DAY)

    bled = judge(known(*gone, *facts(Exam().kidneys_well(), DAY - timedelta(days=9))), DAY)

    assert ("lost", "examination-withdrawn") == (withdrawn.place, withdrawn.reasons[0])
    assert {"examination-withdrawn", "feet-not-examined"} <= set(bled.reasons)
    assert DAY - timedelta(days=100) == earlier.examined


@pytest.mark.parametrize("remark", [remark for remark in REMARKS if remark != "died"])
def test_what_is_said_of_a_record_takes_nobody_off_the_list(remark: str) -> None:
    """Inactive, replaced, gone, refused: the place is that without the remark, or lost; the reason is told."""
    for days in (0, 100, 200, 400):
        without, told = (judge(known(*facts(numb()), remark=one), DAY + timedelta(days=days)) for one in ("", remark))

        assert told.place in (without.place, "lost") and set(without.states) <= set(told.states)
        assert remark in told.reasons


def test_who_has_died_is_on_no_list_but_still_known() -> None:
    """One place of their own."""
    entry = judge(known(*facts(numb()), remark="died"), DAY + timedelta(days=400))

    assert ("ended", ()) == (entry.place, entry.states)
    assert Wanted(DAY, ("ended",)).takes(entry) and not Wanted(DAY).takes(entry)


def test_the_scheme_does_not_apply_only_by_a_finding() -> None:
    """Without diabetes, by a finding; diabetes not recorded is no such finding."""
    absent, silent = after_days(Exam(diabetes="absent").normal(), 400), after_days(Exam(diabetes=None).normal(), 400)

    assert ("outside", ("scheme-not-applicable",)) == (absent.place, absent.reasons)
    assert "lost" == silent.place


# unsettled


def test_an_open_category_names_the_smallest_set_that_settles_it() -> None:
    """What the stored answer says would settle it, read off the states of the factors."""
    exam = Exam().felt("both").pulses("both").nothing_active().no_history().kidneys_well().see("callus", "absent", "both")
    entry = after_days(exam, 0)
    summary = summary_of(on(exam, DAY), DAY.isoformat())["footRisk"]["nice-ng19-2019"]

    assert [("foot-deformity",)] == list(entry.would_settle) == [tuple(one) for one in summary["wouldSettle"]]
    assert {"unsettled", "due"} == set(entry.states)
    assert "complete-the-examination" in entry.reasons


def test_sets_are_those_of_the_answer_when_the_states_are_lost() -> None:
    """An answer from which nothing but the range can be read: everything that the scheme asks for is open."""
    (answered,) = [one for one in facts(numb()) if isinstance(one, Answered)]
    bare = Answered(answered.reference, answered.examination, "final", answered.when, answered.feet, answered.scheme, {answered.scheme: ("moderate", "high")})
    (settle,) = judge(known(bare), DAY).would_settle

    assert {"callus", "foot-deformity", "arterial-disease"} <= set(settle)


# referred and not seen


@pytest.mark.parametrize(("days", "late"), [(-1, False), (0, False), (1, True)])
def test_a_proposal_is_late_after_its_last_day(days: int, late: bool) -> None:
    """Waiting until then."""
    entry = judge(known(*_settled(), proposal()), date(2026, 3, 20) + timedelta(days=days))

    assert [late] == [one.late for one in entry.referrals]
    assert ("referral-late" if late else "referral-waiting") in entry.reasons
    assert "referred-not-seen" in entry.states


def test_a_proposal_without_a_day_is_late() -> None:
    """What is missing does not make it wait."""
    assert [True] == [one.late for one in judge(known(*_settled(), proposal(due=None)), DAY).referrals]


@pytest.mark.parametrize(
    ("reference", "status", "state"),
    [
        ("Task/t1", "completed", None), ("Encounter/e1", "finished", None), ("Encounter/e1", "in-progress", None), ("ServiceRequest/o1", "completed", None),
        ("Task/t1", "requested", "waiting"), ("Task/t1", "accepted", "booked"), ("Encounter/e1", "planned", "booked"), ("Task/t1", "rejected", "refused"),
        ("Encounter/e1", "cancelled", "refused"), ("ServiceRequest/o1", "revoked", "refused"), ("Task/t1", "", "waiting"), ("Task/t1", "draft", "waiting"),
        ("Encounter/e1", "unknown", "waiting"), ("Task/t1", "entered-in-error", "waiting"), ("Appointment/a1", "fulfilled", "waiting"),
    ],
)  # fmt: skip
def test_what_follows_a_proposal_says_whether_somebody_was_seen(reference: str, status: str, state: str | None) -> None:
    """FHIR R4 statuses: only a completed Task, a begun Encounter or a completed request end the waiting."""
    entry = judge(known(*_settled(), proposal(), Followed("ServiceRequest/r1", reference, status)), DAY)

    assert ([state] if state else []) == [one.state for one in entry.referrals]


def test_what_follows_another_proposal_ends_nothing() -> None:
    """By reference."""
    assert 1 == len(judge(known(*_settled(), proposal(), Followed("ServiceRequest/r2", "Task/t1", "completed")), DAY).referrals)


@pytest.mark.parametrize("status", ["completed", "revoked", "entered-in-error"])
def test_a_closed_proposal_is_not_waited_for(status: str) -> None:
    """Its own status."""
    assert () == judge(known(*_settled(), proposal(status)), DAY).referrals


def _settled() -> list[Answered]:
    return [one for one in facts(Exam().normal()) if isinstance(one, Answered)]


# properties

TESTS = (
    ("monofilament-10g", "felt", "left", "hallux"), ("monofilament-10g", "not-felt", "right", "hallux"), ("dorsalis-pedis-pulse", "absent", "left", None),
    ("dorsalis-pedis-pulse", "present", "right", None), ("posterior-tibial-pulse", "absent", "left", None), ("posterior-tibial-pulse", "present", "right", None),
    ("foot-inspection", "clear", "left", None), ("foot-inspection", "clear", "right", None), ("limb-threatening-ischaemia", "absent", "left", None),
    ("limb-threatening-ischaemia", "absent", "right", None), ("previous-foot-ulcer", "absent", "left", None), ("previous-foot-ulcer", "present", "right", None),
    ("amputation", "none", "left", None), ("amputation", "none", "right", None), ("charcot-history", "absent", "left", None),
    ("charcot-history", "absent", "right", None), ("callus", "present", "left", None), ("callus", "absent", "right", None),
    ("foot-deformity", "absent", "left", None), ("foot-deformity", "present", "right", None), ("dialysis-or-transplant", "none", None, None),
    ("foot-ulcer", "absent", "left", None), ("foot-ulcer", "present", "right", None),
)  # fmt: skip


def _exam(tests: tuple[int, ...]) -> Exam:
    exam = Exam()
    for number in tests:
        code, value, side, site = TESTS[number]
        exam.see(code, value, side, site)
    return exam


@settings(max_examples=60, deadline=None)
@given(some.sets(some.integers(0, len(TESTS) - 1), min_size=1), some.data(), some.integers(0, 500))
def test_a_test_that_is_missing_takes_nobody_off_the_list(tests: set[int], data: some.DataObject, days: int) -> None:
    """Whoever is on the list stays on it when a finding is taken out of their examination."""
    out = data.draw(some.sampled_from(sorted(tests)))
    whole, less = (after_days(_exam(tuple(sorted(one))), days) for one in (tests, tests - {out}))

    assert not whole.states or less.states


@settings(max_examples=60, deadline=None)
@given(some.sets(some.integers(0, len(TESTS) - 1), min_size=1), some.data())
def test_what_is_not_examined_again_puts_no_review_off(tests: set[int], data: some.DataObject) -> None:
    """Examined twice alike, the second time perhaps less: who was at high risk is not reviewed later because the reason was not asked for again."""
    fewer = data.draw(some.sets(some.sampled_from(sorted(tests)), min_size=1))
    first = facts(_exam(tuple(sorted(tests))), DAY - timedelta(days=60))
    whole, less = (judge(known(*first, *facts(_exam(tuple(sorted(one))))), DAY) for one in (tests, fewer))

    assert less.due is None or (whole.due is not None and less.due[1] <= whole.due[1])
    assert urgency(less)[1:3] <= urgency(whole)[1:3] or less.place == whole.place == "not-due"


def test_an_earlier_category_counts_until_it_is_ruled_out() -> None:
    """High by an earlier ulcer; moderate at least when only touch was tested again; moderate when all was, and the ulcer was another's."""
    less = Exam().not_felt("left").felt("right")
    open_again = judge(known(*facts(high(), DAY - timedelta(days=30)), *facts(less)), DAY + timedelta(days=62))
    ruled_out = judge(known(*facts(high(), DAY - timedelta(days=60)), *facts(numb(), DAY - timedelta(days=30)), *facts(less)), DAY + timedelta(days=62))

    assert ("moderate", "active", "high", "overdue") == (open_again.at_least, open_again.at_most, open_again.not_ruled_out, open_again.place)
    assert "earlier-category-not-ruled-out" in open_again.reasons
    assert "High risk" == row(open_again, DAY)[COLUMNS.index("category_before")]
    assert ("", "not-due") == (ruled_out.not_ruled_out, ruled_out.place)


def test_an_older_examination_of_the_feet_rules_nothing_out() -> None:
    """The newest answer is newer by a blood test; of the feet it knows only what was found before the ulcer was seen."""
    old = on(Exam().normal(), DAY - timedelta(days=20))
    old.see("egfr", 80, effectiveDateTime=(DAY + timedelta(days=4)).isoformat())
    stale = facts_of(answer_of(old, (DAY + timedelta(days=4)).isoformat(), transaction=True))
    entry = judge(known(*facts(ulcer()), *stale), DAY + timedelta(days=70))

    assert ("low", "low", "active", "overdue") == (entry.at_least, entry.at_most, entry.not_ruled_out, entry.place)
    assert DAY == entry.examined


def test_what_is_due_and_open_is_not_of_low_severity() -> None:
    """Low at least, and perhaps more: the examination is to be completed."""
    less = Exam().felt("both").pulses("left").nothing_active().no_history().kidneys_well()

    assert {"moderate"} == {one["severity"] for one in detected_issues(after_days(less, 10), DAY + timedelta(days=10))}


@pytest.mark.parametrize(("text", "day"), [("2026-02", "2026-02-01"), ("2026", "2026-01-01")])
def test_a_partial_date_puts_no_review_off(text: str, day: str) -> None:
    """Examined some day of a month or year: counted from its first day."""
    exam = Exam().normal()
    for entry in exam.entries:
        if entry["resource"]["resourceType"] == "Observation":
            entry["resource"]["effectiveDateTime"] = text
    entry = judge(known(*facts_of(answer_of(exam, "2026-03-01", transaction=True))), DAY)

    assert date.fromisoformat(day) == entry.examined


@settings(max_examples=60, deadline=None)
@given(some.sets(some.integers(0, len(TESTS) - 1)), some.integers(-5, 800), some.sampled_from(["", *REMARKS]), some.booleans())
def test_everybody_stands_in_one_place(tests: set[int], days: int, remark: str, referred: bool) -> None:
    """Lists by place are a partition of all who are known; lists by state hold nobody who is not in them."""
    found = facts(_exam(tuple(sorted(tests)))) if tests else []
    entry = judge(known(*found, *([proposal()] if referred else []), remark=remark), DAY + timedelta(days=days))

    assert [entry.place] == [place for place in PLACES if Wanted(DAY, (place,)).takes(entry) and place not in STATES] or entry.place in STATES
    assert 1 == sum(entry.place == place for place in PLACES)
    assert set(entry.states) <= set(STATES) and set(entry.reasons) <= set(REASONS)
    assert (entry.place in STATES) <= (entry.place in entry.states)
    assert bool(entry.states) == Wanted(DAY).takes(entry)
    assert entry.reasons or not entry.states


def test_the_order_of_facts_does_not_matter() -> None:
    """Answers, proposals and what follows them come in any order."""
    found = [
        *[one for one in facts(numb(), DAY) if not isinstance(one, Proposed)], *_settled(), proposal(), Followed("ServiceRequest/r1", "Task/t1", "accepted"),
    ]  # fmt: skip
    expected = judge(known(*found), DAY + timedelta(days=100))

    assert all(expected == judge(known(*one), DAY + timedelta(days=100)) for one in list(permutations(found))[:200])


@settings(max_examples=40, deadline=None)
@given(some.permutations([after_days(Exam().normal(), 400), after_days(numb(), 200), after_days(high(), 10), after_days(ulcer(), 0), judge(Known("Patient/p9"), DAY)]))
def test_the_order_of_people_does_not_matter(entries: list[Entry]) -> None:
    """The list is sorted by what there is to do."""
    assert [urgency(one) for one in sorted_by_urgency(entries)] == sorted(urgency(one) for one in entries)


def test_late_urgent_referrals_come_first() -> None:
    """Then urgent ones that are not late, then lost, overdue, due; in each the higher category first. A booked one does not press."""
    soon = Entry("Patient/e", "not-due", ("referred-not-seen",), referrals=(Referral("ServiceRequest/1", "acute-services", "stat", DAY, False, "waiting"),))
    booked = Entry("Patient/f", "not-due", ("referred-not-seen",), referrals=(Referral("ServiceRequest/1", "acute-services", "stat", DAY, True, "booked"),))
    late = Entry("Patient/a", "not-due", ("referred-not-seen",), referrals=(Referral("ServiceRequest/1", "acute-services", "stat", DAY, True, "waiting"),))
    lost, overdue = Entry("Patient/b", "lost", ("lost",)), Entry("Patient/c", "overdue", ("overdue",), scheme="nice-ng19-2019", at_least="low")
    worse = Entry("Patient/d", "overdue", ("overdue",), scheme="nice-ng19-2019", at_least="high")

    assert [late, soon, lost, worse, overdue, booked] == sorted_by_urgency([overdue, booked, worse, lost, soon, late])


def test_what_threatens_limb_or_life_comes_first_on_its_very_day() -> None:
    """Whoever is to be seen today stands before late urgent referrals and before the lost, and is not of low severity."""
    today = Entry("Patient/z", "not-due", ("referred-not-seen",), referrals=(Referral("ServiceRequest/1", "acute-services", "stat", DAY, False, "waiting"),))
    tomorrow = Entry("Patient/y", "not-due", ("referred-not-seen",), referrals=(Referral("ServiceRequest/2", "neurology", "urgent", DAY, False, "waiting"),))
    late = Entry("Patient/x", "not-due", ("referred-not-seen",), referrals=(Referral("ServiceRequest/3", "neurology", "urgent", DAY, True, "waiting"),))
    lost = Entry("Patient/a", "lost", ("lost",))

    assert [today, late, tomorrow, lost] == sorted_by_urgency([lost, tomorrow, late, today])
    assert ["high", "high", "moderate"] == [issue["severity"] for one in (today, late, tomorrow) for issue in detected_issues(one, DAY)]
    assert "Acute services (emergency): nobody has taken it up" == dict(zip(COLUMNS, row(today, DAY), strict=True))["referrals_not_seen"]


# deterioration


def _snapshot(exam: Exam) -> Snapshot:
    return of_summary(summary_of(exam))


def test_what_is_worse_is_named_with_where() -> None:
    """From nothing found to protective sensation lost on the left: two schemes and the foot."""
    changes = deterioration(_snapshot(Exam().normal()), _snapshot(numb()))

    assert Change("category-up", "nice-ng19-2019") in changes
    assert Change("protective-sensation-newly-lost", "protective-sensation-lost", "left") in changes
    assert not any(change.code == "newly-unsettled" and change.of == "nice-ng19-2019" for change in changes)


def test_a_new_ulcer_and_a_new_history_are_told_apart() -> None:
    """An ulcer now; an earlier one that nobody knew of; an ulcer that has become history is no news."""
    well, sore, healed = _snapshot(Exam().normal()), _snapshot(ulcer()), _snapshot(high())

    assert "ulcer-new" in {change.code for change in deterioration(well, sore)}
    assert "ulcer-history-new" in {change.code for change in deterioration(well, healed)}
    assert "ulcer-history-new" not in {change.code for change in deterioration(sore, healed)}


def test_a_reach_that_rises_is_named_by_modality_and_side() -> None:
    """Ranges of levels that do not overlap."""
    low, up = Snapshot(levels={"pinprick": {"left": (1, 2)}}), Snapshot(levels={"pinprick": {"left": (3, 3)}})
    near = Snapshot(levels={"pinprick": {"left": (2, 4)}})

    assert (Change("reach-rising", "pinprick", "left"),) == deterioration(low, up)
    assert () == deterioration(low, near) == deterioration(up, low)


def test_what_is_no_longer_known_is_named_apart() -> None:
    """Settled before, open now: no foot is worse for it."""
    less = Exam().felt("both").nothing_active().no_history().kidneys_well()

    assert {"newly-unsettled"} == {change.code for change in deterioration(_snapshot(Exam().normal()), _snapshot(less))}


@pytest.mark.parametrize("exam", [Exam().normal(), numb(), high(), ulcer(), Exam()])
def test_the_same_again_is_not_worse(exam: Exam) -> None:
    """Nor is better worse."""
    assert () == deterioration(_snapshot(exam), _snapshot(exam))
    assert not {change.code for change in deterioration(_snapshot(exam), _snapshot(Exam().normal()))} & (set(CHANGES) - {"newly-unsettled"})


def test_a_scheme_that_does_not_stratify_is_not_compared() -> None:
    """Outside the scale there is no higher and lower."""
    assert moved("iwgdf-2023", ("1", "1"), ("not-stratified", "not-stratified")) is None
    assert moved("another", ("1", "1"), ("2", "2")) is None


def test_a_blood_test_hides_nothing_that_is_worse() -> None:
    """The last two examinations of the feet are compared, though the newest answer is about something else."""
    feet = [*facts(Exam().normal(), DAY - timedelta(days=90)), *facts(ulcer())]
    blood = facts(Exam().see("egfr", 80), DAY + timedelta(days=1))

    assert "ulcer-new" in {change.code for change in judge(known(*feet), DAY).changes}
    assert judge(known(*feet), DAY).changes == judge(known(*feet, *blood), DAY + timedelta(days=1)).changes


def test_summaries_and_stored_answers_are_compared_alike() -> None:
    """The population report and the recall list have one function and one reading."""
    for before, after in ((Exam().normal(), numb()), (numb(), ulcer()), (high(), Exam().normal()), (numb(), high())):
        listed = judge(known(*facts(before, DAY - timedelta(days=90)), *facts(after)), DAY).changes

        counted = {one for one in deterioration(_snapshot(before), _snapshot(after)) if one.code != "newly-unsettled" or one.of == "nice-ng19-2019"}

        assert counted == set(listed)


def test_a_summary_in_another_form_is_not_compared() -> None:
    """Nothing is made up of it."""
    assert () == deterioration(of_summary({"footRisk": {"nice-ng19-2019": {"atLeast": None}}, "neuropathy": {"level": {"pinprick": {"left": 3}}}}), _snapshot(ulcer()))


# as CSV and as FHIR


@pytest.mark.parametrize("cell", ["=1+1", "+1", "-1", "@x", "\t=1", "\r=1", "\n=1", " =1", "\u00a0=1", "\uff1d1"])
def test_no_cell_is_a_formula(cell: str) -> None:
    """Spreadsheets run what begins like one."""
    assert f"'{cell}" == harmless(cell)


@settings(max_examples=60, deadline=None)
@given(some.text(), some.text())
def test_csv_gives_back_every_cell(system: str, value: str) -> None:
    """RFC 4180: commas, quotes and line ends in an identifier stay in their cell."""
    entry = Entry("Patient/p1", "lost", ("lost",), ("never-examined",), (system, value))
    head, line = list(csv.reader(io.StringIO("".join(csv_lines([entry], DAY)), newline="")))

    assert list(COLUMNS) == head
    assert [harmless(cell) for cell in row(entry, DAY)] == line


def test_a_row_says_what_there_is_to_do() -> None:
    """As somebody reads it who sends invitations."""
    exam = Exam().felt("both").pulses("both").nothing_active().no_history().kidneys_well().see("callus", "absent", "both")
    said = dict(zip(COLUMNS, row(after_days(exam, 10, (proposal(),)), DAY + timedelta(days=25)), strict=True))

    assert "overdue; unsettled; referred and not seen" == said["states"]
    assert ("2026-03-01", "2026-03-01", "25") == (said["feet_last_examined"], said["due_by"], said["days_overdue"])
    assert ("Not settled", "Moderate risk", "foot deformity") == (said["category_at_least"], said["category_could_be"], said["examine_to_settle"])
    assert ("Foot protection service (routine): nobody has taken it up", "2026-03-20") == (said["referrals_not_seen"], said["referrals_due"])


@pytest.mark.parametrize("days", [0, 100, 400])
@pytest.mark.parametrize("exam", [Exam().normal(), numb(), ulcer(), Exam().kidneys_well()])
def test_one_issue_for_each_state(exam: Exam, days: int) -> None:
    """And for each referral; somebody in none gets one for the place."""
    entry = judge(known(*facts(exam)), DAY + timedelta(days=days))
    issues = list(detected_issues(entry, DAY))
    codes = [issue["code"]["coding"][0]["code"] for issue in issues]

    assert set(entry.states or (entry.place,)) == set(codes)
    assert len(entry.referrals) == codes.count("referred-not-seen")
    assert all(issue["code"]["coding"][0]["system"] == RECALL and "id" not in issue for issue in issues)


def test_whom_it_is_about_may_be_known_by_identifier_only() -> None:
    """As the store keeps it: `system|value`."""
    (issue,) = detected_issues(judge(Known("https://skerrow.example/id|4711"), DAY), DAY)

    assert {"identifier": {"system": "https://skerrow.example/id", "value": "4711"}} == issue["patient"]


def test_every_word_is_defined_with_its_evidence() -> None:
    """In words, with a mark, and named once."""
    tables = (STATES, REASONS, CHANGES)

    assert all(one.text.endswith(".") and str(one.citation).endswith("]") for table in (*tables, PLACES) for one in table.values())
    assert len({code for table in tables for code in table}) == sum(map(len, tables))
    assert {*STATES, *PLACES} == set(KNOWN_STATES)


@pytest.mark.parametrize(
    "resource",
    [
        {"resourceType": "Device", "id": "d"}, {"resourceType": "Observation", "id": "o"}, {"resourceType": "ServiceRequest", "id": "r", "status": "active"},
        {"resourceType": "Observation", "id": "o", "identifier": [{"system": "https://sural.example/fhir/identifier/examination", "value": "x-tcss"}]},
    ],
)  # fmt: skip
def test_what_is_not_of_an_answer_tells_nothing(resource: Json) -> None:
    """Another's request is not followed."""
    assert fact_of(resource) is None


def test_a_bare_observation_of_an_answer_is_read_without_fault() -> None:
    """A client may have stored one with next to nothing in it: nothing is known of it, and the person is lost."""
    named = [{"system": "https://sural.example/fhir/identifier/examination", "value": "x-foot-risk-category"}]
    odd = [{"url": "https://sural.example/fhir/StructureDefinition/factor-state"}, {"url": "https://sural.example/fhir/StructureDefinition/category-range"}]
    fact = fact_of({"resourceType": "Observation", "id": "o", "identifier": named, "status": "final", "effectiveDateTime": "2026-03-01", "extension": odd, "component": [{"extension": odd}]})
    assert fact is not None

    assert ("lost", ("lost", "unsettled")) == (lambda entry: (entry.place, entry.states))(judge(known(fact), DAY))
