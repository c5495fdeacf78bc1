"""What the picture of an assessment shows, side by side; the text alternative and the list of findings say the same."""

from collections.abc import Mapping
from decimal import Decimal

from sural.answer.assessment import Assessment
from sural.answer.coverage import Gap, gaps
from sural.answer.drawing.facts import (
    FELT,
    FILAMENT,
    FULL_TITLES,
    NOT_FELT,
    PARTS_LOST,
    UNDECIDED,
    WORST,
    Lane,
    Probe,
    Reflex,
    Seen,
    SideView,
    View,
)
from sural.answer.drawing.lanes import (
    ARM_TOP,
    LEG_RANKS,
    LEG_TOP,
    Doubts,
    arm_lanes,
    leg_lanes,
    outcome_of,
    place_of,
    probes_of,
    site_of,
    skin,
)
from sural.answer.states import moments_of_the_feet
from sural.exam.examination import Examination, Limb
from sural.exam.finding import Finding, Unheard
from sural.neuropathy.reach import ANY, MODALITIES, Extent
from sural.terminology.dictionary import answer_displays

_LEVEL_NAMES = {one.level: f"Level of the leg, {FULL_TITLES[one.name].lower()}" for one in (*MODALITIES, ANY)} | {
    one.hand_level: f"Level of the arm, {FULL_TITLES[one.name].lower()}" for one in (*MODALITIES, ANY)
}
_SEEN = (
    ("gangrene", "gangrene"),
    ("foot-infection", "infection"),
    ("hot-swollen-foot", "hot swollen foot"),
    ("charcot-suspected", "Charcot foot suspected"),
    ("charcot-history", "earlier Charcot foot"),
    ("callus", "callus"),
    ("significant-callus", "marked callus"),
    ("foot-deformity", "deformity"),
    ("significant-deformity", "marked deformity"),
    ("previous-foot-ulcer", "earlier ulcer"),
    ("foot-muscle-wasting", "wasting of foot muscles"),
)
_NOT_THERE = tuple((code, words) for code, words in _SEEN if code in ("callus", "foot-deformity", "previous-foot-ulcer", "charcot-history"))
_TOO_MUCH = (("allodynia", "Allodynia"), ("hyperalgesia", "Hyperalgesia"))
_LOOKED_FOR = ("inspection", "callus", "deformity")


def view(assessment: Assessment) -> View:
    """What the picture of an assessment shows."""
    exam, signs = assessment.examination, assessment.neuropathy.signs
    doubts = frozenset((one.taken.concept.code, one.taken.side, site_of(one.taken)) for one in exam.contradictions)
    any_leg = any(ANY.name in signs.legs[limb.side] for limb in exam.limbs)
    any_arm = any(ANY.name in signs.arms[limb.side] for limb in exam.limbs)
    missing = gaps(exam)
    right, left = (
        _side(limb, missing, doubts, leg_lanes(limb, legs, any_leg, doubts), arm_lanes(limb, arms, any_arm, doubts))
        for limb, legs, arms in ((limb, signs.legs[limb.side], signs.arms[limb.side]) for limb in (exam.right, exam.left))
    )
    return View(
        exam.as_of.isoformat(),
        moments[-1].text[:10] if (moments := moments_of_the_feet(exam)) else None,
        exam.preliminary,
        right,
        left,
        (
            *sorted(_said_contradiction(one.taken) for one in exam.contradictions),
            *_contradicted_levels(exam, signs.legs, "leg"),
            *_contradicted_levels(exam, signs.arms, "arm"),
        ),
        tuple(sorted({_said_unheard(one) for one in exam.unheard if one.concept.sided})),
    )


def _side(limb: Limb, missing: list[Gap], doubts: Doubts, legs: tuple[Lane, ...], arms: tuple[Lane, ...]) -> SideView:
    lost = str(limb.value("amputation")) if limb.foot_lost else None
    part = limb.get("amputation")
    part_lost = str(part.value) if part is not None and part.value in PARTS_LOST else None
    filament = {} if lost else {probe.site: probe for probe in probes_of(limb, FILAMENT, LEG_RANKS, doubts)}
    lanes = () if lost else legs
    here = [gap for gap in missing if limb.side in gap.sides]
    return SideView(
        side=limb.side,
        amputation=lost,
        part_lost=part_lost,
        lanes=lanes,
        arms=arms,
        skin=skin(lanes, tuple(filament.values()), LEG_TOP),
        arm_skin=skin(arms, (), ARM_TOP),
        filament=filament,
        filament_said=() if lost else tuple(_filament_said(limb, filament)),
        filament_whole=_filament_whole(limb),
        measured=() if lost else tuple(_measured(limb)),
        flow=tuple(_flow(limb)),
        seen=() if lost else tuple(_seen(limb, doubts)),
        looked_for=() if lost else tuple(_looked_for(limb)),
        not_looked_for=tuple(gap.part for gap in here if gap.part in _LOOKED_FOR),
        reflexes={code: _reflex(limb, code, doubts) for code in ("knee-reflex", "ankle-reflex", "plantar-response")},
        not_examined=tuple(gap.text for gap in here),
    )


