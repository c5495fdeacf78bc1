"""Neuropathy Disability Score, simplified (Young 1993), 0 to 10. Not the Dyck instrument of the same name.

Source: Young et al., Diabetologia 1993;36:150. Items and reflex points were seen in a trial's report forms; the outer bands in Abbott 2011
(none up to 2, severe above 8); 3 to 5 mild and 6 to 8 moderate from memory. A plainly reduced reflex scores 1: it is the only printed
cell for it (German form, seen). Six or more: relative risk of a new foot ulcer 2.32, 1.61 to 3.35 (Abbott 2002, seen).
"""

from sural.exam.examination import Examination
from sural.neuropathy.scores.score import Band, Item, Points, Score, ScoreTable, at_toe, exact, graded, limb_of
from sural.neuropathy.sources import memory, seen

ULCER_RISK = 6
_REFLEX = exact({"normal": 0, "brisk": 0, "clonus": 0, "reinforced": 1, "reduced": 1, "absent": 2})


def _cannot(text: str, concept: str, level: str, side: str, at_dorsum: bool = False) -> Item:
    """One point when a sense is impaired on a side: at the great toe, for temperature at the dorsum of the foot before that."""

    def points(exam: Examination) -> Points:
        limb = limb_of(exam, side)
        toe = None if at_dorsum else at_toe(limb, concept, level)
        dorsum = limb.sites[concept].get("dorsum") if toe is None and concept in limb.sites else None
        value = dorsum.value if dorsum is not None else toe or at_toe(limb, concept, level)
        return (0.0, 1.0) if value is None else (0.0, 0.0) if value == "normal" else (1.0, 1.0)

    return Item(text, (concept, level), 1.0, points, side)


def _side(side: str) -> tuple[Item, ...]:
    return (
        _cannot("vibration at the great toe", "vibration-128hz", "sensory-level-vibration", side),
        _cannot("temperature at the dorsum of the foot", "temperature-sense", "sensory-level-temperature", side, at_dorsum=True),
        _cannot("pinprick at the great toe", "pinprick", "sensory-level-pinprick", side),
        graded("ankle reflex", "ankle-reflex", side, _REFLEX, 2),
    )


def _remarks(exam: Examination, score: Score) -> tuple[str, ...]:
    remarks = []
    if score.low >= ULCER_RISK:
        remarks.append("foot-ulcer-risk-marker")
    right, left = score.side("right"), score.side("left")
    if right[0] - left[1] >= 2 or left[0] - right[1] >= 2:
        remarks.append("sides-differ")
    age = exam.subject.age_from
    reflexes = sum(points[0] for item, points in zip(score.table.items, score.points, strict=True) if item.text == "ankle reflex")
    if reflexes and reflexes == score.low and (age is None or age >= 60):
        remarks.append("age-caveat")
    return tuple(remarks)


NDS = ScoreTable(
    "nds-young-1993",
    "Neuropathy Disability Score (Young 1993)",
    items=(*_side("right"), *_side("left")),
    bands=(Band("none", 0), Band("mild", 3), Band("moderate", 6), Band("severe", 9)),
    citation=seen("Young et al., Diabetologia 1993;36:150", "items in a trial's forms"),
    band_citation=memory("Abbott 2011 for the outer bands (seen); 3-5 and 6-8"),
    notes=("bands-from-memory",),
    remarks=_remarks,
)
