"""What a search asks for: parameters of the query taken apart, checked, and kept in the form in which they were understood.

Source: FHIR R4, search: prefixes and ranges, tokens with and without system, references as id, `Type/id` or address, `:not`,
`:identifier`, `:Type`; values between commas are alternatives, a parameter that repeats must hold each time. Chains and other modifiers
are refused: without them the search would be another one.
"""

import re
from collections.abc import Iterable, Sequence
from decimal import Decimal, InvalidOperation
from itertools import islice
from typing import Literal

from msgspec import Struct

from sural.issues import Issue, Refused
from sural.ledger.parameters import BY_IDENTIFIER, IDENTIFIED, MILLION, Parameter, interval, parameter, split_reference

Prefix = Literal["eq", "ne", "lt", "gt", "le", "ge", "sa", "eb", "ap"]
PREFIXES: tuple[Prefix, ...] = ("eq", "ne", "lt", "gt", "le", "ge", "sa", "eb", "ap")
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_MINUTE = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2})(Z|[+-][0-9]{2}:[0-9]{2})")
_MOST = 100
"""Alternatives of one criterion."""
MOST_PARAMETERS = 200
"""Parameters of one search."""
_FINEST = 100
"""Decimal places of a number that is searched for."""


class Range(Struct, frozen=True):
    """One date or number with its prefix: the range that it means, first and last, both in."""

    prefix: Prefix
    low: int
    high: int


class Criterion(Struct, frozen=True):
    """One parameter with its alternatives. `symbols` are (code, system) where either may be None for any."""

    name: str
    number: int = 0
    ids: tuple[str, ...] = ()
    identifiers: tuple[tuple[str, str | None], ...] = ()
    symbols: tuple[tuple[str | None, str | None], ...] = ()
    ranges: tuple[Range, ...] = ()
    negated: bool = False


class Asked(Struct, frozen=True):
    """A search of one type: the criteria, the pairs that were understood, and the names of those that were not."""

    kind: str
    criteria: tuple[Criterion, ...] = ()
    understood: tuple[tuple[str, str], ...] = ()
    unknown: tuple[str, ...] = ()


def asked(kind: str, given: Iterable[tuple[str, str]], base: str = "", now: int = 0) -> Asked:
    """Take the pairs of a query apart. `base` is our own address, `now` the time in microseconds since 1970, for `ap`.

    Raises Refused for values, modifiers and chains that cannot be used, and for more parameters than are looked at.
    """
    given = tuple(islice(given, MOST_PARAMETERS + 1))
    refuse_too_many(len(given))
    criteria: list[Criterion] = []
    understood: list[tuple[str, str]] = []
    unknown: list[str] = []
    issues: list[Issue] = []
    for name, text in given:
        bare, _, modifier = name.partition(":")
        if "." in bare or bare == "_has":
            issues.append(Issue("parameter-invalid", f"http.{bare.partition('.')[0]}", "chained parameters are not offered"))
        elif not _known(kind, bare):
            unknown.append(bare)
        elif text:
            try:
                criteria.append(_criterion(kind, bare, modifier, text, base, now))
                understood.append((name, text))
            except ValueError:
                issues.append(Issue("parameter-invalid", f"http.{bare}"))
    if issues:
        raise Refused(*issues)
    return Asked(kind, tuple(criteria), tuple(understood), tuple(unknown))


def refuse_too_many(parameters: int) -> None:
    """Raises Refused for more parameters than one search may have."""
    if parameters > MOST_PARAMETERS:
        raise Refused(Issue("search-too-costly", diagnostics=f"limit: {MOST_PARAMETERS} parameters"))


def _known(kind: str, name: str) -> bool:
    return name in ("_id", "_lastUpdated") or (name == "identifier" and kind in IDENTIFIED) or parameter(kind, name) is not None


