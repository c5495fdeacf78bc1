"""From everything that was read of a patient to one examination: the newest per finding, side and site, the worse where they tie.

A finding is newest when none begins later than it may have ended; partial dates and exact ones on the same day therefore tie. Of
findings that tie, the worse reading is taken and the contradiction reported. What lasts (history, diabetes, a known arterial
diagnosis) is never undone by a later "no": the two contradict each other and the adverse one is taken.
"""

from datetime import date
from math import inf

import msgspec

from sural.exam.examination import FOOT_LOST, Contradiction, Examination, Limb, Person, Ulcer
from sural.exam.finding import Finding
from sural.exam.moment import Moment, moment, whole_years
from sural.intake import wire
from sural.intake.context import Context, Gathered
from sural.intake.references import Subject

INSPECTED_CLEAR = ("foot-ulcer", "gangrene", "foot-infection", "hot-swollen-foot")
VISIBLE = (*INSPECTED_CLEAR, "callus", "foot-deformity", "significant-callus", "significant-deformity", "dry-skin", "fissure",
           "nail-problem", "oedema")  # fmt: skip
HISTORY = ("previous-foot-ulcer", "amputation", "charcot-history")
_APART = frozenset({"foot-ulcer", "foot-inspection", "ulcer-site", "ulcer-area", "ulcer-depth", "ulcer-wound-grade", "ulcer-onset",
                    "ulcer-exposes-bone", "ulcer-on-heel", "probe-to-bone"})  # fmt: skip
_PRESSURES = ("blood-pressure-lying", "blood-pressure-standing")
_Key = tuple[str, str | None, str]


def select(context: Context, about: Gathered, as_of: date, lookback_from: date, complete: frozenset[str]) -> Examination:
    """Put the examination of one patient together and decide what became of each resource."""
    return _Selection(context, about, Examination(_person(about.subject, as_of), as_of, lookback_from)).run(complete)


