"""From everything that was read of a patient to one examination, and to the earlier ones that it follows."""

from collections.abc import Mapping
from datetime import date

import msgspec

from sural.exam.examination import FOOT_LOST, Contradiction, Examination, Limb, Person
from sural.exam.finding import Finding, Unheard
from sural.exam.moment import Moment, before
from sural.intake.choosing import choose, end, newest, order, site_code, start
from sural.intake.context import Context, Gathered
from sural.intake.declared import INSPECTED_CLEAR, take_at_word
from sural.intake.person import person
from sural.intake.ulcers import LEAVES, NO_ULCER, history, place_ulcers
from sural.terminology.concept import Concept

_APART = frozenset({"foot-ulcer", "foot-inspection", "ulcer-site", "ulcer-area", "ulcer-depth", "ulcer-wound-grade", "ulcer-onset",
                    "ulcer-exposes-bone", "ulcer-on-heel", "probe-to-bone"})  # fmt: skip
_CHARCOT_SHAPE = ("deformity-type", "charcot")
_PRESSURES = ("blood-pressure-lying", "blood-pressure-standing")
_ON_A_FOOT = ("foot-ulcer", "gangrene", "gangrene-extent", "foot-infection", "deep-infection", "osteomyelitis", "hot-swollen-foot",
              "charcot-suspected", "limb-threatening-ischaemia", "acute-limb-ischaemia")  # fmt: skip
_Key = tuple[str, str | None, str]
EARLIER_DAYS = 12


def select(context: Context, about: Gathered, as_of: date, lookback: str, complete: frozenset[str]) -> Examination:
    """Put the examination of one patient together and decide what became of each resource."""
    concepts = context.lexicon.concepts
    whom = person(about.subject, as_of)
    selection = Selection(concepts, Examination(whom, as_of, before(as_of, lookback)))
    exam = selection.run(about.findings)
    _account(context, about, selection, exam)
    exam.unheard = _unheard(about.unheard, exam.lookback_from, concepts)
    exam.not_examined = about.not_examined
    exam.requests = about.requests
    exam.preliminary = about.preliminary
    if complete:
        exam.complete = complete
        take_at_word(exam, concepts)
    if selection.several or selection.out_of_time:
        exam.earlier = _earlier(about.findings, lookback, whom, concepts)
    return exam


def _account(context: Context, about: Gathered, selection: "Selection", exam: Examination) -> None:
    """Pass on what became of each resource, and what there is to say of it."""
    fates, reasons = context.fates, context.reasons
    if selection.all_stand:
        for finding in about.findings:
            assert finding.source is not None
            fates[finding.source.index] = "used"
        return
    for finding in about.findings:
        assert finding.source is not None
        if fates[finding.source.index] is None:
            fates[finding.source.index] = "superseded"
    for finding, key in selection.out_of_time:
        source = finding.source
        assert source is not None
        if reasons.get(source.index) != key:
            (context.not_relevant if key == "stale" else context.unusable)(source, key, about)
        if key != "stale":
            about.unheard.append(
                Unheard(finding.concept, finding.side, finding.site, finding.value, finding.moment, source, finding.details)
            )
    for key, finding in selection.remarks:
        if finding.source is not None:
            context.remark(finding.source, key, about, diagnostics=finding.concept.code)
    for finding in exam:
        if finding.source is not None:
            fates[finding.source.index] = "used"
    for finding in selection.also_used:
        assert finding.source is not None
        fates[finding.source.index] = "used"


def _unheard(unheard: list[Unheard], oldest: date, concepts: Mapping[str, Concept]) -> list[Unheard]:
    """What could not be used and may still be so; what is too old would not count either."""
    kept: list[Unheard] = []
    for one in unheard:
        if one.moment is not None and one.moment.last_day < oldest and one.concept.expires:
            continue
        kept.append(one)
        if one.concept.scope == "ulcer" and (one.value is None or one.value not in NO_ULCER):
            kept.append(Unheard(concepts["foot-ulcer"], one.side, one.site, "present", one.moment, one.source))
    return kept


