"""NICE NG19, Diabetic foot problems: risk categories of 1.3.6 and reassessment of 1.3.11, in the edition of October 2019.

Membership of low, moderate and high was seen in restatements of the 2015 wording; the 2019 words of the active category (infection,
chronic limb-threatening ischaemia, a hot swollen foot with a change of colour) are from memory.
"""

from sural.evidence.formula import ALWAYS, all_of, any_of
from sural.footrisk.scheme import Category, Review, Scheme
from sural.footrisk.sources import NICE, memory, seen

_NEUROPATHY_OR_ISCHAEMIA = any_of("protective-sensation-lost", "arterial-disease")

NICE_NG19_2019 = Scheme(
    "nice-ng19-2019",
    "NICE NG19 (2019)",
    seen(NICE, "1.3.6"),
    (
        Category(
            "low", "Low risk",
            ALWAYS,
            seen(NICE, "1.3.6"), Review("P12M", "P12M"), standing=0,
        ),
        Category(
            "moderate", "Moderate risk",
            any_of("foot-deformity", _NEUROPATHY_OR_ISCHAEMIA),
            seen(NICE, "1.3.6"), Review("P3M", "P6M"), standing=1,
        ),
        Category(
            "high", "High risk",
            any_of(
                "previous-foot-ulcer",
                "amputation",
                "renal-replacement",
                all_of("protective-sensation-lost", "arterial-disease"),
                all_of(_NEUROPATHY_OR_ISCHAEMIA, any_of("callus", "foot-deformity")),
                all_of("charcot-history", "foot-deformity"),
            ),
            seen(NICE, "1.3.6"), Review("P1M", "P2M"), standing=2,
        ),
        Category(
            "active", "Active foot problem",
            any_of("foot-ulcer", "foot-infection", "limb-threatening-ischaemia", "gangrene", "charcot-suspected", "hot-swollen-foot"),
            memory(NICE, "1.3.6"), None, standing=3,
        ),
    ),
)  # fmt: skip
IMMEDIATE_CONCERN = Review("P1W", "P2W")
