"""Medicines that are taken or prescribed: metformin, and those known to harm nerves."""

from datetime import date

from sural.exam.finding import Finding
from sural.exam.moment import Moment
from sural.intake import wire
from sural.intake.context import Context, Gathered
from sural.intake.documents import Item
from sural.intake.standing import modified, ongoing, when

INTENTS = frozenset(
    {"proposal", "plan", "directive", "order", "original-order", "reflex-order", "filler-order", "instance-order", "option"}
)
_STATEMENT = frozenset({"active", "completed", "entered-in-error", "intended", "stopped", "on-hold", "unknown", "not-taken"})
_PRESCRIPTION = frozenset({"active", "on-hold", "cancelled", "completed", "entered-in-error", "stopped", "draft", "unknown"})
_TAKING = frozenset({"active", "completed", "on-hold"})
_WANTED = frozenset({"order", "original-order", "reflex-order", "filler-order", "instance-order"})


def read_medication(
    context: Context, item: Item, record: wire.MedicationStatement | wire.MedicationRequest, about: Gathered
) -> None:
    """A medicine that is taken or prescribed: metformin, or one that is known to harm nerves."""
    if modified(context, item, record, about):
        return
    if isinstance(record, wire.MedicationRequest) and record.doNotPerform:
        context.not_relevant(item)
        return
    raw = _medicine(context, item, record, about)
    meaning = context.lexicon.meanings[raw] if raw else None
    named = context.lexicon.medicine(raw) if raw else None
    if (meaning is None or not meaning.targets) and named is None:
        context.not_relevant(item, "code-not-mapped", about)
        return
    trouble = _not_taken(record)
    if trouble:
        context.unusable(item, trouble[0], about, trouble[1])
        return
    try:
        taken = _taken(record, context.as_of)
    except ValueError:
        context.unusable(item, "date-invalid", about)
        return
    current = taken or ongoing(None, context.as_of)
    for meant in meaning.targets if meaning else ():
        about.findings.append(Finding(meant.concept, None, None, meant.value or "present", current, item))
    if named is not None:
        concept = context.lexicon.concepts["neurotoxic-medicine"]
        about.findings.append(Finding(concept, None, None, "present", current, item, (("medicine", named),)))


def _medicine(context: Context, item: Item, record: wire.MedicationStatement | wire.MedicationRequest, about: Gathered) -> bytes:
    """The code of the medicine, which may stand in a resource of its own or a contained one."""
    raw = bytes(record.medicationCodeableConcept)
    if raw or record.medicationReference is None:
        return raw
    target = context.references.target(record.medicationReference, item)
    if target is None:
        context.remark(item, "reference-unresolved", about, ".medication")
    elif isinstance(target.record, wire.Medication):
        if target.holder is None:
            context.fates[target.index] = "used"
        return bytes(target.record.code)
    return b""


def _not_taken(record: wire.MedicationStatement | wire.MedicationRequest) -> tuple[str, str] | None:
    """Why a medicine does not count as taken, as key and path: by its status, or because a request is no more than a proposal."""
    statuses = _STATEMENT if isinstance(record, wire.MedicationStatement) else _PRESCRIPTION
    if record.status not in _TAKING:
        key = "status-not-usable" if record.status in statuses else "status-invalid" if record.status else "element-missing"
        return key, ".status" if record.status else ""
    if isinstance(record, wire.MedicationRequest) and record.intent not in _WANTED:
        key = "status-not-usable" if record.intent in INTENTS else "status-invalid" if record.intent else "element-missing"
        return key, ".intent" if record.intent else ""
    return None


def _taken(record: wire.MedicationStatement | wire.MedicationRequest, as_of: date) -> Moment | None:
    """When a medicine was taken; what has no end is taken until the day of assessment. Raises ValueError when it is no date."""
    if isinstance(record, wire.MedicationRequest):
        return when(record.authoredOn, None)
    span = record.effectivePeriod
    if span is not None and span.start and not span.end:
        return ongoing(when(span.start, None), as_of)
    return when(record.effectiveDateTime, span) or when(record.dateAsserted, None)
