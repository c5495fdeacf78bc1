"""Recall over a ledger and through its doors: nobody who is known is left out, on SQLite and on PostgreSQL."""

import csv
import io
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import orjson
import pytest
from fastapi.testclient import TestClient
from sqlalchemy import create_engine, text

from sural.cli.main import main
from sural.ledger.keeping import keep, standing, withdraw
from sural.ledger.knowing import Knowing
from sural.ledger.recalling import entries, page
from sural.ledger.resources import ANSWER, CLIENT, Resources, Write
from sural.ledger.store import Ledger
from sural.recall.facts import Followed, Proposed
from sural.recall.listing import KNOWN_STATES, Wanted
from sural.recall.person import Entry
from sural.web.app import create_app
from tests.asking import answer_of
from tests.builders import Exam
from tests.conformance.constraints import broken
from tests.conformance.published import claimed, codes, profile
from tests.conformance.slices import slice_faults
from tests.recalls import DAY, high, numb, on, ulcer
from tests.stored import BODY, STORE, keys, link

LATER = DAY + timedelta(days=120)
Json = dict[str, Any]


@pytest.fixture
def ledger(url: str) -> Ledger:
    return Ledger(url)


def store(ledger: Ledger, exam: Exam, day: date = DAY, source: str = "", **how: Any) -> Any:
    """Keep the answer to an examination on a day."""
    return keep(Resources(ledger), answer_of(on(exam, day), day.isoformat(), transaction=True), source, **how)


def listed(ledger: Ledger, as_of: date = LATER, **wanted: Any) -> dict[str, Entry]:
    """The list by whom it is about."""
    return {one.subject: one for one in entries(Knowing(ledger), Wanted(as_of, **wanted))}


def whole(ledger: Ledger, as_of: date = LATER) -> dict[str, Entry]:
    """Everybody, by all places and states."""
    return listed(ledger, as_of, states=KNOWN_STATES)


def test_stored_answers_give_the_list(ledger: Ledger) -> None:
    """One at each risk; who has nothing to do is not on it."""
    store(ledger, Exam("p1").normal())
    store(ledger, numb("p2"))
    store(ledger, high("p3"))
    found = listed(ledger)

    assert {"Patient/p2": "due", "Patient/p3": "overdue"} == {subject: one.place for subject, one in found.items()}
    assert {"Patient/p1", "Patient/p2", "Patient/p3"} == whole(ledger).keys()
    assert ("urn:example:skerrow", "p2") == found["Patient/p2"].identifier
    assert ["foot-protection-service"] == [one.service for one in found["Patient/p2"].referrals]


def test_an_amended_answer_replaces_its_facts(ledger: Ledger) -> None:
    """The same examination with another finding."""
    store(ledger, numb("p1"))
    before = listed(ledger)["Patient/p1"].at_least
    exam = Exam("p1").normal()
    store(ledger, exam)

    assert ("moderate", "low") == (before, whole(ledger)["Patient/p1"].at_least)
    assert () == whole(ledger)["Patient/p1"].referrals


def test_what_is_worse_is_seen_across_answers(ledger: Ledger) -> None:
    """Two examinations of one person."""
    store(ledger, Exam("p1").normal())
    store(ledger, ulcer("p1"), LATER)

    assert {"category-up", "ulcer-new"} <= {change.code for change in listed(ledger)["Patient/p1"].changes}


def test_a_withdrawn_examination_makes_the_person_lost(ledger: Ledger) -> None:
    """The answer is entered in error in new versions; the person stays known, with the reason."""
    kept = store(ledger, numb("p1"))
    resources = Resources(ledger)
    (stands,) = standing(resources, "Patient/p1")
    done = withdraw(resources, "Patient/p1", [stands.examination])
    again = withdraw(resources, "Patient/p1", [stands.examination])
    entry = listed(ledger)["Patient/p1"]

    assert ("lost", ("examination-withdrawn",)) == (entry.place, entry.reasons)
    assert {"entered-in-error"} == {one.resource["status"] for one in done.changed} and () == again.changed
    assert [] == standing(resources, "Patient/p1")
    for one in kept.resources:
        if one.type not in ("Device", "Provenance"):
            versions = resources.history(one.type, one.id)
            assert [2, 1] == [version.version for version in versions]
            assert versions[1].content == one.content


