"""Reads one document: who it is about, what was found, what became of every resource."""

from collections.abc import Callable
from datetime import date
from typing import Any, get_args

from msgspec import Struct

from sural.exam.examination import Examination
from sural.exam.moment import before
from sural.intake import wire
from sural.intake.context import CodeUse, Context, Fate, Gathered
from sural.intake.documents import Document, Item
from sural.intake.observations import read_observation
from sural.intake.plain import read_plain
from sural.intake.references import Subject
from sural.intake.selection import select
from sural.intake.standing import read_condition, read_encounter, read_medication, read_procedure, read_request
from sural.issues import Issue, Refused
from sural.terminology.lexicon import Lexicon


class Intake(Struct, frozen=True):
    """The account of one patient's resources: the issues, and how many ended as what."""

    issues: tuple[Issue, ...]
    counts: dict[Fate, int]


class Accepted(Struct, frozen=True):
    """One patient of the document: the examination, the account, and what was left over of the document when it is the only one."""

    examination: Examination
    intake: Intake


class Reading(Struct, frozen=True):
    """A document read: each patient, and the account of resources that belong to no one of several patients."""

    patients: tuple[Accepted, ...]
    rest: Intake
    codes: tuple[CodeUse, ...] = ()


_READERS: dict[type[wire.Resource], Callable[[Context, Item, Any, Gathered], None]] = {
    wire.Observation: read_observation,
    wire.Condition: read_condition,
    wire.Procedure: read_procedure,
    wire.MedicationStatement: read_medication,
    wire.MedicationRequest: read_medication,
    wire.Encounter: read_encounter,
    wire.ServiceRequest: read_request,
}


def read(
    document: Document,
    lexicon: Lexicon,
    as_of: date,
    lookback: str = "P12M",
    complete: frozenset[str] = frozenset(),
    preliminary: bool = False,
    by_code: bool = False,
) -> Reading:
    """Read a document as of a day.

    `lookback` is an ISO 8601 duration; `complete` holds what the sender declares complete (inspection, history); `preliminary` reads
    preliminary results too; `by_code` adds the report per code. Raises Refused when it cannot be said whom the document is about.
    """
    items = _latest_versions(document)
    context = Context(items, lexicon, as_of, preliminary)
    context.unattributed.extend(document.issues)
    _find_panels(context)
    for item in read_plain(context):
        _read_item(context, item)
    _account_for_patients(context)
    if not context.patients:
        raise Refused(*context.unattributed, Issue("patient-missing" if items else "empty-input"))
    lookback_from = before(as_of, lookback)
    examinations = [
        (about, select(context, about, as_of, lookback_from, complete))
        for about in sorted(context.patients.values(), key=lambda about: about.subject.reference)
    ]
    single = len(examinations) == 1
    patients = tuple(
        Accepted(exam, _intake(context, about, context.unattributed if single else [])) for about, exam in examinations
    )
    rest = Intake((), {}) if single else _rest(context)
    return Reading(patients, rest, tuple(_by_code(context)) if by_code else ())


def _latest_versions(document: Document) -> list[Item]:
    """The items; of a resource that stands more than once, all but the latest version lose their record."""
    named = [(item.type, item.record.id) for item in document.items if item.record is not None and item.record.id]
    if len(set(named)) == len(named):
        return document.items
    seen: dict[tuple[str, str], Item] = {}
    for item in document.items:
        if item.record is None or not item.record.id:
            continue
        name = (item.type, item.record.id)
        other = seen.setdefault(name, item)
        if other is item:
            continue
        older, newer = sorted((other, item), key=_version)
        document.issues.append(Issue("duplicate-resource", older.path))
        older.record = _SUPERSEDED
        seen[name] = newer
    return document.items


class _Superseded(Struct):
    id: str | None = None


_SUPERSEDED = _Superseded()


def _version(item: Item) -> tuple[str, int, str, int]:
    meta = getattr(item.record, "meta", None)
    if meta is None:
        return "", 0, "", -item.index
    version = meta.versionId or ""
    return meta.lastUpdated or "", int(version) if version.isdigit() else 0, version, -item.index


def _find_panels(context: Context) -> None:
    """Which Observations are members of a panel: they may leave their place and time to it."""
    for item in context.items:
        record = item.record
        if isinstance(record, wire.Observation) and record.hasMember:
            for number, reference in enumerate(record.hasMember):
                member = context.references.target(reference, item)
                if member is not None:
                    context.panels[member.index] = item
                else:
                    context.remark(item, "reference-unresolved", part=f".hasMember[{number}]")