def _earlier(findings: list[Finding], lookback: str, whom: Person, concepts: Mapping[str, Concept]) -> tuple[Examination, ...]:
    """The examinations before the newest, oldest first: one for each day with readings that a later day repeats."""
    repeated: dict[_Key, list[Finding]] = {}
    for finding in findings:
        if finding.concept.expires and not finding.concept.series:
            repeated.setdefault((finding.concept.code, finding.side, site_code(finding)), []).append(finding)
    days: set[date] = set()
    for found in repeated.values():
        moments = [finding.moment for finding in found if finding.moment is not None]
        latest = max((when.first_day for when in moments), default=date.min)
        days.update(when.last_day for when in moments if when.first_day == when.last_day < latest)
    return tuple(
        Selection(concepts, Examination(whom, day, before(day, lookback))).run(findings) for day in sorted(days)[-EARLIER_DAYS:]
    )


class Selection:
    """One examination in the making, with what there is to say of the readings that were and were not taken."""

    def __init__(self, concepts: Mapping[str, Concept], exam: Examination) -> None:
        self.concepts = concepts
        self.exam = exam
        self.several: dict[_Key, list[Finding]] = {}
        self.ulcers: dict[str, list[Finding]] = {}
        self.ulcer_details: list[Finding] = []
        self.inspections: dict[str, list[Finding]] = {}
        self.out_of_time: list[tuple[Finding, str]] = []
        self.remarks: list[tuple[str, Finding]] = []
        self.also_used: list[Finding] = []

    def run(self, findings: list[Finding]) -> Examination:
        """Choose among all findings of the person."""
        exam = self.exam
        self._place_all(self._within_time(findings))
        if self.inspections:
            self._clear_inspected()
        for key, found in self.several.items():
            self._place_chosen(key, found)
        if self.ulcers or self.ulcer_details:
            for limb in exam.limbs:
                details = [finding for finding in self.ulcer_details if finding.side == limb.side]
                place_ulcers(limb, self.ulcers.get(limb.side, []), details, self._choose, self.concepts)
        for limb in exam.limbs:
            limb.foot_lost = limb.value("amputation") in FOOT_LOST and not self._seen_since(limb)
        return exam

    def _seen_since(self, limb: Limb) -> bool:
        """Whether an active problem was seen on a foot that is said to be gone: then one of both is wrong, and both are taken."""
        gone = limb.findings["amputation"]
        seen = [one for code in _ON_A_FOOT if (one := limb.findings.get(code)) is not None and _is_seen_after(one, gone)]
        if seen:
            self.exam.contradictions.append(Contradiction(seen[0], (gone, *seen[1:])))
            self.remarks.append(("contradiction", seen[0]))
        return bool(seen)

    @property
    def all_stand(self) -> bool:
        """Whether every finding found its place in the examination, and nothing is to be said of any."""
        return not (self.several or self.out_of_time or self.ulcers or self.ulcer_details or self.inspections or self.remarks)

    def _within_time(self, findings: list[Finding]) -> list[Finding]:
        """The findings that are neither later than the day of assessment nor older than the look-back.

        Says on the way when the examination was: the latest of the findings that are of their day.
        """
        exam = self.exam
        kept: list[Finding] = []
        latest = checked = None
        future = old = False
        for finding in findings:
            when = finding.moment
            if when is not None:
                if when is not checked:
                    checked = when
                    future = when.first_day > exam.as_of
                    old = when.last_day < exam.lookback_from
                if when is not latest and finding.concept.expires and not future and _is_later(when, latest):
                    latest = when
                if future or (old and finding.concept.expires):
                    earlier = None if future else self._as_history(finding)
                    if earlier is None:
                        self.out_of_time.append((finding, "date-in-future" if future else "stale"))
                        continue
                    finding = earlier
            kept.append(finding)
            if finding.details and _CHARCOT_SHAPE in finding.details:
                kept.append(history("charcot-history", finding, self.concepts))
        exam.latest = latest.text if latest is not None else None
        return kept

    def _as_history(self, finding: Finding) -> Finding | None:
        """What is too old to be of today but says what once was: an ulcer, a threatened limb, a shape left by a Charcot foot."""
        if finding.concept.scope == "ulcer" and finding.value not in NO_ULCER:
            return history("previous-foot-ulcer", finding, self.concepts)
        if finding.value != "present":
            return None
        earlier = LEAVES.get(finding.concept.code)
        if earlier is not None:
            return history(earlier, finding, self.concepts)
        return history("charcot-history", finding, self.concepts) if _CHARCOT_SHAPE in finding.details else None

    def _place_all(self, findings: list[Finding]) -> None:
        """Put each finding in its place; where one stands already, both go among the several to choose from."""
        exam, several = self.exam, self.several
        limbs = {"left": exam.left, "right": exam.right}
        for finding in findings:
            concept, side = finding.concept, finding.side
            name = code = concept.code
            if code in _APART:
                self._set_apart(finding)
                if code != "foot-inspection":
                    continue
            if side is None:
                place = exam.person
            elif concept.scope == "site":
                sites = limbs[side].sites
                place = sites.get(code) or sites.setdefault(code, {})
                name = site_code(finding)
            else:
                place = limbs[side].findings
            known = place.setdefault(name, finding)
            if known is not finding:
                several.setdefault((code, side, name), [known]).append(finding)

    def _set_apart(self, finding: Finding) -> None:
        """Ulcers and what belongs to them are put together by site; a clear inspection speaks for several findings."""
        if finding.concept.scope == "ulcer":
            self.ulcer_details.append(finding)
        elif finding.concept.code == "foot-ulcer":
            self.ulcers.setdefault(finding.side or "", []).append(finding)
        else:
            self.inspections.setdefault(finding.side or "", []).append(finding)

    def _clear_inspected(self) -> None:
        """A foot that was inspected and found clear: no ulcer, gangrene, infection or hot swollen foot at that time.

        Only the newest inspection speaks for a foot, and of those that tie the worse.
        """
        for found in list(self.inspections.values()):
            one = max(newest(found), key=order)
            if one.value == "clear":
                cleared = [(self.concepts[code], one.side) for code in INSPECTED_CLEAR]
                self._place_all(
                    [
                        Finding(concept, side, None, "absent", one.moment, one.source, (), "foot-inspection")
                        for concept, side in cleared
                    ]
                )

    def _choose(self, found: list[Finding]) -> Finding:
        choice = choose(found)
        taken = choice.taken
        if choice.against:
            self.exam.contradictions.append(Contradiction(taken, tuple(sorted(choice.against, key=order))))
            self.remarks.append(("contradiction", taken if taken.source else choice.against[0]))
        self.remarks += [("duplicate-finding", one) for one in choice.repeated]
        self.also_used += choice.joined
        return taken

    def _place_chosen(self, key: _Key, found: list[Finding]) -> None:
        """Choose among several findings of the same thing and put the chosen one in their place."""
        code, side, name = key
        chosen = self._choose(found)
        if chosen.concept.series:
            readings = sorted(found, key=lambda finding: (start(finding), order(finding)))
            if code in _PRESSURES:
                readings = _merged(readings)
                chosen = readings[-1]
            self.exam.series[code] = readings
            self.also_used += found
        if side is None:
            self.exam.person[name] = chosen
            return
        limb = self.exam.left if side == "left" else self.exam.right
        place = limb.sites[code] if chosen.concept.scope == "site" else limb.findings
        place[name] = chosen