def test_a_withdrawn_examination_gives_way_to_the_one_before(ledger: Ledger) -> None:
    """Its findings vanished, and the earlier examination is assessed again: that is the newest now, and its proposals are open again."""
    early = answer_of(on(numb("p1"), DAY), DAY.isoformat(), transaction=True)
    resources = Resources(ledger)
    keep(resources, early)
    store(ledger, Exam("p1").normal(), LATER)
    overtaken = whole(ledger)["Patient/p1"]
    (_, late) = standing(resources, "Patient/p1")
    keep(resources, early, withdrawn=[late.examination])
    entry = listed(ledger)["Patient/p1"]

    assert (LATER, ()) == (overtaken.examined, overtaken.referrals)
    assert (DAY, "moderate") == (entry.examined, entry.at_least)
    assert ["foot-protection-service"] == [one.service for one in entry.referrals]


def test_a_withdrawn_answer_that_comes_again_stands_again(ledger: Ledger) -> None:
    """The findings were entered in error by mistake."""
    answer = answer_of(on(numb("p1"), DAY), DAY.isoformat(), transaction=True)
    resources = Resources(ledger)
    keep(resources, answer)
    withdraw(resources, "Patient/p1", [standing(resources, "Patient/p1")[0].examination])
    keep(resources, answer)

    assert ("due", DAY) == (listed(ledger)["Patient/p1"].place, listed(ledger)["Patient/p1"].examined)


def test_a_proposal_that_was_taken_up_is_left_when_the_examination_is_withdrawn(ledger: Ledger) -> None:
    """Somebody acts on it: theirs, and that is said."""
    store(ledger, numb("p1"))
    resources = Resources(ledger)
    (request,) = [one for one in resources.changes() if one.type == "ServiceRequest"]
    resources.write(lambda _: [Write({**request.resource, "status": "on-hold"}, request, author=CLIENT)])
    done = withdraw(resources, "Patient/p1", [standing(resources, "Patient/p1")[0].examination])

    assert ("ServiceRequest: changed by somebody else",) == done.left
    assert {"lost", "referred-not-seen"} == set(listed(ledger)["Patient/p1"].states)


def test_who_was_only_seen_is_known(ledger: Ledger) -> None:
    """By a record system; a remark replaces the one before, and an answer does not forget it."""
    knowing = Knowing(ledger)
    knowing.seen("Patient/p1")
    knowing.seen("Patient/p2", "record-gone")
    knowing.seen("Patient/p2", "died")
    store(ledger, numb("p2"))

    assert ("lost", "ended") == (whole(ledger)["Patient/p1"].place, whole(ledger)["Patient/p2"].place)
    knowing.seen("Patient/p2")
    assert (2, "due") == (knowing.count(), whole(ledger)["Patient/p2"].place)


def test_what_follows_a_proposal_ends_the_waiting(ledger: Ledger) -> None:
    """Asked for again, what is no longer there is forgotten."""
    store(ledger, numb("p1"))
    knowing = Knowing(ledger)
    (known,) = knowing.persons()
    (proposed,) = [one for one in known.facts if isinstance(one, Proposed)]
    knowing.follow([proposed.reference], [("Patient/p1", Followed(proposed.reference, "Task/t1", "completed"))])
    seen = whole(ledger)["Patient/p1"].referrals
    knowing.follow([proposed.reference], [])

    assert ((), 1) == (seen, len(whole(ledger)["Patient/p1"].referrals))


def test_lists_are_narrowed_by_state_service_and_system(ledger: Ledger) -> None:
    """Each alone, and together."""
    store(ledger, numb("p1"), source="https://a.example/fhir")
    store(ledger, high("p2"), source="https://b.example/fhir")
    store(ledger, ulcer("p3"), source="https://b.example/fhir")

    assert {"https://b.example/fhir/Patient/p2", "https://b.example/fhir/Patient/p3"} == listed(ledger, source="https://b.example/fhir").keys()
    assert {"https://a.example/fhir/Patient/p1"} == listed(ledger, states=("due",)).keys()
    assert {"https://b.example/fhir/Patient/p3"} == listed(ledger, services=("multidisciplinary-foot-service",)).keys()
    assert {} == listed(ledger, states=("due",), source="https://b.example/fhir")


