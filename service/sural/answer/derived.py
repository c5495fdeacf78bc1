"""Derived Observations: the foot-risk category, ulcer grades, the neuropathy classification and scores."""

from collections.abc import Iterable
from decimal import Decimal
from functools import lru_cache

from sural import canonical
from sural.answer.parts import DEVICE_REFERENCE, SURVEY_CATEGORY, Json, Writing, coding, concept, meta, narrative
from sural.answer.risk_assessments import category_value, range_extension, said_range
from sural.answer.states import state_extensions
from sural.answer.wording import CAUTIONS, NOTES, in_sentence, said_side
from sural.footrisk.infection import EDITION
from sural.footrisk.risk import GradedUlcer, Standing

FOOT_RISK_KIND = "foot-risk-category"
NEUROPATHY_KIND = "neuropathy-classification"


def observation(writing: Writing, kind: str, profile: str, code: Json, paragraphs: Iterable[str]) -> Json:
    """The frame of a derived Observation."""
    resource: Json = {
        "resourceType": "Observation",
        "meta": meta(profile),
        "text": narrative(*paragraphs),
        "identifier": writing.identity.identifiers(kind),
        "status": writing.status,
        "category": [SURVEY_CATEGORY],
        "code": code,
        "subject": writing.subject,
        **writing.effective,
        "device": DEVICE_REFERENCE,
    }
    return resource


def foot_risk_category(writing: Writing) -> Json:
    """The categories of all schemes side by side: what a referral can give as its reason."""
    risk, plan = writing.assessment.risk, writing.assessment.plan
    standings = list(risk.standings.values())
    leading = risk.standings[plan.pathway.scheme]
    says = [f"{said_range(standing.scheme, standing.reach)}." for standing in standings]
    resource = observation(
        writing,
        FOOT_RISK_KIND,
        "foot-risk-category",
        concept(canonical.SCORE, FOOT_RISK_KIND, "Foot risk category"),
        (*says, CAUTIONS[0]),
    )
    resource["valueCodeableConcept"] = category_value(leading.scheme, leading.reach)
    derived = writing.observations
    if derived:
        resource["derivedFrom"] = derived
    resource["component"] = [_component(standing) for standing in standings]
    if states := state_extensions(writing.assessment.examination, risk.factors):
        resource["extension"] = states
    return resource


def _component(standing: Standing) -> Json:
    scheme, reach = standing.scheme, standing.reach
    return {
        "extension": [range_extension(scheme, reach)],
        "code": concept(canonical.FOOT_RISK, scheme.id, scheme.title),
        "valueCodeableConcept": category_value(scheme, reach),
    }


def ulcer_grades(writing: Writing, number: int, graded: GradedUlcer) -> Json:
    """The grades of one ulcer; a grade that is not settled is absent with a reason and its range in words."""
    side = said_side(graded.side)
    what = "Ulcer" if graded.ulcer else "Gangrene or rest pain"
    components = list(_grade_components(graded))
    said = [f"{component['code']['text']}: {_said(component)}" for component in components]
    caution = f"WIfI stage and benefit: {in_sentence(NOTES['table-from-memory'])}" if graded.wifi else ""
    kind = f"ulcer-grades-{number}"
    code = concept(canonical.SCORE, "ulcer-grades", "Grades of a foot ulcer")
    resource = observation(writing, kind, "ulcer-grades", code, (f"{what}, {side}.", *said, caution, CAUTIONS[0]))
    site = graded.ulcer.present.site if graded.ulcer else None
    resource["bodySite"] = {
        "coding": [
            coding(canonical.SITE, site.code if site else "foot", site.display if site else "Foot"),
            coding(canonical.SIDE, graded.side),
        ],
        "text": f"{site.display if site else 'Foot'}, {graded.side}",
    }
    if graded.ulcer:
        derived = writing.derived_from((graded.ulcer.present, *graded.ulcer.details.values()))
        if derived:
            resource["derivedFrom"] = derived
    resource["component"] = components
    if caution:
        resource["note"] = [{"text": caution}]
    return resource


def _grade_components(graded: GradedUlcer) -> Iterable[Json]:
    if graded.sinbad:
        score = graded.sinbad.score
        text = f"{score.low} to {score.high}, missing: {', '.join(graded.sinbad.missing)}" if score.exact is None else ""
        yield _number("sinbad", "SINBAD", score.exact, text)
    if graded.texas:
        yield _text("texas", "University of Texas", graded.texas.cell, " or ".join(graded.texas.possible))
    if graded.wifi:
        wifi = graded.wifi
        for code, display, possible in (
            ("wifi-wound", "WIfI wound", wifi.wound),
            ("wifi-ischaemia", "WIfI ischaemia", wifi.ischaemia),
            ("wifi-infection", "WIfI foot infection", wifi.infection),
            ("wifi-stage", "WIfI clinical stage (table from memory)", wifi.stages),
        ):
            exact = Decimal(possible[0]) if len(possible) == 1 else None
            yield _number(code, display, exact, " or ".join(map(str, possible)))
    infection = graded.infection
    yield _text(EDITION, "IWGDF/IDSA infection (2023)", infection.grade, f"{infection.at_least} to {infection.at_most}")


_UNKNOWN: Json = {"coding": [coding(canonical.ABSENT_REASON, "unknown", "Unknown")]}


def absent(text: str) -> Json:
    """A dataAbsentReason that says what is still possible."""
    return {**_UNKNOWN, "text": text}


def _number(code: str, display: str, number: Decimal | None, otherwise: str) -> Json:
    component: Json = {"code": concept(canonical.SCORE, code, display)}
    if number is None:
        component["dataAbsentReason"] = absent(otherwise)
    else:
        component["valueQuantity"] = score_quantity(number)
    return component


def _text(code: str, display: str, text: str | None, otherwise: str) -> Json:
    component: Json = {"code": concept(canonical.SCORE, code, display)}
    if text is None:
        component["dataAbsentReason"] = absent(otherwise)
    else:
        component["valueString"] = text
    return component


@lru_cache(maxsize=512)
def score_quantity(number: Decimal) -> Json:
    """A score as a Quantity in UCUM's {score}. Shared: never to be changed."""
    value = int(number) if number == number.to_integral_value() else float(number)
    return {"value": value, "unit": "score", "system": canonical.UCUM, "code": "{score}"}


def _said(component: Json) -> str:
    if "valueQuantity" in component:
        return str(component["valueQuantity"]["value"])
    return str(component.get("valueString") or component["dataAbsentReason"]["text"])
