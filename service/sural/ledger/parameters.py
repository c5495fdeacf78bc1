"""Search parameters of stored answers, and what a resource is found by under each.

Names, types and elements are those of the FHIR R4 (4.0.1) SearchParameters; only those listed here are searched. RiskAssessment has no
`status` parameter in R4.
"""

from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Any, Literal

from msgspec import Struct

from sural.exam.moment import moment

Json = dict[str, Any]
Kind = Literal["token", "reference", "date", "number"]
MILLION = 1_000_000


class Parameter(Struct, frozen=True):
    """One parameter of a type: its number in the tables (never used again for another), its names, and the elements it looks in.

    `system` is that of an element of type code. The first name is the one that is written in links. `sorts` says that every stored
    resource has it, so that results may be sorted by it. `targets` are the types that a reference may point to.
    """

    number: int
    names: tuple[str, ...]
    kind: Kind
    paths: tuple[str, ...]
    system: str = ""
    sorts: bool = False
    targets: tuple[str, ...] = ()


def _status(number: int, name: str, system: str) -> Parameter:
    return Parameter(number, (name,), "token", (name,), f"http://hl7.org/fhir/{system}")


def _date(number: int, name: str, *paths: str, sorts: bool = True) -> Parameter:
    return Parameter(number, (name,), "date", paths, sorts=sorts)


def _token(number: int, name: str, *paths: str) -> Parameter:
    return Parameter(number, (name,), "token", paths)


def _patient(number: int, path: str = "subject", *more: str) -> Parameter:
    return Parameter(number, ("patient", *more), "reference", (path,), targets=("Patient",))


def _to(number: int, name: str, path: str, *targets: str) -> Parameter:
    return Parameter(number, (name,), "reference", (path,), targets=targets)


TAG = _token(1, "_tag", "meta.tag")
SEARCHED: dict[str, tuple[Parameter, ...]] = {
    "RiskAssessment": (
        TAG, _patient(10, "subject", "subject"), _token(11, "method", "method"), _token(12, "risk", "prediction.qualitativeRisk"),
        Parameter(13, ("probability",), "number", ("prediction.probabilityDecimal",)), _date(14, "date", "occurrence"),
        _to(15, "performer", "performer", "Device"),
    ),
    "ServiceRequest": (
        TAG, _patient(20, "subject", "subject"), _status(21, "status", "request-status"), _status(22, "intent", "request-intent"),
        _status(23, "priority", "request-priority"), _token(24, "code", "code"), _token(25, "category", "category"),
        _date(26, "authored", "authoredOn"), _date(27, "occurrence", "occurrence", sorts=False), _token(28, "requisition", "requisition"),
        _to(29, "requester", "requester", "Device"),
    ),
    "Observation": (
        TAG, _patient(30, "subject", "subject"), _status(31, "status", "observation-status"), _token(32, "code", "code"),
        _token(33, "category", "category"), _date(34, "date", "effective"), _token(35, "value-concept", "valueCodeableConcept"),
        _token(36, "component-code", "component.code"), _token(37, "component-value-concept", "component.valueCodeableConcept"),
        _to(38, "device", "device", "Device"),
    ),
    "DetectedIssue": (
        TAG, _patient(40, "patient"), _token(41, "code", "code"), _date(42, "identified", "identified"), _to(43, "author", "author", "Device"),
    ),
    "DiagnosticReport": (
        TAG, _patient(50, "subject", "subject"), _status(51, "status", "diagnostic-report-status"), _token(52, "code", "code"),
        _date(53, "date", "effective"), _to(54, "result", "result", "Observation"),
    ),
    "Provenance": (
        TAG, _to(60, "target", "target", "RiskAssessment", "ServiceRequest", "Observation", "DetectedIssue", "DiagnosticReport"),
        _date(61, "recorded", "recorded"), _to(62, "agent", "agent.who", "Device"),
    ),
    "Device": (TAG, _status(70, "status", "device-status")),
}  # fmt: skip
TYPES = tuple(SEARCHED)
"""The types that answers are stored as."""
IDENTIFIED = tuple(kind for kind in TYPES if kind != "Provenance")
"""Those that R4 gives a search by identifier."""
BY_IDENTIFIER = 100
"""Added to the number of a reference parameter: the same element by its logical identifier (`:identifier`)."""
Term = tuple[int, str, str]
Span = tuple[int, int, int]


