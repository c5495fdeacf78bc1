"""A request: what is asked of an assessment, from command-line options, HTTP query or FHIR Parameters."""

from collections.abc import Iterable
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
from sural.plan.calendar import calendar
from sural.plan.pathway import pathway
from sural.terminology.lexicon import Lexicon

OUTPUTS = ("bundle", "transaction", "summary", "report")
COMPLETE = ("inspection", "history")


class Request(Struct, frozen=True):
    """What is asked: see `Options`; further the form of the answer, the trace, and a site's own ConceptMaps as JSON."""

    as_of: date
    lookback: str = "P12M"
    schemes: tuple[str, ...] = tuple(SCHEMES)
    pathway: str = "ng19"
    calendar: str | None = None
    complete: frozenset[str] = frozenset()
    preliminary: bool = False
    output: str = "bundle"
    trace: bool = False
    concept_maps: tuple[bytes, ...] = ()

    def options(self) -> Options:
        """The options of the core. Raises Refused with every fault of the request."""
        issues = [Issue("scheme-unknown", diagnostics=scheme) for scheme in self.schemes if scheme not in SCHEMES]
        issues += [Issue("parameter-invalid", diagnostics="complete") for group in self.complete if group not in COMPLETE]
        if self.output not in OUTPUTS:
            issues.append(Issue("parameter-invalid", diagnostics="output"))
        try:
            duration(self.lookback)
        except ValueError:
            issues.append(Issue("parameter-invalid", diagnostics="lookback"))
        try:
            way = pathway(self.pathway)
        except (KeyError, ValueError, OSError):
            raise Refused(*issues, Issue("pathway-unknown", diagnostics=self.pathway)) from None
        try:
            days = calendar(self.calendar or way.calendar)
        except ValueError:
            raise Refused(*issues, Issue("parameter-invalid", diagnostics="calendar")) from None
        if issues:
            raise Refused(*issues)
        return Options(self.as_of, way, days, self.lookback, self.schemes, self.complete, self.preliminary)

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
    """The request with what FHIR Parameters ask for. Raises Refused with every parameter that is unknown or cannot be used."""
    changes: dict[str, Any] = {}
    issues: list[Issue] = []
    for parameter in parameters:
        fault = _apply(changes, parameter)
        if fault:
            issues.append(Issue(fault, parameter.path, parameter.name))
    if issues:
        raise Refused(*issues)
    return msgspec.structs.replace(request, **changes) if changes else request


def _apply(changes: dict[str, Any], parameter: Parameter) -> str | None:
    """Take one parameter; the key of the issue when that is not possible."""
    name, value = parameter.name, parameter.value
    if name == "concept-map":
        changes["concept_maps"] = (*changes.get("concept_maps", ()), parameter.resource)
        return None if parameter.resource else "parameter-invalid"
    if name in ("trace", "preliminary"):
        changes[name] = value
        return None if isinstance(value, bool) else "parameter-invalid"
    if name not in ("as-of", "scheme", "complete", "pathway", "lookback", "output", "calendar"):
        return "parameter-unknown"
    if not isinstance(value, str):
        return "parameter-invalid"
    if name == "as-of":
        day = moment(value)
        if day is None or day.first_day != day.last_day:
            return "parameter-invalid"
        changes["as_of"] = day.first_day
    elif name == "scheme":
        changes["schemes"] = (*changes.get("schemes", ()), value)
    elif name == "complete":
        changes["complete"] = changes.get("complete", frozenset()) | {value}
    elif name == "pathway" and value.endswith(".toml"):
        return "parameter-invalid"  # a file of the server's is not for a caller to choose
    else:
        changes[name] = value
    return None
