"""The neuropathy in words: for reports and narratives."""

from collections.abc import Iterator

from sural.answer.wording import in_sentence, listed
from sural.neuropathy.certainty import Certainty
from sural.neuropathy.classification import NOTES, Classification
from sural.neuropathy.codes import CODES, DEFINITIONS, FIBRES, MODALITY_NAMES, PREDOMINANCE, PROCESS
from sural.neuropathy.reach import ARM_LEVELS, LEG_LEVELS, Extent
from sural.neuropathy.scores import Score
from sural.neuropathy.scores.score import SCORE_NOTES, number
from sural.terminology.site import SIDES

_SAYS_NOTHING = frozenset({"none-met", "not-met", "not-listed", "not-applicable"})


def conclusion_lines(found: Classification) -> Iterator[str]:
    """What kind of neuropathy it is and how sure that is."""
    yield f"{said_patterns(found)}."
    yield f"{said_character(found)}."
    for id, certainty in found.certainty.items():
        if certainty.at_most not in _SAYS_NOTHING:
            yield f"{DEFINITIONS[id][0]}: {said_certainty(certainty)} [{certainty.citation}]"
    if found.stage:
        yield f"{DEFINITIONS['toronto-2010-stage'][0]}: {said_certainty(found.stage)} [{found.stage.citation}]"


def follow_up_lines(found: Classification) -> Iterator[str]:
    """What stands out, what else could cause it, what to do next, and remarks."""
    for raised in found.red_flags:
        yield f"{'URGENT: ' if raised.flag.urgent else 'Red flag: '}{raised.flag.text} [{raised.flag.citation}]"
    for code in found.autonomic.codes:
        yield f"Autonomic: {CODES[code]}"
    if found.patterns:
        for supported in found.causes:
            yield f"Consider: {supported.cause.text} [{supported.cause.citation}]"
    for test in found.work_up:
        yield f"Next: {test.text} [{test.citation}]"
    for note in found.notes:
        yield NOTES[note]


def level_lines(found: Classification) -> Iterator[str]:
    """How far each modality is impaired, by side."""
    for where, extents, names in (("leg", found.signs.legs, LEG_LEVELS), ("arm", found.signs.arms, ARM_LEVELS)):
        for name in dict.fromkeys((*extents["left"], *extents["right"])):
            sides = [f"{side} {said_extent(extents[side][name], names)}" for side in SIDES if name in extents[side]]
            words = MODALITY_NAMES[name]
            yield f"{words[:1].upper()}{words[1:]}, impaired up the {where} to: {'; '.join(sides)}."


def said_patterns(found: Classification) -> str:
    """The patterns in words."""
    return f"Pattern: {listed([in_sentence(CODES[code]) for code in found.codes])}"


def said_character(found: Classification) -> str:
    """Predominance, fibres and process in words."""
    kind = in_sentence(PREDOMINANCE.get(found.predominance, "Predominance undetermined"))
    fibres = in_sentence(FIBRES.get(found.fibres, "Fibres not assessed"))
    process = in_sentence(PROCESS.get(found.process, "Process not assessed"))
    at_least = f" (at least {found.fibres_at_least} fibres)" if found.fibres_at_least else ""
    return f"Character: {kind}; {fibres}{at_least}; {process}"


def said_certainty(certainty: Certainty) -> str:
    """The level of a case definition, or both ends."""
    least, most = (level.replace("-", " ") if len(level) > 4 else level for level in (certainty.at_least, certainty.at_most))
    return least if least == most else f"from {least} to {most}"


def said_extent(extent: Extent, names: tuple[str, ...]) -> str:
    """A level, or both ends."""
    low, high = names[extent.low], names[extent.high]
    return low if low == high else f"{low} to {high}"


def score_line(score: Score) -> str:
    """One score in a line: total, band, what is missing, remarks and source."""
    low = number(score.low)
    total = f"{low}" if score.total is not None else f"{low} to {number(score.high)}"
    band = f", {score.band.replace('-', ' ')}" if score.band else ""
    missing = f"; missing: {', '.join(score.missing_items)}" if score.missing else ""
    notes = "".join([f"; {SCORE_NOTES[note]}" for note in (*score.table.notes, *score.remarks)])
    return f"{score.table.title}: {total} of {number(score.table.maximum)}{band}{missing}{notes} [{score.table.citation}]"
