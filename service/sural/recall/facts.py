"""What a recall needs of each stored resource: small facts, read off it once, when it is stored.

| resource | fact |
| --- | --- |
| Observation of the foot-risk category | `Answered`: which examination, when, when the feet, ranges by scheme, states of factors |
| Observation of the neuropathy classification | `Reached`: how far each loss reaches |
| ServiceRequest of ours | `Proposed`: for which service, how urgent, by when |
| Task, Encounter or request elsewhere that follows a proposal | `Followed`: what, and its status |
"""

from collections.abc import Iterable
from typing import Any

from msgspec import Struct

from sural import canonical
from sural.answer.derived import FOOT_RISK_KIND, NEUROPATHY_KIND
from sural.answer.identity import EXAMINATION_SYSTEM
from sural.answer.risk_assessments import RANGE_EXTENSION
from sural.answer.states import FEET_EXTENSION, STATE_EXTENSION
from sural.recall.snapshot import Levels, Range, rank

Json = dict[str, Any]
_LEVEL = "level-"


class Answered(Struct, frozen=True, tag="answered", omit_defaults=True):
    """An answer about an examination. `when` is a FHIR dateTime, `feet` a day; `scheme` is that of the pathway. `identifier` is a person's."""

    reference: str
    examination: str
    status: str
    when: str
    feet: str | None = None
    scheme: str = ""
    ranges: dict[str, Range] = {}
    states: dict[str, dict[str, bool]] = {}
    identifier: tuple[str, str] | None = None


class Reached(Struct, frozen=True, tag="reached", omit_defaults=True):
    """How far each loss reaches, by modality and side, of one examination."""

    examination: str
    status: str
    levels: Levels = {}


class Proposed(Struct, frozen=True, tag="proposed", omit_defaults=True):
    """A proposal: its reference, status, service and priority, and the day by which somebody is to be seen."""

    reference: str
    status: str
    service: str
    priority: str = "routine"
    due: str | None = None


class Followed(Struct, frozen=True, tag="followed"):
    """Something that follows a proposal: its reference, type and status."""

    request: str
    reference: str
    status: str

    @property
    def type(self) -> str:
        return self.reference.partition("/")[0]


Fact = Answered | Reached | Proposed | Followed


def fact_of(resource: Json, reference: str | None = None) -> Fact | None:
    """The fact of a resource; None for one that a recall does not need. `reference` stands in the fact instead of type and id, for one that has no id."""
    kind = resource["resourceType"]
    if kind not in ("ServiceRequest", "Observation"):
        return None
    if reference is None:
        reference = f"{kind}/{resource['id']}"
    if kind == "ServiceRequest":
        return _proposed(resource, reference)
    examination, _, own = _examination(resource).partition("-")
    if not examination:
        return None
    if own == FOOT_RISK_KIND:
        return _answered(resource, examination, reference)
    if own == NEUROPATHY_KIND:
        return Reached(examination, str(resource.get("status")), _levels(resource))
    return None


def _examination(resource: Json) -> str:
    return next((str(one["value"]) for one in resource.get("identifier", ()) if one.get("system") == EXAMINATION_SYSTEM), "")


def _answered(resource: Json, examination: str, reference: str) -> Answered:
    period = resource.get("effectivePeriod", {})
    leading = _code(resource.get("valueCodeableConcept", {}), canonical.FOOT_RISK)
    ranges: dict[str, Range] = {}
    for component in resource.get("component", ()):
        scheme = _code(component.get("code", {}), canonical.FOOT_RISK)
        ends = _ends(component)
        if scheme and ends:
            ranges[scheme] = ends[0].removeprefix(f"{scheme}."), ends[1].removeprefix(f"{scheme}.")
    named = resource.get("subject", {}).get("identifier", {})
    return Answered(
        reference,
        examination,
        str(resource.get("status")),
        str(resource.get("effectiveDateTime") or period.get("end") or period.get("start") or ""),
        next((one.get("valueDate") for one in resource.get("extension", ()) if one.get("url") == FEET_EXTENSION), None),
        leading.partition(".")[0],
        ranges,
        dict(_states(resource)),
        (named.get("system", ""), named["value"]) if "value" in named else None,
    )


def _states(resource: Json) -> Iterable[tuple[str, dict[str, bool]]]:
    for one in resource.get("extension", ()):
        if one.get("url") == STATE_EXTENSION:
            parts = one.get("extension", ())
            factor = next((str(part["valueCoding"].get("code", "")) for part in parts if "valueCoding" in part), "")
            yield factor, {str(part.get("url")): part["valueBoolean"] for part in parts if "valueBoolean" in part}


def _levels(resource: Json) -> Levels:
    levels: Levels = {}
    for component in resource.get("component", ()):
        code, side = _code(component.get("code", {}), canonical.NEUROPATHY), _code(component.get("code", {}), canonical.SIDE)
        ends = _ends(component)
        if code.startswith(_LEVEL) and side and ends:
            low, high = rank(ends[0]), rank(ends[1])
            if low is not None and high is not None:
                levels.setdefault(code.removeprefix(_LEVEL), {})[side] = low, high
    return levels


def _ends(component: Json) -> Range | None:
    """Both ends of a range extension, as codes."""
    for one in component.get("extension", ()):
        if one.get("url") == RANGE_EXTENSION:
            ends = {part.get("url"): str(part.get("valueCoding", {}).get("code", "")) for part in one.get("extension", ())}
            return (ends["atLeast"], ends["atMost"]) if ends.keys() >= {"atLeast", "atMost"} else None
    return None


def _proposed(resource: Json, reference: str) -> Proposed | None:
    """A request of ours; one that is no proposal of Sural's is not followed."""
    if not _examination(resource):
        return None
    period = resource.get("occurrencePeriod", {})
    due = resource.get("occurrenceDateTime") or period.get("end") or period.get("start")
    service = _code(resource.get("code", {}), canonical.SERVICE)
    return Proposed(reference, str(resource.get("status")), service, str(resource.get("priority", "routine")), due)


def _code(concept: Json, system: str) -> str:
    """The code of a CodeableConcept in one system; empty where it has none."""
    return next((str(one["code"]) for one in concept.get("coding", ()) if one.get("system") == system and "code" in one), "")
