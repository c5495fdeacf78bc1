"""The alphabet of the picture: hatching for areas, shapes for tests and for what was seen. No meaning hangs on colour alone."""

from sural.answer.drawing.facts import FELT, NOT_FELT, REDUCED, UNDECIDED, Reflex
from sural.answer.drawing.svg import INK, LINE, MUTED, PAPER, Point, element, group, line, number, path, polygon, text

LOSS, DOUBT = "#1f4468", "#7a4a00"
LOST_FILL, OPEN_FILL, NONE_FILL = "url(#sural-lost)", "url(#sural-open)", "url(#sural-none)"
DASHES, DOTS = "4 3", "1 3"
_UNTESTED = "untested"
REFLEXES = {
    "absent": ("0", "absent"),
    "reinforced": ("±", "only with reinforcement"),
    "reduced": ("(+)", "reduced"),
    "normal": ("+", "normal"),
    "brisk": ("++", "brisk"),
    "clonus": ("cl", "clonus"),
}


def patterns() -> str:
    """Loss: dense diagonal lines. Not excluded: dots. Not examined: sparse level dashes."""
    lost = element("rect", width=6, height=6, fill="#dbe6f0") + line((0, 3), (6, 3), stroke=LOSS, stroke_width=2)
    open_ = element("rect", width=6, height=6, fill="#fdf4e3") + "".join(
        element("circle", cx=x, cy=y, r=0.9, fill=DOUBT) for x, y in ((1.5, 1.5), (4.5, 4.5))
    )
    none = element("rect", width=8, height=8, fill="#f5f6f7") + line((1, 4), (5, 4), stroke="#a9b2bb", stroke_width=0.9)
    tile: dict[str, str | float] = {"patternUnits": "userSpaceOnUse"}
    return element(
        "defs",
        element("pattern", lost, id="sural-lost", width=6, height=6, patternTransform="rotate(-45)", **tile),
        element("pattern", open_, id="sural-open", width=6, height=6, **tile),
        element("pattern", none, id="sural-none", width=8, height=8, **tile),
    )


def outcome(at: Point, kind: str, radius: float = 5.5, **data: str | None) -> str:
    """A test: ring = felt or normal, half disc = reduced or undecided, black disc with a cross = not felt, dotted = not tested."""
    x, y = at
    arm = radius * 0.45
    ring = element("circle", cx=x, cy=y, r=radius, fill=PAPER, stroke=INK, stroke_width=1.5)
    if kind == FELT:
        shape = ring
    elif kind in (REDUCED, UNDECIDED):
        half = f"M{number(x)} {number(y - radius)}A{number(radius)} {number(radius)} 0 0 0 {number(x)} {number(y + radius)}Z"
        shape = ring + path(half, fill=INK)
    elif kind == NOT_FELT:
        halo = element("circle", cx=x, cy=y, r=radius + 0.9, fill=INK, stroke=PAPER, stroke_width=0.8)
        cross = (line((x - arm, y + down), (x + arm, y - down), stroke=PAPER, stroke_width=1.8) for down in (-arm, arm))
        shape = halo + "".join(cross)
    else:
        shape = element("circle", cx=x, cy=y, r=radius - 1, fill=PAPER, stroke=MUTED, stroke_width=1, stroke_dasharray="1.5 1.8")
    return group((shape,), data_mark=kind, **{f"data_{key}": value for key, value in data.items()})


def untested(at: Point, radius: float = 5.5, **data: str | None) -> str:
    """A place where the test is usually done and was not."""
    return outcome(at, _UNTESTED, radius, **data)


def doubt(at: Point, **data: str | None) -> str:
    """Readings that contradict each other."""
    x, y = at
    disc = element("circle", cx=x, cy=y, r=7, fill="#ffe9a8", stroke=INK, stroke_width=1.2)
    sign = text(x, y + 4.2, "?", 12, text_anchor="middle", font_weight="bold", fill=INK)
    return group((disc, sign), data_mark="contradiction", **{f"data_{key}": value for key, value in data.items()})


