"""One answer, as far as later ones are compared with it: categories by scheme, states of factors, how far each loss reaches.

Made from a stored answer or from a summary, so that both are compared by the same rules. What is not in it is not known.
"""

from collections.abc import Mapping
from typing import Any

from msgspec import Struct

from sural.neuropathy.reach import LEG_LEVELS

Range = tuple[str, str]
Levels = dict[str, dict[str, tuple[int, int]]]
_LEVEL = {level: rank for rank, level in enumerate(LEG_LEVELS)}
_SUMMARISED = {
    "protectiveSensationLost": "protective-sensation-lost", "previousUlcer": "previous-foot-ulcer", "ulcer": "foot-ulcer",
}  # fmt: skip
_TRUTH = {"yes": True, "no": False}


class Snapshot(Struct, frozen=True):
    """`ranges`: scheme to (at least, at most). `states`: factor to person, left, right. `levels`: modality to side to ranks, low and high."""

    ranges: dict[str, Range] = {}
    states: dict[str, dict[str, bool]] = {}
    levels: Levels = {}


def of_summary(summary: Mapping[str, Any]) -> Snapshot:
    """The snapshot of a summary; what it does not hold, or holds in another form, is not known."""
    ranges = {
        scheme: (standing["atLeast"], standing["atMost"])
        for scheme, standing in summary.get("footRisk", {}).items()
        if isinstance(standing.get("atLeast"), str) and isinstance(standing.get("atMost"), str)
    }
    states = {
        factor: {where: _TRUTH[said] for where, said in summary.get("findings", {}).get(name, {}).items() if said in _TRUTH}
        for name, factor in _SUMMARISED.items()
    }
    levels: Levels = {}
    for modality, sides in summary.get("neuropathy", {}).get("level", {}).items():
        found = {side: ranks for side, said in sides.items() if (ranks := _ranks(said))}
        if found:
            levels[modality] = found
    return Snapshot(ranges, states, levels)


def _ranks(said: Any) -> tuple[int, int] | None:
    """The ranks of a level, which is a word when it is exact, else both ends."""
    low, high = (said.get("atLeast"), said.get("atMost")) if isinstance(said, dict) else (said, said)
    return (_LEVEL[low], _LEVEL[high]) if low in _LEVEL and high in _LEVEL else None


def rank(level: str) -> int | None:
    """The rank of a level of the leg."""
    return _LEVEL.get(level)
