"""Whom and what references point to: urn:uuid, relative, absolute, versioned, contained, conditional and logical references.

Source: FHIR R4, Bundle, "resolving references in bundles": a reference equals an entry's fullUrl, or is relative to the base of the
entry's own fullUrl. Version-specific references are resolved to the resource. A conditional or logical reference means a patient only
when exactly one has that identifier.
"""

from collections import defaultdict
from collections.abc import Mapping
from urllib.parse import unquote

import msgspec
from msgspec import Struct

from sural.intake import wire
from sural.intake.documents import Item


class Subject(Struct, eq=False):
    """A patient of the input: how to cite them, the record when the input holds it, and where it stands.

    `key` is the absolute identity. `reference` is the short form the input uses, unless two patients share it.
    """

    key: str
    reference: str
    record: wire.Patient | None = None
    item: Item | None = None


class References:
    """Resolves references among the resources of one document."""

    def __init__(self, items: list[Item]) -> None:
        self._items = items
        self._subjects: dict[str, Subject] = {}
        self._by_identifier: dict[tuple[str | None, str | None], Subject | None] = {}
        self._by_name: Mapping[str, list[Item]] | None = None
        self.patients: list[Subject] = []
        for item in [item for item in items if item.type == "Patient"]:
            if isinstance(item.record, wire.Patient):
                self._add_patient(item, item.record)

    def _add_patient(self, item: Item, record: wire.Patient) -> None:
        key = identity(item) or _identified(record) or ""
        subject = self._subjects.get(key)
        if subject is None or not key:
            short = f"Patient/{record.id}" if record.id else key
            subject = self._subjects[key] = Subject(key, short, record, item)
            self.patients.append(subject)
        elif subject.record is not None and msgspec.json.encode(record) > msgspec.json.encode(subject.record):
            subject.record, subject.item = record, item
        for identifier in record.identifier:
            if identifier.value:
                self._claim(subject, identifier.system, identifier.value)

    def _claim(self, subject: Subject, system: str | None, value: str) -> None:
        known = self._by_identifier.setdefault((system, value), subject)
        if known is not subject:
            self._by_identifier[system, value] = None

    def subject(self, reference: wire.Reference | None, item: Item) -> Subject | None:
        """The patient a reference means, or None when it means none: nothing given, not a patient, or not exactly one."""
        if reference is None:
            return None
        text = reference.reference
        if not text:
            return self._logical(reference)
        if reference.type not in (None, "Patient"):
            return None
        if text.startswith("#"):
            return self._contained_patient(text, item)
        if "?" in text:
            return self._conditional(text)
        plain = text.partition("/_history/")[0]
        key = _absolute(plain, item.full_url)
        found = self._subjects.get(key) or self._alone(plain, item)
        if found is not None:
            if found.record is None and plain != key:
                found.reference = plain
            return found
        if (plain.startswith("urn:") and self._named(plain)) or (not plain.startswith("urn:") and _type_of(plain) != "Patient"):
            return None
        found = self._subjects[key] = Subject(key, key)
        if plain != key:
            found.reference = plain
        return found

    def _alone(self, plain: str, item: Item) -> Subject | None:
        """The only patient of a relative name, when no base says that another is meant."""
        if "://" in plain or plain.startswith("urn:"):
            return None
        found = [subject for subject in self.patients if subject.reference == plain and _same_base(subject.item, item)]
        return found[0] if len(found) == 1 else None

    def settle(self) -> None:
        """Give patients that share a short name their absolute one, and those cited in both ways the short one."""
        short: dict[str, list[Subject]] = {}
        for subject in {id(subject): subject for subject in self._subjects.values()}.values():
            short.setdefault(subject.reference, []).append(subject)
        for sharing in short.values():
            if len(sharing) > 1:
                for subject in sharing:
                    subject.reference = subject.key

    def target(self, reference: wire.Reference, item: Item) -> Item | None:
        """The item of the input a reference means, or None; a contained resource is made an item of its own."""
        text = (reference.reference or "").partition("/_history/")[0]
        if text.startswith("#"):
            return _contained(text, item)
        named = self._named(_absolute(text, item.full_url)) or [
            one for one in self._named(text) if _same_base(one, item) or identity(one) == text
        ]
        return named[0] if len(named) == 1 else None

    def _named(self, name: str) -> list[Item]:
        if self._by_name is None:
            found: dict[str, list[Item]] = defaultdict(list)
            for candidate in self._items:
                relative = _relative(candidate)
                if relative:
                    found[relative].append(candidate)
                if candidate.full_url and (absolute := identity(candidate)) != relative:
                    found[absolute].append(candidate)
            self._by_name = found
        return self._by_name.get(name, [])

    def _logical(self, reference: wire.Reference) -> Subject | None:
        identifier = reference.identifier
        if identifier is None or not identifier.value or reference.type not in (None, "Patient"):
            return None
        key = (identifier.system, identifier.value)
        if key not in self._by_identifier:
            record = wire.Patient(identifier=(identifier,))
            name = _identified(record) or ""
            self._by_identifier[key] = self._subjects[name] = Subject(name, name, record)
        return self._by_identifier[key]

    def _conditional(self, text: str) -> Subject | None:
        kind, _, query = text.partition("?")
        name, _, token = query.partition("=")
        if kind != "Patient" or name != "identifier" or "&" in token:
            return None
        system, bar, value = unquote(token).partition("|")
        return self._logical(wire.Reference(identifier=wire.Identifier(system if bar else None, value if bar else system)))

    def _contained_patient(self, text: str, item: Item) -> Subject | None:
        inner = _contained(text, item)
        if inner is None or not isinstance(inner.record, wire.Patient):
            return None
        known = next(((one.system, one.value) for one in inner.record.identifier if one.value), None)
        if known is None:
            return None
        if known not in self._by_identifier:
            name = _identified(inner.record) or ""
            self._by_identifier[known] = self._subjects[name] = Subject(name, name, inner.record, inner)
        return self._by_identifier[known]


