"""Creates, updates and transactions that clients ask for, each on the conditions that FHIR gives them.

Source: FHIR R4, RESTful API: conditional create (`If-None-Exist`: none there is created, one is answered, several are refused), version-aware
update (`If-Match`), conditional update, transaction (all or nothing, judged by what was there before it, links by fullUrl).
"""

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Literal
from urllib.parse import parse_qsl

from msgspec import Struct
from sqlalchemy import Connection

from sural.issues import Issue, Refused
from sural.ledger.criteria import asked
from sural.ledger.parameters import SEARCHED, spans
from sural.ledger.resources import Resources, Stored, Write, about, new_id, one_of, same
from sural.ledger.search import matching
from sural.ledger.tables import RESOURCE
from sural.records.steps import linked

Json = dict[str, Any]
_SEARCH = re.compile(r"[A-Z][A-Za-z]{1,40}\?")
What = Literal["created", "updated", "unchanged"]


class Wish(Struct, frozen=True):
    """One resource to be stored. With an `id` or `update_where` it is an update, else a create; `condition` and `update_where` are queries
    such as `identifier=system|value`. `if_match` is the version that has to stand, `*` for any. `link` is its fullUrl in a transaction; `at` its FHIRPath."""

    resource: Json
    id: str = ""
    condition: str = ""
    update_where: str = ""
    if_match: str = ""
    link: str = ""
    at: str = ""

    @property
    def kind(self) -> str:
        return str(self.resource["resourceType"])


class Done(Struct, frozen=True):
    """What became of a wish: the resource as it stands, and whether it was written."""

    stored: Stored
    what: What


def write(resources: Resources, wishes: Sequence[Wish], base: str = "") -> list[Done]:
    """Carry out all wishes or none. Raises Refused."""
    for wish in wishes:
        _complete(wish)
    _refuse_same_links(wishes)
    found: list[Stored | None] = []
    places: list[int | None] = []

    def plan(connection: Connection) -> list[Write]:
        found[:] = [_there(connection, wish, base) for wish in wishes]
        ids = [there.id if there else new_id() for there in found]
        links = {wish.link: f"{wish.kind}/{id}" for wish, id in zip(wishes, ids, strict=True) if wish.link}
        searched = {text: wish.at for wish in reversed(wishes) for text in _conditional(wish.resource)}
        links |= {text: _led_to(connection, text, at, base) for text, at in searched.items()}
        linked_wishes = [linked(wish.resource, links) for wish in wishes]
        subjects = {subject for resource in linked_wishes if (subject := about(resource))}
        subject = subjects.pop() if len(subjects) == 1 else None
        writes: list[Write] = []
        places.clear()
        for wish, resource, there, id in zip(wishes, linked_wishes, found, ids, strict=True):
            kept = there is not None and (not _updates(wish) or same(resource, there))
            places.append(None if kept else len(writes))
            if not kept:
                mine = None if wish.kind == "Device" else subject or _subject_of_target(connection, resource)
                writes.append(Write(resource, there, id, mine))
        return writes

    made = resources.write(plan)
    done: list[Done] = []
    for there, place in zip(found, places, strict=True):
        if place is not None:
            done.append(Done(made[place], "updated" if there else "created"))
        elif there is not None:
            done.append(Done(there, "unchanged"))
    return done


def _updates(wish: Wish) -> bool:
    return bool(wish.id or wish.update_where)


def _refuse_same_links(wishes: Sequence[Wish]) -> None:
    """Raises Refused where two entries have one fullUrl: nobody could tell where a link to it leads (FHIR R4, Bundle, bdl-7)."""
    links = Counter(wish.link for wish in wishes if wish.link)
    twice = [wish.at for wish in wishes if links[wish.link] > 1]
    if twice:
        raise Refused(*(Issue("link-taken", f"{at}.fullUrl") for at in twice))


