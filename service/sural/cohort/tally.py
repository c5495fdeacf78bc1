"""What is counted of a population: one counter, whose entries are words joined by a bar, so that counts of parts can be added up.

An entry counts patients unless its first word is `issue`, which counts issues, or `lines`.
"""

from collections import Counter
from typing import Any

from sural.answer.assessment import Assessment
from sural.answer.coverage import gaps
from sural.recall.deterioration import deterioration, moved
from sural.recall.snapshot import of_summary

Tally = Counter[str]
FEW = 3
"""Findings that would settle an answer are counted as a set up to this many; beyond it the whole examination is to be done."""
MORE = "more"


def count(tally: Tally, assessment: Assessment, summary: dict[str, Any], earlier: dict[str, Any] | None) -> None:
    """Count one patient in. `earlier` is their summary of an earlier run."""
    found = ["patients"]
    for scheme, standing in summary["footRisk"].items():
        found += _standing(scheme, standing)
    found += [f"finding|{name}|{sides['person']}" for name, sides in summary["findings"].items()]
    found += [f"missing|{gap.part}|{'both' if len(gap.sides) > 1 else 'one'}" for gap in gaps(assessment.examination)]
    found += [f"pattern|{pattern}" for pattern in summary["neuropathy"]["pattern"]]
    found += [f"flag|{flag}" for flag in summary["neuropathy"]["redFlags"]]
    toronto = summary["neuropathy"]["certainty"].get("toronto-2010")
    if toronto:
        found.append(f"toronto|{toronto['atLeast']}|{toronto['atMost']}")
    found += {f"referral|{one['service']}|{one['urgency']}" for one in summary["referrals"]}
    urgencies = {one["urgency"] for one in summary["referrals"]}
    found.append(f"urgency|{next((one for one in ('stat', 'urgent', 'routine') if one in urgencies), 'none')}")
    found += [f"issue|{issue['severity']}|{issue['key']}" for issue in summary["issues"]]
    if "trend" in summary:
        found.append("trend|compared")
        found += {f"trend|{change['code']}" for change in summary["trend"]["changes"]}
    if earlier is not None:
        found += ["since|compared", *since(earlier, summary)]
    tally.update(found)


def _standing(scheme: str, standing: dict[str, Any]) -> list[str]:
    if standing["settled"]:
        return [f"risk|{scheme}|settled|{standing['category']}"]
    settling = standing["wouldSettle"][0] if standing["wouldSettle"] else ()
    return [
        f"risk|{scheme}|open|{standing['atLeast']}|{standing['atMost']}",
        f"settle|{scheme}|{'+'.join(settling) if len(settling) <= FEW else MORE}",
        *(f"open|{scheme}|{factor}" for factor in standing["open"]),
    ]


def since(earlier: dict[str, Any], now: dict[str, Any]) -> list[str]:
    """What is certainly other than in an earlier summary: per scheme how the category moved, and everything that has become worse.

    Raises nothing: what an earlier summary does not hold is not compared.
    """
    before, after = of_summary(earlier), of_summary(now)
    moves = {scheme: moved(scheme, before.ranges[scheme], ends) for scheme, ends in after.ranges.items() if scheme in before.ranges}
    found = [f"since|{scheme}|{move}" for scheme, move in moves.items() if move]
    worse = {change.code for change in deterioration(before, after)}
    return [*found, *(f"since|worse|{code}" for code in sorted(worse)), *(["since|worse|any"] if worse else [])]
