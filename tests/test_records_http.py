"""A connection to a record system: allowed hosts, the token, patience, limits, and messages without health data."""

import asyncio
import email.utils
import logging
from collections.abc import Awaitable, Callable, Coroutine
from typing import Any

import httpx
import orjson
import pytest
import respx

from sural.canonical import VERSION
from sural.records.addresses import Addresses
from sural.records.faults import (
    Declined,
    HostRefused,
    NotAuthorised,
    NotThere,
    RecordsFault,
    ServerFailed,
    Throttled,
    Unreachable,
    Unreadable,
)
from sural.records.http import Connection, Manner, retry_after

BASE = "https://ehr.skerrow.example/fhir"
SECRET = "Ingrid-Halcrow-9434765919"
FHIR = {"content-type": "application/fhir+json;charset=utf-8"}
PATIENT = {"resourceType": "Patient", "id": "p1"}


class Tokens:
    """Gives out t1, t2 and so on, a new one only when the last was refused."""

    def __init__(self) -> None:
        self.given = 1

    async def token(self, refused: str | None = None) -> str:
        if refused == f"t{self.given}":
            self.given += 1
        return f"t{self.given}"


class Waits(list[float]):
    """Waits no time, and remembers how long it should have been."""

    async def __call__(self, seconds: float) -> None:
        self.append(seconds)


def run(work: Coroutine[Any, Any, Any]) -> Any:
    return asyncio.run(work)


def asking(
    use: Callable[[Connection], Awaitable[Any]], base: str | Addresses = BASE, tokens: Tokens | None = None, **manner: Any
) -> tuple[Any, Waits]:
    """What `use` gives, or the fault it ends in, and the waits."""
    waits = Waits()

    async def work() -> Any:
        async with Connection(base, tokens, Manner(**manner), sleep=waits) as connection:
            try:
                return await use(connection)
            except RecordsFault as fault:
                return fault

    return run(work()), waits


def read(connection: Connection) -> Awaitable[Any]:
    return connection.get("Patient/p1")


@respx.mock
def test_a_read_says_who_asks_and_what_it_takes() -> None:
    """H1: application/fhir+json is asked for; the User-Agent names the software."""
    route = respx.get(f"{BASE}/Patient/p1").respond(json=PATIENT, headers=FHIR)

    found, _ = asking(read)

    assert PATIENT == found
    assert "application/fhir+json" == route.calls[0].request.headers["accept"]
    assert f"sural/{VERSION}" == route.calls[0].request.headers["user-agent"]


@respx.mock
@pytest.mark.parametrize("kind", ["text/html", "text/plain", "application/fhir+xml", ""])
def test_an_answer_of_another_type_is_not_read(kind: str) -> None:
    """H1: a page of a proxy is not an answer, whatever it holds."""
    respx.get(f"{BASE}/Patient/p1").respond(content=orjson.dumps(PATIENT), headers={"content-type": kind})

    found, _ = asking(read)

    assert isinstance(found, Unreadable)


@respx.mock
def test_a_declared_but_broken_answer_is_not_read() -> None:
    """H1, H3: JSON that ends too early."""
    respx.get(f"{BASE}/Patient/p1").respond(content=b'{"resourceType":', headers=FHIR)

    assert isinstance(asking(read)[0], Unreadable)


@respx.mock
def test_an_answer_beyond_the_limit_is_not_read() -> None:
    """F6: the limit counts what comes out of the decompression."""
    respx.get(f"{BASE}/Patient/p1").respond(content=b" " * 2000, headers=FHIR)

    found, _ = asking(read, max_bytes=1000)

    assert isinstance(found, Unreadable)
    assert "larger than 1000 bytes" in str(found)


@respx.mock
@pytest.mark.parametrize("status", [429, 503])
def test_retry_after_in_seconds_is_waited_for(status: int) -> None:
    """M1, G2: 429 is not a failure; the server says how long."""
    answers = [httpx.Response(status, headers={"retry-after": "7"}), httpx.Response(200, json=PATIENT, headers=FHIR)]
    respx.get(f"{BASE}/Patient/p1").mock(side_effect=answers)

    found, waits = asking(read)

    assert PATIENT == found
    assert 7 <= waits[0] <= 7.5 + 0.5


