"""IWGDF risk of foot ulceration, 2023 update (the table is the one of 2019). A foot with an ulcer is treated, not stratified."""

from sural.evidence.formula import ALWAYS, all_of, any_of, at_least
from sural.footrisk.scheme import Category, Review, Scheme
from sural.footrisk.sources import IWGDF, seen

_LOSS_OR_ARTERIAL = any_of("protective-sensation-lost", "arterial-disease")

IWGDF_2023 = Scheme(
    "iwgdf-2023",
    "IWGDF (2023)",
    seen(IWGDF, "risk table"),
    (
        Category(
            "0", "Very low risk",
            ALWAYS,
            seen(IWGDF, "recommendation 1"), Review("P12M", "P12M"), standing=0,
        ),
        Category(
            "1", "Low risk",
            _LOSS_OR_ARTERIAL,
            seen(IWGDF, "recommendation 2"), Review("P6M", "P12M"), standing=1,
        ),
        Category(
            "2", "Moderate risk",
            all_of(_LOSS_OR_ARTERIAL, at_least(2, "protective-sensation-lost", "arterial-disease", "foot-deformity")),
            seen(IWGDF, "recommendation 2"), Review("P3M", "P6M"), standing=2,
        ),
        Category(
            "3", "High risk",
            all_of(_LOSS_OR_ARTERIAL, any_of("previous-foot-ulcer", "amputation", "end-stage-renal-disease")),
            seen(IWGDF, "recommendation 2"), Review("P1M", "P3M"), standing=2,
        ),
    ),
    stratifies_active=False,
)  # fmt: skip
