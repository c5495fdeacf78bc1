"""A request: what is asked of an assessment, from command-line options, HTTP query or FHIR Parameters."""

from collections.abc import Callable, Iterable
from datetime import date
from functools import lru_cache
from typing import Any

import msgspec
import orjson
from msgspec import Struct

from sural.assessing import Options
from sural.exam.moment import duration, moment
from sural.footrisk.schemes import SCHEMES
from sural.intake.documents import Parameter
from sural.issues import Issue, Refused
from sural.plan.calendar import Calendar, calendar
from sural.plan.pathway import pathway
from sural.terminology.lexicon import Lexicon

OUTPUTS = ("bundle", "transaction", "summary", "report", "html")
REPORTS = ("none", "text", "picture")
"""The DiagnosticReport of the answer: left out, with its narrative, or with the picture of both legs as well."""
COMPLETE = ("inspection", "history")
FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(2999, 12, 31)
"""Between which the day of assessment lies: a mistyped year is noticed, and every due date and review is still in the calendar."""


class Request(Struct, frozen=True):
    """What is asked: see `Options`; further the form of the answer, its report, the trace, and a site's own ConceptMaps as JSON."""

    as_of: date
    lookback: str = "P12M"
    schemes: tuple[str, ...] = tuple(SCHEMES)
    pathway: str = "ng19"
    calendar: str | None = None
    complete: frozenset[str] = frozenset()
    preliminary: bool = False
    output: str = "bundle"
    report: str = "text"
    trace: bool = False
    concept_maps: tuple[bytes, ...] = ()

    def options(self) -> Options:
        """The options of the core. Raises Refused with every fault of the request."""
        issues = list(self._faults())
        if issues:
            raise Refused(*issues)
        way = pathway(self.pathway)
        own = self.calendar is not None or self.pathway.endswith(".toml")
        days = calendar(self.calendar or way.calendar) if own else Calendar(way.calendar)
        return Options(self.as_of, way, days, self.lookback, self.schemes, self.complete, self.preliminary)

    def _faults(self) -> Iterable[Issue]:
        given: list[tuple[str, str]] = [("lookback", self.lookback), ("output", self.output), ("pathway", self.pathway)]
        given.append(("report", self.report))
        given += [("scheme", scheme) for scheme in self.schemes] + [("complete", group) for group in sorted(self.complete)]
        given += [("calendar", self.calendar)] if self.calendar is not None else []
        for name, value in given:
            key = _CHECKS[name](value)
            if key:
                yield Issue(key, diagnostics=value[:100] if key in ("scheme-unknown", "pathway-unknown") else name)
        if not FIRST_DAY <= self.as_of <= LAST_DAY:
            yield Issue("parameter-invalid", diagnostics="as-of")

    def lexicon(self) -> Lexicon:
        """The terminology with the site's ConceptMaps over it. Raises Refused when one cannot be used."""
        return lexicon(self.concept_maps)


@lru_cache(maxsize=16)
def lexicon(concept_maps: tuple[bytes, ...] = ()) -> Lexicon:
    """The lexicon for these overlays, built once."""
    try:
        maps = tuple(orjson.loads(text) for text in concept_maps)
        if any(not isinstance(one, dict) or one.get("resourceType") != "ConceptMap" for one in maps):
            raise ValueError("not a ConceptMap")
        return Lexicon(maps)
    except (ValueError, KeyError, TypeError, AttributeError) as fault:
        raise Refused(Issue("concept-map-invalid", diagnostics=str(fault)[:200])) from None


def with_parameters(request: Request, parameters: Iterable[Parameter]) -> Request:
    """The request with what FHIR Parameters ask for.

    Raises Refused with every parameter that is unknown, cannot be used, or is given twice though it may stand once.
    """
    changes: dict[str, Any] = {}
    issues: list[Issue] = []
    for parameter in parameters:
        fault = _apply(changes, parameter)
        if fault:
            issues.append(Issue(fault, parameter.path, parameter.name if parameter.name in _KNOWN else ""))
    if issues:
        raise Refused(*issues)
    return msgspec.structs.replace(request, **changes) if changes else request


def _scheme(value: str) -> str | None:
    return None if value in SCHEMES else "scheme-unknown"


def _complete(value: str) -> str | None:
    return None if value in COMPLETE else "parameter-invalid"


def _output(value: str) -> str | None:
    return None if value in OUTPUTS else "parameter-invalid"


def _report(value: str) -> str | None:
    return None if value in REPORTS else "parameter-invalid"


def _lookback(value: str) -> str | None:
    try:
        duration(value)
    except ValueError:
        return "parameter-invalid"
    return None


def _pathway(value: str) -> str | None:
    try:
        region = pathway(value).calendar
    except (KeyError, ValueError, OSError):
        return "pathway-unknown"
    return _calendar(region) if value.endswith(".toml") else None  # the calendars of our own pathways exist


def _calendar(value: str) -> str | None:
    try:
        calendar(value)
    except ValueError:
        return "parameter-invalid"
    return None


_CHECKS: dict[str, Callable[[str], str | None]] = {
    "lookback": _lookback,
    "output": _output,
    "report": _report,
    "pathway": _pathway,
    "scheme": _scheme,
    "complete": _complete,
    "calendar": _calendar,
}
_FLAGS = ("trace", "preliminary")
_KNOWN = frozenset({"exam", "concept-map", "as-of", *_FLAGS, *_CHECKS})


def _apply(changes: dict[str, Any], parameter: Parameter) -> str | None:
    """Take one parameter; the key of the issue when that is not possible."""
    name, value = parameter.name, parameter.value
    if name not in _KNOWN:
        return "parameter-unknown"
    if name == "concept-map":
        return _take_map(changes, parameter.resource)
    if name in _FLAGS:
        return _take(changes, name, value) if isinstance(value, bool) else "parameter-invalid"
    if not isinstance(value, str) or name == "exam":  # an exam that holds a resource is no parameter any more
        return "parameter-invalid"
    if name == "as-of":
        day = moment(value)
        if day is None or day.first_day != day.last_day or not FIRST_DAY <= day.first_day <= LAST_DAY:
            return "parameter-invalid"
        return _take(changes, "as_of", day.first_day)
    if name == "pathway" and value.endswith(".toml"):
        return "parameter-invalid"  # a file of the server's is not for a caller to choose
    fault = _CHECKS[name](value)
    if fault:
        return fault
    if name == "scheme":
        changes["schemes"] = (*changes.get("schemes", ()), value)
    elif name == "complete":
        changes["complete"] = changes.get("complete", frozenset()) | {value}
    else:
        return _take(changes, name, value)
    return None


def _take(changes: dict[str, Any], name: str, value: Any) -> str | None:
    """A parameter that may stand once."""
    if name in changes:
        return "parameter-invalid"
    changes[name] = value
    return None


def _take_map(changes: dict[str, Any], resource: bytes) -> str | None:
    if not resource:
        return "parameter-invalid"
    try:
        lexicon((resource,))
    except Refused:
        return "concept-map-invalid"
    changes["concept_maps"] = (*changes.get("concept_maps", ()), resource)
    return None
