"""Ulcers of one foot, put together by site from findings that name them and findings that measure them."""

from collections.abc import Callable, Mapping

from sural.exam.examination import Limb, Ulcer
from sural.exam.finding import Finding
from sural.intake.choosing import order, site_code, start
from sural.terminology.concept import Concept

NO_ULCER = ("epithelialised", "none", "negative", "absent")
_WHOLE = ("", "foot")
Choose = Callable[[list[Finding]], Finding]


def place_ulcers(
    limb: Limb, named: list[Finding], details: list[Finding], choose: Choose, concepts: Mapping[str, Concept]
) -> None:
    """Give a limb its ulcers. A "no ulcer" for the whole foot ends all that are not newer; one for a site ends the ulcer there."""
    whole = [finding for finding in named if finding.value == "absent" and site_code(finding) in _WHOLE]
    found = [finding for finding in named if finding not in whole]
    if not any(finding.value == "present" for finding in found):
        found = found + inferred(details, concepts)
    for site in sorted({site_code(finding) for finding in found}):
        here = [finding for finding in found if site_code(finding) == site]
        chosen = choose(here + whole)
        if chosen.value == "present":
            limb.ulcers.append(Ulcer(limb.side, site or None, chosen, {}))
        else:
            _heal(limb, here, concepts)
    if limb.ulcers:
        limb.findings["foot-ulcer"] = limb.ulcers[0].present
    elif whole:
        limb.findings["foot-ulcer"] = max(whole, key=lambda finding: (start(finding), order(finding)))
    _attach(limb, details, choose)


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
    """Give each ulcer what is known of it: what was found at its site, else what was found without a site."""
    groups: dict[tuple[str, str], list[Finding]] = {}
    for finding in details:
        groups.setdefault((finding.concept.code, site_code(finding)), []).append(finding)
    chosen = {key: choose(found) for key, found in groups.items()}
    for ulcer in limb.ulcers:
        for (code, site), finding in chosen.items():
            fits = site == (ulcer.site or "") or (site in _WHOLE and code not in ulcer.details)
            fits = fits or (len(limb.ulcers) == 1 and ulcer.site in (None, "foot") and code not in ulcer.details)
            if fits:
                ulcer.details[code] = finding