@pytest.mark.parametrize("count", [1, 3, 7, 100])
def test_pages_hold_everybody_once(ledger: Ledger, count: int) -> None:
    """In the order of references, whatever the page holds; people of whom nothing is known are among them."""
    knowing = Knowing(ledger)
    for number in range(20):
        knowing.seen(f"Patient/{number:02d}")
    store(ledger, numb("05"))
    after, walked = "", []
    while True:
        found, following = page(knowing, Wanted(LATER), count, after)
        walked += [one.subject for one in found]
        if following is None:
            break
        after = following

    assert [f"Patient/{number:02d}" for number in range(20)] == walked


def test_a_ledger_from_before_recall_has_its_facts_made(url: str) -> None:
    """The step derives them from the answers that are there."""
    ledger = Ledger(url)
    store(ledger, numb("p1"))
    before = listed(ledger)
    ledger.engine.dispose()
    engine = create_engine(ledger.engine.url)
    with engine.begin() as connection:
        for table in ("fact", "person", "followed", "used_token"):
            connection.execute(text(f"drop table {table}"))
        connection.execute(text("update alembic_version set version_num = '0003'"))
    engine.dispose()

    assert before == listed(Ledger(url))


def from_before(ledger: Ledger) -> None:
    """Takes from stored answers what those of a version before recall lacked: the day of the feet and the state of each factor."""
    resources = Resources(ledger)
    found = [one for one in resources.changes(limit=10_000) if one.type == "Observation" and "extension" in one.resource]
    bare = [Write({name: value for name, value in one.resource.items() if name != "extension"}, one, author=ANSWER) for one in found]
    resources.write(lambda _: bare)


@pytest.mark.parametrize("exam", [numb, high])
def test_an_answer_from_before_recall_is_filled_when_it_is_stored_again(ledger: Ledger, exam: Callable[[str], Exam]) -> None:
    """Same findings, same answer, and yet one version more, which is no amendment; after that nothing is written again. Until then the person is lost."""
    store(ledger, exam("p1"))
    wanted = listed(ledger)["Patient/p1"]
    from_before(ledger)
    before = listed(ledger)["Patient/p1"]
    changed = [one.resource for one in store(ledger, exam("p1")).changed]
    again = store(ledger, exam("p1")).changed

    assert ("lost", True) == (before.place, "feet-not-examined" in before.reasons)
    assert [("Observation", "final")] == [(one["resourceType"], one["status"]) for one in changed]
    assert () == again
    assert wanted == listed(ledger)["Patient/p1"]


def test_what_a_client_made_of_an_answer_is_left(ledger: Ledger) -> None:
    """An Observation that a client has updated without extensions stays as the client wants it."""
    store(ledger, numb("p1"))
    resources = Resources(ledger)
    found = [one for one in resources.changes(limit=10_000) if one.type == "Observation" and "extension" in one.resource]
    resources.write(lambda _: [Write({name: value for name, value in one.resource.items() if name != "extension"}, one, author=CLIENT) for one in found])

    assert () == store(ledger, numb("p1")).changed


# through the service


@pytest.fixture
def client(url: str) -> Iterator[TestClient]:
    with TestClient(create_app(check=False, database=url)) as found:
        yield found


def post(client: TestClient, exam: Exam, day: date = DAY, as_of: date | None = None) -> None:
    response = client.post(f"{STORE}?as-of={(as_of or day).isoformat()}", content=orjson.dumps(on(exam, day).bundle()), headers=BODY)
    assert 200 == response.status_code, response.text


def issues(client: TestClient, query: str = "as-of=2026-06-29") -> list[Json]:
    """The issues of a list, over all pages."""
    found, address = [], f"/fhir/$recall?{query}"
    while address:
        response = client.get(address)
        assert 200 == response.status_code, response.text
        found += [entry["resource"] for entry in response.json().get("entry", ())]
        address = (link(response.json(), "next") or "").removeprefix("http://testserver")
    return found


