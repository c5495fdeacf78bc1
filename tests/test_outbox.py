"""The outbox of subscriptions: which events there are, in which order they may be sent, and what failures lead to. Interop L1, L4.

With a clock of our own; on SQLite and PostgreSQL.
"""

from concurrent.futures import ThreadPoolExecutor

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from sural.issues import Issue, Refused
from sural.ledger.resources import Resources, Write
from sural.ledger.store import Ledger
from sural.ledger.tables import NOTIFICATION
from sural.subscriptions.outbox import KEPT, MARGIN, Claim, Patience
from sural.subscriptions.store import Subscribed
from tests.databases import emptied
from tests.subscribers import ENDPOINT, PATIENCE, House, by_topic, plain


@pytest.fixture
def house(url: str) -> House:
    return House(Resources(Ledger(url))).active()


# ---------------------------------------------------------------------------------------------------------------------------------
# events


def test_events_begin_with_the_subscription(url: str) -> None:
    """What was stored before is none; what is stored before the handshake was answered is one."""
    resources = Resources(Ledger(url))
    House(resources).store("p0")
    house = House(resources)
    house.store("p1", "p2")
    house.active().store("p3")

    with resources.database.reading() as connection:
        rows = connection.execute(select(NOTIFICATION.c.number, NOTIFICATION.c.about).where(NOTIFICATION.c.subscription == house.id).order_by(NOTIFICATION.c.number))
        assert [(1, "Patient/p1"), (2, "Patient/p2"), (3, "Patient/p3")] == [tuple(row) for row in rows]
    assert 3 == house.one.events


def test_reading_the_feed_again_makes_no_event_again(house: House) -> None:
    """However often, and whatever else is in it."""
    house.store("p1")
    house.store("p2", kind="DetectedIssue")

    assert [0, 0] == [house.outbox.collect(), house.outbox.collect()]
    assert [(1, "p1")] == house.waiting()


def test_the_feed_is_read_in_parts(house: House) -> None:
    """None is left out between two of them."""
    house.resources.write(lambda _: [Write({"resourceType": "RiskAssessment", "subject": {"reference": f"Patient/p{number}"}}) for number in range(25)])
    while house.outbox.collect(10):
        pass

    assert [(number + 1, f"p{number}") for number in range(25)] == house.waiting()


def test_several_may_read_the_feed_at_once(house: House) -> None:
    """Each event has one number, and each number one event."""
    house.resources.write(lambda _: [Write({"resourceType": "RiskAssessment", "subject": {"reference": f"Patient/p{number}"}}) for number in range(60)])
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda _: [house.outbox.collect(7) for _ in range(15)], range(4)))

    assert [(number + 1, f"p{number}") for number in range(60)] == house.waiting()


def test_while_off_nothing_is_collected(house: House) -> None:
    """And what happened meanwhile is not told later; what waited before is."""
    house.store("p1")
    house.set("off")
    house.store("p2")
    house.set("requested")
    house.active().store("p3")

    assert [(1, "p1"), (2, "p3")] == house.waiting()


def test_an_event_without_a_patient_is_in_the_order_of_its_resource(url: str) -> None:
    """Such as the Device that names the software."""
    house = House(Resources(Ledger(url)), plain("Device", ENDPOINT)).active()
    (device,) = house.resources.write(lambda _: [Write({"resourceType": "Device", "status": "active"})])
    house.outbox.collect()

    assert [(1, device.reference)] == house.waiting()


# ---------------------------------------------------------------------------------------------------------------------------------
# order


def test_an_event_under_way_holds_back_its_patient_only(house: House) -> None:
    """The next that may be sent is the other patient's."""
    house.store("p1", "p1", "p2")
    first, second = house.claim(), house.claim()

    assert ([1], [3], None) == (first.numbers, second.numbers, house.outbox.claim(house.id))
    house.outbox.delivered(first)
    assert [2] == house.claim().numbers


def test_what_is_refused_is_sent_again_and_holds_back_its_patient_only(house: House) -> None:
    """An endpoint that cannot read one resource gets everybody else's."""
    house.store("p1", "p1", "p2")
    house.outbox.refused(house.claim(), "HTTP status 422")
    other = house.claim()
    house.outbox.delivered(other)

    assert ([3], None) == (other.numbers, house.outbox.claim(house.id))
    house.time += 3
    assert [1] == house.claim().numbers


