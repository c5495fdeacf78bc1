"""The value of an Observation or component: every allowed type, as an answer code, a number in the concept's unit or a moment."""

from datetime import date
from decimal import Decimal

from msgspec import Struct

from sural import canonical
from sural.exam.finding import Value
from sural.exam.moment import Moment, before, moment
from sural.exam.units import DIMENSIONLESS, UnitError, convert
from sural.intake import wire
from sural.terminology.concept import Concept
from sural.terminology.lexicon import Lexicon
from sural.terminology.meaning import PRESENCE, Absent, Unread


class Read(Struct, frozen=True):
    """A value with a remark beside it (the key of a warning)."""

    value: Value
    remark: str


Outcome = Value | Absent | Unread | Read | None
MISSING = Unread("value-missing")
_WRONG_TYPE = Unread("value-type")
_WITH_LIMITS = frozenset({"nerve-fibre-density"})


def read_value(holder: wire.Observation | wire.Component, concept: Concept, lexicon: Lexicon, as_of: date) -> Outcome:
    """The value of a holder for a concept: None when there is none, Absent with its reason, or Unread with the key of the issue."""
    coded = holder.valueCodeableConcept
    quantity = holder.valueQuantity
    if coded:
        if quantity is not None or _has_other(holder) or has_unread(holder):
            return Unread("structure-invalid")
        if holder.dataAbsentReason:
            return Unread("value-and-absent-reason")
        return _from_coded(bytes(coded), concept, lexicon)
    if quantity is not None:
        if _has_other(holder) or has_unread(holder):
            return Unread("structure-invalid")
        if holder.dataAbsentReason:
            return Unread("value-and-absent-reason")
        return _from_quantity(quantity, concept, holder, as_of)
    return _read_other(holder, concept, lexicon)


def limits(record: wire.Observation, concept: Concept) -> list[tuple[str, Decimal]]:
    """The laboratory's own limits that came with a value, in the concept's unit, as `low` and `high`; only where they are unambiguous."""
    if len(record.referenceRange) != 1:
        return []
    found = []
    for name, bound in (("low", record.referenceRange[0].low), ("high", record.referenceRange[0].high)):
        if bound is None or bound.value is None:
            continue
        unit = _ucum(bound, concept)
        if isinstance(unit, str):
            try:
                found.append((name, convert(bound.value, unit, concept.unit, concept.code)))
            except UnitError:
                continue
    return found


def has_value(holder: wire.Observation | wire.Component) -> bool:
    """Whether there is a value of any type."""
    return bool(holder.valueCodeableConcept) or holder.valueQuantity is not None or _has_other(holder) or has_unread(holder)


def has_unread(holder: wire.Observation | wire.Component) -> bool:
    """Whether there is a value of a type that is never read."""
    return bool(holder.valueRange or holder.valueRatio or holder.valueSampledData or holder.valueTime or holder.valuePeriod)


def _has_other(holder: wire.Observation | wire.Component) -> bool:
    """Whether there is a value beside the coded one or the Quantity."""
    return (
        holder.valueBoolean is not None
        or holder.valueInteger is not None
        or holder.valueString is not None
        or holder.valueDateTime is not None
    )


def _read_other(holder: wire.Observation | wire.Component, concept: Concept, lexicon: Lexicon) -> Outcome:
    """A boolean, integer, text or dateTime, or no value at all."""
    given = [
        value
        for value in (holder.valueBoolean, holder.valueInteger, holder.valueString, holder.valueDateTime)
        if value is not None
    ]
    if has_unread(holder):
        return Unread("structure-invalid") if given else _WRONG_TYPE
    if not given:
        return lexicon.absences[bytes(holder.dataAbsentReason)] if holder.dataAbsentReason else None
    if len(given) > 1:
        return Unread("structure-invalid")
    if holder.dataAbsentReason:
        return Unread("value-and-absent-reason")
    if holder.valueBoolean is not None:
        return _from_boolean(holder.valueBoolean, concept, lexicon)
    if holder.valueInteger is not None:
        return _from_integer(holder.valueInteger, concept)
    if holder.valueString is not None:
        return _from_text(holder.valueString, concept, lexicon)
    assert holder.valueDateTime is not None
    if concept.kind != "dateTime":
        return _WRONG_TYPE
    return moment(holder.valueDateTime) or Unread("date-invalid")


def _from_coded(coded: bytes, concept: Concept, lexicon: Lexicon) -> Outcome:
    """A coded answer. Where a number belongs it can only say that there is none."""
    if concept is PRESENCE:
        return lexicon.presences[coded]
    answer = lexicon.answers[concept.code][coded]
    return answer if concept.answers or isinstance(answer, Absent) else _WRONG_TYPE


