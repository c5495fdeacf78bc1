"""Ulcers of one foot, put together by site from findings that name them and findings that measure them."""

from collections.abc import Callable, Mapping

from sural.exam.examination import Limb, Ulcer
from sural.exam.finding import Finding
from sural.intake.choosing import end, newest, order, site_code, start
from sural.terminology.concept import Concept

LEAVES = {"foot-ulcer": "previous-foot-ulcer", "limb-threatening-ischaemia": "peripheral-arterial-disease"}
"""What stays once a problem is over: an earlier ulcer; the arterial disease that threatened the limb (it is part of the definition)."""
NO_ULCER = ("epithelialised", "none", "negative", "absent")
_WHOLE = ("", "foot")
Choose = Callable[[list[Finding]], Finding]


def place_ulcers(
    limb: Limb, named: list[Finding], details: list[Finding], choose: Choose, concepts: Mapping[str, Concept]
) -> None:
    """Give a limb its ulcers. A "no ulcer" for the whole foot ends all that are not newer; one for a site ends the ulcer there.

    What was measured where no ulcer is named is an ulcer of its own, and so is what was measured after an ulcer there was said to be gone.
    """
    whole = [finding for finding in named if finding.value == "absent" and site_code(finding) in _WHOLE]
    present = [finding for finding in named if finding.value == "present"]
    unnamed = inferred(details, concepts) if details else []
    found = [finding for finding in named if finding not in whole]
    found += [one for one in unnamed if not any(_same_place(one, ulcer) for ulcer in present)]
    for site in sorted({site_code(finding) for finding in found}):
        here = [finding for finding in found if site_code(finding) == site]
        chosen = choose(here + whole)
        if chosen.value != "present":
            again = [one for one in unnamed if one not in here and site_code(one) == site and end(one) >= start(chosen)]
            chosen = choose([chosen, *again]) if again else chosen
        if chosen.value == "present":
            limb.ulcers.append(Ulcer(limb.side, site or None, chosen, {}))
        else:
            _heal(limb, here, concepts)
    if limb.ulcers:
        limb.findings["foot-ulcer"] = limb.ulcers[0].present
    elif whole:
        limb.findings["foot-ulcer"] = max(whole, key=lambda finding: (start(finding), order(finding)))
    _attach(limb, details, choose)


def _same_place(one: Finding, other: Finding) -> bool:
    """Whether two findings may be of one ulcer: at the same site, at one within the other, or without a site."""
    here, there = site_code(one), site_code(other)
    if here == there or here in _WHOLE or there in _WHOLE or one.site is None or other.site is None:
        return True
    return one.site.lies_in(there) or other.site.lies_in(here)


def inferred(details: list[Finding], concepts: Mapping[str, Concept]) -> list[Finding]:
    """Ulcers that nobody named, from what was found of them: what is measured is there."""
    concept = concepts["foot-ulcer"]
    return [
        Finding(concept, one.side, one.site, "present", one.moment, one.source, (), one.concept.code)
        for one in details
        if one.value not in NO_ULCER
    ]


def history(code: str, finding: Finding, concepts: Mapping[str, Concept]) -> Finding:
    """History that follows from a finding."""
    return Finding(concepts[code], finding.side, None, "present", finding.moment, finding.source, (), finding.concept.code)


def _heal(limb: Limb, found: list[Finding], concepts: Mapping[str, Concept]) -> None:
    """An ulcer that was there within the look-back and is not any more is an earlier ulcer."""
    earlier = [finding for finding in found if finding.value == "present"]
    known = limb.findings.get("previous-foot-ulcer")
    if earlier and (known is None or known.value != "present"):
        limb.findings["previous-foot-ulcer"] = history("previous-foot-ulcer", max(earlier, key=order), concepts)


def _attach(limb: Limb, details: list[Finding], choose: Choose) -> None:
    """Give each ulcer what is known of it: what was found at its site, else within or around it, else without a site."""
    groups: dict[tuple[str, str], list[Finding]] = {}
    for finding in details:
        groups.setdefault((finding.concept.code, site_code(finding)), []).append(finding)
    chosen = {key: choose(found) for key, found in groups.items()}
    for ulcer in limb.ulcers:
        nearest: dict[str, int] = {}
        for (code, site), finding in chosen.items():
            distance = _distance(ulcer, site, finding, len(limb.ulcers) == 1)
            if distance is None or distance > nearest.get(code, distance):
                continue
            if distance == nearest.get(code):
                finding = max(newest([finding, ulcer.details[code]]), key=order)
            nearest[code] = distance
            ulcer.details[code] = finding


def _distance(ulcer: Ulcer, site: str, finding: Finding, only: bool) -> int | None:
    """How near a detail was found to an ulcer, 0 the nearest; None when it is of another place."""
    if site == (ulcer.site or ""):
        return 0
    if site in _WHOLE:
        return 2
    if ulcer.site in (None, "foot"):
        return 2 if only else None
    return 1 if _same_place(finding, ulcer.present) else None
