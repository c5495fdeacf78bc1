"""Search with paging that is not trusted too far, and one patient's data fetched with it."""

import asyncio
from typing import Any

import httpx
import orjson
import pytest
import respx

from sural.answer.identity import ANSWER_SYSTEM
from sural.canonical import FINDING, LOINC, QUESTION
from sural.doors.request import lexicon
from sural.records.criteria import criteria
from sural.records.fake_ehr.app import FakeEhr
from sural.records.fake_ehr.faults import Faults
from sural.records.faults import HostRefused, NotThere, Unreadable
from sural.records.fetching import Fetched, Fetcher, offered, patient_id
from sural.records.http import Connection
from sural.records.search import Searcher
from sural.terminology.lexicon import Lexicon
from tests.builders import Exam, concept
from tests.ehr import BASE, Waits, fake_ehr, using

FHIR = {"content-type": "application/fhir+json"}
ALL = (("_count", "5"),)


def ids_of(
    ehr: FakeEhr, kind: str = "Patient", asked: Any = ALL, by_post: bool | None = None, codes: Any = ()
) -> tuple[Any, list[str]]:
    """The ids of a search as they came, or the fault, and the remarks."""
    remarks: list[str] = []

    async def use(connection: Connection) -> list[str]:
        searcher = Searcher(connection, remarks.append, by_post)
        return [found.id async for page in searcher.pages(kind, asked, codes) for found, _ in page.resources]

    return using(ehr, use), remarks


def searchset(*ids: str, total: int | None = None, next: str | None = None, **more: Any) -> dict[str, Any]:
    links = [{"relation": "next", "url": next}] if next else []
    entries = [{"resource": {"resourceType": "Patient", "id": id}, "search": {"mode": "match"}} for id in ids]
    return {
        "resourceType": "Bundle",
        "type": "searchset",
        "link": links,
        "entry": entries,
        **({"total": total} if total is not None else {}),
        **more,
    }


def scripted(*pages: Any) -> Any:
    """The ids of a search against scripted pages `p0`, `p1` and so on, or the fault."""

    async def use(connection: Connection) -> list[str]:
        searcher = Searcher(connection, lambda _: None, by_post=False)
        return [found.id async for page in searcher.pages("Patient", ()) for found, _ in page.resources]

    with respx.mock(assert_all_called=False) as mock:
        for number, page in enumerate(pages):
            where = f"{BASE}/Patient" if number == 0 else f"{BASE}/p{number}"
            mock.get(where).respond(json=page, headers=FHIR)

        async def work() -> Any:
            async with Connection(BASE) as connection:
                try:
                    return await use(connection)
                except Unreadable as fault:
                    return fault

        return asyncio.run(work())


@pytest.mark.parametrize("by_post", [True, False, None])
@pytest.mark.parametrize("relative", [True, False])
def test_every_page_is_read_once(by_post: bool | None, relative: bool) -> None:
    """D2, D3: by GET and by POST, with absolute and relative links: each patient once, and an end."""
    found, remarks = ids_of(fake_ehr(23, relative_next=relative), by_post=by_post)

    assert [f"skerrow-{number:05d}" for number in range(1, 24)] == found
    assert [] == remarks


def test_the_next_page_is_asked_for_by_get() -> None:
    """D2: a next link is opaque and GET-able."""
    ehr = fake_ehr(12)
    ids_of(ehr, by_post=True)

    assert ["POST Patient", "GET Patient", "GET Patient"] == ehr.served


def test_a_next_link_that_leads_back_is_noticed() -> None:
    """D2; beda-software/fhir-py#47: an endless paging ends as a fault."""
    found, _ = ids_of(fake_ehr(12, looping_next=True))

    assert isinstance(found, Unreadable)


def test_the_same_page_under_new_names_is_noticed() -> None:
    """D2: links that always differ, and the same patients on every page."""
    found = scripted(searchset("a", next="p1"), searchset("b", next="p2"), searchset("b", next="p3"), searchset("b", next="p4"))

    assert "GET {id}: the same page comes again" == str(found)


def test_a_page_without_matches_may_be_followed_by_another() -> None:
    """D2: a server may filter after it has cut its pages."""
    assert ["a", "b"] == scripted(searchset("a", next="p1"), searchset(next="p2"), searchset(next="p3"), searchset("b"))


@pytest.mark.parametrize("fault", ["missing_page", "lost_page"])
def test_missing_pages_are_noticed(fault: str) -> None:
    """D2; LinuxForHealth/FHIR#2607: a page that is gone, or matches that never came; begun again once, then a fault."""
    found, remarks = ids_of(fake_ehr(23, **{fault: True}))

    assert isinstance(found, Unreadable)
    assert ["pages missing: search begun again"] == remarks


