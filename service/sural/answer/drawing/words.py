"""The picture in words: by side for its text alternative, by modality for the report; what was not examined is said as plainly."""

from collections.abc import Callable, Iterator

from sural.answer.drawing.facts import FELT, FULL_TITLES, LOST_LEG, NOT_FELT, REDUCED, UNDECIDED, Lane, Probe, SideView, View
from sural.answer.wording import in_sentence, listed
from sural.neuropathy.reach import ARM_LEVELS, LEG_LEVELS, Extent

_NOT_EXAMINED = "not examined"
_NOT_APPLICABLE = "not applicable"
_LEVELS = {"mid-shin": "middle of the shin", "upper-arm": "upper arm"}
_REFLEXES = {"knee-reflex": "knee", "ankle-reflex": "ankle"}
_GONE_WITH = {"entire-foot": ("ankle-reflex",), "below-knee": ("ankle-reflex",), "above-knee": ("knee-reflex", "ankle-reflex")}
_REFLEX_WORDS = {"reinforced": "present only with reinforcement"}
_OUTCOME_WORDS = {NOT_FELT: "absent", REDUCED: "reduced", UNDECIDED: "undecided", FELT: "normal"}
_FILAMENT_WORDS = {FELT: "felt", NOT_FELT: "not felt", UNDECIDED: "undecided"}


def paragraphs(shown: View) -> Iterator[str]:
    """The picture in words: one paragraph per side, and one for what belongs to no side."""
    preliminary = "Preliminary. " if shown.preliminary else ""
    yield f"{preliminary}Both legs from the front and the soles of both feet, as of {shown.as_of}; feet examined: {shown.feet_examined or 'not in what was sent'}."
    for side in shown.sides:
        yield " ".join(_leg(side))
        if shown.hands:
            yield " ".join(_arm(side))
    yield from _beside(shown)


def findings(shown: View) -> Iterator[str]:
    """The findings by modality, right and left in one line; modalities that were examined on neither side are not repeated here."""
    legs, arms = _by_name(shown, lambda side: side.lanes), _by_name(shown, lambda side: side.arms)
    for name, lanes in legs.items():
        yield f"{FULL_TITLES[name]}, legs: {_pair(shown, lanes, LEG_LEVELS)}."
    for name, lanes in arms.items():
        yield f"{FULL_TITLES[name]}, arms: {_pair(shown, lanes, ARM_LEVELS)}."
    for title, said in (
        ("10 g monofilament, soles", _filament),
        ("Measured", lambda side: "; ".join(map(in_sentence, side.measured))),
        ("Circulation", lambda side: "; ".join(side.flow)),
        ("Reflexes", _reflexes),
        ("Seen on the feet", _seen),
    ):
        both = [(side.side, said(side) or (_NOT_APPLICABLE if side.amputation else _NOT_EXAMINED)) for side in shown.sides]
        if any(words not in (_NOT_EXAMINED, _NOT_APPLICABLE) for _, words in both):
            yield f"{title}: {_each(both)}."


def circulation(shown: View) -> str:
    """What was found of the circulation, right and left in one line."""
    gone = {side.side: _NOT_APPLICABLE if side.amputation else _NOT_EXAMINED for side in shown.sides}
    return _each([(side.side, "; ".join(side.flow) or gone[side.side]) for side in shown.sides])


def _by_name(shown: View, lanes_of: Callable[[SideView], tuple[Lane, ...]]) -> dict[str, dict[str, Lane]]:
    """The lanes that were examined, by modality in the order of their titles, and by side."""
    lanes = [(side.side, lane) for side in shown.sides for lane in lanes_of(side) if lane.examined]
    found = {name: {side: lane for side, lane in lanes if lane.name == name} for name in FULL_TITLES}
    return {name: sides for name, sides in found.items() if sides}


def _pair(shown: View, lanes: dict[str, Lane], names: tuple[str, ...]) -> str:
    legs = names is LEG_LEVELS
    said = []
    for side in shown.sides:
        gone = _NOT_APPLICABLE if legs and side.amputation else _NOT_EXAMINED
        said.append((side.side, _lane(lanes[side.side], names) if side.side in lanes else gone))
    return _each(said)


def _each(said: list[tuple[str, str]]) -> str:
    """A sentence per side."""
    return ". ".join(f"{side.capitalize()}, {words}" for side, words in said)


def _beside(shown: View) -> Iterator[str]:
    if not shown.hands:
        yield "Hands and arms: not examined."
    if shown.contradictions:
        yield f"Contradictory findings, the worse reading taken: {'; '.join(shown.contradictions)}."
    if shown.not_usable:
        yield f"Recorded but not usable: {'; '.join(shown.not_usable)}."


