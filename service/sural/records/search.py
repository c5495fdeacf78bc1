"""Searches with paging that is not trusted further than it deserves.

Only `next` links are followed, each once, to allowed hosts, by GET. A page that comes again, a next page that is gone, or fewer matches
than the server itself announced are noticed; the search is then begun once more, and after that it is a fault: no patient is assessed on
half of the data without anyone knowing.
"""

from collections import deque
from collections.abc import AsyncIterator, Callable, Sequence
from functools import lru_cache
from hashlib import blake2b
from typing import Any
from urllib.parse import parse_qsl, quote, quote_plus, urlencode, urlsplit

import msgspec
from msgspec import Raw, Struct

from sural.records.faults import Declined, NotAuthorised, NotThere, ServerFailed, Unreachable, Unreadable
from sural.records.http import JSON_TYPES, Connection, Reply, media_type

MOST_PAGES = 100_000
LONGEST_CODES = 1_500
"""Characters of codes in one GET address; common practice, no source: proxies cut addresses at 2,000 and more."""
MOST_CODES, FEWEST_CODES = 10_000, 20
TOO_MUCH = frozenset({400, 413, 414, 500})
"""How servers fail on more alternatives than their database takes, as seen of a general-purpose one."""
NOT_ALL = frozenset({"incomplete", "too-costly", "timeout", "throttled", "transient", "lock-error", "no-store", "exception"})
"""Issue codes that say of a page that something is missing, however mild their severity (R4, IssueType: the transient ones, and what was
stopped to spare the server)."""
NOWHERE = "no-such-patient-probe"
FORM = {"Content-Type": "application/x-www-form-urlencoded"}
Parameters = tuple[tuple[str, str], ...]


class _Reference(Struct, gc=False):
    reference: str | None = None


class _Identifier(Struct, gc=False):
    system: str | None = None


class _Meta(Struct, gc=False):
    lastUpdated: str | None = None


class Found(Struct, gc=False):
    """What is looked at of a resource without reading it."""

    resourceType: str = ""
    id: str = ""
    subject: _Reference | None = None
    patient: _Reference | None = None
    medicationReference: _Reference | None = None
    identifier: Any = None
    questionnaire: str | None = None
    meta: _Meta | None = None

    @property
    def about(self) -> str:
        """The reference to the patient, as it stands."""
        holder = self.subject or self.patient
        return f"Patient/{self.id}" if self.resourceType == "Patient" else (holder.reference or "") if holder else ""

    def carries(self, system: str) -> bool:
        """Whether the resource has an identifier of a system."""
        identifiers = self.identifier if isinstance(self.identifier, list) else [self.identifier]
        return any(isinstance(one, dict) and one.get("system") == system for one in identifiers)


class _Search(Struct, gc=False):
    mode: str = "match"


class _Entry(Struct, gc=False):
    resource: Raw = Raw(b"")
    search: _Search | None = None


class _Link(Struct, gc=False):
    relation: str = ""
    url: str = ""


class _Bundle(Struct, tag="Bundle", tag_field="resourceType"):
    type: str = ""
    total: int | None = None
    link: list[_Link] = []
    entry: list[_Entry] = []
    meta: _Meta | None = None


class _Issue(Struct):
    severity: str = ""
    code: str = ""


class _Outcome(Struct):
    issue: list[_Issue] = []


_bundle = msgspec.json.Decoder(_Bundle)
_found = msgspec.json.Decoder(Found)
_outcome = msgspec.json.Decoder(_Outcome)


class Page(Struct):
    """One page: each resource as what is looked at and its bytes; the remarks of the server as issue codes."""

    resources: list[tuple[Found, bytes]]
    remarks: list[str]
    matches: int
    matched: set[str]
    whole: bool
    total: int | None
    next: str | None
    self: str | None
    address: str
    route: str


