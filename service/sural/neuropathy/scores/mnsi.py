"""Michigan Neuropathy Screening Instrument: questionnaire (0 to 13) and examination (0 to 8, or 0 to 10 with the monofilament).

Source: Feldman 1994, instruction sheet (two copies seen), item order PhenX 140401 (seen), examination methods of DCCT/EDIC (seen). Free to
use (PhenX, seen). Items 4 and 10 are asked and never counted; a no counts on 7 and 13. Points of the monofilament from memory. The
cut-off "above 2" was seen with the form without monofilament (SEARCH 2013); as it does not tell the forms apart, the form is part of the id.
"""

from decimal import Decimal

from sural.exam.examination import Examination, Limb
from sural.neuropathy.scores.score import Band, Item, Points, ScoreTable, at_toe, exact, graded, limb_of
from sural.neuropathy.sources import memory, seen

_COUNTED = (1, 2, 3, 5, 6, 7, 8, 9, 11, 12, 13, 14, 15)
_NO_COUNTS = (7, 13)
_APPEARANCE = ("foot-deformity", "dry-skin", "callus", "foot-infection", "fissure")
_TIMED_LIMIT = Decimal(10)
_FELT_NORMAL, _APPLICATIONS = Decimal(8), Decimal(10)
_HALF = {"normal": (0.0, 0.0), "reduced": (0.5, 0.5), "absent": (1.0, 1.0), "abnormal": (0.5, 1.0)}
# a reflex that is merely reduced was obtained without reinforcement, and so it is present
_REFLEX = exact({"normal": 0, "brisk": 0, "clonus": 0, "reduced": 0, "reinforced": 0.5, "absent": 1})
_OPEN = (0.0, 1.0)


def _question(number: int) -> Item:
    code = f"mnsi-question-{number}"
    counted = "absent" if number in _NO_COUNTS else "present"

    def points(exam: Examination) -> Points:
        finding = exam.person.get(code)
        return _OPEN if finding is None else (1.0, 1.0) if finding.value == counted else (0.0, 0.0)

    return Item(f"question {number}", (code,), 1.0, points)


def _appearance(side: str) -> Item:
    """One point however many abnormalities there are; an amputation is one."""

    def points(exam: Examination) -> Points:
        limb = limb_of(exam, side)
        values = [limb.value(code) for code in _APPEARANCE]
        if "present" in values or limb.value("amputation") not in (None, "none"):
            return 1.0, 1.0
        return (0.0, 0.0) if None not in values else _OPEN

    return Item("appearance", (*_APPEARANCE, "amputation"), 1.0, points, side)


def _vibration(side: str) -> Item:
    """At the great toe: felt 10 s longer by the examiner is reduced."""

    def points(exam: Examination) -> Points:
        limb = limb_of(exam, side)
        value = at_toe(limb, "vibration-128hz", "sensory-level-vibration")
        longer = limb.number("vibration-time-difference")
        if value == "absent":
            return _HALF[value]
        if longer is not None:
            return (0.5, 0.5) if longer >= _TIMED_LIMIT else (0.0, 0.0)
        return _OPEN if value is None else _HALF[value]

    return Item(
        "vibration at the great toe",
        ("vibration-128hz", "vibration-time-difference", "sensory-level-vibration"),
        1.0,
        points,
        side,
    )


def _monofilament(side: str) -> Item:
    """Ten applications: eight or more felt 0, one to seven 0.5, none 1; or the foot as a whole."""

    def points(exam: Examination) -> Points:
        return _monofilament_points(limb_of(exam, side))

    return Item("monofilament", ("monofilament-sites", "monofilament-foot"), 1.0, points, side)


def _monofilament_points(limb: Limb) -> Points:
    counted = limb.get("monofilament-sites")
    if counted is not None and counted.detail("sites-tested") == _APPLICATIONS:
        felt = counted.number
        return (0.0, 0.0) if felt >= _FELT_NORMAL else (0.5, 0.5) if felt >= 1 else (1.0, 1.0)
    whole = limb.value("monofilament-foot")
    return _OPEN if whole is None else _HALF[str(whole)]


def _foot(side: str, monofilament: bool) -> tuple[Item, ...]:
    items = (
        _appearance(side),
        graded("ulcer", "foot-ulcer", side, exact({"absent": 0, "present": 1}), 1),
        graded("ankle reflex", "ankle-reflex", side, _REFLEX, 1),
        _vibration(side),
    )
    return (*items, _monofilament(side)) if monofilament else items


_SHEET = seen("Feldman 1994, instruction sheet; DCCT/EDIC methods")
_BANDS = (Band("normal", 0), Band("abnormal", 2.5))

MNSI_QUESTIONNAIRE = ScoreTable(
    "mnsi-questionnaire",
    "Michigan Neuropathy Screening Instrument, questionnaire",
    items=tuple(_question(number) for number in _COUNTED),
    bands=(Band("below-4", 0), Band("4-to-6", 4), Band("7-or-more", 7)),
    citation=seen("Feldman 1994, instruction sheet"),
    band_citation=seen("Herman 2012, cut-points 4 and 7 compared"),
)
MNSI_EXAM_8 = ScoreTable(
    "mnsi-exam-8",
    "Michigan Neuropathy Screening Instrument, examination without monofilament",
    items=(*_foot("right", False), *_foot("left", False)),
    bands=_BANDS,
    citation=_SHEET,
    band_citation=seen("1998 Italian validation; DCCT/EDIC; SEARCH, Diabetes Care 2013;36:3903", "2.5; above 2"),
    asked_by=frozenset({"ankle-reflex", "vibration-128hz", "vibration-time-difference", "sensory-level-vibration"}),
)
MNSI_EXAM_10 = ScoreTable(
    "mnsi-exam-10",
    "Michigan Neuropathy Screening Instrument, examination with monofilament",
    items=(*_foot("right", True), *_foot("left", True)),
    bands=_BANDS,
    citation=memory("Feldman 1994", "points of the monofilament"),
    band_citation=memory("Feldman 1994", "above 2 (seen with the other form only)"),
    notes=("monofilament-counts-from-memory", "bands-from-memory"),
    asked_by=frozenset({"monofilament-sites", "monofilament-foot"}),
)
