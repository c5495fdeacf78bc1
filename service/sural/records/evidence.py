"""What an answer rests on, looked at again: whether it still says something, and when it was found."""

from collections.abc import Collection, Iterable, Iterator
from datetime import date
from typing import Any

from sural.exam.moment import moment
from sural.records.faults import NotThere
from sural.records.fetching import patient_id
from sural.records.http import Connection
from sural.records.search import found_by_search

Json = dict[str, Any]
USABLE = ("final", "amended", "corrected", "preliminary", "completed", "in-progress")
"""Statuses of findings, procedures and forms that still say something."""
EVIDENCE = ("Observation", "Condition", "Procedure", "QuestionnaireResponse")
"""What an answer may rest on that can be looked at again."""


async def withdrawn(connection: Connection, inputs: Iterable[str], examined: str, subject: str = "") -> bool:
    """Whether findings that an answer was newest by are gone, no longer usable or another patient's in the record system, and none is left.

    `examined` is the time of the newest finding; what is of another type, or in another system, tells nothing. Raises RecordsFault.
    """
    gone = usable = 0
    for reference in inputs:
        kind, _, id = reference.removeprefix(f"{connection.base}/").partition("/_history/")[0].rpartition("/")
        if kind not in EVIDENCE:
            continue
        try:
            there = await connection.read(kind, id)
        except NotThere as fault:
            gone += fault.status == 410 or await _is_gone(connection, kind, id)
            continue
        if any(instant(text) == instant(examined) for text in times(there)):
            stands = is_usable(there) and _is_of(there, subject, connection.base)
            usable += stands
            gone += not stands
    return gone > 0 and not usable


async def still(connection: Connection, references: Iterable[str], subject: str = "", oldest: date | None = None) -> frozenset[str]:
    """Those of some references to evidence in the record system that still stand there, are the patient's, and are older than a day, where one
    is given. Raises RecordsFault."""
    found = set()
    for reference in references:
        kind, _, id = reference.removeprefix(f"{connection.base}/").partition("/_history/")[0].rpartition("/")
        if kind in EVIDENCE:
            try:
                there = await connection.read(kind, id)
            except NotThere:
                continue
            if is_usable(there) and _is_of(there, subject, connection.base) and is_older(there, oldest):
                found.add(reference)
    return frozenset(found)


async def _is_gone(connection: Connection, kind: str, id: str) -> bool:
    """Whether what cannot be read is not found either. Where its type is not served at all, nothing is known of it."""
    try:
        return not await found_by_search(connection, kind, id)
    except NotThere:
        return False


def no_longer(before: Iterable[str], now: Iterable[str]) -> set[str]:
    """The references to evidence of one answer that another one lacks, whatever address stands before them."""
    kept = set(map(short, now))
    return {one for one in before if (bare := short(one)) not in kept and bare.partition("/")[0] in EVIDENCE}


def short(reference: str) -> str:
    """Type and id of a reference, whatever address stands before them."""
    return "/".join(reference.partition("/_history/")[0].rsplit("/", 2)[-2:])


def is_older(evidence: Json, oldest: date | None) -> bool:
    """Whether every time that evidence is dated by lies before a day; so does what has no time, and everything where no day is given."""
    return oldest is None or all(when.last_day < oldest for text in times(evidence) if (when := moment(text)))


def _is_of(evidence: Json, subject: str, base: str) -> bool:
    """Whether it is about a patient, where both tell by reference."""
    about = evidence.get("subject", {}).get("reference")
    if not about or not subject or (mine := patient_id(subject, base)) is None:
        return True
    return patient_id(str(about), base) == mine


def instant(text: str) -> float:
    """An examination's time for comparing; what cannot be read comes before everything."""
    when = moment(text)
    return when.start if when else float("-inf")


def times(evidence: Json) -> set[str]:
    """The times that a finding, diagnosis, procedure or form may be dated by."""
    periods = [evidence.get(name, {}) for name in ("effectivePeriod", "onsetPeriod", "performedPeriod")]
    named = ("effectiveDateTime", "effectiveInstant", "onsetDateTime", "recordedDate", "performedDateTime", "authored")
    found = [*(evidence.get(name) for name in named), *(one.get(end) for one in periods for end in ("start", "end"))]
    return {text for text in found if text}


def is_usable(evidence: Json) -> bool:
    """Whether a status says that something still stands."""
    if evidence["resourceType"] == "Condition":
        codes = {one.get("code") for one in evidence.get("verificationStatus", {}).get("coding", ())}
        return not codes & {"entered-in-error", "refuted"}
    return evidence.get("status") in USABLE


def evidence_in(tree: Any) -> Iterator[tuple[str, Json]]:
    """The evidence in an input, each with its reference."""
    for full_url, one in resources_in(tree, EVIDENCE):
        yield f"{one['resourceType']}/{one['id']}" if "id" in one else full_url, one


def resources_in(tree: Any, types: Collection[str], full_url: str = "") -> Iterator[tuple[str, Json]]:
    """The resources of some types in an input, each with the fullUrl that it stands under; nothing inside one is looked at."""
    if isinstance(tree, list):
        for one in tree:
            yield from resources_in(one, types)
    elif isinstance(tree, dict):
        if tree.get("resourceType") in types:
            yield full_url, tree
            return
        for value in tree.values():
            yield from resources_in(value, types, str(tree.get("fullUrl", "")))
