"""Whom and what references point to: urn:uuid, relative, absolute, versioned, contained, conditional and logical references.

Source: FHIR R4, Bundle, "resolving references in bundles": a reference equals an entry's fullUrl, or is relative to the base of the
entry's own fullUrl. Version-specific references are resolved to the resource.
"""

from msgspec import MsgspecError, Struct

from sural.intake import wire
from sural.intake.documents import Item


class Subject(Struct):
    """A patient of the input: the reference to cite, the record when the input holds it, and where it stands."""

    reference: str
    record: wire.Patient | None = None
    item: Item | None = None


class References:
    """Resolves references among the resources of one document."""

    def __init__(self, items: list[Item]) -> None:
        self._items = items
        self._patients: dict[str, Subject] = {}
        self._by_identifier: dict[tuple[str | None, str | None], Subject] = {}
        self._targets: dict[str, Item] | None = None
        self.patients: list[Subject] = []
        for item in items:
            if isinstance(item.record, wire.Patient):
                self._add_patient(item, item.record)

    def _add_patient(self, item: Item, record: wire.Patient) -> None:
        names = _names(item, record)
        known = next((self._patients[name] for name in names if name in self._patients), None)
        subject = known or Subject(f"Patient/{record.id}" if record.id else item.full_url or "", record, item)
        if known is None:
            self.patients.append(subject)
        for name in names:
            self._patients[name] = subject
        for identifier in record.identifier:
            if identifier.value:
                self._by_identifier[identifier.system, identifier.value] = subject

    def subject(self, reference: wire.Reference | None, item: Item) -> Subject | None:
        """The patient a reference means, or None when it means none (nothing given, or not a patient)."""
        if reference is None:
            return None
        text = reference.reference
        known = self._patients.get(text or "")
        if known is not None:
            return known
        if not text:
            return self._logical(reference)
        if reference.type not in (None, "Patient"):
            return None
        if text.startswith("#"):
            return self._contained_patient(text, item)
        if "?" in text:
            return self._conditional(text)
        plain = text.partition("/_history/")[0]
        found = self._patients.get(plain) or self._patients.get(_absolute(plain, item.full_url))
        if found:
            return found
        if not plain.startswith("urn:") and _type_of(plain) != "Patient":
            return None
        found = Subject(plain)
        self._patients[plain] = found
        return found

    def knows(self, text: str) -> bool:
        """Whether a reference means the same patient wherever it stands."""
        return text in self._patients

    def target(self, reference: wire.Reference, item: Item) -> Item | None:
        """The item of the input a reference means, or None."""
        text = (reference.reference or "").partition("/_history/")[0]
        if self._targets is None:
            self._targets = {}
            for candidate in self._items:
                for name in _names(candidate, candidate.record):
                    self._targets.setdefault(name, candidate)
        return self._targets.get(text) or self._targets.get(_absolute(text, item.full_url))

    def _logical(self, reference: wire.Reference) -> Subject | None:
        identifier = reference.identifier
        if identifier is None or not identifier.value or reference.type not in (None, "Patient"):
            return None
        key = (identifier.system, identifier.value)
        if key not in self._by_identifier:
            name = f"Patient?identifier={identifier.system or ''}|{identifier.value}"
            self._by_identifier[key] = Subject(name, wire.Patient(identifier=[identifier]))
        return self._by_identifier[key]

    def _conditional(self, text: str) -> Subject | None:
        kind, _, query = text.partition("?")
        name, _, token = query.partition("=")
        if kind != "Patient" or name != "identifier":
            return None
        system, bar, value = token.partition("|")
        return self._logical(wire.Reference(identifier=wire.Identifier(system if bar else None, value if bar else system)))

    def _contained_patient(self, text: str, item: Item) -> Subject | None:
        for raw in item.record.contained if item.record is not None else ():
            try:
                record = wire.resource_decoder.decode(raw)
            except MsgspecError:
                continue
            if isinstance(record, wire.Patient) and f"#{record.id}" == text:
                key = next(((one.system, one.value) for one in record.identifier if one.value), None)
                if key is None:
                    return None
                return self._by_identifier.setdefault(key, Subject(f"Patient?identifier={key[0] or ''}|{key[1]}", record))
        return None


def _names(item: Item, record: wire.Resource | None) -> list[str]:
    names = [item.full_url] if item.full_url else []
    if record is not None and record.id:
        names.append(f"{item.type}/{record.id}")
    return names


def _absolute(text: str, full_url: str | None) -> str:
    """A relative reference from the base of the entry's own fullUrl; anything else unchanged."""
    if full_url is None or not full_url.startswith("http") or text.startswith(("http", "urn:")):
        return text
    base = full_url.rsplit("/", 2)[0]
    return f"{base}/{text}"


def _type_of(reference: str) -> str:
    parts = reference.rsplit("/", 2)
    return parts[-2] if len(parts) > 1 else ""
