"""What is counted of a population: one counter, whose entries are words joined by a bar, so that counts of parts can be added up.

An entry counts patients unless its first word is `issue`, which counts issues, or `lines`.
"""

from collections import Counter
from typing import Any

from sural.answer.assessment import Assessment
from sural.answer.coverage import gaps
from sural.footrisk.schemes import SCHEMES

Tally = Counter[str]
FEW = 3
"""Findings that would settle an answer are counted as a set up to this many; beyond it the whole examination is to be done."""
MORE = "more"
_SENSATION = "protectiveSensationLost"


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
    """What is certainly other than in an earlier summary: per scheme, the ranges do not overlap; protective sensation was kept and is lost.

    Raises nothing: what an earlier summary does not hold is not compared.
    """
    found = []
    for scheme, standing in now["footRisk"].items():
        before = earlier.get("footRisk", {}).get(scheme, {})
        change = _change(scheme, before, standing)
        if change:
            found.append(f"since|{scheme}|{change}")
    before, after = (one.get("findings", {}).get(_SENSATION, {}).get("person") for one in (earlier, now))
    if (before, after) == ("no", "yes"):
        found.append("since|sensation|newly-lost")
    return found


def _change(scheme: str, before: dict[str, Any], after: dict[str, Any]) -> str | None:
    ranks = {code: rank for rank, code in enumerate(SCHEMES[scheme].ladder.categories)}
    codes = [str(one.get(end)) for one in (before, after) for end in ("atLeast", "atMost")]
    if any(code not in ranks for code in codes):
        return None
    low, high, new_low, new_high = (ranks[code] for code in codes)
    if new_low > high:
        return "worse"
    if new_high < low:
        return "better"
    return "same" if low == high == new_low == new_high else "overlapping"
