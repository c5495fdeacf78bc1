"""An Observation as findings: which concept, where, with what value and when; or why it cannot be used."""

from decimal import Decimal

from sural.exam.finding import Finding, NotExamined, Value
from sural.intake import wire
from sural.intake.context import Context, Gathered
from sural.intake.documents import Item
from sural.intake.monofilament import TRIES, site_result
from sural.intake.panels import USABLE, effective
from sural.intake.unheard import keep_component, keep_observation
from sural.intake.values import Outcome, Read, has_value, limits, read_value
from sural.intake.where import Troubled, Where, applies, sides, together
from sural.terminology.concept import Concept
from sural.terminology.meaning import NOWHERE, PRESENCE, Absent, Meaning, Place, Target, Unread

STATUSES = USABLE | {"registered", "preliminary", "cancelled", "entered-in-error", "unknown"}
_PARTS = {
    "blood-pressure-lying": ("systolic", "diastolic"),
    "blood-pressure-standing": ("systolic", "diastolic", "minutes-standing"),
    "monofilament-sites": ("sites-felt", "sites-tested"),
    "monofilament-10g": TRIES,
    "foot-deformity": ("deformity-type",),
    "neurotoxic-medicine": ("medicine",),
    "f-wave-latency": ("nerve",),
    "conduction-block": ("nerve",),
    "temporal-dispersion": ("nerve",),
}  # fmt: skip

_NARROWING = frozenset({"deformity-type", "medicine"})
"""Components that only narrow down what is found: one that cannot be read does not take the finding with it."""


def read_observation(context: Context, item: Item, record: wire.Observation, about: Gathered) -> None:
    """Add the findings of one Observation to what is known of the patient, or record why there are none."""
    try:
        _check(context, item, record)
        meaning = context.lexicon.meanings[bytes(record.code)] if record.code else None
        if meaning is None:
            raise Troubled("code-missing")
        if meaning.trouble is not None:
            raise Troubled(meaning.trouble, ".code")
        _Reading(context, item, record, about, meaning).read()
    except Troubled as trouble:
        context.unusable(item, trouble.key, about, trouble.path)
    if context.fates[item.index] == "unusable" and context.reasons[item.index] != "focus-not-patient":
        keep_observation(context, item, record, about)


def _check(context: Context, item: Item, record: wire.Observation) -> None:
    """Status, modifiers and focus: what may change the meaning comes before the meaning."""
    status = record.status
    if status not in USABLE:
        if status is None:
            raise Troubled("element-missing")
        if status not in STATUSES:
            raise Troubled("status-invalid", ".status")
        if status != "preliminary":
            raise Troubled("status-not-usable", ".status")
        if not context.preliminary:
            raise Troubled("preliminary", ".status")
    if record.modifierExtension or record.implicitRules is not None:
        raise Troubled("modifier-extension", ".modifierExtension[0]" if record.modifierExtension else ".implicitRules")
    if record.effectiveDateTime and (record.effectiveInstant or record.effectivePeriod or record.effectiveTiming):
        raise Troubled("structure-invalid")
    for index, component in enumerate(record.component):
        if component.modifierExtension:
            raise Troubled("modifier-extension", f".component[{index}].modifierExtension[0]")
    for index, bounds in enumerate(record.referenceRange):
        if bounds.low is None and bounds.high is None and bounds.text is None:
            raise Troubled("invariant-broken", f".referenceRange[{index}]")
    if record.focus:
        subject = context.references.subject(record.subject, item)
        for index, reference in enumerate(record.focus):
            if subject is None or context.references.subject(reference, item) is not subject:
                raise Troubled("focus-not-patient", f".focus[{index}]")


