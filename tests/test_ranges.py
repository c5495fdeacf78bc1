"""Prefixes of a search, told by looking at every point of both ranges.

Source: FHIR R4, search, prefixes: `lt` and `gt` by what lies beyond the value, `sa` and `eb` by the whole range, `eq` by containment.
"""

from itertools import combinations_with_replacement

import pytest

from sural.ledger.criteria import Range
from sural.ledger.ranges import meets

RANGES = list(combinations_with_replacement(range(5), 2))
BY_POINTS = {
    "eq": lambda mine, asked: mine <= asked,
    "ne": lambda mine, asked: not mine <= asked,
    "lt": lambda mine, asked: any(point < min(asked) for point in mine),
    "gt": lambda mine, asked: any(point > max(asked) for point in mine),
    "le": lambda mine, asked: mine <= asked or any(point < min(asked) for point in mine),
    "ge": lambda mine, asked: mine <= asked or any(point > max(asked) for point in mine),
    "sa": lambda mine, asked: all(point > max(asked) for point in mine),
    "eb": lambda mine, asked: all(point < min(asked) for point in mine),
    "ap": lambda mine, asked: bool(mine & asked),
}


@pytest.mark.parametrize("prefix", BY_POINTS)
def test_a_prefix_means_what_the_points_of_both_ranges_say(prefix: str) -> None:
    """Every pair of ranges that overlap, touch, contain each other or lie apart."""
    for low, high in RANGES:
        for first, last in RANGES:
            mine, asked = set(range(low, high + 1)), set(range(first, last + 1))

            assert BY_POINTS[prefix](mine, asked) is meets(low, high, Range(prefix, first, last)), (low, high, first, last)
