"""One connection to a record system: allowed hosts, token, patience, limits.

Everything that is asked of a record system goes through here, so that no token reaches a foreign host, no request is repeated that must
not be, no answer is larger than the limit, and no message holds health data.
"""

import asyncio
import email.utils
import logging
import re
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from datetime import UTC
from types import TracebackType
from typing import Any, Protocol, Self

import httpx
import msgspec
import orjson
from msgspec import Struct
from tenacity import AsyncRetrying, RetryCallState, retry_if_exception, stop_after_attempt, wait_exponential_jitter

from sural.canonical import VERSION
from sural.records.addresses import Addresses
from sural.records.faults import RecordsFault, ServerFailed, Throttled, Unreachable, Unreadable, of_status

FHIR_JSON = "application/fhir+json"
JSON_TYPES = frozenset({FHIR_JSON, "application/json"})
IDEMPOTENT = frozenset({"GET", "HEAD", "PUT", "DELETE"})
REDIRECTS = frozenset({301, 302, 303, 307, 308})
MOST_REDIRECTS = 5
_ISSUE_CODE = re.compile(r"[a-z-]{1,30}")
OAUTH_ERRORS = frozenset(
    {"invalid_request", "invalid_client", "invalid_grant", "unauthorized_client", "unsupported_grant_type", "invalid_scope"}
)
"""RFC 6749, 5.2."""

for _name in ("httpx", "httpcore"):  # they log addresses and headers, which may hold identifiers and tokens
    logging.getLogger(_name).setLevel(logging.WARNING)


class Manner(Struct, frozen=True):
    """How a server is treated. Seconds throughout.

    `timeout` is for each step of a request, `longest_body` for a whole answer that drips. `attempts` counts the first one; waits grow from `first_wait` to `longest_wait` with jitter. A Retry-After up to `patience` is waited
    for by all requests together; a longer one is a fault of this request.
    """

    concurrency: int = 8
    timeout: float = 30.0
    longest_body: float = 120.0
    attempts: int = 5
    first_wait: float = 0.5
    longest_wait: float = 30.0
    patience: float = 300.0
    max_bytes: int = 64 * 2**20


class Authoriser(Protocol):
    """Who gives out tokens."""

    async def token(self, refused: str | None = None) -> str:
        """A token that is still good for a while; another than `refused`, which the server did not take."""


class Reply(Struct, frozen=True):
    """A successful answer, whole."""

    status: int
    headers: Mapping[str, str]
    content: bytes
    address: str
    route: str

    def json(self) -> Any:
        """The content as JSON. Raises Unreadable when it is none, or not declared as such."""
        kind = media_type(self.headers)
        if kind not in JSON_TYPES:
            raise Unreadable(self.route, "the answer is not declared as FHIR JSON")
        try:
            return orjson.loads(self.content)
        except orjson.JSONDecodeError:
            raise Unreadable(self.route, "the answer is not JSON") from None