def test_several_events_go_into_one_notification_where_that_is_asked_for(url: str) -> None:
    """At most so many, in order; after a refusal one by one."""
    house = House(Resources(Ledger(url)), by_topic("RiskAssessment", ENDPOINT, max_count=3)).active()
    house.store("p1", "p2", "p1", "p3")
    first = house.claim()
    house.outbox.refused(first, "HTTP status 422")
    house.time += 3

    assert [1, 2, 3] == first.numbers
    assert [[4], [1], [2]] == sorted(([house.claim().numbers, house.claim().numbers, house.claim().numbers]), key=lambda one: one != [4])


def test_an_empty_post_tells_of_all_that_waits(url: str) -> None:
    """It says no more of one event than of many."""
    house = House(Resources(Ledger(url)), plain("RiskAssessment", ENDPOINT)).active()
    house.store("p1", "p2", "p1")

    assert [1, 2, 3] == house.claim().numbers


def test_what_a_dead_process_held_is_taken_by_the_next(house: House) -> None:
    """Once the endpoint's time and a little more is over, and not before."""
    house.store("p1", "p1")
    house.claim()
    house.time += 10 + MARGIN / 1000 - 1
    before = house.outbox.claim(house.id)
    house.time += 2

    assert before is None
    assert [1] == house.claim().numbers


def test_a_late_failure_does_not_let_go_of_what_another_holds(house: House) -> None:
    """The claim had run out, and somebody else has it now."""
    house.store("p1")
    first = house.claim()
    house.time += 60
    house.claim()
    house.outbox.refused(first, "HTTP status 422")
    house.outbox.released(first)

    assert None is house.outbox.claim(house.id)


def test_several_never_claim_the_same_event(house: House) -> None:
    """Four at once: each event once, and of each patient one at a time."""
    house.store(*(f"p{number % 10}" for number in range(40)))
    with ThreadPoolExecutor(4) as pool:
        claims = [claim for claim in pool.map(lambda _: house.outbox.claim(house.id), range(40)) if claim is not None]

    assert list(range(1, 11)) == sorted(number for claim in claims for number in claim.numbers)


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("store"), st.integers(0, 3)), st.tuples(st.just("claim"), st.integers(0, 9)), st.tuples(st.just("delivered"), st.integers(0, 9)),
        st.tuples(st.just("lost"), st.integers(0, 9)), st.tuples(st.just("failed"), st.integers(0, 9)), st.tuples(st.just("refused"), st.integers(0, 9)),
        st.tuples(st.just("dead"), st.integers(0, 9)), st.tuples(st.just("wait"), st.integers(1, 40)),
    ),
    max_size=60,
)  # fmt: skip


@given(STEPS, st.integers(1, 3))
@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
def test_whatever_happens_everything_arrives_in_the_order_of_each_patient(steps: list[tuple[str, int]], most: int) -> None:
    """Claims that are answered, refused, failed, left by a dead process, or answered though the answer is lost, in any order and mixture."""
    house = House(Resources(_memory()), by_topic("RiskAssessment", ENDPOINT, max_count=most), Patience(1.0, 8.0, 10**6)).active()
    held: list[Claim] = []
    seen: list[int] = []
    stored = 0
    for what, number in steps:
        if what == "store":
            house.store(f"p{number}")
            stored += 1
        elif what == "claim":
            claim = house.outbox.claim(house.id)
            held += [claim] if claim else []
        elif what == "wait":
            house.time += number  # also beyond what a claim lasts
        elif held:
            claim = held.pop(number % len(held))
            if what in ("delivered", "lost"):
                seen += claim.numbers
            if what == "delivered":
                house.outbox.delivered(claim)
            elif what in ("failed", "lost"):
                house.outbox.failed(claim, "no answer")
            elif what == "refused":
                house.outbox.refused(claim, "HTTP status 422")
    for _ in range(200):
        house.time += 20
        while (claim := house.outbox.claim(house.id)) is not None:
            seen += claim.numbers
            house.outbox.delivered(claim)
    first = list(dict.fromkeys(seen))
    people = {event.number: event.stored.subject for event in house.outbox.events(house.id, 1, stored, stored + 1)}

    assert list(range(1, stored + 1)) == sorted(first)
    for person in set(people.values()):
        mine = [number for number in first if people[number] == person]
        assert mine == sorted(mine)


_OPENED: list[Ledger] = []


def _memory() -> Ledger:
    """A ledger in memory with nothing in it."""
    if not _OPENED:
        _OPENED.append(Ledger("sqlite://"))
    emptied(Resources(_OPENED[0]))
    return _OPENED[0]


# ---------------------------------------------------------------------------------------------------------------------------------
# status and failures


def test_a_new_one_is_requested_until_the_handshake_was_answered(url: str) -> None:
    """L1: then active."""
    house = House(Resources(Ledger(url)))
    before = house.one.status

    assert ("requested", "active") == (before, house.active().one.status)


