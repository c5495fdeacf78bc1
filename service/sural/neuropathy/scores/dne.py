"""Diabetic Neuropathy Examination, 0 to 16, right side only.

Source: Meijer et al., Diabetes Care 2000;23:750. Items, points, side and maximum were seen in two secondary pages; when the right leg is
amputated the left is examined (seen). Above 3: polyneuropathy (one copy; another misprints the cut-off).
"""

from sural.exam.examination import Examination
from sural.neuropathy.scores.score import Band, Item, Points, Score, ScoreTable, at_finger, at_toe, exact, graded, limb_of
from sural.neuropathy.sources import seen

_POWER = {
    "5": (0.0, 0.0), "5-": (0.0, 1.0), "4+": (1.0, 1.0), "4": (1.0, 1.0), "4-": (1.0, 1.0), "3": (1.0, 1.0),
    "2": (2.0, 2.0), "1": (2.0, 2.0), "0": (2.0, 2.0),
}  # fmt: skip
_REFLEX = exact({"normal": 0, "brisk": 0, "clonus": 0, "reinforced": 1, "reduced": 1, "absent": 2})
_SENSE = {"normal": (0.0, 0.0), "reduced": (1.0, 1.0), "absent": (2.0, 2.0), "abnormal": (1.0, 2.0)}
_OPEN = (0.0, 2.0)


def _toe(text: str, concept: str, level: str, side: str) -> Item:
    def points(exam: Examination) -> Points:
        value = at_toe(limb_of(exam, side), concept, level)
        return _OPEN if value is None else _SENSE[value]

    return Item(f"{text} at the great toe", (concept, level), 2.0, points, side)


def _finger(side: str) -> Item:
    def points(exam: Examination) -> Points:
        value = at_finger(limb_of(exam, side), "pinprick", "hand-sensory-level-pinprick")
        return _OPEN if value is None else _SENSE[value]

    return Item("pinprick at the index finger", ("pinprick", "hand-sensory-level-pinprick"), 2.0, points, side)


def _items(side: str) -> tuple[Item, ...]:
    return (
        graded("quadriceps", "power-knee-extension", side, _POWER, 2),
        graded("tibialis anterior", "power-ankle-dorsiflexion", side, _POWER, 2),
        graded("triceps surae reflex", "ankle-reflex", side, _REFLEX, 2),
        _finger(side),
        _toe("pinprick", "pinprick", "sensory-level-pinprick", side),
        _toe("touch", "light-touch", "sensory-level-light-touch", side),
        _toe("vibration", "vibration-128hz", "sensory-level-vibration", side),
        _toe("position", "joint-position", "sensory-level-joint-position", side),
    )


def _amputated(exam: Examination) -> bool:
    return exam.right.foot_lost and not exam.left.foot_lost


def _adjust(exam: Examination, table: ScoreTable) -> ScoreTable:
    return DNE_LEFT if _amputated(exam) else table


def _remarks(exam: Examination, score: Score) -> tuple[str, ...]:
    return ("left-substituted",) if _amputated(exam) else ()


def _table(side: str, whole: bool) -> ScoreTable:
    return ScoreTable(
        "dne",
        "Diabetic Neuropathy Examination",
        items=_items(side),
        bands=(Band("none", 0), Band("polyneuropathy", 4)),
        citation=seen("Meijer et al., Diabetes Care 2000;23:750", "items in two secondary pages"),
        band_citation=seen("Meijer et al. 2000", "above 3"),
        adjust=_adjust if whole else None,
        remarks=_remarks,
    )


DNE = _table("right", whole=True)
DNE_LEFT = _table("left", whole=False)
