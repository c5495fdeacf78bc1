"""Conditions, Procedures, medicines, Encounters and referrals on file: what stands in a record without being examined today."""

from datetime import UTC, date, datetime

import msgspec

from sural.exam.examination import Request
from sural.exam.finding import Finding
from sural.exam.moment import Moment, moment, period
from sural.intake import wire
from sural.intake.context import Context, Gathered
from sural.intake.documents import Item
from sural.intake.observations import applies
from sural.terminology.coding import CodeableConcept, codeable_concept, codeable_concepts
from sural.terminology.lexicon import NOWHERE, Meaning, Place, Target
from sural.terminology.site import BILATERAL, SIDES, Site

_ACTIVE = frozenset({"active", "recurrence", "relapse"})
_CLINICAL = _ACTIVE | {"inactive", "remission", "resolved"}
_VERIFICATION = frozenset({"unconfirmed", "provisional", "differential", "confirmed", "refuted", "entered-in-error"})
_UNCONFIRMED = frozenset({"unconfirmed", "provisional", "differential"})
_HEALED = {"foot-ulcer": "previous-foot-ulcer", "charcot-suspected": "charcot-history"}
_LASTING = frozenset(
    {"diabetes", "charcot-history", "previous-foot-ulcer", "amputation", "peripheral-arterial-disease", "retinopathy"}
)
_NAMED = {"diabetes": "other", "amputation": "unspecified", "dialysis-or-transplant": "dialysis", "osteomyelitis": "confirmed"}
_PROCEDURE_DONE = frozenset({"completed", "in-progress"})
_PROCEDURE = _PROCEDURE_DONE | {"preparation", "not-done", "on-hold", "stopped", "entered-in-error", "unknown"}
_STATEMENT = frozenset({"active", "completed", "entered-in-error", "intended", "stopped", "on-hold", "unknown", "not-taken"})
_PRESCRIPTION = frozenset({"active", "on-hold", "cancelled", "completed", "entered-in-error", "stopped", "draft", "unknown"})
_ENCOUNTER = frozenset(
    {"planned", "arrived", "triaged", "in-progress", "onleave", "finished", "cancelled", "entered-in-error", "unknown"}
)
_REQUEST = frozenset({"draft", "active", "on-hold", "revoked", "completed", "entered-in-error", "unknown"})
_INTENT = frozenset(
    {"proposal", "plan", "directive", "order", "original-order", "reflex-order", "filler-order", "instance-order", "option"}
)
_PRIORITY = frozenset({None, "routine", "urgent", "asap", "stat"})
_TAKING = frozenset({"active", "completed", "intended", "on-hold"})
_INPATIENT = frozenset({"IMP", "ACUTE", "NONAC"})
_IN_HOSPITAL = frozenset({"arrived", "triaged", "in-progress", "onleave"})
_ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
_ALWAYS = -62135596800.0


