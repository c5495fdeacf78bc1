"""What codes mean: from the bytes of a CodeableConcept to a finding, an answer or a place.

A record system repeats the same few hundred codings over and over, byte for byte. The lexicon therefore remembers what the bytes
of a CodeableConcept meant the last time; only new ones are decoded. The memory is bounded and never holds a patient's values.
"""

import hashlib
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, Literal, TypeVar

import msgspec

from sural import canonical
from sural.terminology import dictionary
from sural.terminology.coding import (
    CodeableConcept,
    Coding,
    Extension,
    codeable_concept,
    laterality_expression,
)
from sural.terminology.concept import Concept
from sural.terminology.meaning import NOWHERE, PRESENCE, Absent, Meaning, Place, Plain, Target, Unread
from sural.terminology.publication import read
from sural.terminology.site import BILATERAL, SIDES, Site

T = TypeVar("T")
REMEMBERED = 20_000
EQUIVALENT = ("equal", "equivalent")
UNKNOWN_SIDE = "?"
ABSENT_REASONS = frozenset(
    [
        "unknown",
        "asked-unknown",
        "temp-unknown",
        "not-asked",
        "asked-declined",
        "masked",
        "not-applicable",
        "unsupported",
        "as-text",
        "error",
        "not-a-number",
        "negative-infinity",
        "positive-infinity",
        "not-performed",
        "not-permitted",
    ]
)
_TOO_MUCH = frozenset({"brisk", "clonus", "increased"})


class Remembered(dict[bytes, T]):
    """What some bytes meant, worked out the first time they are asked for. Bounded: it starts afresh when it is full."""

    def __init__(self, work_out: Callable[[bytes], T]) -> None:
        super().__init__()
        self._work_out = work_out

    def __missing__(self, raw: bytes) -> T:
        if len(self) >= REMEMBERED:
            self.clear()
        meaning = self[raw] = self._work_out(raw)
        return meaning


