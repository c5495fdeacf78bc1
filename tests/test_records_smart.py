"""SMART Backend Services: discovery, the assertion, the token and its scope (SMART App Launch 2, "Backend Services")."""

import asyncio
import json
import time
import warnings
from pathlib import Path
from typing import Any

import httpx
import pytest
import respx
from joserfc import jwt
from joserfc.jwk import ECKey, RSAKey

from sural.records.addresses import Addresses
from sural.records.faults import HostRefused, NotAuthorised, RecordsFault, Unreadable
from sural.records.http import Connection
from sural.records.keys import KeyUnusable, SigningKey, jwks, public_keys, read_keys
from sural.records.scopes import lacking, may, scopes, well_formed
from sural.records.smart import BackendService, Configuration, FixedToken
from tests.ehr import BASE, EC, ORIGIN, RSA, Waits, connect, fake_ehr, run, using

KEYS = {"RS384": RSA, "ES384": EC}
SCOPE = "system/Patient.rs system/Observation.rs"
SMART = f"{BASE}/.well-known/smart-configuration"
TOKEN = f"{ORIGIN}/token"


def written(folder: Path, key: Any, form: str = "pem") -> Path:
    """A key in a file."""
    file = folder / f"key.{form}"
    if form == "pem":
        file.write_bytes(key.as_pem(private=True))
    else:
        file.write_text(json.dumps({"keys": [key.as_dict(private=True, kid="the-kid")]}))
    return file


def signing(key: Any, folder: Path) -> SigningKey:
    return read_keys(written(folder, key))[0]


class Time:
    def __init__(self) -> None:
        self.now = 1_800_000_000.0

    def __call__(self) -> float:
        return self.now


def service(key: SigningKey, clock: Time | None = None, scope: Any = SCOPE, addresses: Addresses | None = None) -> BackendService:
    return BackendService(
        Connection(addresses or Addresses(BASE), sleep=Waits()), "foot-service", key, scope, clock=clock or Time()
    )


def token_of(one: BackendService, *refused: str | None) -> Any:
    """The tokens for each ask in turn, or the fault."""

    async def work() -> list[str]:
        return [await one.token(token) for token in refused or (None,)]

    try:
        return run(work())
    except RecordsFault as fault:
        return fault


def discovery(**more: Any) -> Any:
    content = {"token_endpoint": TOKEN, "grant_types_supported": ["client_credentials"],
               "capabilities": ["client-confidential-asymmetric", "permission-v2"], **more}  # fmt: skip
    return respx.get(SMART).respond(json=content)


def granting(**more: Any) -> Any:
    return respx.post(TOKEN).respond(
        json={"access_token": "a", "token_type": "bearer", "expires_in": 300, "scope": SCOPE, **more}
    )


def assertion(call: Any) -> tuple[dict[str, Any], str]:
    """The form that was posted, and its assertion."""
    form = dict(httpx.QueryParams(call.request.content.decode()))
    return form, form["client_assertion"]


@respx.mock
@pytest.mark.parametrize("algorithm", ["RS384", "ES384"])
@pytest.mark.parametrize("form", ["pem", "json"])
def test_the_assertion_is_what_the_standard_asks_for(algorithm: str, form: str, tmp_path: Path) -> None:
    """N2, N3: header kid and typ; iss = sub = client; aud = token endpoint; at most five minutes; checked with the published key."""
    discovery()
    route = granting()
    key = read_keys(written(tmp_path, KEYS[algorithm], form))[0]

    token_of(service(key))
    posted, text = assertion(route.calls[0])
    token = jwt.decode(text, public_keys(jwks([key])), algorithms=[algorithm])

    assert {"alg": algorithm, "kid": key.kid, "typ": "JWT"} == token.header
    assert ("foot-service", "foot-service", TOKEN) == (token.claims["iss"], token.claims["sub"], token.claims["aud"])
    assert 0 < token.claims["exp"] - Time().now <= 300
    assert ("client_credentials", SCOPE) == (posted["grant_type"], posted["scope"])
    assert "urn:ietf:params:oauth:client-assertion-type:jwt-bearer" == posted["client_assertion_type"]


