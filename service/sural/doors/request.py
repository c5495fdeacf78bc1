"""A request: what is asked of an assessment, from command-line options, HTTP query or FHIR Parameters."""

from collections.abc import Callable, Iterable
from datetime import date
from functools import lru_cache
from typing import Any

import msgspec
import orjson
from msgspec import Struct

from sural.assessing import Options
from sural.doors.accepted import COMPLETE, FIRST_DAY, LAST_DAY, OUTPUTS, REPORTS, accepted
from sural.exam.moment import duration, moment
from sural.footrisk.schemes import SCHEMES
from sural.intake.documents import Parameter
from sural.issues import Issue, Refused
from sural.plan.calendar import Calendar, calendar
from sural.plan.pathway import pathway
from sural.terminology.lexicon import Lexicon


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
                yield Issue(key, diagnostics=f"{name} {value[:100]}: {_why(name, value)}")
        if not FIRST_DAY <= self.as_of <= LAST_DAY:
            yield Issue("parameter-invalid", diagnostics=f"as-of: {accepted('as-of')}")

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


def with_parameters(request: Request, parameters: Iterable[Parameter], names: Iterable[str] = ()) -> Request:
    """The request with what FHIR Parameters ask for; `names` are those that may stand there, all when none are given.

    Raises Refused with every parameter that is unknown, cannot be used, or is given twice though it may stand once.
    """
    changes: dict[str, Any] = {}
    issues: list[Issue] = []
    for parameter in parameters:
        fault = _apply(changes, parameter)
        if fault is not None:
            known = ", ".join(names or sorted(_KNOWN))
            why = f"there are {known}" if fault.key == "parameter-unknown" else f"{parameter.name}: {fault.why or accepted(parameter.name)}"
            issues.append(Issue(fault.key, parameter.path, why))
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


def _why(name: str, value: str) -> str:
    """What is wrong with an option, or what it takes; a pathway may be a file of the site's."""
    if name != "pathway":
        return accepted(name, value)
    if not value.endswith(".toml"):
        return f"{accepted(name)}, or a TOML file of your own"
    try:
        region = pathway(value).calendar
    except OSError as fault:
        return f"the file cannot be read: {fault.strerror}"
    except ValueError as fault:
        return str(fault).removeprefix(f"pathway {value}: ")[:300]
    return f"its calendar {region}: {accepted('calendar', region)}"


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


class _Fault(Struct, frozen=True):
    """The key of an issue, and why where it is not that the value is none that is taken."""

    key: str
    why: str = ""


def _apply(changes: dict[str, Any], parameter: Parameter) -> _Fault | None:
    """Take one parameter; what is wrong when that is not possible."""
    name, value = parameter.name, parameter.value
    if name not in _KNOWN:
        return _Fault("parameter-unknown")
    if name == "concept-map":
        return _take_map(changes, parameter.resource)
    if name in _FLAGS:
        return _take(changes, name, value) if isinstance(value, bool) else _Fault("parameter-invalid")
    if not isinstance(value, str) or name == "exam":  # an exam that holds a resource is no parameter any more
        return _Fault("parameter-invalid")
    if name == "as-of":
        day = moment(value)
        if day is None or day.first_day != day.last_day or not FIRST_DAY <= day.first_day <= LAST_DAY:
            return _Fault("parameter-invalid")
        return _take(changes, "as_of", day.first_day)
    if name == "pathway" and value.endswith(".toml"):
        return _Fault("parameter-invalid")  # a file of the server's is not for a caller to choose
    fault = _CHECKS[name](value)
    if fault:
        return _Fault(fault, accepted(name, value))
    if name == "scheme":
        changes["schemes"] = (*changes.get("schemes", ()), value)
    elif name == "complete":
        changes["complete"] = changes.get("complete", frozenset()) | {value}
    else:
        return _take(changes, name, value)
    return None


def _take(changes: dict[str, Any], name: str, value: Any) -> _Fault | None:
    """A parameter that may stand once."""
    if name in changes:
        return _Fault("parameter-invalid", "stands twice")
    changes[name] = value
    return None


def _take_map(changes: dict[str, Any], resource: bytes) -> _Fault | None:
    if not resource:
        return _Fault("parameter-invalid")
    try:
        lexicon((resource,))
    except Refused as refused:
        return _Fault("concept-map-invalid", refused.issues[0].diagnostics)
    changes["concept_maps"] = (*changes.get("concept_maps", ()), resource)
    return None
