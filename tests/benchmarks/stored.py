"""Fills a ledger with stored answers for benchmarks: a few real answers, each again for other invented patients, days and identifiers."""

import hashlib
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import orjson
from sqlalchemy import func, select

from sural.ledger.keeping import keep
from sural.ledger.resources import ANSWER, Resources, Write, new_id
from sural.ledger.store import Ledger
from sural.ledger.tables import RESOURCE
from tests.asking import answer_of
from tests.builders import Exam

DAY, SUBJECT = "2026-03-01", "Patient/p1"
FIRST, DAYS = date(2024, 1, 1), 730
AT_ONCE = 1000


def examinations() -> list[Exam]:
    """Five of a screening clinic: nothing found, numb, arterial disease too, an ulcer, and one that was not finished."""
    ready = [Exam().normal() for _ in range(2)]
    numb = Exam().not_felt("left").felt("right").pulses("both").nothing_active().no_history().kidneys_well()
    both = Exam().not_felt("both").pulses("both", "absent").nothing_active().no_history().kidneys_well().see("callus", "present", "left")
    ulcer = Exam().not_felt("left").pulses("both").see("foot-ulcer", "present", "left").no_history()
    return [*ready, numb, both, ulcer, Exam().felt("both")]


def templates() -> list[list[Any]]:
    """The resources of each answer as they are stored, without the software."""
    kept = [keep(Resources(Ledger("sqlite://")), answer_of(one, transaction=True)).resources for one in examinations()]
    return [[one for one in resources if one.type != "Device"] for resources in kept]


def held(resources: Resources) -> int:
    """How many answers are there: each has one report."""
    with resources.database.reading() as connection:
        return int(connection.scalar(select(func.count()).select_from(RESOURCE).where(RESOURCE.c.type == "DiagnosticReport")) or 0)


def fill(resources: Resources, answers: int, before: int = 0) -> Iterator[int]:
    """Store answers until there are so many, when some are there; tells how many there are after each part."""
    made = [[(one, *_words(one)) for one in template] for template in templates()]
    for start in range(before, answers, AT_ONCE):
        writes = [
            write
            for number in range(start, min(start + AT_ONCE, answers))
            for write in _again(made[number % len(made)], number)
        ]
        resources.write(lambda _, writes=writes: writes)
        yield min(start + AT_ONCE, answers)


def _words(one: Any) -> tuple[str, set[str]]:
    """The text of a resource, and what of it names this answer."""
    text = one.content.decode()
    hashes = {value.rpartition("-")[0].partition("-")[0] for value in _values(one.resource)}
    return text, {word for word in hashes if len(word) == 40}


def _values(resource: dict[str, Any]) -> Iterator[str]:
    yield from (f"{one['value']}-" for one in resource.get("identifier", ()))
    yield from (f"{one['code']}-" for one in resource.get("meta", {}).get("tag", ()))
    if "requisition" in resource:
        yield f"{resource['requisition']['value']}-"


def _again(template: list[Any], number: int) -> Iterator[Write]:
    day = (FIRST + timedelta(days=number * 7919 % DAYS)).isoformat()
    patient = f"Patient/{number:07d}"
    ids = {one.id: new_id() for one, _, _ in template}
    for one, text, hashes in template:
        for word in hashes:
            text = text.replace(word, hashlib.sha256(f"{word}{number}".encode()).hexdigest()[:40])
        for old, new in ids.items():
            text = text.replace(old, new)
        text = text.replace(f'"{SUBJECT}"', f'"{patient}"').replace('"value":"p1"', f'"value":"{number:07d}"').replace(DAY, day)
        yield Write(_moved(orjson.loads(text), day), id=ids[one.id], subject=patient, author=ANSWER)


def _moved(resource: dict[str, Any], day: str) -> dict[str, Any]:
    """A proposal whose window is as far from its examination's day as it was."""
    for name, text in resource.get("occurrencePeriod", {}).items():
        if isinstance(text, str):
            moved = date.fromisoformat(text[:10]) + (date.fromisoformat(day) - date.fromisoformat(DAY))
            resource["occurrencePeriod"][name] = moved.isoformat() + text[10:]
    return resource
