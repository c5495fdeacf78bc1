"""Decimals that a client stores come back with the digits that it wrote: 1.50 is not 1.5.

Source: FHIR R4, data types, decimal ("the precision of the decimal value has significance"). By every way in and every way out, on SQLite and
PostgreSQL.
"""

import json
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import httpx
import orjson
import pytest
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st

from sural.ledger.content import alike, read, written
from sural.web.app import create_app
from sural.web.settings import Outgoing, Settings
from tests.stored import BODY, keys
from tests.subscribers import plain

HOOK = "https://screening.skerrow.example/hook"
NUMBERS = ["1.50", "100.00", "0.10", "12345678901234567.890", "0.30000000000000004", "-0.0", "7", "1.10000000000000000000000001", "123456789012345678901234567890"]
SIGN = 424242
"""Stands for a number until the text is written."""


def observation(number: str, **more: Any) -> bytes:
    """An Observation with a number as its value, exactly as it is given."""
    content = {
        "resourceType": "Observation", "status": "final", "code": {"text": "toe pressure"}, "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": "2026-03-01", "valueQuantity": {"value": SIGN, "unit": "mmHg"}, **more,
    }  # fmt: skip
    return orjson.dumps(content).replace(str(SIGN).encode(), number.encode())


def value(content: bytes | str) -> str:
    """The digits of the value of the Observation in a text, wherever it stands there."""
    found: list[str] = []

    def looked(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found.extend(str(one) for name, one in pairs if name == "value" and isinstance(one, Number))
        return dict(pairs)

    json.loads(content, parse_float=Number, parse_int=Number, object_pairs_hook=looked)
    (only,) = found
    return only


class Number(str):
    """A number as it was written."""

    __slots__ = ()


@pytest.fixture
def client(url: str) -> Iterator[TestClient]:
    settings = Settings(outbound=Outgoing(subscribers=(HOOK,), full_resource=(HOOK,)))
    with TestClient(create_app(database=url, settings=settings), raise_server_exceptions=False) as client:
        yield client


def sent(client: TestClient, content: bytes, method: str = "POST", path: str = "Observation", **headers: str) -> httpx.Response:
    return client.request(method, f"/fhir/{path}".rstrip("/"), content=content, headers=BODY | headers)


@pytest.mark.parametrize("number", NUMBERS)
def test_a_number_is_read_back_as_it_was_written(client: TestClient, number: str) -> None:
    """In the answer to the create, by read, version, history, search, and as a part."""
    response = sent(client, observation(number))
    id = response.json()["id"]
    ways = [f"Observation/{id}", f"Observation/{id}/_history/1", f"Observation/{id}/_history", "Observation", "Observation?_elements=valueQuantity",
            "Observation?_summary=true", f"Observation/{id}?_summary=data", f"Observation/{id}?_elements=valueQuantity"]  # fmt: skip

    assert 201 == response.status_code
    assert [number] * (1 + len(ways)) == [value(response.text), *(value(client.get(f"/fhir/{way}").text) for way in ways)]


def test_a_number_is_exported_as_it_was_written(client: TestClient) -> None:
    """Bulk Data."""
    sent(client, observation("1.50"))
    begun = client.get("/fhir/$export?_type=Observation", headers={"prefer": "respond-async", "accept": "application/fhir+json"})
    (output,) = client.get(begun.headers["content-location"]).json()["output"]

    assert "1.50" == value(client.get(output["url"]).text)


def test_an_exponent_keeps_its_precision(client: TestClient) -> None:
    """The same number of the same precision, in a notation that JSON has."""
    assert Decimal("2.0E+3").as_tuple() == Decimal(value(sent(client, observation("2.0e3")).text)).as_tuple()


def test_a_transaction_keeps_digits(client: TestClient) -> None:
    """Though its references are written anew."""
    entry = {"fullUrl": "urn:uuid:5f0f2f5e-0000-4000-8000-000000000001", "resource": orjson.Fragment(observation("1.50")), "request": {"method": "POST", "url": "Observation"}}
    response = sent(client, orjson.dumps({"resourceType": "Bundle", "type": "transaction", "entry": [entry]}), path="")

    assert 200 == response.status_code, response.text
    assert "1.50" == value(response.text) == value(client.get("/fhir/Observation").text)


def test_another_precision_is_another_version(client: TestClient) -> None:
    """1.50 after 1.5 is a change; 1.50 again, in another order of properties, is none."""
    id = sent(client, observation("1.5")).json()["id"]
    turned = orjson.dumps({"id": id}).rstrip(b"}") + b"," + observation("1.50").lstrip(b"{")
    versions = [sent(client, content, "PUT", f"Observation/{id}").headers["etag"] for content in (observation("1.5", id=id), observation("1.50", id=id), turned)]

    assert ['W/"1"', 'W/"2"', 'W/"2"'] == versions
    assert ["1.5", "1.50"] == [value(client.get(f"/fhir/Observation/{id}/_history/{version}").text) for version in (1, 2)]


def test_a_search_by_number_finds_what_has_more_digits(client: TestClient) -> None:
    """`probability=ge12.5` and a stored 12.50; one of many digits is found too."""
    for number in ("12.50", "99.99999999999999999999"):
        content = {
            "resourceType": "RiskAssessment", "status": "final", "subject": {"reference": "Patient/p1"}, "occurrenceDateTime": "2026-03-01",
            "prediction": [{"probabilityDecimal": SIGN}],
        }  # fmt: skip
        assert 201 == sent(client, orjson.dumps(content).replace(str(SIGN).encode(), number.encode()), path="RiskAssessment").status_code

    assert [2, 1] == [client.get(f"/fhir/RiskAssessment?_total=accurate&probability={asked}").json()["total"] for asked in ("ge12.5", "12.5")]


@pytest.mark.parametrize("number", ["1e400", "1e9999999", "1e-9999999", "1e99999999999999999999", "123456789012345678901234567890123", "0." + "1" * 41, "9" * 2000])
@pytest.mark.parametrize("check", [True, False])
def test_a_number_beyond_all_measure_is_refused_at_once(number: str, check: bool) -> None:
    """With its place; it would have to be kept, compared and shown."""
    with TestClient(create_app(check), raise_server_exceptions=False) as client:
        response = sent(client, observation(number))

    assert ["value-out-of-range"] == keys(response, 422)
    assert ["Observation.value.value"] == response.json()["issue"][0]["expression"]


def test_a_probability_beyond_all_tables_is_no_failure_of_ours(url: str) -> None:
    """Without the structural check it is stored; its place among numbers is the last there is."""
    content = {
        "resourceType": "RiskAssessment", "status": "final", "subject": {"reference": "Patient/p1"}, "occurrenceDateTime": "2026-03-01",
        "prediction": [{"probabilityDecimal": 1e25}],
    }  # fmt: skip
    with TestClient(create_app(False, database=url), raise_server_exceptions=False) as client:
        assert 201 == sent(client, orjson.dumps(content), path="RiskAssessment").status_code
        assert 1 == client.get("/fhir/RiskAssessment?_total=accurate&probability=ge100").json()["total"]


def test_a_property_that_stands_twice_is_refused(client: TestClient) -> None:
    """Which of the two was meant cannot be known; one of them was stored."""
    assert ["duplicate-property"] == keys(sent(client, observation("1.50").replace(b'"status"', b'"status":"amended","status"')), 400)


def test_a_subscription_keeps_digits(client: TestClient) -> None:
    """In an extension: read, searched, and by what is kept."""
    subscription = orjson.dumps(plain("Observation", HOOK) | {"extension": [{"url": "urn:example:x", "valueDecimal": SIGN}]})
    response = sent(client, subscription.replace(str(SIGN).encode(), b"123456789012345678901.50"), path="Subscription")
    ways = [f"Subscription/{response.json()['id']}", "Subscription"]

    assert [True] * 3 == [b'"valueDecimal":123456789012345678901.50' in text for text in (response.content, *(client.get(f"/fhir/{way}").content for way in ways))]


DECIMALS = st.decimals(allow_nan=False, allow_infinity=False, places=None).filter(lambda one: abs(one.adjusted()) < 1000)
TREES = st.recursive(
    st.none() | st.booleans() | st.integers() | DECIMALS | st.text(), lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner), max_leaves=20
)


def exact(tree: Any) -> Any:
    """A tree in which numbers are compared by their digits."""
    if isinstance(tree, dict):
        return {name: exact(one) for name, one in tree.items()}
    if isinstance(tree, list):
        return [exact(one) for one in tree]
    return tree.as_tuple() if isinstance(tree, Decimal) and tree.as_tuple().exponent != 0 else tree


@given(TREES)
def test_what_is_written_is_read_again(tree: Any) -> None:
    """Every digit, and twice over."""
    again = read(written(tree))

    assert exact(tree) == exact(again)
    assert written(again) == written(tree)
    assert alike(tree, again)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [("1.50", "1.50", True), ("1.5", "1.50", False), ("1", "1.0", False), ('{"a":1,"b":2.0}', '{"b":2.0,"a":1}', True), ("[1,2]", "[2,1]", False)],
)
def test_what_says_the_same(one: str, other: str, same: bool) -> None:
    """Digits and lists count, the order of properties does not."""
    assert same is alike(read(one.encode()), read(other.encode()))