def _filament_said(limb: Limb, filament: Mapping[str, Probe]) -> list[str]:
    """What was recorded of the 10 g monofilament, in short lines."""
    lines = []
    if filament:
        count = {outcome: sum(probe.outcome == outcome for probe in filament.values()) for outcome in WORST}
        undecided = f", {count[UNDECIDED]} undecided" if count[UNDECIDED] else ""
        lines.append(f"{count[FELT]} of {len(filament)} sites felt{undecided}")
    counted = limb.get("monofilament-sites")
    if counted is not None:
        tested = counted.detail("sites-tested")
        of = f" of {tested:f}" if isinstance(tested, Decimal) else ""
        lines.append(f"{counted.said}{of} sites felt, sites not named")
    whole = limb.get("monofilament-foot")
    if whole is not None:
        lines.append(f"foot as a whole: {whole.said}")
    return lines


def _filament_whole(limb: Limb) -> str:
    """The outcome for a foot whose sites were not named: the worse of the count and the result for the foot as a whole."""
    whole, counted = limb.get("monofilament-foot"), limb.get("monofilament-sites")
    outcomes = [outcome_of(whole)] if whole is not None else []
    if counted is not None:
        tested = counted.detail("sites-tested")
        outcomes.append(UNDECIDED if not isinstance(tested, Decimal) else FELT if counted.value == tested else NOT_FELT)
    return max(outcomes, key=WORST.index, default=UNDECIDED)


def _measured(limb: Limb) -> list[str]:
    """Tests of the foot that give a number for the side."""
    found = []
    for code, words in (
        ("toe-touch", "Toes 1, 3 and 5 touched: {} of 3 felt"),
        ("vibration-threshold", "Vibration threshold {} V"),
        ("vibration-on-off", "Vibration on and off: {} of 8 wrong"),
        ("vibration-time-difference", "Vibration felt {} s longer by the examiner"),
    ):
        finding = limb.get(code)
        if finding is not None:
            found.append(words.format(finding.said))
    found += [
        f"Graduated fork, {place_of(finding)}: {finding.said} of 8"
        for finding in sorted(limb.at("vibration-graded").values(), key=place_of)
    ]
    found += [f"{words} present" for code, words in _TOO_MUCH if limb.value(code) == "present"]
    return found


_FLOW = {
    "dorsalis-pedis-pulse": "dorsalis pedis pulse {}",
    "posterior-tibial-pulse": "posterior tibial pulse {}",
    "ankle-brachial-index": "ankle-brachial index {}",
    "ankle-pressure": "ankle pressure {} mmHg",
    "toe-brachial-index": "toe-brachial index {}",
    "toe-pressure": "toe pressure {} mmHg",
    "tcpo2": "transcutaneous oxygen {} mmHg",
    "pedal-waveform": "pedal waveform {}",
    "capillary-refill": "capillary refill {} s",
    "claudication": "claudication {}",
    "rest-pain": "ischaemic rest pain {}",
    "peripheral-arterial-disease": "known arterial disease {}",
    "limb-threatening-ischaemia": "limb-threatening ischaemia {}",
    "acute-limb-ischaemia": "acute limb ischaemia {}",
}
_OF_FLOW = frozenset(_FLOW)


def _flow(limb: Limb) -> list[str]:
    """What was found of the circulation, as it was recorded; also of a leg whose foot is gone."""
    if _OF_FLOW.isdisjoint(limb.codes):
        return []
    return [words.format(finding.said) for code, words in _FLOW.items() if (finding := limb.findings.get(code)) is not None]


def _seen(limb: Limb, doubts: Doubts) -> list[Seen]:
    found = [
        Seen("foot-ulcer", _at("ulcer", ulcer.present), ulcer.site, ("foot-ulcer", limb.side, ulcer.site or "") in doubts)
        for ulcer in sorted(limb.ulcers, key=lambda one: one.site or "")
    ]
    for code, words in _SEEN:
        finding = limb.get(code)
        if finding is None or finding.value != "present":
            continue
        kind = finding.detail("deformity-type")
        text = f"{words}: {answer_displays().get(str(kind), str(kind)).lower()}" if kind else words
        found.append(Seen(code, text, None, (code, limb.side, "") in doubts))
    part = limb.get("amputation")
    if part is not None and part.value in PARTS_LOST:
        found.append(Seen("amputation", PARTS_LOST[str(part.value)], None, ("amputation", limb.side, "") in doubts))
    return found


def _looked_for(limb: Limb) -> list[str]:
    """What was looked for and is not there: a foot of which nothing stands here was not looked at."""
    found = ["inspection clear"] if limb.value("foot-inspection") == "clear" and not limb.ulcers else []
    return found + [f"no {words}" for code, words in _NOT_THERE if limb.value(code) == "absent"]


def _at(words: str, finding: Finding) -> str:
    site = finding.site
    return words if site is None or site.code == "foot" else f"{words}, {place_of(finding)}"


def _reflex(limb: Limb, code: str, doubts: Doubts) -> Reflex:
    finding = limb.get(code)
    return Reflex(finding.said if finding else None, (code, limb.side, "") in doubts)


def _said_contradiction(finding: Finding) -> str:
    """What the contradicting readings are of, and where."""
    display = _LEVEL_NAMES.get(finding.concept.code, finding.concept.display)
    return ", ".join(filter(None, (display, place_of(finding) if finding.site else "", finding.side or "")))


def _contradicted_levels(exam: Examination, legs: Mapping[str, Mapping[str, Extent]], where: str) -> list[str]:
    """Modalities whose single sites and recorded level cannot both be right."""
    return [
        f"{FULL_TITLES[name]}, level and single sites, {limb.side} {where}"
        for limb in exam.limbs
        for name, extent in legs[limb.side].items()
        if extent.contradicted
    ]


def _said_unheard(one: Unheard) -> str:
    return f"{one.concept.display}, {one.side or 'side not known'}"
