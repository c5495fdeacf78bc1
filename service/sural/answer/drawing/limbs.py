"""A pair of limbs from the front, with one lane per modality beside each: how far up the loss reaches, and where it was tested."""

from collections.abc import Iterator, Sequence
from itertools import groupby

from sural.answer.drawing import marks
from sural.answer.drawing.facts import BEYOND, CLEAR, FILAMENT, LOST, LOST_LEG, OPEN, TITLES, Lane, Probe, SideView
from sural.answer.drawing.lanes import worst
from sural.answer.drawing.shapes import LEG_SITES, STUMPS, THUMB, Frame, Limb, thumb
from sural.answer.drawing.svg import INK, LINE, curve, element, group, line, on_paper, path, polygon, text, width

MIDDLE, AXIS, PITCH, BAND = 300.0, 66.0, 34.0, 18.0
LANES_FROM = 48.0
NO_LOSS = "no loss found"
_NOT_EXAMINED = "not-examined"


def frame(side: str, y: float) -> Frame:
    """Where the limb of a side stands: the right one on the left, as one looks at the person."""
    return Frame(MIDDLE - AXIS, y, 1) if side == "right" else Frame(MIDDLE + AXIS, y, -1)


def levels(shape: Limb, names: Sequence[str], y: float) -> str:
    """A dotted line across the picture at every level, and its name between the limbs."""
    parts = []
    for height, name in zip(shape.heights[1:], names, strict=True):
        at = y + height
        parts.append(line((14, at), (586, at), stroke=LINE, stroke_width=0.6, stroke_dasharray="1 4"))
        parts.append(on_paper(MIDDLE, at, name))
    return group(parts, data_part="levels")


def lanes(side: SideView, shown: tuple[Lane, ...], shape: Limb, y: float) -> str:
    """The lanes of one limb, the first beside it and the others further out, each under its name."""
    at = frame(side.side, y)
    pitch = PITCH if len(shown) < 6 else PITCH * 5 / 6
    parts = []
    for index, lane in enumerate(shown):
        x, _ = at.at(-(LANES_FROM + pitch * (index + 0.5)), 0)
        parts.append(_heading(x, y + shape.heights[-1], TITLES[lane.name], index))
        parts.append(group(_lane(x, y, lane, shape, side.side), data_side=side.side, data_lane=lane.name))
    return "".join(parts)


def _heading(x: float, y: float, title: str, index: int) -> str:
    """The name of a lane; neighbours stand on different rows so that they never touch."""
    row = y - 22 - 14 * (index % 3)
    tick = line((x, row + 3), (x, y - 10), stroke=LINE, stroke_width=0.8)
    half = width(title) / 2
    return tick + text(min(max(x, half + 6), 594 - half), row, title, text_anchor="middle", fill=INK)


def _lane(x: float, y: float, lane: Lane, shape: Limb, side: str) -> Iterator[str]:
    heights = [y + height for height in shape.heights]
    top = heights[-1] - 8
    if not lane.examined:
        fill, edge, dash = marks.AREAS[_NOT_EXAMINED]
        yield element("rect", x=x - BAND / 2, y=top, width=BAND, height=heights[0] - top, fill=fill, stroke=edge,
                      stroke_dasharray=dash, data_state=_NOT_EXAMINED)  # fmt: skip
        yield on_paper(x, (top + heights[0]) / 2, "not examined", turned=True)
        return
    rank = 0
    for state, run in groupby(lane.states):
        start, rank = rank, rank + len(list(run))
        upper = top if rank == len(lane.states) else heights[rank]
        yield _stretch(x, upper, heights[start], state)
        if rank == len(lane.states) and state in (LOST, OPEN):
            yield polygon(((x - 6, top - 1), (x + 6, top - 1), (x, top - 8)), fill=INK, data_mark="or-higher")
    if set(lane.states) <= {CLEAR, BEYOND}:
        yield on_paper(x, _above(heights, lane), NO_LOSS, turned=True)
    for probe in worst(lane.probes).values():
        yield _probe((x, heights[probe.rank]), probe, side, lane.name)
    if lane.doubted:
        level = max((rank for rank, state in enumerate(lane.states, 1) if state == LOST), default=1)
        yield marks.doubt((x, heights[level] - 12), side=side, of=lane.name)


def _above(heights: list[float], lane: Lane) -> float:
    """The middle of a turned label that stands on the highest place tested, or where there is room for it."""
    half = width(NO_LOSS) / 2 + 4
    return max(heights[lane.states.count(CLEAR)] - 10 - half, heights[-1] + half)


def _stretch(x: float, upper: float, lower: float, state: str) -> str:
    if state in (LOST, OPEN):
        fill, edge, dash = marks.AREAS[state]
        return element("rect", x=x - BAND / 2, y=upper, width=BAND, height=lower - upper, fill=fill, stroke=edge,
                       stroke_width=1.2, stroke_dasharray=dash, data_state=state)  # fmt: skip
    clear = state == CLEAR
    return line((x, upper), (x, lower), stroke=INK if clear else LINE, stroke_width=1.4 if clear else 1,
                stroke_dasharray=None if clear else marks.DOTS, data_state=state)  # fmt: skip


