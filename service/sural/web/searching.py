"""Searches of stored answers as FHIR asks for them: controls, pages, includes, and a self link that says what was understood.

Source: FHIR R4, search. A parameter that is not known is left out, shown by its absence in the self link and by an OperationOutcome among
the entries; with `Prefer: handling=strict` it is refused. Values, modifiers and chains that cannot be used are always refused.
"""

import time
from collections.abc import Callable, Iterable, Sequence
from typing import Any
from urllib.parse import quote, urlencode

import orjson
from msgspec import Struct

from sural.answer.accounts import outcome
from sural.issues import Issue, Refused
from sural.ledger.content import written
from sural.ledger.criteria import Asked, alternatives, asked, refuse_too_many
from sural.ledger.links import including, leading_to
from sural.ledger.parameters import SEARCHED, Parameter, parameter, terms
from sural.ledger.resources import Resources, Stored
from sural.ledger.search import Order, Page, search
from sural.web.elements import part_of
from sural.web.paging import PARAMETER, Continued, Seal, page_size, token_of

Json = dict[str, Any]
Permitted = Callable[[str], bool]
COUNT, MOST = 50, 500
"""Matches on a page when none is asked for, and at most."""
MOST_INCLUDED = 1000
CONTROLS = ("_count", "_sort", "_total", "_summary", "_elements", "_include", "_revinclude")
SUMMARIES = ("true", "text", "data", "count", "false")


class Controls(Struct, frozen=True):
    """How the results are wanted."""

    count: int = COUNT
    order: Order = Order()
    total: bool = False
    summary: str = ""
    elements: tuple[str, ...] = ()
    include: tuple[str, ...] = ()
    revinclude: tuple[str, ...] = ()


