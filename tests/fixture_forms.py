"""What the contract names, as a table of forms, each with the way to know it in a fixture case: one row per form, with the section it is from.

A form is looked for in what a case sends (a resource of it, or the document as a whole), or in what is expected of it (the key of an issue).
"""

from collections.abc import Callable, Iterator
from typing import Any

import orjson
from msgspec import Struct

from sural import canonical
from sural.doors.cases import Case
from sural.doors.request import lexicon
from sural.issues import KINDS
from sural.terminology.lexicon import ABSENT_REASONS
from tests.builders import LATERALITY, Json

ELSEWHERE = {
    "input-too-large": "a file of 25 MB; tests/test_bad_input.py",
    "too-many-entries": "20,001 entries; tests/test_bad_input.py",
    "media-type-unsupported": "of the service; tests/test_web.py",
    "internal-error": "no input leads there",
    "ledger-unavailable": "of the service; tests/test_serving.py",
}
"""Keys of the vocabulary that no fixture can show, and what shows them."""


class Seen(Struct):
    """A case as it is sent: its documents, every resource of them, and what is expected."""

    case: Case
    documents: list[Json]
    resources: list[Json]
    expected: str

    def of_type(self, *types: str) -> Iterator[Json]:
        return (one for one in self.resources if one.get("resourceType") in types)


class Form(Struct, frozen=True):
    """One form: the section of the contract that names it, in words, and whether a case has it."""

    section: str
    says: str
    has: Callable[[Seen], bool]


def seen(case: Case) -> Seen:
    """A case taken apart; a line or a file that is no JSON holds nothing."""
    documents = [one for one in _documents(case) if isinstance(one, dict)]
    return Seen(
        case, documents, [one for document in documents for one in _resources(document)], orjson.dumps(case.expected).decode()
    )


def _documents(case: Case) -> Iterator[Any]:
    data = case.input.read_bytes()
    for part in data.splitlines() if case.input.suffix == ".ndjson" else [data]:
        try:
            yield orjson.loads(part)
        except orjson.JSONDecodeError:
            continue


def _resources(node: Any) -> Iterator[Json]:
    if isinstance(node, list):
        for item in node:
            yield from _resources(item)
    elif isinstance(node, dict):
        if "resourceType" in node:
            yield node
        for value in node.values():
            yield from _resources(value)


# what is asked of a resource


def _of(what: Callable[[Json], bool], *types: str) -> Callable[[Seen], bool]:
    return lambda one: any(what(resource) for resource in one.of_type(*(types or ("Observation",))))


def _codings(node: Any) -> list[Json]:
    found = node.get("coding", []) if isinstance(node, dict) else []
    return [coding for coding in found if isinstance(coding, dict)] if isinstance(found, list) else []


def _meaning(resource: Json) -> Any:
    return lexicon().meanings[orjson.dumps(resource.get("code", {}))]


def _code_side(resource: Json) -> bool:
    meaning = _meaning(resource)
    return meaning.side is not None or any(target.side is not None for target in meaning.targets)


def _body(resource: Json) -> list[Json]:
    site = resource.get("bodySite")
    return _codings(site) if isinstance(site, dict) else []


def _components(resource: Json) -> list[Json]:
    found = resource.get("component", [])
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def _place(node: Any) -> Any:
    return lexicon().places[orjson.dumps(node)]


def _precoordinated(resource: Json) -> bool:
    body = _body(resource)
    return (
        len(body) == 1
        and ":" not in body[0].get("code", "")
        and (lambda at: bool(at.side and at.site))(_place(resource["bodySite"]))
    )


def _second_coding(resource: Json) -> bool:
    return len(_body(resource)) > 1 and any(one.get("code") in LATERALITY.values() for one in _body(resource))


def _by_extension(resource: Json) -> bool:
    body = resource.get("bodySite")
    holders = [body, *_codings(body)] if isinstance(body, dict) else []
    return any("laterality" in one.get("url", "") for holder in holders for one in holder.get("extension", []))


def _component_side(resource: Json) -> bool:
    return any(
        set(map(str, LATERALITY.values())) & {one.get("code") for one in _codings(part.get("code"))}
        for part in _components(resource)
    )


def _component_site(resource: Json) -> bool:
    return len({at.site.code for part in _components(resource) if "code" in part and (at := _place(part["code"])).site}) > 1


def _post_coordinated(resource: Json) -> bool:
    return any("272741003=" in one.get("code", "") for one in _body(resource))


def _own_site(code: str) -> Callable[[Json], bool]:
    return lambda resource: any((one.get("system"), one.get("code")) == (canonical.SITE, code) for one in _body(resource))