def test_the_operation_lists_issues_in_pages(client: TestClient) -> None:
    """A collection whose links name nobody."""
    for patient in ("p1", "p2", "p3"):
        post(client, numb(patient))
    first = client.get("/fhir/$recall?as-of=2026-06-29&_count=2&state=due").json()
    following = link(first, "next")
    assert following is not None
    last = client.get(following.removeprefix("http://testserver")).json()

    assert ("collection", ["self", "next"]) == (first["type"], [one["relation"] for one in first["link"]])
    assert ["Patient/p1", "Patient/p1", "Patient/p2", "Patient/p2"] == [entry["resource"]["patient"]["reference"] for entry in first["entry"]]
    assert {"Patient/p3"} == {entry["resource"]["patient"]["reference"] for entry in last["entry"]}
    assert "Patient" not in following and link(last, "next") is None
    assert 6 == len(client.get("/fhir/$recall?as-of=2026-06-29").json()["entry"])


def test_every_issue_is_sound(client: TestClient) -> None:
    """R4 and the profile: invariants, slices, codes of our systems, a reference that leads somewhere."""
    for number, exam in enumerate((numb, high, ulcer)):
        post(client, exam(f"p{number}"), DAY - timedelta(days=200))
        post(client, exam(f"q{number}"))
    post(client, Exam("r1").felt("both").see("callus", "absent", "both"))
    post(client, Exam("r2").kidneys_well())
    post(client, numb("r3"))
    post(client, ulcer("q0"), DAY + timedelta(days=10))
    found = issues(client)

    assert {"lost", "overdue", "due", "unsettled", "referred-not-seen"} == {one["code"]["coding"][0]["code"] for one in found}
    for one in found:
        assert [] == broken(one, claimed(one))
        assert [] == [fault for each in claimed(one) for fault in slice_faults(one, each)]
        assert [profile("recall-issue")] == claimed(one)
        for evidence in one.get("evidence", ()):
            for coding in (coding for code in evidence.get("code", ()) for coding in code["coding"]):
                assert coding["code"] in codes()[coding["system"]]
            for detail in evidence.get("detail", ()):
                assert 200 == client.get(f"/fhir/{detail['reference']}").status_code


def test_the_list_as_csv(client: TestClient) -> None:
    """By Accept or `_format`; whole, the most urgent first, as a file."""
    post(client, Exam("p1").normal())
    post(client, numb("p2"))
    post(client, ulcer("p3"))
    answers = [
        client.get("/fhir/$recall?as-of=2026-06-29", headers={"accept": "text/csv"}),
        client.get("/fhir/$recall?as-of=2026-06-29&_format=csv"), client.get("/fhir/$recall?as-of=2026-06-29&_format=text/csv"),
    ]  # fmt: skip
    rows = list(csv.DictReader(io.StringIO(answers[0].text, newline="")))

    assert {("text/csv; charset=utf-8; header=present", 'attachment; filename="recall-2026-06-29.csv"')} == {
        (one.headers["content-type"], one.headers["content-disposition"]) for one in answers
    }
    assert 1 == len({one.content for one in answers})
    assert ["Patient/p3", "Patient/p2"] == [one["patient"] for one in rows]
    assert 3 == len(client.get("/fhir/$recall?as-of=2027-06-29&_format=csv").text.splitlines()) - 1


@pytest.mark.parametrize(
    ("query", "key"),
    [
        ("as-of=2026-13-01", "parameter-invalid"), ("as-of=20260301", "parameter-invalid"), ("as-of=2026-03-01&as-of=2026-03-02", "parameter-invalid"),
        ("state=late", "parameter-invalid"), ("service=plumber", "parameter-invalid"), ("_count=0", "parameter-invalid"), ("_count=x", "parameter-invalid"),
        ("patient=p1", "parameter-unknown"), ("_page=x", "parameter-invalid"), ("_page=x&state=due", "parameter-invalid"),
    ],
)  # fmt: skip
def test_what_cannot_be_asked_is_refused(client: TestClient, query: str, key: str) -> None:
    """Without it, it would be another list."""
    assert [key] == keys(client.get(f"/fhir/$recall?{query}"), 400)


