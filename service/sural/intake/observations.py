"""An Observation as findings: which concept, where, with what value and when; or why it cannot be used."""

from decimal import Decimal

from msgspec import Struct

from sural.exam.finding import Finding, NotExamined, Value
from sural.exam.moment import Moment, moment, period
from sural.intake import wire
from sural.intake.context import Context, Gathered
from sural.intake.documents import Item
from sural.intake.monofilament import TRIES, site_result
from sural.intake.values import Outcome, Read, has_value, limits, read_value
from sural.terminology.concept import Concept
from sural.terminology.lexicon import NOWHERE, PRESENCE, Absent, Meaning, Place, Target, Unread
from sural.terminology.site import BILATERAL, SIDES, Site

USABLE = frozenset({"final", "amended", "corrected"})
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


class Where(Struct, frozen=True):
    """Side and site of a finding, put together from the code, the body site, the component and the panel."""

    side: str | None = None
    site: Site | None = None


class Troubled(Exception):
    """A fault that makes the whole resource unusable."""

    def __init__(self, key: str, path: str = "") -> None:
        super().__init__(key)
        self.key = key
        self.path = path


def read_observation(context: Context, item: Item, record: wire.Observation, about: Gathered) -> None:
    """Add the findings of one Observation to what is known of the patient, or record why there are none."""
    try:
        _check(context, item, record)
        meaning = context.lexicon.meanings[bytes(record.code)] if record.code else None
        if meaning is None:
            raise Troubled("code-missing")
        if meaning.conflict:
            raise Troubled("code-conflict", ".code")
        _Reading(context, item, record, about, meaning).read()
    except Troubled as trouble:
        context.unusable(item, trouble.key, about, trouble.path)


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
        raise Troubled("modifier-extension", ".modifierExtension" if record.modifierExtension else ".implicitRules")
    for index, component in enumerate(record.component):
        if component.modifierExtension:
            raise Troubled("modifier-extension", f".component[{index}].modifierExtension")
    for index, bounds in enumerate(record.referenceRange):
        if bounds.low is None and bounds.high is None and bounds.text is None:
            raise Troubled("invariant-broken", f".referenceRange[{index}]")
    if record.focus:
        subject = context.references.subject(record.subject, item)
        for reference in record.focus:
            if subject is None or context.references.subject(reference, item) is not subject:
                raise Troubled("focus-not-patient", ".focus[0]")


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
        panel = context.panels.get(item.index) if context.panels else None
        if panel is not None:
            self._inherit(panel)

    def _inherit(self, panel: Item) -> None:
        """What a member leaves to its panel: the place and the time."""
        above = panel.record
        if not isinstance(above, wire.Observation):
            return
        if not self.record.bodySite and above.bodySite:
            self.place = self.context.lexicon.places[bytes(above.bodySite)]
        if self.moment is None:
            self.moment = effective(above)

    def read(self) -> None:
        meaning, record, context = self.meaning, self.record, self.context
        if not meaning.targets:
            self._not_ours()
            return
        if self.place.trouble:
            self._place_trouble(self.place)
        where = self._where(Where(self.place.side, self.place.site), Where(meaning.side, meaning.site))
        applicable = [target for target in meaning.targets if applies(target.condition, where.site)]
        if not applicable:
            raise Troubled("code-needs-site", ".code")
        for target in _one_per_concept(applicable):
            self._target(target, where)
        if self.found == 0:
            if self.trouble is None:
                raise Troubled("value-missing")
            context.fates[self.item.index] = "unusable"
            context.reasons.setdefault(self.item.index, self.trouble)
        if record.status == "preliminary":
            self.about.preliminary = True

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

    def _where(self, outer: Where, inner: Where, path: str = "") -> Where:
        """Two statements of the same place. The narrower site wins; two sides or two unrelated sites are a fault."""
        if inner.side is None and inner.site is None:
            return outer
        if outer.side and inner.side and outer.side != inner.side and outer.side != BILATERAL:
            raise Troubled("side-conflict", path)
        side = inner.side or outer.side
        if inner.site is None or outer.site is None or inner.site.lies_in(outer.site.code):
            return Where(side, inner.site or outer.site)
        if outer.site.lies_in(inner.site.code):
            return Where(side, outer.site)
        raise Troubled("site-conflict", path)

    def _target(self, target: Target, where: Where) -> None:
        if target.side or target.site:
            own_site = self.context.lexicon.sites[target.site] if target.site else None
            where = self._where(where, Where(target.side, own_site))
        concept = target.concept
        if target.part:
            self._part_alone(target, where)
            return
        if concept.scope == "component":
            raise Troubled("code-needs-site", ".code")
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
        if value is None:
            return target.value
        if isinstance(value, Unread):
            stated = read_value(self.record, concept, self.context.lexicon, self.context.as_of)
            return stated if stated == target.value else value
        if value == "present":
            return target.value
        if value == "absent":
            denied = concept.answers[: concept.reassuring]
            return denied[0] if len(denied) == 1 and len(concept.answers) == 2 else Unread("value-not-mapped")
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

    def _components(self, concept: Concept, where: Where) -> tuple[tuple[tuple[str, Value], ...], int]:
        """The details that belong to the finding itself, and how many components were findings of their own."""
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
            if meaning.conflict:
                raise Troubled("side-conflict", f".component[{index}].code")
            if meaning.coding == self.meaning.coding and has_value(self.record):
                raise Troubled("invariant-broken", f".component[{index}].code")
            part = self._part(concept, meaning)
            if part is not None:
                self._detail(part, component, part_path, details)
            elif meaning.targets or meaning.side or meaning.site:
                others += 1
                try:
                    self._component_finding(concept, component, meaning, where, index)
                except Troubled as trouble:
                    self.trouble = trouble.key
                    self.context.remark(self.item, trouble.key, self.about, trouble.path)
            else:
                self.context.remark(self.item, "component-not-mapped", self.about, part_path)
        return tuple(details), others

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

    def _component_finding(self, concept: Concept, component: wire.Component, meaning: Meaning, where: Where, index: int) -> None:
        """A component that is a finding of its own: another side or site of the same concept, or a finding code."""
        path = f".component[{index}]"
        at = self._where(where, Where(meaning.side, meaning.site), path)
        target = next((t for t in meaning.targets if applies(t.condition, at.site)), None)
        if target is not None:
            concept = target.concept
            own_site = self.context.lexicon.sites[target.site] if target.site else None
            at = self._where(at, Where(target.side, own_site), path)
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
            self._add(target.concept, where, value, ((target.part, value),))

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
        sides = self._sides(concept, where.side)
        if sides is None:
            if not isinstance(value, Absent):
                self.about.unstated.append(Finding(concept, None, where.site, value, self.moment, self.item, details))
            raise Troubled("side-missing", path)
        if self.moment is None and concept.expires:
            raise Troubled(
                "date-missing" if not _has_date(self.record) else "date-invalid",
                "" if not _has_date(self.record) else ".effective",
            )
        site = where.site if concept.sited else None
        for side in sides:
            if isinstance(value, Absent):
                self.about.not_examined.append(NotExamined(concept, side, site, value.reason, self.moment, self.item))
                self.context.fates[self.item.index] = "used"
            else:
                self.about.findings.append(Finding(concept, side, site, value, self.moment, self.item, details))
            self.found += 1

    def _sides(self, concept: Concept, side: str | None) -> tuple[str | None, ...] | None:
        if not concept.sided:
            return (None,)
        if side is None:
            return None
        return SIDES if side == BILATERAL else (side,)


