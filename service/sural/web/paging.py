"""Links to further pages: the search and where it stands, sealed, so that no address that a log may hold says whom it is about.

The key lies in the ledger, so that every worker can open what another has sealed.
"""

import secrets
from collections.abc import Sequence
from typing import TypeVar

import msgspec
from joserfc import jwe
from joserfc.errors import JoseError
from joserfc.jwk import OctKey
from msgspec import Struct
from sqlalchemy import select

from sural.issues import Issue, Refused
from sural.ledger.database import Database
from sural.ledger.search import Order, Position
from sural.ledger.tables import SECRET

PARAMETER = "_page"
_HEADER = {"alg": "dir", "enc": "A256GCM"}
_PURPOSE = "pages"
Sealed = TypeVar("Sealed", bound=Struct)


def page_size(text: str, most: int) -> int | None:
    """What `_count` asks for, `most` at most; None when it is no number."""
    return min(int(text), most) if text.isascii() and text.isdigit() and len(text) < 10 else None


def token_of(given: Sequence[tuple[str, str]]) -> str | None:
    """The sealed text of a link, where one is followed. Raises Refused when anything else is asked along with it."""
    tokens = [text for name, text in given if name == PARAMETER]
    if tokens and len(given) > 1:
        others = [name.partition(":")[0] for name, _ in given if name != PARAMETER]
        raise Refused(*(Issue("parameter-invalid", f"http.{name}", "stands alone in a link to a page") for name in others or [PARAMETER]))
    return tokens[0] if tokens else None


class Continued(Struct, frozen=True):
    """A search that goes on: its type, the pairs that were understood, the controls, and the position."""

    kind: str
    understood: tuple[tuple[str, str], ...]
    count: int
    order: Order
    position: Position
    summary: str
    elements: tuple[str, ...]
    include: tuple[str, ...]
    revinclude: tuple[str, ...]
    total: int | None = None


class Seal:
    """Seals and opens continued searches with the key of a ledger."""

    def __init__(self, database: Database) -> None:
        fresh = database.insert(SECRET).values(purpose=_PURPOSE, value=secrets.token_bytes(32)).on_conflict_do_nothing()
        with database.writing() as connection:
            connection.execute(fresh)
            self._key = OctKey.import_key(bytes(connection.scalar(select(SECRET.c.value).where(SECRET.c.purpose == _PURPOSE)) or b""))

    def close(self, continued: Struct) -> str:
        """The text of a link."""
        return jwe.encrypt_compact(_HEADER, msgspec.json.encode(continued), self._key)

    def opened(self, text: str, kind: type[Sealed]) -> Sealed:
        """What a link goes on with. Raises Refused for what was not sealed here, or is of another kind."""
        try:
            return msgspec.json.decode(jwe.decrypt_compact(text, self._key).plaintext or b"", type=kind)
        except (JoseError, ValueError, KeyError, TypeError):
            raise Refused(Issue("parameter-invalid", f"http.{PARAMETER}")) from None

    def open(self, text: str, kind: str) -> Continued:
        """The search of a link. Raises Refused for what was not sealed here, or of another type."""
        found = self.opened(text, Continued)
        if found.kind != kind:
            raise Refused(Issue("parameter-invalid", f"http.{PARAMETER}"))
        return found
