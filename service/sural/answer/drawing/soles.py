"""The soles of both feet, seen from below with the toes up, each with what was tested and seen on the foot in words beside it."""

from collections.abc import Iterator

from sural.answer.drawing import marks
from sural.answer.drawing.facts import FILAMENT, FULL_TITLES, LOST_LEG, Lane, SideView
from sural.answer.drawing.limbs import MIDDLE
from sural.answer.drawing.shapes import LEG_SITES, SITES, TOES, Frame, sole, toe
from sural.answer.drawing.svg import INK, LINE, MUTED, group, on_paper, path, text, wrapped

_AXIS, _MARGIN, _ROOM, _STEP = 78.0, 14.0, 146.0, 15.0
_BEHIND = ("midfoot", "hindfoot")
_USUAL = ("hallux", "toe-3", "toe-5", "metatarsal-head-1", "metatarsal-head-3", "metatarsal-head-5", *_BEHIND)
_ON_THE_FOOT = 2
_RADIUS = 6.0
_NOT_EXAMINED = "not-examined"
_WHOLE = ("foot", "")
_SOLE_SITES = {site for site in SITES if not site.startswith(("hallux", "toe"))} | set(_WHOLE)
_PLANTAR = {"extensor": "extensor (upgoing)", "equivocal": "equivocal", "mute": "mute", "flexor": "flexor"}


def frame(side: str, y: float) -> Frame:
    """Where the sole of a side lies; the great toes are towards the middle."""
    return Frame(MIDDLE - _AXIS, y, 1) if side == "right" else Frame(MIDDLE + _AXIS, y, -1)


def foot(side: SideView, y: float) -> tuple[str, float]:
    """One foot from y downwards: the sole and the words beside it. Returns the markup and how far down the words reach."""
    words = _Column(_MARGIN if side.side == "right" else 600 - _MARGIN - _ROOM, y + 10)
    if side.amputation:
        words.say(f"No foot to examine: {LOST_LEG[side.amputation]}.", fill=MUTED)
        return group(words.parts, data_side=side.side, data_part="sole", data_mark="amputated"), words.y
    _describe(side, words)
    return _drawn(side, frame(side.side, y)) + group(words.parts, data_side=side.side, data_part="foot"), words.y


def _drawn(side: SideView, at: Frame) -> str:
    short = side.part_lost == "forefoot"
    touched = {probe.site for lane in side.lanes for probe in lane.probes}
    parts = [_part(sole(at), "gone", "sole")] if short else []
    parts += [_part(toe(at, name), "gone" if short else _toe_state(side, name, touched), name) for name in TOES]
    parts.append(_part(sole(at, short), "clear" if side.filament_said or touched & _SOLE_SITES else _NOT_EXAMINED, "sole"))
    if not side.filament_said:
        parts += [on_paper(*at.at(-4, 120), "10 g test"), on_paper(*at.at(-4, 135), "not done")]
    elif not side.filament:
        parts.append(_whole(side, at))
    parts += _on_sole(side, at)
    return group(parts, data_side=side.side, data_part="sole")


def _toe_state(side: SideView, name: str, touched: set[str]) -> str:
    return "clear" if side.filament_said or touched & {name, "toes", *_WHOLE} else _NOT_EXAMINED


def _part(outline: str, state: str, name: str) -> str:
    if state == "gone":
        return path(
            outline, fill="none", stroke=LINE, stroke_width=1, stroke_dasharray=marks.DOTS, data_state=state, data_of=name
        )
    fill, edge, dash = marks.AREAS[state]
    return path(outline, fill=fill, stroke=edge, stroke_width=1.3, stroke_dasharray=dash, data_state=state, data_of=name)


def _whole(side: SideView, at: Frame) -> str:
    """The monofilament where no site was named: one mark for the foot."""
    mark = marks.outcome(at.at(-4, 106), side.filament_whole, _RADIUS, side=side.side, site="foot", of=FILAMENT)
    return mark + on_paper(*at.at(-4, 126), "sites not") + on_paper(*at.at(-4, 141), "named")