@respx.mock
def test_no_assertion_is_used_twice(tmp_path: Path) -> None:
    """N2: the jti never repeats, not even when a failing token endpoint is asked again."""
    discovery()
    answers = [httpx.Response(503), httpx.Response(200, json={"access_token": "a", "token_type": "Bearer"})] * 2
    route = respx.post(TOKEN).mock(side_effect=answers)

    token_of(service(signing(RSA, tmp_path)), None, "a")
    used = {jwt.decode(assertion(call)[1], RSA, algorithms=["RS384"]).claims["jti"] for call in route.calls}

    assert 4 == len(used)


@respx.mock
def test_a_token_is_used_until_shortly_before_its_end(tmp_path: Path) -> None:
    """N4: no refresh token; a new one is asked for a minute before the old one ends."""
    discovery()
    route = respx.post(TOKEN).mock(
        side_effect=[httpx.Response(200, json={"access_token": name, "token_type": "bearer", "expires_in": 300}) for name in "ab"]
    )
    clock = Time()
    one = service(signing(EC, tmp_path), clock)

    async def work() -> list[str]:
        found = [await one.token()]
        for later in (200, 41):
            clock.now += later
            found.append(await one.token())
        return found

    assert ["a", "a", "b"] == run(work())
    assert 2 == route.call_count


@respx.mock
def test_many_requests_share_one_renewal(tmp_path: Path) -> None:
    """N4: a token that ten requests found expired is renewed once."""
    discovery()
    route = respx.post(TOKEN).mock(
        side_effect=[httpx.Response(200, json={"access_token": name, "token_type": "bearer"}) for name in "abcdef"]
    )
    one = service(signing(EC, tmp_path))

    async def work() -> list[str]:
        first = await one.token()
        return list(await asyncio.gather(*(one.token(refused=first) for _ in range(10))))

    assert ["b"] * 10 == run(work())
    assert 2 == route.call_count


@respx.mock
def test_a_narrower_scope_is_noticed(tmp_path: Path) -> None:
    """N4: what was asked for and not granted can be told."""
    discovery()
    granting(scope="system/Patient.rs")
    one = service(signing(RSA, tmp_path))

    token_of(one)

    assert ("system/Observation.rs",) == one.lacking


@respx.mock
def test_a_server_of_old_scopes_is_asked_in_old_ones(tmp_path: Path) -> None:
    """N3: version 1 scopes where the server knows no others."""
    discovery(capabilities=["client-confidential-asymmetric", "permission-v1"])
    route = granting()

    def asked(configuration: Configuration) -> str:
        return scopes(["Patient", "Observation"], old=configuration.old_scopes)

    token_of(service(signing(RSA, tmp_path), scope=asked))

    assert "system/Patient.read system/Observation.read" == assertion(route.calls[0])[0]["scope"]


@respx.mock
@pytest.mark.parametrize(
    "more",
    [{"grant_types_supported": ["authorization_code"]}, {"capabilities": ["launch-ehr"]},
     {"token_endpoint_auth_signing_alg_values_supported": ["ES384"]}],
)  # fmt: skip
def test_a_server_without_back_end_services_is_told_at_once(more: dict[str, Any], tmp_path: Path) -> None:
    """N1: what discovery says is believed before anything is signed."""
    discovery(**more)
    route = granting()

    assert isinstance(token_of(service(signing(RSA, tmp_path))), NotAuthorised)
    assert 0 == route.call_count


@respx.mock
@pytest.mark.parametrize("body", [{}, {"token_endpoint": 5}, []])
def test_a_discovery_without_token_endpoint_is_a_fault(body: Any, tmp_path: Path) -> None:
    """N1: token_endpoint is needed."""
    respx.get(SMART).respond(json=body)

    assert isinstance(token_of(service(signing(RSA, tmp_path))), Unreadable)


@respx.mock
def test_discovery_is_json_whatever_the_accept_header(tmp_path: Path) -> None:
    """N1: asked for as JSON, at the FHIR base with the path appended."""
    route = discovery()
    granting()

    token_of(service(signing(RSA, tmp_path)))

    assert "application/json" == route.calls[0].request.headers["accept"]


@respx.mock
def test_no_assertion_goes_to_a_foreign_token_endpoint(tmp_path: Path) -> None:
    """N5: an authorisation server elsewhere has to be on the list."""
    discovery(token_endpoint="https://login.example/token")
    route = respx.post("https://login.example/token").respond(json={"access_token": "a", "token_type": "bearer"})
    key = signing(RSA, tmp_path)

    refused = token_of(service(key))
    before = route.call_count
    allowed = token_of(service(key, addresses=Addresses(BASE, allowed=["login.example"])))

    assert isinstance(refused, HostRefused)
    assert (0, ["a"]) == (before, allowed)


