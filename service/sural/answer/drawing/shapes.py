"""The outlines: leg and foot from the front, the sole, the arm. Drawn by us as smooth curves, for the right side as one looks at it.

Coordinates are relative: x grows towards the midline of the body, y downwards. `Frame` turns them into places in the picture, so the
left side is the mirror image of the right.
"""

from msgspec import Struct

from sural.answer.drawing.svg import Point, curve, loop, smooth, spot

LEG_HEIGHTS = (366.0, 350.0, 331.0, 303.0, 250.0, 184.0, 90.0, 0.0)
"""Where each level of the leg lies, from the tips of the toes (rank 0) to the hip (trunk)."""
ARM_HEIGHTS = (152.0, 132.0, 115.0, 98.0, 52.0, 8.0)
"""The same for the arm, from the fingertips to the upper arm."""
THUMB = 2
"""The thumb goes with the hand, not with the fingers."""
STUMPS = {"forefoot": 331.0, "entire-foot": 303.0, "below-knee": 226.0, "above-knee": 132.0}
# (y, half width outwards, half width inwards); every level of the scale is one of the rows.
_LEG = (
    (0, 45, 36), (30, 47, 36), (90, 41, 33), (132, 34, 28), (160, 29, 25), (184, 27, 24), (205, 26, 24), (226, 29, 27), (250, 28, 26),
    (280, 19, 18), (303, 15, 14), (318, 16, 14), (331, 21, 16), (350, 27, 19),
)  # fmt: skip
_ARM = ((8, 15, 14), (30, 14, 12), (52, 12, 10), (70, 13, 11), (98, 8, 8), (106, 12, 10), (115, 14, 12), (132, 14, 12))
_LEG_DIGITS = ((7.5, 8), (7.5, 10), (8, 12), (8.5, 13), (14.5, 16))
_ARM_DIGITS = ((5.5, 14), (6.5, 19), (7, 20), (7, 17))


class Frame(Struct, frozen=True):
    """Where a side stands in the picture: the x of its axis, the y of its zero, and +1 (right) or -1 (left, mirrored)."""

    x: float
    y: float
    inward: int

    def at(self, x: float, y: float) -> Point:
        return self.x + self.inward * x, self.y + y


class Limb(Struct, frozen=True):
    """The outline of a limb as rows of half widths, its levels and its digits (width, length) from the outer to the inner one."""

    rows: tuple[tuple[float, float, float], ...]
    heights: tuple[float, ...]
    digits: tuple[tuple[float, float], ...]

    def edge(self, frame: Frame, top: float, bottom: float, side: int) -> str:
        """The outer (-1) or inner (+1) edge of a stretch between two of the rows, from the top down."""
        start = next(point for point in self._points(frame, side) if point[1] >= frame.y + top)
        return f"M{spot(start)}{self._curve(frame, top, bottom, side)}"

    def area(self, frame: Frame, top: float, bottom: float) -> str:
        """A stretch of the limb as a closed outline."""
        turn = next(point for point in reversed(self._points(frame, 1)) if point[1] <= frame.y + bottom)
        return f"{self.edge(frame, top, bottom, -1)}L{spot(turn)}{self._curve(frame, top, bottom, 1, up=True)}Z"

    def tips(self, frame: Frame) -> str:
        """The toes or fingers: a scalloped edge from the outer to the inner end of the last row."""
        y, out, inn = self.rows[-1]
        total = sum(wide for wide, _ in self.digits)
        scale = (out + inn) / total
        x = -out
        parts = [f"M{spot(frame.at(x, y))}"]
        sweep = 0 if frame.inward > 0 else 1
        for wide, long in self.digits:
            x += wide * scale
            radius = spot((wide * scale / 2, long))
            parts.append(f"A{radius} 0 0 {sweep} {spot(frame.at(x, y))}")
        return "".join(parts)

    def stump(self, frame: Frame, height: float) -> str:
        """A rounded end at a height that is one of the rows."""
        row = next(row for row in self.rows if row[0] == height)
        return curve(
            [frame.at(x, y) for x, y in ((-row[1], height), (-row[1], height + 16), (row[2], height + 16), (row[2], height))]
        )

    def _points(self, frame: Frame, side: int) -> list[Point]:
        return [frame.at(-out if side < 0 else inn, y) for y, out, inn in self.rows]

    def _curve(self, frame: Frame, top: float, bottom: float, side: int, up: bool = False) -> str:
        """The part of an edge's curve between two heights; the curve is that of the whole edge, so that stretches join smoothly."""
        points = self._points(frame, side)
        if up:
            points.reverse()
        inside = [frame.y + top <= y <= frame.y + bottom for _, y in points]
        return "".join(segment for index, segment in enumerate(smooth(points)) if inside[index] and inside[index + 1])


