"""Every fixture case gives what is expected of it, and together the cases reach every category of every scheme."""

from collections.abc import Iterator
from typing import Any

import pytest

from sural.doors.cases import Case, cases

CATEGORIES = {
    "nice-ng19-2019": {"low", "moderate", "high", "active"},
    "iwgdf-2023": {"0", "1", "2", "3"},
    "scotland-2016": {"low", "moderate", "high", "in-remission", "active"},
}
"""The settled categories of each scheme ; their sources stand in the modules of `sural.footrisk.schemes`."""


@pytest.mark.parametrize("one", cases(), ids=lambda one: one.name)
def test_case_gives_what_is_expected(one: Case) -> None:
    """The summary of the case, or the outcome it is refused with, is the expected one."""
    assert [] == one.differences(one.documents())


def _expected() -> Iterator[dict[str, Any]]:
    for one in cases():
        expected = one.expected
        yield from expected if isinstance(expected, list) else [expected]


@pytest.mark.parametrize(("scheme", "category"), [(s, c) for s in CATEGORIES for c in sorted(CATEGORIES[s])])
def test_every_category_of_every_scheme_has_a_case(scheme: str, category: str) -> None:
    """At least one case expects this category, settled."""
    risks = [summary.get("footRisk", {}).get(scheme, {}) for summary in _expected()]

    assert any(risk.get("category") == category for risk in risks)
