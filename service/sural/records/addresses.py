"""Which addresses a client may speak to, which of them may see the token, and how an address is named in messages."""

import ipaddress
import re
from collections.abc import Iterable
from urllib.parse import urljoin, urlsplit, urlunsplit

from sural.intake.wire import TYPES
from sural.records.faults import HostRefused

Origin = tuple[str, str, int]
NOWHERE: Origin = ("", "", 0)
_PORTS = {"http": 80, "https": 443}
_OPERATION = re.compile(r"\$[a-z-]{1,40}")
_NO_HOST = re.compile(r"[\s/\\<>\"^`{|}]")
_WORDS = frozenset({"metadata", "_search", "_history", ".well-known", "smart-configuration"})


class Addresses:
    """The base of a record system and the other hosts that may be spoken to.

    `allowed` hosts may be asked, never with the token; `trusted` ones get the token too (file servers of a bulk export, an authorisation
    server that is not beside the FHIR server). A host is `name`, meaning HTTPS on its usual port, or a whole origin such as
    `https://files.hospital.example:8443`. Plain HTTP is only for this machine itself.
    """

    def __init__(self, base: str, allowed: Iterable[str] = (), trusted: Iterable[str] = ()) -> None:
        self.base = base.rstrip("/")
        self.own = _origin(self.base)
        trusted, allowed = tuple(trusted), tuple(allowed)
        for given, (scheme, host, _) in ((self.base, self.own), *((one, _origin_of_host(one)) for one in (*trusted, *allowed))):
            if scheme != "https" and not _loopback(host):
                named = "an address with a name or password in it" if "@" in given else given
                raise ValueError(f"{named}: needs an https address, or the name of a host; plain HTTP is only for this machine itself")
        if "?" in self.base or "#" in self.base:
            raise ValueError("the address of the FHIR endpoint has no part after ? or #")
        self._trusted = {self.own, *map(_origin_of_host, trusted)}
        self._allowed = self._trusted | {*map(_origin_of_host, allowed)}

    def resolve(self, address: str, against: str | None = None) -> str:
        """The absolute form of an address, relative ones counted from the base or from the page they stand in.

        Raises HostRefused when it lies on a host that is not allowed.
        """
        try:
            whole = urljoin(against or f"{self.base}/", address) if address else self.base
        except ValueError:
            whole = ""
        origin = _origin(whole)
        if origin[0] == "http" and self.own[0] == "https" and origin[1] == self.own[1] and origin[2] in (80, self.own[2]):
            parts = urlsplit(whole)  # a server behind a proxy that ends TLS names itself so
            whole, origin = urlunsplit(parts._replace(scheme="https", netloc=urlsplit(self.base).netloc)), self.own
        if origin not in self._allowed:
            raise HostRefused(origin[1] or "an address without a host", "not an allowed host; nothing was sent")
        return whole

    def may_see_token(self, address: str) -> bool:
        return _origin(address) in self._trusted

    def route(self, method: str, address: str) -> str:
        """The method and address as they may be written down: types and operations, ids as {id}, no parameters."""
        path = urlsplit(address).path
        own = urlsplit(self.base).path
        inside = path.removeprefix(own) if _origin(address) == self.own else path
        parts = [part for part in inside.split("/") if part]
        kept = (part if part in TYPES or part in _WORDS or _OPERATION.fullmatch(part) else "{id}" for part in parts)
        return f"{method} {'/'.join(kept) or '/'}"


def _origin(address: str) -> Origin:
    """Scheme, host and port; of an address that has none, or that carries credentials, an origin like no other."""
    try:
        parts = urlsplit(address)
        port = parts.port or _PORTS.get(parts.scheme, 0)
    except ValueError:
        return NOWHERE
    if parts.scheme not in _PORTS or parts.username is not None or not parts.hostname or _NO_HOST.search(parts.hostname):
        return NOWHERE
    return parts.scheme, parts.hostname.lower(), port


def _origin_of_host(host: str) -> Origin:
    return _origin(host if "://" in host else f"https://{host}")


def _loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
