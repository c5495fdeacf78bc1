"""What an assessment holds before it is written down: the examination, what was concluded, and what should happen."""

from msgspec import Struct

from sural.exam.examination import Examination
from sural.footrisk.risk import FootRisk
from sural.intake.read import Intake
from sural.neuropathy.classification import Classification
from sural.neuropathy.scores import Score
from sural.plan.plan import Plan
from sural.trend import Trend


class Assessment(Struct, frozen=True):
    """One patient's assessment."""

    examination: Examination
    intake: Intake
    neuropathy: Classification
    scores: tuple[Score, ...]
    risk: FootRisk
    plan: Plan
    trend: Trend
