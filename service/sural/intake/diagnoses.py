"""Conditions and Procedures: diagnoses that stand or have ended, and what was done."""

from functools import partial

import msgspec

from sural.exam.finding import Finding
from sural.exam.moment import Moment
from sural.intake import wire
from sural.intake.context import Context, Gathered
from sural.intake.documents import Item
from sural.intake.standing import modified, ongoing, when
from sural.intake.ulcers import LEAVES
from sural.intake.unheard import keep
from sural.intake.where import Troubled, Where, applies, sides, together
from sural.terminology.coding import CodeableConcept, codeable_concept, codeable_concepts
from sural.terminology.lexicon import Remembered
from sural.terminology.meaning import NOWHERE, Meaning, Place, Target

_ACTIVE = frozenset({"active", "recurrence", "relapse"})
_CLINICAL = _ACTIVE | {"inactive", "remission", "resolved"}
_VERIFICATION = frozenset({"unconfirmed", "provisional", "differential", "confirmed", "refuted", "entered-in-error"})
_UNCONFIRMED = frozenset({"unconfirmed", "provisional", "differential"})
_HEALED = {**LEAVES, "charcot-suspected": "charcot-history"}
_LASTING = frozenset(
    {"diabetes", "charcot-history", "previous-foot-ulcer", "amputation", "peripheral-arterial-disease", "retinopathy"}
)
_PROCEDURE_DONE = frozenset({"completed", "in-progress"})
_PROCEDURE_DOUBTFUL = frozenset({"on-hold", "stopped", "unknown"})
_PROCEDURE = _PROCEDURE_DONE | {"preparation", "not-done", "on-hold", "stopped", "entered-in-error", "unknown"}


def read_condition(context: Context, item: Item, record: wire.Condition, about: Gathered) -> None:
    """A diagnosis: present while it is active, earlier once it is resolved, doubtful while it is not confirmed."""
    standing = _standing(context, item, record, about)
    if standing is None:
        return
    verification = _verification[bytes(record.verificationStatus)]
    clinical = _clinical[bytes(record.clinicalStatus)]
    if verification == "" or clinical == "":
        standing.refuse("status-invalid", ".verificationStatus" if verification == "" else ".clinicalStatus")
        return
    if verification == "refuted":
        context.not_relevant(item, "diagnosis-refuted", about)
        return
    if verification == "entered-in-error":
        context.unusable(item, "status-not-usable", about, ".verificationStatus")
        return
    abated = record.abatementDateTime or record.abatementPeriod or record.abatementString or record.abatementAge
    if abated and clinical in _ACTIVE:  # con-4
        standing.refuse("invariant-broken", ".clinicalStatus")
        return
    try:
        began = when(record.onsetDateTime, record.onsetPeriod)
        known = began or when(record.recordedDate, None)
        ended = when(record.abatementDateTime, record.abatementPeriod)
    except ValueError:
        standing.refuse("date-invalid")
        return
    over = ended is None or ended.last_day <= context.as_of
    active = clinical in _ACTIVE or (clinical is None and not abated) or not over
    standing.condition(verification in _UNCONFIRMED, active, known)
    if began is not None and "diabetes" in [target.concept.code for target in standing.meaning.targets]:
        onset = context.lexicon.concepts["diabetes-onset"]
        about.findings.append(Finding(onset, None, None, began, began, item))


def read_procedure(context: Context, item: Item, record: wire.Procedure, about: Gathered) -> None:
    """A procedure that was done: an amputation, renal replacement."""
    if record.status not in _PROCEDURE:
        context.unusable(
            item, "status-invalid" if record.status else "element-missing", about, ".status" if record.status else ""
        )
        return
    standing = _standing(context, item, record, about)
    if standing is None:
        return
    if record.status not in _PROCEDURE_DONE:
        context.unusable(item, "status-not-usable", about, ".status")
        if record.status in _PROCEDURE_DOUBTFUL:
            standing.keep(None)
        return
    try:
        standing.procedure(when(record.performedDateTime, record.performedPeriod))
    except ValueError:
        standing.refuse("date-invalid")


def keep_diagnosis(context: Context, item: Item, told: wire.Condition | wire.Procedure, about: Gathered) -> None:
    """Keep what a diagnosis or procedure whose structure is at fault might have said, unless it says that it is none."""
    if isinstance(told, wire.Condition):
        denied = _verification[bytes(told.verificationStatus)] in ("refuted", "entered-in-error")
    else:
        denied = told.status in _PROCEDURE - _PROCEDURE_DONE - _PROCEDURE_DOUBTFUL
    if not denied:
        _Standing(context, item, about, context.lexicon.diagnoses[bytes(told.code)], told.bodySite).keep(None)