_POINT_AT_RESOURCE = frozenset({"value-missing", "value-and-absent-reason", "structure-invalid"})


def effective(record: wire.Observation) -> Moment | None:
    """When the finding was made: effectiveDateTime, effectiveInstant or effectivePeriod; a Timing is not read."""
    if record.effectiveDateTime is not None:
        return moment(record.effectiveDateTime)
    if record.effectiveInstant is not None:
        return moment(record.effectiveInstant)
    if record.effectivePeriod is not None:
        return period(record.effectivePeriod.start, record.effectivePeriod.end)
    return None


def _has_date(record: wire.Observation) -> bool:
    return bool(record.effectiveDateTime or record.effectiveInstant or record.effectivePeriod or record.effectiveTiming)


def applies(condition: str | None, site: Site | None) -> bool:
    """Whether a target's condition is met: a site or region to lie in, or no site at all."""
    if condition is None:
        return True
    if condition == "no-site":
        return site is None or site.code in ("foot", "lower-limb")
    return site is not None and site.lies_in(condition)


def _one_per_concept(targets: list[Target]) -> list[Target]:
    """Of several targets that apply, all that are findings of their own; of plain questions only the last, most special one."""
    questions = [target for target in targets if target.value is None and target.part is None]
    return [target for target in targets if target not in questions] + questions[-1:]