@respx.mock
@pytest.mark.parametrize("answer", [{"error": "x"}, {"access_token": "a"}, {"access_token": "a", "token_type": "mac"}])
def test_what_is_no_bearer_token_is_not_used(answer: dict[str, Any], tmp_path: Path) -> None:
    """RFC 6749, 5.1: access_token and token_type are required."""
    discovery()
    respx.post(TOKEN).respond(json=answer)

    assert isinstance(token_of(service(signing(RSA, tmp_path))), NotAuthorised)


@respx.mock
def test_a_life_that_comes_as_a_text_is_read(tmp_path: Path) -> None:
    """Some servers write "300" for 300."""
    discovery()
    respx.post(TOKEN).respond(json={"access_token": "a", "token_type": "Bearer", "expires_in": "300"})

    assert ["a"] == token_of(service(signing(RSA, tmp_path)))


@respx.mock
def test_a_refusal_names_its_reason_and_nothing_else(tmp_path: Path) -> None:
    """RFC 6749, 5.2: the error code is said, the description is not."""
    discovery()
    respx.post(TOKEN).respond(401, json={"error": "invalid_client", "error_description": "no key for Ingrid"})

    assert "POST {id}: status 401: invalid_client" == str(token_of(service(signing(RSA, tmp_path))))


@pytest.mark.parametrize("algorithm", ["RS384", "ES384"])
def test_the_fake_ehr_takes_a_good_assertion(algorithm: str, tmp_path: Path) -> None:
    """N1 to N3 end to end: discovery, token, a read with it."""
    key = signing(KEYS[algorithm], tmp_path)
    ehr = fake_ehr(1, {"foot-service": jwks([key])})
    one = BackendService(connect(ehr), "foot-service", key, SCOPE)

    found = using(ehr, lambda it: it.get("Patient/skerrow-00001"), one)

    assert "skerrow-00001" == found["id"]
    assert SCOPE == one.granted


@pytest.mark.parametrize("wrong", ["another-client", "another-key", "none"])
def test_the_fake_ehr_takes_no_other(wrong: str, tmp_path: Path) -> None:
    """N2: an unknown client, a key that is not registered, no token at all."""
    key = signing(RSA, tmp_path)
    registered = SigningKey(RSAKey.generate_key(2048), key.kid, "RS384") if wrong == "another-key" else key
    ehr = fake_ehr(1, {"foot-service": jwks([registered])})
    one = BackendService(connect(ehr), "someone" if wrong == "another-client" else "foot-service", key, SCOPE)

    found = using(ehr, lambda it: it.get("Patient/skerrow-00001"), None if wrong == "none" else one)

    assert isinstance(found, NotAuthorised)


def test_the_fake_ehr_takes_no_assertion_twice(tmp_path: Path) -> None:
    """N2: a jti that was seen is a replay."""
    key = signing(EC, tmp_path)
    ehr = fake_ehr(1, {"foot-service": jwks([key])})
    form = {"grant_type": "client_credentials", "scope": SCOPE, "client_assertion": key.assertion("foot-service", TOKEN, time.time()),
            "client_assertion_type": "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"}  # fmt: skip

    async def twice(it: Connection) -> list[int]:
        first = await it.request("POST", TOKEN, form=form, headers={"Accept": "application/json"})
        try:
            second = (await it.request("POST", TOKEN, form=form)).status
        except NotAuthorised as fault:
            second = fault.status or 0
        return [first.status, second]

    assert [200, 401] == using(ehr, twice)


def test_an_expired_token_is_replaced_on_the_way(tmp_path: Path) -> None:
    """N4: the server takes a token three times; ten reads work nevertheless."""
    key = signing(EC, tmp_path)
    ehr = fake_ehr(1, {"foot-service": jwks([key])}, expire_tokens=3)
    one = BackendService(connect(ehr), "foot-service", key, SCOPE)

    async def ten(it: Connection) -> list[str]:
        return [(await it.get("Patient/skerrow-00001"))["id"] for _ in range(10)]

    assert ["skerrow-00001"] * 10 == using(ehr, ten, one)


