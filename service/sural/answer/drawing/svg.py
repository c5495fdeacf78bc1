"""SVG as text: elements, numbers, smooth curves, and how wide a text may become.

The drawing must survive whatever sans-serif font the reader has, so the widths are those of a wide one. Presentation attributes only: a
style sheet inside a picture would leak into the page that holds it.
"""

from collections.abc import Iterable, Sequence

from sural.answer.markup import element, number
from sural.answer.markup import words as said

FONT = "Helvetica, Arial, 'Liberation Sans', 'DejaVu Sans', sans-serif"
SIZE = 11
"""The smallest text, in pixels at a width of 600."""
INK, MUTED, LINE, PAPER = "#17212b", "#4d5966", "#8b96a1", "#ffffff"
Point = tuple[float, float]
_NARROW, _WIDE = frozenset("iljtfrI|.,:;'!()[]/ -"), frozenset("mwMWQGO%@+±")


def group(children: Iterable[str], **attributes: str | float | None) -> str:
    """A group; nothing at all when it would be empty."""
    inside = "".join(children)
    return element("g", inside, **attributes) if inside else ""


def text(x: float, y: float, words: str, size: float = SIZE, **attributes: str | float | None) -> str:
    """A text with its baseline at y."""
    return element("text", said(words), x=x, y=y, font_size=size, **attributes)


def on_paper(x: float, y: float, words: str, turned: bool = False) -> str:
    """A centred text on a strip of paper, so that no pattern runs through it; `turned` reads from below."""
    wide = width(words) + 8
    turn = f"rotate(-90 {number(x)} {number(y)})" if turned else None
    strip = element("rect", x=x - wide / 2, y=y - 8, width=wide, height=16, rx=3, fill=PAPER, fill_opacity="0.92")
    return element("g", strip, text(x, y + 4, words, fill=MUTED, text_anchor="middle"), transform=turn)


def line(start: Point, end: Point, **attributes: str | float | None) -> str:
    return element("line", x1=start[0], y1=start[1], x2=end[0], y2=end[1], **attributes)


def path(data: str, **attributes: str | float | None) -> str:
    return element("path", d=data, **attributes)


def polygon(points: Sequence[Point], **attributes: str | float | None) -> str:
    return element("polygon", points=" ".join(f"{number(x)},{number(y)}" for x, y in points), **attributes)


def spot(point: Point) -> str:
    return f"{number(point[0])} {number(point[1])}"


def smooth(points: Sequence[Point], closed: bool = False) -> list[str]:
    """The curve segments from each point to the next, through all of them (Catmull-Rom as cubic Bézier curves)."""
    count = len(points)
    segments = []
    for index in range(count if closed else count - 1):
        before = points[index - 1] if closed or index else points[0]
        here, there = points[index], points[(index + 1) % count]
        after = points[(index + 2) % count] if closed or index + 2 < count else points[-1]
        first = here[0] + (there[0] - before[0]) / 6, here[1] + (there[1] - before[1]) / 6
        second = there[0] - (after[0] - here[0]) / 6, there[1] - (after[1] - here[1]) / 6
        segments.append(f"C{spot(first)} {spot(second)} {spot(there)}")
    return segments


def curve(points: Sequence[Point]) -> str:
    """One curve from the first of four points to the last, drawn towards the two between."""
    start, first, second, end = map(spot, points)
    return f"M{start}C{first} {second} {end}"


def loop(points: Sequence[Point]) -> str:
    """A smooth closed outline."""
    return f"M{spot(points[0])}{''.join(smooth(points, closed=True))}Z"


def width(words: str, size: float = SIZE) -> float:
    """At most how wide a text becomes."""
    return size * sum(0.4 if one in _NARROW else 0.95 if one in _WIDE else 0.72 if one.isupper() else 0.64 for one in words)


def wrapped(words: str, room: float, size: float = SIZE) -> list[str]:
    """Lines of a text that fit into a width; a word that is too long stands alone."""
    lines: list[str] = []
    for word in words.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width(longer, size) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


__all__ = [
    "FONT", "INK", "LINE", "MUTED", "PAPER", "SIZE", "Point", "curve", "element", "group", "line", "loop", "number", "on_paper", "path", "polygon",
    "smooth", "spot", "text", "width", "wrapped",
]  # fmt: skip
