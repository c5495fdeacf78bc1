"""Which tokens of CDS clients were used, in the ledger: what one worker took no other takes, nor the same one after a restart.

Source: CDS Hooks 2, "Trusting CDS Clients" (`jti`: to protect against replay). The unique key of the table decides, whoever asks at the same
moment. A token is kept as a digest of its issuer and id: of any length, and telling nothing.
"""

import time
from collections.abc import Callable
from hashlib import sha256

from sqlalchemy import delete

from sural.ledger.database import Database
from sural.ledger.tables import USED_TOKEN

_REST = 60
"""Seconds between two removals of what has expired, by one process."""


class UsedTokens:
    """The used tokens of a ledger. Times are in seconds since 1970."""

    def __init__(self, database: Database, clock: Callable[[], float] = time.time) -> None:
        self._database = database
        self._clock = clock
        self._remove_from = 0.0

    def use(self, issuer: str, id: str, expires: float) -> bool:
        """Whether this id is new; it is not any more afterwards, until it expires. Raises Unavailable."""
        now = self._clock()
        if now >= self._remove_from:
            self._remove_from = now + _REST
            with self._database.noting() as connection:
                connection.execute(delete(USED_TOKEN).where(USED_TOKEN.c.until <= int(now)))
        values = {"digest": sha256(f"{len(issuer)} {issuer} {id}".encode()).digest(), "until": int(expires) + 1}
        fresh = self._database.insert(USED_TOKEN).values(values)
        expired = USED_TOKEN.c.until <= int(now)
        with self._database.noting() as connection:
            taken = fresh.on_conflict_do_update(index_elements=["digest"], set_={"until": values["until"]}, where=expired)
            return connection.execute(taken.returning(USED_TOKEN.c.until)).first() is not None
