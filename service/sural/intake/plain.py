"""The plain Observation, which most are: one concept, one side or none, one value, one time, nothing that changes the meaning.

They are read in one loop. Whatever is not plain in every respect is left to the full reading of `observations`, which gives the same
result for a plain one (a test compares the two).
"""

from decimal import Decimal
from typing import Any

from sural.exam.finding import Finding
from sural.exam.moment import Moment, moment
from sural.intake import wire
from sural.intake.context import Context, Gathered
from sural.intake.documents import Item
from sural.intake.values import read_value
from sural.terminology.lexicon import NOWHERE
from sural.terminology.site import BILATERAL

FINAL = frozenset({"final", "amended", "corrected"})


def read_plain(context: Context) -> list[Item]:
    """Read every plain Observation; return the items that are left."""
    lexicon, as_of = context.lexicon, context.as_of
    meanings, places, answers = lexicon.meanings, lexicon.places, lexicon.answers
    abouts: dict[str, Gathered] = {}
    left: list[Item] = []
    for item in context.items:
        record: Any = item.record
        if type(record) is not wire.Observation or not _is_plain(record):
            left.append(item)
            continue
        concept = meanings[bytes(record.code)].question
        place = places[bytes(record.bodySite)] if record.bodySite else NOWHERE
        when = moment(record.effectiveDateTime) if record.effectiveDateTime else None
        if concept is None or concept.kind == "component" or place.trouble or (when is None and concept.expires):
            left.append(item)
            continue
        side = place.side if concept.sided else None
        if concept.sided and (side is None or side == BILATERAL):
            left.append(item)
            continue
        about = abouts.get(record.subject.reference) or _about(context, item, abouts)
        value = (
            answers[concept.code][bytes(record.valueCodeableConcept)]
            if record.valueCodeableConcept and _only_coded(record)
            else read_value(record, concept, lexicon, as_of)
        )
        if about is None or not isinstance(value, str | Decimal | Moment):
            left.append(item)
            continue
        about.findings.append(Finding(concept, side, place.site if concept.sited else None, value, when, item))
    return left


def _about(context: Context, item: Item, abouts: dict[str, Gathered]) -> Gathered | None:
    """The patient of an Observation; remembered where the reference means the same one wherever it stands."""
    subject = context.references.subject(item.record.subject, item)
    if subject is None:
        return None
    about = context.gathered(subject)
    text = item.record.subject.reference
    if context.references.knows(text):
        abouts[text] = about
    return about


def _is_plain(record: wire.Observation) -> bool:
    return (
        record.status in FINAL
        and record.subject is not None
        and record.subject.reference is not None
        and not record.component
        and not record.hasMember
        and not record.focus
        and not record.modifierExtension
        and record.implicitRules is None
        and record.effectivePeriod is None
        and record.effectiveInstant is None
    )


def _only_coded(record: wire.Observation) -> bool:
    return (
        record.valueQuantity is None
        and record.valueBoolean is None
        and record.valueInteger is None
        and record.valueString is None
        and record.valueDateTime is None
        and not record.dataAbsentReason
    )