def _conditional(tree: Any) -> Iterator[str]:
    """The references of a resource that are searches, such as `Observation?identifier=system|value`."""
    if isinstance(tree, dict):
        for name, value in tree.items():
            if name == "reference" and isinstance(value, str):
                if _SEARCH.match(value):
                    yield value
            else:
                yield from _conditional(value)
    elif isinstance(tree, list):
        for one in tree:
            yield from _conditional(one)


def searched_by(wish: Wish) -> set[str]:
    """The types that the condition and the references of a wish search by more than an identifier or id."""
    found = [(wish.kind, _condition(wish))]
    for kind, _, query in (text.partition("?") for text in _conditional(wish.resource)):
        found.append((kind, parse_qsl(query, keep_blank_values=True)))
    return {kind for kind, asks in found if any(name not in ("identifier", "_id") for name, _ in asks)}


def _condition(wish: Wish) -> list[tuple[str, str]]:
    """The parameters of a condition, which may be given with an address before the question mark."""
    text = wish.condition or wish.update_where
    return parse_qsl(text.partition("?")[2] or text, keep_blank_values=True)


def _led_to(connection: Connection, text: str, at: str, base: str) -> str:
    """Where a conditional reference leads. Raises Refused unless it is in a transaction and met by exactly one resource that is stored here."""
    kind, _, query = text.partition("?")
    found: list[Stored] = []
    if at and kind in SEARCHED:
        wanted = asked(kind, parse_qsl(query, keep_blank_values=True), base)
        found = matching(connection, wanted, 2) if wanted.criteria and not wanted.unknown else []
    if len(found) != 1:
        raise Refused(Issue("several-matches" if found else "no-match", at))
    return found[0].reference


def _complete(wish: Wish) -> None:
    """Raises Refused where what results are sorted by is missing: such a resource would not be found in its place."""
    if any(tag.get("code") == "SUBSETTED" for tag in wish.resource.get("meta", {}).get("tag", ())):
        raise Refused(Issue("resource-in-part", wish.at))
    if wish.kind not in SEARCHED:
        raise Refused(Issue("type-not-stored", wish.at and f"{wish.at}.resourceType"))
    given = {number for number, _, _ in spans(wish.resource)}
    missing = [one for one in SEARCHED[wish.kind] if one.sorts and one.number not in given]
    if missing:
        raise Refused(*(Issue("element-missing", wish.at or wish.kind, one.paths[0]) for one in missing))


def _there(connection: Connection, wish: Wish, base: str) -> Stored | None:
    """What a wish finds there. Raises Refused where its condition is not met."""
    if wish.id:
        there = one_of(connection, RESOURCE.c.type == wish.kind, RESOURCE.c.id == wish.id)
        if there is None:
            raise Refused(Issue("id-not-assigned", wish.at))
    elif wish.condition or wish.update_where:
        there = _only(connection, wish, base)
        if there is not None and wish.update_where and wish.resource.get("id", there.id) != there.id:
            raise Refused(Issue("id-differs", wish.at))
    else:
        there = None
    if wish.if_match and (there is None or wish.if_match not in ("*", str(there.version))):
        raise Refused(Issue("version-conflict", wish.at))
    return there


def _only(connection: Connection, wish: Wish, base: str) -> Stored | None:
    wanted = asked(wish.kind, _condition(wish), base)
    if wanted.unknown or not wanted.criteria:
        raise Refused(Issue("parameter-invalid", wish.at or "http.If-None-Exist"))
    found = matching(connection, wanted, 2)
    if len(found) > 1:
        raise Refused(Issue("several-matches", wish.at))
    return found[0] if found else None


def _subject_of_target(connection: Connection, resource: Json) -> str | None:
    """Whom a Provenance of stored resources is about."""
    for target in _targets(resource):
        kind, _, id = target.partition("/")
        there = one_of(connection, RESOURCE.c.type == kind, RESOURCE.c.id == id.partition("/")[0])
        if there is not None:
            return there.subject
    return None


def _targets(resource: Json) -> Iterable[str]:
    return (str(one.get("reference", "")) for one in resource.get("target", ())) if resource["resourceType"] == "Provenance" else ()