class _Selection:
    def __init__(self, context: Context, about: Gathered, exam: Examination) -> None:
        self.context = context
        self.about = about
        self.exam = exam
        self.lexicon = context.lexicon
        self.several: dict[_Key, list[Finding]] = {}
        self.ulcers: dict[str, list[Finding]] = {}
        self.ulcer_details: list[Finding] = []

    def run(self, complete: frozenset[str]) -> Examination:
        exam, about = self.exam, self.about
        self._place_all(self._within_time(about.findings))
        for key, found in self.several.items():
            self._place_chosen(key, found)
        self._place_ulcers()
        for finding in about.unstated:
            self._put(exam.unstated, finding)
        exam.not_examined = about.not_examined
        exam.requests = about.requests
        exam.preliminary = about.preliminary
        for limb in exam.limbs:
            limb.foot_lost = limb.value("amputation") in FOOT_LOST
        exam.complete = complete
        if complete:
            self._assume()
        for finding in exam:
            if finding.source is not None:
                self.context.fates[finding.source.index] = "used"
        exam.latest = self._latest()
        return exam

    def _within_time(self, findings: list[Finding]) -> list[Finding]:
        """The findings that are neither later than the day of assessment nor older than the look-back."""
        exam, fates = self.exam, self.context.fates
        kept: list[Finding] = []
        checked: Moment | None = None
        future = old = False
        for finding in findings:
            when = finding.moment
            if when is not None:
                if when is not checked:
                    checked = when
                    future = when.first_day > exam.as_of
                    old = when.last_day < exam.lookback_from
                if future or (old and finding.concept.expires):
                    self._out_of_time(finding, "date-in-future" if future else "stale")
                    continue
            kept.append(finding)
            assert finding.source is not None
            if fates[finding.source.index] is None:
                fates[finding.source.index] = "superseded"
        return kept

    def _out_of_time(self, finding: Finding, key: str) -> None:
        assert finding.source is not None
        index, context = finding.source.index, self.context
        if context.reasons.get(index) != key:
            item = context.items[index]
            if key == "stale":
                context.not_relevant(item, key, self.about)
            else:
                context.unusable(item, key, self.about)

    def _place_all(self, findings: list[Finding]) -> None:
        """Put each finding in its place; where one stands already, both go among the several to choose from."""
        exam, several = self.exam, self.several
        for finding in findings:
            concept, side = finding.concept, finding.side
            code = concept.code
            if code in _APART:
                self._set_apart(finding)
                if code != "foot-inspection":
                    continue
            if side is None:
                place, name = exam.person, code
            else:
                limb = exam.left if side == "left" else exam.right
                if concept.scope == "site":
                    place, name = limb.sites.setdefault(code, {}), _site_code(finding)
                else:
                    place, name = limb.findings, code
            known = place.get(name)
            if known is None:
                place[name] = finding
            else:
                several.setdefault((code, side, name), [known]).append(finding)

    def _set_apart(self, finding: Finding) -> None:
        """Ulcers and what belongs to them are put together by site; a clear inspection speaks for several findings."""
        if finding.concept.scope == "ulcer":
            self.ulcer_details.append(finding)
        elif finding.concept.code == "foot-ulcer":
            self.ulcers.setdefault(finding.side or "", []).append(finding)
        elif finding.value == "clear":
            self._clear(finding)

    def _clear(self, inspection: Finding) -> None:
        """A foot that was inspected and found clear: no ulcer, gangrene, infection or hot swollen foot at that time."""
        for code in INSPECTED_CLEAR:
            concept = self.lexicon.concepts[code]
            finding = Finding(
                concept, inspection.side, None, "absent", inspection.moment, inspection.source, (), "foot-inspection"
            )
            self._place_all([finding])

    def _choose(self, found: list[Finding]) -> Finding:
        """The newest of several, or the worst of those that tie; contradictions are kept."""
        concept = found[0].concept
        if concept.expires:
            latest = max(_start(finding) for finding in found)
            contenders = [finding for finding in found if _end(finding) >= latest]
        else:
            contenders = found
        taken = max(contenders, key=_order)
        against = tuple(finding for finding in contenders if finding.value != taken.value and _contradicts(taken, finding))
        if against and not concept.series:
            self._contradiction(taken, against)
        for finding in contenders:
            if finding is not taken and finding.value == taken.value and finding.assumed is None and taken.assumed is None:
                self._remark("duplicate-finding", finding)
        return taken

    def _contradiction(self, taken: Finding, against: tuple[Finding, ...]) -> None:
        self.exam.contradictions.append(Contradiction(taken, tuple(sorted(against, key=_order))))
        self._remark("contradiction", taken if taken.source else against[0])

    def _remark(self, key: str, finding: Finding) -> None:
        if finding.source is not None:
            self.context.remark(finding.source, key, self.about, diagnostics=finding.concept.code)

    def _place_chosen(self, key: _Key, found: list[Finding]) -> None:
        """Choose among several findings of the same thing and put the chosen one in their place."""
        code, side, name = key
        chosen = self._choose(found)
        if chosen.concept.series:
            readings = sorted(found, key=lambda finding: (_start(finding), _order(finding)))
            if code in _PRESSURES:
                readings = _merged(readings)
                chosen = readings[-1]
            self.exam.series[code] = readings
            for finding in found:
                assert finding.source is not None
                self.context.fates[finding.source.index] = "used"
        if side is None:
            self.exam.person[name] = chosen
            return
        limb = self.exam.left if side == "left" else self.exam.right
        place = limb.sites[code] if chosen.concept.scope == "site" else limb.findings
        place[name] = chosen

    def _put(self, limb: Limb, finding: Finding) -> None:
        """Keep the worst of the findings whose side is not known."""
        if finding.concept.scope == "site":
            by_site = limb.sites.setdefault(finding.concept.code, {})
            by_site[f"{_site_code(finding)}{len(by_site)}"] = finding
            return
        known = limb.findings.get(finding.concept.code)
        if known is None or _order(finding) > _order(known):
            limb.findings[finding.concept.code] = finding

    def _place_ulcers(self) -> None:
        """Ulcers by site. A "no ulcer" for the whole foot ends all that are not newer; one for a site ends the ulcer there."""
        if not self.ulcers and not self.ulcer_details:
            return
        for limb in self.exam.limbs:
            found = self.ulcers.get(limb.side, [])
            details = [finding for finding in self.ulcer_details if finding.side == limb.side]
            if not found and not details:
                continue
            whole = [finding for finding in found if finding.value == "absent" and _site_code(finding) in ("", "foot")]
            sites = sorted({_site_code(finding) for finding in found if finding not in whole})
            for site in sites:
                here = [finding for finding in found if finding not in whole and _site_code(finding) == site]
                chosen = self._choose(here + whole)
                if chosen.value == "present":
                    limb.ulcers.append(Ulcer(limb.side, site or None, chosen, {}))
                else:
                    self._healed(limb, here)
            if not limb.ulcers and details and not whole:
                self._infer_ulcers(limb, details)
            if limb.ulcers:
                limb.findings["foot-ulcer"] = limb.ulcers[0].present
            elif whole:
                chosen = max(whole, key=lambda finding: (_start(finding), _order(finding)))
                limb.findings["foot-ulcer"] = chosen
            self._attach(limb, details)

    def _healed(self, limb: Limb, found: list[Finding]) -> None:
        """An ulcer that was there within the look-back and is not any more is an earlier ulcer."""
        earlier = [finding for finding in found if finding.value == "present"]
        known = limb.findings.get("previous-foot-ulcer")
        if earlier and (known is None or known.value != "present"):
            ulcer = max(earlier, key=_order)
            concept = self.lexicon.concepts["previous-foot-ulcer"]
            limb.findings["previous-foot-ulcer"] = Finding(
                concept, limb.side, None, "present", ulcer.moment, ulcer.source, (), "foot-ulcer"
            )

    def _infer_ulcers(self, limb: Limb, details: list[Finding]) -> None:
        """Details of an ulcer that nobody named: what is measured is there."""
        telling = [finding for finding in details if finding.value not in ("epithelialised", "none", "negative", "absent")]
        for site in sorted({_site_code(finding) for finding in telling}):
            first = max((finding for finding in telling if _site_code(finding) == site), key=_order)
            concept = self.lexicon.concepts["foot-ulcer"]
            present = Finding(concept, limb.side, first.site, "present", first.moment, first.source, (), first.concept.code)
            limb.ulcers.append(Ulcer(limb.side, site or None, present, {}))

    def _attach(self, limb: Limb, details: list[Finding]) -> None:
        """Give each ulcer what is known of it: what was found at its site, else what was found without a site."""
        groups: dict[tuple[str, str], list[Finding]] = {}
        for finding in details:
            groups.setdefault((finding.concept.code, _site_code(finding)), []).append(finding)
        chosen = {key: self._choose(found) for key, found in groups.items()}
        for ulcer in limb.ulcers:
            for (code, site), finding in chosen.items():
                fits = site == (ulcer.site or "") or (site in ("", "foot") and code not in ulcer.details)
                fits = fits or (len(limb.ulcers) == 1 and ulcer.site in (None, "foot") and code not in ulcer.details)
                if fits:
                    ulcer.details[code] = finding

    def _assume(self) -> None:
        """What the sender declared complete: on an examined foot, nothing visible that is not recorded; no history not recorded."""
        exam, concepts = self.exam, self.lexicon.concepts
        stated = {(entry.concept.code, entry.side) for entry in exam.not_examined}
        for limb in exam.limbs:
            if "inspection" in exam.complete and any(finding.concept.expires for finding in limb):
                for code in VISIBLE:
                    if code not in limb.findings and (code, limb.side) not in stated:
                        limb.findings[code] = Finding(
                            concepts[code], limb.side, None, "absent", None, None, (), "complete-inspection"
                        )
            if "history" in exam.complete:
                for code in HISTORY:
                    if code not in limb.findings and (code, limb.side) not in stated:
                        nothing = concepts[code].answers[0]
                        limb.findings[code] = Finding(
                            concepts[code], limb.side, None, nothing, None, None, (), "complete-history"
                        )
        if "history" in exam.complete:
            for code in ("dialysis-or-transplant", "end-stage-renal-disease"):
                if code not in exam.person and (code, None) not in stated:
                    nothing = concepts[code].answers[0]
                    exam.person[code] = Finding(concepts[code], None, None, nothing, None, None, (), "complete-history")

    def _latest(self) -> str | None:
        """When the examination was: the latest of the findings that are of their day."""
        latest: Moment | None = None
        for finding in self.about.findings:
            when = finding.moment
            if when is None or when is latest or not finding.concept.expires or when.text == "ongoing" or "/" in when.text:
                continue
            if when.first_day <= self.exam.as_of and (latest is None or (when.end, when.text) > (latest.end, latest.text)):
                latest = when
        return latest.text if latest else None


