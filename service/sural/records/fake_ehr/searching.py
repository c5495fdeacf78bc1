"""Search of the fake EHR: searchset Bundles in pages, links as the switches want them."""

import secrets
from collections import OrderedDict
from functools import lru_cache
from urllib.parse import quote_plus

import orjson
from msgspec import Struct

from sural.records.fake_ehr.faults import Faults
from sural.records.fake_ehr.store import SEARCHED, Json, Kept, Refusal, Store

SHAPING = frozenset({"_count", "_elements", "_revinclude", "_include", "_format", "_total"})
PAGE, MOST = 50, 1000
REMEMBERED = 2_000


class Result(Struct):
    """A search as it was found, so that its pages fit together."""

    kind: str
    used: list[tuple[str, str]]
    ignored: list[str]
    found: list[Kept]
    included: list[Kept]
    count: int
    elements: frozenset[str]
    cut: bool = False


class Searches:
    """Searches and their pages."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._results: OrderedDict[str, Result] = OrderedDict()

    def search(self, kind: str, given: list[tuple[str, str]], base: str, faults: Faults) -> bytes:
        """The first page."""
        used = [one for one in given if one[0] in SEARCHED | SHAPING and one[0] not in faults.ignore]
        values = dict(used)
        try:
            count = min(max(int(values.get("_count", PAGE)), 1), MOST)
        except ValueError:
            raise Refusal(400, "value") from None
        found = self._store.search(kind, used)
        cut = bool(faults.truncate) and len(found) > faults.truncate
        found = found[: faults.truncate] if cut else found
        result = Result(
            kind, used, sorted({one[0] for one in given} - {one[0] for one in used}), found, self._included(values, found), count,
            frozenset(filter(None, values.get("_elements", "").split(","))), cut,
        )  # fmt: skip
        token = secrets.token_urlsafe(9)
        if len(found) > count:
            self._results[token] = result
            if len(self._results) > REMEMBERED:
                self._results.popitem(last=False)
        return self._page(result, token, 0, base, faults)

    def page(self, kind: str, name: str, base: str, faults: Faults) -> bytes:
        """A later page, by the name in its link. Raises Refusal."""
        token, _, number = name.rpartition(".")
        result = self._results.get(token)
        if result is None or result.kind != kind or not number.isdigit() or (faults.missing_page and number == "1"):
            raise Refusal(410, "deleted")
        return self._page(result, token, int(number), base, faults)

    def _included(self, values: dict[str, str], found: list[Kept]) -> list[Kept]:
        """Panels of the Observations found, and medications of the requests found."""
        there = {kept.reference for kept in found}
        added: dict[str, Kept] = {}
        if values.get("_revinclude") == "Observation:has-member":
            for patient in sorted({kept.patient for kept in found}):
                for kept in self._store.search("Observation", [("patient", patient)]):
                    members = (kept.resource or {}).get("hasMember", ())
                    if kept.reference not in there and any(one.get("reference") in there for one in members):
                        added[kept.reference] = kept
        if values.get("_include", "").endswith(":medication"):
            for kept in found:
                kind, _, id = (kept.resource or {}).get("medicationReference", {}).get("reference", "").partition("/")
                if kind == "Medication":
                    medication = self._store.read(kind, id)
                    added[medication.reference] = medication
        return list(added.values())

    def _page(self, result: Result, token: str, number: int, base: str, faults: Faults) -> bytes:
        pages = max(1, -(-len(result.found) // result.count))
        shown = result.found[number * result.count : (number + 1) * result.count]
        entries = [_entry(kept, base, "match", result.elements) for kept in shown]
        if number == 0:
            entries += [_entry(kept, base, "include", frozenset()) for kept in result.included]
            entries += [_ignored(name) for name in result.ignored]
            entries += [_remark("incomplete", "there is more than is shown")] if result.cut else []
        links = [
            {
                "relation": "self",
                "url": f"{base}/{result.kind}?{'&'.join(f'{name}={_quoted(value)}' for name, value in result.used)}",
            }
        ]
        following = number + (2 if faults.lost_page and number == 0 else 1)
        if following < pages or (faults.looping_next and pages > 1):
            where = "https://elsewhere.example/fhir/" if faults.foreign_next else "" if faults.relative_next else f"{base}/"
            links.append({"relation": "next", "url": f"{where}{result.kind}?_page={token}.{following % pages}"})
        bundle = {"resourceType": "Bundle", "type": "searchset", "total": len(result.found), "link": links, "entry": entries}
        return orjson.dumps(bundle if entries else {name: value for name, value in bundle.items() if name != "entry"})


@lru_cache(maxsize=256)
def _quoted(value: str) -> str:
    return quote_plus(value)


def _entry(kept: Kept, base: str, mode: str, elements: frozenset[str]) -> Json:
    resource: object = orjson.Fragment(kept.raw)
    if elements:
        chosen = {"resourceType", "id", "meta", *elements}
        whole = {name: value for name, value in (kept.resource or {}).items() if name in chosen}
        tag = {"system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue", "code": "SUBSETTED"}
        resource = {**whole, "meta": {**whole["meta"], "tag": [*whole["meta"].get("tag", ()), tag]}}
    return {"fullUrl": f"{base}/{kept.reference}", "resource": resource, "search": {"mode": mode}}


def _ignored(name: str) -> Json:
    return _remark("not-supported", f"parameter ignored: {name}")


def _remark(code: str, text: str) -> Json:
    issue = {"severity": "warning", "code": code, "diagnostics": text}
    return {"resource": {"resourceType": "OperationOutcome", "issue": [issue]}, "search": {"mode": "outcome"}}