def parameter(kind: str, name: str) -> Parameter | None:
    """The parameter of a type by one of its names."""
    return next((one for one in SEARCHED[kind] if name in one.names), None)


def terms(resource: Json) -> Iterator[Term]:
    """What a resource is found by: (number, code, system). A reference has the type, with the address before it, as its system."""
    for one in SEARCHED[resource["resourceType"]]:
        if one.kind == "token":
            for node in _nodes(resource, one.paths):
                yield from ((one.number, code, system) for code, system in _tokens(node, one.system))
        elif one.kind == "reference":
            for node in _nodes(resource, one.paths):
                if reference := node.get("reference"):
                    yield one.number, *split_reference(reference)
                if value := node.get("identifier", {}).get("value"):
                    yield one.number + BY_IDENTIFIER, value, node["identifier"].get("system", "")


def spans(resource: Json) -> Iterator[Span]:
    """Times and numbers of a resource: (number, low, high)."""
    for one in SEARCHED[resource["resourceType"]]:
        if one.kind == "number":
            found = [_millionths(node) for node in _nodes(resource, one.paths)]
            if found:
                yield one.number, min(found), max(found)
        elif one.kind == "date":
            when = next((when for path in one.paths if (when := _when(resource, path))), None)
            if when:
                yield one.number, *when


def _millionths(number: Any) -> int:
    """A number as the tables hold it, which end somewhere."""
    most = Decimal(_OPEN // MILLION)
    return round(max(-most, min(Decimal(str(number)), most)) * MILLION)


def identifiers(resource: Json) -> set[tuple[str, str]]:
    """The business identifiers of a resource, as (value, system); a Provenance has none in R4, and has the answer that it is of by its tag."""
    if resource["resourceType"] == "Provenance":
        return {(one["code"], one["system"]) for one in resource.get("meta", {}).get("tag", ()) if one.get("system") and one.get("code")}
    return {(one["value"], one.get("system", "")) for one in resource.get("identifier", ()) if one.get("value")}


def split_reference(reference: str) -> tuple[str, str]:
    """The id of a reference, and its type with the address before it. A version is left off; a urn is its own id."""
    address = reference.partition("/_history/")[0]
    system, slash, id = address.rpartition("/")
    return (id, system) if slash else (address, "")


def interval(text: str) -> tuple[int, int] | None:
    """The microseconds that a FHIR date or time may mean, first and last: a date is its whole day in UTC, a second its whole second."""
    found = moment(text)
    if found is None:
        return None
    low = round(found.start * MILLION)
    if "T" not in text:
        return low, round(found.end * MILLION) + MILLION - 1
    digits = len(text.partition(".")[2].rstrip("Z").partition("+")[0].partition("-")[0])
    return low, low + 10 ** max(6 - digits, 0) - 1


_OPEN = 2**62


def _when(resource: Json, path: str) -> tuple[int, int] | None:
    """The range of an element that is a date or time, a Period with open ends, or a choice of these."""
    for name in (path, f"{path}DateTime", f"{path}Instant"):
        if isinstance(resource.get(name), str):
            return interval(resource[name])
    period = resource.get(f"{path}Period")
    if not period:
        return None
    start, end = interval(period.get("start", "")), interval(period.get("end", ""))
    return (start[0] if start else -_OPEN, end[1] if end else _OPEN) if start or end else None


def _nodes(resource: Json, paths: Iterable[str]) -> Iterator[Any]:
    for path in paths:
        nodes: list[Any] = [resource]
        for name in path.split("."):
            found = [node[name] for node in nodes if isinstance(node, dict) and name in node]
            nodes = [item for one in found for item in (one if isinstance(one, list) else [one])]
        yield from nodes


def _tokens(node: Any, system: str) -> Iterator[tuple[str, str]]:
    """(code, system) of a CodeableConcept, a Coding, an Identifier or a code."""
    if isinstance(node, str):
        yield node, system
    elif "coding" in node:
        yield from ((one["code"], one.get("system", "")) for one in node["coding"] if "code" in one)
    elif code := node.get("code", node.get("value")):
        yield code, node.get("system", "")