LEG = Limb(_LEG, LEG_HEIGHTS, _LEG_DIGITS)
ARM = Limb(_ARM, ARM_HEIGHTS, _ARM_DIGITS)

_BACK: tuple[Point, ...] = (
    (-42, 126), (-38, 152), (-34, 176), (-29, 196), (-17, 211), (0, 216), (16, 211), (27, 197), (30, 178), (26, 158), (24, 140),
)  # fmt: skip
_SOLE: tuple[Point, ...] = (
    (50, 66), (37, 49), (22, 50), (10, 43), (-4, 45), (-18, 51), (-32, 58), (-45, 68), (-50, 84), (-46, 106), *_BACK, (30, 119), (42, 100),
    (50, 82),
)  # fmt: skip
_SHORT_SOLE: tuple[Point, ...] = (*_BACK, (20, 125), (4, 119), (-24, 118))
_TOES: dict[str, tuple[float, float, float, float]] = {
    "hallux": (36, 29, 14.5, 25),
    "toe-2": (12, 25, 8.6, 22),
    "toe-3": (-7, 30, 8.1, 20),
    "toe-4": (-24, 39, 7.7, 18),
    "toe-5": (-40, 51, 7.7, 16),
}
SITES: dict[str, Point] = {
    "hallux": (36, 22),
    "toe-2": (12, 14),
    "toe-3": (-7, 20),
    "toe-4": (-24, 31),
    "toe-5": (-40, 44),
    "toes": (2, 40),
    "metatarsal-head-1": (35, 72),
    "metatarsal-head-2": (15, 65),
    "metatarsal-head-3": (-4, 67),
    "metatarsal-head-4": (-21, 74),
    "metatarsal-head-5": (-38, 84),
    "forefoot": (-1, 93),
    "midfoot": (-7, 138),
    "hindfoot": (-1, 190),
}
"""Where the sites of the sole lie."""
LEG_SITES: dict[str, Point] = {
    "dorsum": (1, 326),
    "ankle": (0, 303),
    "medial-malleolus": (12, 303),
    "lateral-malleolus": (-13, 303),
}
"""Where the sites lie that the front view shows."""
SOLE_HEIGHT = 216


def sole(frame: Frame, short: bool = False) -> str:
    """The sole without the toes; `short` ends at the middle of the foot."""
    return loop([frame.at(x, y) for x, y in (_SHORT_SOLE if short else _SOLE)])


def thumb(frame: Frame) -> str:
    """The thumb of the hand, palm forward: on the outer side."""
    return loop([frame.at(x, y) for x, y in ((-11, 103), (-19, 112), (-23, 126), (-19, 129), (-15, 122), (-11, 120))])


def toe(frame: Frame, name: str) -> str:
    """One toe from below; its root lies under the sole, which is drawn over it."""
    x, y, wide, long = _TOES[name]
    points = ((0, -1), (0.72, -0.72), (1, 0), (0.75, 0.72), (0, 1), (-0.75, 0.72), (-1, 0), (-0.72, -0.72))
    return loop([frame.at(x + wide * across, y + long * down) for across, down in points])


TOES = tuple(_TOES)
