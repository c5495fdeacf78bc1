"""Bulk Data $export from the side of the client: kick-off, polling, manifests, files, deletion of the job.

FHIR Bulk Data Access 2 ("Bulk Data Export Operation"); manifests that come in parts, joined by a next link, as in its later edition.
"""

import zlib
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from urllib.parse import urljoin

import httpx
import msgspec
import orjson
from msgspec import Struct

from sural.exam.moment import moment
from sural.records.faults import RecordsFault, Throttled, Unreachable, Unreadable
from sural.records.http import Connection, Reply, media_type, retry_after

NDJSON = "application/fhir+ndjson"
FILE_TYPES = frozenset(
    {
        NDJSON,
        "application/ndjson",
        "application/x-ndjson",
        "text/plain",
        "application/octet-stream",
        "binary/octet-stream",
        "application/gzip",
        "",
    }
)
GZIP = b"\x1f\x8b"
LONGEST_LINE = 16 * 2**20
MOST_PARTS = 10_000
FIRST_POLL, LONGEST_POLL = 1.0, 60.0


class File(Struct, frozen=True):
    """One file of a manifest. `count` is how many lines the server says it has."""

    url: str
    type: str = ""
    count: int | None = None


class _Link(Struct):
    relation: str = ""
    url: str = ""


class _Manifest(Struct):
    transactionTime: str
    requiresAccessToken: bool
    output: list[File] = []
    error: list[File] = []
    outcome: list[File] = []
    deleted: list[File] = []
    link: list[_Link] = []


class Export(Struct, frozen=True):
    """What a job gave: the instant that the next export counts from, and its files."""

    instant: str
    with_token: bool
    output: tuple[File, ...]
    errors: tuple[File, ...]
    deleted: tuple[File, ...]


