"""Who may ask for what: bearer tokens with SMART scopes for FHIR, signed tokens of record systems for CDS Hooks.

Sources: RFC 6750 (WWW-Authenticate), SMART App Launch 2, "Scopes and launch context" (c-r-u-d-s, version 1 words too), CDS Hooks 2,
"Trusting CDS Clients". A scope that is narrowed by a query (`?category=…`), or that is for the patient in context (`patient/`), cannot
be kept to here and grants nothing.

Routes are closed unless they say that they are open: what is published, health, and the discovery of CDS services.
"""

import re
from collections.abc import Awaitable, Callable, Iterable
from typing import Any, Literal

import httpx
from fastapi import FastAPI, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from sural.answer.accounts import outcome
from sural.doors.outbound import Outbound
from sural.issues import Issue
from sural.ledger.parameters import SEARCHED
from sural.ledger.used_tokens import UsedTokens
from sural.web.fhir import FhirResponse
from sural.web.routes import Route
from sural.web.settings import Settings
from sural.web.tokens import Claims, Keys, Seen, TokenRefused, Verifier

LONGEST_ASSERTION = 3600
_SCOPE = re.compile(r"(?:system|user)/(\*|[A-Z][A-Za-z]{1,63})\.(read|write|\*|c?r?u?d?s?)")
_OLD = {"read": "rs", "write": "cud", "*": "cruds"}
_RIGHT = {"read": "r", "vread": "r", "history-instance": "r", "search-type": "s", "operation": "r", "create": "c", "update": "u", "delete": "d"}
RESULT = "RiskAssessment"
"""The type whose reading permits the operation: its answer is what this type holds."""
Key = Literal["login-needed", "token-expired", "scope-insufficient"]
_STATUS: dict[Key, int] = {"login-needed": 401, "token-expired": 401, "scope-insufficient": 403}


class Denied(Exception):
    """A request that is not permitted. `needed` is the scope that would do."""

    def __init__(self, key: Key, why: str = "", needed: str = "") -> None:
        super().__init__(why or key)
        self.key, self.why, self.needed = key, why, needed

    def response(self) -> Response:
        """The refusal as an OperationOutcome with its challenge."""
        parts = ['Bearer realm="sural"']
        if self.key == "scope-insufficient":
            parts.append(f'error="insufficient_scope", scope="{self.needed}"')
        elif self.why:
            parts.append(f'error="invalid_token", error_description="{self.why}"')
        content = outcome([Issue(self.key, diagnostics=self.why or self.needed)])
        return FhirResponse(content, _STATUS[self.key], {"WWW-Authenticate": ", ".join(parts)})


class Guard:
    """Decides about each request by the settings. `transport` reaches the keys of issuers; `used` opens the used tokens of the ledger:
    without it each process remembers its own."""

    def __init__(
        self, settings: Settings, transport: httpx.AsyncBaseTransport | None = None, used: Callable[[], UsedTokens] | None = None
    ) -> None:
        self.settings = settings
        addresses = [address for address in settings.key_sources() if "://" in address]
        reach = transport or Outbound(addresses, settings.outbound.private)
        tokens = settings.tokens
        self._tokens = Verifier({tokens.issuer: Keys(tokens.keys, reach)}) if tokens else None
        self._clients = Verifier({one.issuer: Keys(one.keys, reach) for one in settings.cds_clients})
        self._jkus = {one.issuer: one.keys for one in settings.cds_clients}
        self._seen = Seen()
        self._used = used

    def of(self, route: Route) -> Callable[[Request], Awaitable[None]]:
        """The check of a route, called before anything of the request is read. Raises Denied."""

        async def check(request: Request) -> None:
            if route.open or not self.settings.authenticated:
                return
            if route.path.startswith("/cds-services/"):
                await self._client(request)
            else:
                await self._bearer(request, route)

        return check

    async def _bearer(self, request: Request, route: Route) -> None:
        if self._tokens is None or self.settings.tokens is None:
            raise Denied("login-needed")
        claims = await _claims(self._tokens, request, self.settings.tokens.audience)
        request.state.agent = {"issuer": claims["iss"], "name": str(claims.get("client_id") or claims.get("sub") or "")}
        request.state.scopes = tuple(_scopes(claims))
        kind = (route.on or RESULT) if route.interaction == "operation" else route.name
        right = _RIGHT.get(route.interaction or "")
        if right is not None and not permits(request.state.scopes, kind, right):
            raise Denied("scope-insufficient", needed=f"system/{kind}.{right}")

    async def _client(self, request: Request) -> None:
        """A record system: `aud` is the address that it called, `jti` is new, and it lives an hour at most."""
        claims = await _claims(self._clients, request, self.settings.base.rstrip("/") + request.url.path)
        request.state.agent = {"issuer": claims["iss"], "name": claims["iss"]}
        id, issued = claims.get("jti"), claims.get("iat")
        if not isinstance(id, str) or not id or issued is None:
            raise Denied("login-needed", "the token has no jti or iat")
        if claims["exp"] - issued > LONGEST_ASSERTION:
            raise Denied("login-needed", "the token lives too long")
        if not await self._is_new(str(claims["iss"]), id, claims["exp"] + 60):
            raise Denied("login-needed", "the token was used before")


    async def _is_new(self, issuer: str, id: str, expires: float) -> bool:
        if self._used is None:
            return self._seen.use(issuer, id, expires)
        opened = self._used
        return await run_in_threadpool(lambda: opened().use(issuer, id, expires))


