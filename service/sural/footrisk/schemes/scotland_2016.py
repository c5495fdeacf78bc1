"""Scottish Diabetes Foot Action Group risk chart, 2016 update. Ischaemia alone is not among its active problems (seen)."""

from sural.evidence.formula import ALWAYS, any_of, at_least
from sural.footrisk.scheme import Category, Review, Scheme
from sural.footrisk.sources import SCOTLAND, seen

_RISK_FACTORS = (
    "protective-sensation-lost",
    "arterial-disease",
    "significant-callus",
    "significant-deformity",
    "cannot-self-care",
    "low-filtration",
)

SCOTLAND_2016 = Scheme(
    "scotland-2016",
    "Scottish chart (2016)",
    seen(SCOTLAND),
    (
        Category(
            "low", "Low risk",
            ALWAYS,
            seen(SCOTLAND, "low"), Review("P24M", "P24M"), standing=0,
        ),
        Category(
            "moderate", "Moderate risk",
            any_of(*_RISK_FACTORS),
            seen(SCOTLAND, "moderate"), Review("P12M", "P12M"), standing=1,
        ),
        Category(
            "high", "High risk",
            at_least(2, *_RISK_FACTORS),
            seen(SCOTLAND, "high"), Review("P12M", "P12M"), standing=2, note="podiatry-plan-no-further-screening",
        ),
        Category(
            "in-remission", "In remission",
            any_of("previous-foot-ulcer", "amputation", "charcot-history"),
            seen(SCOTLAND, "in remission"), Review("P12M", "P12M"), standing=2, note="podiatry-plan-no-further-screening",
        ),
        Category(
            "active", "Active foot disease",
            any_of("foot-ulcer", "foot-infection", "gangrene", "hot-swollen-foot", "charcot-suspected"),
            seen(SCOTLAND, "active"), None, standing=3,
        ),
    ),
)  # fmt: skip