def test_a_handshake_that_fails_is_an_error(url: str) -> None:
    """L1: at once; whoever asked asks again."""
    house = House(Resources(Ledger(url)))
    house.outbox.failed(house.claim("handshake"), "HTTP status 500")
    failed, due = house.one, house.outbox.due()
    house.set("requested")

    assert ("error", "HTTP status 500", []) == (failed.status, failed.resource["error"], due)
    assert "active" == house.active().one.status


def test_a_handshake_of_a_dead_process_is_made_again(url: str) -> None:
    """One at a time."""
    house = House(Resources(Ledger(url)))
    house.claim("handshake")
    meanwhile = house.outbox.claim(house.id)
    house.time += 60

    assert None is meanwhile
    assert house.claim("handshake")


def test_a_handshake_with_what_was_changed_meanwhile_counts_for_nothing(url: str) -> None:
    """It was another endpoint that answered."""
    house = House(Resources(Ledger(url)))
    claim = house.claim("handshake")
    house.set("requested")
    house.outbox.delivered(claim)

    assert "requested" == house.one.status


def test_waits_grow_and_after_some_failures_in_a_row_it_is_an_error(house: House) -> None:
    """One second, doubled each time with jitter up to the longest; then nothing is sent until whoever asked asks again, and nothing is lost."""
    house.store("p1", "p2")
    waits = []
    for _ in range(PATIENCE.failures):
        house.outbox.failed(house.claim(), "no answer (ConnectError)")
        waits.append(house.one.free_from / 1000 - house.time)
        house.time += waits[-1]
    failed = house.one
    house.time += 10**6
    house.store("p3")

    assert all(2**number <= wait <= 2**number + 1.001 for number, wait in enumerate(waits)), waits
    assert ("error", "no answer (ConnectError)", 3) == (failed.status, failed.resource["error"], house.one.events)
    assert ([], None) == (house.outbox.due(), house.outbox.claim(house.id))
    house.set("active")
    assert [[1], [2], [3]] == [house.claim().numbers for _ in range(3)]


def test_no_wait_is_longer_than_the_longest(url: str) -> None:
    """An endpoint that was dead for a week is asked within a minute of being back, where that is the longest."""
    house = House(Resources(Ledger(url)), patience=Patience(1.0, 60.0, 100)).active()
    house.store("p1")
    for _ in range(30):
        house.outbox.failed(house.claim(), "HTTP status 503")
        house.time = house.one.free_from / 1000

    wait = house.one.free_from
    house.outbox.failed(house.claim(), "HTTP status 503")
    assert house.one.free_from - wait <= 60_000


def test_what_the_endpoint_says_of_waiting_is_obeyed(house: House) -> None:
    """Retry-After, up to the longest wait."""
    house.store("p1")
    house.outbox.failed(house.claim(), "HTTP status 429", 30.0)
    first = house.one.free_from / 1000 - house.time
    house.time += 31
    house.outbox.failed(house.claim(), "HTTP status 503", 10**6)

    assert (30, 60) == (first, house.one.free_from / 1000 - house.time)


def test_failures_at_the_same_time_are_one(house: House) -> None:
    """Notifications under way together say one thing about the endpoint."""
    house.store("p1", "p2", "p3")
    claims = [house.claim() for _ in range(3)]
    for claim in claims:
        house.outbox.failed(claim, "no answer")

    assert 1 == house.one.failures


def test_an_endpoint_that_failed_is_tried_with_one_notification(house: House) -> None:
    """And with as many as ever, once it took that."""
    house.store("p1", "p2", "p3")
    house.outbox.failed(house.claim(), "no answer")
    house.time += 5
    tried = house.claim()
    meanwhile = house.outbox.claim(house.id)
    house.outbox.delivered(tried)

    assert None is meanwhile
    assert [[2], [3]] == [house.claim().numbers, house.claim().numbers]


def test_a_success_begins_counting_anew(house: House) -> None:
    """Only failures in a row are an error."""
    house.store("p1", "p2")
    house.outbox.failed(house.claim(), "no answer")
    house.time += 5
    house.outbox.delivered(house.claim())

    assert (0, "", "active") == (house.one.failures, house.one.fault, house.one.status)


def test_one_that_is_never_taken_is_an_error_in_the_end(house: House) -> None:
    """Not silently left behind: after as many refusals of one event."""
    house.store("p1")
    for _ in range(PATIENCE.failures):
        house.outbox.refused(house.claim(), "HTTP status 400")
        house.time += 100

    assert ("error", "HTTP status 400") == (house.one.status, house.one.fault)