class Connection:
    """A client of one record system. Use it as an async context manager.

    `transport`, `sleep` and `now` are for other ways to reach a server, to wait and to tell the time, such as those of tests.
    """

    def __init__(
        self,
        addresses: Addresses | str,
        authoriser: Authoriser | None = None,
        manner: Manner | None = None,
        *,
        transport: httpx.AsyncBaseTransport | None = None,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        now: Callable[[], float] = time.time,
    ) -> None:
        self.addresses = Addresses(addresses) if isinstance(addresses, str) else addresses
        self.authoriser = authoriser
        self.manner = manner or Manner()
        self.requests = 0
        self.repeats = 0
        self.sleep = sleep
        self.now = now
        self._pause_until = 0.0
        self._slots = asyncio.Semaphore(self.manner.concurrency)
        self._client = httpx.AsyncClient(
            transport=transport,
            timeout=self.manner.timeout,
            follow_redirects=False,
            trust_env=False,
            headers={"User-Agent": f"sural/{VERSION}", "Accept-Encoding": "gzip"},
            limits=httpx.Limits(max_connections=self.manner.concurrency, max_keepalive_connections=self.manner.concurrency),
        )

    @property
    def base(self) -> str:
        return self.addresses.base

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None) -> None:
        await self._client.aclose()

    async def get(self, address: str, params: Mapping[str, str] | None = None) -> Any:
        """The JSON under an address, relative to the base or absolute."""
        return (await self.request("GET", address, params=params)).json()

    async def read(self, kind: str, id: str) -> dict[str, Any]:
        """One resource. Raises RecordsFault, Unreadable for anything else, such as an OperationOutcome with status 200."""
        reply = await self.request("GET", f"{kind}/{id}")
        found = reply.json()
        if not isinstance(found, dict) or found.get("resourceType") != kind or found.get("id") != id:
            raise Unreadable(reply.route, "not the resource asked for")
        return found

    async def request(
        self,
        method: str,
        address: str,
        *,
        params: Mapping[str, str] | None = None,
        form: Mapping[str, str] | None = None,
        content: bytes | None = None,
        headers: Mapping[str, str] | None = None,
        idempotent: bool | None = None,
        with_token: bool = True,
    ) -> Reply:
        """Send a request, again if need be and permitted, and give the answer if its status is below 400.

        `idempotent` says that a POST may be sent again (a search, or a transaction of conditional creates); other methods know by
        themselves. Raises RecordsFault.
        """
        whole = self.addresses.resolve(address)
        again = method in IDEMPOTENT if idempotent is None else idempotent
        sent = {"Accept": FHIR_JSON, **(headers or {})}
        if content is not None:
            sent.setdefault("Content-Type", FHIR_JSON)

        async def once() -> Reply:
            async with self._answer(method, whole, sent, with_token, params=params, data=form, content=content) as response:
                route = self.addresses.route(method, str(response.url))
                body = await self._body(response, route)
                return Reply(response.status_code, response.headers, body, str(response.url), route)

        return await self.repeating(once) if again else await once()

    async def repeating(self, once: Callable[[], Awaitable[Any]]) -> Any:
        """Do something that may be done again until it works, with growing waits and jitter. Raises its last RecordsFault."""
        return await AsyncRetrying(
            sleep=self.sleep,
            stop=stop_after_attempt(self.manner.attempts),
            wait=self._wait,
            retry=retry_if_exception(self._worth_repeating),
            before_sleep=self._count_repeat,
            reraise=True,
        )(once)

    @asynccontextmanager
    async def stream(
        self, address: str, *, headers: Mapping[str, str] | None = None, with_token: bool = True
    ) -> AsyncIterator[httpx.Response]:
        """The answer to a GET, to be read bit by bit. Repeating it is the caller's, who knows what was read."""
        async with self._answer("GET", self.addresses.resolve(address), dict(headers or {}), with_token) as response:
            try:
                yield response
            except httpx.HTTPError as fault:
                raise Unreachable(self.addresses.route("GET", address), type(fault).__name__) from None

    @asynccontextmanager
    async def _answer(
        self, method: str, address: str, headers: dict[str, str], with_token: bool, **content: Any
    ) -> AsyncIterator[httpx.Response]:
        async with self._slots:
            response = await self._follow(method, address, headers, with_token, content)
            try:
                yield response
            finally:
                await response.aclose()

    async def _follow(
        self, method: str, address: str, headers: dict[str, str], with_token: bool, content: dict[str, Any]
    ) -> httpx.Response:
        """Send, and follow redirects of a GET to allowed hosts; each hop gets the token only where it may see it."""
        for _ in range(MOST_REDIRECTS + 1):
            response = await self._authorised(method, address, headers, with_token, content)
            route = self.addresses.route(method, address)
            if response.status_code not in REDIRECTS:
                if response.status_code >= 400:
                    raise await self._fault(response, route)
                return response
            await response.aclose()
            if method != "GET" or "location" not in response.headers:
                raise Unreadable(route, "a redirect that cannot be followed", status=response.status_code)
            address = self.addresses.resolve(response.headers["location"], str(response.url))
            content = {}
        raise Unreadable(route, "too many redirects")

    async def _authorised(
        self, method: str, address: str, headers: dict[str, str], with_token: bool, content: dict[str, Any]
    ) -> httpx.Response:
        """Send with a token where one is due; with a new one when the server does not take the first."""
        if self.authoriser is None or not with_token or not self.addresses.may_see_token(address):
            return await self._send(method, address, headers, content)
        token = await self.authoriser.token()
        response = await self._send(method, address, {**headers, "Authorization": f"Bearer {token}"}, content)
        if response.status_code != 401:
            return response
        await response.aclose()
        token = await self.authoriser.token(refused=token)
        return await self._send(method, address, {**headers, "Authorization": f"Bearer {token}"}, content)

    async def _send(self, method: str, address: str, headers: dict[str, str], content: dict[str, Any]) -> httpx.Response:
        pause = self._pause_until - time.monotonic()
        if pause > 0:
            await self.sleep(pause)
        self.requests += 1
        given = {name: value for name, value in content.items() if value is not None}
        try:
            return await self._client.send(self._client.build_request(method, address, headers=headers, **given), stream=True)
        except httpx.HTTPError as fault:
            raise Unreachable(self.addresses.route(method, address), type(fault).__name__) from None

    async def _body(self, response: httpx.Response, route: str) -> bytes:
        """The whole body, decompressed, within the limit."""
        held = bytearray()
        try:
            async with asyncio.timeout(self.manner.longest_body):
                async for part in response.aiter_bytes():
                    held += part
                    if len(held) > self.manner.max_bytes:
                        raise Unreadable(route, f"the answer is larger than {self.manner.max_bytes} bytes")
        except httpx.DecodingError:
            raise Unreadable(route, "the answer cannot be decompressed") from None
        except (httpx.HTTPError, TimeoutError) as fault:
            raise Unreachable(route, type(fault).__name__) from None
        return bytes(held)

    async def _fault(self, response: httpx.Response, route: str) -> RecordsFault:
        try:
            codes = issue_codes(await self._body(response, route))
        except RecordsFault:
            codes = ()
        finally:
            await response.aclose()
        return of_status(route, response.status_code, codes, retry_after(response.headers, self.now()))

    def _worth_repeating(self, fault: BaseException) -> bool:
        if isinstance(fault, Throttled) and (fault.retry_after or 0) > self.manner.patience:
            return False
        return isinstance(fault, Unreachable | ServerFailed) and fault.status not in (501, 505)

    def _wait(self, state: RetryCallState) -> float:
        """How long until the next attempt: as the server asks, else growing; always with jitter. All requests wait for a throttled one."""
        fault = state.outcome.exception() if state.outcome else None
        manner = self.manner
        wait = float(
            wait_exponential_jitter(multiplier=manner.first_wait, max=manner.longest_wait, jitter=manner.first_wait)(state)
        )
        if isinstance(fault, Throttled) and fault.retry_after is not None:
            wait = fault.retry_after + min(wait, manner.first_wait)
            self._pause_until = max(self._pause_until, time.monotonic() + fault.retry_after)
        return wait

    def _count_repeat(self, _: RetryCallState) -> None:
        self.repeats += 1