def _criterion(kind: str, name: str, modifier: str, text: str, base: str, now: int) -> Criterion:
    """Raises ValueError for what cannot be used."""
    values = alternatives(text)
    if not values or len(values) > _MOST or "\0" in text:
        raise ValueError
    one = parameter(kind, name)
    if one is not None and one.kind == "reference":
        return _reference(name, one, modifier, values, base)
    if one is not None and one.kind == "token":
        if modifier not in ("", "not"):
            raise ValueError
        return Criterion(name, one.number, symbols=tuple(_token(value) for value in values), negated=modifier == "not")
    if modifier:
        raise ValueError
    if name == "_id":
        if not all(_ID.fullmatch(value) for value in values):
            raise ValueError
        return Criterion(name, ids=tuple(values))
    if name == "identifier":
        return Criterion(name, identifiers=tuple(_identifier(value) for value in values))
    number = one.number if one else 0
    return Criterion(name, number, ranges=tuple(_range(value, one, now) for value in values))


def alternatives(text: str) -> list[str]:
    """The values between commas; a backslash before one makes it part of the value, as it does for `$`, `|` and itself."""
    return re.findall(r"(?:[^,\\]|\\.)+", text)


def _plain(text: str) -> str:
    return re.sub(r"\\(.)", r"\1", text)


def _parts(value: str) -> Sequence[str]:
    """Before and after the first bar that stands for itself; one part where there is none."""
    found = re.match(r"((?:[^|\\]|\\.)*)\|(.*)", value, re.DOTALL)
    return [_plain(found[1]), _plain(found[2])] if found else [_plain(value)]


def _token(value: str) -> tuple[str | None, str | None]:
    """`code`, `system|code`, `|code` (without system), `system|` (any code of it)."""
    *system, code = _parts(value)
    if not system:
        return code, None
    if not code and not system[0]:
        raise ValueError
    return code or None, system[0]


def _identifier(value: str) -> tuple[str, str | None]:
    """An identifier; its value has to be given."""
    code, system = _token(value)
    if code is None:
        raise ValueError
    return code, system


def _reference(name: str, one: Parameter, modifier: str, values: Sequence[str], base: str) -> Criterion:
    if modifier == "identifier":
        return Criterion(name, one.number + BY_IDENTIFIER, symbols=tuple(_identifier(value) for value in values))
    if modifier and modifier not in one.targets:
        raise ValueError
    kinds = (modifier,) if modifier else one.targets
    found: list[tuple[str | None, str | None]] = []
    for value in map(_plain, values):
        address = value.removeprefix(f"{base}/") if base else value
        if _ID.fullmatch(address):
            found += [(address, kind) for kind in kinds]
        elif modifier or not address:
            raise ValueError
        else:
            found.append(split_reference(address))
    return Criterion(name, one.number, symbols=tuple(found))


def _range(value: str, one: Parameter | None, now: int) -> Range:
    prefix = next((known for known in PREFIXES if value.startswith(known)), None)
    text = value.removeprefix(prefix) if prefix else value
    if one is not None and one.kind == "number":
        low, high = _number(text, exact=prefix not in (None, "eq", "ne", "ap"))
        slack = round((low + high) / 2 * 0.1) if prefix == "ap" else 0
    else:
        low, high = _time(text)
        slack = round(abs(now - low) * 0.1) if prefix == "ap" else 0
    return Range(prefix or "eq", low - slack, high + slack)


def _time(text: str) -> tuple[int, int]:
    """A date or time as in a resource; or to the minute, which FHIR R4 has in searches only."""
    minute = _MINUTE.fullmatch(text)
    found = interval(f"{minute[1]}:00{minute[2]}" if minute else text)
    if found is None:
        raise ValueError
    return (found[0], found[0] + 60 * MILLION - 1) if minute else found


def _number(text: str, exact: bool) -> tuple[int, int]:
    """A number in millionths: exactly, or as far as its digits tell (14 is 13.5 to 14.5)."""
    try:
        number = Decimal(text)
    except InvalidOperation:
        raise ValueError from None
    if not number.is_finite() or abs(number) > MILLION or int(number.as_tuple().exponent) < -_FINEST:
        raise ValueError
    half = 0 if exact else int(Decimal(5).scaleb(int(number.as_tuple().exponent) - 1) * MILLION)
    middle = round(number * MILLION)
    return middle - half, middle + max(half - 1, 0)
