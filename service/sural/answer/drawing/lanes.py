"""Each modality on one limb: where it was tested, and the state of every level."""

from collections.abc import Mapping

from sural.answer.drawing.facts import BEYOND, CLEAR, FELT, FILAMENT, LOST, NOT_FELT, OPEN, REDUCED, UNDECIDED, WORST, Lane, Probe
from sural.exam.examination import Limb
from sural.exam.finding import Finding
from sural.neuropathy import reach
from sural.neuropathy.reach import ANY, MODALITIES, Extent, Modality

LEG_RANKS: Mapping[str, int] = reach.LEG_SITES
ARM_RANKS: Mapping[str, int] = reach.ARM_SITES
LEG_TOP, ARM_TOP = reach.TRUNK, reach.UPPER_ARM
_OUTCOMES = {"felt": FELT, "normal": FELT, "reduced": REDUCED, "not-felt": NOT_FELT, "absent": NOT_FELT}
_TOUCH = {FELT: CLEAR, UNDECIDED: OPEN, REDUCED: LOST, NOT_FELT: LOST}
_ORDER = {site: place for place, site in enumerate((*LEG_RANKS, *ARM_RANKS))}
Doubts = frozenset[tuple[str, str | None, str]]
"""Concept, side and site of readings that contradict each other."""


def leg_lanes(limb: Limb, extents: Mapping[str, Extent], any_kind: bool, doubts: Doubts) -> tuple[Lane, ...]:
    """The lanes of a leg; a level of no stated kind has one of its own where either leg has such a level."""
    return tuple(_lane(limb, one, extents, LEG_RANKS, LEG_TOP, doubts) for one in _leg_modalities(extents, any_kind))


def arm_lanes(limb: Limb, extents: Mapping[str, Extent], any_kind: bool, doubts: Doubts) -> tuple[Lane, ...]:
    """The lanes of an arm."""
    wanted = (*MODALITIES, ANY) if any_kind else MODALITIES
    return tuple(_lane(limb, one, extents, ARM_RANKS, ARM_TOP, doubts, arm=True) for one in wanted)


def _leg_modalities(legs: Mapping[str, Extent], any_kind: bool) -> tuple[Modality, ...]:
    """The modalities of the lanes. The monofilament stands in for touch where cotton wool was not used."""
    first, *others = MODALITIES
    if "light-touch" not in legs and "monofilament" in legs:
        first = Modality("monofilament", FILAMENT, False, "", "")
    return (first, *others, ANY) if any_kind else (first, *others)


def _lane(
    limb: Limb,
    modality: Modality,
    extents: Mapping[str, Extent],
    ranks: Mapping[str, int],
    top: int,
    doubts: Doubts,
    arm: bool = False,
) -> Lane:
    extent = extents.get(modality.name)
    if extent is None:
        return Lane(modality.name, None)
    level = modality.hand_level if arm else modality.level
    probes = [probe for probe in probes_of(limb, modality.sites, ranks, doubts) if probe.site in ranks]
    if modality.sites == FILAMENT:
        extent = _at_least_where_missed(extent, probes)
    if not probes:
        probes = [_inferred(finding, extent) for finding in extent.findings if finding.concept.code != level]
    recorded = any(finding.concept.code == level for finding in extent.findings)
    doubted = extent.contradicted or (level, limb.side, "") in doubts
    covered = top if recorded else max((probe.rank for probe in probes), default=0)
    return Lane(modality.name, extent, _states(extent, probes, covered, top), tuple(probes), doubted)


def _states(extent: Extent, probes: list[Probe], covered: int, top: int) -> tuple[str, ...]:
    shown = _patchy(extent, probes) if extent.inverse and not extent.contradicted else {}
    states = []
    for rank in range(1, top + 1):
        if rank <= extent.low:
            states.append(shown.get(rank, LOST))
        elif rank <= extent.high:
            states.append(OPEN)
        else:
            states.append(CLEAR if rank <= covered else BEYOND)
    return tuple(states)