def _coded_in(*systems: str) -> Callable[[Json], bool]:
    return lambda resource: any(one.get("system") in systems for one in _codings(resource.get("valueCodeableConcept")))


def _holders(resource: Json) -> list[Json]:
    return [resource, *_components(resource)]


def _valued(name: str, *values: Any) -> Callable[[Json], bool]:
    return lambda resource: any(name in one and (not values or one[name] in values) for one in _holders(resource))


def _boolean(flag: bool, felt: bool) -> Callable[[Json], bool]:
    """A boolean for a finding whose answers are felt and not felt, or for one that is present or absent."""

    def test(resource: Json) -> bool:
        targets = _meaning(resource).targets
        return resource.get("valueBoolean") is flag and any(("felt" in one.concept.answers) is felt for one in targets)

    return test


def _quantity(converted: bool) -> Callable[[Json], bool]:
    def test(resource: Json) -> bool:
        value = resource.get("valueQuantity", {})
        targets = _meaning(resource).targets
        return any(value.get("code") and one.concept.unit and (one.concept.unit != value["code"]) is converted for one in targets)

    return test


def _finding_style(resource: Json) -> bool:
    return "code" in resource and not any(key.startswith(("value", "component", "hasMember", "dataAbsent")) for key in resource)


def _reasons(resource: Json) -> set[str]:
    return {one.get("code", "") for holder in _holders(resource) for one in _codings(holder.get("dataAbsentReason"))}


def _reason(code: str) -> Callable[[Json], bool]:
    return lambda resource: code in _reasons(resource) and "valueCodeableConcept" not in resource


def _reason_in_words(resource: Json) -> bool:
    return any("dataAbsentReason" in one and not _codings(one["dataAbsentReason"]) for one in _holders(resource))


def _absent_as_value(*codes: str) -> Callable[[Json], bool]:
    return lambda resource: any(
        one.get("code") in codes for part in _holders(resource) for one in _codings(part.get("valueCodeableConcept"))
    )


def _finding(code: str, *values: str) -> Callable[[Json], bool]:
    """An Observation in our own code, with one of these answers when any are named."""

    def test(resource: Json) -> bool:
        if code not in {one.get("code") for one in _codings(resource.get("code")) if one.get("system") == canonical.FINDING}:
            return False
        return not values or bool({one.get("code") for one in _codings(resource.get("valueCodeableConcept"))} & set(values))

    return test


def _without_monofilament(one: Seen) -> bool:
    """The rest of an examination, of a person whose monofilament is not among it."""
    codes = {coding.get("code") for resource in one.of_type("Observation") for coding in _codings(resource.get("code"))}
    return "dorsalis-pedis-pulse" in codes and not any(str(code).startswith(("monofilament", "toe-touch")) for code in codes)


def _expects(key: str) -> Callable[[Seen], bool]:
    return lambda one: f'"{key}"' in one.expected


def _document(*types: str, kind: str = "") -> Callable[[Seen], bool]:
    return lambda one: any(doc.get("resourceType") in types and kind in ("", doc.get("type")) for doc in one.documents)


LATERALITY_SECTION, VALUES, MISSING, BAD, DOCUMENTS = (
    "Laterality and site", "Values", "Values: dataAbsentReason, and what else is not known", "Bad input", "Command line and routes: what is read",
)  # fmt: skip
_OWN_SITES = (
    "hallux",
    *(f"toe-{number}" for number in range(1, 6)),
    *(f"metatarsal-head-{number}" for number in range(1, 6)),
    "forefoot",
    "midfoot",
    "hindfoot",
    "dorsum",
    "medial-malleolus",
    "lateral-malleolus",
    "ankle",
    "mid-shin",
    "tibial-tuberosity",
    "knee",
    "thigh",
    "index-fingertip",
    "wrist",
)
_INPUT = list(KINDS)[: list(KINDS).index("not-acceptable")]
"""Keys of what is sent; those after them are about routes, stored answers, hooks and access."""