@pytest.mark.parametrize("form", ["", "&_format=csv"])
def test_a_source_that_nobody_is_from_is_refused(client: TestClient, ledger: Ledger, form: str) -> None:
    """A wrong address must not read as nobody is due; one of a list that happens to be empty may."""
    store(ledger, numb("p1"), source="https://a.example/fhir")

    assert ["parameter-invalid"] == keys(client.get(f"/fhir/$recall?source=https://b.example/fhir{form}"), 400)
    assert 200 == client.get(f"/fhir/$recall?as-of=2026-03-02&state=ended&source=https://a.example/fhir{form}").status_code


def test_a_link_of_a_search_is_none_of_a_list(client: TestClient) -> None:
    """Sealed with the same key, but of another kind; and the other way round."""
    post(client, numb("p1"))
    post(client, numb("p2"))
    of_search = link(client.get("/fhir/RiskAssessment?_count=1").json(), "next") or ""
    of_list = link(client.get("/fhir/$recall?as-of=2026-06-29&_count=1").json(), "next") or ""

    assert ["parameter-invalid"] == keys(client.get(f"/fhir/$recall?{of_search.partition('?')[2]}"), 400)
    assert ["parameter-invalid"] == keys(client.get(f"/fhir/RiskAssessment?{of_list.partition('?')[2]}"), 400)


def test_another_format_is_refused(client: TestClient) -> None:
    """FHIR JSON or CSV."""
    assert ["not-acceptable"] == keys(client.get("/fhir/$recall", headers={"accept": "application/fhir+xml"}), 406)


def test_the_operation_is_published(client: TestClient) -> None:
    """In the CapabilityStatement, with a definition that names what is read."""
    (named,) = [one for one in client.get("/fhir/metadata").json()["rest"][0]["operation"] if one["name"] == "recall"]
    definition = client.get("/fhir/OperationDefinition/recall").json()

    assert named["definition"] == definition["url"]
    assert {"as-of", "state", "service", "source", "_count"} == {one["name"] for one in definition["parameter"] if one["use"] == "in"}


def test_findings_that_an_input_takes_back_withdraw_the_answer(client: TestClient) -> None:
    """The same Observations, all entered in error: the answer is withdrawn in the store, and the person is lost."""
    exam = numb("p1")
    post(client, exam)
    for entry in exam.entries:
        if entry["resource"]["resourceType"] == "Observation":
            entry["resource"]["status"] = "entered-in-error"
    post(client, exam, as_of=DAY)
    (issue,) = issues(client)

    assert ("lost", "examination-withdrawn") == (issue["code"]["coding"][0]["code"], issue["evidence"][0]["code"][0]["coding"][0]["code"])
    statuses = client.get("/fhir/ServiceRequest?patient=p1").json()
    assert {"entered-in-error"} == {entry["resource"]["status"] for entry in statuses["entry"]}


@pytest.mark.parametrize(
    ("record", "place", "reason"),
    [({"deceasedBoolean": True}, "ended", "died"), ({"deceasedDateTime": "2026-05-01"}, "ended", "died"), ({"active": False}, "not-due", "record-inactive"),
     ({"link": [{"other": {"reference": "Patient/p9"}, "type": "replaced-by"}]}, "not-due", "record-replaced"), ({"deceasedBoolean": False, "active": True}, "not-due", "")],
)  # fmt: skip
def test_what_an_input_says_of_the_record_is_remembered(client: TestClient, ledger: Ledger, record: Json, place: str, reason: str) -> None:
    """Nobody invites who has died; when that was wrong, the next examination brings them back."""
    exam = Exam("p1").normal()
    post(client, exam)
    exam.entries[0]["resource"] |= record
    client.post(f"{STORE}?as-of={DAY.isoformat()}", content=orjson.dumps(exam.bundle()), headers=BODY)
    told = whole(ledger, DAY)["Patient/p1"]
    post(client, on(Exam("p1").normal(), DAY))

    assert (place, reason) == (told.place, next(iter(told.reasons), ""))
    assert ("not-due", ()) == (whole(ledger, DAY)["Patient/p1"].place, whole(ledger, DAY)["Patient/p1"].reasons)