def read_condition(context: Context, item: Item, record: wire.Condition, about: Gathered) -> None:
    """A diagnosis: present while it is active, earlier once it is resolved, doubtful while it is not confirmed."""
    meaning = _meaning(context, item, record, about)
    if meaning is None:
        return
    verification = _status(record.verificationStatus, _VERIFICATION)
    clinical = _status(record.clinicalStatus, _CLINICAL)
    if verification == "" or clinical == "":
        part = ".verificationStatus" if verification == "" else ".clinicalStatus"
        context.unusable(item, "status-invalid", about, part)
        return
    if verification in ("entered-in-error", "refuted"):
        key = "status-not-usable" if verification == "entered-in-error" else "diagnosis-refuted"
        if key == "diagnosis-refuted":
            context.not_relevant(item, key, about)
        else:
            context.unusable(item, key, about, ".verificationStatus")
        return
    abated = record.abatementDateTime or record.abatementPeriod or record.abatementString or record.abatementAge
    active = clinical in _ACTIVE or (clinical is None and not abated)
    if abated and clinical in _ACTIVE:  # con-4
        context.unusable(item, "invariant-broken", about, ".clinicalStatus")
        about.unstated += [
            Finding(target.concept, None, None, target.value or "present", None, item) for target in meaning.targets
        ]
        return
    began = moment(record.onsetDateTime) if record.onsetDateTime else None
    if began is None and record.onsetPeriod:
        began = period(record.onsetPeriod.start, record.onsetPeriod.end)
    dated = [text for text in (record.onsetDateTime, record.recordedDate, record.abatementDateTime) if text]
    if any(moment(text) is None for text in dated):
        context.unusable(item, "date-invalid", about)
        return
    known = began or (moment(record.recordedDate) if record.recordedDate else None)
    _Standing(context, item, about, meaning, record.bodySite).condition(verification in _UNCONFIRMED, active, known)
    if began is not None and any(target.concept.code == "diabetes" for target in meaning.targets):
        onset = context.lexicon.concepts["diabetes-onset"]
        about.findings.append(Finding(onset, None, None, began, began, item))


def read_procedure(context: Context, item: Item, record: wire.Procedure, about: Gathered) -> None:
    """A procedure that was done: an amputation, renal replacement."""
    if record.status not in _PROCEDURE:
        context.unusable(item, "status-invalid" if record.status else "element-missing", about)
        return
    meaning = _meaning(context, item, record, about)
    if meaning is None:
        return
    if record.status not in _PROCEDURE_DONE:
        context.unusable(item, "status-not-usable", about, ".status")
        return
    done = moment(record.performedDateTime) if record.performedDateTime else None
    if done is None and record.performedPeriod:
        done = period(record.performedPeriod.start, record.performedPeriod.end)
    _Standing(context, item, about, meaning, record.bodySite).procedure(done)


def read_medication(
    context: Context, item: Item, record: wire.MedicationStatement | wire.MedicationRequest, about: Gathered
) -> None:
    """A medicine that is taken or prescribed: metformin, or one that is known to harm nerves."""
    if record.modifierExtension or (isinstance(record, wire.MedicationRequest) and record.doNotPerform):
        context.unusable(item, "modifier-extension", about)
        return
    raw = bytes(record.medicationCodeableConcept)
    if not raw and record.medicationReference is not None:
        target = context.references.target(record.medicationReference, item)
        if target is None:
            context.remark(item, "reference-unresolved", about, ".medication")
        elif isinstance(target.record, wire.Medication):
            raw = bytes(target.record.code)
            context.fates[target.index] = "used"
    meaning = context.lexicon.meanings[raw] if raw else None
    named = context.lexicon.medicine(raw) if raw else None
    if (meaning is None or not meaning.targets) and named is None:
        context.not_relevant(item, "code-not-mapped", about)
        return
    if record.status not in _TAKING:
        statuses = _STATEMENT if isinstance(record, wire.MedicationStatement) else _PRESCRIPTION
        key = "status-not-usable" if record.status in statuses else "status-invalid" if record.status else "element-missing"
        context.unusable(item, key, about, ".status" if record.status else "")
        return
    if isinstance(record, wire.MedicationStatement):
        when = moment(record.effectiveDateTime or record.dateAsserted or "")
        if record.effectivePeriod:
            when = period(record.effectivePeriod.start, record.effectivePeriod.end or context.as_of.isoformat()) or when
    else:
        when = moment(record.authoredOn or "")
    current = when or ongoing(None, context.as_of)
    for meant in meaning.targets if meaning else ():
        about.findings.append(Finding(meant.concept, None, None, meant.value or "present", current, item))
    if named is not None:
        concept = context.lexicon.concepts["neurotoxic-medicine"]
        about.findings.append(Finding(concept, None, None, "present", current, item, (("medicine", named),)))


