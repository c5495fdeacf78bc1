"""What the fake EHR keeps: resources with versions, found again by a few search parameters. In memory; changes are all or nothing."""

import bisect
import uuid
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

import orjson
from msgspec import Struct

Json = dict[str, Any]
SEARCHED = frozenset({"_id", "_lastUpdated", "_tag", "identifier", "code", "status", "patient", "subject", "focus", "based-on"})
_PREFIXES: dict[str, Callable[[str, str], bool]] = {
    "ge": lambda own, given: own >= given,
    "gt": lambda own, given: own > given,
    "le": lambda own, given: own <= given,
    "lt": lambda own, given: own < given,
}


class Refusal(Exception):
    """An answer other than success: an HTTP status and an issue code."""

    def __init__(self, status: int, code: str) -> None:
        super().__init__(f"{status} {code}")
        self.status = status
        self.code = code


class Kept(Struct):
    """One resource as it is now, with what it is searched by. `resource` is None when it has been deleted."""

    kind: str
    id: str
    version: int
    updated: str
    resource: Json | None
    raw: bytes = b""
    tokens: frozenset[tuple[str, str, str]] = frozenset()
    patient: str = ""

    @property
    def etag(self) -> str:
        return f'W/"{self.version}"'

    @property
    def reference(self) -> str:
        return f"{self.kind}/{self.id}"


