"""Neuropathy Symptom Score, simplified (Young 1993), 0 to 9. Not Dyck's 17 items of the same initials.

Source: Young et al., Diabetologia 1993;36:150. Maximum and bands (3-4, 5-6, 7-9) were seen in a textbook; the items are from memory.
"""

from sural.exam.examination import Examination
from sural.neuropathy.scores.score import Band, Item, Points, ScoreTable
from sural.neuropathy.sources import memory, seen

_QUALITY = {"burning-numbness-tingling": 2.0, "fatigue-cramp-aching": 1.0, "none": 0.0}
_NOTHING = (0.0, 0.0)


def _line(text: str, code: str, table: dict[str, float]) -> Item:
    """One value per line; with nothing felt every line is nought."""
    maximum = max(table.values())

    def points(exam: Examination) -> Points:
        if code != "symptom-quality" and exam.value("symptom-quality") == "none":
            return _NOTHING
        finding = exam.person.get(code)
        if finding is None:
            return 0.0, maximum
        value = table[str(finding.value)]
        return value, value

    return Item(text, (code, "symptom-quality"), maximum, points)


NSS = ScoreTable(
    "nss-young-1993",
    "Neuropathy Symptom Score (Young 1993)",
    items=(
        _line("what is felt", "symptom-quality", _QUALITY),
        _line("where", "symptom-place", {"feet": 2.0, "calves": 1.0, "elsewhere": 0.0}),
        _line("when worse", "symptom-time", {"night": 2.0, "day-and-night": 1.0, "day": 0.0}),
        _line("wakes from sleep", "symptom-wakes", {"present": 1.0, "absent": 0.0}),
        _line("relieved by", "symptom-relief", {"walking": 2.0, "standing": 1.0, "sitting-or-lying": 0.0, "none": 0.0}),
    ),
    bands=(Band("none", 0), Band("mild", 3), Band("moderate", 5), Band("severe", 7)),
    citation=memory("Young et al., Diabetologia 1993;36:150", "items"),
    band_citation=seen("textbook chapter", "maximum 9, bands 3-4, 5-6, 7-9"),
    notes=("table-from-memory",),
)