def test_a_search_that_works_the_second_time_is_whole() -> None:
    """D2: the page was gone only once, as when a server forgets its results."""
    ehr = fake_ehr(12, missing_page=True)
    real = ehr._searches.page

    def once(*how: Any) -> bytes:
        try:
            return real(*how)
        finally:
            ehr.faults = Faults()

    ehr._searches.page = once  # type: ignore[method-assign]
    found, _ = ids_of(ehr)

    assert {f"skerrow-{number:05d}" for number in range(1, 13)} == set(found)


def test_a_total_that_the_server_does_not_know_is_not_missed() -> None:
    """R4 Bundle.total: may be left out."""
    assert ["a", "b"] == scripted(searchset("a", next="p1"), searchset("b"))


def test_a_next_link_to_a_foreign_host_is_not_followed() -> None:
    """N5: neither with nor without a token."""
    found, _ = ids_of(fake_ehr(12, foreign_next=True))

    assert isinstance(found, HostRefused)


@pytest.mark.parametrize(
    "page",
    [searchset("a", type="collection"), {"resourceType": "Patient", "id": "a"}, [], searchset("a", entry=[{"resource": {"resourceType": 5}}]),
     {**searchset(), "link": [{"relation": "next", "url": "p1"}, {"relation": "next", "url": "p2"}]}],
)  # fmt: skip
def test_what_is_no_searchset_is_not_read(page: Any) -> None:
    """D1: a search is answered by a searchset Bundle with at most one next link."""
    assert isinstance(scripted(page), Unreadable)


def test_entries_of_mode_outcome_are_told_and_not_counted() -> None:
    """D2, D6: what the server says beside its matches becomes a remark, its issue code only."""
    found, remarks = ids_of(fake_ehr(3), asked=(("_count", "5"), ("favourite-colour", "blue")))

    assert 3 == len(found)
    assert ["parameter ignored: favourite-colour", "server remark: not-supported"] == sorted(remarks)


def test_a_parameter_that_the_server_ignored_is_told() -> None:
    """D1; LinuxForHealth/FHIR#260: the self link shows what was really used."""
    _, remarks = ids_of(
        fake_ehr(3, ignore=("_lastUpdated",)), asked=(("_lastUpdated", "ge2026-01-01T00:00:00Z"), ("_count", "5"))
    )

    assert "parameter ignored: _lastUpdated" in remarks


@pytest.mark.parametrize("fault", ["no_post_search", "empty_post_search"])
def test_a_server_without_search_by_post_is_asked_by_get(fault: str) -> None:
    """D3: found out by a search for an id that is nowhere, and one for a patient who is there."""
    ehr = fake_ehr(3, **{fault: True})
    found, _ = ids_of(ehr)

    assert 3 == len(found)
    assert ["POST Patient", "GET Patient"] == [*dict.fromkeys(ehr.served)]
    assert "GET Patient" == ehr.served[-1]


def test_long_lists_of_codes_are_asked_for_in_pieces_by_get() -> None:
    """Common practice, no source: an address has a limit, a form has none."""
    ehr = fake_ehr(4)
    codes = criteria(lexicon())[0].codes
    by_get, _ = ids_of(ehr, "Observation", (("_count", "1000"),), False, codes)
    pieces = len(ehr.served)
    by_post, _ = ids_of(ehr, "Observation", (("_count", "1000"),), True, codes)

    assert set(by_post) == set(by_get)
    assert 5 < pieces < 40


def test_a_server_that_fails_on_many_codes_is_asked_for_fewer() -> None:
    """Seen of a general-purpose server over SQLite: more than 1,000 alternatives fail with 500. Found out without waits, then remembered."""
    ehr, waits = fake_ehr(4, most_codes=60), Waits()
    codes = criteria(lexicon())[0].codes
    asked = (("_count", "1000"),)

    async def use(connection: Connection) -> list[str]:
        searcher = Searcher(connection, lambda _: None, by_post=True)
        twice = [
            [found.id async for page in searcher.pages("Observation", asked, codes) for found, _ in page.resources] for _ in "ab"
        ]
        assert set(twice[0]) == set(twice[1])
        return twice[0]

    found = using(ehr, use, sleep=waits)

    assert set(ids_of(fake_ehr(4), "Observation", asked, True, codes)[0]) == set(found)
    assert [] == waits