class Lexicon:
    """Look-ups over the published terminology and, optionally, a site's own ConceptMaps laid over it.

    `meanings[raw]` is what the code of an Observation, Condition, Procedure or component stands for, `diagnoses[raw]` that of a
    Condition or Procedure as what is there because it is named; `places[raw]` the side and site of
    a bodySite; `answers[concept.code][raw]` the answer code of a coded value, or that the
    test was not done, or that the value is none of the concept's answers; `presences[raw]` whether a coded value says present or absent;
    `absences[raw]` the reason of a dataAbsentReason (`unknown` when it is coded in a way we do not know). Each takes the JSON bytes of
    the element. `plain` holds what a code, a body site and a coded value said together, under the key that `remember_plain` was given.
    """

    def __init__(self, overlays: tuple[Mapping[str, Any], ...] = ()) -> None:
        """`overlays`: FHIR ConceptMap resources. Raises ValueError when one maps to a code we do not have."""
        self.concepts = dictionary.concepts()
        self.sites = dictionary.sites()
        self._findings: dict[tuple[str, str], tuple[Target, ...]] = {
            (canonical.FINDING, code): (Target(concept),) for code, concept in self.concepts.items()
        }
        self._answers: dict[tuple[str, str], tuple[str, ...]] = {}
        self._absent: dict[tuple[str, str], str] = {}
        self._sites: dict[tuple[str, str], tuple[Site, str | None]] = {
            (canonical.SITE, code): (site, None) for code, site in self.sites.items()
        }
        self._sides: dict[tuple[str, str], str] = {(canonical.SIDE, side): side for side in ("left", "right", BILATERAL)}
        self._services: dict[tuple[str, str], tuple[str, bool]] = {
            (canonical.SERVICE, entry["code"]): (entry["code"], True) for entry in read("CodeSystem", "service")["concept"]
        }
        self._nearly: set[tuple[str, str]] = set()
        for name in ("findings", "questions", "answers", "absent-reasons", "sites", "sides", "services"):
            self._lay(read("ConceptMap", name))
        for overlay in overlays:
            self._lay(overlay)
        self._medicines = dictionary.medicines()
        self.meanings = Remembered(self._read_meaning)
        self.diagnoses = Remembered(lambda raw: self.meanings[raw].named)
        self.places = Remembered(self._read_place)
        self.absences = Remembered(self._read_reason)
        self.answers = {code: Remembered(partial(self._read_answer, concept)) for code, concept in self.concepts.items()}
        self.plain: dict[bytes, Plain | None] = {}
        self.presences = Remembered(partial(self._read_answer, PRESENCE))

    def codes(self) -> list[tuple[str, str]]:
        """(system, code) of every code that means a finding, or nearly one: what to ask a record system for."""
        return sorted({*self._findings, *(key for key in self._nearly if key not in self._answers)})

    def remember_plain(self, key: bytes, code: bytes, body_site: bytes, coded: bytes) -> Plain | None:
        """What these three elements say together (the last two may be empty), or None; kept in `plain` under the key."""
        if len(self.plain) >= REMEMBERED:
            self.plain.clear()
        said = self.plain[key] = self._read_plain(code, body_site, coded)
        return said

    def _read_plain(self, code: bytes, body_site: bytes, coded: bytes) -> Plain | None:
        concept = self.meanings[code].question
        place = self.places[body_site] if body_site else NOWHERE
        if concept is None or concept.kind == "component" or place.trouble:
            return None
        if concept.sided and place.side not in SIDES:
            return None
        answer = self.answers[concept.code][coded] if coded else None
        if isinstance(answer, Absent | Unread):
            return None
        return Plain(
            concept, place.side if concept.sided else None, place.site if concept.sited else None, answer, concept.expires
        )

    def generic(self, concept: Concept, word: Literal["present", "absent"]) -> str | None:
        """The concept's answer for a bare yes or no (a boolean), or None where a boolean does not answer it."""
        wanted = ("present", "felt", "positive") if word == "present" else ("absent", "not-felt", "none", "negative")
        yes_or_no = {"present", "felt"} if word == "present" else {"absent", "not-felt", "none"}
        return next((code for code in wanted if code in concept.answers and code in yes_or_no), None)

    def display_answer(self, concept: Concept, text: str) -> str | None:
        """The answer whose display is exactly this text."""
        displays = dictionary.answer_displays()
        return next((code for code in concept.answers if displays[code] == text), None)

    def service(self, codings: list[Coding]) -> tuple[str, bool] | None:
        """Our service for a referral's codes, and whether the code means exactly that service."""
        found = [self._services[key] for coding in codings if (key := (coding.system or "", coding.code or "")) in self._services]
        return max(found, key=lambda service: service[1], default=None)

    def medicine(self, raw: bytes) -> str | None:
        """The medicine known to harm nerves that a medication code names: by our code, or by its international name as display or text."""
        try:
            concept = codeable_concept(raw)
        except msgspec.MsgspecError:
            return None
        for coding in concept.coding:
            if coding.system == canonical.MEDICINE and coding.code in self._medicines.values():
                return coding.code
        names = [coding.display or "" for coding in concept.coding] + [concept.text or ""]
        return next((self._medicines[name] for text in names if (name := text.strip().lower()) in self._medicines), None)

    def _read_meaning(self, raw: bytes) -> Meaning:
        try:
            concept = codeable_concept(raw)
        except msgspec.MsgspecError:
            return Meaning((), trouble="structure-invalid")
        first = concept.coding[0] if concept.coding else Coding(display=concept.text)
        label = (first.system or "", first.code or "", first.display or concept.text or "")
        own: list[tuple[Target, ...]] = []
        open_codes: list[tuple[Target, ...]] = []
        sides: set[str] = set()
        places: list[Site] = []
        for system, code, side in self._codings(concept, sides):
            targets = self._findings.get((system, code))
            if targets:
                (own if system == canonical.FINDING else open_codes).append(targets)
                sides.update(filter(None, (side,)))
            elif (system, code) in self._sites:
                site, fixed = self._sites[system, code]
                places.append(site)
                sides.update(filter(None, (side, fixed)))
        named = own or open_codes
        if UNKNOWN_SIDE in sides or len(sides) > 1 or _apart(own, open_codes):
            meant = tuple(dict.fromkeys(target for targets in own + open_codes for target in targets))
            unknown = UNKNOWN_SIDE in sides
            either = None if unknown else BILATERAL if len(sides) > 1 else next(iter(sides), None)
            return Meaning(meant, either, trouble="laterality-not-understood" if unknown else "code-conflict", coding=label)
        nearly = any((coding.system or "", coding.code or "") in self._nearly for coding in concept.coding)
        place = _narrowest(places)
        side = next(iter(sides), None)
        targets = named[0] if named else ()
        plain = len(targets) == 1 and targets[0] == Target(targets[0].concept) and not side and place is None
        question = targets[0].concept if plain and targets[0].concept.scope != "component" else None
        return Meaning(targets, side, place, nearly=nearly and not named, coding=label, question=question)

    def _codings(self, concept: CodeableConcept, sides: set[str]) -> list[tuple[str, str, str | None]]:
        """(system, code, side) of each coding; a coding that is only a side, or a laterality extension, goes into `sides`."""
        found: list[tuple[str, str, str | None]] = []
        for coding in concept.coding:
            key = (coding.system or "", coding.code or "")
            if key in self._sides:
                sides.add(self._sides[key])
                continue
            expression = laterality_expression(key[1]) if key[0] == canonical.SNOMED and ":" in key[1] else None
            if expression:
                side = self._sides.get((canonical.SNOMED, expression[1]))
                found.append((key[0], expression[0], side or UNKNOWN_SIDE))
            else:
                found.append((*key, None))
        sides.update(self._extension_sides(concept.extension))
        return found

    def _extension_sides(self, extensions: list[Extension]) -> set[str]:
        sides: set[str] = set()
        for extension in extensions:
            if "laterality" not in (extension.url or "").lower():
                continue
            codings = list(extension.valueCodeableConcept.coding) if extension.valueCodeableConcept else []
            if extension.valueCoding:
                codings.append(extension.valueCoding)
            known = {self._sides.get((coding.system or "", coding.code or ""), UNKNOWN_SIDE) for coding in codings}
            if extension.valueCode:
                known.add(self._sides.get((canonical.SIDE, extension.valueCode), UNKNOWN_SIDE))
            sides |= known
        return sides

    def _read_place(self, raw: bytes) -> Place:
        try:
            concept = codeable_concept(raw)
        except msgspec.MsgspecError:
            return Place(trouble="structure-invalid")
        sides: set[str] = set()
        sites: list[Site] = []
        unknown = not (concept.coding or concept.extension)
        for system, code, side in self._codings(concept, sides):
            entry = self._sites.get((system, code))
            sides.update(filter(None, (side, entry[1] if entry else None)))
            if entry:
                sites.append(entry[0])
            else:
                unknown = True
        if UNKNOWN_SIDE in sides:
            return Place(trouble="laterality-not-understood")
        if len(sides) > 1:
            return Place(trouble="side-conflict")
        site = _narrowest(sites)
        if sites and site is None:
            return Place(next(iter(sides), None), trouble="site-conflict")
        if unknown and site is None:
            return Place(next(iter(sides), None), _unmapped(concept), "site-not-mapped")
        return Place(next(iter(sides), None), site)

    def _read_answer(self, concept: Concept, raw: bytes) -> str | Absent | Unread:
        try:
            value = codeable_concept(raw)
        except msgspec.MsgspecError:
            return Unread("structure-invalid")
        found: set[str] = set()
        reason: Absent | None = None
        for coding in value.coding:
            key = (coding.system or "", coding.code or "")
            if key[0] == canonical.FINDING_VALUE:
                if key[1] in concept.answers:
                    found.add(key[1])
            elif key in self._answers:
                found.update(self._open_answer(concept, key))
            elif key[0] == canonical.ABSENT_REASON and key[1] in ABSENT_REASONS:
                reason = Absent(key[1])
            elif key in self._absent:
                reason = Absent(self._absent[key])
            elif key in self._findings:
                found.update(t.value for t in self._findings[key] if t.concept is concept and t.value in concept.answers)
        if len(found) == 1 and reason is None:
            return found.pop()
        if reason is not None and not found:
            return reason
        return Unread("value-conflict" if found else "value-not-mapped")

    def _open_answer(self, concept: Concept, key: tuple[str, str]) -> list[str]:
        """The concept's answer for an open code. A bare "abnormal" is none where too much would be abnormal as well as too little."""
        fitting = [code for code in self._answers[key] if code in concept.answers][:1]
        return [] if len(self._answers[key]) > 1 and fitting == ["reduced"] and _TOO_MUCH & {*concept.answers} else fitting

    def _read_reason(self, raw: bytes) -> Absent:
        try:
            concept = codeable_concept(raw)
        except msgspec.MsgspecError:
            return Absent("unknown")
        for coding in concept.coding:
            if coding.system == canonical.ABSENT_REASON and coding.code in ABSENT_REASONS:
                return Absent(coding.code)
            if (coding.system or "", coding.code or "") in self._absent:
                return Absent(self._absent[coding.system or "", coding.code or ""])
        return Absent("unknown")

    def _lay(self, concept_map: Mapping[str, Any]) -> None:
        """Add one ConceptMap. Only equal and equivalent targets count as evidence; the others are remembered as near misses."""
        for group in concept_map.get("group", ()):
            source = group.get("source", "")
            for element in group.get("element", ()):
                key = (source, element["code"])
                entries = [entry for entry in element.get("target", ()) if entry.get("code")]
                exact = [entry for entry in entries if entry.get("equivalence") in EQUIVALENT]
                system = group.get("target", "")
                if system == canonical.SERVICE:
                    for entry in entries:
                        self._services[key] = (entry["code"], entry in exact)
                elif not exact:
                    if entries:
                        self._nearly.add(key)
                elif system == canonical.FINDING:
                    self._findings[key] = tuple(self._target(entry) for entry in exact)
                elif system == canonical.FINDING_VALUE:
                    self._answers[key] = tuple(entry["code"] for entry in exact)
                elif system == canonical.ABSENT_REASON:
                    self._absent[key] = exact[0]["code"]
                elif system == canonical.SITE:
                    products = _products(exact[0])
                    self._sites[key] = (_known(self.sites, exact[0]["code"]), products.get("side"))
                elif system == canonical.SIDE:
                    self._sides[key] = exact[0]["code"]

    def _target(self, entry: Mapping[str, Any]) -> Target:
        products = _products(entry)
        concept = _known(self.concepts, entry["code"])
        value = products.get("value")
        if value is not None and value not in concept.answers:
            raise ValueError(f"{value!r} is not an answer to {concept.code!r}")
        conditions = [item["value"] for item in entry.get("dependsOn", ())]
        return Target(
            concept,
            value,
            part=products.get("part"),
            side=products.get("side"),
            site=products.get("site"),
            detail=products.get("detail"),
            condition=conditions[0] if conditions else None,
        )


