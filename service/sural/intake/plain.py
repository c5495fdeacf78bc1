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
from sural.intake.references import base
from sural.intake.values import has_unread, read_value
from sural.terminology.meaning import NOWHERE
from sural.terminology.site import BILATERAL

FINAL = frozenset({"final", "amended", "corrected"})


def read_plain(context: Context) -> list[Item]:
    """Read every plain Observation; return the items that are left."""
    lexicon, as_of = context.lexicon, context.as_of
    meanings, places, answers = lexicon.meanings, lexicon.places, lexicon.answers
    abouts: dict[str, tuple[Gathered, str]] = {}
    left: list[Item] = []
    for item in context.items:
        record: Any = item.record
        patient = _plain_subject(record) if type(record) is wire.Observation else None
        if patient is None:
            left.append(item)
            continue
        concept = meanings[bytes(record.code)].question
        place = places[bytes(record.bodySite)] if record.bodySite else NOWHERE
        when = moment(record.effectiveDateTime) if record.effectiveDateTime else None
        if (
            concept is None
            or concept.kind == "component"
            or place.trouble
            or (when is None and (concept.expires or record.effectiveDateTime is not None))
        ):
            left.append(item)
            continue
        side = place.side if concept.sided else None
        if concept.sided and (side is None or side == BILATERAL):
            left.append(item)
            continue
        known = abouts.get(patient)
        full_url = item.full_url or ""
        if known is not None and (full_url.startswith(known[1]) if known[1] else not full_url.startswith("http")):
            about: Gathered | None = known[0]
        else:
            about = _about(context, item, patient, abouts)
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


def _plain_subject(record: wire.Observation) -> str | None:
    """The reference to the patient, or None when the Observation is not plain."""
    if (
        record.status not in FINAL
        or record.component
        or record.hasMember
        or record.focus
        or record.referenceRange
        or record.modifierExtension
        or record.implicitRules is not None
        or record.effectivePeriod is not None
        or record.effectiveInstant is not None
        or record.effectiveTiming
    ):
        return None
    return record.subject.reference if record.subject is not None else None


def _only_coded(record: wire.Observation) -> bool:
    return (
        record.valueQuantity is None
        and record.valueBoolean is None
        and record.valueInteger is None
        and record.valueString is None
        and record.valueDateTime is None
        and not record.dataAbsentReason
        and not has_unread(record)
    )
