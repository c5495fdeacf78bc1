"""What a client accepts: the Accept header with its weights, and `_format`, which goes before it.

Source: RFC 9110, 12.5.1 (the most specific range decides, a weight of nought refuses); FHIR R4, RESTful API, content types and encodings
(`_format`, generic JSON types, the fhirVersion parameter).
"""

from fastapi import Request
from msgspec import Struct

from sural.issues import Issue, Refused

FHIR_JSON = "application/fhir+json"
FHIR_LINES = "application/fhir+ndjson"
JSON = "application/json"
LINES = "application/x-ndjson"
TEXT = "text/plain"
HTML = "text/html"
CSV = "text/csv"
VERSIONS = ("4.0", "4.0.1")
_SAME = {
    FHIR_JSON: (JSON, "text/json", "json"),
    JSON: (FHIR_JSON, "text/json", "json"),
    FHIR_LINES: (LINES, "application/ndjson", "ndjson"),
    LINES: (FHIR_LINES, "application/ndjson", "ndjson"),
    TEXT: ("text",),
    HTML: ("html",),
    CSV: ("csv",),
}
"""Other names under which a type is asked for."""


class _Range(Struct, frozen=True):
    kind: str
    weight: float


class Accept(Struct, frozen=True):
    """The media ranges of a request."""

    ranges: tuple[_Range, ...]
    stands: str = "http.Accept"
    """Where they stand in the request."""

    @classmethod
    def of(cls, request: Request) -> "Accept":
        """What a request accepts: everything, when it does not say."""
        wanted = request.query_params.get("_format") or request.headers.get("accept") or "*/*"
        found = []
        for option in wanted.split(","):
            kind, parameters = media_type(option)
            if parameters.get("fhirversion", "4.0") in VERSIONS:
                found.append(_Range(kind, _weight(parameters.get("q", "1"))))
        return cls(tuple(found), "http._format" if request.query_params.get("_format") else "http.Accept")

    def weight(self, kind: str) -> float:
        """How much a media type is wanted: that of the most specific range it falls into, 0 when it is refused."""
        for names in ((kind,), _SAME[kind], (f"{kind.partition('/')[0]}/*",), ("*/*",)):
            weights = [one.weight for one in self.ranges if one.kind in names]
            if weights:
                return max(weights)
        return 0.0

    def names(self, kind: str) -> bool:
        """Whether a type is asked for by one of its names, and not only through a wider range."""
        return any(one.weight > 0 and one.kind in (kind, *_SAME[kind]) for one in self.ranges)

    def refuse_unless(self, *kinds: str) -> None:
        """Raises Refused, which names what is offered, when none of these types is wanted."""
        if not any(self.weight(kind) > 0 for kind in kinds):
            offered = ", ".join(f"{kind} (_format={_SAME[kind][-1]})" for kind in kinds)
            raise Refused(Issue("not-acceptable", self.stands, f"offered here: {offered}"))


def check_accept(request: Request) -> None:
    """Raises Refused unless FHIR JSON may be written."""
    Accept.of(request).refuse_unless(FHIR_JSON)


def media_type(text: str) -> tuple[str, dict[str, str]]:
    """A media type and its parameters, in small letters. A plus that was not encoded in an address arrives as a blank."""
    kind, *rest = text.split(";")
    parameters = (part.partition("=") for part in rest)
    return kind.strip().lower().replace(" ", "+"), {
        name.strip().lower(): value.strip().strip('"') for name, _, value in parameters
    }


def _weight(text: str) -> float:
    try:
        return min(max(float(text), 0.0), 1.0)
    except ValueError:
        return 1.0