def test_its_end_turns_it_off(url: str) -> None:
    """R4 Subscription.end; nothing is sent after it."""
    house = House(Resources(Ledger(url)), by_topic("RiskAssessment", ENDPOINT) | {"end": "2026-03-02T00:00:00Z"}).active()
    house.store("p1")
    house.time = 1_772_409_601.0

    assert ([], None) == (house.outbox.due(), house.outbox.claim(house.id))
    assert "off" == house.one.status


@pytest.mark.parametrize(
    ("there", "wanted", "then"),
    [
        ("active", "active", "active"), ("active", "requested", "requested"), ("active", "off", "off"), ("error", "active", "active"),
        ("error", "requested", "requested"), ("error", "error", "error"), ("off", "active", "requested"), ("off", "requested", "requested"),
    ],
)  # fmt: skip
def test_what_a_client_may_set(house: House, there: str, wanted: str, then: str) -> None:
    """L4: whoever asked takes it up again; without a handshake only where one was answered by that very channel."""
    if there == "error":
        house.store("p1")
        for _ in range(PATIENCE.failures):
            house.outbox.failed(house.claim(), "no answer")
            house.time = house.one.free_from / 1000
    elif there == "off":
        house.set("off")

    assert (there, then) == (house.one.status, house.set(wanted).status)


def test_another_endpoint_needs_its_own_handshake(house: House) -> None:
    """Though the status is asked to be active."""
    assert "requested" == house.set("active", channel=house.one.asked["channel"] | {"endpoint": "https://screening.skerrow.example/other"}).status


def test_error_is_not_for_a_client_to_set(house: House) -> None:
    """Nor when it is made."""
    with pytest.raises(Refused, match="subscription-status"):
        house.set("error")
    with pytest.raises(Refused, match="subscription-status"):
        house.subscribe(by_topic("RiskAssessment", ENDPOINT) | {"status": "off"})


def test_heartbeats_come_when_nothing_else_does(url: str) -> None:
    """L4: after each period without a notification, also while it is in error, and from one process."""
    house = House(Resources(Ledger(url)), by_topic("RiskAssessment", ENDPOINT, heartbeat_period=60)).active()
    house.time += 59
    quiet = house.outbox.claim(house.id)
    house.time += 2
    beat = house.claim("heartbeat")

    assert (None, None) == (quiet, house.outbox.claim(house.id))
    house.outbox.delivered(beat)
    house.store("p1")
    for _ in range(PATIENCE.failures):
        house.outbox.failed(house.claim(), "no answer")
        house.time = house.one.free_from / 1000
    house.time += 61
    assert [house.id] == house.outbox.due()
    assert "error" == house.claim("heartbeat").subscribed.status


def test_a_deleted_one_leaves_nothing(house: House) -> None:
    """Neither itself nor what waited; what is under way is answered into the void."""
    house.store("p1", "p2")
    claim = house.claim()

    assert [True, False] == [house.kept.delete(house.id, ""), house.kept.delete(house.id, "")]
    house.outbox.delivered(claim)
    assert ([], [], None) == (house.waiting(), house.outbox.due(), house.outbox.claim(house.id))


def test_what_was_delivered_long_ago_is_forgotten(house: House) -> None:
    """A month; what waits is kept for as long as it takes."""
    house.store("p1", "p2")
    house.outbox.delivered(house.claim())
    house.time += KEPT / 1000 - 1
    before = house.outbox.forget()
    house.time += 2

    assert (0, 1, [(2, "p2")]) == (before, house.outbox.forget(), house.waiting())


def test_one_that_is_not_offered_any_more_is_in_error(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """A search parameter that a later version does not have, say: whoever asked is told, and nothing is guessed."""

    def refuse(*_: object) -> None:
        raise Refused(Issue("subscription-criteria"))

    house.resources.write(lambda _: [Write({"resourceType": "RiskAssessment", "subject": {"reference": "Patient/p1"}})])
    monkeypatch.setattr(Subscribed, "channel", refuse)
    house.outbox.collect()

    assert ("error", "not offered any more: subscription-criteria") == (house.one.status, house.one.fault)


def test_nothing_is_written_when_there_is_nothing_to_do(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """A look that finds nothing takes no lock, so it may be taken often."""

    def refuse() -> None:
        raise AssertionError("the lock was taken")

    monkeypatch.setattr(house.resources.database, "writing", refuse)

    assert (0, [], None) == (house.outbox.collect(), house.outbox.due(), house.outbox.claim(house.id))