def read_encounter(context: Context, item: Item, record: wire.Encounter, about: Gathered) -> None:
    """A stay in hospital that is under way on the day of assessment (FHIR v3-ActCode: IMP, ACUTE, NONAC)."""
    kind = record.class_
    if record.status not in _ENCOUNTER:
        context.unusable(item, "status-invalid" if record.status else "element-missing", about)
        return
    if kind is None or kind.code not in _INPATIENT or kind.system not in (None, _ACT_CODE) or record.status not in _IN_HOSPITAL:
        context.not_relevant(item)
        return
    stay = period(record.period.start, record.period.end or context.as_of.isoformat()) if record.period else None
    if stay is not None and not stay.first_day <= context.as_of <= stay.last_day:
        context.not_relevant(item)
        return
    concept = context.lexicon.concepts["inpatient"]
    about.findings.append(Finding(concept, None, None, "present", ongoing(stay, context.as_of), item))


def read_request(context: Context, item: Item, record: wire.ServiceRequest, about: Gathered) -> None:
    """A referral on file. Only one that is active and really wanted by someone can make a second one needless."""
    if record.status not in _REQUEST or record.intent not in _INTENT or record.priority not in _PRIORITY:
        context.unusable(item, "status-invalid" if record.status and record.intent else "element-missing", about)
        return
    codings = []
    for raw in (record.code, record.performerType, *record.orderDetail):
        if raw:
            try:
                codings += codeable_concept(bytes(raw)).coding
            except msgspec.MsgspecError:
                context.unusable(item, "structure-invalid", about)
                return
    service = context.lexicon.service(codings)
    if (
        service is None
        or record.status != "active"
        or record.intent == "option"
        or record.doNotPerform
        or record.modifierExtension
    ):
        context.not_relevant(item)
        return
    authored = moment(record.authoredOn) if record.authoredOn else None
    about.requests.append(
        Request(service[0], service[1], record.priority or "routine", authored.last_day if authored else None, item)
    )
    context.fates[item.index] = "used"


def ongoing(since: Moment | None, as_of: date) -> Moment:
    """From a beginning (or from ever) until the day of assessment: what an open entry in a record claims."""
    end = datetime(as_of.year, as_of.month, as_of.day, 23, 59, 59, tzinfo=UTC).timestamp()
    if since is None:
        return Moment(_ALWAYS, end, date.min, as_of, "ongoing")
    if since.first_day > as_of:
        return since
    return Moment(since.start, max(end, since.end), since.first_day, max(as_of, since.last_day), since.text)


