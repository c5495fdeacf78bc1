"""The picture of both legs, front and soles, as one self-contained SVG, and the same in words.

It shows how far up each modality is lost on each side, where it was tested and with what outcome, and what was not examined; an area that
was not examined never looks like a normal one. Patterns and shapes carry the meaning, so it reads in grey and without colour vision. It
holds nothing that identifies the person. The drawing and its layout are our own.
"""

from sural.answer.assessment import Assessment
from sural.answer.drawing import legend, limbs, marks, soles
from sural.answer.drawing.facts import View
from sural.answer.drawing.shapes import ARM, LEG, SOLE_HEIGHT
from sural.answer.drawing.svg import FONT, INK, LINE, MUTED, PAPER, element, group, line, number, text, wrapped
from sural.answer.drawing.view import view
from sural.answer.drawing.words import circulation, paragraphs
from sural.answer.markup import words
from sural.neuropathy.reach import ARM_LEVELS, LEG_LEVELS

WIDTH = 600
TITLE = "Findings in both legs and feet"
_CAUTION = "Decision support for review by a clinician. What was not examined is not read as normal."
_LEGS, _LEG_ROOM, _ARM_HEAD, _ARM_ROOM, _SOLE_ROOM = 146.0, 366.0, 68.0, 152.0, float(SOLE_HEIGHT)


def picture(assessment: Assessment) -> str:
    """The picture of one assessment. The same assessment gives the same bytes."""
    return drawn(view(assessment))


def picture_in_words(assessment: Assessment) -> str:
    """The text alternative: what the picture shows, in plain sentences by side."""
    return said(view(assessment))


def drawn(shown: View) -> str:
    """The picture of a view."""
    parts = [_head(shown), _legs(shown, _LEGS)]
    y = _LEGS + _LEG_ROOM + 36
    if shown.hands:
        parts += [_rule(y - 16), _arms(shown, y + _ARM_HEAD)]
        y += _ARM_HEAD + _ARM_ROOM + 36
    parts.append(_rule(y - 16))
    feet, y = _soles(shown, y)
    parts += [feet, _rule(y)]
    remarks, y = _remarks(shown, y + 20)
    parts += [remarks, legend.legend(y)]
    y += legend.HEIGHT
    parts.append(text(14, y, _CAUTION, fill=MUTED))
    return _document(shown, parts, y + 14)


def said(shown: View) -> str:
    """The view in words."""
    return " ".join(paragraphs(shown))


def _document(shown: View, parts: list[str], height: float) -> str:
    size = {"width": WIDTH, "height": round(height)}
    return element(
        "svg",
        element("title", f"{TITLE}, as of {shown.as_of}"),
        element("desc", words(said(shown))),
        marks.patterns(),
        element("rect", width=WIDTH, height=round(height), fill=PAPER),
        *parts,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {WIDTH} {number(round(height))}",
        **size,
        role="img",
        font_family=FONT,
    )


def _head(shown: View) -> str:
    preliminary = "PRELIMINARY: " if shown.preliminary else ""
    examined = f", feet examined {shown.feet_examined}" if shown.feet_examined else ", feet not examined"
    return (
        text(14, 26, f"{preliminary}{TITLE}", 17, font_weight="bold", fill=INK)
        + text(14, 44, f"As of {shown.as_of}{examined}. Seen from the front: the right side is on your left.", fill=MUTED)
    )  # fmt: skip


def _sides(y: float, right: str, left: str) -> str:
    return text(14, y, right, 14, font_weight="bold", fill=INK) + text(
        WIDTH - 14, y, left, 14, font_weight="bold", fill=INK, text_anchor="end"
    )


def _rule(y: float) -> str:
    return line((14, y), (WIDTH - 14, y), stroke=LINE, stroke_width=0.8)


def _legs(shown: View, y: float) -> str:
    parts = [_sides(76, "Right leg", "Left leg"), limbs.levels(LEG, LEG_LEVELS[1:], y)]
    for side in shown.sides:
        parts += [limbs.lanes(side, side.lanes, LEG, y), limbs.leg(side, LEG, y)]
    return group(parts, data_part="legs")


def _arms(shown: View, y: float) -> str:
    parts = [
        _sides(y - 64, "Right arm and hand", "Left arm and hand"),
        limbs.levels(ARM, [name.replace("-", " ") for name in ARM_LEVELS[1:]], y),
    ]
    for side in shown.sides:
        parts += [limbs.lanes(side, side.arms, ARM, y), limbs.arm(side, ARM, y)]
    return group(parts, data_part="arms")


def _soles(shown: View, y: float) -> tuple[str, float]:
    parts = [_sides(y + 4, "Right sole", "Left sole")]
    end = y + 20 + _SOLE_ROOM
    for side in shown.sides:
        markup, reached = soles.foot(side, y + 18)
        parts.append(markup)
        end = max(end, reached)
    return group(parts, data_part="soles"), end + 8


def _remarks(shown: View, y: float) -> tuple[str, float]:
    """What has no place in the drawing: the circulation, contradictions in words, findings without a side, hands that were not examined."""
    said = [f"Circulation, not drawn. {circulation(shown)}."]
    if shown.contradictions:
        said.append(f"Contradictory, the worse reading taken: {'; '.join(shown.contradictions)}.")
    if shown.not_usable:
        said.append(f"Recorded but not usable, not drawn: {'; '.join(shown.not_usable)}.")
    if not shown.hands:
        said.append("Hands and arms: not examined.")
    parts = []
    for one in said:
        for part in wrapped(one, WIDTH - 28):
            parts.append(text(14, y, part, fill=INK))
            y += 15
    return group(parts, data_part="remarks"), y + 8