def _probe(at: tuple[float, float], probe: Probe, side: str, of: str) -> str:
    mark = marks.outcome(at, probe.outcome, 4.5, side=side, of=of, rank=str(probe.rank))
    outwards = -12 if side == "right" else 12
    return mark + marks.doubt((at[0] + outwards, at[1] - 3), side=side, of=of) if probe.doubted else mark


def limb(side: SideView, skin: tuple[str, ...], shape: Limb, y: float, cut: float | None = None) -> str:
    """The limb itself: each stretch in the worst state of all modalities there. `cut` is the height of a stump."""
    at = frame(side.side, y)
    ranks = range(len(shape.heights) - 1, 0, -1)
    parts = []
    state = _NOT_EXAMINED
    for rank in ranks:
        if cut is not None and shape.heights[rank] >= cut:
            break
        state = skin[rank - 1] if skin else _NOT_EXAMINED
        top, bottom = shape.heights[rank], shape.heights[rank - 1]
        parts.append(_zone(at, shape, top, bottom if cut is None else min(bottom, cut), state, rank == 1))
    if cut is not None:
        parts.append(path(shape.stump(at, cut), fill=marks.AREAS[state][0], stroke=INK, stroke_width=1.4))
    return group(parts, data_side=side.side, data_part="limb")


def _zone(at: Frame, shape: Limb, top: float, bottom: float, state: str, digits: bool) -> str:
    fill, _, _ = marks.AREAS[state]
    edge = _edge(state)
    if digits:
        tips = shape.tips(at)
        return path(f"{tips}Z", fill=fill, data_state=state) + path(tips, fill="none", **edge)
    area = path(shape.area(at, top, bottom), fill=fill, data_state=state)
    return area + "".join(path(shape.edge(at, top, bottom, way), fill="none", **edge) for way in (-1, 1))


def _edge(state: str) -> dict[str, str | float | None]:
    unknown = state in (BEYOND, _NOT_EXAMINED)
    return {"stroke": LINE if unknown else INK, "stroke_width": 1.3, "stroke_dasharray": marks.DASHES if unknown else None}


def hip(side: str, y: float) -> str:
    """The line of the hip and the groin, which joins the legs to a person."""
    at = frame(side, y)
    hips, groin = ((-45, 0), (-46, -12), (-42, -24), (-38, -34)), ((36, 0), (38, -10), (52, -17), (AXIS, -17))
    return path(
        "".join(curve([at.at(*point) for point in points]) for points in (hips, groin)),
        fill="none",
        stroke=LINE,
        stroke_width=1.2,
    )


def leg(side: SideView, shape: Limb, y: float) -> str:
    """One leg with its reflexes and what was tested on the top of the foot; a lost one ends at its stump."""
    at = frame(side.side, y)
    cut = STUMPS.get(side.amputation or side.part_lost or "")
    parts = [hip(side.side, y), limb(side, side.skin, shape, y, cut)]
    if side.amputation:
        parts.append(_gone(side, at))
    elif not side.skin:
        parts += [on_paper(*at.at(-4, 62), "not"), on_paper(*at.at(-4, 76), "examined")]
    for code, height, x in (("knee-reflex", shape.heights[5], 38.0), ("ankle-reflex", shape.heights[3], 30.0)):
        if cut is None or height + 10 < cut:
            found = side.reflexes[code]
            parts.append(marks.reflex(at.at(x, height), found, side=side.side, of=code))
            if found.doubted:
                parts.append(marks.doubt(at.at(x, height - 14), side=side.side, of=code))
    return "".join((*parts, *_on_leg(side, at)))


def _on_leg(side: SideView, at: Frame) -> Iterator[str]:
    """Ulcers and tests of the monofilament at the top of the foot and the ankle."""
    for seen in side.seen:
        if seen.site in LEG_SITES:
            yield marks.seen(at.at(*LEG_SITES[seen.site]), seen.kind, 10, side=side.side, site=seen.site)
    for site, probe in side.filament.items():
        if site in LEG_SITES:
            yield marks.outcome(at.at(*LEG_SITES[site]), probe.outcome, side=side.side, site=site, of=FILAMENT)


def arm(side: SideView, shape: Limb, y: float) -> str:
    """One arm with its hand, palm forward."""
    at = frame(side.side, y)
    state = side.arm_skin[THUMB - 1] if side.arm_skin else _NOT_EXAMINED
    fill, _, _ = marks.AREAS[state]
    digit = path(thumb(at), fill=fill, **_edge(state))
    return digit + limb(side, side.arm_skin, shape, y)


def _gone(side: SideView, at: Frame) -> str:
    """What is not there, in words, in the place of the leg and of its lanes."""
    assert side.amputation is not None
    words = LOST_LEG[side.amputation]
    x, y = at.at(-(LANES_FROM + PITCH * 2.5), 200)
    lines = ("No foot on this side:", words, "not applicable")
    return group(
        (on_paper(x, y + 15 * index, one) for index, one in enumerate(lines)),
        data_side=side.side,
        data_mark="amputated",
    )