class _Standing:
    """Findings from one coded entry with a body site."""

    def __init__(self, context: Context, item: Item, about: Gathered, meaning: Meaning, body_site: bytes) -> None:
        self.context = context
        self.item = item
        self.about = about
        self.meaning = meaning
        self.source = item
        self.places = _places(context, body_site)

    def condition(self, unconfirmed: bool, active: bool, known: Moment | None) -> None:
        """Add what a diagnosis says. Not confirmed, it only keeps a factor from being ruled out."""
        suspected = [t for t in self.meaning.targets if (t.condition or "").startswith("suspected")]
        stated = [t for t in self.meaning.targets if t not in suspected]
        if unconfirmed and suspected:
            self._add(suspected, ongoing(known, self.context.as_of), value=None)
        elif unconfirmed:
            self.context.unusable(self.item, "diagnosis-unconfirmed", self.about)
            for target in stated:
                self.about.unstated.append(Finding(target.concept, None, None, target.value or "present", known, self.source))
        elif active:
            self._add(stated, ongoing(known, self.context.as_of), value=None)
        else:
            self._past(stated, known)

    def procedure(self, done: Moment | None) -> None:
        """Add what a procedure says."""
        self._add([t for t in self.meaning.targets if not (t.condition or "").startswith("suspected")], done, value=None)

    def _past(self, targets: list[Target], known: Moment | None) -> None:
        """A diagnosis that has ended: a healed ulcer is history, a lasting disease is still there, all else is over."""
        lasting = [target for target in targets if target.concept.code in _LASTING]
        healed = [target for target in targets if target.concept.code in _HEALED]
        for target in healed:
            earlier = self.context.lexicon.concepts[_HEALED[target.concept.code]]
            self._add([Target(earlier, "present", side=target.side, site=target.site)], known, value=None)
        if lasting:
            self._add(lasting, known, value=None)
        if not healed and not lasting:
            self.context.not_relevant(self.item)

    def _add(self, targets: list[Target], when: Moment | None, value: str | None) -> None:
        found = False
        for place in self.places:
            for target in targets:
                condition = (target.condition or "").removeprefix("suspected").removeprefix("-") or None
                if not applies(condition, place.site):
                    continue
                found = self._add_at(target, place, when) or found
        if not found and self.context.fates[self.item.index] is None:
            self.context.not_relevant(self.item, "code-needs-site", self.about)

    def _add_at(self, target: Target, place: Place, when: Moment | None) -> bool:
        concept = target.concept
        side = target.side or self.meaning.side or place.side
        details = (("deformity-type", target.detail),) if target.detail else ()
        value = target.value or "present"
        fixed = self.context.lexicon.sites[target.site] if target.site else None
        site: Site | None = (fixed or place.site) if concept.sited else None
        if concept.sided and side is None:
            self.about.unstated.append(Finding(concept, None, site, value, when, self.source, details))
            self.context.unusable(self.item, "side-missing", self.about)
            return True
        if place.trouble in ("side-conflict", "laterality-not-understood", "structure-invalid", "site-conflict"):
            self.context.unusable(self.item, place.trouble, self.about, ".bodySite")
            return True
        for one in (None,) if not concept.sided else SIDES if side == BILATERAL else (side,):
            self.about.findings.append(Finding(concept, one, site, value, when, self.source, details))
        return True


def _places(context: Context, body_site: bytes) -> list[Place]:
    """Each body site on its own: a Condition may name several."""
    if not body_site:
        return [NOWHERE]
    raw = bytes(body_site)
    try:
        separate = codeable_concepts(raw)
    except msgspec.MsgspecError:
        return [Place(trouble="structure-invalid")]
    if len(separate) == 1:
        return [context.lexicon.places[raw]]
    return [context.lexicon.places[msgspec.json.encode(one)] for one in separate]


def _meaning(context: Context, item: Item, record: wire.Condition | wire.Procedure, about: Gathered) -> Meaning | None:
    if record.modifierExtension or record.implicitRules is not None:
        context.unusable(item, "modifier-extension", about)
        return None
    if not record.code:
        context.unusable(item, "code-missing", about)
        return None
    meaning = context.lexicon.meanings[bytes(record.code)]
    if meaning.conflict:
        context.unusable(item, "code-conflict", about, ".code")
        return None
    coded = [named for target in meaning.targets if (named := _as_named(target)) is not None]
    if not coded:
        context.not_relevant(item, "code-nearly-mapped" if meaning.nearly else "code-not-mapped", about)
        return None
    return msgspec.structs.replace(meaning, targets=tuple(coded))


def _as_named(target: Target) -> Target | None:
    """The target as a finding that is there because it is named, or None when naming it says nothing."""
    concept = target.concept
    if target.value is not None:
        return target
    answer = "present" if concept.answers == ("absent", "present") else _NAMED.get(concept.code)
    return msgspec.structs.replace(target, value=answer) if answer else None


def _status(raw: bytes, allowed: frozenset[str]) -> str | None:
    """The code of a status CodeableConcept: None when there is none, "" when it is none of the required value set."""
    if not raw:
        return None
    try:
        concept: CodeableConcept = codeable_concept(bytes(raw))
    except msgspec.MsgspecError:
        return ""
    return next((coding.code for coding in concept.coding if coding.code in allowed), "")
