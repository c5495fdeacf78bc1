"""Settings of the service, read from one TOML file: who may ask, which servers may be asked, where the audit log goes.

```toml
base = "https://foot.skerrow.example"          # the public address; tokens of CDS clients are made out to it

[tokens]                                       # access tokens for /fhir
issuer = "https://login.skerrow.example"
audience = "https://foot.skerrow.example/fhir"
keys = "https://login.skerrow.example/jwks"    # or a file
token_endpoint = "https://login.skerrow.example/token"

[[cds_clients]]                                # who may call the CDS Hooks service
issuer = "https://ehr.skerrow.example"
keys = "https://ehr.skerrow.example/jwks"

[outbound]
fhir_servers = ["https://ehr.skerrow.example/fhir"]
subscribers = ["https://screening.skerrow.example"]   # endpoints of subscriptions
full_resource = []                             # those of them that may be sent whole resources
private = []                                   # those that may lie on a private network

[web]
origins = ["https://ehr.skerrow.example"]      # pages of browsers that may call (CORS)

[subscriptions]                                # how failures of an endpoint are borne; these are the defaults
first_wait = 1.0
longest_wait = 3600.0
failures = 24

[audit]
file = "/var/log/sural/audit.ndjson"           # "-" for standard error
```
"""

from pathlib import Path

import msgspec
from msgspec import Struct

from sural.doors.outbound import Outbound, origin
from sural.subscriptions.outbox import Patience


class Tokens(Struct, frozen=True, forbid_unknown_fields=True):
    """The issuer of access tokens. `keys` is a file or an https address of a JWKS."""

    issuer: str
    audience: str
    keys: str
    token_endpoint: str = ""
    authorization_endpoint: str = ""


class CdsClient(Struct, frozen=True, forbid_unknown_fields=True):
    """One record system that may call the CDS Hooks service."""

    issuer: str
    keys: str


class Outgoing(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Servers that may be asked, or notified; `private` ones may lie on a private network."""

    fhir_servers: tuple[str, ...] = ()
    subscribers: tuple[str, ...] = ()
    full_resource: tuple[str, ...] = ()
    private: tuple[str, ...] = ()


class Browsers(Struct, frozen=True, forbid_unknown_fields=True):
    """Origins of web pages that may call."""

    origins: tuple[str, ...] = ()


class Audit(Struct, frozen=True, forbid_unknown_fields=True):
    """Where AuditEvents and the feedback on cards are written; nowhere when empty, "-" is standard error."""

    file: str = ""
    feedback: str = ""


class Settings(Struct, frozen=True, forbid_unknown_fields=True):
    """Everything that can be set. Without `tokens` and `cds_clients` nobody has to say who they are."""

    base: str = ""
    tokens: Tokens | None = None
    cds_clients: tuple[CdsClient, ...] = ()
    outbound: Outgoing = Outgoing()
    web: Browsers = Browsers()
    audit: Audit = Audit()
    subscriptions: Patience = Patience()

    def __post_init__(self) -> None:
        if self.cds_clients and not self.base:
            raise ValueError("base is needed: tokens of CDS clients are made out to it")
        if "*" in self.web.origins:
            raise ValueError("web.origins are named one by one")
        for address in filter(
            None, (self.base, *(one for one in self.key_sources() if "://" in one), *self.outbound.fhir_servers, *self.outbound.subscribers)
        ):
            if origin(address) is None or (not address.startswith("https:") and origin(address) not in self.may_be_private()):
                raise ValueError(f"needs an https address: {'one with a name or password in it is not taken' if '@' in address else address}")
        if {origin(one) for one in self.outbound.full_resource} - {origin(one) for one in self.outbound.subscribers}:
            raise ValueError("outbound.full_resource: names a server that is not among outbound.subscribers")
        patience = self.subscriptions
        if patience.failures < 1 or not 0 < patience.first_wait <= patience.longest_wait:
            raise ValueError("subscriptions: failures, first_wait and longest_wait are above nought, the last not below the second")

    @property
    def authenticated(self) -> bool:
        """Whether callers have to say who they are."""
        return self.tokens is not None or bool(self.cds_clients)

    def key_sources(self) -> list[str]:
        """Where the keys of all issuers are."""
        return [*([self.tokens.keys] if self.tokens else []), *(one.keys for one in self.cds_clients)]

    def may_notify(self, endpoint: str, whole: bool) -> bool:
        """Whether an endpoint may be notified; and, for `whole`, whether it may be sent resources."""
        listed = self.outbound.full_resource if whole else self.outbound.subscribers
        return origin(endpoint) is not None and origin(endpoint) in {origin(one) for one in listed}

    def reach(self) -> Outbound:
        """A way to the endpoints of subscriptions, and to nothing else."""
        subscribers = {origin(one) for one in self.outbound.subscribers}
        return Outbound(self.outbound.subscribers, [one for one in self.outbound.private if origin(one) in subscribers])

    def may_be_private(self) -> set[object]:
        return {origin(address) for address in self.outbound.private}


def read_settings(path: str) -> Settings:
    """The settings in a file. Raises ValueError that says what is wrong with it, OSError when it cannot be read."""
    try:
        return msgspec.toml.decode(Path(path).read_bytes(), type=Settings)
    except msgspec.MsgspecError as fault:
        raise ValueError(f"{path}: {fault}") from None
