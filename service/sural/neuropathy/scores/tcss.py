"""Toronto Clinical Scoring System, 0 to 19.

Source: Bril and Perkins, Diabetes Care 2002;25:2048, Table 1. Items, points and total were seen in a teaching hand-out that prints the
form; bands from memory (the lower cut-off 6 fits one comparison with nerve conduction, n=167; 5 is in circulation too).
"""

from sural.exam.examination import Examination
from sural.neuropathy.scores.score import Band, Item, Points, Score, ScoreTable, at_toe, either_present, exact, graded
from sural.neuropathy.sources import memory, seen

_REFLEX = exact({"normal": 0, "brisk": 0, "clonus": 0, "reinforced": 1, "reduced": 1, "absent": 2})
_IMPAIRED = frozenset({"reduced", "absent", "abnormal"})
_SENSES = (
    ("pinprick", "pinprick", "sensory-level-pinprick"),
    ("temperature", "temperature-sense", "sensory-level-temperature"),
    ("light touch", "light-touch", "sensory-level-light-touch"),
    ("vibration", "vibration-128hz", "sensory-level-vibration"),
    ("position", "joint-position", "sensory-level-joint-position"),
)


def _sense(text: str, concept: str, level: str) -> Item:
    """Once per modality at the first toe: the worse side counts (project choice)."""

    def points(exam: Examination) -> Points:
        values = [at_toe(limb, concept, level) for limb in exam.limbs if not limb.foot_lost]
        if not _IMPAIRED.isdisjoint(values):
            return 1.0, 1.0
        return (0.0, 0.0) if values and None not in values else (0.0, 1.0)

    return Item(f"{text} at the first toe", (concept, level), 1.0, points)


def _remarks(exam: Examination, score: Score) -> tuple[str, ...]:
    """Reflexes alone reach the band mild: say that healthy people from 60 lose them too."""
    age = exam.subject.age_from
    reflexes = score.side("right")[0] + score.side("left")[0]
    return ("age-caveat",) if reflexes and reflexes == score.low and (age is None or age >= 60) else ()


TCSS = ScoreTable(
    "tcss",
    "Toronto Clinical Scoring System",
    items=(
        either_present("foot pain", "foot-pain-neuropathic"),
        either_present("foot numbness", "foot-numbness"),
        either_present("foot tingling", "foot-tingling"),
        either_present("foot weakness", "leg-weakness"),
        either_present("ataxia", "unsteadiness", sided=False),
        either_present("upper-limb symptoms", "upper-limb-symptoms"),
        *(
            graded(f"{name} reflex", f"{name}-reflex", side, _REFLEX, 2)
            for name in ("knee", "ankle")
            for side in ("right", "left")
        ),
        *(_sense(*sense) for sense in _SENSES),
    ),
    bands=(Band("none", 0), Band("mild", 6), Band("moderate", 9), Band("severe", 12)),
    citation=seen("Bril and Perkins, Diabetes Care 2002;25:2048", "Table 1, in a hand-out"),
    band_citation=memory("Bril and Perkins 2002"),
    band_set="tcss-bands-6-9-12",
    notes=("bands-from-memory",),
    remarks=_remarks,
)
