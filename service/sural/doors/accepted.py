"""What each option or parameter of a request takes, in words, for whoever gave one that it does not take."""

from datetime import date

from sural.footrisk.schemes import SCHEMES
from sural.plan.calendar import TABULATED, parts
from sural.plan.pathway import names

OUTPUTS = ("bundle", "transaction", "summary", "report", "html")
REPORTS = ("none", "text", "picture")
"""The DiagnosticReport of the answer: left out, with its narrative, or with the picture of both legs as well."""
COMPLETE = ("inspection", "history")
FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(2999, 12, 31)
"""Between which the day of assessment lies: a mistyped year is noticed, and every due date and review is still in the calendar."""
_DAY = f"a day from {FIRST_DAY.isoformat()} to {LAST_DAY.isoformat()}, such as 2026-03-02"
_TAKEN = {
    "scheme": f"there are {', '.join(SCHEMES)}",
    "output": f"there are {', '.join(OUTPUTS)}",
    "report": f"there are {', '.join(REPORTS)}",
    "complete": f"there are {', '.join(COMPLETE)}",
    "lookback": "a duration of years, months, weeks or days, such as P12M",
    "as-of": _DAY,
    "trace": "true or false",
    "preliminary": "true or false",
    "check": "there are structure, none",
    "concept-map": "a ConceptMap as a resource",
    "exam": "a resource, once",
}


def accepted(name: str, value: str = "") -> str:
    """What the option or parameter of this name takes; `value` is what was given instead. The words repeat nothing of it but a country that is known."""
    if name == "pathway":
        return f"there are {', '.join(names())}"
    return _regions(value) if name == "calendar" else _TAKEN[name]


def _regions(value: str) -> str:
    country = value.partition("-")[0]
    known = parts(country)
    if known:
        return f"{country} has the parts {', '.join(known)}, or stands alone"
    return f"there are {', '.join(TABULATED)}, and other countries and parts of them by ISO 3166, such as IE or DE-BY"