async def _claims(verifier: Verifier, request: Request, audience: str) -> Claims:
    """The claims of the request's token. Raises Denied. Tokens in the address or the body are not read (RFC 6750 2.2, 2.3)."""
    kind, _, token = request.headers.get("authorization", "").partition(" ")
    if kind.lower() != "bearer" or not token.strip():
        raise Denied("login-needed")
    try:
        return await verifier.claims(token.strip(), audience)
    except TokenRefused as refused:
        raise Denied("token-expired" if refused.expired else "login-needed", str(refused)) from None


def _scopes(claims: Claims) -> Iterable[str]:
    granted = claims.get("scope", claims.get("scp", ""))
    return granted.split() if isinstance(granted, str) else [one for one in granted if isinstance(one, str)] if isinstance(granted, list) else []  # fmt: skip


def permits(granted: Iterable[str], kind: str, right: str) -> bool:
    """Whether one of the scopes grants a right (a letter of `cruds`) on a resource type."""
    for scope in granted:
        found = _SCOPE.fullmatch(scope)
        if found and found[1] in ("*", kind) and found[2] and right in _OLD.get(found[2], found[2]):
            return True
    return False


def permitted(request: Request, kind: str, right: str) -> bool:
    """Whether the caller of a request has a right on a type; everybody has where nobody has to say who they are."""
    granted = getattr(request.state, "scopes", None)
    return granted is None or permits(granted, kind, right)


def require(request: Request, kind: str, right: str) -> None:
    """Raises Denied when the caller lacks a right on a type: for requests that are judged part by part."""
    if not permitted(request, kind, right):
        raise Denied("scope-insufficient", needed=f"system/{kind}.{right}")


def handle_denied(app: FastAPI) -> None:
    """Make every denial an OperationOutcome."""

    async def denied(_: Request, error: Exception) -> Response:
        assert isinstance(error, Denied)
        return error.response()

    app.add_exception_handler(Denied, denied)


def capability_security(settings: Settings) -> dict[str, Any]:
    """CapabilityStatement.rest.security."""
    system = "http://terminology.hl7.org/CodeSystem/restful-security-service"
    coding = {"system": system, "code": "SMART-on-FHIR", "display": "SMART-on-FHIR"}
    return {
        "cors": bool(settings.web.origins),
        "service": [{"coding": [coding], "text": "OAuth 2 bearer tokens with SMART scopes"}],
        "description": f"An operation of the service needs {RESULT}.r, $recall also Observation.r and ServiceRequest.r, one of a type Type.r, search Type.s, read Type.r, create Type.c, update Type.u, delete Type.d, as system/ or user/; a transaction is judged entry by entry. What is published is open.",
    }


def smart_configuration(settings: Settings) -> dict[str, Any] | None:
    """`.well-known/smart-configuration`, where the settings name an authorisation server; SMART App Launch 2, "Conformance"."""
    tokens = settings.tokens
    if tokens is None or not tokens.token_endpoint:
        return None
    content: dict[str, Any] = {
        "issuer": tokens.issuer,
        "token_endpoint": tokens.token_endpoint,
        "grant_types_supported": ["client_credentials"],
        "token_endpoint_auth_methods_supported": ["private_key_jwt"],
        "token_endpoint_auth_signing_alg_values_supported": ["RS384", "ES384"],
        "scopes_supported": [f"system/{RESULT}.cruds", *(f"system/{kind}.crus" for kind in SEARCHED), "system/Subscription.cruds"],
        "capabilities": ["client-confidential-asymmetric", "permission-v1", "permission-v2"],
    }
    if "://" in tokens.keys:
        content["jwks_uri"] = tokens.keys
    if tokens.authorization_endpoint:
        content["authorization_endpoint"] = tokens.authorization_endpoint
        content["code_challenge_methods_supported"] = ["S256"]
        content["grant_types_supported"] += ["authorization_code"]
        content["capabilities"] += ["permission-user"]
    return content