@pytest.mark.parametrize(
    ("header", "seconds"),
    [("7", 7.0), (email.utils.formatdate(1000 + 90, usegmt=True), 90.0), (email.utils.formatdate(900, usegmt=True), 0.0),
     ("soon", None), ("-1", None), ("", None), ("1.5", None)],
)  # fmt: skip
def test_retry_after_is_read_in_both_forms(header: str, seconds: float | None) -> None:
    """M1: seconds or an HTTP date (RFC 9110, 10.2.3); anything else is not there."""
    assert seconds == retry_after({"retry-after": header}, now=1000.0)


def test_a_date_to_wait_for_counts_from_the_time_of_the_server() -> None:
    """M1: our clock may be wrong by more than the wait."""
    headers = {"retry-after": email.utils.formatdate(5000 + 90, usegmt=True), "date": email.utils.formatdate(5000, usegmt=True)}

    assert 90.0 == retry_after(headers, now=1000.0)


@respx.mock
def test_a_wait_longer_than_patience_is_a_fault() -> None:
    """M1: nobody waits for an hour inside one request; the caller learns how long."""
    route = respx.get(f"{BASE}/Patient/p1").respond(429, headers={"retry-after": "3600"})

    found, waits = asking(read)

    assert isinstance(found, Throttled)
    assert 3600 == found.retry_after
    assert (1, []) == (route.call_count, waits)


@respx.mock
def test_a_failing_server_is_asked_again_with_growing_waits() -> None:
    """M5: waits grow, with jitter, up to the number of attempts."""
    route = respx.get(f"{BASE}/Patient/p1").respond(502)

    found, waits = asking(read, attempts=4, first_wait=1.0, longest_wait=100.0)

    assert isinstance(found, ServerFailed)
    assert 4 == route.call_count
    assert [1 <= waits[0] <= 2, 2 <= waits[1] <= 3, 4 <= waits[2] <= 5] == [True] * 3


@respx.mock
def test_a_post_is_not_sent_twice_unless_it_may() -> None:
    """E1: only a search or a transaction of conditional creates may be repeated."""
    route = respx.post(BASE).respond(503)

    once, _ = asking(lambda it: it.request("POST", "", content=b"{}"))
    after_one = route.call_count
    again, _ = asking(lambda it: it.request("POST", "", content=b"{}", idempotent=True), attempts=3)

    assert isinstance(once, ServerFailed) and isinstance(again, ServerFailed)
    assert [1, 4] == [after_one, route.call_count]


@respx.mock
def test_a_lost_connection_is_tried_again() -> None:
    """M5: no answer in time is no answer."""
    respx.get(f"{BASE}/Patient/p1").mock(side_effect=[httpx.ReadTimeout(""), httpx.Response(200, json=PATIENT, headers=FHIR)])

    assert PATIENT == asking(read)[0]


@respx.mock
@pytest.mark.parametrize(
    ("status", "fault"),
    [(400, Declined), (403, NotAuthorised), (404, NotThere), (410, NotThere), (412, Declined), (501, ServerFailed)],
)
def test_a_refusal_is_not_repeated(status: int, fault: type[RecordsFault]) -> None:
    """A6: what the server refuses it will refuse again."""
    route = respx.get(f"{BASE}/Patient/p1").respond(status)

    found, _ = asking(read)

    assert type(found) is fault
    assert (1, status) == (route.call_count, found.status)