def _on_sole(side: SideView, at: Frame) -> Iterator[str]:
    """First the ulcers, larger and below, then the tests, so that both can be read at one place.

    Where an ulcer is and no test was, the ulcer stands alone: the empty ring of a missing test would look like a felt one on it.
    """
    for seen in side.seen:
        if seen.site in SITES:
            yield marks.seen(at.at(*SITES[seen.site]), seen.kind, 13, side=side.side, site=seen.site)
    ulcers = {seen.site for seen in side.seen}
    tested = {site: probe for site, probe in side.filament.items() if site in SITES}
    usual = _USUAL if side.part_lost != "forefoot" else _BEHIND
    for site in usual if tested else ():
        if site not in tested and site not in ulcers:
            yield marks.untested(at.at(*SITES[site]), _RADIUS, side=side.side, site=site, of=FILAMENT)
    for site, probe in tested.items():
        x, y = SITES[site]
        yield marks.outcome(at.at(x, y), probe.outcome, _RADIUS, side=side.side, site=site, of=FILAMENT)
        if probe.doubted:
            yield marks.doubt(at.at(x + 9, y - 9), side=side.side, site=site)


def _on_foot(lane: Lane) -> bool:
    return any(0 < probe.rank <= _ON_THE_FOOT for probe in lane.probes)


def _describe(side: SideView, words: "_Column") -> None:
    words.say("10 g monofilament", weight="bold")
    for said in side.filament_said:
        words.say(said)
    if not side.filament_said:
        words.say("not examined", fill=MUTED)
    for probe in side.filament.values():
        if probe.site not in SITES and probe.site not in LEG_SITES:
            words.entry(marks.outcome(words.bullet, probe.outcome, 5, side=side.side, site=probe.site or "unnamed"), probe.place)
    tests = [lane for lane in side.lanes if lane.name != "monofilament" and _on_foot(lane)]
    if tests or side.measured:
        words.gap()
        words.say("Other tests of the foot", weight="bold")
    for lane in tests:
        words.say(FULL_TITLES[lane.name])
        for probe in lane.probes:
            if 0 < probe.rank <= _ON_THE_FOOT:
                words.entry(marks.outcome(words.bullet, probe.outcome, 5, side=side.side, of=f"{lane.name}-at-foot"), probe.place)
    for said in side.measured:
        words.say(said)
    plantar = side.reflexes["plantar-response"].answer
    if plantar:
        words.say(f"Plantar response: {_PLANTAR.get(plantar, plantar)}")
    _describe_seen(side, words)


def _describe_seen(side: SideView, words: "_Column") -> None:
    if side.seen or side.looked_for:
        words.gap()
        words.say("Seen on the foot", weight="bold")
    for seen in side.seen:
        said = f"{seen.text} (?)" if seen.doubted else seen.text
        words.entry(marks.seen(words.bullet, seen.kind, 5.5, side=side.side), said)
    for one in side.looked_for:
        words.say(one)
    if side.not_looked_for:
        words.gap()
        words.say(f"Not examined: {', '.join(side.not_looked_for)}", fill=MUTED)


class _Column:
    """Lines of words from the top down, wrapped to the room there is; `bullet` is where the mark of the next entry goes."""

    def __init__(self, x: float, y: float) -> None:
        self.x, self.y = x, y
        self.parts: list[str] = []

    @property
    def bullet(self) -> tuple[float, float]:
        return self.x + 7, self.y - 4

    def gap(self) -> None:
        self.y += 5

    def say(self, words: str, fill: str = INK, weight: str | None = None, indent: float = 0) -> None:
        for one in wrapped(words, _ROOM - indent):
            self.parts.append(text(self.x + indent, self.y, one, fill=fill, font_weight=weight))
            self.y += _STEP

    def entry(self, mark: str, words: str) -> None:
        """A mark and its words."""
        self.parts.append(mark)
        self.say(words, indent=18)