def _read_item(context: Context, item: Item) -> None:
    record = item.record
    if record is None:
        context.fates[item.index] = "unusable"
        context.reasons.setdefault(item.index, "structure-invalid")
        return
    if record is _SUPERSEDED:
        context.fates[item.index] = "superseded"
        context.reasons.setdefault(item.index, "duplicate-resource")
        return
    reader = _READERS.get(type(record))
    if reader is None:
        if not isinstance(record, wire.Patient | wire.Medication):
            context.fates[item.index] = "notRelevant"
        return
    subject = context.references.subject(record.subject, item) or _assumed(context, item, record)
    if subject is not None:
        reader(context, item, record, context.gathered(subject))


def _assumed(context: Context, item: Item, record: Any) -> Subject | None:
    """The subject of a resource that names none: the only patient of the document; refused when there are several."""
    if record.subject is not None:
        context.unusable(item, "subject-not-patient", part=".subject")
        return None
    known = _subjects(context)
    if len(known) == 1:
        context.remark(item, "subject-assumed", context.gathered(known[0]))
        return known[0]
    if known:
        missing = [other for other in context.items if type(other.record) in _READERS and _record(other).subject is None]
        raise Refused(*context.unattributed, *(Issue("subject-missing", other.path, line=other.line) for other in missing))
    context.unusable(item, "patient-missing")
    return None


def _subjects(context: Context) -> list[Subject]:
    """Every patient the document is about, each once."""
    found = list(context.references.patients)
    for item in context.items:
        subject = context.references.subject(getattr(item.record, "subject", None), item)
        if subject is not None and not any(subject is known for known in found):
            found.append(subject)
    return found


def _record(item: Item) -> Any:
    return item.record


def _account_for_patients(context: Context) -> None:
    """Check the patient records; a patient nothing else is said of is still one to examine when it is alone."""
    known = context.references.patients
    if len(known) == 1 and not context.patients:
        context.gathered(known[0])
    for subject in known:
        record, item = subject.record, subject.item
        if record is None or item is None or subject.reference not in context.patients:
            continue
        if record.modifierExtension or record.implicitRules is not None:
            raise Refused(Issue("modifier-extension", item.path))
        if record.deceasedDateTime is not None or record.deceasedBoolean:
            raise Refused(Issue("patient-deceased", f"{item.path}.deceased"))
        if record.active is False:
            raise Refused(Issue("patient-inactive", f"{item.path}.active"))
        replaced = next((number for number, link in enumerate(record.link) if link.type == "replaced-by"), None)
        if replaced is not None:
            raise Refused(Issue("patient-replaced", f"{item.path}.link[{replaced}]"))
    for item in context.items:
        if isinstance(item.record, wire.Patient) and context.fates[item.index] is None:
            named = any(subject.item is item and subject.reference in context.patients for subject in known)
            context.fates[item.index] = "used" if named else "notRelevant"
        elif isinstance(item.record, wire.Medication) and context.fates[item.index] is None:
            context.fates[item.index] = "notRelevant"


def _intake(context: Context, about: Gathered, unattributed: list[Issue]) -> Intake:
    fates = context.fates
    if len(context.patients) > 1:
        fates = [context.fates[item.index] for item in context.items if _owner(context, item) is about]
    return Intake((*unattributed, *about.issues), _counts(fates))


def _rest(context: Context) -> Intake:
    fates = [context.fates[item.index] for item in context.items if _owner(context, item) is None]
    return Intake(tuple(context.unattributed), _counts(fates))


def _owner(context: Context, item: Item) -> Gathered | None:
    """The patient a resource is about, of several."""
    if isinstance(item.record, wire.Patient):
        found = next((subject for subject in context.references.patients if subject.item is item), None)
    else:
        found = context.references.subject(getattr(item.record, "subject", None), item)
    return context.patients.get(found.reference) if found else None


def _counts(fates: list[Fate | None]) -> dict[Fate, int]:
    counts: dict[Fate, int] = {fate: fates.count(fate) for fate in get_args(Fate)}
    assert sum(counts.values()) == len(fates)
    return counts


def _by_code(context: Context) -> list[CodeUse]:
    """Per code: how often it came, what it was understood as, what became of it and why."""
    uses: dict[tuple[str, str, str], CodeUse] = {}
    for item in context.items:
        record = item.record
        raw = bytes(getattr(record, "code", b"") or getattr(record, "medicationCodeableConcept", b"") or b"")
        if raw and type(record) in _READERS:
            meaning = context.lexicon.meanings[raw]
            key = meaning.coding
            understood = ", ".join(dict.fromkeys(target.concept.code for target in meaning.targets)) or None
        else:
            key, understood = ("", item.type, ""), None
        use = uses.setdefault(key, CodeUse(*key, understood=understood))
        use.count += 1
        fate = context.fates[item.index] or "notRelevant"
        use.fates[fate] = use.fates.get(fate, 0) + 1
        reason = context.reasons.get(item.index)
        if reason:
            use.reasons[reason] = use.reasons.get(reason, 0) + 1
    return list(uses.values())


__all__ = ["Accepted", "Intake", "Reading", "read"]
