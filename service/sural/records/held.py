"""What a record system holds of ours, found by identifier; by subject, comparing identifiers, where a server does not search by identifier.

A server that ignores the parameter answers with other resources, one that does not know it refuses: neither finds anything wrong here,
because every resource that comes is compared.
"""

from collections.abc import AsyncIterator
from urllib.parse import parse_qsl, urlsplit

import orjson

from sural.answer.identity import ANSWER_SYSTEM, EXAMINATION_SYSTEM
from sural.canonical import SCORE
from sural.ledger.answers import Noted, Place
from sural.records.faults import Declined, NotThere, ServerFailed, Unreadable
from sural.records.outgoing import LEADING, PROVENANCE, Json, identifier, when_effective
from sural.records.search import Page, Parameters, Searcher

KINDS = ("Observation", "RiskAssessment", "ServiceRequest", "DetectedIssue", "DiagnosticReport")
"""The types of resources of an answer that carry the identifier of their examination."""
PAGE = "200"


class Held:
    """Looks things up in one record system."""

    def __init__(self, searcher: Searcher) -> None:
        self._searcher = searcher
        self._unsearchable: set[tuple[str, str]] = set()

    def searchable(self, kind: str, condition: str) -> bool:
        """Whether a condition may be left to the server: False once it has shown that it does not search by it."""
        return (kind, condition.partition("=")[0]) not in self._unsearchable

    async def find(self, kind: str, condition: str, subject: str) -> Json | None:
        """What a condition such as `identifier=system|value` names, or None. `subject` is the patient, empty for what has none.

        Of several Devices, which parallel first writes can leave behind, the oldest. Raises RecordsFault; of another type there is one at most.
        """
        name, _, value = condition.partition("=")
        found: list[Json] = []
        if self.searchable(kind, condition):
            found = await self._by(kind, name, value)
        if not self.searchable(kind, condition):
            found = [one async for one in self._about(kind, subject) if _carries(one, name, value)]
        if len(found) > 1 and kind != "Device":
            raise Unreadable(f"GET {kind}", "several resources with the same identifier")
        return min(found, key=_age, default=None)

    async def answers(self, subject: str) -> list[Noted]:
        """Our answers about a patient as they stand there, for a ledger that has lost them; those entered in error are none.

        Their state is `sent`, because nobody knows whether they are whole. Raises RecordsFault.
        """
        asked = (("patient", subject), ("code", f"{SCORE}|{LEADING}"))
        leading = [one async for one in self._pages("Observation", asked) if _examination(one)[1] == LEADING and _stands(one)]
        if not leading:
            return []
        own = [one for kind in KINDS async for one in self._own(kind, subject)]
        return [await self._noted(subject, one, own) for one in sorted(leading, key=when_effective)]

    async def places(self, subject: str, examination: str) -> list[Place]:
        """Where the answer about an examination stands there, without versions, because nobody knows who changed it. Raises RecordsFault."""
        if not subject.startswith("Patient/"):
            return []
        own = [one for kind in KINDS async for one in self._own(kind, subject)]
        return [Place(kind, one["resourceType"], str(one["id"])) for one in own for of, kind in (_examination(one),) if of == examination]

    async def _noted(self, subject: str, leading: Json, own: list[Json]) -> Noted:
        examination, _ = _examination(leading)
        mine = [(_examination(one)[1], one) for one in own if _examination(one)[0] == examination]
        places = {kind: Place(kind, one["resourceType"], str(one["id"])) for kind, one in mine}
        content = next(
            str(one["value"]).removesuffix(f"-{LEADING}")
            for one in leading["identifier"]
            if one.get("system") == ANSWER_SYSTEM and one.get("use") != "old"
        )
        source = await self.find("Provenance", f"_tag={ANSWER_SYSTEM}|{content}", subject)
        inputs = [one.get("what", {}).get("reference") for one in (source or {}).get("entity", ())]
        if source is not None:
            places[PROVENANCE] = Place(PROVENANCE, "Provenance", str(source["id"]))
        known = frozenset(one for one in inputs if one)
        return Noted(subject, examination, content, when_effective(leading), "sent", known, tuple(places.values()))

    async def _own(self, kind: str, subject: str) -> AsyncIterator[Json]:
        """What carries the identifier of an examination; a type that the server does not have holds nothing."""
        try:
            async for one in self._about(kind, subject):
                if identifier(one, EXAMINATION_SYSTEM) is not None:
                    yield one
        except (Declined, NotThere):
            return

    async def _by(self, kind: str, name: str, value: str) -> list[Json]:
        """What is found by one parameter and really has it; whether the server heeds the parameter is kept."""
        found: list[Json] = []
        came = 0
        try:
            async for page in self._searcher.pages(kind, ((name, value),)):
                of_kind = [orjson.loads(raw) for one, raw in page.resources if one.resourceType == kind]
                came += len(of_kind)
                found += [one for one in of_kind if _carries(one, name, value)]
                if _ignored(page, name) or came > len(found):
                    self._unsearchable.add((kind, name))
                    break
        except (Declined, ServerFailed) as fault:
            if isinstance(fault, ServerFailed) and fault.status != 501:
                raise
            self._unsearchable.add((kind, name))
        return found

    async def _about(self, kind: str, subject: str) -> AsyncIterator[Json]:
        """Everything of a type about a patient; of what has no patient everything."""
        if subject and not subject.startswith("Patient/"):
            raise Unreadable(f"GET {kind}", "can be searched neither by identifier nor by patient")
        async for one in self._pages(kind, (("patient", subject),) if subject else ()):
            yield one

    async def _pages(self, kind: str, asked: Parameters) -> AsyncIterator[Json]:
        async for page in self._searcher.pages(kind, (*asked, ("_count", PAGE))):
            for found, raw in page.resources:
                if found.resourceType == kind:
                    yield orjson.loads(raw)


def _carries(resource: Json, name: str, value: str) -> bool:
    """Whether a resource has an identifier, or with `_tag` a tag, of `system|value`."""
    marks = resource.get("meta", {}).get("tag", ()) if name == "_tag" else resource.get("identifier", ())
    return any(f"{one.get('system')}|{one.get('code' if name == '_tag' else 'value')}" == value for one in marks)


def _ignored(page: Page, name: str) -> bool:
    """Whether the self link, which states what was really used (R4, search.html#selflink), has other parameters and lacks this one."""
    used = {one.partition(":")[0] for one, _ in parse_qsl(urlsplit(page.self or "").query, keep_blank_values=True)}
    return bool(used) and name not in used


def _examination(resource: Json) -> tuple[str, str]:
    """The examination that a resource belongs to and its kind; empty where it has none."""
    examination, _, kind = (identifier(resource, EXAMINATION_SYSTEM) or "").partition("|")[2].partition("-")
    return examination, kind


def _stands(resource: Json) -> bool:
    return resource.get("status") != "entered-in-error"


def _age(resource: Json) -> tuple[str, str]:
    return str(resource.get("meta", {}).get("lastUpdated", "")), str(resource.get("id"))
