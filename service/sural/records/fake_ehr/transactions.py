"""Transactions of the fake EHR: all or nothing, conditional creates and updates, links by fullUrl rewritten. FHIR R4, http#trules."""

import uuid
from typing import Any
from urllib.parse import parse_qsl

import msgspec

from sural.records.fake_ehr.faults import Faults
from sural.records.fake_ehr.store import Json, Kept, Refusal, Store

ORDER = {"DELETE": 0, "POST": 1, "PUT": 2, "GET": 3}


def transaction(store: Store, bundle: Json, faults: Faults) -> Json:
    """Carry out a transaction and give its transaction-response. Raises Refusal, with nothing done, when an entry cannot be."""
    entries = bundle.get("entry", [])
    if faults.as_batch:
        return _batch(store, entries, faults)
    plans = [_plan(store, entry, faults) for entry in entries]
    links = {entry["fullUrl"]: f"{plan[1]}/{plan[2]}" for entry, plan in zip(entries, plans, strict=True) if "fullUrl" in entry}
    answers: dict[int, Json] = {}
    for number in sorted(range(len(entries)), key=lambda one: ORDER[plans[one][0]]):
        verb, kind, id, there = plans[number]
        if verb == "DELETE":
            store.delete(kind, id)
            answers[number] = {"status": "204"}
        elif verb == "POST" and there is not None:
            answers[number] = _answer("200", there)
        elif verb == "GET":
            answers[number] = _answer("200", store.read(kind, id))
        else:
            kept = store.put({**_linked(entries[number]["resource"], links), "id": id})
            answers[number] = _answer("201" if kept.version == 1 else "200", kept)
    return {
        "resourceType": "Bundle",
        "type": "transaction-response",
        "entry": [{"response": answers[number]} for number in range(len(entries))],
    }


def _batch(store: Store, entries: list[Json], faults: Faults) -> Json:
    """Each entry by itself."""
    answers: list[Json] = []
    for entry in entries:
        try:
            alone = transaction(store, {"entry": [entry]}, msgspec.structs.replace(faults, as_batch=False))
            answers += alone["entry"]
        except Refusal as refusal:
            outcome = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": refusal.code}]}
            answers.append({"response": {"status": str(refusal.status), "outcome": outcome}})
    return {"resourceType": "Bundle", "type": "batch-response", "entry": answers}


def condition(store: Store, kind: str, query: str, faults: Faults) -> Kept | None:
    """The only resource that a condition names, or None. Raises Refusal 412 when there are several, 400 when it names nothing."""
    if faults.weak_conditions:
        return None
    if kind in faults.no_identifier and "identifier=" in query:
        raise Refusal(400, "not-supported")
    found = store.search(kind, parse_qsl(query.partition("?")[2] or query))
    if not parse_qsl(query.partition("?")[2] or query):
        raise Refusal(400, "invalid")
    if len(found) > 1:
        raise Refusal(412, "multiple-matches")
    return found[0] if found else None


def _plan(store: Store, entry: Json, faults: Faults) -> tuple[str, str, str, Kept | None]:
    """What an entry will do: the verb, the type, the id, and what is there already."""
    try:
        request = entry["request"]
        verb, url = request["method"], request["url"]
        kind, _, rest = url.partition("?")[0].partition("/")
        resource = entry.get("resource", {})
        if verb not in ORDER or (verb in ("POST", "PUT") and resource["resourceType"] != kind):
            raise Refusal(400, "invalid")
    except (KeyError, TypeError, AttributeError):
        raise Refusal(400, "invalid") from None
    if verb == "POST":
        there = condition(store, kind, request["ifNoneExist"], faults) if "ifNoneExist" in request else None
        return verb, kind, there.id if there else str(uuid.uuid4()), there
    there = condition(store, kind, url, faults) if "?" in url else _there(store, kind, rest)
    if "ifMatch" in request and (there is None or there.etag != request["ifMatch"]):
        raise Refusal(412, "conflict")
    if verb == "GET" and there is None:
        raise Refusal(404, "not-found")
    return verb, kind, there.id if there else rest or str(uuid.uuid4()), there


def _there(store: Store, kind: str, id: str) -> Kept | None:
    try:
        return store.read(kind, id)
    except Refusal:
        return None


def _linked(tree: Any, links: dict[str, str]) -> Any:
    """A resource with every link to an entry of the transaction as the reference that it becomes."""
    if isinstance(tree, dict):
        return {
            key: links.get(value, value) if key in ("reference", "url") and isinstance(value, str) else _linked(value, links)
            for key, value in tree.items()
        }
    return [_linked(one, links) for one in tree] if isinstance(tree, list) else tree


def _answer(status: str, kept: Kept) -> Json:
    return {
        "status": status,
        "location": f"{kept.reference}/_history/{kept.version}",
        "etag": kept.etag,
        "lastModified": kept.updated,
    }
