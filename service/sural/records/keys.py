"""The client's signing keys: read from files, used for assertions, published as a JWKS.

Keys come from files only, as PEM or as JWK or JWKS. RSA keys sign with RS384, keys on P-384 with ES384 (SMART App Launch, asymmetric
client authentication). To rotate: publish the new key beside the old one, then sign with the new one, then stop publishing the old.
"""

import json
import uuid
import warnings
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from joserfc import jwt
from joserfc.errors import JoseError, SecurityWarning
from joserfc.jwk import ECKey, KeySet, RSAKey
from msgspec import Struct

LIFE = 240
"""Seconds an assertion is good for: five minutes are allowed, and clocks differ."""


class KeyUnusable(ValueError):
    """A key file that cannot be read, or holds no private RSA or P-384 key. The message never holds any of it."""


class SigningKey(Struct, frozen=True):
    """A private key with its id and algorithm."""

    key: RSAKey | ECKey
    kid: str
    algorithm: str

    def assertion(self, client: str, audience: str, now: float, jku: str | None = None) -> str:
        """A client assertion, good for four minutes, with an id of its own."""
        header = {"alg": self.algorithm, "kid": self.kid, "typ": "JWT", **({"jku": jku} if jku else {})}
        claims = {"iss": client, "sub": client, "aud": audience, "exp": int(now) + LIFE, "jti": str(uuid.uuid4())}
        return jwt.encode(header, claims, self.key, algorithms=[self.algorithm])


def read_keys(path: Path) -> list[SigningKey]:
    """The private keys of a PEM, JWK or JWKS file. Raises KeyUnusable."""
    try:
        text = path.read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError) as fault:
        why = fault.strerror if isinstance(fault, OSError) else "neither PEM nor JSON"
        raise KeyUnusable(f"{path}: {why}") from None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", SecurityWarning)  # a weak key is refused below
            found = [_signing(key) for key in _keys_in(text)]
    except (JoseError, ValueError, TypeError, KeyError, AttributeError):
        found = []
    if not found:
        raise KeyUnusable(f"{path}: holds no private RSA key of 2048 bits or more, or P-384 key, without a passphrase")
    return found


def jwks(keys: Iterable[SigningKey]) -> dict[str, Any]:
    """The public halves, to be published or handed to the authorisation server."""
    return {
        "keys": [
            {**one.key.as_dict(private=False), "kid": one.kid, "use": "sig", "key_ops": ["verify"], "alg": one.algorithm}
            for one in keys
        ]
    }


def public_keys(published: dict[str, Any]) -> KeySet:
    """The keys of a JWKS, to check an assertion with."""
    return KeySet.import_key_set(published)  # type: ignore[arg-type]


def _keys_in(text: str) -> list[RSAKey | ECKey]:
    if not text.lstrip().startswith("{"):
        return [_from_pem(text)]
    content = json.loads(text)
    return [_from_jwk(one) for one in content.get("keys", [content])]


def _from_jwk(content: dict[str, Any]) -> RSAKey | ECKey:
    return (RSAKey if content["kty"] == "RSA" else ECKey).import_key(content)


def _from_pem(text: str) -> RSAKey | ECKey:
    try:
        return RSAKey.import_key(text)
    except (JoseError, ValueError, TypeError):
        return ECKey.import_key(text)


def _signing(key: RSAKey | ECKey) -> SigningKey:
    if not key.is_private:
        raise ValueError("a public key")
    if isinstance(key, RSAKey):
        if key.raw_value.key_size < 2048:
            raise ValueError("too short")
    elif key.curve_name != "P-384":
        raise ValueError("another curve")
    return SigningKey(key, key.kid or key.thumbprint(), "RS384" if isinstance(key, RSAKey) else "ES384")
