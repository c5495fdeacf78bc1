"""The neuropathy classification and the scores as Observations."""

from collections.abc import Iterator
from decimal import Decimal
from functools import lru_cache

from sural import canonical
from sural.answer.derived import NEUROPATHY_KIND, absent, observation, score_quantity
from sural.answer.neuropathy_words import conclusion_lines, follow_up_lines, level_lines
from sural.answer.parts import Json, Writing, coding, concept
from sural.answer.risk_assessments import RANGE_EXTENSION
from sural.answer.wording import CAUTIONS
from sural.neuropathy.classification import NOTES, Classification
from sural.neuropathy.codes import CODES, UNKNOWN_VALUES, level_code
from sural.neuropathy.reach import ARM_LEVELS, LEG_LEVELS
from sural.neuropathy.scores import Score
from sural.neuropathy.scores.score import SCORE_NOTES, Points, item_code, item_display, number
from sural.terminology.dictionary import answer_displays
from sural.terminology.site import SIDES
from sural.trend import Trend


def neuropathy_classification(writing: Writing) -> Json:
    """The classification: the first pattern as its value, everything else as components."""
    found, trend = writing.assessment.neuropathy, writing.assessment.trend
    components = list(_components(found, trend))
    code = _concept("classification")
    resource = observation(
        writing,
        NEUROPATHY_KIND,
        "neuropathy-classification",
        code,
        (*conclusion_lines(found), *level_lines(found), *follow_up_lines(found), CAUTIONS[0]),
    )
    if found.codes[0] in UNKNOWN_VALUES:
        resource["dataAbsentReason"] = absent("No pattern can be told from what was examined")
    else:
        codings = [coding(canonical.NEUROPATHY, code, CODES[code]) for code in found.codes]
        resource["valueCodeableConcept"] = {"coding": codings, "text": ", ".join(CODES[code] for code in found.codes)}
    derived = writing.derived_from(found.findings())
    if derived:
        resource["derivedFrom"] = derived
    resource["component"] = components
    if found.notes:
        resource["note"] = [{"text": NOTES[note]} for note in found.notes]
    return resource


def score_observation(writing: Writing, score: Score) -> Json:
    """One score: its total when every item is known, else what is still possible; its items as components."""
    table, total, missing = score.table, score.total, score.missing_items
    spread = f"{number(score.low)} to {number(score.high)}"
    notes = [SCORE_NOTES[note] for note in (*table.notes, *score.remarks)]
    if missing:
        notes.insert(0, f"Missing: {', '.join(missing)}.")
    notes.append(f"{table.citation}; bands: {table.band_citation}.")
    band = score.band
    said = f"{table.title}: {spread if total is None else number(total)} of {number(table.maximum)}{f', {band}' if band else ''}."
    code = concept(canonical.SCORE, score.id, table.title)
    resource = observation(writing, score.id, "score-observation", code, (said, *notes, CAUTIONS[0]))
    if total is None:
        resource["dataAbsentReason"] = absent(spread)
    else:
        resource["valueQuantity"] = score_quantity(Decimal(str(total)))
    if band:
        resource["interpretation"] = [{"text": band}]
    derived = writing.read_from(table.reads)
    if derived:
        resource["derivedFrom"] = derived
    resource["component"] = [
        _item(table.title, score.id, index, item_display(item.text, item.side), points)
        for index, (item, points) in enumerate(zip(table.items, score.points, strict=True))
    ]
    resource["note"] = [{"text": text} for text in notes]
    return resource


@lru_cache(maxsize=8192)
def _item(title: str, id: str, index: int, item: str, points: Points) -> Json:
    """One item of a score. Shared: never to be changed."""
    least, most = points
    component: Json = {"code": concept(canonical.SCORE, item_code(id, index), f"{title}: {item}")}
    if least == most:
        component["valueQuantity"] = score_quantity(Decimal(str(least)))
    else:
        component["dataAbsentReason"] = absent(f"{number(least)} to {number(most)}")
    return component


def _components(found: Classification, trend: Trend) -> Iterator[Json]:
    for code in found.codes:
        yield _coded("pattern", code)
    yield _coded("predominance", found.predominance)
    if found.fibres in UNKNOWN_VALUES and found.fibres_at_least:
        yield {
            "code": _concept("fibres"),
            "dataAbsentReason": absent(f"At least {found.fibres_at_least} fibres; the others were not tested"),
        }
    else:
        yield _coded("fibres", found.fibres)
    yield _coded("process", found.process)
    for definition, certainty in found.certainty.items():
        yield _certainty(definition, certainty.at_least, certainty.at_most)
    if found.stage:
        yield _certainty("toronto-2010-stage", found.stage.at_least, found.stage.at_most)
    for prefix, extents, names in (("level", found.signs.legs, LEG_LEVELS), ("hand-level", found.signs.arms, ARM_LEVELS)):
        for side in SIDES:
            for name, extent in extents[side].items():
                yield _level(f"{prefix}-{name}", side, names[extent.low], names[extent.high])
    for raised in found.red_flags:
        yield _coded("red-flag", raised.code)
    if found.patterns:
        for supported in found.causes:
            yield _coded("cause", supported.code)
    for test in found.work_up:
        yield _coded("work-up", test.code)
    for code in found.autonomic.codes:
        yield _coded("autonomic-sign", code)
    for code in dict.fromkeys(change.code for change in trend.changes):
        yield _coded("change", code)


def _concept(code: str) -> Json:
    return concept(canonical.NEUROPATHY, code, CODES[code])


@lru_cache(maxsize=1024)
def _coded(part: str, code: str) -> Json:
    """A part with its code. Shared: never to be changed."""
    if code in UNKNOWN_VALUES:
        return {"code": _concept(part), "dataAbsentReason": absent(code.replace("-", " ").capitalize())}
    return {"code": _concept(part), "valueCodeableConcept": _concept(code)}


@lru_cache(maxsize=512)
def _certainty(definition: str, at_least: str, at_most: str) -> Json:
    """A case definition with the range of its level. Shared: never to be changed."""
    least, most = level_code(definition, at_least), level_code(definition, at_most)
    ends = [(canonical.NEUROPATHY, code, CODES[code]) for code in (least, most)]
    return {"extension": [_range(*ends)], "code": _concept(definition), "valueCodeableConcept": _concept(least)}


@lru_cache(maxsize=1024)
def _level(code: str, side: str, low: str, high: str) -> Json:
    """How far a modality is impaired on a side. Shared: never to be changed."""
    displays = answer_displays()
    ends = [(canonical.FINDING_VALUE, level, displays[level]) for level in (low, high)]
    named = _concept(code)
    where = {
        "coding": [*named["coding"], coding(canonical.SIDE, side, side.capitalize())],
        "text": f"{CODES[code]}, {side}",
    }
    component: Json = {"extension": [_range(*ends)], "code": where}
    if low == high:
        component["valueCodeableConcept"] = concept(*ends[0])
    else:
        component["dataAbsentReason"] = absent(f"{low} to {high}")
    return component


def _range(least: tuple[str, str, str], most: tuple[str, str, str]) -> Json:
    return {
        "url": RANGE_EXTENSION,
        "extension": [
            {"url": "atLeast", "valueCoding": coding(*least)},
            {"url": "atMost", "valueCoding": coding(*most)},
        ],
    }
