"""The neuropathy classification and the scores as Observations."""

from collections.abc import Iterable, Iterator
from decimal import Decimal

from sural import canonical
from sural.answer.derived import NEUROPATHY_KIND, absent, observation, score_quantity
from sural.answer.parts import Json, Writing, cited, coding, concept
from sural.answer.risk_assessments import RANGE_EXTENSION
from sural.answer.wording import CAUTIONS
from sural.exam.finding import Finding
from sural.neuropathy.certainty import Certainty
from sural.neuropathy.classification import Classification, said_ends_of
from sural.neuropathy.codes import CODES, MODALITY_NAMES, UNKNOWN_VALUES, level_code
from sural.neuropathy.reach import ARM_LEVELS, LEG_LEVELS, Extent
from sural.neuropathy.scores import Score
from sural.neuropathy.scores.score import SCORE_NOTES, item_code, item_display, number
from sural.terminology.dictionary import answer_displays
from sural.terminology.site import SIDES
from sural.trend import Trend


def neuropathy_classification(writing: Writing) -> Json:
    """The classification: the first pattern as its value, everything else as components."""
    found, trend = writing.assessment.neuropathy, writing.assessment.trend
    components = list(_components(found, trend))
    code = _concept("classification")
    resource = observation(writing, NEUROPATHY_KIND, "neuropathy-classification", code, (*found.lines(), CAUTIONS[0]))
    if found.codes[0] in UNKNOWN_VALUES:
        resource["dataAbsentReason"] = absent("No pattern can be told from what was examined")
    else:
        codings = [coding(canonical.NEUROPATHY, code, CODES[code]) for code in found.codes]
        resource["valueCodeableConcept"] = {"coding": codings, "text": ", ".join(CODES[code] for code in found.codes)}
    derived = _observations(found.findings())
    if derived:
        resource["derivedFrom"] = derived
    resource["component"] = components
    notes = _notes(found)
    if notes:
        resource["note"] = [{"text": text} for text in notes]
    return resource


def score_observation(writing: Writing, score: Score) -> Json:
    """One score: its total when every item is known, else what is still possible; its items as components."""
    table = score.table
    spread = f"{number(score.low)} to {number(score.high)}"
    total = f"{number(score.low)}" if score.total is not None else spread
    notes = [SCORE_NOTES.get(note, note) for note in (*table.notes, *score.remarks)]
    missing = f"Missing: {', '.join(score.missing)}." if score.missing else ""
    band = f"Band: {score.band}." if score.band else ""
    says = f"{table.title}: {total} of {number(table.maximum)}."
    source = f"{table.citation}; bands: {table.band_citation}."
    resource = observation(
        writing,
        score.id,
        "score-observation",
        concept(canonical.SCORE, score.id, table.title),
        (says, band, missing, *notes, source, CAUTIONS[0]),
    )
    if score.total is None:
        resource["dataAbsentReason"] = absent(spread)
    else:
        resource["valueQuantity"] = score_quantity(Decimal(str(score.total)))
    if score.band:
        resource["interpretation"] = [{"text": score.band}]
    derived = _observations(_read_by(writing, score))
    if derived:
        resource["derivedFrom"] = derived
    resource["component"] = [_item(score, index) for index in range(len(table.items))]
    resource["note"] = [{"text": text} for text in (missing, *notes, source) if text]
    return resource


def _item(score: Score, index: int) -> Json:
    item, (least, most) = score.table.items[index], score.points[index]
    name = f"{score.table.title}: {item_display(item.text, item.side)}"
    component: Json = {"code": concept(canonical.SCORE, item_code(score.id, index), name)}
    if least == most:
        component["valueQuantity"] = score_quantity(Decimal(str(least)))
    else:
        component["dataAbsentReason"] = absent(f"{number(least)} to {number(most)}")
    return component


def _read_by(writing: Writing, score: Score) -> Iterator[Finding]:
    exam = writing.assessment.examination
    codes = {code for item in score.table.items for code in item.concepts}
    return (finding for finding in exam if finding.concept.code in codes)


def _observations(findings: Iterable[Finding]) -> list[Json]:
    """References to the Observations behind findings: the only inputs that an Observation may be derived from."""
    return [one for one in cited(findings) if "Observation/" in one.get("reference", "")]


def _components(found: Classification, trend: Trend) -> Iterator[Json]:
    for code in found.codes:
        yield _coded("pattern", code)
    yield _coded("predominance", found.predominance)
    fibres = _coded("fibres", found.fibres)
    if found.fibres in UNKNOWN_VALUES and found.fibres_at_least:
        fibres["dataAbsentReason"] = absent(f"At least {found.fibres_at_least} fibres; the others were not tested")
    yield fibres
    yield _coded("process", found.process)
    for definition, certainty in found.certainty.items():
        yield _certainty(definition, certainty)
    if found.stage:
        yield _certainty("toronto-2010-stage", found.stage)
    for prefix, extents, names in (("level", found.signs.legs, LEG_LEVELS), ("hand-level", found.signs.arms, ARM_LEVELS)):
        for side in SIDES:
            for name, extent in extents[side].items():
                if name in MODALITY_NAMES and f"{prefix}-{name}" in CODES:
                    yield _level(f"{prefix}-{name}", side, extent, names)
    for part, codes in (
        ("red-flag", [raised.code for raised in found.red_flags]),
        ("cause", [supported.code for supported in found.causes] if found.patterns else []),
        ("work-up", [test.code for test in found.work_up]),
        ("autonomic-sign", list(found.autonomic.codes)),
        ("change", list(dict.fromkeys(change.code for change in trend.changes))),
    ):
        for code in codes:
            yield _coded(part, code)


def _concept(code: str, side: str | None = None) -> Json:
    one = concept(canonical.NEUROPATHY, code, CODES[code])
    if side:
        one = {"coding": [*one["coding"], coding(canonical.SIDE, side, side.capitalize())], "text": f"{CODES[code]}, {side}"}
    return one


def _coded(part: str, code: str) -> Json:
    component: Json = {"code": _concept(part)}
    if code in UNKNOWN_VALUES:
        component["dataAbsentReason"] = absent(code.replace("-", " ").capitalize())
    else:
        component["valueCodeableConcept"] = _concept(code)
    return component


def _certainty(definition: str, certainty: Certainty) -> Json:
    least, most = (level_code(definition, level) for level in (certainty.at_least, certainty.at_most))
    return {
        "extension": [_range(*((canonical.NEUROPATHY, code, CODES[code]) for code in (least, most)))],
        "code": _concept(definition),
        "valueCodeableConcept": _concept(least),
    }


def _level(code: str, side: str, extent: Extent, names: tuple[str, ...]) -> Json:
    low, high = names[extent.low], names[extent.high]
    displays = answer_displays()
    ends = [(canonical.FINDING_VALUE, level, displays[level]) for level in (low, high)]
    component: Json = {"extension": [_range(*ends)], "code": _concept(code, side)}
    if low == high:
        component["valueCodeableConcept"] = concept(*ends[0])
    else:
        component["dataAbsentReason"] = absent(said_ends_of({"atLeast": low, "atMost": high}))
    return component


def _range(least: tuple[str, str, str], most: tuple[str, str, str]) -> Json:
    return {
        "url": RANGE_EXTENSION,
        "extension": [
            {"url": "atLeast", "valueCoding": coding(*least)},
            {"url": "atMost", "valueCoding": coding(*most)},
        ],
    }


def _notes(found: Classification) -> list[str]:
    return [found.says(note) for note in found.notes]