def identity(item: Item) -> str:
    """What tells a resource from all others of the document: its fullUrl without version, or type and id; empty when it has neither."""
    return item.full_url.partition("/_history/")[0] if item.full_url else _relative(item)


def _relative(item: Item) -> str:
    return f"{item.type}/{item.record.id}" if item.record is not None and item.record.id else ""


def _identified(record: wire.Patient) -> str | None:
    """A conditional reference by the first identifier."""
    return next((f"Patient?identifier={one.system or ''}|{one.value}" for one in record.identifier if one.value), None)


def base(full_url: str | None) -> str:
    """What relative references in an entry are relative to: the server of its fullUrl, or nothing."""
    return full_url.partition("/_history/")[0].rsplit("/", 2)[0] if full_url and full_url.startswith("http") else ""


def _same_base(one: Item | None, other: Item) -> bool:
    bases = {base(item.full_url) for item in (one, other) if item is not None} - {""}
    return len(bases) <= 1


def _absolute(text: str, full_url: str | None) -> str:
    """A relative reference from the base of the entry's own fullUrl; anything else unchanged."""
    if "://" in text or text.startswith("urn:"):
        return text
    server = base(full_url)
    return f"{server}/{text}" if server else text


def _type_of(reference: str) -> str:
    parts = reference.rsplit("/", 2)
    return parts[-2] if len(parts) > 1 else ""


def _contained(text: str, item: Item) -> Item | None:
    """The contained resource of this fragment, as an item that knows its holder."""
    for number, raw in enumerate(item.record.contained if item.record is not None else ()):
        try:
            record = wire.resource_decoder.decode(raw)
        except msgspec.MsgspecError:
            continue
        if f"#{record.id}" == text:
            return Item(item.index, item.base, number, None, type(record).__name__, record, item.line, item)
    return None
