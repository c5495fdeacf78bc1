"""Searches of stored answers: what is found, pages, the self link, what is refused. Interop D1 to D11; FHIR R4, search."""

from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import parse_qs, parse_qsl, urlsplit

import pytest
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sural import canonical
from sural.answer.identity import ANSWER_SYSTEM
from sural.ledger.criteria import PREFIXES, asked
from sural.ledger.parameters import IDENTIFIED, SEARCHED, interval
from sural.ledger.resources import Resources, Write
from sural.ledger.search import FEW, Order, search
from sural.ledger.store import Ledger
from sural.web.app import create_app
from sural.web.elements import MANDATORY, SUMMARY
from tests.databases import emptied
from tests.stored import exam, filled, found, keep, keys, link, matches, of_type

HIGH = "nice-ng19-2019.moderate"
Json = dict[str, Any]


@pytest.fixture(scope="module")
def client(new_database: Callable[[], str]) -> Iterator[TestClient]:
    """The service over the answers to three patients."""
    with TestClient(create_app(database=new_database())) as client:
        client.app_state["kept"] = filled(client)
        yield client


@pytest.fixture(scope="module")
def store(new_database: Callable[[], str]) -> Resources:
    return Resources(Ledger(new_database()))


@pytest.fixture(scope="module")
def kept(client: TestClient) -> dict[str, list[Json]]:
    """What is stored there."""
    found: dict[str, list[Json]] = client.app_state["kept"]
    return found


def patients(bundle: Json) -> set[str]:
    return {one["subject"]["reference"] for one in matches(bundle)}


# ---------------------------------------------------------------------------------------------------------------------------------
# what is found

FINDS_P1_AND_P3 = {f"risk={HIGH}", f"risk={canonical.FOOT_RISK}|{HIGH}", f"risk={HIGH},none-such", f"risk={canonical.FOOT_RISK}|{HIGH}&_sort=-date"}


@pytest.mark.parametrize("query", sorted(FINDS_P1_AND_P3))
def test_a_token_is_found_with_and_without_its_system(client: TestClient, query: str) -> None:
    """D4: `code`, `system|code`, alternatives between commas."""
    assert {"Patient/p1", "Patient/p3"} == patients(found(client, f"RiskAssessment?{query}"))


@pytest.mark.parametrize("query", [f"risk=|{HIGH}", f"risk=http://other.example|{HIGH}", f"risk={HIGH}&risk=none-such", "risk=none-such"])
def test_a_token_of_another_system_is_not_found(client: TestClient, query: str) -> None:
    """D4: `|code` is a code without a system; a parameter that repeats must hold each time. An empty searchset has no entries at all (H3)."""
    bundle = found(client, f"RiskAssessment?{query}")

    assert (0, False) == (bundle["total"], "entry" in bundle)


def test_every_code_of_a_system(client: TestClient) -> None:
    """D4: `system|`."""
    assert {"Patient/p1", "Patient/p2", "Patient/p3"} == patients(found(client, f"RiskAssessment?method={canonical.FOOT_RISK}|"))


@pytest.mark.parametrize("name", ["patient", "subject", "patient:Patient", "subject:Patient"])
@pytest.mark.parametrize("value", ["p1", "Patient/p1", "http://testserver/fhir/Patient/p1"])
def test_a_patient_is_found_in_every_form(client: TestClient, name: str, value: str) -> None:
    """D4: id, `Type/id`, address; `patient` and `subject` agree."""
    if ":" in name and "/" in value:
        assert ["parameter-invalid"] == keys(client.get(f"/fhir/RiskAssessment?{name}={value}"), 400)
    else:
        assert {"Patient/p1"} == patients(found(client, f"RiskAssessment?{name}={value}"))


def test_a_patient_is_found_by_identifier(client: TestClient) -> None:
    """`:identifier`: the business identifier beside the reference."""
    assert {"Patient/p1"} == patients(found(client, "RiskAssessment?patient:identifier=urn:example:skerrow|p1"))


def test_an_address_elsewhere_is_another_patient(client: TestClient) -> None:
    """Two systems' patients with one id are not taken for one."""
    assert 0 == found(client, "RiskAssessment?patient=https://ehr.skerrow.example/fhir/Patient/p1")["total"]


