"""Subscriptions in the ledger: as they were asked for, with the status that they have here.

Status: `requested` until a handshake was answered, then `active`; `error` once the endpoint has failed too often, until whoever asked sets it
`requested` or `active` again; `off` when they set it so, or its end has come. The events of a subscription are collected from its creation on,
also while it is in error, and not while it is off.
"""

import time
import zlib
from collections.abc import Callable
from typing import Any

from msgspec import Struct
from sqlalchemy import Connection, delete, func, select, update

from sural.issues import Issue, Refused
from sural.ledger.content import read, written
from sural.ledger.resources import Resources, new_id, said
from sural.ledger.tables import CHANGE, NOTIFICATION, SUBSCRIPTION
from sural.subscriptions.channel import Channel, channel, completed

Json = dict[str, Any]
_MANAGED = ("versionId", "lastUpdated")


class Subscribed(Struct, frozen=True):
    """One subscription. Times are in milliseconds since 1970; `fault` is what went wrong last, `events` how many there were since it began,
    `failures` how often in a row its endpoint failed."""

    id: str
    version: int
    instant: int
    status: str
    fault: str
    owner: str
    base: str
    content: bytes
    ends: int
    since: int
    events: int
    failures: int
    free_from: int
    heartbeat: int
    beat_from: int

    @property
    def asked(self) -> Json:
        """What was asked for."""
        found: Json = read(zlib.decompress(self.content))
        return found

    @property
    def resource(self) -> Json:
        """The Subscription as it stands."""
        rest = {name: value for name, value in self.asked.items() if name not in ("resourceType", "id", "meta", "status", "error")}
        meta = {name: value for name, value in self.asked.get("meta", {}).items() if name not in _MANAGED}
        own = {"versionId": str(self.version), "lastUpdated": said(self.instant)}
        fault = {"error": self.fault} if self.status == "error" else {}
        return {"resourceType": "Subscription", "id": self.id, "meta": {**own, **meta}, "status": self.status, **fault, **rest}

    def channel(self, now: int) -> Channel:
        """What it asks for. Raises Refused when that is not offered any more."""
        return channel(self.asked, self.base, now)


class Subscriptions:
    """The subscriptions in a ledger. Instants come from `clock`, seconds since 1970. An owner is whoever may see and change a subscription."""

    def __init__(self, resources: Resources, clock: Callable[[], float] = time.time) -> None:
        self.database = resources.database
        self._clock = clock

    def now(self) -> int:
        """Milliseconds since 1970."""
        return int(self._clock() * 1000)

    def create(self, resource: Json, found: Channel, owner: str, base: str) -> Subscribed:
        """A new one, which begins with the next change. Raises Refused for a status that cannot be asked for."""
        if resource["status"] not in ("requested", "active"):
            raise Refused(Issue("subscription-status", "Subscription.status"))
        now = self.now()
        with self.database.writing() as connection:
            row: Json = {
                "id": new_id(), "version": 1, "instant": now, "status": "requested", "fault": "", "owner": owner, "base": base,
                "content": _kept(resource, found), "ends": found.ends, "since": _last(connection), "events": 0, "failures": 0,
                "free_from": 0, "heartbeat": found.heartbeat, "beat_from": now + found.heartbeat * 1000,
            }  # fmt: skip
            connection.execute(SUBSCRIPTION.insert().values(row))
        return Subscribed(**row)

    def update(self, id: str, resource: Json, found: Channel, owner: str, base: str, if_match: str = "") -> Subscribed:
        """What is asked for from now on. Setting it `requested` begins with a handshake; `active` takes a channel up again as it is. What was not
        delivered is tried at once. Raises Refused."""
        wanted = resource["status"]
        with self.database.writing() as connection:
            there = _read(connection, id, owner)
            if there is None:
                raise Refused(Issue("id-not-assigned"))
            if if_match and if_match != str(there.version):
                raise Refused(Issue("version-conflict"))
            if wanted == "error" and there.status != "error":
                raise Refused(Issue("subscription-status", "Subscription.status"))
            same = there.asked["channel"].get("endpoint") == found.endpoint and there.asked["channel"].get("header") == resource["channel"].get("header")
            status = "requested" if wanted == "active" and not (same and there.status in ("active", "error")) else wanted
            now = self.now()
            row: Json = {
                "version": there.version + 1, "instant": now, "status": status, "base": base, "content": _kept(resource, found),
                "ends": found.ends, "heartbeat": found.heartbeat, "beat_from": now + found.heartbeat * 1000,
                "fault": there.fault if status == "error" else "",
            }  # fmt: skip
            if there.status == "off" and status != "off":
                row["since"] = _last(connection)
            if status in ("requested", "active"):
                row |= {"failures": 0, "free_from": 0}
                waiting = (NOTIFICATION.c.subscription == id) & NOTIFICATION.c.delivered.is_(None) & (NOTIFICATION.c.holder == "")
                connection.execute(update(NOTIFICATION).where(waiting).values(attempts=0, free_from=0))
            connection.execute(update(SUBSCRIPTION).where(SUBSCRIPTION.c.id == id).values(row))
            changed = _read(connection, id, owner)
        assert changed is not None
        return changed

    def read(self, id: str, owner: str | None) -> Subscribed | None:
        """A subscription of an owner's; of anybody's when that is None."""
        with self.database.reading() as connection:
            return _read(connection, id, owner)

    def of(self, owner: str) -> list[Subscribed]:
        """All of an owner's, in the order of their ids."""
        with self.database.reading() as connection:
            rows = connection.execute(select(SUBSCRIPTION).where(SUBSCRIPTION.c.owner == owner).order_by(SUBSCRIPTION.c.id))
            return [Subscribed(**row._mapping) for row in rows]

    def delete(self, id: str, owner: str) -> bool:
        """Forget a subscription and everything that was not delivered; whether there was one."""
        with self.database.writing() as connection:
            if _read(connection, id, owner) is None:
                return False
            connection.execute(delete(NOTIFICATION).where(NOTIFICATION.c.subscription == id))
            connection.execute(delete(SUBSCRIPTION).where(SUBSCRIPTION.c.id == id))
        return True


def _kept(resource: Json, found: Channel) -> bytes:
    return zlib.compress(written(completed(resource, found)), 1)


def _read(connection: Connection, id: str, owner: str | None) -> Subscribed | None:
    mine = SUBSCRIPTION.c.id == id
    row = connection.execute(select(SUBSCRIPTION).where(mine if owner is None else mine & (SUBSCRIPTION.c.owner == owner))).first()
    return Subscribed(**row._mapping) if row is not None else None


def _last(connection: Connection) -> int:
    return int(connection.scalar(select(func.max(CHANGE.c.sequence))) or 0)
