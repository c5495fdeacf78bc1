"""Access tokens and client assertions: signed JWTs checked against the keys of listed issuers.

Sources: RFC 7519 (claims), RFC 8725 (algorithms from a list of ours, never from the token), RFC 6750 (bearer tokens), CDS Hooks 2
("Trusting CDS Clients").
"""

import re
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import httpx
import orjson
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import KeySet
from joserfc.jws import JWSRegistry, extract_compact

ALGORITHMS = ("RS256", "RS384", "RS512", "ES256", "ES384", "ES512")
LONGEST_TOKEN = 16_384
LEEWAY = 30
_LIFE = 300.0
_SHORTEST_REFRESH = 30.0
_LARGEST_KEYS = 262_144
_MAX_AGE = re.compile(r"max-age=(\d{1,9})")
Claims = Mapping[str, Any]
Clock = Callable[[], float]


class TokenRefused(Exception):
    """A token that is not taken; `expired` when only its time is over. Says nothing of what it holds."""

    def __init__(self, why: str, expired: bool = False) -> None:
        super().__init__(why)
        self.expired = expired


class Keys:
    """The public keys of one issuer: a JWKS in a file or under an address.

    Keys from an address are kept for five minutes at most, less where the answer says so, and asked for again when a token names a key
    that is not among them, every half minute at most.
    """

    def __init__(self, source: str, transport: httpx.AsyncBaseTransport | None = None, clock: Clock = time.time) -> None:
        self._source = source
        self._transport = transport
        self._clock = clock
        self._keys: KeySet | None = None
        self._until = self._asked = float("-inf")

    async def get(self, kid: str | None) -> KeySet:
        """The keys. Raises TokenRefused when they cannot be had."""
        now = self._clock()
        stale = now >= self._until
        unknown = self._keys is not None and kid is not None and all(key.kid != kid for key in self._keys.keys)
        if self._keys is None or stale or (unknown and now >= self._asked + _SHORTEST_REFRESH):
            await self._read(now)
        assert self._keys is not None
        return self._keys

    async def _read(self, now: float) -> None:
        self._asked = now
        try:
            content, life = await self._fetch() if "://" in self._source else (Path(self._source).read_bytes(), _LIFE)
            keys = KeySet.import_key_set(orjson.loads(content))
            if not keys.keys or any(key.key_type not in ("RSA", "EC") for key in keys.keys):
                raise ValueError("a key that is not RSA or EC")
        except (httpx.HTTPError, OSError, ValueError, KeyError, TypeError, JoseError):
            raise TokenRefused("the keys of the issuer cannot be had") from None
        self._keys, self._until = keys, now + life

    async def _fetch(self) -> tuple[bytes, float]:
        async with httpx.AsyncClient(transport=self._transport, timeout=5.0, follow_redirects=False, trust_env=False) as client:
            response = await client.get(self._source, headers={"Accept": "application/json"})
        if response.status_code != 200 or len(response.content) > _LARGEST_KEYS:
            raise ValueError("no keys")
        said = response.headers.get("cache-control", "")
        stated = _MAX_AGE.search(said)
        life = 0.0 if "no-store" in said or "no-cache" in said else float(stated[1]) if stated else _LIFE
        return response.content, min(life, _LIFE)


class Verifier:
    """Checks tokens of listed issuers: algorithm, signature, issuer, audience, and the times `exp`, `nbf` and `iat`."""

    def __init__(self, issuers: Mapping[str, Keys], leeway: int = LEEWAY, clock: Clock = time.time) -> None:
        self._issuers = issuers
        self._leeway = leeway
        self._clock = clock
        self._registry = JWSRegistry(algorithms=list(ALGORITHMS))

    async def claims(self, token: str, audience: str) -> Claims:
        """The claims of a good token. Raises TokenRefused."""
        header, unverified = self._opened(token)
        issuer = unverified.get("iss")
        keys = self._issuers.get(issuer) if isinstance(issuer, str) else None
        if keys is None:
            raise TokenRefused("the issuer is not listed")
        kid = header.get("kid")
        known = await keys.get(kid if isinstance(kid, str) else None)
        try:
            claims = jwt.decode(token, known, algorithms=list(ALGORITHMS), registry=self._registry).claims
        except (JoseError, ValueError, TypeError, KeyError):
            raise TokenRefused("the signature does not hold") from None
        if claims.get("iss") != issuer:
            raise TokenRefused("the issuer is not listed")
        self._times(claims)
        stated = claims.get("aud")
        if audience not in ([stated] if isinstance(stated, str) else stated if isinstance(stated, list) else []):
            raise TokenRefused("the token is for somebody else")
        return claims

    def _opened(self, token: str) -> tuple[dict[str, Any], dict[str, Any]]:
        """Header and claims before anything is believed of them: only to find the issuer's keys."""
        if len(token) > LONGEST_TOKEN:
            raise TokenRefused("the token is too long")
        try:
            opened = extract_compact(token.encode("ascii"))
            header, claims = opened.headers(), orjson.loads(opened.payload)
        except (JoseError, ValueError, TypeError, KeyError):
            raise TokenRefused("not a signed token") from None
        if header.get("alg") not in ALGORITHMS or header.get("crit"):
            raise TokenRefused("the algorithm is not one of those taken")
        if not isinstance(claims, dict):
            raise TokenRefused("not a signed token")
        return header, claims

    def _times(self, claims: Claims) -> None:
        now = self._clock()
        times = {name: claims[name] for name in ("exp", "nbf", "iat") if name in claims}
        if "exp" not in times or any(isinstance(one, bool) or not isinstance(one, int | float) for one in times.values()):
            raise TokenRefused("the token has no proper times")
        if now >= times["exp"] + self._leeway:
            raise TokenRefused("the token has expired", expired=True)
        if any(times.get(name, now) > now + self._leeway for name in ("nbf", "iat")):
            raise TokenRefused("the token is not valid yet")


class Seen:
    """Token ids that were used already, each remembered until its token expires. The memory of one process,
    where there is no ledger: see `sural.ledger.used_tokens`."""

    def __init__(self, clock: Clock = time.time, most: int = 100_000) -> None:
        self._clock = clock
        self._most = most
        self._until: dict[tuple[str, str], float] = {}

    def use(self, issuer: str, id: str, expires: float) -> bool:
        """Whether this id is new; it is not any more afterwards. When the memory is full of live ids nothing is taken."""
        now = self._clock()
        known = self._until.get((issuer, id))
        if known is not None and known > now:
            return False
        if len(self._until) >= self._most:
            self._until = {key: until for key, until in self._until.items() if until > now}
            if len(self._until) >= self._most:
                return False
        self._until[issuer, id] = expires
        return True
