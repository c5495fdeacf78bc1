"""Whom an examination is about, from the patient record."""

from datetime import date

from sural.exam.examination import Person
from sural.exam.moment import moment, whole_years
from sural.intake import wire
from sural.intake.references import Subject


def person(subject: Subject, as_of: date) -> Person:
    """The person as the rules need them: how to cite them, the age in completed years, the gender."""
    record: wire.Patient | None = subject.record
    if record is None:
        return Person(subject.reference)
    identifiers = tuple((one.system, one.value) for one in record.identifier if one.value)
    born = moment(record.birthDate) if record.birthDate else None
    if born is None or born.first_day > as_of:
        return Person(subject.reference, identifiers, gender=record.gender)
    youngest, oldest = whole_years(min(born.last_day, as_of), as_of), whole_years(born.first_day, as_of)
    return Person(subject.reference, identifiers, youngest, oldest, record.gender)
