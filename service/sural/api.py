"""The door for Python callers: FHIR in, FHIR out, in the form it came in."""

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

import msgspec
from msgspec.structs import replace

from sural.answer.summary import summary
from sural.doors.assessor import answer, encode, merged, structural_check
from sural.doors.request import Request
from sural.footrisk.schemes import SCHEMES
from sural.issues import Issue, Refused

_numbers_as_numbers = msgspec.json.Encoder(decimal_format="number")


def assess(
    exam: Any,
    *,
    as_of: date | None = None,
    lookback: str = "P12M",
    schemes: Iterable[str] = SCHEMES,
    pathway: str = "ng19",
    calendar: str | None = None,
    complete: Iterable[str] = (),
    preliminary: bool = False,
    transaction: bool = False,
    report: str = "text",
    trace: bool = False,
    check: bool = False,
    concept_maps: Iterable[Mapping[str, Any]] = (),
) -> Any:
    """Assess an examination and return the answer as one FHIR Bundle.

    `exam` is a Bundle, Parameters or single resource: JSON text (bytes or str), a dict (its decimals may be Decimals), or a model of
    `fhir.resources`; the answer comes back in the same form. It is never changed. `as_of` is the day of assessment (today when not given), `lookback` an ISO 8601
    duration, `complete` what you declare complete (inspection, history), `concept_maps` your own ConceptMaps. `transaction` gives a Bundle
    to post back; `report` is none, text or picture; `check` adds the structural check against the FHIR models.

    Raises `sural.Refused` with all issues when it cannot be said whom the input is about, or when it is not FHIR.
    """
    request = _request(as_of, lookback, schemes, pathway, calendar, complete, preliminary, concept_maps)
    request = replace(request, output="transaction" if transaction else "bundle", report=report, trace=trace)
    bundle = merged(answer(_as_bytes(exam), request, structural_check() if check else None))
    return _as_came(bundle, exam)


def summarise(
    exam: Any,
    *,
    as_of: date | None = None,
    lookback: str = "P12M",
    schemes: Iterable[str] = SCHEMES,
    pathway: str = "ng19",
    calendar: str | None = None,
    complete: Iterable[str] = (),
    preliminary: bool = False,
    check: bool = False,
    concept_maps: Iterable[Mapping[str, Any]] = (),
) -> list[dict[str, Any]]:
    """Assess an examination and return the summary of each patient in it. Arguments and errors as in `assess`."""
    request = _request(as_of, lookback, schemes, pathway, calendar, complete, preliminary, concept_maps)
    answered = answer(_as_bytes(exam), request, structural_check() if check else None)
    assert answered.assessed is not None
    return [summary(patient) for patient in answered.assessed.patients]


def _request(
    as_of: date | None,
    lookback: str,
    schemes: Iterable[str],
    pathway: str,
    calendar: str | None,
    complete: Iterable[str],
    preliminary: bool,
    concept_maps: Iterable[Mapping[str, Any]],
) -> Request:
    return Request(
        as_of or date.today(),
        lookback,
        tuple(schemes),
        pathway,
        calendar,
        frozenset(complete),
        preliminary,
        concept_maps=tuple(_as_bytes(one) for one in concept_maps),
    )


def _as_bytes(exam: Any) -> bytes:
    """The JSON text. Raises Refused for what JSON cannot hold."""
    if isinstance(exam, bytes | bytearray | memoryview):
        return bytes(exam)
    try:
        if isinstance(exam, str):
            return exam.encode()
        if isinstance(exam, Mapping):
            return _numbers_as_numbers.encode(dict(exam))
        return str(exam.model_dump_json()).encode()
    except UnicodeEncodeError:
        raise Refused(Issue("not-json", diagnostics="half a character in a text")) from None
    except (TypeError, RecursionError):
        raise Refused(Issue("not-json", diagnostics="something that JSON cannot hold")) from None


def _as_came(bundle: dict[str, Any], exam: Any) -> Any:
    if isinstance(exam, bytes | bytearray | memoryview):
        return encode(bundle)
    if isinstance(exam, str):
        return encode(bundle).decode()
    if isinstance(exam, Mapping):
        return msgspec.json.decode(encode(bundle))
    from fhir.resources.R4B.bundle import Bundle

    return Bundle.model_validate(bundle)
