"""RiskAssessments: one per scheme, one for the prognosis."""

from datetime import date

from sural import canonical
from sural.answer.parts import DEVICE_REFERENCE, Json, Writing, cited, coding, concept, meta, narrative
from sural.answer.wording import CAUTIONS, NOTES, in_sentence, listed, said_factor, said_side
from sural.evidence.ladder import Reach
from sural.exam.moment import after
from sural.footrisk import prognosis as podus
from sural.footrisk.factors import Factors
from sural.footrisk.risk import Difference, Standing
from sural.footrisk.scheme import NOT_APPLICABLE, NOT_STRATIFIED, OPEN, Scheme
from sural.footrisk.schemes import SCHEMES

RANGE_EXTENSION = canonical.profile("category-range")
OPEN_EXTENSION = canonical.profile("would-settle")
_LIKELIHOOD_SYSTEM = "http://terminology.hl7.org/CodeSystem/risk-probability"
_LIKELIHOOD = (("low", "Low likelihood"), ("moderate", "Moderate likelihood"), ("high", "High likelihood"), None)
_TREATED = "There is an ulcer: a foot with an ulcer is treated, not stratified."
_OUTSIDE = {NOT_APPLICABLE: "Not applicable", NOT_STRATIFIED: "Not stratified", OPEN: "Open, findings that matter are missing"}
FOOT_ULCER: Json = {"coding": [coding(canonical.FINDING, "foot-ulcer", "Foot ulcer")], "text": "Foot ulcer"}


def category_coding(scheme: Scheme, code: str) -> Json:
    """A category of a scheme as a coding."""
    return coding(canonical.FOOT_RISK, f"{scheme.id}.{code}", category_display(scheme, code))


def category_display(scheme: Scheme, code: str) -> str:
    category = scheme.categories.get(code)
    name = category.display if category else _OUTSIDE[code]
    return f"{scheme.title}: {name.lower()}"


def said_range(scheme: Scheme, reach: Reach) -> str:
    """A range in words. Where no more than the lowest category is certain it is not named: nobody is to read it as a low risk."""
    least = category_display(scheme, reach.at_least)
    if reach.settled:
        return least
    most = scheme.categories[reach.at_most].display.lower()
    if reach.at_least == scheme.lowest:
        return f"{scheme.title}: not settled, could be {most}"
    return f"{scheme.title}: at least {scheme.categories[reach.at_least].display.lower()}, could be {most}"


def category_value(scheme: Scheme, reach: Reach) -> Json:
    """The category that is certain; that it is open where only the lowest is, which would read as a verdict on what nobody examined."""
    only_lowest = not reach.settled and reach.at_least == scheme.lowest
    return {"coding": [category_coding(scheme, OPEN if only_lowest else reach.at_least)], "text": said_range(scheme, reach)}


def range_extension(scheme: Scheme, reach: Reach) -> Json:
    """The range as an extension: both ends as codings."""
    return {
        "url": RANGE_EXTENSION,
        "extension": [
            {"url": "atLeast", "valueCoding": category_coding(scheme, reach.at_least)},
            {"url": "atMost", "valueCoding": category_coding(scheme, reach.at_most)},
        ],
    }


def risk_assessment(writing: Writing, standing: Standing) -> Json:
    """One scheme's result."""
    scheme, reach, factors = standing.scheme, standing.reach, writing.assessment.risk.factors
    says = said_range(scheme, reach)
    why = rationale(standing, factors)
    notes = said_notes(standing)
    notes += [
        said_difference(difference)
        for difference in writing.assessment.risk.differences
        if scheme.id in (difference.higher, difference.lower)
    ]
    resource: Json = {
        "resourceType": "RiskAssessment",
        "meta": meta("foot-risk-assessment"),
        "text": narrative(f"{says}.", why, _open(reach), *notes, CAUTIONS[0]),
        "extension": [range_extension(scheme, reach)],
        "identifier": writing.identity.identifiers(scheme.id),
        "status": writing.status,
        "method": method(scheme.id, scheme.title, scheme.citation.source),
        "code": concept(canonical.FACTOR, "foot-risk-assessment", "Foot risk assessment"),
        "subject": writing.subject,
        **_occurrence(writing),
        "performer": DEVICE_REFERENCE,
    }
    resource["extension"] += [
        {"url": OPEN_EXTENSION, "valueCoding": coding(canonical.FACTOR, factor, said_factor(factor))} for factor in reach.open
    ]
    basis = writing.basis
    if basis:
        resource["basis"] = basis
    end = after(writing.as_of, standing.review.latest) if standing.review else None
    resource["prediction"] = [
        _prediction(scheme, reach, code, why, writing.as_of, end) for code in dict.fromkeys((reach.at_least, reach.at_most))
    ]
    resource["note"] = [{"text": text} for text in (*notes, *CAUTIONS)]
    return resource


def said_notes(standing: Standing) -> list[str]:
    """The remarks on a scheme's result in words; of a foot with an ulcer also why the scheme does not stratify it."""
    treated = standing.reach.at_least == NOT_STRATIFIED and "under-12" not in standing.notes
    return [*((_TREATED,) if treated else ()), *(NOTES[note] for note in standing.notes)]