class Searcher:
    """Searches one record system, by POST where it takes that (no identifiers in addresses), else by GET with long lists in pieces.

    `remark` is told what a server says beside its matches: its own remarks, and parameters that it ignored. `by_post` is found out by
    a first search when it is not given.
    """

    def __init__(self, connection: Connection, remark: Callable[[str], None], by_post: bool | None = None) -> None:
        self._connection = connection
        self._remark = remark
        self._by_post = by_post
        self._most = MOST_CODES
        self._proven = 0
        self._compared: set[tuple[str, frozenset[str]]] = set()

    async def pages(self, kind: str, parameters: Parameters, codes: Sequence[str] = ()) -> AsyncIterator[Page]:
        """The pages of a search, with any of some codes where such are given. What has several of the codes may come several times.

        A search is begun again once when pages are missing. Raises RecordsFault.
        """
        if self._by_post is None:
            self._by_post = await self._takes_post()
        waiting = deque(_pieces(tuple(codes), self._most, None if self._by_post else LONGEST_CODES))
        while waiting:
            part = waiting.popleft()
            try:
                async for page in self._twice(kind, parameters, part):
                    yield page
            except _TooManyCodes:
                waiting.extendleft(reversed(_pieces(part, self._most, None)))

    async def _twice(self, kind: str, parameters: Parameters, codes: tuple[str, ...]) -> AsyncIterator[Page]:
        """A search, begun again once when pages are missing."""
        try:
            async for page in self._walk(kind, parameters, codes):
                yield page
            return
        except _PagesMissing as fault:
            first = fault
            self._remark("pages missing: search begun again")
        try:
            async for page in self._walk(kind, parameters, codes):
                yield page
        except _PagesMissing as second:
            if second.content is None or second.content != first.content:
                raise
            self._remark("the same matches come several times")

    async def _takes_post(self) -> bool:
        """Whether the server searches by POST: it must find nothing for an id that is nowhere, and a patient that it has for theirs."""
        try:
            if read_page(await self._post("Patient", (("_id", NOWHERE),))).matches:
                return False
            there = read_page(await self._connection.request("GET", "Patient?_count=1")).resources
            known = [found.id for found, _ in there if found.resourceType == "Patient"]
            return not known or read_page(await self._post("Patient", (("_id", known[0]),))).matches == 1
        except (Declined, NotThere, NotAuthorised, Unreadable):
            return False
        except ServerFailed as fault:
            if fault.status != 501:
                raise
            return False

    async def _walk(self, kind: str, parameters: Parameters, codes: tuple[str, ...]) -> AsyncIterator[Page]:
        page = read_page(await self._first(kind, parameters, codes))
        self._compare(page, kind, parameters)
        announced, matches, different, content = page.total, 0, 0, 0
        before: set[str] = set()
        seen: set[bytes] = set()
        while True:
            for remark in page.remarks:
                self._remark(remark)
            if not page.whole:
                raise _PagesMissing(page.route, "the server says that not everything came")
            matches += page.matches
            new = page.matched - before
            different += len(new)
            content ^= _together(new)
            before = page.matched
            shown = _digest(",".join(f"{found.resourceType}/{found.id}" for found, _ in page.resources))
            if page.resources and shown in seen:
                raise Unreadable(page.route, "the same page comes again")
            seen.add(shown)
            yield page
            if page.next is None:
                break
            mark = _digest(page.next)
            if mark in seen or len(seen) > 2 * MOST_PAGES:
                raise Unreadable(page.route, "the next link leads back")
            seen.add(mark)
            page = await self._next(page)
        if announced is not None and different < announced:
            repeated = _PagesMissing(page.route, "fewer matches came than the server announced")
            repeated.content = content if matches >= announced else None
            raise repeated

    async def _first(self, kind: str, parameters: Parameters, codes: tuple[str, ...]) -> Reply:
        """The first page. Raises _TooManyCodes when the server fails on more codes than it has yet shown to take."""
        if len(codes) > max(self._proven, FEWEST_CODES):
            try:
                reply = await self._send(kind, parameters, codes, again=False)
            except (ServerFailed, Declined) as fault:
                if fault.status not in TOO_MUCH:
                    return await self._send(kind, parameters, codes)
                self._most = min(self._most, max(FEWEST_CODES, len(codes) // 3))
                self._remark("fewer codes in a search")
                raise _TooManyCodes from None
            except Unreachable:
                return await self._send(kind, parameters, codes)
            self._proven = max(self._proven, len(codes))
            return reply
        return await self._send(kind, parameters, codes)

    async def _send(self, kind: str, parameters: Parameters, codes: tuple[str, ...], again: bool = True) -> Reply:
        if self._by_post:
            return await self._post(kind, parameters, codes, again)
        return await self._connection.request("GET", f"{kind}?{_query(parameters, codes)}", idempotent=again)

    async def _post(self, kind: str, parameters: Parameters, codes: tuple[str, ...] = (), again: bool = True) -> Reply:
        form = _query(parameters, codes).encode()
        return await self._connection.request("POST", f"{kind}/_search", content=form, headers=FORM, idempotent=again)

    async def _next(self, page: Page) -> Page:
        assert page.next is not None
        against = page.address if page.next.startswith(("?", "/")) else None
        try:
            reply = await self._connection.request("GET", self._connection.addresses.resolve(page.next, against))
        except NotThere as fault:
            raise _PagesMissing(fault.route, "the next page is gone", status=fault.status) from None
        return read_page(reply)

    def _compare(self, page: Page, kind: str, parameters: Parameters) -> None:
        """The self link states what was really used (R4, search.html#selflink). Looked at once for each kind of search."""
        asked = (kind, frozenset(name for name, _ in parameters))
        if asked in self._compared or page.self is None or not urlsplit(page.self).query:
            return
        self._compared.add(asked)
        used = {name.partition(":")[0] for name, _ in parse_qsl(urlsplit(page.self).query, keep_blank_values=True)}
        for name in sorted(asked[1] - used - {"_count", "_elements"}):
            self._remark(f"parameter ignored: {name}")


class _TooManyCodes(Exception):
    """The search is to be made in smaller pieces."""


class _PagesMissing(Unreadable):
    """Not everything came. `content` stands for what came, where as many came as were announced, but some of them twice: when nothing
    changed meanwhile, it is the same the next time."""

    content: int | None = None


def read_page(reply: Reply) -> Page:
    """A searchset Bundle. Raises Unreadable for anything else."""
    if media_type(reply.headers) not in JSON_TYPES:
        raise Unreadable(reply.route, "the answer is not declared as FHIR JSON")
    try:
        reply.content.decode()  # what is skipped below would else pass in any encoding
        bundle = _bundle.decode(reply.content)
        if bundle.type != "searchset":
            raise Unreadable(reply.route, "not a searchset Bundle")
        nexts = [link.url for link in bundle.link if link.relation == "next"]
        if len(nexts) > 1:
            raise Unreadable(reply.route, "more than one next link")
        page = Page([], [], 0, set(), True, bundle.total, next(iter(nexts), None), _self(bundle), reply.address, reply.route)
        for entry in bundle.entry:
            _read_entry(page, entry)
    except (msgspec.MsgspecError, UnicodeDecodeError):
        raise Unreadable(reply.route, "not a searchset Bundle") from None
    return page


async def found_by_search(connection: Connection, kind: str, id: str) -> bool:
    """Whether a search still finds a resource that was not there when it was read (404): a proxy that has lost its server answers so too.

    Raises RecordsFault, NotThere where the type cannot be searched either. A server that does not search by id is believed.
    """
    try:
        page = read_page(await connection.request("GET", f"{kind}?_id={id}&_count=1"))
    except Declined:
        return False
    return any(found.resourceType == kind and found.id == id for found, _ in page.resources)


def _read_entry(page: Page, entry: _Entry) -> None:
    raw = bytes(entry.resource)
    if not raw:
        return
    found = _found.decode(raw)
    mode = entry.search.mode if entry.search else "match"
    if mode == "outcome" or found.resourceType == "OperationOutcome":
        issues = _outcome.decode(raw).issue
        page.remarks += [f"server remark: {issue.code}" for issue in issues]
        page.whole = page.whole and not any(says_not_all(issue.severity, issue.code) for issue in issues)
        return
    page.resources.append((found, raw))
    if mode == "match":
        page.matches += 1
        page.matched.add(f"{found.resourceType}/{found.id}")


def says_not_all(severity: object, code: object) -> bool:
    """Whether an issue among the matches of a search says that some of them are missing."""
    return severity in ("error", "fatal") or (isinstance(code, str) and code in NOT_ALL)


def _self(bundle: _Bundle) -> str | None:
    return next((link.url for link in bundle.link if link.relation == "self"), None)


def _query(parameters: Parameters, codes: tuple[str, ...]) -> str:
    """A query string or form."""
    return urlencode(parameters) + (f"&code={_encoded(codes)}" if codes else "")


@lru_cache(maxsize=256)
def _encoded(codes: tuple[str, ...]) -> str:
    return quote_plus(",".join(codes))


@lru_cache(maxsize=64)
def _pieces(codes: tuple[str, ...], most: int, longest: int | None) -> tuple[tuple[str, ...], ...]:
    """Codes in lists of at most so many, and that fit into an address; one empty list when there are none."""
    pieces: list[tuple[str, ...]] = []
    piece: list[str] = []
    length = 0
    for code in codes:
        size = len(quote(code)) + 3
        if piece and (len(piece) >= most or (longest is not None and length + size > longest)):
            pieces.append(tuple(piece))
            piece, length = [], 0
        piece.append(code)
        length += size
    return (*pieces, tuple(piece))


def _together(references: set[str]) -> int:
    """One number for some references in any order."""
    whole = 0
    for reference in references:
        whole ^= int.from_bytes(blake2b(reference.encode(), digest_size=16).digest())
    return whole


def _digest(text: str) -> bytes:
    return blake2b(text.encode(), digest_size=16).digest()
