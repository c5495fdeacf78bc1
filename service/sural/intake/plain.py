"""The plain Observation, which most are: one concept, one side or none, one value, one time, nothing that changes the meaning.

They are read in one loop. Whatever is not plain in every respect is left to the full reading of `observations`, which gives the same
result for a plain one (a test compares the two).
"""

from decimal import Decimal
from operator import attrgetter
from typing import Any

from sural.exam.finding import Finding
from sural.exam.moment import Moment, moment
from sural.intake import wire
from sural.intake.context import Context, Gathered
from sural.intake.documents import Item
from sural.intake.references import base
from sural.intake.values import read_value
from sural.terminology.meaning import NOWHERE
from sural.terminology.site import BILATERAL

FINAL = frozenset({"final", "amended", "corrected"})
_VALUES = (str, Decimal, Moment)
_rare = attrgetter(
    "component", "hasMember", "focus", "referenceRange", "modifierExtension", "implicitRules",
    "effectivePeriod", "effectiveInstant", "effectiveTiming",
)  # fmt: skip
_beside = attrgetter(
    "valueQuantity", "valueBoolean", "valueInteger", "valueString", "valueDateTime", "dataAbsentReason",
    "valueRange", "valueRatio", "valueSampledData", "valueTime", "valuePeriod",
)  # fmt: skip
_NOTHING_RARE, _NOTHING_BESIDE = _rare(wire.Observation()), _beside(wire.Observation())


def read_plain(context: Context) -> list[Item]:
    """Read every plain Observation; return the items that are left."""
    lexicon, as_of = context.lexicon, context.as_of
    meanings, places, answers = lexicon.meanings, lexicon.places, lexicon.answers
    abouts: dict[str, tuple[Gathered, str]] = {}
    left: list[Item] = []
    for item in context.items:
        record: Any = item.record
        if type(record) is not wire.Observation or record.status not in FINAL or _rare(record) != _NOTHING_RARE:
            left.append(item)
            continue
        concept = meanings[bytes(record.code)].question
        place = places[bytes(record.bodySite)] if record.bodySite else NOWHERE
        text = record.effectiveDateTime
        when = moment(text) if text else None
        if (
            concept is None
            or concept.kind == "component"
            or place.trouble
            or (when is None and (concept.expires or text is not None))
        ):
            left.append(item)
            continue
        side = place.side if concept.sided else None
        patient = record.subject.reference if record.subject is not None else None
        if patient is None or (concept.sided and (side is None or side == BILATERAL)):
            left.append(item)
            continue
        known = abouts.get(patient)
        full_url = item.full_url or ""
        if known is not None and (full_url.startswith(known[1]) if known[1] else not full_url.startswith("http")):
            about: Gathered | None = known[0]
        else:
            about = _about(context, item, patient, abouts)
        coded = record.valueCodeableConcept
        value = (
            answers[concept.code][bytes(coded)]
            if coded and _beside(record) == _NOTHING_BESIDE
            else read_value(record, concept, lexicon, as_of)
        )
        if about is None or not isinstance(value, _VALUES):
            left.append(item)
            continue
        about.findings.append(Finding(concept, side, place.site if concept.sited else None, value, when, item))
    return left


def _about(context: Context, item: Item, patient: str, abouts: dict[str, tuple[Gathered, str]]) -> Gathered | None:
    """The patient of an Observation, remembered with the server that the reference is relative to."""
    subject = context.references.subject(item.record.subject, item)
    if subject is None:
        return None
    about = context.gathered(subject)
    if not patient.startswith("#"):
        server = base(item.full_url)
        abouts[patient] = about, f"{server}/" if server else ""
    return about
