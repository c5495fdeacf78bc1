"""Small requests that cost much: nobody can keep the service busy with what costs them nothing. OWASP API4:2023."""

from typing import Any

import pytest
from fastapi.testclient import TestClient

from sural.intake.text import Doubled, parse
from sural.ledger.criteria import MOST_PARAMETERS
from sural.web.app import create_app
from sural.web.forms import LARGEST_FORM
from tests.stored import keys

FORM = {"content-type": "application/x-www-form-urlencoded"}


@pytest.fixture(scope="module")
def client() -> TestClient:
    return TestClient(create_app(), raise_server_exceptions=False)


def test_many_properties_one_of_which_stands_twice() -> None:
    """Each name is counted once: with the square of their number this one would take minutes."""
    found: Any = parse(("{" + ",".join(f'"a{number}":1' for number in range(100_000)) + ',"a7":2}').encode())

    assert isinstance(found, Doubled)
    assert ("a7",) == found.names


@pytest.mark.parametrize("kind", ["Observation", "Subscription"])
def test_a_search_has_a_number_of_parameters_at_most(client: TestClient, kind: str) -> None:
    """As a query and as a form, known or not; one less is a search."""
    few, many = ("&".join(f"x{number}=1" for number in range(count)) for count in (MOST_PARAMETERS, MOST_PARAMETERS + 1))
    place = f"/fhir/{kind}"

    assert ["search-too-costly"] == keys(client.get(f"{place}?{many}"), 403) == keys(client.post(f"{place}/_search", content=many, headers=FORM), 403)
    assert [200, 200] == [one.status_code for one in (client.get(f"{place}?{few}"), client.post(f"{place}/_search", content=few, headers=FORM))]


@pytest.mark.parametrize("kind", ["Observation", "Subscription"])
def test_a_form_is_no_larger_than_a_search_can_be(client: TestClient, kind: str) -> None:
    """The limit of bodies is for examinations."""
    assert ["input-too-large"] == keys(client.post(f"/fhir/{kind}/_search", content=b"_id=" + b"a" * LARGEST_FORM, headers=FORM), 413)


@pytest.mark.parametrize("number", ["1e-999999999", "1e-101"])
def test_a_number_finer_than_anything_is_refused(client: TestClient, number: str) -> None:
    """It was a failure of ours (500)."""
    assert ["parameter-invalid"] == keys(client.get(f"/fhir/RiskAssessment?probability={number}"), 400)