def _leg(side: SideView) -> Iterator[str]:
    yield f"{side.side.capitalize()} leg."
    if side.amputation:
        yield f"No foot on this side: {LOST_LEG[side.amputation]}; not applicable."
        if side.flow:
            yield f"Circulation: {'; '.join(side.flow)}."
        if _reflexes(side):
            yield f"Reflexes: {_reflexes(side)}."
        return
    for lane in side.lanes:
        yield f"{FULL_TITLES[lane.name]}: {_lane(lane, LEG_LEVELS)}."
    yield f"10 g monofilament on the {side.side} sole: {_filament(side)}."
    for measured in side.measured:
        yield f"{measured}."
    yield f"Reflexes: {_reflexes(side) or _NOT_EXAMINED}."
    yield f"Circulation: {'; '.join(side.flow) or _NOT_EXAMINED}."
    yield f"Seen on the {side.side} foot: {_seen(side) or _NOT_EXAMINED}."
    if side.not_examined:
        yield f"Not examined on the {side.side}: {'; '.join(side.not_examined)}."


def _arm(side: SideView) -> Iterator[str]:
    yield f"{side.side.capitalize()} arm and hand."
    for lane in side.arms:
        yield f"{FULL_TITLES[lane.name]}: {_lane(lane, ARM_LEVELS)}."


def _lane(lane: Lane, names: tuple[str, ...]) -> str:
    """One modality: how far the loss reaches, where it was tested, and whether readings contradict each other."""
    if lane.extent is None:
        return _NOT_EXAMINED
    parts = [_reach(lane.extent, names), _tested(lane.probes)]
    if lane.extent.inverse:
        parts.append("patchy: normal below a place with loss")
    if lane.doubted or any(probe.doubted for probe in lane.probes):
        parts.append("contradictory readings, the worse taken")
    return "; ".join(filter(None, parts))


def _reach(extent: Extent, names: tuple[str, ...]) -> str:
    low, high = _level(names[extent.low]), _level(names[extent.high])
    if extent.high == 0:
        return "no loss found"
    if extent.low == 0:
        return f"no loss shown, not excluded up to the {high}"
    if extent.low == extent.high:
        return f"loss up to the {low}"
    if extent.boundary:
        return f"loss up to the {low}, perhaps up to the {high}, normal above"
    return f"loss up to the {low} at least, perhaps up to the {high}, no normal level above was recorded"


def _level(name: str) -> str:
    return _LEVELS.get(name, name)


def _tested(probes: tuple[Probe, ...]) -> str:
    """Where it was tested, outcome by outcome."""
    return ", ".join(
        f"{words} at {listed(found)}"
        for outcome, words in _OUTCOME_WORDS.items()
        if (found := [probe.place for probe in probes if probe.outcome == outcome])
    )


def _filament(side: SideView) -> str:
    if not side.filament_said:
        return "" if side.amputation else _NOT_EXAMINED
    parts = list(side.filament_said[1:] if side.filament else side.filament_said)
    for outcome, words in _FILAMENT_WORDS.items():
        found = [probe.place for probe in side.filament.values() if probe.outcome == outcome]
        if found:
            parts.append(f"{words} at {listed(found)}")
    doubted = [probe.place for probe in side.filament.values() if probe.doubted]
    if doubted:
        parts.append(f"contradictory at {listed(doubted)}, the worse taken")
    return "; ".join(parts)


def _reflexes(side: SideView) -> str:
    """Knee and ankle as far as they are there, and the plantar response where it was tested; nothing when none was examined."""
    there = {code: name for code, name in _REFLEXES.items() if code not in _GONE_WITH.get(side.amputation or "", ())}
    if all(side.reflexes[code].answer is None for code in there):
        there = {}
    said = [f"{name} {_reflex(side, code)}" for code, name in there.items()]
    plantar = side.reflexes["plantar-response"].answer
    return listed([*said, f"plantar response {plantar}"] if plantar and not side.amputation else said)


def _reflex(side: SideView, code: str) -> str:
    found = side.reflexes[code]
    if found.answer is None:
        return _NOT_EXAMINED
    words = _REFLEX_WORDS.get(found.answer, found.answer)
    return f"{words} (contradictory)" if found.doubted else words


def _seen(side: SideView) -> str:
    """What was seen, and what was looked for and is not there."""
    return "; ".join([*(f"{seen.text} (contradictory)" if seen.doubted else seen.text for seen in side.seen), *side.looked_for])