def test_changes_are_asked_for_by_last_updated() -> None:
    """D5: `_lastUpdated=ge…` to the second, with an offset."""
    found, _ = ids_of(fake_ehr(5), asked=(("_lastUpdated", "ge2026-03-02T19:00:03+01:00"),))

    assert ["skerrow-00004", "skerrow-00005"] == found


def test_what_is_asked_for_follows_the_terminology() -> None:
    """Every code that means a finding is asked for: our own systems and that of our forms as a whole (R4, search.html#token), of others
    code by code; LOINC and forms not of Conditions, ICD not of Observations."""
    observations, conditions, *_ = criteria(lexicon())
    open_codes = [f"{system}|{code}" for system, code in lexicon().codes() if system not in (FINDING, QUESTION) and "icd-10" not in system]

    assert {f"{FINDING}|", f"{QUESTION}|", *open_codes} == set(observations.codes)
    assert not any(code.startswith((LOINC, QUESTION)) for code in conditions.codes)
    assert any("icd-10" in code for code in conditions.codes)


@pytest.mark.parametrize("by_post", [True, False])
def test_a_whole_code_system_is_asked_for_at_once(by_post: bool) -> None:
    """`system|` finds every code of that system and of no other (R4, search.html#token); both servers of the integration tests do it so."""
    ehr = fake_ehr(4)
    found = set(ids_of(ehr, "Observation", (), by_post, (f"{FINDING}|",))[0])

    assert {kept.id for kept in ehr.store.all("Observation") if FINDING in str((kept.resource or {})["code"])} == found


def test_a_sites_own_codes_are_asked_for_too() -> None:
    """The codes of a ConceptMap overlay."""
    target = {"code": "monofilament-10g", "equivalence": "equivalent"}
    overlay = {
        "resourceType": "ConceptMap",
        "group": [{"source": "urn:local", "target": FINDING, "element": [{"code": "MF", "target": [target]}]}],
    }

    assert "urn:local|MF" in criteria(Lexicon((overlay,)))[0].codes


def fetched(ehr: FakeEhr, patient: str) -> Any:
    """What is fetched of a patient, or the fault."""

    async def use(connection: Connection) -> Fetched:
        remarks: list[str] = []
        searcher = Searcher(connection, remarks.append)
        return await Fetcher(connection, searcher, criteria(lexicon()), remarks.append).fetch(patient)

    return using(ehr, use)


def kept(ehr: FakeEhr, *resources: dict[str, Any]) -> FakeEhr:
    for resource in resources:
        ehr.store.put(resource)
    return ehr


def test_a_patients_data_come_as_one_collection() -> None:
    """F1, F3: every resource under its own address, of this patient and no other."""
    ehr = fake_ehr(8)
    content = orjson.loads(fetched(ehr, "skerrow-00003").bundle)
    urls = [entry["fullUrl"] for entry in content["entry"]]

    assert f"{BASE}/Patient/skerrow-00003" in urls
    assert all("/skerrow-00003" in url for url in urls)
    assert len(set(urls)) == len(urls) > 5


def test_panels_come_with_their_members() -> None:
    """A panel may carry the place and time of its members, whatever its own code."""
    exam = Exam("p1")
    member = exam.observation("monofilament-10g", "felt", None, "hallux")
    panel = {"resourceType": "Observation", "id": "panel", "status": "final", "code": concept("urn:local", "panel"),
             "subject": {"reference": "Patient/p1"}, "hasMember": [{"reference": f"Observation/{member['id']}"}]}  # fmt: skip
    ehr = kept(fake_ehr(0), exam.entries[0]["resource"], member, panel)

    assert f'{BASE}/Observation/panel"'.encode() in fetched(ehr, "p1").bundle


def test_our_own_answers_are_no_evidence() -> None:
    """E7: what was written back yesterday does not change what is assessed today."""
    exam = Exam("p1")
    own = {**exam.observation("foot-ulcer", "present", "left"), "identifier": [{"system": ANSWER_SYSTEM, "value": "x"}]}
    ehr = kept(fake_ehr(0), exam.entries[0]["resource"], own)
    found = fetched(ehr, "p1")

    assert not found.evidence
    assert b"foot-ulcer" not in found.bundle


def test_data_of_another_patient_are_never_mixed_in() -> None:
    """D6; microsoft/fhir-server#1050: a server that ignores the patient parameter is noticed before anything is assessed."""
    found = fetched(fake_ehr(3, ignore=("patient",)), "skerrow-00001")

    assert isinstance(found, Unreadable)
    assert "another patient" in str(found)


def test_a_type_that_is_not_there_is_left_out() -> None:
    """What it would have told stays unknown."""
    assert fetched(fake_ehr(3, gone=("Condition", "Encounter")), "skerrow-00001").evidence


