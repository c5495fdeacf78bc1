"""The vocabularies of the answer, gathered from the modules that declare them, as they are published."""

from collections.abc import Iterator
from typing import Any

from msgspec import Struct

from sural.answer.wording import NOTES
from sural.evidence.criterion import Criterion
from sural.footrisk import prognosis
from sural.footrisk.factors import FOOT_CRITERIA, PERSON_CRITERIA
from sural.footrisk.infection import EDITION
from sural.footrisk.scheme import NOT_APPLICABLE, NOT_STRATIFIED
from sural.footrisk.schemes import SCHEMES
from sural.issues import KINDS
from sural.plan.pathway import SERVICES
from sural.reasons import REASONS


class Vocabulary(Struct, frozen=True):
    """A code system: its name, title, codes with displays and, where the display does not say it all, definitions."""

    name: str
    title: str
    codes: dict[str, str]
    definitions: dict[str, str] = {}


def _foot_risk() -> Iterator[tuple[str, str]]:
    for scheme in SCHEMES.values():
        yield scheme.id, scheme.title
        for category in scheme.categories.values():
            yield f"{scheme.id}.{category.code}", f"{scheme.title}: {category.display.lower()}"
        yield f"{scheme.id}.{NOT_APPLICABLE}", f"{scheme.title}: not applicable"
        yield f"{scheme.id}.{NOT_STRATIFIED}", f"{scheme.title}: not stratified"
    yield prognosis.ID, prognosis.TITLE


def _rules() -> Iterator[tuple[str, str, str]]:
    criteria: tuple[Criterion[Any], ...] = (*FOOT_CRITERIA, *PERSON_CRITERIA)
    for criterion in criteria:
        for ground in (*criterion.present, *criterion.absent):
            yield ground.id, ground.text, str(ground.citation)
    for scheme in SCHEMES.values():
        for category in scheme.categories.values():
            ways = sorted(" and ".join(sorted(way)) for way in category.when.ways) or ["-"]
            yield (
                f"{scheme.id}.{category.code}",
                f"{category.display}: {'; or '.join(ways) or 'otherwise'}",
                str(category.citation),
            )


SYSTEMS: tuple[Vocabulary, ...] = (
    Vocabulary(
        "factor",
        "Factors and reasons of an assessment",
        {"foot-risk-assessment": "Foot risk assessment", "ulcer-prognosis": "Prognosis of foot ulceration", **REASONS},
    ),
    Vocabulary("foot-risk", "Foot risk schemes and their categories", dict(_foot_risk())),
    Vocabulary(
        "score",
        "Scores and grades",
        {
            "foot-risk-category": "Foot risk category",
            "ulcer-grades": "Grades of a foot ulcer",
            "sinbad": "SINBAD",
            "texas": "University of Texas",
            "wifi-wound": "WIfI wound",
            "wifi-ischaemia": "WIfI ischaemia",
            "wifi-infection": "WIfI foot infection",
            "wifi-stage": "WIfI clinical stage (table from memory)",
            EDITION: "IWGDF/IDSA infection (2023)",
        },
    ),
    Vocabulary("service", "Services a person is referred to", {"referral": "Referral", **SERVICES}),
    Vocabulary("note", "Remarks of an assessment", {code: code.replace("-", " ").capitalize() for code in NOTES}, NOTES),
    Vocabulary("issue", "Issues of the intake", {key: kind.text.rstrip(".") for key, kind in KINDS.items()}),
    Vocabulary(
        "rule",
        "Rules, each with its source and evidence mark",
        {id: text[:1].upper() + text[1:] for id, text, _ in _rules()},
        {id: citation for id, _, citation in _rules()},
    ),
)