FORMS: tuple[Form, ...] = (
    Form(LATERALITY_SECTION, "(a) bodySite with a pre-coordinated left or right code", _of(_precoordinated)),
    Form(LATERALITY_SECTION, "(b) bodySite with the side as a second coding", _of(_second_coding)),
    Form(LATERALITY_SECTION, "(b) bodySite with the laterality extension", _of(_by_extension)),
    Form(LATERALITY_SECTION, "(c) a panel with members", _of(lambda one: bool(one.get("hasMember")))),
    Form(LATERALITY_SECTION, "(d) one component per side", _of(_component_side)),
    Form(LATERALITY_SECTION, "(d) one component per site", _of(_component_site)),
    Form(LATERALITY_SECTION, "(e) a code that itself carries the side", _of(_code_side)),
    Form(LATERALITY_SECTION, "(f) the post-coordinated form", _of(_post_coordinated)),
    Form(LATERALITY_SECTION, "bilateral means both", _of(lambda one: LATERALITY["bilateral"] in {c.get("code") for c in _body(one)})),
    Form(LATERALITY_SECTION, "no side where one is needed: unusable", _expects("side-missing")),
    *(Form(LATERALITY_SECTION, f"own site code {site}", _of(_own_site(site))) for site in _OWN_SITES),
    Form(VALUES, "CodeableConcept in our own codes", _of(_coded_in(canonical.FINDING_VALUE))),
    Form(VALUES, "CodeableConcept, a SNOMED CT qualifier or finding", _of(_coded_in(canonical.SNOMED))),
    Form(VALUES, "CodeableConcept, a LOINC answer", _of(_coded_in(canonical.LOINC))),
    Form(VALUES, "boolean, present", _of(_boolean(True, felt=False))),
    Form(VALUES, "boolean, absent", _of(_boolean(False, felt=False))),
    Form(VALUES, "boolean, felt", _of(_boolean(True, felt=True))),
    Form(VALUES, "boolean, not felt", _of(_boolean(False, felt=True))),
    Form(VALUES, "integer", _of(_valued("valueInteger"))),
    Form(VALUES, "Quantity in the unit of the finding", _of(_quantity(converted=False))),
    Form(VALUES, "Quantity in another commensurable unit", _of(_quantity(converted=True))),
    Form(VALUES, "text equal to an answer's display, with a warning", _expects("value-by-display")),
    Form(VALUES, "finding-style Observation", _of(_finding_style)),
    Form(VALUES, "finding-style Condition", lambda one: any(one.of_type("Condition"))),
    Form(VALUES, "Procedure", lambda one: any(one.of_type("Procedure"))),
    Form(VALUES, "medicine", lambda one: any(one.of_type("MedicationStatement", "MedicationRequest"))),
    Form(VALUES, "local code through a ConceptMap", lambda one: one.case.how.concept_map is not None),
    *(Form(MISSING, f"dataAbsentReason {reason}", _of(_reason(reason))) for reason in sorted(ABSENT_REASONS)),
    Form(MISSING, "dataAbsentReason in words only", _of(_reason_in_words)),
    Form(MISSING, "not done, as a value", _of(_absent_as_value("373121007", "385660001"))),
    Form(MISSING, "unable to determine, as a value", _of(_absent_as_value("LA11137-9"))),
    Form(MISSING, "unknown, as a value", _of(_absent_as_value("LA4489-6"))),
    Form(MISSING, "not recorded at all", _without_monofilament),
    Form(MISSING, "refused", _of(_reason("asked-declined"))),
    Form(MISSING, "the foot is amputated", _of(_finding("amputation", "entire-foot", "below-knee", "above-knee"))),
    Form(MISSING, "a toe or part of the foot is amputated", _of(_finding("amputation", "toe", "ray", "forefoot"))),
    Form(MISSING, "a member of a panel that was not sent", _expects("reference-unresolved")),
    Form(MISSING, "tries that do not decide", _expects("tries-undecided")),
    Form(MISSING, "only reduced", _expects("sensation-only-reduced")),
    Form(MISSING, "one pulse only", _expects("one-pulse-absent")),
    Form(MISSING, "an index that is not compressible", _expects("index-incompressible")),
    Form(MISSING, "older than the look-back", _expects("stale")),
    Form(MISSING, "undated", _expects("date-missing")),
    Form(MISSING, "preliminary", _expects("preliminary")),
    Form(MISSING, "entered in error", _expects("status-not-usable")),
    *(Form(BAD, key, _expects(key)) for key in _INPUT if key not in ELSEWHERE),
    *(Form(DOCUMENTS, f"Bundle of type {kind}", _document("Bundle", kind=kind)) for kind in ("collection", "transaction", "batch", "searchset", "document")),
    Form(DOCUMENTS, "Parameters", _document("Parameters")),
    Form(DOCUMENTS, "QuestionnaireResponse", _document("QuestionnaireResponse")),
    Form(DOCUMENTS, "a single Observation", _document("Observation")),
    Form(DOCUMENTS, "NDJSON of Bundles", lambda one: one.case.input.suffix == ".ndjson" and _document("Bundle")(one)),
    Form(DOCUMENTS, "NDJSON of resources", lambda one: one.case.input.suffix == ".ndjson" and _document("Observation")(one)),
)  # fmt: skip
