"""What each score asks, as answers from best to worst, and the examinations they make. Invented examinations."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from tests.asking import summary_of
from tests.builders import FEET, Exam

REFLEX = ("normal", "reduced", "absent")
REINFORCED = ("normal", "reinforced", "absent")
SENSE = ("normal", "reduced", "absent")
SYMPTOM = ("absent", "present")
POWER = ("5", "5-", "4+", "4", "4-", "3", "2", "1", "0")
MUSCLES = (
    "hip-flexion", "hip-extension", "knee-flexion", "knee-extension", "ankle-dorsiflexion", "ankle-plantarflexion", "great-toe-extension", "toe-flexion",
)  # fmt: skip
TOE_SENSES = ("pinprick", "light-touch", "vibration-128hz", "joint-position")
APPEARANCE = ("foot-deformity", "dry-skin", "callus", "foot-infection", "fissure")
MNSI_FOOT = (*APPEARANCE, "foot-ulcer")
YOUNG = "1990-06-01"  # no allowance for age in any score


@dataclass(frozen=True)
class Asked:
    """One concept that a score reads: on both sides or of the person, at a site, and its answers from best to worst."""

    concept: str
    answers: tuple[Any, ...]
    sided: bool = True
    site: str | None = None


Key = tuple[Asked, str | None]
Given = dict[Key, Any]


def _toe(*senses: str) -> tuple[Asked, ...]:
    return tuple(Asked(sense, SENSE, site="hallux") for sense in senses)


_MNSI_8 = (*(Asked(code, SYMPTOM) for code in MNSI_FOOT), Asked("ankle-reflex", REINFORCED), *_toe("vibration-128hz"))
ASKED: dict[str, tuple[Asked, ...]] = {
    "tcss": (
        *(Asked(code, SYMPTOM) for code in ("foot-pain-neuropathic", "foot-numbness", "foot-tingling", "leg-weakness", "upper-limb-symptoms")),
        Asked("unsteadiness", SYMPTOM, sided=False), Asked("knee-reflex", REFLEX), Asked("ankle-reflex", REFLEX), *_toe(*TOE_SENSES, "temperature-sense"),
    ),
    "nds-young-1993": (Asked("ankle-reflex", REFLEX), Asked("temperature-sense", SENSE, site="dorsum"), *_toe("vibration-128hz", "pinprick")),
    "nss-young-1993": (
        Asked("symptom-quality", ("none", "fatigue-cramp-aching", "burning-numbness-tingling"), sided=False),
        Asked("symptom-place", ("elsewhere", "calves", "feet"), sided=False), Asked("symptom-time", ("day", "day-and-night", "night"), sided=False),
        Asked("symptom-wakes", SYMPTOM, sided=False), Asked("symptom-relief", ("none", "standing", "walking"), sided=False),
    ),
    "mnsi-questionnaire": tuple(Asked(f"mnsi-question-{n}", (True, False) if n in (7, 13) else (False, True), sided=False) for n in range(1, 16)),
    "mnsi-exam-8": _MNSI_8,
    "mnsi-exam-10": (*_MNSI_8, Asked("monofilament-foot", SENSE)),
    "dne": (
        Asked("power-knee-extension", POWER), Asked("power-ankle-dorsiflexion", POWER), Asked("ankle-reflex", REFLEX),
        Asked("pinprick", SENSE, site="index-fingertip"), *_toe(*TOE_SENSES),
    ),
    "dns": (Asked("unsteadiness", SYMPTOM, sided=False), *(Asked(code, SYMPTOM) for code in ("foot-pain-neuropathic", "foot-tingling", "foot-numbness"))),
    "nis-ll": (*(Asked(f"power-{name}", POWER) for name in MUSCLES), Asked("knee-reflex", REFLEX), Asked("ankle-reflex", REFLEX), *_toe(*TOE_SENSES)),
}  # fmt: skip


def keys(id: str) -> list[Key]:
    """Every place an answer of a score can stand."""
    return [(asked, side) for asked in ASKED[id] for side in (FEET if asked.sided else (None,))]


def exam_of(given: Given, birth: str | None = YOUNG) -> Exam:
    exam = Exam(birth=birth)
    for (asked, side), answer in given.items():
        exam.see(asked.concept, answer, side, asked.site)
    return exam


def score_of(id: str, given: Given, birth: str | None = YOUNG) -> dict[str, Any]:
    score: dict[str, Any] = summary_of(exam_of(given, birth))["scores"][id]
    return score


def extreme(id: str, worst: bool) -> Given:
    """Every item at its best or at its worst."""
    return {key: key[0].answers[-1 if worst else 0] for key in keys(id)}


def swapped(given: Given) -> Given:
    other = {"left": "right", "right": "left", None: None}
    return {(asked, other[side]): answer for (asked, side), answer in given.items()}


def completions(given: Given, missing: list[Key]) -> Iterator[Given]:
    """Every way to answer what is missing."""
    if not missing:
        yield given
        return
    first, *rest = missing
    for answer in first[0].answers:
        yield from completions({**given, first: answer}, rest)
