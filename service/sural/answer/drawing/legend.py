"""The legend: what every pattern and sign means, always the same."""

from sural.answer.drawing import marks
from sural.answer.drawing.facts import FELT, NOT_FELT, REDUCED, Reflex
from sural.answer.drawing.svg import INK, MUTED, group, text

HEIGHT = 112.0
_STEP = 17.0
_AREAS = (
    ("lost", "loss shown"),
    ("open", "loss not excluded"),
    ("clear", "no loss found where tested"),
    ("not-examined", "not examined"),
    ("beyond", "not tested this far up"),
)
_TESTS = (
    (FELT, "felt or normal"),
    (REDUCED, "reduced or undecided"),
    (NOT_FELT, "not felt or absent"),
    ("untested", "site not tested"),
)


def legend(y: float) -> str:
    """Three columns from y downwards: areas, tests, reflexes."""
    parts = [_title(14, y, "Lanes and legs"), _title(208, y, "Tests at a site"), _title(396, y, "Reflexes at knee and ankle")]
    for row, (state, words) in enumerate(_AREAS):
        at = y + _STEP * (row + 1)
        parts += [marks.swatch(14, at - 9, state), _words(44, at, words)]
    for row, (kind, words) in enumerate(_TESTS):
        at = y + _STEP * (row + 1)
        parts += [marks.outcome((214, at - 4), kind, 5.5), _words(228, at, words)]
    at = y + _STEP * 5
    parts += [marks.doubt((214, at - 3)), _words(228, at, "contradictory, worse taken")]
    for column, answers in enumerate((("absent", "reduced", "reinforced"), ("normal", "brisk", "clonus"))):
        for row, answer in enumerate(answers):
            x, at = 408 + 98 * column, y + _STEP * (row + 1) + 1.5 * row
            parts += [marks.reflex((x, at - 4), Reflex(answer, False)), _words(x + 16, at, answer)]
    at = y + _STEP * 4 + 5
    parts += [marks.reflex((408, at - 4), Reflex(None, False)), _words(424, at, "not examined")]
    return group(parts, data_part="legend")


def _title(x: float, y: float, words: str) -> str:
    return text(x, y, words, font_weight="bold", fill=INK)


def _words(x: float, y: float, words: str) -> str:
    return text(x, y, words, fill=MUTED)
