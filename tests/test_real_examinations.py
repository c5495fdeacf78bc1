"""6,059 real examinations through FHIR: our findings give the survey's own counts and the published prevalences.

Published: Gregg et al., Diabetes Care 2004;27:1591 (NHANES 1999-2000, age 40 and over, survey-weighted). Per-foot counts: the survey's own
LEALPN and LEARPN.
"""

from collections.abc import Callable
from typing import Any

import pytest

from tests.asking import summary_of
from tests.nhanes import ABSENT_REASON, TABLE, as_fhir, people

pytestmark = pytest.mark.skipif(not TABLE.exists(), reason=ABSENT_REASON)
Person = dict[str, str]


@pytest.fixture(scope="module")
def assessed() -> list[tuple[Person, dict[str, Any]]]:
    """Every person with the summary of their examination."""
    return [(person, summary_of(as_fhir(person), "2001-06-02")) for person in people()]


def _insensate(summary: dict[str, Any], side: str) -> int | None:
    """Insensate sites of a foot whose three sites are decided, else None."""
    counts = summary["monofilament"][side]
    return counts["notFelt"] if counts["felt"] + counts["notFelt"] == 3 and not counts["undecided"] else None


def test_insensate_sites_of_every_foot_equal_the_survey(assessed: list[tuple[Person, dict[str, Any]]]) -> None:
    """2 x 6,059 feet; -1 or empty in the survey is a foot without a count."""
    differing = [
        (person["SEQN"], side)
        for person, summary in assessed
        for side, column in (("left", "LEALPN"), ("right", "LEARPN"))
        if (_insensate(summary, side)) != (int(person[column]) if person[column] not in ("", "-1") else None)
    ]

    assert 6059 == len(assessed)
    assert [] == differing


def share(people: list[tuple[Person, dict[str, Any]]], holds: Callable[[Person, dict[str, Any]], bool | None]) -> float:
    """The weighted share of those who can be judged, in per cent to one decimal."""
    judged = [(float(person["WTMEC2YR"]), holds(person, summary)) for person, summary in people]
    total = sum(weight for weight, held in judged if held is not None)
    return round(100 * sum(weight for weight, held in judged if held) / total, 1)


def _insensate_foot(person: Person, summary: dict[str, Any]) -> bool | None:
    counts = [count for side in ("left", "right") if (count := _insensate(summary, side)) is not None]
    return any(counts) if counts else None


def _low_index(person: Person, summary: dict[str, Any]) -> bool | None:
    """Arterial disease by the index: with only indices and pressures recorded nothing else can make it present but an ankle below 50."""
    if not (person["LEXLABPI"] or person["LEXRABPI"]):
        return None
    return summary["findings"]["arterialDisease"]["person"] == "yes"


def _disease(person: Person, summary: dict[str, Any]) -> bool | None:
    insensate, low = _insensate_foot(person, summary), _low_index(person, summary)
    if insensate is None or low is None:
        return None
    found = summary["findings"]
    return insensate or low or "yes" in (found["previousUlcer"]["person"], found["amputation"]["person"])


PUBLISHED = [
    ("insensate feet, all", _insensate_foot, False, 14.8),
    ("insensate feet, diabetes", _insensate_foot, True, 28.5),
    ("index below 0.90, all", _low_index, False, 4.5),
    ("index below 0.90, diabetes", _low_index, True, 9.5),
    ("lower-extremity disease, all", _disease, False, 18.7),
    ("lower-extremity disease, diabetes", _disease, True, 30.2),
]


@pytest.mark.parametrize(("what", "holds", "diabetes", "published"), PUBLISHED, ids=[row[0] for row in PUBLISHED])
def test_published_prevalence(
    assessed: list[tuple[Person, dict[str, Any]]], what: str, holds: Any, diabetes: bool, published: float
) -> None:
    """Gregg 2004, to the printed decimal."""
    cycle = [(person, summary) for person, summary in assessed if person["CYCLE"] == "1999-2000"]
    chosen = [(person, summary) for person, summary in cycle if not diabetes or person["DIQ010"] == "1"]

    assert published == share(chosen, holds)


def test_the_safer_question_gives_slightly_more(assessed: list[tuple[Person, dict[str, Any]]]) -> None:
    """One site not felt is enough to call protective sensation lost, also on a foot with undecided sites."""
    lost = sum(summary["findings"]["protectiveSensationLost"]["person"] == "yes" for _, summary in assessed)
    counted = sum(bool(_insensate_foot(person, summary)) for person, summary in assessed)

    assert counted < lost < 1.1 * counted


def test_nothing_of_the_input_is_lost(assessed: list[tuple[Person, dict[str, Any]]]) -> None:
    """Every resource of every person is used: none is refused, none falls under the table."""
    for person, summary in assessed:
        counts = summary["intake"]
        assert len(as_fhir(person)["entry"]) == sum(counts.values())
        assert 0 == counts["unusable"], (person["SEQN"], summary["issues"])
