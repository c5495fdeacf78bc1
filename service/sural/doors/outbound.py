"""Where the service may connect to by itself: listed servers only, on public addresses only, and never on by a redirect.

For every request that an address from outside leads to (`fhirServer` of a CDS Hooks request, keys of an issuer, a subscriber's
endpoint). The name is resolved once, every address it has is judged, and the connection goes to one that was judged: a name that
changes its address in between gains nothing. TLS still checks the certificate against the name.
"""

import asyncio
import ipaddress
import socket
from collections.abc import Awaitable, Callable, Iterable
from urllib.parse import urlsplit

import httpx

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Resolve = Callable[[str, int], Awaitable[list[str]]]
Origin = tuple[str, str, int]
_PORTS = {"https": 443, "http": 80}
_NOT_GLOBAL = tuple(map(ipaddress.ip_network, ("192.0.0.0/24", "fec0::/10", "3fff::/20", "5f00::/16")))
"""What the standard library takes for global on some versions, and is not: protocol assignments (a cloud has its metadata there), site-local (RFC
3879), documentation (RFC 9637), segment routing (RFC 9602)."""


class NotAllowed(httpx.RequestError):
    """A connection that is not made. Names the reason, never the address."""


def origin(address: str) -> Origin | None:
    """Scheme, host and port of an address; None for one without host, with credentials, or of another scheme."""
    try:
        parts = urlsplit(address)
        port = parts.port or _PORTS.get(parts.scheme, 0)
    except ValueError:
        return None
    if parts.scheme not in _PORTS or parts.username is not None or parts.password is not None or not parts.hostname:
        return None
    return parts.scheme, parts.hostname.lower().rstrip("."), port


async def resolve(host: str, port: int) -> list[str]:
    """Every address of a host name. Raises OSError when it has none."""
    found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(entry[4][0]) for entry in found))


class Outbound(httpx.AsyncBaseTransport):
    """An HTTP transport that connects to listed origins only.

    `allowed`: addresses of the servers that may be asked, such as `https://ehr.example/fhir`; only scheme, host and port count. `private`: those of
    them that may lie on this machine or a private network. Plain HTTP is only for those.
    """

    def __init__(
        self,
        allowed: Iterable[str] = (),
        private: Iterable[str] = (),
        *,
        inner: httpx.AsyncBaseTransport | None = None,
        resolve: Resolve = resolve,
    ) -> None:
        self._private = {_listed(one) for one in private}
        self._allowed = {_listed(one) for one in allowed} | self._private
        for one in self._allowed - self._private:
            if one[0] != "https":
                raise ValueError("a server outside the private network needs an https address")
        self._given = inner
        self._inner: dict[Origin, httpx.AsyncBaseTransport] = {}
        self._resolve = resolve

    def lists(self, address: str) -> bool:
        """Whether an address lies on a listed server."""
        return origin(address) in self._allowed

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        """Send, to an address that was judged. Raises NotAllowed."""
        where = origin(str(request.url))
        if where is None or where not in self._allowed:
            raise NotAllowed("not a listed server", request=request)
        try:
            found = await self._resolve(where[1], where[2])
        except OSError:
            raise httpx.ConnectError("the name has no address", request=request) from None
        if not found or not (where in self._private or all(public(one) for one in found)):
            raise NotAllowed("a listed name that leads to a private address", request=request)
        sent = httpx.Request(
            request.method,
            request.url.copy_with(host=found[0]),
            headers=request.headers,  # with the name as Host
            stream=request.stream,
            extensions={**request.extensions, "sni_hostname": where[1]},
        )
        response = await self._to(where).handle_async_request(sent)
        if 300 <= response.status_code < 400:
            await response.aclose()
            raise NotAllowed("a redirect", request=request)
        return response

    def _to(self, where: Origin) -> httpx.AsyncBaseTransport:
        """The connections to one server. Connections are kept by IP address: kept together, one that was opened to a server of the same address, and
        judged by that one's certificate, would be taken for this one."""
        if self._given is not None:
            return self._given
        if where not in self._inner:
            self._inner[where] = httpx.AsyncHTTPTransport(trust_env=False)
        return self._inner[where]

    async def aclose(self) -> None:
        for one in [*self._inner.values(), *([self._given] if self._given else [])]:
            await one.aclose()


def _listed(address: str) -> Origin:
    found = origin(address if "://" in address else f"https://{address}")
    if found is None:
        raise ValueError("not the address of a server")
    return found


def public(text: str) -> bool:
    """Whether an IP address is one of the public internet: not of this machine, a private network, a link, a group, or reserved; the
    IPv4 address inside an IPv6 one counts as well."""
    try:
        address: Address = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return False
    if isinstance(address, ipaddress.IPv6Address):
        inner = (
            address.ipv4_mapped or address.sixtofour or (address.teredo[1] if address.teredo else None) or _translated(address)
        )
        if inner is not None:
            return public(str(inner))
    return address.is_global and not address.is_multicast and not address.is_reserved and not any(address in one for one in _NOT_GLOBAL)


def _translated(address: ipaddress.IPv6Address) -> ipaddress.IPv4Address | None:
    """The IPv4 address of the well-known prefix 64:ff9b::/96 (RFC 6052)."""
    if address in ipaddress.IPv6Network("64:ff9b::/96"):
        return ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
    return None