class Searcher:
    """Searches one ledger."""

    def __init__(self, resources: Resources) -> None:
        self.resources = resources
        self.seal = Seal(resources.database)

    def bundle(self, kind: str, given: Sequence[tuple[str, str]], base: str, strict: bool, permitted: Permitted) -> Json:
        """One page as a searchset. `permitted` says which types may be included. Raises Refused."""
        given = [(name, text) for name, text in given if name != "_format"]
        token = token_of(given)
        if token is not None:
            return self._further(kind, token, base, permitted)
        refuse_too_many(len(given))
        own = [(name, text) for name, text in given if name.partition(":")[0] not in CONTROLS]
        issues: list[Issue] = []
        controls, written, ignored = _controls(kind, [pair for pair in given if pair[0].partition(":")[0] in CONTROLS], issues)
        try:
            wanted = asked(kind, own, base, time.time_ns() // 1000)
        except Refused as refused:
            issues += refused.issues
            wanted = Asked(kind)
        unknown = [*wanted.unknown, *ignored]
        issues += [Issue("parameter-unknown", f"http.{name}") for name in unknown] if strict else []
        if issues:
            raise Refused(*issues)
        none = controls.summary == "count" or controls.count == 0
        found = search(self.resources, wanted, 0 if none else controls.count, controls.order, total=controls.total)
        query = urlencode([*wanted.understood, *written], quote_via=quote, safe=",")
        bundle = self._written(found, wanted, controls, base, f"{base}/{kind}?{query}" if query else f"{base}/{kind}", permitted)
        if unknown:
            bundle.setdefault("entry", []).append(ignored_entry(unknown))
        return bundle

    def _further(self, kind: str, token: str, base: str, permitted: Permitted) -> Json:
        """A page that an earlier one leads to."""
        going = self.seal.open(token, kind)
        controls = Controls(
            going.count, going.order, False, going.summary, going.elements, going.include, going.revinclude
        )  # fmt: skip
        wanted = asked(kind, going.understood, base, time.time_ns() // 1000)
        found = search(self.resources, wanted, going.count, going.order, going.position)
        page = Page(found.matches, found.next, going.total)
        return self._written(page, wanted, controls, base, f"{base}/{kind}?{PARAMETER}={token}", permitted)

    def _written(self, page: Page, wanted: Asked, controls: Controls, base: str, address: str, permitted: Permitted) -> Json:
        bundle: Json = {"resourceType": "Bundle", "type": "searchset"}
        if page.total is not None:
            bundle["total"] = page.total
        bundle["link"] = [{"relation": "self", "url": address}]
        if page.next is not None:
            going = Continued(
                wanted.kind, wanted.understood, controls.count, controls.order, page.next, controls.summary, controls.elements,
                controls.include, controls.revinclude, page.total,
            )  # fmt: skip
            bundle["link"].append({"relation": "next", "url": f"{base}/{wanted.kind}?{PARAMETER}={self.seal.close(going)}"})
        partly = controls.summary in ("true", "text", "data") or bool(controls.elements)
        entries = [_entry(one, base, "match", controls if partly else None) for one in page.matches]
        included = self._included(wanted.kind, page.matches, controls, permitted)
        entries += [_entry(one, base, "include", controls if controls.summary else None) for one in included]
        if entries:
            bundle["entry"] = entries
        return bundle

    def _included(self, kind: str, matches: Sequence[Stored], controls: Controls, permitted: Permitted) -> Iterable[Stored]:
        """What the matches lead to, and what leads to them; each once, and no match again."""
        found: dict[str, Stored] = {}
        allowed = [one for one in SEARCHED if permitted(one)]
        numbers = {one.number for text in controls.include if (one := _parameter_of(text)) and text.startswith(f"{kind}:")}
        if numbers:
            links = {
                f"{system}/{code}" for match in matches for number, code, system in terms(match.resource) if number in numbers
            }
            found |= {one.reference: one for one in including(self.resources, links, allowed)}
        for text in controls.revinclude:
            one = _parameter_of(text)
            if one is not None and permitted(text.partition(":")[0]):
                leading = leading_to(self.resources, one.number, matches, MOST_INCLUDED + 1)
                if len(leading) > MOST_INCLUDED:
                    raise Refused(Issue("search-too-costly", "http._revinclude", f"more than {MOST_INCLUDED} lead to one page: fewer matches with _count"))
                found |= {each.reference: each for each in leading}
        for match in matches:
            found.pop(match.reference, None)
        return found.values()


def ignored_entry(names: Iterable[str]) -> Json:
    """The entry that says which parameters were left out because they are not known."""
    return {"resource": outcome([Issue("parameter-ignored", f"http.{name}") for name in names]), "search": {"mode": "outcome"}}


def _entry(one: Stored, base: str, mode: str, partly: Controls | None) -> Json:
    resource: Any = orjson.Fragment(one.content)
    if partly is not None:
        resource = orjson.Fragment(written(part_of(one.resource, partly.summary, partly.elements)))
    return {"fullUrl": f"{base}/{one.reference}", "resource": resource, "search": {"mode": mode}}


def _parameter_of(text: str) -> Parameter | None:
    """The reference parameter that an include names: `Type:parameter`, or `Type:parameter:Target`; None for any other."""
    kind, _, rest = text.partition(":")
    name, _, target = rest.partition(":")
    one = parameter(kind, name) if kind in SEARCHED else None
    return one if one is not None and one.kind == "reference" and (not target or target in one.targets) else None


def _controls(kind: str, given: Sequence[tuple[str, str]], issues: list[Issue]) -> tuple[Controls, list[tuple[str, str]], list[str]]:
    """The controls, the pairs as they were understood, and the includes that are not known. Adds to the issues what cannot be used."""
    found: Json = {}
    ignored: list[str] = []
    written: list[tuple[str, str]] = []
    for name, text in given:
        value = _control(kind, name, text)
        if value is _UNKNOWN:
            ignored.append(name)
        elif value is None or (name in found and name not in ("_include", "_revinclude")):
            issues.append(Issue("parameter-invalid", f"http.{name.partition(':')[0]}"))
        elif name in ("_include", "_revinclude"):
            found.setdefault(name, []).append(text)
            written.append((name, text))
        else:
            found[name] = value
            written.append((name, str(value) if name == "_count" else text))
    order = found.get("_sort", Order())
    controls = Controls(
        found.get("_count", COUNT), order, found.get("_total", False), found.get("_summary", ""), found.get("_elements", ()),
        tuple(found.get("_include", ())), tuple(found.get("_revinclude", ())),
    )  # fmt: skip
    return controls, written, ignored


_UNKNOWN = object()


def _control(kind: str, name: str, text: str) -> Any:
    """The value of one control; None when it cannot be used, _UNKNOWN for an include that leads nowhere."""
    if name == "_count":
        return page_size(text, MOST)
    if name == "_total":
        return {"none": False, "estimate": True, "accurate": True}.get(text)
    if name == "_summary":
        return text if text in SUMMARIES else None
    if name == "_elements":
        names = tuple(one.removeprefix(f"{kind}.") for one in alternatives(text))
        return names if names and all(one.isascii() and one.isalnum() for one in names) else None
    if name == "_sort":
        order = Order(text.removeprefix("-"), text.startswith("-"))
        one = parameter(kind, order.name)
        return order if order.name in ("_id", "_lastUpdated") or (one is not None and one.sorts) else None
    if name in ("_include", "_revinclude"):
        return text if _parameter_of(text) else _UNKNOWN
    return None  # a modifier of a control, such as _include:iterate
