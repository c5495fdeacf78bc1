"""The same 6,059 real examinations as files of an export through `sural cohort`: the same published prevalences.

Published: Gregg et al., Diabetes Care 2004;27:1591, as in `test_real_examinations`.
"""

from pathlib import Path
from typing import Any

import orjson
import pytest

from sural.cli.main import main
from tests.asking import summary_of
from tests.cohorts import bulk, read
from tests.nhanes import ABSENT_REASON, TABLE, as_fhir, people
from tests.test_cohort import without_places
from tests.test_real_examinations import PUBLISHED, Person, share

pytestmark = pytest.mark.skipif(not TABLE.exists(), reason=ABSENT_REASON)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a run over one file per type of resource."""
    folder = tmp_path_factory.mktemp("nhanes")
    resources = [entry["resource"] for person in people() for entry in as_fhir(person)["entry"]]
    options = ["--as-of", "2001-06-02", "--without-answers", "--workers", "2"]
    assert 0 == main(["cohort", "assess", str(bulk(folder / "in", resources)), "--out", str(folder / "out"), *options])
    return folder / "out"


@pytest.fixture(scope="module")
def assessed(folder: Path) -> list[tuple[Person, dict[str, Any]]]:
    """Every person with the summary that the run has of them."""
    summaries = {one["subject"]: one for one in read(folder, "summaries")}
    return [(person, summaries[f"Patient/n{person['SEQN']}"]) for person in people()]


@pytest.mark.parametrize(("what", "holds", "diabetes", "published"), PUBLISHED, ids=[row[0] for row in PUBLISHED])
def test_published_prevalence_of_a_population(
    assessed: list[tuple[Person, dict[str, Any]]], what: str, holds: Any, diabetes: bool, published: float
) -> None:
    """Gregg 2004, to the printed decimal."""
    cycle = [(person, summary) for person, summary in assessed if person["CYCLE"] == "1999-2000"]
    chosen = [(person, summary) for person, summary in cycle if not diabetes or person["DIQ010"] == "1"]

    assert published == share(chosen, holds)


def test_every_line_of_the_survey_is_used(folder: Path) -> None:
    """None is rejected, none unusable, and nobody is missing."""
    account = orjson.loads((folder / "account.json").read_bytes())
    lines = account["lines"]

    assert 6059 == account["patients"]["assessed"]
    assert {} == account["rejects"]
    assert lines["read"] == lines["used"] + lines["superseded"] + lines["not_relevant"]


def test_a_person_of_the_survey_has_the_summary_of_a_single_call(assessed: list[tuple[Person, dict[str, Any]]]) -> None:
    """Every hundredth of them."""
    for person, summary in assessed[::100]:
        assert without_places(summary_of(as_fhir(person), "2001-06-02")) == without_places(summary)
