"""The whole flow on one page: from a document to the assessment of each patient in it. Read this first.

Everything here is pure: no clock, no file, no network; the same input, day and options give the same result.
"""

from collections.abc import Iterator
from datetime import date

from msgspec import Struct

from sural.answer.assessment import Assessment
from sural.footrisk.risk import assess_foot_risk
from sural.footrisk.schemes import SCHEMES
from sural.intake import Accepted, read
from sural.intake.documents import Document
from sural.intake.read import Intake
from sural.issues import Issue
from sural.neuropathy.classification import classify
from sural.neuropathy.scores import score
from sural.plan.calendar import Calendar
from sural.plan.pathway import Pathway
from sural.plan.plan import make_plan
from sural.plan.work_up import neuropathy_referrals
from sural.terminology.lexicon import Lexicon
from sural.trend import trend


class Options(Struct, frozen=True):
    """How to assess.

    `as_of` is the day of assessment, `lookback` an ISO 8601 duration; `schemes` the ids to apply; `complete` what the sender declares
    complete (inspection, history); `preliminary` reads preliminary results; `calendar` overrides the pathway's.
    """

    as_of: date
    pathway: Pathway
    calendar: Calendar
    lookback: str = "P12M"
    schemes: tuple[str, ...] = tuple(SCHEMES)
    complete: frozenset[str] = frozenset()
    preliminary: bool = False


class Assessed(Struct, frozen=True):
    """A document assessed: each patient, and the account of what belongs to none of several patients."""

    patients: tuple[Assessment, ...]
    rest: Intake


def assess_document(document: Document, options: Options, lexicon: Lexicon) -> Assessed:
    """Assess every patient of a document. Raises Refused when it cannot be said whom it is about."""
    reading = read(document, lexicon, options.as_of, options.lookback, options.complete, options.preliminary)
    return Assessed(tuple(assess_patient(accepted, options) for accepted in reading.patients), reading.rest)


def assess_patient(accepted: Accepted, options: Options) -> Assessment:
    """Assess one patient: factors and schemes, classification and scores, then the plan."""
    exam = accepted.examination
    asked = options.schemes
    risk = assess_foot_risk(exam, asked if options.pathway.scheme in asked else (*asked, options.pathway.scheme))
    classification = classify(exam)
    further = neuropathy_referrals(exam, classification, options.pathway, options.calendar)
    plan = make_plan(exam, risk, risk.standings[options.pathway.scheme], options.pathway, options.calendar, further)
    scores = score(exam)
    over_time = trend(exam, risk.factors, classification.signs, scores)
    return Assessment(exam, accepted.intake, classification, scores, risk, plan, over_time)


def unknown_schemes(schemes: tuple[str, ...]) -> Iterator[Issue]:
    """An issue for each scheme that does not exist."""
    return (Issue("scheme-unknown", diagnostics=scheme) for scheme in schemes if scheme not in SCHEMES)


__all__ = ["Assessed", "Assessment", "Options", "assess_document", "assess_patient", "unknown_schemes"]
