"""What later answers are compared with: the state of each factor, and when the feet were last examined.

Both stand as extensions in the Observation of the foot-risk category. A factor that is not named is not known. The day of the feet is kept
apart from the time of the Observation, which may be that of a blood test: who was only bled has not been examined.
"""

from datetime import date

from sural import canonical
from sural.answer.parts import Json, coding
from sural.answer.wording import said_factor
from sural.evidence.criterion import Fact
from sural.evidence.truth import UNKNOWN, YES
from sural.exam.examination import Examination
from sural.exam.finding import Finding
from sural.exam.moment import Moment
from sural.footrisk.factors import Factors
from sural.terminology.site import SIDES

STATE_EXTENSION = canonical.profile("factor-state")
FEET_EXTENSION = canonical.profile("feet-examined")
PERSON = "person"
_GROUPS = frozenset({"sensation", "foot", "arterial", "ulcer", "charcot"})
_NOT_OF_THE_FEET = frozenset({"claudication", "rest-pain", "arm-systolic-pressure", "ulcer-onset"})
"""What is told or measured elsewhere."""


def feet_examined(exam: Examination) -> date | None:
    """The last day on which something was found on the feet: touch, pulses and pressures, skin and shape, a wound; None when never.

    Of a date that is a month, a year or a period it is the first day, so that no review is put off by what is not known.
    Diagnoses, blood tests, symptoms and what was declared complete are no examination of the feet (project choice, decision 0020).
    """
    return max((found.first_day for found in moments_of_the_feet(exam)), default=None)


def moments_of_the_feet(exam: Examination) -> list[Moment]:
    """When something was found on the feet, earliest first."""
    return sorted((found.moment for found in exam if found.moment is not None and _of_the_feet(found)), key=lambda one: one.first_day)


def _of_the_feet(found: Finding) -> bool:
    concept, source = found.concept, found.source
    return (
        concept.group in _GROUPS and concept.expires and concept.scope != "person" and concept.code not in _NOT_OF_THE_FEET
        and not concept.code.startswith("hand-") and source is not None and source.type != "Condition"
    )  # fmt: skip


def state_extensions(exam: Examination, factors: Factors) -> list[Json]:
    """One extension for each factor of which something is known, and one for the day on which the feet were examined."""
    found = [state for factor, fact in factors.person.items() if (state := _state(factor, fact, factors))]
    day = feet_examined(exam)
    return [*found, {"url": FEET_EXTENSION, "valueDate": day.isoformat()}] if day else found


def _state(factor: str, fact: Fact, factors: Factors) -> Json | None:
    known: list[tuple[str, Fact | None]] = [(PERSON, fact), *((side, factors.side(side).get(factor)) for side in SIDES)]
    said = [
        {"url": where, "valueBoolean": one.truth is YES} for where, one in known if one is not None and one.truth is not UNKNOWN
    ]
    if not said:
        return None
    return {"url": STATE_EXTENSION, "extension": [{"url": "factor", "valueCoding": coding(canonical.FACTOR, factor, said_factor(factor))}, *said]}