class _Standing:
    """Findings from one coded entry with a body site."""

    def __init__(self, context: Context, item: Item, about: Gathered, meaning: Meaning, body_site: bytes) -> None:
        self.context = context
        self.item = item
        self.about = about
        self.meaning = meaning
        self.places = _places(context, body_site)

    def refuse(self, key: str, part: str = "") -> None:
        """The entry cannot be used; what it might have said is kept."""
        self.context.unusable(self.item, key, self.about, part)
        self.keep(None)

    def condition(self, unconfirmed: bool, active: bool, known: Moment | None) -> None:
        """Add what a diagnosis says. Not confirmed, it only keeps a factor from being ruled out; a suspicion that is over says nothing."""
        suspected = [t for t in self.meaning.targets if (t.condition or "").startswith("suspected")]
        stated = [t for t in self.meaning.targets if not (t.condition or "").startswith("suspected")]
        past = {*_LASTING, *_HEALED}
        if unconfirmed and suspected and active:
            self._add(suspected, ongoing(known, self.context.as_of))
        elif unconfirmed and suspected and past.isdisjoint(target.concept.code for target in self.meaning.targets):
            self.context.not_relevant(self.item)
        elif unconfirmed:
            self.context.unusable(self.item, "diagnosis-unconfirmed", self.about)
            self.keep(known)
        elif active:
            self._add(stated, ongoing(known, self.context.as_of))
        else:
            self._past(stated, known)

    def procedure(self, done: Moment | None) -> None:
        """Add what a procedure says."""
        self._add([t for t in self.meaning.targets if not (t.condition or "").startswith("suspected")], done)

    def _past(self, targets: list[Target], known: Moment | None) -> None:
        """A diagnosis that has ended: a healed ulcer is history, a lasting disease is still there, all else is over."""
        lasting = [target for target in targets if target.concept.code in _LASTING]
        healed = [target for target in targets if target.concept.code in _HEALED]
        for target in healed:
            earlier = self.context.lexicon.concepts[_HEALED[target.concept.code]]
            self._add([Target(earlier, "present", side=target.side, site=target.site)], known)
        if lasting:
            self._add(lasting, known)
        if not healed and not lasting:
            self.context.not_relevant(self.item)

    def keep(self, when: Moment | None) -> None:
        """Keep everything the entry might have said."""
        for place in self.places:
            for target in self.meaning.targets:
                keep(self.about, self.item, self.meaning, place, target, target.value or "present", when, self.context.lexicon)

    def _add(self, targets: list[Target], when: Moment | None) -> None:
        found = False
        for place in self.places:
            for target in targets:
                condition = (target.condition or "").removeprefix("suspected").removeprefix("-") or None
                if not applies(condition, place.site):
                    continue
                found = True
                try:
                    self._add_at(target, place, when)
                except Troubled as trouble:
                    self.context.unusable(self.item, trouble.key, self.about, trouble.path)
                    keep(
                        self.about, self.item, self.meaning, place, target, target.value or "present", when, self.context.lexicon
                    )
        if not found and self.context.fates[self.item.index] is None:
            self.context.not_relevant(self.item, "code-needs-site", self.about)

    def _add_at(self, target: Target, place: Place, when: Moment | None) -> None:
        concept = target.concept
        if place.trouble and place.trouble != "site-not-mapped":
            raise Troubled(place.trouble, ".bodySite")
        fixed = self.context.lexicon.sites[target.site] if target.site else None
        where = together(Where(place.side, place.site), Where(self.meaning.side, self.meaning.site))
        where = together(where, Where(target.side, fixed))
        if concept.sided and where.side is None:
            raise Troubled("side-missing")
        details = (("deformity-type", target.detail),) if target.detail else ()
        site = where.site if concept.sited else None
        for side in sides(where.side) if concept.sided else (None,):
            self.about.findings.append(Finding(concept, side, site, target.value or "present", when, self.item, details))


def _places(context: Context, body_site: bytes) -> list[Place]:
    """Each body site on its own: a Condition may name several."""
    if not body_site:
        return [NOWHERE]
    raw = bytes(body_site)
    try:
        separate = codeable_concepts(raw)
    except msgspec.MsgspecError:
        return [Place(trouble="structure-invalid")]
    return [context.lexicon.places[msgspec.json.encode(one)] for one in separate]


def _standing(context: Context, item: Item, record: wire.Condition | wire.Procedure, about: Gathered) -> _Standing | None:
    """The reading of an entry that names something of ours; None when it does not, or cannot be read."""
    if not record.code:
        context.unusable(item, "code-missing", about)
        return None
    meaning = context.lexicon.diagnoses[bytes(record.code)]
    standing = _Standing(context, item, about, meaning, record.bodySite)
    if modified(context, item, record, about):
        standing.keep(None)
        return None
    if meaning.trouble is not None:
        standing.refuse(meaning.trouble, ".code")
        return None
    if not meaning.targets:
        context.not_relevant(item, "code-nearly-mapped" if meaning.nearly else "code-not-mapped", about)
        return None
    return standing


def _status(allowed: frozenset[str], raw: bytes) -> str | None:
    """The code of a status CodeableConcept: None when there is none, "" when it is none of the required value set."""
    if not raw:
        return None
    try:
        concept: CodeableConcept = codeable_concept(raw)
    except msgspec.MsgspecError:
        return ""
    return next((coding.code for coding in concept.coding if coding.code in allowed), "")


_clinical = Remembered(partial(_status, _CLINICAL))
_verification = Remembered(partial(_status, _VERIFICATION))
