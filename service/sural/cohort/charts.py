"""Bars as inline SVG, readable without colour: parts of a whole in greys with different hatching, and every number written beside its bar."""

from collections.abc import Iterable, Sequence

from sural.answer.markup import element, words

WIDTH = 760
_LABEL, _ROW, _BAR, _VALUES = 290, 30, 18, 112
_CHARACTER = 6.6
"""About how wide a character is at this size of text."""
FILLS = ("#f2f2f2", "#cfcfcf", "#9a9a9a", "#6a6a6a", "#303030")
"""From mild to severe: light to dark."""
OPEN, NONE = "url(#hatched)", "#ffffff"
"""What is not settled; what a scheme does not apply to."""
_LINE = "#303030"
Part = tuple[str, int, str]
"""Of a bar: what it is, how many, how it is filled."""


def definitions() -> str:
    """The hatching, once for a page."""
    stripe = element("path", d="M0 8 L8 0 M-2 2 L2 -2 M6 10 L10 6", stroke=_LINE, stroke_width="1.2")
    ground = element("rect", width="8", height="8", fill="#ffffff")
    pattern = element("pattern", ground, stripe, id="hatched", width="8", height="8", patternUnits="userSpaceOnUse")
    return element("svg", element("defs", pattern), width="0", height="0", aria_hidden="true", style="position:absolute")


def bars(rows: Sequence[tuple[str, int]], whole: int, title: str, fill: str = FILLS[2]) -> str:
    """One bar per row, as a share of the whole, with its number and share."""
    drawn = []
    room = WIDTH - _LABEL - _VALUES
    most = max((count for _, count in rows), default=0) or 1
    for row, (label, count) in enumerate(rows):
        y = row * _ROW
        length = room * count / most
        drawn += [
            _label(label, y),
            element("rect", x=_LABEL, y=y + 6, width=max(length, 1), height=_BAR, fill=fill, stroke=_LINE),
            element("text", words(f"{count:,} ({share(count, whole)})"), x=_LABEL + length + 8, y=y + 20, class_="number"),
        ]
    return _picture(drawn, len(rows) * _ROW + 4, title)


def stacked(rows: Sequence[tuple[str, Sequence[Part]]], title: str) -> str:
    """One bar per row that is divided into parts; a part that has room carries its share. A key names the parts."""
    drawn = []
    room = WIDTH - _LABEL - 8
    for row, (label, parts) in enumerate(rows):
        whole = sum(count for _, count, _ in parts) or 1
        x, y = float(_LABEL), row * (_ROW + 8)
        drawn.append(_label(label, y + 2))
        for name, count, fill in parts:
            length = room * count / whole
            if not count:
                continue
            drawn.append(
                element(
                    "rect",
                    element("title", words(f"{name}: {count:,}")),
                    x=x,
                    y=y + 4,
                    width=length,
                    height=_BAR + 6,
                    fill=fill,
                    stroke=_LINE,
                )
            )
            said = share(count, whole)
            if length > len(said) * _CHARACTER + 10:
                drawn += _on(fill, said, x + length / 2, y + 21)
            x += length
    return _picture(drawn, len(rows) * (_ROW + 8), title)


def key(parts: Iterable[tuple[str, str]]) -> str:
    """What the fillings of a divided bar mean."""
    shown = (
        element("span", _square(fill), words(f" {name}"), class_="entry")
        for name, fill in parts
    )  # fmt: skip
    return element("p", *shown, class_="key")


def share(count: int, whole: int) -> str:
    """A share in per cent; never 0 % or 100 % for what is not none or all."""
    if not whole or not count:
        return "0 %"
    percent = 100 * count / whole
    if percent < 0.1:
        return "< 0.1 %"
    if count < whole and percent > 99.9:
        return "> 99.9 %"
    return f"{percent:.1f} %" if percent < 10 else f"{percent:.0f} %"


def _square(fill: str) -> str:
    inside = element("rect", x=1, y=1, width=14, height=14, fill=fill, stroke=_LINE)
    return element("svg", inside, width="16", height="16", viewBox="0 0 16 16", aria_hidden="true")


def _on(fill: str, said: str, x: float, y: float) -> list[str]:
    """A text on a filling, with a ground where the filling is not plain."""
    text = element(
        "text", words(said), x=x, y=y, text_anchor="middle", class_="number", fill="#ffffff" if fill in FILLS[3:] else "#111111"
    )
    if fill != OPEN:
        return [text]
    width = len(said) * _CHARACTER + 6
    return [element("rect", x=x - width / 2, y=y - 13, width=width, height=17, fill="#ffffff"), text]


def _label(label: str, y: float) -> str:
    return element("text", words(label), x=_LABEL - 10, y=y + 20, text_anchor="end")


def _picture(drawn: list[str], height: float, title: str) -> str:
    return element("svg", element("title", words(title)), *drawn, viewBox=f"0 0 {WIDTH} {height:.0f}", role="img", class_="chart")