def test_a_record_of_somebody_unknown_makes_nobody_known(client: TestClient, ledger: Ledger) -> None:
    """What is refused stores nobody."""
    exam = Exam("p1").normal()
    exam.entries[0]["resource"] |= {"deceasedBoolean": True}
    client.post(f"{STORE}?as-of={DAY.isoformat()}", content=orjson.dumps(exam.bundle()), headers=BODY)

    assert {} == whole(ledger, DAY)


def test_who_loses_our_identifiers_is_not_taken_for_examined(client: TestClient, ledger: Ledger) -> None:
    """A client puts resources of ours without their identifiers: what was read off them no longer counts; an open proposal is still waited for."""
    post(client, numb("p1"))
    for kind in ("Observation", "ServiceRequest"):
        for entry in client.get(f"/fhir/{kind}?patient=p1").json()["entry"]:
            stripped = {name: value for name, value in entry["resource"].items() if name not in ("identifier", "extension")}
            assert 200 == client.put(f"/fhir/{kind}/{stripped['id']}", content=orjson.dumps(stripped), headers=BODY).status_code
    entry = whole(ledger, DAY)["Patient/p1"]

    assert ("lost", ("lost", "referred-not-seen")) == (entry.place, entry.states)


def test_who_has_nothing_that_counts_is_known(client: TestClient) -> None:
    """Examined so long ago that nothing is read of it: no answer is stored, and the person is on the list."""
    post(client, Exam("p1", diabetes=None).felt("both"), DAY - timedelta(days=500), as_of=DAY)
    (issue,) = issues(client)

    assert ("Patient/p1", "lost") == (issue["patient"]["reference"], issue["code"]["coding"][0]["code"])


def test_an_earlier_examination_that_an_input_takes_back_is_withdrawn_too(client: TestClient, ledger: Ledger) -> None:
    """The ulcer was another person's: all of that examination is entered in error in a Bundle that holds the later one as well."""

    def of(exam: Exam, day: date) -> list[Json]:
        named = [entry["resource"] for entry in on(exam, day).entries if entry["resource"]["resourceType"] == "Observation"]
        return [one | {"id": f"{day.isoformat()}-{one['id']}"} for one in named]

    first, second, both = Exam("p1"), Exam("p1"), Exam("p1")
    wrong, right = of(Exam("p1").felt("both").see("foot-ulcer", "present", "left"), DAY), of(numb("p1"), LATER)
    for exam, observations in ((first, wrong), (second, right), (both, [*({**one, "status": "entered-in-error"} for one in wrong), *right])):
        exam.entries = [*exam.entries[:1], *({"resource": one} for one in observations)]
    for exam in (first, second, both):
        response = client.post(f"{STORE}?as-of={LATER.isoformat()}", content=orjson.dumps(exam.bundle()), headers=BODY)
        assert 200 == response.status_code, response.text
    found = client.get("/fhir/RiskAssessment?date=2026-03-01").json()["entry"]

    assert {"entered-in-error"} == {entry["resource"]["status"] for entry in found}
    assert (LATER, ()) == (whole(ledger)["Patient/p1"].examined, whole(ledger)["Patient/p1"].changes)


def test_what_an_input_does_not_take_back_stands(client: TestClient) -> None:
    """Some of the findings entered in error, of the rest nothing is told: the answer stands."""
    exam = numb("p1")
    post(client, exam)
    part = Exam("p1")
    part.entries = [entry for entry in exam.entries if entry["resource"]["resourceType"] != "Observation" or entry["resource"]["id"] in ("o1", "o2")]
    for entry in part.entries:
        entry["resource"] = {**entry["resource"], **({"status": "entered-in-error"} if entry["resource"]["resourceType"] == "Observation" else {})}
    post(client, part, as_of=LATER)

    assert "lost" not in {one["code"]["coding"][0]["code"] for one in issues(client)}


# as a command


Captured = pytest.CaptureFixture[str]


@pytest.fixture
def fixed(tmp_path: Path) -> str:
    """A ledger with three people."""
    url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    ledger = Ledger(url)
    store(ledger, Exam("p1").normal())
    store(ledger, numb("p2"))
    Knowing(ledger).seen("Patient/p3")
    return url


