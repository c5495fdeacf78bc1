"""What codes mean: from the bytes of a CodeableConcept to a finding, an answer or a place.

A record system repeats the same few hundred codings over and over, byte for byte. The lexicon therefore remembers what the bytes
of a CodeableConcept meant the last time; only new ones are decoded. The memory is bounded and never holds a patient's values.
"""

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, Literal, TypeVar

import msgspec
from msgspec import Struct

from sural import canonical
from sural.terminology import dictionary
from sural.terminology.coding import (
    CodeableConcept,
    Coding,
    Extension,
    codeable_concept,
    codeable_concepts,
    laterality_expression,
)
from sural.terminology.concept import Concept
from sural.terminology.publication import read
from sural.terminology.site import BILATERAL, Site

T = TypeVar("T")
REMEMBERED = 20_000
EQUIVALENT = ("equal", "equivalent")


class Target(Struct, frozen=True):
    """What one code stands for: a concept, and whatever the code fixes by itself.

    With a `value` the code is the finding itself (its presence is the answer). `part` names a component of the concept. `condition`
    limits the target to a site, a region or an unconfirmed diagnosis.
    """

    concept: Concept
    value: str | None = None
    part: str | None = None
    side: str | None = None
    site: str | None = None
    detail: str | None = None
    condition: str | None = None


class Meaning(Struct, frozen=True):
    """The targets of a CodeableConcept; none when it is not ours to read, `conflict` when its codings contradict each other.

    `question` is the concept when the code asks for its value and says nothing else.
    """

    targets: tuple[Target, ...]
    side: str | None = None
    site: Site | None = None
    conflict: bool = False
    nearly: bool = False
    coding: tuple[str, str, str] = ("", "", "")
    question: Concept | None = None


class Place(Struct, frozen=True):
    """Where a finding lies. `trouble` is the key of the issue when the codings say two sides or two sites, or nothing known."""

    side: str | None = None
    site: Site | None = None
    trouble: (
        Literal["side-conflict", "site-conflict", "site-not-mapped", "laterality-not-understood", "structure-invalid"] | None
    ) = None


class Absent(Struct, frozen=True):
    """A test that was not done, with the reason (a data-absent-reason code)."""

    reason: str


class Unread(Struct, frozen=True):
    """An answer that cannot be read, with the key of the issue."""

    key: str


PRESENCE = Concept("presence", "", "", "", "person", "code", ("absent", "present"), 1)
NOWHERE = Place()
NOTHING = Meaning(())


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

    `meanings[raw]` is what the code of an Observation, Condition, Procedure or component stands for; `places[raw]` the side and site of
    a bodySite; `answers[concept.code][raw]` the answer code of a coded value, or that the test was not done, or that the value is none
    of the concept's answers; `presences[raw]` whether a coded value says present or absent; `absences[raw]` the reason of a
    dataAbsentReason (`unknown` when it is coded in a way we do not know). Each takes the JSON bytes of the element.
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
        self._services: dict[tuple[str, str], tuple[str, bool]] = {}
        self._nearly: set[tuple[str, str]] = set()
        for name in ("findings", "answers", "absent-reasons", "sites", "sides", "services"):
            self._lay(read("ConceptMap", name))
        for overlay in overlays:
            self._lay(overlay)
        self._medicines = dictionary.medicines()
        self.meanings = Remembered(self._read_meaning)
        self.places = Remembered(self._read_place)
        self.absences = Remembered(self._read_reason)
        self.answers = {code: Remembered(partial(self._read_answer, concept)) for code, concept in self.concepts.items()}
        self.presences = Remembered(partial(self._read_answer, PRESENCE))

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
            return NOTHING
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
                if side:
                    sides.add(side)
            elif (system, code) in self._sites:
                site, fixed = self._sites[system, code]
                places.append(site)
                sides.update(filter(None, (side, fixed)))
        named = own or open_codes
        nearly = any((coding.system or "", coding.code or "") in self._nearly for coding in concept.coding)
        place = _narrowest(places)
        side = next(iter(sides)) if len(sides) == 1 else None
        same = {frozenset((target.concept.code, target.value) for target in targets) for targets in named}
        if len(same) > 1 or len(sides) > 1:
            return Meaning((), conflict=True, coding=label)
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
                found.append((key[0], expression[0], side or "?"))
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
            known = {self._sides.get((coding.system or "", coding.code or ""), "?") for coding in codings}
            if extension.valueCode:
                known.add(self._sides.get((canonical.SIDE, extension.valueCode), "?"))
            sides |= known
        return sides

    def _read_place(self, raw: bytes) -> Place:
        try:
            concepts = codeable_concepts(raw)
        except msgspec.MsgspecError:
            return Place(trouble="structure-invalid")
        sides: set[str] = set()
        sites: list[Site] = []
        unknown = False
        for concept in concepts:
            for system, code, side in self._codings(concept, sides):
                entry = self._sites.get((system, code))
                if entry:
                    sites.append(entry[0])
                    sides.update(filter(None, (side, entry[1])))
                else:
                    unknown = True
                    if side:
                        sides.add(side)
            unknown = unknown or not (concept.coding or concept.extension)
        if "?" in sides:
            return Place(trouble="laterality-not-understood")
        if len(concepts) > 1 and sides == {"left", "right"}:
            sides = {BILATERAL}
        if len(sides) > 1:
            return Place(trouble="side-conflict")
        site = _narrowest(sites)
        if sites and site is None:
            return Place(next(iter(sides), None), trouble="site-conflict")
        return Place(next(iter(sides), None), site, "site-not-mapped" if unknown and site is None else None)

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
                found.update([code for code in self._answers[key] if code in concept.answers][:1])
            elif key in self._absent:
                reason = Absent(self._absent[key])
            elif key in self._findings:
                found.update(t.value for t in self._findings[key] if t.concept is concept and t.value in concept.answers)
        if len(found) == 1 and reason is None:
            return found.pop()
        if reason is not None and not found:
            return reason
        return Unread("value-conflict" if found else "value-not-mapped")

    def _read_reason(self, raw: bytes) -> Absent:
        try:
            concept = codeable_concept(raw)
        except msgspec.MsgspecError:
            return Absent("unknown")
        for coding in concept.coding:
            if coding.system == canonical.ABSENT_REASON and coding.code:
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


def _narrowest(sites: list[Site]) -> Site | None:
    """The one site that lies within all the others, or None when they are apart.

    A code for a whole foot or limb is often sent only for its side ("left foot" beside "medial malleolus"): any site of that limb is
    narrower.
    """
    for site in sites:
        if all(site.lies_in(other.code) or (other.code in _WHOLE and site.lies_in(_WHOLE[other.code])) for other in sites):
            return site
    return None