class Store:
    """Resources by type and id."""

    def __init__(self, clock: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self._clock = clock
        self._kept: dict[str, dict[str, Kept]] = {}
        self._of_patient: dict[tuple[str, str], list[str]] = {}
        self._by_identifier: dict[tuple[str, str, str, str], set[str]] = {}

    def now(self) -> str:
        """The instant of a change, in UTC with microseconds so that changes are in order."""
        return self._clock().astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")

    def kinds(self) -> list[str]:
        return sorted(self._kept)

    def all(self, kind: str) -> Iterator[Kept]:
        """Every resource of a type that is there."""
        return (kept for kept in self._kept.get(kind, {}).values() if kept.resource is not None)

    def read(self, kind: str, id: str) -> Kept:
        """Raises Refusal: 404 for what never was, 410 for what is no more."""
        kept = self._kept.get(kind, {}).get(id)
        if kept is None:
            raise Refusal(404, "not-found")
        if kept.resource is None:
            raise Refusal(410, "deleted")
        return kept

    def put(self, resource: Json, updated: str | None = None) -> Kept:
        """Keep a new version of a resource, which has its id."""
        kind, id = resource["resourceType"], resource["id"]
        before = self._kept.setdefault(kind, {}).get(id)
        instant = updated or self.now()
        version = before.version + 1 if before else 1
        whole = {**resource, "meta": {**resource.get("meta", {}), "versionId": str(version), "lastUpdated": instant}}
        if before is not None:
            self._forget(before)
        kept = Kept(kind, id, version, instant, whole, orjson.dumps(whole), _tokens(whole), _patient(whole))
        self._kept[kind][id] = kept
        if kept.patient:
            bisect.insort(self._of_patient.setdefault((kind, kept.patient), []), id)
        for name, system, value in kept.tokens:
            if name in ("identifier", "_tag"):
                self._by_identifier.setdefault((kind, name, system, value), set()).add(id)
        return kept

    def create(self, resource: Json) -> Kept:
        return self.put({**resource, "id": str(uuid.uuid4())})

    def delete(self, kind: str, id: str) -> None:
        kept = self._kept.get(kind, {}).get(id)
        if kept is not None and kept.resource is not None:
            self._forget(kept)
            self._kept[kind][id] = Kept(kind, id, kept.version + 1, self.now(), None)

    def deleted(self) -> Iterator[Kept]:
        """What has been deleted."""
        return (kept for kind in self._kept.values() for kept in kind.values() if kept.resource is None)

    def search(self, kind: str, parameters: Iterable[tuple[str, str]]) -> list[Kept]:
        """What fits all parameters, in the order of ids; values joined by commas are alternatives. Unknown parameters fit all."""
        given = [(name, values.split(",")) for name, values in parameters if name in SEARCHED]
        wanted = [(name, values, _wanted(name, tuple(values))) for name, values in given]
        return [kept for kept in self._candidates(kind, given) if all(_fits(kept, *one) for one in wanted)]

    def _candidates(self, kind: str, given: list[tuple[str, list[str]]]) -> list[Kept]:
        """A superset of what fits: by patient, by identifier, or everything of the type."""
        kept = self._kept.get(kind, {})
        for name, values in given:
            if name in ("patient", "subject") and kind != "Patient":
                ids = sorted({id for value in values for id in self._of_patient.get((kind, _last(value)), ())})
                return [kept[id] for id in ids]
            if name in ("identifier", "_tag"):
                keys = [(kind, name, *value.rpartition("|")[::2]) for value in values]
                return [kept[id] for id in sorted({id for key in keys for id in self._by_identifier.get(key, ())})]
        return [kept[id] for id in sorted(kept) if kept[id].resource is not None]

    def _forget(self, kept: Kept) -> None:
        if kept.patient:
            self._of_patient[kept.kind, kept.patient].remove(kept.id)
        for name, system, value in kept.tokens:
            if name in ("identifier", "_tag"):
                self._by_identifier[kept.kind, name, system, value].discard(kept.id)


def _tokens(resource: Json) -> frozenset[tuple[str, str, str]]:
    """(parameter, system, code) of what is searched by token; with an empty code for a search by `system|`."""
    code = resource.get("code", resource.get("medicationCodeableConcept", {}))
    codings = code.get("coding", ()) if isinstance(code, dict) else ()
    found = {("code", one.get("system", ""), value) for one in codings for value in (one.get("code", ""), "")}
    found.add(("status", "", str(resource.get("status", ""))))
    identifiers = resource.get("identifier", [])
    for one in identifiers if isinstance(identifiers, list) else [identifiers]:
        found.add(("identifier", one.get("system", ""), one.get("value", "")))
    found |= {("_tag", one.get("system", ""), one.get("code", "")) for one in resource.get("meta", {}).get("tag", ())}
    found.add(("focus", "", _relative(resource.get("focus", {}))))
    found |= {("based-on", "", _relative(one)) for one in resource.get("basedOn", ())}
    return frozenset(found)


def _relative(link: Json) -> str:
    """A reference as type and id, also where it is an address."""
    return "/".join(str(link.get("reference", "")).partition("/_history")[0].split("/")[-2:])


def _patient(resource: Json) -> str:
    reference = (resource.get("subject") or resource.get("patient") or {}).get("reference", "")
    return _last(reference) if "Patient/" in reference else ""


def _last(reference: str) -> str:
    return reference.partition("/_history")[0].rpartition("/")[2]


@lru_cache(maxsize=64)
def _wanted(name: str, values: tuple[str, ...]) -> tuple[frozenset[tuple[str, str, str]], frozenset[str]]:
    """The tokens of a parameter: those with a system (an empty one stands for none), and bare codes of any system."""
    parts = [value.rpartition("|") for value in values]
    return frozenset((name, system, code) for system, bar, code in parts if bar), frozenset(
        code for _, bar, code in parts if not bar
    )


def _fits(kept: Kept, name: str, values: list[str], wanted: tuple[frozenset[tuple[str, str, str]], frozenset[str]]) -> bool:
    if name == "_lastUpdated":
        return all(_PREFIXES[value[:2]](kept.updated, _instant(value[2:])) for value in values if value[:2] in _PREFIXES)
    if name == "_id":
        return kept.id in values
    if name in ("patient", "subject"):
        return kept.patient in map(_last, values)
    tokens, bare = wanted
    return not tokens.isdisjoint(kept.tokens) or (bool(bare) and any(own[0] == name and own[2] in bare for own in kept.tokens))


def _instant(text: str) -> str:
    """An instant to compare with. Raises Refusal for what is none."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise Refusal(400, "value") from None
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
