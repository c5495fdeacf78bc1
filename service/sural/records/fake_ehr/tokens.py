"""The authorisation server of the fake EHR: SMART Backend Services, with the assertion really checked."""

import secrets
import time
from base64 import urlsafe_b64decode
from collections.abc import Callable, Mapping
from typing import Any

import orjson
from joserfc import jwt
from joserfc.errors import JoseError
from msgspec import Struct

from sural.records.fake_ehr.store import Json, Refusal
from sural.records.keys import public_keys
from sural.records.scopes import may, well_formed
from sural.records.smart import ASSERTION

ALGORITHMS = ("RS384", "ES384")
LIFE = 300
LONGEST_ASSERTION = 300


class Granted(Struct):
    """A token's rights, its end, and how often it has been used."""

    scope: str
    until: float
    uses: int = 0


class Tokens:
    """Gives out and checks tokens for registered clients: a mapping from client id to its JWKS. Without clients nothing is checked."""

    def __init__(self, clients: Mapping[str, Json], clock: Callable[[], float] = time.time) -> None:
        self.clients = clients
        self._clock = clock
        self._granted: dict[str, Granted] = {}
        self._used: dict[str, float] = {}

    def configuration(self, base: str, endpoint: str) -> Json:
        """The content of .well-known/smart-configuration."""
        return {
            "issuer": base,
            "token_endpoint": endpoint,
            "grant_types_supported": ["client_credentials"],
            "token_endpoint_auth_methods_supported": ["private_key_jwt"],
            "token_endpoint_auth_signing_alg_values_supported": list(ALGORITHMS),
            "scopes_supported": ["system/*.cruds"],
            "capabilities": ["client-confidential-asymmetric", "permission-v2"],
        }

    def grant(self, form: Mapping[str, Any], endpoint: str, left_out: tuple[str, ...] = ()) -> Json:
        """A token for a good assertion. Raises Refusal with the OAuth error as its code."""
        if form.get("grant_type") != "client_credentials":
            raise Refusal(400, "unsupported_grant_type")
        if form.get("client_assertion_type") != ASSERTION:
            raise Refusal(400, "invalid_request")
        self._check_assertion(str(form.get("client_assertion", "")), endpoint)
        asked = str(form.get("scope", ""))
        if not well_formed(asked):
            raise Refusal(400, "invalid_scope")
        scope = " ".join(one for one in asked.split() if one.partition("/")[2].partition(".")[0] not in left_out)
        token = secrets.token_urlsafe(24)
        self._granted[token] = Granted(scope, self._clock() + LIFE)
        return {"access_token": token, "token_type": "bearer", "expires_in": LIFE, "scope": scope}

    def _check_assertion(self, assertion: str, endpoint: str) -> None:
        now = self._clock()
        try:
            client = orjson.loads(_part(assertion, 1))["iss"]
            keys = public_keys(self.clients[client])
            token = jwt.decode(assertion, keys, algorithms=list(ALGORITHMS))
            claims = token.claims
            good = (
                bool(token.header.get("kid"))
                and token.header.get("typ") == "JWT"
                and claims["sub"] == claims["iss"] == client
                and claims["aud"] == endpoint
                and now < claims["exp"] <= now + LONGEST_ASSERTION
                and claims["jti"] not in self._used
            )
        except (JoseError, ValueError, KeyError, TypeError, IndexError):
            good = False
        if not good:
            raise Refusal(401, "invalid_client")
        self._used[claims["jti"]] = claims["exp"]

    def check(self, authorisation: str, kind: str, right: str, uses: int = 0) -> None:
        """Whether a bearer token allows something; `uses` is after how many a token is taken for expired. Raises Refusal."""
        if not self.clients:
            return
        granted = self._granted.get(authorisation.removeprefix("Bearer "))
        if granted is None or self._clock() >= granted.until:
            raise Refusal(401, "login")
        granted.uses += 1
        if uses and granted.uses > uses:
            raise Refusal(401, "expired")
        if not may(granted.scope, kind, right):
            raise Refusal(403, "forbidden")


def _part(token: str, number: int) -> bytes:
    """One part of a JWT, undone from base64url."""
    text = token.split(".")[number]
    return urlsafe_b64decode(text + "=" * (-len(text) % 4))