@pytest.mark.parametrize("kind", IDENTIFIED)
def test_an_identifier_finds_its_resource(client: TestClient, kept: dict[str, list[Json]], kind: str) -> None:
    """E1: the identifier on which a conditional create rests, with and without system."""
    stored = of_type(kept["p1"], kind)
    for one in stored:
        known = one["identifier"][0]
        for text in (f"{known['system']}|{known['value']}", known["value"]):
            assert [one["id"]] == [each["id"] for each in matches(found(client, f"{kind}?identifier={text}"))]
    assert bool(stored) is (kind != "DetectedIssue")


def test_a_provenance_is_found_by_its_target_and_by_the_tag_of_its_answer(client: TestClient, kept: dict[str, list[Json]]) -> None:
    """D8: from a result to what it rests on."""
    (provenance,) = of_type(kept["p1"], "Provenance")
    risk = of_type(kept["p1"], "RiskAssessment")[0]["id"]
    tag = provenance["meta"]["tag"][0]["code"]

    assert [provenance["id"]] == [one["id"] for one in matches(found(client, f"Provenance?target=RiskAssessment/{risk}"))]
    assert [provenance["id"]] == [one["id"] for one in matches(found(client, f"Provenance?_tag={ANSWER_SYSTEM}|{tag}"))]


@pytest.mark.parametrize(("query", "expected"), [("status:not=revoked", {"Patient/p1", "Patient/p3"}), ("status:not=active", set()), ("status=active&intent=proposal", {"Patient/p1", "Patient/p3"})])  # fmt: skip
def test_not_turns_a_token_round(client: TestClient, query: str, expected: set[str]) -> None:
    """`:not`; nothing is left out unless it is asked for (D9)."""
    assert expected == patients(found(client, f"ServiceRequest?{query}&code=foot-protection-service"))


@pytest.mark.parametrize("kind", SEARCHED)
def test_every_parameter_that_is_listed_is_understood(client: TestClient, kind: str) -> None:
    """A1, both directions: what metadata lists is in the self link of a search."""
    (listed,) = [one for one in client.get("/fhir/metadata").json()["rest"][0]["resource"] if one["type"] == kind]
    values = {"date": "2026", "number": "14", "token": "x", "reference": "x"}
    for one in listed["searchParam"]:
        bundle = found(client, f"{kind}?{one['name']}={values[one['type']]}", prefer="handling=strict")

        assert [one["name"]] == [name for name, _ in parse_qsl(urlsplit(str(link(bundle, "self"))).query)]


# ---------------------------------------------------------------------------------------------------------------------------------
# dates and numbers

DATES = [
    ("2026-03-01", {"p1"}), ("eq2026-03", {"p1", "p2"}), ("2026", {"p1", "p2", "p3"}), ("ge2026-03-02", {"p2", "p3"}), ("gt2026-03-02", {"p3"}),
    ("lt2026-03-02", {"p1"}), ("le2026-03-02", {"p1", "p2"}), ("sa2026-03-02", {"p3"}), ("eb2026-03-02", {"p1"}), ("ne2026-03-01", {"p2", "p3"}),
    ("2026-03-01T09:30:00Z", {"p1"}), ("2026-03-01T09:30Z", {"p1"}), ("gt2026-03-01T09:29Z", {"p1", "p2", "p3"}), ("gt2026-03-01T09:30Z", {"p2", "p3"}), ("2026-03-01T23:30:00%2B14:00", {"p1"}), ("2026-02-28T19:30:00-14:00", {"p1"}), ("ge2026-03-01T09:30:01Z", {"p2", "p3"}),
    ("2026-03-01,2026-04-10", {"p1", "p3"}), ("ge2026-03-02&date=lt2026-04-01", {"p2"}),
]  # fmt: skip


@pytest.mark.parametrize(("query", "expected"), DATES)
def test_a_date_is_a_range(client: TestClient, query: str, expected: set[str]) -> None:
    """D5: prefixes, partial dates, seconds with offsets fourteen hours either way. R4, search, "prefixes"."""
    assert expected == {one.removeprefix("Patient/") for one in patients(found(client, f"RiskAssessment?date={query}"))}


