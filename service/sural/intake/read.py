"""Reads one document: who it is about, what was found, what became of every resource."""

from collections.abc import Callable
from datetime import date
from typing import Any, get_args

from msgspec import Struct

from sural.exam.examination import Examination
from sural.intake import wire
from sural.intake.by_code import by_code as uses_of
from sural.intake.circumstances import read_encounter, read_request
from sural.intake.context import CodeUse, Context, Fate, Gathered
from sural.intake.diagnoses import keep_diagnosis, read_condition, read_procedure
from sural.intake.documents import Document, Item
from sural.intake.medicines import read_medication
from sural.intake.observations import read_observation
from sural.intake.plain import read_plain
from sural.intake.questionnaire_response import read_response
from sural.intake.references import Subject
from sural.intake.selection import select
from sural.intake.unheard import keep_observation
from sural.intake.versions import SUPERSEDED, latest_versions
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
    wire.QuestionnaireResponse: read_response,
}


_ALONGSIDE = (wire.Patient, wire.Medication)  # read for what others say of them
_FATES: tuple[Fate, ...] = get_args(Fate)


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
    items = latest_versions(document)
    context = Context(items, lexicon, as_of, preliminary)
    context.unattributed.extend(document.issues)
    left = read_plain(context)
    _find_panels(context, left)
    for item in left:
        _read_item(context, item)
    _refuse_without_subject(context)
    stopped = _account_for_patients(context, left)
    if not context.patients:
        raise Refused(
            *context.unattributed, *stopped, *([] if stopped else [Issue("patient-missing" if items else "empty-input")])
        )
    context.unattributed.extend(stopped)
    for item in left:
        if item.told is not None and item.record is None:
            _keep_told(context, item)
    context.references.settle()
    examinations = [
        (about, select(context, about, as_of, lookback, complete))
        for about in sorted(context.patients.values(), key=lambda about: about.subject.reference)
    ]
    single = len(examinations) == 1 and not stopped
    patients = tuple(
        Accepted(exam, _intake(context, about, context.unattributed if single else [], single)) for about, exam in examinations
    )
    rest = Intake((), {}) if single else _rest(context)
    return Reading(patients, rest, tuple(uses_of(context, tuple(_READERS))) if by_code else ())


def _find_panels(context: Context, left: list[Item]) -> None:
    """Which Observations are members of a panel: they may leave their place and time to it. Contained members are left to be read too."""
    waiting = [item for item in left if isinstance(item.record, wire.Observation) and item.record.hasMember]
    for item in waiting:
        for number, reference in enumerate(item.record.hasMember):
            member = context.references.target(reference, item)
            if member is None:
                context.remark(item, "reference-unresolved", part=f".hasMember[{number}]")
            elif member.holder is not None:
                left.append(context.add_contained(member))
                context.panels.add(member, item)
            else:
                context.panels.add(member, item)


def _read_item(context: Context, item: Item) -> None:
    record = item.record
    if record is None:
        context.fates[item.index] = "unusable"
        context.reasons.setdefault(item.index, "structure-invalid")
        return
    if record is SUPERSEDED:
        context.fates[item.index] = "superseded"
        context.reasons.setdefault(item.index, "duplicate-resource")
        return
    reader = _READERS.get(type(record))
    if reader is None:
        if not isinstance(record, _ALONGSIDE):
            context.fates[item.index] = "notRelevant"
        return
    subject = context.references.subject(record.subject, item) or _assumed(context, item, record)
    if subject is not None:
        reader(context, item, record, context.gathered(subject))


def _keep_told(context: Context, item: Item) -> None:
    """What a resource whose structure is at fault might have said keeps open what it speaks for; never of a patient who has to be guessed."""
    told = item.told
    subject = context.references.subject(told.subject, item)
    about = context.patients.get(subject) if subject is not None else None
    if subject is None and told.subject is None and len(context.patients) == 1:
        about = next(iter(context.patients.values()))
    if about is not None:
        (keep_observation if isinstance(told, wire.Observation) else keep_diagnosis)(context, item, told, about)


def _assumed(context: Context, item: Item, record: Any) -> Subject | None:
    """The subject of a resource that names none: the only patient of the document; refused later when there are several."""
    if record.subject is not None:
        context.unusable(item, "subject-not-patient", part=".subject")
        return None
    known = _subjects(context)
    if len(known) == 1:
        context.remark(item, "subject-assumed", context.gathered(known[0]))
        return known[0]
    context.unusable(item, "subject-missing" if known else "patient-missing")
    return None


def _subjects(context: Context) -> list[Subject]:
    """Every patient the document is about, each once."""
    if context.subjects is None:
        found = dict.fromkeys(context.references.patients)
        for item in context.items:
            subject = context.references.subject(getattr(item.record, "subject", None), item)
            if subject is not None:
                found[subject] = None
        context.subjects = list(found)
    return context.subjects


def _refuse_without_subject(context: Context) -> None:
    """With several patients, nothing is guessed: one resource that names none refuses the whole, with every other issue."""
    if any(issue.key == "subject-missing" for issue in context.unattributed):
        raise Refused(*context.unattributed, *(issue for about in context.patients.values() for issue in about.issues))


def _account_for_patients(context: Context, left: list[Item]) -> list[Issue]:
    """Check the patient records; a patient nothing else is said of is still one to examine when it is alone.

    Returns why patients may not be assessed; what was sent of them is then unusable.
    """
    known = context.references.patients
    if len(known) == 1 and not context.patients:
        context.gathered(known[0])
    for item in left:
        if isinstance(item.record, _ALONGSIDE) and context.fates[item.index] is None:
            named = any(subject.item is item and subject in context.patients for subject in known)
            context.fates[item.index] = "used" if named else "notRelevant"
    stopped: list[Issue] = []
    for subject in list(context.patients):
        issue = _stop(subject)
        if issue is not None:
            for item in context.items:
                if _owner(context, item) is context.patients[subject]:
                    context.fates[item.index] = "unusable"
                    context.reasons[item.index] = issue.key
            stopped += [*context.patients.pop(subject).issues, issue]
    return stopped


def _stop(subject: Subject) -> Issue | None:
    """Why a patient may not be assessed."""
    record, item = subject.record, subject.item
    if record is None or item is None:
        return None
    if record.modifierExtension or record.implicitRules is not None:
        return Issue("modifier-extension", item.path, line=item.line)
    if record.deceasedDateTime is not None or record.deceasedBoolean:
        return Issue("patient-deceased", f"{item.path}.deceased", line=item.line)
    if record.active is False:
        return Issue("patient-inactive", f"{item.path}.active", line=item.line)
    replaced = next((number for number, link in enumerate(record.link) if link.type == "replaced-by"), None)
    return None if replaced is None else Issue("patient-replaced", f"{item.path}.link[{replaced}]", line=item.line)


def _intake(context: Context, about: Gathered, unattributed: list[Issue], single: bool) -> Intake:
    fates = context.fates
    if not single:
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
        about = item.holder or item
        found = context.references.subject(getattr(about.record, "subject", None), about)
    return context.patients.get(found) if found else None


def _counts(fates: list[Fate | None]) -> dict[Fate, int]:
    counts: dict[Fate, int] = {fate: fates.count(fate) for fate in _FATES}
    assert sum(counts.values()) == len(fates)
    return counts


__all__ = ["Accepted", "Intake", "Reading", "read"]
