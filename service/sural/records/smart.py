"""SMART Backend Services: discovery, client assertion, token.

SMART App Launch 2, "Backend Services" and "Asymmetric (public key) client authentication".
"""

import asyncio
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct

from sural.records.faults import NotAuthorised, Unreadable
from sural.records.http import Connection
from sural.records.keys import SigningKey
from sural.records.scopes import lacking

ASSERTION = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
DISCOVERY = ".well-known/smart-configuration"
SHORT = 60.0
"""Seconds of life left at which a token is replaced; of a token that lives less than four minutes, a quarter of its life."""


class Configuration(Struct, frozen=True):
    """What a server says of its authorisation; lists it leaves out are empty."""

    token_endpoint: str
    grant_types_supported: tuple[str, ...] = ()
    capabilities: tuple[str, ...] = ()
    token_endpoint_auth_signing_alg_values_supported: tuple[str, ...] = ()

    def obstacle(self, algorithm: str) -> str:
        """Why a back-end service cannot be authorised here; empty when it can."""
        if self.grant_types_supported and "client_credentials" not in self.grant_types_supported:
            return "the server does not grant client_credentials"
        if self.capabilities and "client-confidential-asymmetric" not in self.capabilities:
            return "the server takes no asymmetric client authentication"
        algorithms = self.token_endpoint_auth_signing_alg_values_supported
        return f"the server does not take {algorithm}" if algorithms and algorithm not in algorithms else ""

    @property
    def old_scopes(self) -> bool:
        """Whether the server knows scopes of version 1 only."""
        return "permission-v1" in self.capabilities and "permission-v2" not in self.capabilities


async def discover(connection: Connection) -> Configuration:
    """What a server says of its authorisation. `connection` has no authoriser. Raises RecordsFault."""
    reply = await connection.request("GET", DISCOVERY, headers={"Accept": "application/json"})
    try:
        return msgspec.convert(reply.json(), Configuration)
    except msgspec.ValidationError:
        raise Unreadable(reply.route, "names no token endpoint") from None


class _Token(Struct):
    access_token: str
    expires_in: float = 300.0
    scope: str | None = None
    token_type: str = ""


class BackendService:
    """Gives out tokens for a back-end service, each used until shortly before it expires.

    `connection` reaches the server without a token; `scope` is what is asked for, or a function of what the server knows. After the first
    token, `granted` holds the scope that was granted.
    """

    def __init__(
        self,
        connection: Connection,
        client: str,
        key: SigningKey,
        scope: str | Callable[[Configuration], str],
        *,
        jku: str | None = None,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self._connection = connection
        self._client = client
        self._key = key
        self._scope = scope
        self._jku = jku
        self._clock = clock
        self._configuration: Configuration | None = None
        self._token = ""
        self._until = 0.0
        self._lock = asyncio.Lock()
        self.asked = ""
        self.granted = ""

    @property
    def lacking(self) -> tuple[str, ...]:
        """The scopes asked for that were not granted."""
        return lacking(self.asked, self.granted)

    async def token(self, refused: str | None = None) -> str:
        """A token that is good for a while. Raises RecordsFault when there is none to be had."""
        async with self._lock:
            if not self._token or self._token == refused or self._clock() >= self._until:
                await self._renew()
            return self._token

    async def _renew(self) -> None:
        configuration = await self._configured()
        endpoint = configuration.token_endpoint
        route = self._connection.addresses.route("POST", endpoint)

        async def once() -> Any:
            now = self._clock()
            form = {
                "grant_type": "client_credentials",
                "scope": self.asked,
                "client_assertion_type": ASSERTION,
                "client_assertion": self._key.assertion(self._client, endpoint, now, self._jku),
            }
            reply = await self._connection.request("POST", endpoint, form=form, headers={"Accept": "application/json"})
            return reply.json(), now

        content, now = await self._connection.repeating(once)  # each attempt with an assertion of its own
        try:
            token = msgspec.convert(content, _Token, strict=False)  # expires_in comes as a text too
        except msgspec.ValidationError:
            raise NotAuthorised(route, "the token answer holds no token") from None
        if token.token_type.lower() != "bearer":
            raise NotAuthorised(route, "the token is not a bearer token")
        self._token = token.access_token
        self._until = now + token.expires_in - min(SHORT, token.expires_in / 4)
        self.granted = self.asked if token.scope is None else token.scope

    async def _configured(self) -> Configuration:
        if self._configuration is None:
            found = await discover(self._connection)
            obstacle = found.obstacle(self._key.algorithm)
            if obstacle:
                raise NotAuthorised(self._connection.addresses.route("GET", DISCOVERY), obstacle)
            self._connection.addresses.resolve(found.token_endpoint)
            self.asked = self._scope if isinstance(self._scope, str) else self._scope(found)
            self._configuration = found
        return self._configuration


class FixedToken:
    """A token handed over by other means, read from its file each time: whoever renews it renews the file."""

    def __init__(self, path: Path) -> None:
        self._path = path

    async def token(self, refused: str | None = None) -> str:
        """The token of the file. Raises NotAuthorised when it cannot be read, or is still the refused one."""
        try:
            token = self._path.read_text(encoding="ascii").strip()
        except (OSError, UnicodeDecodeError):
            token = ""
        if not token or token == refused:
            raise NotAuthorised("token file", "the server does not take its token" if token else "holds no token")
        return token