def media_type(headers: Mapping[str, str]) -> str:
    """The declared type of a body, without its parameters."""
    return headers.get("content-type", "").partition(";")[0].strip().lower()


def retry_after(headers: Mapping[str, str], now: float) -> float | None:
    """The seconds of a Retry-After header, given as seconds or as an HTTP date; None when it is missing or unreadable.

    A date counts from the server's own time, where the answer tells it: `now` may differ from that.
    """
    text = headers.get("retry-after", "").strip()
    if text.isascii() and text.isdigit():
        return float(text)
    until, theirs = _http_date(text), _http_date(headers.get("date", ""))
    return None if until is None else max(0.0, until - (now if theirs is None else theirs))


def _http_date(text: str) -> float | None:
    try:
        found = email.utils.parsedate_to_datetime(text)
        return (found if found.tzinfo else found.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError):
        return None


class _OutcomeIssue(Struct):
    code: str = ""


class _Outcome(Struct):
    issue: list[_OutcomeIssue] = []
    error: str = ""


_outcome = msgspec.json.Decoder(_Outcome)


def issue_codes(body: bytes) -> tuple[str, ...]:
    """The issue codes of an OperationOutcome, or the error code of an OAuth answer; of anything else none.

    A server's own words may hold health data and stay unread.
    """
    try:
        outcome = _outcome.decode(body)
    except msgspec.MsgspecError:
        return ()
    codes = [issue.code for issue in outcome.issue if _ISSUE_CODE.fullmatch(issue.code)]
    return tuple(dict.fromkeys([*codes, *([outcome.error] if outcome.error in OAUTH_ERRORS else [])]))