def _is_seen_after(one: Finding, gone: Finding) -> bool:
    """Whether an adverse finding may be of the day of another or later; an entry that was only never closed has to begin after it."""
    if not one.concept.adverse(one.value) or one.source is None:
        return False
    left_open = one.moment is not None and (one.moment.text == "ongoing" or one.moment.text.endswith("/"))
    return start(one) > end(gone) if left_open else end(one) >= start(gone)


def _is_later(when: Moment, latest: Moment | None) -> bool:
    """Whether a moment is of one examination, and of a later one than the latest so far."""
    if when.text == "ongoing" or "/" in when.text:
        return False
    return latest is None or (when.end, when.text) > (latest.end, latest.text)


def _merged(readings: list[Finding]) -> list[Finding]:
    """Systolic and diastolic pressures that came as separate Observations of the same moment, put together."""
    merged: dict[str, Finding] = {}
    for reading in readings:
        key = f"{reading.moment.text if reading.moment else ''}|{reading.detail('minutes-standing')}"
        known = merged.get(key)
        if known is None or any(known.detail(name) is not None for name, _ in reading.details):
            merged[key if known is None else f"{key}|{len(merged)}"] = reading
        else:
            details = tuple(sorted((*known.details, *reading.details)))
            value = next((number for name, number in details if name == "systolic"), known.value)
            merged[key] = msgspec.structs.replace(known, details=details, value=value)
    return list(merged.values())