@respx.mock
def test_a_fault_names_no_patient() -> None:
    """P2, C5: neither ids, nor parameters, nor the words of the server; only its issue codes from FHIR's own list."""
    issues = [{"severity": "error", "code": "invalid", "diagnostics": SECRET}, {"severity": "error", "code": f"{SECRET}"}]
    respx.get(url__startswith=f"{BASE}/Patient/{SECRET}").respond(
        400, json={"resourceType": "OperationOutcome", "issue": issues, "text": SECRET}, headers=FHIR
    )

    found, _ = asking(lambda it: it.get(f"Patient/{SECRET}/_history/{SECRET}", {"name": SECRET}))

    assert "GET Patient/{id}/_history/{id}: status 400: invalid" == str(found)


@respx.mock
def test_nothing_is_logged_of_an_address(caplog: pytest.LogCaptureFixture) -> None:
    """P2: the HTTP library writes whole addresses to its log; it is kept from it."""
    respx.get(url__startswith=BASE).respond(json=PATIENT, headers=FHIR)
    with caplog.at_level(logging.DEBUG):
        asking(lambda it: it.get(f"Patient/{SECRET}"))

    assert SECRET not in caplog.text


@respx.mock
def test_the_token_goes_to_the_record_system() -> None:
    """N3: as a bearer token."""
    route = respx.get(f"{BASE}/Patient/p1").respond(json=PATIENT, headers=FHIR)

    asking(read, tokens=Tokens())

    assert "Bearer t1" == route.calls[0].request.headers["authorization"]


@respx.mock
def test_a_refused_token_is_replaced_once() -> None:
    """N4: renewed once after a 401, then given up."""
    route = respx.get(f"{BASE}/Patient/p1").respond(401)

    found, _ = asking(read, tokens=Tokens())

    assert isinstance(found, NotAuthorised)
    assert ["Bearer t1", "Bearer t2"] == [call.request.headers["authorization"] for call in route.calls]


@respx.mock
@pytest.mark.parametrize("next", ["http://ehr.skerrow.example/fhir/Patient/p1", "http://ehr.skerrow.example:80/fhir/Patient/p1"])
def test_a_server_behind_a_proxy_that_ends_tls_is_asked_by_https(next: str) -> None:
    """It names itself by http in its links; nothing goes out without TLS."""
    route = respx.get(f"{BASE}/Patient/p1").respond(json=PATIENT, headers=FHIR)

    found, _ = asking(lambda connection: connection.get(next), tokens=Tokens())

    assert PATIENT == found
    assert "https" == route.calls[0].request.url.scheme


@respx.mock
@pytest.mark.parametrize(
    "address",
    ["https://elsewhere.example/fhir/Patient/p1", "http://ehr.skerrow.example:8080/fhir/Patient/p1", "//elsewhere.example/x",
     "https://ehr.skerrow.example:8443/fhir/Patient/p1", "https://user@ehr.skerrow.example/fhir", "https://[broken", "file:///etc/passwd"],
)  # fmt: skip
def test_a_foreign_address_is_not_asked(address: str) -> None:
    """N5: other host, other port, no TLS, credentials in the address, no HTTP at all."""
    found, _ = asking(lambda it: it.get(address), tokens=Tokens())

    assert isinstance(found, HostRefused)
    assert 0 == len(respx.calls)


@respx.mock
@pytest.mark.parametrize(
    ("how", "token"), [({"allowed": ["files.example"]}, None), ({"trusted": ["files.example"]}, "Bearer t1")]
)
def test_an_allowed_host_gets_no_token_and_a_trusted_one_does(how: dict[str, Any], token: str | None) -> None:
    """N5, M3: to be asked is one thing, to see the token another."""
    route = respx.get("https://files.example/Patient/p1").respond(json=PATIENT, headers=FHIR)

    asking(lambda it: it.get("https://files.example/Patient/p1"), Addresses(BASE, **how), Tokens())

    assert token == route.calls[0].request.headers.get("authorization")


@respx.mock
def test_a_redirect_to_a_foreign_host_is_not_followed() -> None:
    """N5, M6: neither with nor without the token."""
    respx.get(f"{BASE}/Patient/p1").respond(307, headers={"location": "https://elsewhere.example/Patient/p1"})
    foreign = respx.get(host="elsewhere.example").respond(json=PATIENT, headers=FHIR)

    found, _ = asking(read, tokens=Tokens())

    assert isinstance(found, HostRefused)
    assert 0 == foreign.call_count