def test_ap_reaches_a_tenth_of_the_way_to_now() -> None:
    """R4, `ap`: the range is widened by a tenth of the distance between now and the date."""
    now = interval("2026-03-11")
    assert now is not None
    (criterion,) = asked("RiskAssessment", [("date", "ap2026-03-01")], now=now[0]).criteria
    low, high = interval("2026-02-28") or (0, 0), interval("2026-03-02") or (0, 0)

    assert (low[0], high[1]) == (criterion.ranges[0].low, criterion.ranges[0].high)


_INSTANTS = st.integers(0, 59)


@given(st.sampled_from(PREFIXES), st.tuples(_INSTANTS, st.integers(0, 9)), st.lists(st.tuples(_INSTANTS, st.integers(0, 9)), min_size=1, max_size=8))
@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_prefixes_are_the_algebra_of_ranges(store: Resources, prefix: str, wanted: tuple[int, int], given: list[tuple[int, int]]) -> None:
    """D5: as R4 words them, over periods of the resource."""
    emptied(store)
    store.write(lambda _: [_written(_risk(f"r{number}", *span)) for number, span in enumerate(given)])
    text = f"2026-01-01T00:{wanted[0]:02d}:00Z"
    low, high = wanted[0] * 60_000_000, wanted[0] * 60_000_000 + 999_999
    expected = {f"r{number}" for number, (start, length) in enumerate(given) if _holds(prefix, start * 60_000_000, (start + length) * 60_000_000 + 999_999, low, high)}
    page = search(store, asked("RiskAssessment", [("date", f"{prefix}{text}")], now=(interval(text) or (0, 0))[0]), 100)

    assert expected == {one.id for one in page.matches}


def _risk(id: str, start: int, length: int) -> Json:
    when = {"start": f"2026-01-01T00:{start:02d}:00Z", "end": f"2026-01-01T{(start + length) // 60:02d}:{(start + length) % 60:02d}:00Z"}
    return {"resourceType": "RiskAssessment", "id": id, "status": "final", "subject": {"reference": "Patient/p1"}, "occurrencePeriod": when}


def _written(resource: Json) -> Write:
    return Write(resource, id=resource["id"])


def _holds(prefix: str, first: int, last: int, low: int, high: int) -> bool:
    """R4, search, the table of prefixes: (first, last) of the resource against (low, high) of the search."""
    contained = low <= first and last <= high
    return {
        "eq": contained, "ne": not contained, "gt": last > high, "lt": first < low, "ge": last > high or contained,
        "le": first < low or contained, "sa": first > high, "eb": last < low, "ap": first <= high and last >= low,
    }[prefix]  # fmt: skip


@pytest.mark.parametrize(("query", "many"), [("probability=ge0", True), ("probability=gt100", False)])
def test_a_number_has_prefixes_too(client: TestClient, query: str, many: bool) -> None:
    """The percentage of the prognosis."""
    assert many is bool(matches(found(client, f"RiskAssessment?{query}")))


# ---------------------------------------------------------------------------------------------------------------------------------
# pages and order


@given(st.integers(0, 23), st.integers(1, 9), st.integers(0, 5), st.sampled_from(["", "date", "_lastUpdated", "_id"]), st.booleans(), st.sampled_from(["", "risk", "date", "status"]))
@settings(deadline=None, max_examples=40)
def test_a_walk_ends_and_shows_each_once(store: Resources, stored: int, count: int, between: int, order: str, down: bool, criterion: str) -> None:
    """D2: any number, any page size, with resources stored between the pages; of those that were there at the first page none is lost."""
    emptied(store)
    store.write(lambda _: [_written(_risk(f"r{number}", number % 7, 0)) for number in range(stored)])
    wanted = asked("RiskAssessment", {"": [], "risk": [("_tag:not", "x")], "date": [("date", "2026-01")], "status": [("patient", "p1,p2")]}[criterion])
    shown: list[str] = []
    position = None
    for step in range(stored + between + 2):
        page = search(store, wanted, count, Order(order, down), position)
        shown += [one.id for one in page.matches]
        position = page.next
        if position is None:
            break
        if step < between:
            store.write(lambda _, step=step: [_written(_risk(f"new{step}", step, 0))])

    assert position is None
    assert sorted(f"r{number}" for number in range(stored)) == sorted(shown)


