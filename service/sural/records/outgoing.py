"""An answer on its way into a record system: the resources of a transaction, by kind, with what tells them apart."""

from collections.abc import Iterator, Mapping
from typing import Any

import orjson
from msgspec import Struct
from msgspec.structs import replace

from sural.answer.identity import ANSWER_SYSTEM, EXAMINATION_SYSTEM
from sural.records.faults import RecordsFault

Json = dict[str, Any]
SOFTWARE, PROVENANCE = "software", "provenance"
LEADING = "foot-risk-category"
"""The kind of the Observation that every answer has; its code too. Its time is that of the examination."""


class NotOurs(RecordsFault):
    """What is to be written back is not an answer of Sural's as a transaction, for one patient."""

    def __init__(self, what: str) -> None:
        super().__init__("write back", what)


class Part(Struct, frozen=True):
    """One resource: its link in the transaction, kind, the condition of its creation, and the resource."""

    link: str
    kind: str
    condition: str
    resource: Json

    @property
    def type(self) -> str:
        return str(self.resource["resourceType"])

    @property
    def lasting(self) -> str | None:
        """The identifier of what it is about, which stays when the answer is corrected: `system|value`; None where it has none."""
        return identifier(self.resource, EXAMINATION_SYSTEM)


class Outgoing(Struct, frozen=True):
    """One patient's answer. `examined` is the time of its newest finding; `inputs` are the references it rests on."""

    subject: str
    examination: str
    examined: str
    content: str
    inputs: tuple[str, ...]
    parts: tuple[Part, ...]

    @classmethod
    def of(cls, bundle: Json | bytes) -> "Outgoing":
        """Read a transaction of ours. Raises NotOurs for anything else."""
        try:
            tree = orjson.loads(bundle) if isinstance(bundle, bytes) else bundle
            if tree["resourceType"] != "Bundle" or tree["type"] != "transaction":
                raise NotOurs("needs a transaction, as `sural assess --as transaction` gives")
            content = tree["identifier"]["value"]
            parts = tuple(_part(entry, content) for entry in tree["entry"])
            leading = next(part for part in parts if part.lasting is not None and part.type == "Observation")
            examination = str(leading.lasting).partition("|")[2].removesuffix(f"-{leading.kind}")
            return cls(_about(leading.resource), examination, when_effective(leading.resource), content, tuple(_inputs(parts)), parts)
        except (KeyError, TypeError, AttributeError, StopIteration, orjson.JSONDecodeError):
            raise NotOurs("needs a transaction of one patient, as `sural assess --as transaction` gives") from None

    def limited(self, types: frozenset[str]) -> "Outgoing":
        """The answer for a record system that has only some types: links to what is left out become logical references."""
        out = {part.link: part for part in self.parts if part.type not in types}
        if not out:
            return self
        parts = tuple(replace(part, resource=_unlinked(part.resource, out)) for part in self.parts if part.link not in out)
        return replace(self, parts=parts)

    @property
    def leading(self) -> Json:
        """The Observation of the foot-risk category."""
        return next(part.resource for part in self.parts if part.kind == LEADING)

    @property
    def proposals(self) -> list[Json]:
        return [part.resource for part in self.parts if part.type == "ServiceRequest"]

    def part(self, kind: str) -> Part | None:
        return next((part for part in self.parts if part.kind == kind), None)


def _unlinked(tree: Any, out: Mapping[str, Part]) -> Any:
    if isinstance(tree, list):
        return [_unlinked(one, out) for one in tree]
    if not isinstance(tree, dict):
        return tree
    part = out.get(tree.get("reference", "")) if isinstance(tree.get("reference"), str) else None
    if part is not None:
        system, _, value = str(identifier(part.resource, ANSWER_SYSTEM)).partition("|")
        return {"type": part.type, "identifier": {"system": system, "value": value}}
    return {name: _unlinked(value, out) for name, value in tree.items()}


def identifier(resource: Json, system: str) -> str | None:
    """The identifier of one system, as `system|value`."""
    return next((f"{system}|{one['value']}" for one in resource.get("identifier", ()) if one.get("system") == system), None)


def answers_of(resource: Json) -> set[str]:
    """The answers that a resource has been part of, now or before it was corrected."""
    return {one["value"] for one in resource.get("identifier", ()) if one.get("system") == ANSWER_SYSTEM}


def _part(entry: Json, content: str) -> Part:
    resource, request = entry["resource"], entry["request"]
    if resource["resourceType"] == "Device":
        kind = SOFTWARE
    elif resource["resourceType"] == "Provenance":
        kind = PROVENANCE
    else:
        kind = str(identifier(resource, ANSWER_SYSTEM)).removeprefix(f"{ANSWER_SYSTEM}|{content}-")
    return Part(entry["fullUrl"], kind, request["ifNoneExist"], resource)


def _about(resource: Json) -> str:
    """The patient, by reference or else by identifier."""
    subject = resource["subject"]
    if "reference" in subject:
        return str(subject["reference"])
    return f"{subject['identifier'].get('system', '')}|{subject['identifier']['value']}"


def when_effective(observation: Json) -> str:
    """The time of an Observation, of a period its end; empty where it has none."""
    period = observation.get("effectivePeriod", {})
    return str(observation.get("effectiveDateTime") or period.get("end") or period.get("start") or "")


def _inputs(parts: tuple[Part, ...]) -> Iterator[str]:
    """What the answer rests on, by the sources that its Provenance names."""
    for part in parts:
        if part.kind == PROVENANCE:
            yield from (one["what"]["reference"] for one in part.resource.get("entity", ()) if "reference" in one["what"])
