"""Neuropathy Impairment Score of the lower limbs, 0 to 88.

Source: Dyck; item list, weakness grades and maximum were seen; reflex points were seen; the maximum of 2 for a sense follows from the
maximum of 88 by arithmetic. The map from MRC grades was seen on one page; MRC 4 without a sign has no cell and leaves the item open. The
age rule for the ankle reflex is from memory and says so in the output.
"""

from sural.exam.examination import Examination
from sural.neuropathy.scores.score import Item, Points, Score, ScoreTable, at_toe, graded, limb_of
from sural.neuropathy.sources import memory, seen

_MUSCLES = (
    ("hip flexion", "power-hip-flexion"),
    ("hip extension", "power-hip-extension"),
    ("knee flexion", "power-knee-flexion"),
    ("knee extension", "power-knee-extension"),
    ("ankle dorsiflexion", "power-ankle-dorsiflexion"),
    ("ankle plantar flexion", "power-ankle-plantarflexion"),
    ("toe extension", "power-great-toe-extension"),
    ("toe flexion", "power-toe-flexion"),
)
_WEAKNESS: dict[str, Points] = {
    "5": (0.0, 0.0), "5-": (1.0, 1.0), "4+": (2.0, 2.0), "4": (2.0, 3.0), "4-": (3.0, 3.0), "3": (3.25, 3.25), "2": (3.5, 3.5),
    "1": (3.75, 3.75), "0": (4.0, 4.0),
}  # fmt: skip
_REFLEX: dict[str, Points] = {
    "normal": (0.0, 0.0), "brisk": (0.0, 0.0), "clonus": (0.0, 0.0), "reinforced": (0.0, 1.0), "reduced": (1.0, 1.0), "absent": (2.0, 2.0),
}  # fmt: skip
_SENSE = {"normal": (0.0, 0.0), "reduced": (1.0, 1.0), "absent": (2.0, 2.0), "abnormal": (1.0, 2.0)}
_SENSES = (
    ("touch", "light-touch", "sensory-level-light-touch"),
    ("pinprick", "pinprick", "sensory-level-pinprick"),
    ("vibration", "vibration-128hz", "sensory-level-vibration"),
    ("position", "joint-position", "sensory-level-joint-position"),
)
_OPEN = (0.0, 2.0)
AGE_FIRST, AGE_SECOND = 50, 70
_MOST_ALLOWED = 2.0


def _allowance(age: int) -> float:
    return 0.0 if age < AGE_FIRST else 1.0 if age < AGE_SECOND else _MOST_ALLOWED


def _ankle(side: str) -> Item:
    """The ankle reflex with allowance for age: from 50 a reduced one counts 0 and an absent one 1; from 70 an absent one 0.

    Where the age is not known the points run from those of the greatest allowance to those of none.
    """

    def points(exam: Examination) -> Points:
        finding = limb_of(exam, side).findings.get("ankle-reflex")
        if finding is None:
            return _OPEN
        least, most = _REFLEX[str(finding.value)]
        youngest, oldest = exam.subject.age_from, exam.subject.age_to
        greatest = _MOST_ALLOWED if oldest is None else _allowance(oldest)
        return max(0.0, least - greatest), max(0.0, most - _allowance(youngest or 0))

    return Item("triceps surae reflex", ("ankle-reflex",), 2.0, points, side)


def _sense(text: str, concept: str, level: str, side: str) -> Item:
    def points(exam: Examination) -> Points:
        value = at_toe(limb_of(exam, side), concept, level)
        return _OPEN if value is None else _SENSE[value]

    return Item(f"{text} at the great toe", (concept, level), 2.0, points, side)


def _side(side: str) -> tuple[Item, ...]:
    return (
        *(graded(text, code, side, _WEAKNESS, 4) for text, code in _MUSCLES),
        graded("quadriceps reflex", "knee-reflex", side, _REFLEX, 2),
        _ankle(side),
        *(_sense(*sense, side) for sense in _SENSES),
    )


def _remarks(exam: Examination, score: Score) -> tuple[str, ...]:
    remarks = []
    oldest = exam.subject.age_to
    lost = any(limb.value("ankle-reflex") in ("reduced", "absent", "reinforced") for limb in exam.limbs)
    if lost and oldest is None:
        remarks.append("age-not-known")
    if lost and (oldest is None or oldest >= AGE_FIRST):
        remarks.append("age-rule-applied-from-memory")
    right, left = score.side("right"), score.side("left")
    if right[0] > left[1] or left[0] > right[1]:
        remarks.append("sides-differ")
    return tuple(remarks)


NIS_LL = ScoreTable(
    "nis-ll",
    "Neuropathy Impairment Score, lower limbs",
    items=(*_side("right"), *_side("left")),
    bands=(),
    citation=seen("Dyck, NIS items 17-24, 28-29, 34-37"),
    band_citation=memory("Dyck", "no universal cut-off"),
    remarks=_remarks,
)