def test_a_scope_that_was_not_granted_is_refused_by_the_fake_ehr(tmp_path: Path) -> None:
    """N7: the scope is judged per type of resource."""
    key = signing(EC, tmp_path)
    ehr = fake_ehr(1, {"foot-service": jwks([key])}, narrow_scope=("Observation",))
    one = BackendService(connect(ehr), "foot-service", key, SCOPE)

    found = using(ehr, lambda it: it.get("Observation", {"patient": "skerrow-00001"}), one)

    assert isinstance(found, NotAuthorised)
    assert (403, ("system/Observation.rs",)) == (found.status, one.lacking)


def test_what_is_published_holds_no_private_part(tmp_path: Path) -> None:
    """N8: public members only, with kid, use and alg, for rotation several at once."""
    published = jwks([signing(RSA, tmp_path), signing(EC, tmp_path)])

    assert [{"kty", "n", "e"}, {"kty", "crv", "x", "y"}] == [
        set(one) - {"kid", "use", "key_ops", "alg"} for one in published["keys"]
    ]
    assert [("sig", "RS384"), ("sig", "ES384")] == [(one["use"], one["alg"]) for one in published["keys"]]


@pytest.mark.parametrize("kind", ["public", "short", "curve", "text", "missing", "empty", "list"])
def test_an_unusable_key_is_refused_without_being_shown(kind: str, tmp_path: Path) -> None:
    """N8: keys come from files; a message never holds any of it."""
    file = tmp_path / "key"
    contents = {"public": RSA.as_pem(private=False), "curve": ECKey.generate_key("P-256").as_pem(private=True),
                "text": b"SECRET", "empty": b'{"keys": []}', "list": b'{"keys": [5]}'}  # fmt: skip
    if kind == "short":
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            contents["short"] = RSAKey.generate_key(1024).as_pem(private=True)
    if kind in contents:
        file.write_bytes(contents[kind])

    with pytest.raises(KeyUnusable) as refused:
        read_keys(file)

    assert str(file) in str(refused.value)
    assert "SECRET" not in str(refused.value)


def test_scopes_are_written_in_the_order_of_the_standard() -> None:
    """N3: c-r-u-d-s."""
    assert "system/Observation.rs system/RiskAssessment.crus" == scopes(["Observation"], ["RiskAssessment"])
    assert "system/Observation.read system/RiskAssessment.write" == scopes(["Observation"], ["RiskAssessment"], old=True)


@pytest.mark.parametrize(
    ("scope", "good"),
    [("system/Observation.rs", True), ("system/*.cruds", True), ("system/Patient.read", True), ("system/Observation.sr", False),
     ("user/Observation.rs", False), ("system/Observation.", False), ("", False), ("system/Observation.rs openid", False)],
)  # fmt: skip
def test_malformed_scopes_are_noticed(scope: str, good: bool) -> None:
    """N3: interactions in order, for the system, at least one."""
    assert good is well_formed(scope)


@pytest.mark.parametrize(
    ("asked", "granted", "lacks"),
    [("system/Observation.rs", "system/*.rs", ()), ("system/Observation.rs", "system/Observation.r system/Observation.s", ()),
     ("system/Observation.rs", "system/Observation.read", ()), ("system/Observation.rs", "system/Observation.r", ("system/Observation.rs",)),
     ("system/Flag.c", "system/Flag.write", ()), ("system/Flag.rs launch", "system/Flag.rs", ("launch",)),
     ("system/Flag.rs", "system/Flag.rs?status=active", ("system/Flag.rs",))],
)  # fmt: skip
def test_granted_scopes_are_compared_by_what_they_allow(asked: str, granted: str, lacks: tuple[str, ...]) -> None:
    """N4: letters, wildcards and version 1 mean what they allow."""
    assert lacks == lacking(asked, granted)


def test_a_restricted_scope_still_allows_its_type() -> None:
    """SMART 2 finer-grained scopes: `?category=…` restricts the data, not the interaction."""
    assert may("system/Observation.rs?category=exam", "Observation", "s")
    assert not may("system/Observation.rs?category=exam", "Condition", "s")


def test_a_token_from_a_file_is_read_anew(tmp_path: Path) -> None:
    """N8: whoever renews the token renews the file; a refused one is not offered again."""
    file = tmp_path / "token"
    file.write_text("first\n")
    one = FixedToken(file)

    async def work() -> list[str]:
        first = await one.token()
        file.write_text("second\n")
        return [first, await one.token(refused="first")]

    assert ["first", "second"] == run(work())
    with pytest.raises(NotAuthorised):
        run(one.token(refused="second"))