def _site_code(finding: Finding) -> str:
    site = finding.site
    if site is None:
        return ""
    return "hallux" if site.code == "toe-1" else site.code


def _start(finding: Finding) -> float:
    return finding.moment.start if finding.moment else -inf


def _end(finding: Finding) -> float:
    return finding.moment.end if finding.moment else inf


def _order(finding: Finding) -> tuple[object, ...]:
    """Worse readings last; among equals the later one, then a fixed order that does not depend on the input's."""
    source = finding.source
    return (
        finding.concept.severity(finding.value),
        _end(finding),
        _start(finding),
        source.issued if source else "",
        (source.reference or "") if source else "",
        str(finding.value),
    )


def _contradicts(taken: Finding, other: Finding) -> bool:
    """Whether two readings of the same thing cannot both be right; two adverse ones that last can (a toe, later the foot)."""
    concept = taken.concept
    if concept.expires or not concept.answers:
        return True
    return concept.adverse(taken.value) != concept.adverse(other.value)


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


def _person(subject: Subject, as_of: date) -> Person:
    record: wire.Patient | None = subject.record
    if record is None:
        return Person(subject.reference)
    identifiers = tuple((one.system, one.value) for one in record.identifier if one.value)
    born = moment(record.birthDate) if record.birthDate else None
    if born is None or born.first_day > as_of:
        return Person(subject.reference, identifiers, gender=record.gender)
    latest_birth = min(born.last_day, as_of)
    return Person(
        subject.reference, identifiers, whole_years(latest_birth, as_of), whole_years(born.first_day, as_of), record.gender
    )
