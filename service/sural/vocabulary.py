"""The vocabularies of the answer, gathered from the modules that declare them, as they are published."""

from collections.abc import Iterator
from typing import Any

from msgspec import Struct

from sural.answer.cards import OVERRIDES
from sural.answer.diagnostic_report import REPORT_KIND, REPORT_TITLE
from sural.answer.wording import NOTES
from sural.evidence.criterion import Criterion
from sural.footrisk import prognosis
from sural.footrisk.factors import FOOT_CRITERIA, PERSON_CRITERIA
from sural.footrisk.infection import EDITION
from sural.footrisk.scheme import NOT_APPLICABLE, NOT_STRATIFIED, OPEN
from sural.footrisk.schemes import SCHEMES
from sural.issues import KINDS
from sural.neuropathy.causes import CAUSES, TESTS
from sural.neuropathy.classification import NOTES as NEUROPATHY_NOTES
from sural.neuropathy.codes import CODES
from sural.neuropathy.pattern import RULES
from sural.neuropathy.red_flags import FLAGS
from sural.neuropathy.scores import TABLES
from sural.neuropathy.scores.score import SCORE_NOTES, item_code, item_display
from sural.plan.pathway import SERVICES
from sural.reasons import FOOT_REASONS
from sural.recall import definitions as recall


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
        yield f"{scheme.id}.{OPEN}", f"{scheme.title}: open, findings that matter are missing"
    yield prognosis.ID, prognosis.TITLE


def _rules() -> Iterator[tuple[str, str, str]]:
    criteria: tuple[Criterion[Any], ...] = (*FOOT_CRITERIA, *PERSON_CRITERIA)
    for criterion in criteria:
        for ground in (*criterion.present, *criterion.absent):
            yield ground.id, ground.text, str(ground.citation)
    yield from _neuropathy_rules()
    for scheme in SCHEMES.values():
        for category in scheme.categories.values():
            ways = sorted(" and ".join(sorted(way)) for way in category.when.ways) or ["-"]
            yield (
                f"{scheme.id}.{category.code}",
                f"{category.display}: {'; or '.join(ways) or 'otherwise'}",
                str(category.citation),
            )


def _recall() -> tuple[recall.Definition, ...]:
    tables = (recall.STATES, recall.PLACES, recall.REASONS, recall.CHANGES)
    return tuple({code: one for table in tables for code, one in table.items()}.values())


def _scores() -> Iterator[tuple[str, str]]:
    for table in TABLES:
        yield table.id, table.title
        for index, item in enumerate(table.items):
            yield item_code(table.id, index), f"{table.title}: {item_display(item.text, item.side)}"


def _neuropathy_rules() -> Iterator[tuple[str, str, str]]:
    for pattern in RULES.values():
        yield f"pattern.{pattern.code}", f"{pattern.display}: {pattern.text}", str(pattern.citation)
    for flag in FLAGS:
        yield f"red-flag.{flag.code}", flag.text, str(flag.citation)
    for cause in CAUSES:
        yield f"cause.{cause.code}", cause.text, str(cause.citation)
    for test in TESTS.values():
        yield f"work-up.{test.code}", test.text, str(test.citation)
    for table in TABLES:
        yield f"score.{table.id}", table.title, f"{table.citation}; bands: {table.band_citation}"


def _notes() -> dict[str, str]:
    """Remarks of all parts; where two parts share a code the foot-risk wording stands."""
    scores = {code: text[:1].upper() + text[1:] + "." for code, text in SCORE_NOTES.items()}
    return {**scores, **NEUROPATHY_NOTES, **NOTES}


SYSTEMS: tuple[Vocabulary, ...] = (
    Vocabulary(
        "factor",
        "Factors and reasons of an assessment",
        {
            REPORT_KIND: REPORT_TITLE,
            "foot-risk-assessment": "Foot risk assessment",
            "ulcer-prognosis": "Prognosis of foot ulceration",
            **FOOT_REASONS,
        },
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
            **dict(_scores()),
        },
    ),
    Vocabulary("neuropathy", "Classification of a neuropathy", CODES),
    Vocabulary("service", "Services a person is referred to", {"referral": "Referral", **SERVICES}),
    Vocabulary("note", "Remarks of an assessment", {code: code.replace("-", " ").capitalize() for code in _notes()}, _notes()),
    Vocabulary("override-reason", "Reasons for not following a card", OVERRIDES),
    Vocabulary(
        "recall",
        "Recall: places, states, reasons and changes",
        {one.code: one.display for one in _recall()},
        {one.code: f"{one.text} {one.citation}" for one in _recall()},
    ),
    Vocabulary("issue", "Issues of the intake", {key: kind.text.rstrip(".") for key, kind in KINDS.items()}),
    Vocabulary(
        "rule",
        "Rules, each with its source and evidence mark",
        {id: text[:1].upper() + text[1:] for id, text, _ in _rules()},
        {id: citation for id, _, citation in _rules()},
    ),
)