@respx.mock
def test_a_redirect_to_an_allowed_host_loses_the_token() -> None:
    """M6: followed, without sending the token on."""
    respx.get(f"{BASE}/Patient/p1").respond(302, headers={"location": "https://files.example/Patient/p1"})
    other = respx.get("https://files.example/Patient/p1").respond(json=PATIENT, headers=FHIR)

    found, _ = asking(read, Addresses(BASE, allowed=["files.example"]), Tokens())

    assert PATIENT == found
    assert "authorization" not in other.calls[0].request.headers


@respx.mock
def test_redirects_that_never_end_are_given_up() -> None:
    """M6: a circle is noticed."""
    respx.get(f"{BASE}/Patient/p1").respond(302, headers={"location": f"{BASE}/Patient/p1"})

    found, _ = asking(read)

    assert "GET Patient/{id}: too many redirects" == str(found)


@respx.mock
def test_a_post_is_not_redirected() -> None:
    """M6: what was sent to one address is not sent to another."""
    respx.post(BASE).respond(307, headers={"location": f"{BASE}/other"})

    found, _ = asking(lambda it: it.request("POST", "", content=b"{}"))

    assert isinstance(found, Unreadable)


@pytest.mark.parametrize(
    "base", ["http://ehr.skerrow.example/fhir", "ftp://ehr.skerrow.example", "ehr.skerrow.example/fhir", "https://"]
)
def test_a_base_without_tls_is_refused(base: str) -> None:
    """N5: plain HTTP is only for this machine itself."""
    with pytest.raises(ValueError, match="only for this machine"):
        Addresses(base)


@pytest.mark.parametrize("base", ["http://127.0.0.1:8080/fhir", "http://localhost:8080/fhir", "http://[::1]:8080/fhir"])
def test_this_machine_may_be_asked_without_tls(base: str) -> None:
    """Common practice, no source: a fake EHR or a proxy on the same machine."""
    assert f"{base}/Patient" == Addresses(base).resolve("Patient")


@respx.mock
def test_no_more_requests_at_once_than_agreed() -> None:
    """G2: a server's limit is kept before it has to say so."""
    now = most = 0

    async def slow(_: httpx.Request) -> httpx.Response:
        nonlocal now, most
        now += 1
        most = max(most, now)
        await asyncio.sleep(0)
        now -= 1
        return httpx.Response(200, json=PATIENT, headers=FHIR)

    respx.get(f"{BASE}/Patient/p1").mock(side_effect=slow)

    asking(lambda it: asyncio.gather(*(it.get("Patient/p1") for _ in range(20))), concurrency=3)

    assert 0 < most <= 3


@respx.mock
def test_when_one_request_is_throttled_all_wait() -> None:
    """G2: the other requests do not go on knocking."""
    respx.get(f"{BASE}/Patient/p1").mock(
        side_effect=[httpx.Response(429, headers={"retry-after": "60"}), httpx.Response(200, json=PATIENT, headers=FHIR)]
    )
    respx.get(f"{BASE}/Patient/p2").respond(json=PATIENT, headers=FHIR)

    async def both(connection: Connection) -> None:
        await connection.get("Patient/p1")
        await connection.get("Patient/p2")

    _, waits = asking(both)

    assert 3 == len(waits)  # before the repeat by its own wait, and both by the common one
    assert waits[2] > 50


@respx.mock
def test_a_connection_that_fails_while_streaming_is_a_fault() -> None:
    """M5: the caller can repeat it."""

    async def cut() -> Any:
        yield b"first line\n"
        raise httpx.ReadError("")

    respx.get(f"{BASE}/file").mock(return_value=httpx.Response(200, content=cut()))

    async def use(connection: Connection) -> None:
        async with connection.stream("file") as response:
            async for _ in response.aiter_lines():
                pass

    assert isinstance(asking(use)[0], Unreachable)