def test_a_walk_over_http_ends(client: TestClient) -> None:
    """D2: `next` is an address that can be asked as it is, and the last page has none."""
    shown: list[str] = []
    address: str | None = "/fhir/Observation?_count=2&status=final"
    while address:
        bundle = client.get(address).json()
        shown += [one["id"] for one in matches(bundle)]
        address = link(bundle, "next")

    assert len(set(shown)) == len(shown) == found(client, "Observation?status=final&_total=accurate")["total"]


def test_no_page_link_says_whom_it_is_about(client: TestClient) -> None:
    """D11: the link is sealed; a changed one, or one of another type, is refused."""
    bundle = found(client, "RiskAssessment?patient:identifier=urn:example:skerrow|p1&_count=1")
    address = str(link(bundle, "next"))
    (token,) = parse_qs(urlsplit(address).query)["_page"]

    assert "skerrow" not in address and "p1" not in parse_qs(urlsplit(address).query)
    for spoiled in (f"/fhir/RiskAssessment?_page={token[:-2]}AA", f"/fhir/Observation?_page={token}", f"{address}&risk=x", "/fhir/Observation?_page="):
        assert "parameter-invalid" in keys(client.get(spoiled), 400)


def test_what_is_stored_since_the_first_page_is_not_on_a_later_one(new_database: Callable[[], str]) -> None:
    """D2: the walk is over what there was; the next search finds the rest."""
    with TestClient(create_app(database=new_database())) as own:
        filled(own)
        first = found(own, "RiskAssessment?_count=5&_sort=_lastUpdated")
        keep(own, exam("p9"))
        rest = own.get(str(link(first, "next"))).json()

        assert "Patient/p9" not in patients(first) | patients(own.get(str(link(rest, "next") or link(rest, "self"))).json())
        assert {"Patient/p9"} == patients(found(own, f"RiskAssessment?_lastUpdated=ge{matches(rest)[0]['meta']['lastUpdated']}&patient=p9"))


@pytest.mark.parametrize(("order", "expected"), [("date", ["p1", "p2", "p3"]), ("-date", ["p3", "p2", "p1"]), ("_lastUpdated", ["p1", "p2", "p3"]), ("-_lastUpdated", ["p3", "p2", "p1"])])  # fmt: skip
def test_results_are_sorted(client: TestClient, order: str, expected: list[str]) -> None:
    """D7: `_sort`, either way."""
    shown = [one["subject"]["reference"].removeprefix("Patient/") for one in matches(found(client, f"DiagnosticReport?_sort={order}"))]

    assert expected == shown


def test_last_updated_is_a_feed(client: TestClient, kept: dict[str, list[Json]]) -> None:
    """What changed at an instant or later; nothing in the future."""
    instant = kept["p3"][1]["meta"]["lastUpdated"]

    assert "Patient/p3" in patients(found(client, f"RiskAssessment?_lastUpdated=ge{instant}"))
    assert "Patient/p1" not in patients(found(client, f"RiskAssessment?_lastUpdated=gt{instant}"))
    assert 0 == found(client, "RiskAssessment?_lastUpdated=gt2999-01-01")["total"]
    assert {"Patient/p1", "Patient/p2", "Patient/p3"} == patients(found(client, "RiskAssessment?_lastUpdated=lt2999-01-01"))