class BulkExport:
    """Exports from one record system. `say` hears how far a job is; `longest` is how many seconds it may take."""

    def __init__(self, connection: Connection, say: Callable[[str], None] = lambda _: None, longest: float = 6 * 3600) -> None:
        self._connection = connection
        self._say = say
        self._longest = longest

    @asynccontextmanager
    async def run(self, kinds: Iterable[str], since: str | None = None, group: str | None = None) -> AsyncIterator[Export]:
        """Start a job, wait for it, and delete it at the end, also of a failure. Raises RecordsFault."""
        where = f"Group/{group}/$export" if group else "Patient/$export"
        asked = {"_outputFormat": NDJSON, "_type": ",".join(kinds), **({"_since": since} if since else {})}
        reply = await self._connection.request("GET", where, params=asked, headers={"Prefer": "respond-async"})
        status = reply.headers.get("content-location")
        if reply.status != 202 or not status:
            raise Unreadable(reply.route, "the export was not accepted", status=reply.status)
        job = self._connection.addresses.resolve(urljoin(reply.address, status))
        try:
            yield await self._whole(job)
        finally:
            await self._forget(job)

    async def _whole(self, job: str) -> Export:
        """The manifest with all its parts."""
        output: list[File] = []
        errors: list[File] = []
        deleted: list[File] = []
        seen: set[str] = set()
        address: str | None = job
        first: _Manifest | None = None
        while address is not None:
            if address in seen or len(seen) > MOST_PARTS:
                raise Unreadable(self._connection.addresses.route("GET", job), "the next part of the manifest leads back")
            seen.add(address)
            reply = await self._poll(address)
            try:
                manifest = msgspec.convert(reply.json(), _Manifest)
            except msgspec.ValidationError:
                raise Unreadable(reply.route, "not a manifest of an export") from None
            if moment(manifest.transactionTime) is None:
                raise Unreadable(reply.route, "not a manifest of an export: transactionTime")
            first = first or manifest
            output += manifest.output
            errors += [*manifest.error, *manifest.outcome]
            deleted += manifest.deleted
            following = next((link.url for link in manifest.link if link.relation == "next"), None)
            address = self._connection.addresses.resolve(following, reply.address) if following else None
        assert first is not None
        return Export(first.transactionTime, first.requiresAccessToken, tuple(output), tuple(errors), tuple(deleted))

    async def _poll(self, address: str) -> Reply:
        """Ask until the answer is there, as slowly as the server wants. 429 is no failure."""
        waited, wait = 0.0, FIRST_POLL
        while True:
            asked: float | None
            try:
                reply = await self._connection.request("GET", address, headers={"Accept": "application/json"})
            except Throttled as fault:
                asked = fault.retry_after
            else:
                if reply.status != 202:
                    return reply
                asked = retry_after(reply.headers, self._connection.now())
            pause = min(max(asked, FIRST_POLL) if asked is not None else wait, self._longest)
            self._say("export: the server is working on it")
            if waited + pause > self._longest:
                raise Unreachable(self._connection.addresses.route("GET", address), "the export takes too long")
            await self._connection.sleep(pause)
            waited += pause
            wait = min(wait * 2, LONGEST_POLL)

    async def _forget(self, job: str) -> None:
        try:
            await self._connection.request("DELETE", job)
        except RecordsFault:
            self._say("export: the server did not delete the job")

    async def lines(self, file: File, export: Export) -> AsyncIterator[bytes]:
        """The lines of a file, read bit by bit; fewer than announced are a fault. Raises RecordsFault, also in the middle."""
        route = self._connection.addresses.route("GET", file.url)
        async with self._connection.stream(file.url, headers={"Accept": NDJSON}, with_token=export.with_token) as response:
            kind = media_type(response.headers)
            if kind not in FILE_TYPES:
                raise Unreadable(route, "the file is not declared as NDJSON")
            held, count = b"", 0
            async for part in _plain(_decoded(response, route), route):
                *whole, held = (held + part).split(b"\n")
                if len(held) > LONGEST_LINE:
                    raise Unreadable(route, "a line is longer than the limit")
                for line in filter(None, map(bytes.strip, whole)):
                    count += 1
                    yield line
            if held.strip():  # a last line without its end is whole, or the file broke off in it
                try:
                    orjson.loads(held)
                except orjson.JSONDecodeError:
                    raise Unreachable(route, "the file ends within a line") from None
                count += 1
                yield held.strip()
            if file.count is not None and count < file.count:
                raise Unreachable(route, "fewer lines came than the manifest says")

    async def each(self, files: Iterable[File], export: Export, take: Callable[[bytes], None]) -> None:
        """Hand over every line of some files. A file that fails is read again from its start: `take` may see a line twice."""
        for file in files:

            async def once(file: File = file) -> None:
                async for line in self.lines(file, export):
                    take(line)

            await self._connection.repeating(once)


def _decoded(response: httpx.Response, route: str) -> AsyncIterator[bytes]:
    """The content of an answer. A coding of gzip is undone here, as it may have several members and must have come to its end."""
    coding = response.headers.get("content-encoding", "").strip().lower()
    return _unpacked(response.aiter_raw(), route) if coding in ("gzip", "x-gzip") else response.aiter_bytes()


async def _plain(parts: AsyncIterator[bytes], route: str) -> AsyncIterator[bytes]:
    """The lines of a file that may be a gzip file, whatever it is declared as: JSON never begins with the mark of one."""
    start = b""
    async for part in parts:
        start += part
        if len(start) >= len(GZIP):
            break
    whole = _after(start, parts)
    async for part in _unpacked(whole, route) if start.startswith(GZIP) else whole:
        yield part


async def _after(start: bytes, parts: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
    yield start
    async for part in parts:
        yield part


async def _unpacked(parts: AsyncIterator[bytes], route: str) -> AsyncIterator[bytes]:
    """What gzip holds, all its members (RFC 1952, 2.2: they stand one after the other). Raises Unreadable when it is none, Unreachable
    when it ends too early."""
    unpacker = zlib.decompressobj(wbits=31)
    begun = False
    try:
        async for part in parts:
            while part:
                if unpacker.eof:
                    unpacker, begun = zlib.decompressobj(wbits=31), False
                    part = part.lstrip(b"\0")  # padding after the last member
                    continue
                begun = True
                yield unpacker.decompress(part)
                part = unpacker.unused_data if unpacker.eof else b""
    except zlib.error:
        raise Unreadable(route, "the file cannot be decompressed") from None
    if begun and not unpacker.eof:
        raise Unreachable(route, "the file ends too early")