def test_observations_that_are_not_there_are_a_fault() -> None:
    """Without Observations there is nothing to say."""
    found = fetched(fake_ehr(3, gone=("Observation",)), "skerrow-00001")

    assert isinstance(found, Unreadable)


def test_a_patient_who_is_not_there_is_told_apart() -> None:
    """A3: 404 and 410."""
    assert isinstance(fetched(fake_ehr(3), "skerrow-00009"), NotThere)


def test_what_the_server_does_not_have_is_not_asked_for() -> None:
    """A1: the CapabilityStatement is believed."""
    remarks: list[str] = []
    ehr = fake_ehr(3, gone=("Condition",))

    found = using(ehr, lambda it: offered(it, criteria(lexicon()), remarks.append))

    assert "Condition" not in [criterion.kind for criterion in found]
    assert "not offered: Condition" in remarks


def test_a_server_without_observations_is_refused_at_once() -> None:
    """A1: before anybody is looked for."""
    found = using(fake_ehr(3, gone=("Observation",)), lambda it: offered(it, criteria(lexicon()), str))

    assert isinstance(found, Unreadable)


@pytest.mark.parametrize(
    ("reference", "id"),
    [("Patient/p1", "p1"), (f"{BASE}/Patient/p1", "p1"), ("Patient/p1/_history/3", "p1"), ("https://elsewhere.example/fhir/Patient/p1", None),
     ("Group/g1", None), ("", None), ("#p1", None), ("urn:uuid:c757873d-ec9a-4326-a141-556f43239520", None), ("Patient/..", None),
     ("Patient/p1?_x=1", None), ("Patient/", None)],
)  # fmt: skip
def test_only_patients_of_this_system_are_pulled(reference: str, id: str | None) -> None:
    """F3, N5: relative, absolute and versioned references to this system; never to another, and never more than an id."""
    assert id == patient_id(reference, BASE)


def outcome(code: str, severity: str = "warning") -> dict[str, Any]:
    return {"resource": {"resourceType": "OperationOutcome", "issue": [{"severity": severity, "code": code}]}, "search": {"mode": "outcome"}}


@pytest.mark.parametrize(("code", "severity"), [("incomplete", "warning"), ("too-costly", "information"), ("timeout", "warning"), ("processing", "error")])
def test_a_page_that_says_of_itself_that_it_is_not_all_is_no_answer(code: str, severity: str) -> None:
    """R4, search.html#entries: an OperationOutcome among the matches; without total and next link nothing else tells."""
    page = searchset("p1")
    page["entry"].append(outcome(code, severity))

    assert isinstance(scripted(page), Unreadable)


def test_a_mild_remark_leaves_a_page_whole() -> None:
    page = searchset("p1")
    page["entry"].append(outcome("informational", "information"))

    assert ["p1"] == scripted(page)


def test_nobody_is_assessed_on_a_truncated_search() -> None:
    ehr = fake_ehr(2, truncate=3)

    assert isinstance(ids_of(ehr, "Observation")[0], Unreadable)


def test_a_match_that_slipped_through_while_the_server_changed_is_missed() -> None:
    """One came twice and another not at all: as many as announced, and yet not all."""
    first, shifted = searchset("p1", "p2", total=4, next="p1"), searchset("p2", "p3")

    assert isinstance(changing([first, shifted, first, searchset("p2", "p4")]), Unreadable)


def test_a_search_during_which_something_slipped_through_is_made_again() -> None:
    found = changing([searchset("p1", "p2", total=4, next="p1"), searchset("p2", "p3"), searchset("p1", "p2", total=4, next="p1"), searchset("p3", "p4")])

    assert {"p1", "p2", "p3", "p4"} == set(found)


def test_a_server_that_gives_matches_twice_and_counts_them_so_is_understood() -> None:
    """As where each code that fits gives a row: the same the second time, so that nothing slipped through."""
    found = changing([searchset("p1", "p1", "p2", total=3)] * 2)

    assert {"p1", "p2"} == set(found)


def changing(answers: list[Any]) -> Any:
    """The ids of a search against answers that come one after the other, or the fault."""

    async def work() -> Any:
        with respx.mock() as mock:
            mock.get(url__startswith=BASE).mock(side_effect=[httpx.Response(200, json=answer, headers=FHIR) for answer in answers])
            async with Connection(BASE) as connection:
                searcher = Searcher(connection, lambda _: None, by_post=False)
                try:
                    return [found.id async for page in searcher.pages("Patient", ()) for found, _ in page.resources]
                except Unreadable as fault:
                    return fault

    return asyncio.run(work())
