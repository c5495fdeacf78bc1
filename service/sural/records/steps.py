"""What is to be done in a record system, step by step, and the two ways to do it: one transaction, or one request after the other.

Source: FHIR R4, RESTful API: conditional create (If-None-Exist), version-aware update (If-Match), transaction with links by fullUrl.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import orjson
from msgspec import Struct
from msgspec.structs import replace

from sural.ledger.answers import Place
from sural.records.faults import Declined, NotThere, RecordsFault, ServerFailed, Unreadable, of_status
from sural.records.held import Held
from sural.records.http import Connection, Reply, issue_codes

Json = dict[str, Any]
NO_TRANSACTIONS = frozenset({404, 405, 501})


class Step(Struct, frozen=True):
    """One change: why, of what kind in the answer, the resource, and how it is linked to by the others.

    Without an `id` it is created unless `condition` finds it there; with one it is updated, if the server's `version` is still this.
    """

    why: str
    kind: str
    resource: Json
    link: str = ""
    condition: str = ""
    id: str | None = None
    version: str | None = None

    @property
    def type(self) -> str:
        return str(self.resource["resourceType"])

    @property
    def said(self) -> str:
        """The step in words, without anything of the patient."""
        return f"{self.why}: {'PUT' if self.id else 'POST'} {self.type}{f'/{self.id}' if self.id else ''}, {self.kind}"


class Done(Struct, frozen=True):
    """A step that was done: where its resource stands now, and whether it was created or changed by it."""

    step: Step
    place: Place
    changed: bool


class Capabilities(Struct, frozen=True):
    """What a record system says it takes: its types, and whether transactions. None where it does not say."""

    types: frozenset[str] | None = None
    transactions: bool | None = None


async def capabilities(connection: Connection) -> Capabilities:
    """What the CapabilityStatement says; nothing where there is none. Raises RecordsFault when the server fails for now."""
    try:
        statement = await connection.get("metadata")
        parts = statement["rest"] if statement["resourceType"] == "CapabilityStatement" else ()
        types = frozenset(str(one["type"]) for part in parts for one in part.get("resource", ()))
        said = any(one.get("code") == "transaction" for part in parts for one in part.get("interaction", ()))
    except (KeyError, TypeError, AttributeError):
        return Capabilities()
    except RecordsFault as fault:
        if fault.passing:
            raise
        return Capabilities()
    return Capabilities(types, said) if types else Capabilities()


async def transact(connection: Connection, steps: Sequence[Step]) -> list[Done] | None:
    """Do all steps in one transaction, or nothing; None when the server cannot do it, whatever it promised. Raises RecordsFault.

    `not-supported` says what a server cannot do, such as search for a condition. Any other refusal is about the content, and single
    creates would then leave half an answer. It may be sent again: creates are conditional, and an update finds its version gone.
    """
    entries = []
    for step in steps:
        request: Json = {"method": "PUT", "url": f"{step.type}/{step.id}"} if step.id else {"method": "POST", "url": step.type}
        if step.id and step.version:
            request["ifMatch"] = f'W/"{step.version}"'
        elif not step.id:
            request["ifNoneExist"] = step.condition
        entry: Json = {"resource": step.resource, "request": request}
        entries.append({"fullUrl": step.link, **entry} if step.link and not step.id else entry)
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    try:
        reply = await connection.request("POST", "", content=orjson.dumps(bundle), idempotent=True)
    except (NotThere, Declined, ServerFailed) as fault:
        if fault.status in NO_TRANSACTIONS or (isinstance(fault, Declined) and "not-supported" in fault.codes):
            return None
        raise
    response = reply.json()
    answers = response.get("entry", []) if isinstance(response, dict) else []
    if len(answers) != len(steps) or not all(isinstance(answer, dict) for answer in answers):
        raise Unreadable(reply.route, "a transaction response of another length")
    return [_done(step, answer, reply.route) for step, answer in zip(steps, answers, strict=True)]


async def one_by_one(
    connection: Connection, held: Held, steps: Sequence[Step], known: Mapping[str, Place], subject: str
) -> list[Done]:
    """Do the steps in their order, each by itself; links among them become references as soon as the server has named them.

    Raises RecordsFault; what was done stays, and doing all again changes nothing.
    """
    links = {step.link: known[step.kind].reference for step in steps if step.link and step.kind in known}
    done: list[Done] = []
    for step in steps:
        resource = linked(step.resource, links)
        if step.id is None:
            result = await create(connection, held, replace(step, resource=resource), subject)
        else:
            headers = {"If-Match": f'W/"{step.version}"'} if step.version else {}
            reply = await connection.request(
                "PUT", f"{step.type}/{step.id}", content=orjson.dumps(resource), headers=headers, idempotent=not step.version
            )
            result = Done(step, _placed(reply, step) or Place(step.kind, step.type, step.id), True)
        done.append(result)
        if step.link:
            links[step.link] = result.place.reference
    return done


async def create(connection: Connection, held: Held, step: Step, subject: str) -> Done:
    """Create one resource if it is not there. It is looked for first, because not every server heeds If-None-Exist; one that does not
    search by the condition gets none."""
    there = await held.find(step.type, step.condition, subject)
    if there is not None:
        return Done(step, Place(step.kind, step.type, str(there["id"]), version_of(there)), False)
    conditional = held.searchable(step.type, step.condition)
    headers = {"Prefer": "return=representation"} | ({"If-None-Exist": step.condition} if conditional else {})
    reply = await connection.request(
        "POST", step.type, content=orjson.dumps(step.resource), headers=headers, idempotent=conditional
    )
    place = _placed(reply, step)
    if place is None:
        raise Unreadable(reply.route, "a create that does not say what was created")
    return Done(step, place, reply.status == 201)


def linked(tree: Any, links: Mapping[str, str]) -> Any:
    """A resource with its links by fullUrl as references."""
    if isinstance(tree, dict):
        return {
            name: links.get(value, value) if name == "reference" and isinstance(value, str) else linked(value, links)
            for name, value in tree.items()
        }
    return [linked(one, links) for one in tree] if isinstance(tree, list) else tree


def _placed(reply: Reply, step: Step) -> Place | None:
    """Where a resource stands after a create or update, by the body or, as servers may leave that out whatever they are asked, the headers."""
    try:
        there = reply.json() if reply.content else {}
    except Unreadable:
        there = {}
    if isinstance(there, dict) and there.get("resourceType") == step.type and there.get("id"):
        return Place(step.kind, step.type, str(there["id"]), version_of(there) or _version(reply.headers))
    id, version = _located(reply.headers.get("location") or reply.headers.get("content-location") or "", step.type)
    id = step.id or id
    return Place(step.kind, step.type, id, version or _version(reply.headers)) if id else None


def _located(location: str, kind: str) -> tuple[str | None, str | None]:
    """The id and version of a resource in the location that a server gives it."""
    before, _, version = location.partition("/_history/")
    parts = before.rstrip("/").split("/")
    return (parts[-1] if len(parts) >= 2 and parts[-2] == kind else None), version or None


def _version(headers: Mapping[str, Any]) -> str | None:
    return str(headers.get("etag") or "").removeprefix("W/").strip('"') or None


def _done(step: Step, answer: Json, route: str) -> Done:
    """What one entry of a transaction response says. One that failed while others did not, as in a batch, is a fault of the whole."""
    response = answer.get("response", {})
    status = str(response.get("status", ""))[:3]
    if status and not status.startswith("2"):
        said = response.get("outcome") or answer.get("resource") or {}
        codes = issue_codes(orjson.dumps(said))
        raise of_status(route, int(status), codes, None) if status.isdigit() and int(status) >= 400 else Unreadable(route, "an entry was not done")
    id, version = _located(str(response.get("location", "")), step.type)
    id = step.id or id or answer.get("resource", {}).get("id")
    if not id:
        raise Unreadable(route, "a transaction response without a location")
    return Done(step, Place(step.kind, step.type, str(id), version or _version(response)), step.id is not None or status == "201")


def version_of(resource: Json) -> str | None:
    """The version of a resource that the server told, if it did."""
    version = resource.get("meta", {}).get("versionId")
    return str(version) if version else None