def test_many_with_one_code_are_read_along_an_index(store: Resources) -> None:
    """The same results when more than a few meet each criterion: one symbol, several, two criteria, and a date."""
    emptied(store)
    store.write(lambda _: [_written(_risk(f"r{number}", number % 50, 0) | _tagged(number)) for number in range(FEW + 400)])
    for query, expected in (
        ([("_tag", "even")], FEW // 2 + 200), ([("method", "m")], FEW + 400), ([("method", "m,n")], FEW + 400), ([("method", "m"), ("patient", "p1")], FEW + 400),
        ([("method", "m"), ("date", "lt2026-01-01T00:49:00Z")], FEW + 400 - (FEW + 400) // 50),
    ):  # fmt: skip
        shown: list[str] = []
        position = None
        while True:
            page = search(store, asked("RiskAssessment", query), 333, after=position)
            shown += [one.id for one in page.matches]
            position = page.next
            if position is None:
                break

        assert expected == len(set(shown)) == len(shown)
        assert expected == search(store, asked("RiskAssessment", query), 1, total=True).total


def _tagged(number: int) -> Json:
    codes = [{"system": "urn:example:x", "code": "m"}, {"system": "urn:example:x", "code": "n"}]
    return {"method": {"coding": codes}, "meta": {"tag": [{"system": "urn:example:x", "code": "even" if number % 2 == 0 else "odd"}]}}


# ---------------------------------------------------------------------------------------------------------------------------------
# the self link, strict and lenient, what is refused


def test_a_form_finds_the_same(client: TestClient) -> None:
    """D3: `POST _search`, form body and query together, agrees with GET."""
    form = {"content-type": "application/x-www-form-urlencoded"}
    posted = client.post("/fhir/RiskAssessment/_search?_sort=date", content=f"patient=p1&risk={HIGH}", headers=form).json()
    got = found(client, f"RiskAssessment?_sort=date&patient=p1&risk={HIGH}")

    assert got["entry"] == posted["entry"]
    assert got["total"] == posted["total"]
    assert ["media-type-unsupported"] == keys(client.post("/fhir/RiskAssessment/_search", content=b"{}", headers={"content-type": "application/json"}), 415)


def test_the_self_link_states_what_was_understood(client: TestClient) -> None:
    """D1: the controls too, as they were applied."""
    bundle = found(client, f"RiskAssessment?colour=red&risk={HIGH}&_count=100000&_sort=-date&_format=json")

    assert [("risk", HIGH), ("_count", "500"), ("_sort", "-date")] == parse_qsl(urlsplit(str(link(bundle, "self"))).query)


def test_what_is_not_known_is_left_out_and_said(client: TestClient) -> None:
    """D6, lenient: an OperationOutcome among the entries; RiskAssessment has no `status` in R4."""
    bundle = found(client, "RiskAssessment?status=final&_include=RiskAssessment:nothing")
    (said,) = matches(bundle, "outcome")

    assert {"http.status", "http._include"} == {one for issue in said["issue"] for one in issue["expression"]}
    assert {"parameter-ignored"} == {issue["details"]["coding"][0]["code"] for issue in said["issue"]}


def test_strict_handling_refuses_what_is_not_known(client: TestClient) -> None:
    """D6: 400, every fault at once."""
    response = client.get("/fhir/RiskAssessment?status=final&colour=red", headers={"prefer": "handling=strict"})

    assert ["parameter-unknown", "parameter-unknown"] == keys(response, 400)


@pytest.mark.parametrize(
    "query",
    ["date=yesterday", "date=ge", "risk:text=high", "risk:missing=true", "patient.name=x", "patient:Group=p1", "_count=many", "_count=-1", "_sort=colour",
     "_sort=date,_id", "_summary=some", "_total=perhaps", "_elements=a.b", "_include:iterate=RiskAssessment:patient", "_id=a/b", "identifier=urn:x|",
     "probability=much", "_sort=date&_sort=date", "_has:Provenance:target:agent=x", "identifier:not=x", "method=|"],
)  # fmt: skip
@pytest.mark.parametrize("prefer", ["", "handling=lenient"])
def test_what_would_make_it_another_search_is_refused(client: TestClient, query: str, prefer: str) -> None:
    """Values, modifiers and chains that cannot be used, whatever the handling."""
    assert {"parameter-invalid"} == set(keys(client.get(f"/fhir/RiskAssessment?{query}", headers={"prefer": prefer}), 400))


def test_too_wide_a_search_is_refused(store: Resources) -> None:
    """D10: more codes than can be looked up."""
    emptied(store)
    codes = [{"system": "urn:example:x", "code": f"c{number}"} for number in range(501)]
    store.write(lambda _: [_written(_risk("r", 1, 0) | {"method": {"coding": codes}})])
    with pytest.raises(Exception, match="search-too-costly"):
        search(store, asked("RiskAssessment", [("method", "urn:example:x|")]), 10)


# ---------------------------------------------------------------------------------------------------------------------------------
# parts, counts, includes


def test_the_count_alone(client: TestClient) -> None:
    """D7: `_summary=count`, and `_count=0`."""
    for query in ("_summary=count", "_count=0"):
        bundle = found(client, f"DiagnosticReport?{query}")

        assert (3, False, None) == (bundle["total"], "entry" in bundle, link(bundle, "next"))


@pytest.mark.parametrize(("query", "total"), [("_count=1&_total=accurate", 3), ("_count=1&_total=none", None), ("_count=1", None), ("_count=3", 3), ("", 3)])  # fmt: skip
def test_a_total_is_told_when_it_is_asked_for_or_known(client: TestClient, query: str, total: int | None) -> None:
    """D7: `_total`; Bundle.total is optional and never a guess."""
    assert total == found(client, f"DiagnosticReport?{query}").get("total")


@pytest.mark.parametrize("kind", MANDATORY)
def test_the_summary_elements_are_those_of_r4(kind: str) -> None:
    """D7: against the isSummary marks in the models of `fhir.resources` (R4B, the same elements as R4 4.0.1)."""
    from fhir.resources.R4B import get_fhir_model_class

    marked = set(get_fhir_model_class(kind).summary_elements_sequence()) - {"id", "meta", "implicitRules"}

    assert marked == set(SUMMARY[kind])


@pytest.mark.parametrize(("query", "there", "gone"), [("_summary=true", "method", "prediction"), ("_summary=text", "text", "method"), ("_summary=data", "prediction", "text"), ("_elements=prediction", "prediction", "method")])  # fmt: skip
def test_a_part_is_tagged_as_one(client: TestClient, query: str, there: str, gone: str) -> None:
    """D7: with what is mandatory and the tag SUBSETTED; a read gives the same part."""
    one = matches(found(client, f"RiskAssessment?{query}"))[0]
    read = client.get(f"/fhir/RiskAssessment/{one['id']}?{query}").json()

    assert there in one and gone not in one and {"id", "status", "subject"} <= one.keys()
    assert "SUBSETTED" in [tag["code"] for tag in one["meta"]["tag"]]
    assert one == read


def test_what_is_led_to_comes_along(client: TestClient, kept: dict[str, list[Json]]) -> None:
    """D8: `_include`; the patient is not held here, and is not made up."""
    bundle = found(client, "RiskAssessment?patient=p1&_include=RiskAssessment:performer&_include=RiskAssessment:subject")

    assert ["Device"] == [one["resourceType"] for one in matches(bundle, "include")]
    assert bundle["total"] == len(matches(bundle)) == len(of_type(kept["p1"], "RiskAssessment"))


def test_more_includes_than_are_given_is_no_search(client: TestClient, kept: dict[str, list[Json]], monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is left out without a word: with fewer matches on a page they fit."""
    monkeypatch.setattr("sural.web.searching.MOST_INCLUDED", 3)
    refused = client.get("/fhir/RiskAssessment?_revinclude=Provenance:target&_revinclude=DiagnosticReport:result")
    matches_of_one = found(client, "Device?_revinclude=Provenance:agent")
    many = client.get("/fhir/Device?_revinclude=Observation:device")

    assert 200 == refused.status_code
    assert 3 == len(matches(matches_of_one, "include"))
    assert ["search-too-costly"] == keys(many, 403)


def test_what_leads_there_comes_along(client: TestClient, kept: dict[str, list[Json]]) -> None:
    """D8: `_revinclude`: the account of where a result comes from, once."""
    bundle = found(client, "RiskAssessment?patient=p1&_revinclude=Provenance:target")

    assert [one["id"] for one in of_type(kept["p1"], "Provenance")] == [one["id"] for one in matches(bundle, "include")]


def test_every_include_that_is_listed_is_understood(client: TestClient) -> None:
    """A1: what metadata lists under searchInclude and searchRevInclude."""
    for resource in client.get("/fhir/metadata").json()["rest"][0]["resource"]:
        for name, listed in (("_include", "searchInclude"), ("_revinclude", "searchRevInclude")):
            for one in resource.get(listed, ()):
                assert [] == matches(found(client, f"{resource['type']}?{name}={one}&_count=1"), "outcome")