def _products(entry: Mapping[str, Any]) -> dict[str, str]:
    return {item["property"].rpartition("/")[2]: item["value"] for item in entry.get("product", ())}


def _known(table: Mapping[str, T], code: str) -> T:
    try:
        return table[code]
    except KeyError:
        raise ValueError(f"no code {code!r} in our code system") from None


_WHOLE = {"foot": "leg", "lower-leg": "leg", "lower-limb": "leg", "hand": "arm", "upper-limb": "arm"}


def _apart(own: list[tuple[Target, ...]], open_codes: list[tuple[Target, ...]]) -> bool:
    """Whether the codings name different findings. Beside our own code an open one may say more or less of the same."""
    named = own or open_codes
    if len({frozenset((target.concept.code, target.value) for target in targets) for targets in named}) > 1:
        return True
    ours = {target.concept.code for targets in own for target in targets}
    return bool(ours) and any(ours.isdisjoint(target.concept.code for target in targets) for targets in open_codes)


def _unmapped(concept: CodeableConcept) -> Site:
    """A place of its own for a body site that is not known, so that two of them are never taken for one."""
    told = msgspec.json.encode([(one.system, one.code) for one in concept.coding] or concept.text)
    return Site("unmapped-" + hashlib.blake2b(told, digest_size=4).hexdigest(), "Site not mapped", "")


def _narrowest(sites: list[Site]) -> Site | None:
    """The one site that lies within all the others, or None when they are apart.

    A code for a whole foot or limb is often sent only for its side ("left foot" beside "medial malleolus"): any site of that limb is
    narrower.
    """
    for site in sites:
        if all(site.lies_in(other.code) or (other.code in _WHOLE and site.lies_in(_WHOLE[other.code])) for other in sites):
            return site
    return None