class _Reading:
    """The reading of one Observation."""

    __slots__ = ("about", "absent", "context", "found", "item", "meaning", "moment", "place", "record", "trouble")

    def __init__(self, context: Context, item: Item, record: wire.Observation, about: Gathered, meaning: Meaning) -> None:
        self.context = context
        self.item = item
        self.record = record
        self.about = about
        self.meaning = meaning
        self.found = 0
        self.trouble: str | None = None
        self.absent: Absent | None = None
        self.place = context.lexicon.places[bytes(record.bodySite)] if record.bodySite else NOWHERE
        self.moment = effective(record)
        above = context.panels.inherited(item)
        if above.conflict and self.place.side is None:
            self.place = Place(site=self.place.site, trouble="side-conflict")
        elif above.where.side is not None and self.place.side is None and self.place.trouble in (None, "site-not-mapped"):
            self.place = Place(above.where.side, self.place.site or above.where.site, self.place.trouble)
        if self.moment is None and not _has_date(record):
            self.moment = above.moment

    def read(self) -> None:
        meaning = self.meaning
        if not meaning.targets and not self._holds_findings():
            self._not_ours()
            return
        if self.place.trouble:
            self._place_trouble(self.place)
        where = together(Where(self.place.side, self.place.site), Where(meaning.side, meaning.site))
        if not meaning.targets:
            self._components(None, where)
            self._settle()
            return
        applicable = [target for target in meaning.targets if applies(target.condition, where.site)]
        if not applicable:
            raise Troubled("code-needs-site", ".code")
        for target in _one_per_concept(applicable):
            self._target(target, where)
        self._settle()

    def _settle(self) -> None:
        """What became of the resource: unusable when not one finding was read."""
        context, index = self.context, self.item.index
        if self.found == 0 and context.fates[index] is None:
            if self.trouble is None:
                raise Troubled("value-missing")
            context.fates[index] = "unusable"
            context.reasons.setdefault(index, self.trouble)
        if self.record.status == "preliminary":
            self.about.preliminary = True

    def _holds_findings(self) -> bool:
        """Whether a code of the sender's own stands over components that are findings of ours."""
        codes = (self.context.lexicon.meanings[bytes(one.code)] for one in self.record.component if one.code)
        return any(target.stands_alone for meaning in codes for target in meaning.targets)

    def _not_ours(self) -> None:
        """A code that is not read: a panel of members counts as used with them, anything else is not relevant."""
        if self.record.hasMember:
            self.context.fates[self.item.index] = "used"
            return
        key = "code-nearly-mapped" if self.meaning.nearly else "code-not-mapped"
        self.context.not_relevant(self.item, key, self.about, ".code")

    def _place_trouble(self, place: Place) -> None:
        trouble = place.trouble
        assert trouble is not None
        if trouble != "site-not-mapped":
            raise Troubled(trouble, ".bodySite")
        self.context.remark(self.item, trouble, self.about, ".bodySite")

    def _target(self, target: Target, where: Where) -> None:
        if target.side or target.site:
            own_site = self.context.lexicon.sites[target.site] if target.site else None
            where = together(where, Where(target.side, own_site))
        concept = target.concept
        if target.part:
            self._part_alone(target, where)
            return
        if concept.scope == "component":
            raise Troubled("code-needs-site", ".code")
        if target.value is None and self.record.hasMember and not has_value(self.record) and not self.record.component:
            self.context.fates[self.item.index] = "used"
            return
        details, others = self._components(concept, where)
        value: Outcome
        if target.value is not None:
            value = self._finding_value(target)
        else:
            value = read_value(self.record, concept, self.context.lexicon, self.context.as_of)
        if concept.code == "monofilament-10g" and any(name in TRIES for name, _ in details):
            value = self._with_tries(value, details)
        elif value is None and not details and others == 0 and self.absent is not None:
            value = self.absent
        elif value is None and concept.kind == "component":
            value = self._component_value(concept, details)
        elif value is None and others == 0 and target.value is None:
            value = self._without_value(concept)
        if concept.group == "electrodiagnosis" and isinstance(value, Decimal):
            details = (*details, *limits(self.record, concept))
        if target.detail:
            details = (*details, ("deformity-type", target.detail))
        if value is not None:
            self._add(concept, where, value, details)

    def _finding_value(self, target: Target) -> Outcome:
        """The code names the finding itself: present unless the value denies it."""
        concept = target.concept
        value = read_value(self.record, PRESENCE, self.context.lexicon, self.context.as_of)
        if isinstance(value, Read):
            self.context.remark(self.item, value.remark, self.about)
            value = value.value
        if value is None or value == "present":
            return target.value
        if value == "absent":
            denied = concept.answers[: concept.reassuring]
            return denied[0] if len(denied) == 1 and len(concept.answers) == 2 else Unread("value-not-mapped")
        if isinstance(value, Unread):
            stated = read_value(self.record, concept, self.context.lexicon, self.context.as_of)
            stated = stated.value if isinstance(stated, Read) else stated
            return stated if stated == target.value else value
        return value

    def _without_value(self, concept: Concept) -> Outcome:
        """Neither value nor reason. A problem that is only named is read as present, which is the safe reading."""
        if concept.answers == ("absent", "present") and not self.record.component:
            return Read("present", "read-as-present")
        return Unread("value-missing")

    def _component_value(self, concept: Concept, details: tuple[tuple[str, Value], ...]) -> Outcome:
        """A concept whose value is in its components: its first one stands for it."""
        known = dict(details)
        if concept.code == "monofilament-sites":
            felt, tested = known.get("sites-felt"), known.get("sites-tested")
            if felt is None or tested is None:
                return Unread("value-missing")
            return felt if felt <= tested else Unread("value-out-of-range")  # type: ignore[operator]
        if self.record.dataAbsentReason:
            return self.context.lexicon.absences[bytes(self.record.dataAbsentReason)]
        return known.get("systolic", known.get("diastolic", Unread("value-missing")))

    def _with_tries(self, value: Outcome, details: tuple[tuple[str, Value], ...]) -> Outcome:
        tries = {name: str(result) for name, result in details if name in TRIES}
        decided = site_result(tries)
        if value in ("felt", "not-felt") and value != decided and decided != "undecided":
            self.context.remark(self.item, "contradiction", self.about, diagnostics="value and tries")
            return "not-felt"
        if value in ("felt", "not-felt"):
            return value
        if decided == "undecided":
            self.context.remark(self.item, "tries-undecided", self.about)
        return decided

    def _components(self, concept: Concept | None, where: Where) -> tuple[tuple[tuple[str, Value], ...], int]:
        """The details that belong to the finding itself, and how many components were findings of their own.

        `concept` is None under a code of the sender's own: then every component speaks for itself.
        """
        if not self.record.component:
            return (), 0
        details: list[tuple[str, Value]] = []
        others = 0
        for index, component in enumerate(self.record.component):
            part_path = f".component[{index}]"
            meaning = self.context.lexicon.meanings[bytes(component.code)] if component.code else None
            if meaning is None:
                self.context.remark(self.item, "element-missing", self.about, part_path, "code")
                continue
            if meaning.trouble is not None:
                others += 1
                self._component_trouble(Troubled(meaning.trouble, f"{part_path}.code"), component)
                continue
            if concept is not None and meaning.coding == self.meaning.coding and has_value(self.record):
                raise Troubled("invariant-broken", f"{part_path}.code")
            part = self._part(concept, meaning) if concept is not None else None
            if part is not None:
                try:
                    self._detail(part, component, part_path, details)
                except Troubled as trouble:
                    if part.code not in _NARROWING:
                        raise
                    self.context.remark(self.item, trouble.key, self.about, trouble.path)
            elif any(target.stands_alone for target in meaning.targets) or (concept and (meaning.side or meaning.site)):
                others += 1
                try:
                    self._component_finding(concept, component, meaning, where, part_path)
                except Troubled as trouble:
                    self._component_trouble(trouble, component)
            else:
                self.context.remark(self.item, "component-not-mapped", self.about, part_path)
        return tuple(details), others

    def _component_trouble(self, trouble: Troubled, component: wire.Component) -> None:
        self.trouble = trouble.key
        keep_component(self.context, self.item, self.about, self.meaning, self.place, component, self.moment)
        self.context.remark(self.item, trouble.key, self.about, trouble.path)

    def _part(self, concept: Concept, meaning: Meaning) -> Concept | None:
        """The component concept that a component's code names, when it is one of the finding's own."""
        own = _PARTS.get(concept.code, ())
        for target in meaning.targets:
            name = target.part or target.concept.code
            if name in own:
                return self.context.lexicon.concepts[name]
        return None

    def _detail(self, part: Concept, component: wire.Component, path: str, details: list[tuple[str, Value]]) -> None:
        value = read_value(component, part, self.context.lexicon, self.context.as_of)
        if isinstance(value, Read):
            self.context.remark(self.item, value.remark, self.about, path)
            value = value.value
        if value is None or isinstance(value, Unread):
            raise Troubled(value.key if isinstance(value, Unread) else "value-missing", path)
        if isinstance(value, Absent):
            self.absent = value
        else:
            details.append((part.code, value))

    def _component_finding(
        self, concept: Concept | None, component: wire.Component, meaning: Meaning, where: Where, path: str
    ) -> None:
        """A component that is a finding of its own: another side or site of the same concept, or a finding code."""
        at = together(where, Where(meaning.side, meaning.site), path, narrows=True)
        target = next((t for t in meaning.targets if t.stands_alone and applies(t.condition, at.site)), None)
        if target is not None:
            concept = target.concept
            own_site = self.context.lexicon.sites[target.site] if target.site else None
            at = together(at, Where(target.side, own_site), path, narrows=True)
        if concept is None:
            raise Troubled("code-needs-site", path)
        value = read_value(component, concept, self.context.lexicon, self.context.as_of)
        if value is None:
            value = target.value if target is not None and target.value else Unread("value-missing")
        self._add(concept, at, value, (), path)

    def _part_alone(self, target: Target, where: Where) -> None:
        """A measurement that is one component of a concept but comes as an Observation (systolic pressure standing)."""
        assert target.part is not None
        part = self.context.lexicon.concepts[target.part]
        value = read_value(self.record, part, self.context.lexicon, self.context.as_of)
        if isinstance(value, Unread) or value is None:
            raise Troubled(value.key if isinstance(value, Unread) else "value-missing", ".value" if value else "")
        if isinstance(value, Absent | Read):
            self._add(target.concept, where, value, ())
        else:
            whole = value if target.concept.kind == "component" else "present"
            self._add(target.concept, where, whole, ((target.part, value),))

    def _add(
        self, concept: Concept, where: Where, value: Outcome, details: tuple[tuple[str, Value], ...], path: str = ""
    ) -> None:
        """Add one finding for each side it holds on, or record why it cannot be used."""
        if isinstance(value, Unread):
            at_value = ".value" if value.key not in _POINT_AT_RESOURCE else ""
            raise Troubled(value.key, path + at_value)
        if isinstance(value, Read):
            self.context.remark(self.item, value.remark, self.about, path)
            value = value.value
        assert value is not None
        if concept.sided and where.side is None:
            raise Troubled("side-missing", path)
        if self.moment is None and _has_date(self.record):
            raise Troubled("date-invalid", ".effective")
        if self.moment is None and concept.expires:
            raise Troubled("date-missing")
        site = where.site if concept.sited else None
        for side in sides(where.side) if concept.sided else (None,):
            if isinstance(value, Absent):
                self.about.not_examined.append(NotExamined(concept, side, site, value.reason, self.moment, self.item))
                self.context.fates[self.item.index] = "used"
            else:
                self.about.findings.append(Finding(concept, side, site, value, self.moment, self.item, details))
            self.found += 1


_POINT_AT_RESOURCE = frozenset({"value-missing", "value-and-absent-reason", "structure-invalid"})


def _has_date(record: wire.Observation) -> bool:
    return bool(record.effectiveDateTime or record.effectiveInstant or record.effectivePeriod or record.effectiveTiming)


def _one_per_concept(targets: list[Target]) -> list[Target]:
    """Of several targets that apply, all that are findings of their own; of plain questions only the last, most special one."""
    questions = [target for target in targets if target.value is None and target.part is None]
    return [target for target in targets if target not in questions] + questions[-1:]