def run(capsys: Captured, *arguments: str) -> tuple[int, str, str]:
    status = main(["recall", *arguments])
    out, err = capsys.readouterr()
    return status, out, err


@pytest.mark.parametrize(
    ("form", "telling"), [("table", "LOST  Patient/p3\n    feet never examined\n    Known here, never examined"), ("csv", "Patient/p3,,,lost,lost"), ("fhir", '"code":"never-examined"')]
)
def test_the_command_lists(fixed: str, capsys: Captured, form: str, telling: str) -> None:
    """On standard output the list, on standard error how many, and what it is for."""
    status, out, err = run(capsys, "--database", fixed, "--as-of", "2026-06-29", "--as", form)

    assert (0, True, True) == (status, telling in out, "Patient/p1" not in out)
    assert err.startswith("2 of 3 known people on the list as of 2026-06-29. Decision support")


def test_the_command_narrows(fixed: str, capsys: Captured) -> None:
    """By state and place, by service."""
    narrowed = [("--state", "not-due"), ("--service", "foot-protection-service"), ("--state", "lost")]
    found = [run(capsys, "--database", fixed, "--as-of", "2026-06-29", "--as", "csv", *one)[1].splitlines()[1:] for one in narrowed]

    assert [["Patient/p1"], ["Patient/p2"], ["Patient/p3"]] == [[line.partition(",")[0] for line in lines] for lines in found]


@pytest.mark.parametrize(
    ("wrong", "telling"), [(("--service", "foot-protection"), "foot-protection-service"), (("--source", "https://a.example/fhir"), "before /Patient/")]
)
def test_a_service_or_source_that_there_is_not_is_no_empty_list(fixed: str, capsys: Captured, wrong: tuple[str, str], telling: str) -> None:
    """A slip of the pen must not read as nobody is due; the message says what there is."""
    status, out, err = run(capsys, "--database", fixed, *wrong)

    assert (2, "OperationOutcome") == (status, orjson.loads(out)["resourceType"])
    assert telling in err and "known people" not in err


def test_the_command_takes_the_source_that_the_list_shows(tmp_path: Path, capsys: Captured) -> None:
    """With and without the stroke at its end; of one record system only, also when another's address goes on."""
    url, ehr = f"sqlite:///{tmp_path / 'ledger.sqlite'}", "https://a.example/fhir"
    knowing = Knowing(Ledger(url))
    for subject in (f"{ehr}/Patient/p1", f"{ehr}2/Patient/p2"):
        knowing.seen(subject)
    found = [run(capsys, "--database", url, "--as", "csv", "--source", one)[1].splitlines()[1:] for one in (ehr, f"{ehr}/")]

    assert [[f"{ehr}/Patient/p1"]] * 2 == [[line.partition(",")[0] for line in lines] for lines in found]
    assert (True, False) == (knowing.has_source(f"{ehr}2"), knowing.has_source("https://a_example/fhir"))


def test_a_ledger_of_nobody_says_how_it_is_filled(tmp_path: Path, capsys: Captured) -> None:
    """As after a pull without --store, which leaves a ledger and nobody in it."""
    url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    Ledger(url)
    status, _, err = run(capsys, "--database", url)

    assert 0 == status and "sural pull --store" in err and "--since" in err


def test_an_empty_list_is_still_a_bundle(fixed: str, capsys: Captured) -> None:
    """Valid FHIR: no empty array."""
    _, out, _ = run(capsys, "--database", fixed, "--as", "fhir", "--state", "ended")

    assert {"resourceType": "Bundle", "type": "collection"} == orjson.loads(out)


def test_a_ledger_that_is_not_there_is_no_empty_list(tmp_path: Path, capsys: Captured) -> None:
    """Nobody on the list because of a wrong name would be the worst of answers; nothing is made there either."""
    status, out, err = run(capsys, "--database", f"sqlite:///{tmp_path / 'other.sqlite'}")

    assert (2, "OperationOutcome") == (status, orjson.loads(out)["resourceType"])
    assert "there is no such ledger" in err and [] == list(tmp_path.iterdir())