def reflex(at: Point, found: Reflex, **data: str | None) -> str:
    """A reflex in a box: its sign, or an empty dashed box when it was not examined."""
    x, y = at
    sign = REFLEXES[found.answer][0] if found.answer in REFLEXES else ""
    lost = found.answer in ("absent", "reduced")
    dash = None if found.answer else "2 2"
    box = element("rect", x=x - 12, y=y - 8, width=24, height=16, rx=3, fill=INK if lost else PAPER,
                  stroke=INK if found.answer else MUTED, stroke_width=1.1, stroke_dasharray=dash)  # fmt: skip
    says = text(x, y + 4, sign, text_anchor="middle", font_weight="bold", fill=PAPER if lost else INK) if sign else ""
    kind = f"reflex-{found.answer or 'not-examined'}"
    return group((box, says), data_mark=kind, **{f"data_{key}": value for key, value in data.items()})


def seen(at: Point, kind: str, radius: float = 6, **data: str | None) -> str:
    """Something seen on the foot, by its shape: full shapes are active problems, open ones are not."""
    return group((_shape(at, kind, radius),), data_mark=kind, **{f"data_{key}": value for key, value in data.items()})


_TRIANGLE: tuple[Point, ...] = ((0, -1), (1, 0.8), (-1, 0.8))
_DIAMOND: tuple[Point, ...] = ((0, -1), (1, 0), (0, 1), (-1, 0))
_SQUARE: tuple[Point, ...] = ((-0.85, -0.85), (0.85, -0.85), (0.85, 0.85), (-0.85, 0.85))
_HEXAGON: tuple[Point, ...] = ((-0.55, -0.9), (0.55, -0.9), (1, 0), (0.55, 0.9), (-0.55, 0.9), (-1, 0))
_SLANT: tuple[Point, ...] = ((-1, 0.7), (-0.5, -0.7), (1, -0.7), (0.5, 0.7))
_SHAPES: dict[str, tuple[tuple[Point, ...], bool]] = {
    "foot-ulcer": (_DIAMOND, True),
    "previous-foot-ulcer": (_DIAMOND, False),
    "gangrene": (_SQUARE, True),
    "foot-infection": (_TRIANGLE, True),
    "hot-swollen-foot": (_TRIANGLE, True),
    "charcot-suspected": (_TRIANGLE, True),
    "charcot-history": (_TRIANGLE, False),
    "callus": (_HEXAGON, False),
    "significant-callus": (_HEXAGON, False),
}


def _shape(at: Point, kind: str, radius: float) -> str:
    x, y = at
    if kind == "amputation":
        strokes = (
            line((x - radius, y + down), (x + radius, y - down), stroke=INK, stroke_width=1.8) for down in (-radius, radius)
        )
        return "".join(strokes)
    outline, full = _SHAPES.get(kind, (_SLANT, False))
    return _outline(tuple((x + radius * across, y + radius * down) for across, down in outline), full)


def _outline(points: tuple[Point, ...], full: bool) -> str:
    return polygon(points, fill=INK if full else PAPER, stroke=PAPER if full else INK, stroke_width=0.8 if full else 1.4)


def swatch(x: float, y: float, state: str) -> str:
    """A sample of an area, or of the line of a lane, for the legend."""
    fill, stroke, dash = AREAS[state]
    if state == "beyond":
        return line((x, y + 6), (x + 22, y + 6), stroke=LINE, stroke_dasharray=DOTS, data_key=state)
    box = element("rect", x=x, y=y, width=22, height=12, fill=fill, stroke=stroke, stroke_dasharray=dash, data_key=state)
    return box + line((x, y + 6), (x + 22, y + 6), stroke=INK, stroke_width=1.4) if state == "clear" else box


AREAS: dict[str, tuple[str, str, str | None]] = {
    "lost": (LOST_FILL, LOSS, None),
    "open": (OPEN_FILL, DOUBT, DASHES),
    "clear": (PAPER, INK, None),
    "beyond": (NONE_FILL, LINE, DASHES),
    "not-examined": (NONE_FILL, LINE, DASHES),
}
"""Fill, edge and dashes of an area, by its state."""