def _from_boolean(flag: bool, concept: Concept, lexicon: Lexicon) -> Outcome:
    if concept.kind != "code":
        return _WRONG_TYPE
    answer = lexicon.generic(concept, "present" if flag else "absent")
    return answer or _WRONG_TYPE


def _from_integer(whole: int, concept: Concept) -> Outcome:
    if concept.kind == "code":
        return str(whole) if str(whole) in concept.answers else _WRONG_TYPE
    if concept.kind == "integer" or (concept.kind == "Quantity" and concept.unit in DIMENSIONLESS):
        return _bounded(Decimal(whole), concept)
    return Unread("unit-missing") if concept.kind == "Quantity" else _WRONG_TYPE


def _from_text(text: str, concept: Concept, lexicon: Lexicon) -> Outcome:
    if concept.kind == "string":
        return text
    answer = lexicon.display_answer(concept, text)
    return Read(answer, "value-by-display") if answer else Unread("value-not-mapped")


def _from_quantity(quantity: wire.Quantity, concept: Concept, holder: wire.Observation | wire.Component, as_of: date) -> Outcome:
    value = quantity.value
    if quantity.comparator is not None:
        return Unread("comparator")
    if value is None:
        return MISSING
    if concept.kind == "code":
        return _graded(quantity, value, concept, holder)
    if concept.kind == "dateTime":
        return _years_since(quantity, value, concept, as_of)
    if concept.kind not in ("Quantity", "integer"):
        return _WRONG_TYPE
    if quantity.code == concept.unit and quantity.system == canonical.UCUM:
        return _bounded(value, concept)
    unit = _ucum(quantity, concept)
    if isinstance(unit, Unread):
        return unit
    try:
        number = convert(value, unit, concept.unit, concept.code)
    except UnitError as fault:
        return Unread("unit-not-ucum" if "not a UCUM" in str(fault) else "unit-incommensurable")
    return _bounded(number, concept)


def _ucum(quantity: wire.Quantity, concept: Concept) -> str | Unread:
    """The UCUM code of a Quantity. Only a pure number may come without: `unit` is a display, never a code."""
    if quantity.code and quantity.system == canonical.UCUM:
        return quantity.code
    if not quantity.code and concept.unit in DIMENSIONLESS and not quantity.system:
        return "1" if quantity.unit in (None, "", "1", concept.unit) else Unread("unit-missing")
    return Unread("unit-missing" if not quantity.code else "unit-not-ucum")


def _bounded(number: Decimal, concept: Concept) -> Outcome:
    if concept.kind == "integer" and number != number.to_integral_value():
        return Unread("value-out-of-range")
    low = concept.minimum
    if low is None:
        return number if number >= 0 or concept.unit == "Cel" else Unread("value-out-of-range")
    high = concept.maximum
    return number if low <= number and (high is None or number <= high) else Unread("value-out-of-range")


def _years_since(quantity: wire.Quantity, value: Decimal, concept: Concept, as_of: date) -> Outcome:
    """A duration in years back from the day of assessment, as the year it names."""
    unit = _ucum(quantity, concept)
    if isinstance(unit, Unread):
        return unit
    try:
        years = convert(value, unit, "a")
    except UnitError:
        return Unread("unit-incommensurable")
    if not 0 <= years <= 150:
        return Unread("value-out-of-range")
    latest = before(as_of, f"P{int(years * 12)}M")
    earliest = before(latest, "P1Y") if years == years.to_integral_value() else before(latest, "P1M")
    first, last = moment(earliest.isoformat()), moment(latest.isoformat())
    assert first is not None and last is not None
    return Moment(first.start, last.end, earliest, latest, f"{years} a")


def _graded(quantity: wire.Quantity, value: Decimal, concept: Concept, holder: wire.Observation | wire.Component) -> Outcome:
    """A number where the rules want an answer: a grade, or a measurement that comes with its own limits."""
    if (
        (quantity.code in ("1", "{score}", "{MRC}") or not (quantity.code or quantity.unit))
        and value == value.to_integral_value()
        and str(int(value)) in concept.answers
    ):
        return str(int(value))
    lows = [limits.low for limits in holder.referenceRange if limits.low is not None]
    if concept.code in _WITH_LIMITS and len(lows) == 1:
        low = lows[0]
        if low.value is not None and low.code == quantity.code:
            return "reduced" if value < low.value else "normal"
    return _WRONG_TYPE
