"""One line of an export: what it is, and whose; the same for every engine.

Only what tells that is decoded. A line that is not JSON still belongs to a patient when its text names one: their answer must not be surer
than what came of them.
"""

import re
from enum import IntEnum
from functools import lru_cache
from typing import Any

import msgspec
import orjson
from msgspec import Struct

from sural.intake import wire


class Role(IntEnum):
    """What a line is: of a patient; a Medication, which several patients may share; of nobody that can be told; of a type that is not read;
    empty; a summary of an earlier run."""

    RESOURCE = 0
    MEDICATION = 1
    REJECT = 2
    NOT_READ = 3
    BLANK = 4
    EARLIER = 5


Judged = tuple[Role, str | None, str | None]
"""What a line is; the id of its patient, where one can be told; the id of a Medication, its own or of the one that it names."""


class _Reference(Struct, gc=False):
    reference: str | None = None


class _Line(Struct, gc=False):
    resourceType: str | None = None
    id: str | None = None
    subject: _Reference | None = None
    medicationReference: _Reference | None = None


_ID = r"[A-Za-z0-9\-.]{1,64}"
_PATIENT, _MEDICATION = (
    re.compile(rf"(?:.*/)??{kind}/({_ID})(?:/_history/[^/]*)?", re.DOTALL).fullmatch for kind in ("Patient", "Medication")
)
_SUBJECT = re.compile(rb'"subject"\s*:\s*\{\s*"reference"\s*:\s*"([^"\\]+)"')
_TYPES = {record.__name__ for record in wire.READ}
_OF_A_SUBJECT = frozenset(_TYPES - {"Patient", "Medication"})
_NOT_READ = frozenset(wire.TYPES - _TYPES - {"Bundle", "Parameters"})
_NAMING = frozenset({"MedicationRequest", "MedicationStatement"})
_decode = msgspec.json.Decoder(_Line).decode
_RESOURCE = Role.RESOURCE
_BLANK, _OF_NOBODY, _OTHER = (Role.BLANK, None, None), (Role.REJECT, None, None), (Role.NOT_READ, None, None)


def judge(body: bytes, earlier: bool = False) -> Judged:
    """What a line is; `earlier` when it stands in a file of summaries of an earlier run. Raises nothing."""
    if earlier:
        return (Role.EARLIER, _subject_of(body), None) if body.strip() else _BLANK
    try:
        line = _decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        if not body.strip():
            return _BLANK
        loose = _loosely(body)
        if loose is None:
            key = _named(body)
            return _OF_NOBODY if key is None else (_RESOURCE, key, None)
        line = loose
    kind = line.resourceType
    if kind in _OF_A_SUBJECT:
        subject = line.subject
        if subject is None or subject.reference is None:
            return _OF_NOBODY
        key = patient(subject.reference)
        if key is None:
            return _OF_NOBODY
        return _RESOURCE, key, _medication(line.medicationReference) if kind in _NAMING else None
    if kind == "Patient":
        return (_RESOURCE, line.id, None) if line.id else _OF_NOBODY
    if kind == "Medication":
        return Role.MEDICATION, None, line.id
    return _OTHER if kind in _NOT_READ else _OF_NOBODY


@lru_cache(4096)
def patient(reference: str) -> str | None:
    """The id of the patient whom a reference names, whatever server stands before it; a `urn:` stands for itself."""
    if reference.startswith("urn:"):
        return reference
    found = _PATIENT(reference)
    return found[1] if found else None


def _medication(named: _Reference | None) -> str | None:
    found = _MEDICATION(named.reference) if named is not None and named.reference is not None else None
    return found[1] if found else None


def _named(body: bytes) -> str | None:
    """The patient whom the text of a broken line names."""
    found = _SUBJECT.search(body)
    reference = found[1].decode(errors="replace") if found else None
    return patient(reference) if reference is not None and not reference.startswith("urn:") else None


def _subject_of(body: bytes) -> str | None:
    """The patient of a summary."""
    try:
        subject = orjson.loads(body).get("subject")
    except (orjson.JSONDecodeError, AttributeError):
        return None
    return patient(subject) if isinstance(subject, str) else None


def _loosely(body: bytes) -> _Line | None:
    """The same of a line whose elements are of other kinds than they should; None when it is not JSON."""
    try:
        content = orjson.loads(body)
    except orjson.JSONDecodeError:
        return None
    return _Line(_text(content, "resourceType"), _text(content, "id"), _reference(content, "subject"), _reference(content, "medicationReference"))  # fmt: skip


def _text(content: Any, name: str) -> str | None:
    value = content.get(name) if isinstance(content, dict) else None
    return value if isinstance(value, str) else None


def _reference(content: Any, name: str) -> _Reference:
    return _Reference(_text(content.get(name), "reference") if isinstance(content, dict) else None)