def _at_least_where_missed(extent: Extent, probes: list[Probe]) -> Extent:
    """The monofilament missed at the forefoot shows loss there, not only at the toes."""
    missed = max((probe.rank for probe in probes if probe.outcome == NOT_FELT), default=0)
    low = max(extent.low, missed)
    felt_below = any(probe.outcome == FELT and probe.rank < low for probe in probes)
    return Extent(low, max(low, extent.high), extent.findings, extent.boundary, felt_below and bool(missed))


def _patchy(extent: Extent, probes: list[Probe]) -> dict[int, str]:
    """Loss above a place that is normal: only what was shown is lost, and what lies between a normal and a lost place is open."""
    known: dict[int, bool] = {}
    for probe in probes:
        if probe.outcome != UNDECIDED:
            known[probe.rank] = known.get(probe.rank, False) or probe.outcome != FELT
    found = {}
    for rank in range(1, extent.low + 1):
        if rank in known:
            found[rank] = LOST if known[rank] else CLEAR
            continue
        below = [known[other] for other in sorted(known) if other < rank]
        above = [known[other] for other in sorted(known) if other > rank]
        ends = (below[-1:] or above[:1]) + above[:1]
        found[rank] = LOST if all(ends) else OPEN if any(ends) else CLEAR
    return found


def skin(lanes: tuple[Lane, ...], filament: tuple[Probe, ...], top: int) -> tuple[str, ...]:
    """The worst state of all modalities at each rank; empty when none was examined."""
    examined = [lane.states for lane in lanes if lane.examined]
    touched = {rank: probe.outcome for rank, probe in worst(filament).items()}
    if not examined and not touched:
        return ()
    states = []
    for rank in range(1, top + 1):
        here = {lane[rank - 1] for lane in examined}
        if rank in touched:
            here.add(_TOUCH[touched[rank]])
        states.append(next((state for state in (LOST, OPEN, CLEAR) if state in here), BEYOND))
    return tuple(states)


def probes_of(limb: Limb, code: str, ranks: Mapping[str, int], doubts: Doubts) -> list[Probe]:
    """Every place where something was tested, from the tips upwards, whatever the order of the input."""
    found = [_probe(finding, ranks, doubts) for finding in limb.at(code).values()]
    return sorted(found, key=lambda probe: (_ORDER.get(probe.site, len(_ORDER)), probe.site)) if len(found) > 1 else found


def _probe(finding: Finding, ranks: Mapping[str, int], doubts: Doubts) -> Probe:
    site = site_of(finding)
    doubted = (finding.concept.code, finding.side, site) in doubts
    return Probe(ranks.get(site, 0), site, place_of(finding), outcome_of(finding), doubted)


def outcome_of(finding: Finding) -> str:
    """The outcome of a test that has answers."""
    return _OUTCOMES.get(finding.said, UNDECIDED)


def _inferred(finding: Finding, extent: Extent) -> Probe:
    """A measurement at the great toe, or a result for the foot as a whole: felt, it speaks for the forefoot too."""
    whole = finding.concept.code.startswith("monofilament")
    outcome = NOT_FELT if extent.low else UNDECIDED if extent.high else FELT
    if not whole:
        return Probe(LEG_RANKS["hallux"], "hallux", "great toe", outcome, False)
    return Probe(LEG_RANKS["forefoot" if outcome == FELT else "foot"], "foot", "foot", outcome, False)


def worst(probes: tuple[Probe, ...]) -> dict[int, Probe]:
    """One probe per rank: the worst outcome there, in doubt when any is."""
    found: dict[int, Probe] = {}
    for probe in sorted(probes, key=lambda one: WORST.index(one.outcome)):
        known = found.get(probe.rank)
        doubted = probe.doubted or (known is not None and known.doubted)
        found[probe.rank] = Probe(probe.rank, probe.site, probe.place, probe.outcome, doubted)
    return dict(sorted(found.items()))


def site_of(finding: Finding) -> str:
    """The code of the place, the first toe under its other name; nothing for what belongs to the side as a whole."""
    if finding.site is None or not finding.concept.sited:
        return ""
    return "hallux" if finding.site.code == "toe-1" else finding.site.code


def place_of(finding: Finding) -> str:
    """The place in words."""
    if finding.site is None:
        return "site not stated"
    return "great toe" if finding.site.code in ("hallux", "toe-1") else finding.site.display.lower()