def method(id: str, title: str, source: str) -> Json:
    """A scheme as the method of an assessment: our code, and guideline with edition in words."""
    return {"coding": [coding(canonical.FOOT_RISK, id, title)], "text": f"{title}: {source}"}


def _prediction(scheme: Scheme, reach: Reach, code: str, why: str, start: date, end: date | None) -> Json:
    """One end of the range. Until it is settled each says which end it is, and neither has the general code that reads as a verdict."""
    category = scheme.categories.get(code)
    says = category_display(scheme, code)
    if not reach.settled:
        says = f"{scheme.title}: {'at least' if code == reach.at_least else 'could be'} {scheme.categories[code].display.lower()}"
        why = why if code == reach.at_least else _open(reach)
    codings = [category_coding(scheme, code)]
    likelihood = _LIKELIHOOD[category.standing] if category else None
    if likelihood and reach.settled:
        codings.append(coding(_LIKELIHOOD_SYSTEM, *likelihood))
    period = {"start": start.isoformat(), "end": end.isoformat()} if end else {"start": start.isoformat()}
    return {
        "outcome": FOOT_ULCER,
        "qualitativeRisk": {"coding": codings, "text": says},
        "whenPeriod": period,
        "rationale": why or says,
    }


def rationale(standing: Standing, factors: Factors) -> str:
    """Why the floor is where it is, in words, with the clause."""
    floor = standing.floor
    if floor is None or not standing.reach.because:
        return ""
    reasons = []
    for factor in standing.reach.because:
        sides = [said_side(side) for side in factors.sides(factor)]
        reasons.append(f"{in_sentence(said_factor(factor))} ({listed(sides)})" if sides else in_sentence(said_factor(factor)))
    return f"Because of {listed(reasons)} [{floor.citation}]."


def _open(reach: Reach) -> str:
    return (
        f"Not settled until known: {listed([in_sentence(said_factor(factor)) for factor in reach.open])}." if reach.open else ""
    )


def said_difference(difference: Difference) -> str:
    """Where two schemes stand apart, and why."""
    factors = listed([in_sentence(said_factor(factor)) for factor in difference.factors])
    return f"{SCHEMES[difference.higher].title} stands higher than {SCHEMES[difference.lower].title}, which does not count {factors} in the same way."


def _occurrence(writing: Writing) -> Json:
    return {key.replace("effective", "occurrence"): value for key, value in writing.effective.items()}


def prognosis_assessment(writing: Writing) -> Json | None:
    """The PODUS risk, with its interval in a second prediction; None where the rule does not apply."""
    prognosis = writing.assessment.risk.prognosis
    score = prognosis.score
    if score is None:
        return None
    end = after(writing.as_of, podus.HORIZON)
    period = {"start": writing.as_of.isoformat(), "end": end.isoformat()}
    if prognosis.exact is not None:
        percent, low, high = podus.PERCENT[prognosis.exact]
        says = f"{podus.TITLE} score {prognosis.exact}: {percent} % (95 % interval {low} to {high} %) risk of a new foot ulcer within two years."
        predictions: list[Json] = [
            {
                "outcome": FOOT_ULCER,
                "probabilityDecimal": float(percent),
                "whenPeriod": period,
                "rationale": f"Score {prognosis.exact}; {podus.RISKS}",
            },
            {
                "outcome": FOOT_ULCER,
                "probabilityRange": _percent_range(float(low), float(high)),
                "whenPeriod": period,
                "rationale": "95 % confidence interval",
            },
        ]
    else:
        least, most = int(score.low), int(score.high)
        low, high = podus.PERCENT[least][0], podus.PERCENT[most][0]
        says = f"{podus.TITLE} score {least} to {most}: {low} to {high} % risk of a new foot ulcer within two years, depending on what is not known."
        predictions = [
            {
                "outcome": FOOT_ULCER,
                "probabilityRange": _percent_range(float(low), float(high)),
                "whenPeriod": period,
                "rationale": f"Score {least} to {most}, items missing; {podus.RISKS}",
            }
        ]
    limits = "The average of a cohort of adults with diabetes and no ulcer, not a fate; the rule predicted too high in its validation cohort."
    notes = [limits, str(podus.SPLIT), *(NOTES[note] for note in prognosis.notes)]
    resource: Json = {
        "resourceType": "RiskAssessment",
        "meta": meta("ulcer-prognosis"),
        "text": narrative(says, *notes, CAUTIONS[0]),
        "identifier": writing.identity.identifiers(podus.ID),
        "status": writing.status,
        "method": method(podus.ID, podus.TITLE, podus.RISKS.source),
        "code": concept(canonical.FACTOR, "ulcer-prognosis", "Prognosis of foot ulceration"),
        "subject": writing.subject,
        **_occurrence(writing),
        "performer": DEVICE_REFERENCE,
        "prediction": predictions,
        "note": [{"text": text} for text in (*notes, *CAUTIONS)],
    }
    basis = cited(prognosis.findings)
    if basis:
        resource["basis"] = basis
    return resource


def _percent_range(low: float, high: float) -> Json:
    return {
        end: {"value": value, "unit": "%", "system": canonical.UCUM, "code": "%"} for end, value in (("low", low), ("high", high))
    }
