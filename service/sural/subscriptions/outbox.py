"""The outbox: which events each subscription has, which may be sent now, and what became of them.

Events are read off the feed of changes; how far that was done is kept with the events in one transaction, so that none is lost or numbered
twice, whoever is killed when. An event that is being sent, or waits to be sent again, holds back all later ones of the same patient, and
those only: the order of each patient's events is kept, and one that is not taken stops nobody else's. What is claimed is held for as long as
the endpoint may take and a little longer; a process that dies meanwhile leaves it to the next, so an event may come twice, but never not at all.
"""

import time
from collections.abc import Callable, Sequence
from itertools import takewhile
from typing import Any
from uuid import uuid4

from msgspec import Struct
from sqlalchemy import ColumnElement, Connection, Select, Update, and_, delete, exists, or_, select, update
from tenacity import RetryCallState, Retrying, wait_exponential_jitter

from sural.issues import Refused
from sural.ledger.meeting import Found
from sural.ledger.resources import COLUMNS, Resources, Stored, stored
from sural.ledger.tables import CHANGE, NOTIFICATION, RESOURCE, SUBSCRIPTION
from sural.subscriptions.channel import MOST_EVENTS, Channel
from sural.subscriptions.store import Subscribed

COLLECTING = ("requested", "active", "error")
MARGIN = 5_000
"""Milliseconds for which a claim outlives the time that the endpoint has."""
KEPT = 30 * 24 * 3600 * 1000
"""Milliseconds for which delivered events can be asked for again."""
_OPEN = NOTIFICATION.c.delivered.is_(None)


class Patience(Struct, frozen=True, forbid_unknown_fields=True):
    """How failures are borne: waits in seconds grow from the first to the longest, with jitter; after so many in a row the status is `error`."""

    first_wait: float = 1.0
    longest_wait: float = 3600.0
    failures: int = 24


class Event(Struct, frozen=True):
    """One event of a subscription: its number, and the version that the resource had then."""

    number: int
    stored: Stored


class Claim(Struct, frozen=True):
    """Events that one process may send now, in order; none of them for a handshake or a heartbeat. `subscribed` is as it stood when claimed."""

    what: str
    subscribed: Subscribed
    channel: Channel
    holder: str
    events: tuple[Event, ...] = ()
    attempts: int = 0

    @property
    def numbers(self) -> list[int]:
        return [event.number for event in self.events]


class Outbox:
    """The outbox in a ledger. Instants come from `clock`, seconds since 1970."""

    def __init__(self, resources: Resources, patience: Patience | None = None, clock: Callable[[], float] = time.time) -> None:
        self._resources = resources
        self._database = resources.database
        self._patience = patience or Patience()
        self._clock = clock
        strategy = wait_exponential_jitter(multiplier=self._patience.first_wait, max=self._patience.longest_wait, jitter=self._patience.first_wait)
        self._strategy = strategy
        self._retrying = Retrying(wait=strategy)

    def now(self) -> int:
        """Milliseconds since 1970."""
        return int(self._clock() * 1000)

    # events

    def collect(self, most: int = 500) -> int:
        """Read on in the feed for every subscription that is behind; how many changes were looked at."""
        with self._database.reading() as connection:
            behind = [Subscribed(**row._mapping) for row in connection.execute(select(SUBSCRIPTION).where(SUBSCRIPTION.c.status.in_(COLLECTING)))]
        if not behind:
            return 0
        changes = self._resources.changes(min(one.since for one in behind), most)
        if not changes:
            return 0
        found, last = [Found(one) for one in changes], changes[-1].sequence
        for one in behind:
            if one.since < last:
                self._collected(one, found, last)
        return len(changes)

    def _collected(self, one: Subscribed, changes: Sequence[Found], last: int) -> None:
        try:
            asked = one.channel(self.now())
        except Refused as refused:
            self._fail(one, f"not offered any more: {', '.join(sorted({issue.key for issue in refused.issues}))}")
            return
        met = [
            change.stored
            for change in changes
            if change.stored.sequence > one.since and change.stored.type == asked.kind and all(change.meets(search) for search in asked.searches)
        ]
        moved = update(SUBSCRIPTION).where(SUBSCRIPTION.c.id == one.id, SUBSCRIPTION.c.since == one.since, SUBSCRIPTION.c.status.in_(COLLECTING))
        with self._database.writing() as connection:
            if connection.execute(moved.values(since=last, events=SUBSCRIPTION.c.events + len(met))).rowcount and met:
                first = int(connection.scalar(select(SUBSCRIPTION.c.events).where(SUBSCRIPTION.c.id == one.id)) or 0) - len(met) + 1
                rows = [
                    {"subscription": one.id, "number": number, "change": change.sequence, "about": change.subject or change.reference,
                     "attempts": 0, "free_from": 0, "holder": "", "delivered": None}
                    for number, change in enumerate(met, first)
                ]  # fmt: skip
                connection.execute(NOTIFICATION.insert(), rows)

    def events(self, id: str, first: int, last: int, most: int = MOST_EVENTS) -> list[Event]:
        """Events by their numbers, delivered or not, as far as they are kept."""
        mine = and_(NOTIFICATION.c.subscription == id, NOTIFICATION.c.number.between(first, last))
        with self._database.reading() as connection:
            return _events(connection, mine, most)

    def waiting(self, id: str) -> bool:
        """Whether anything of a subscription is not delivered."""
        with self._database.reading() as connection:
            return connection.execute(select(NOTIFICATION.c.number).where(NOTIFICATION.c.subscription == id, _OPEN).limit(1)).first() is not None

    # what may be sent now

    def due(self) -> list[str]:
        """Subscriptions for which there may be something to send. Those whose end has come are turned off first."""
        now = self.now()
        ended = and_(SUBSCRIPTION.c.ends > 0, SUBSCRIPTION.c.ends <= now, SUBSCRIPTION.c.status != "off")
        ready = exists().where(NOTIFICATION.c.subscription == SUBSCRIPTION.c.id, _OPEN, NOTIFICATION.c.free_from <= now)
        wanted = or_(
            and_(SUBSCRIPTION.c.status == "requested", SUBSCRIPTION.c.free_from <= now),
            and_(SUBSCRIPTION.c.status == "active", SUBSCRIPTION.c.free_from <= now, ready),
            _beats(now),
        )
        with self._database.reading() as connection:
            over = list(connection.scalars(select(SUBSCRIPTION.c.id).where(ended)))
            found = list(connection.scalars(select(SUBSCRIPTION.c.id).where(wanted, ~ended).order_by(SUBSCRIPTION.c.id)))
        if over:
            with self._database.writing() as connection:
                connection.execute(update(SUBSCRIPTION).where(ended).values(status="off", fault="", version=SUBSCRIPTION.c.version + 1, instant=now))
        return found

    def claim(self, id: str) -> Claim | None:
        """What may be sent next for a subscription, held from now on; None when that is nothing."""
        with self._database.reading() as connection:
            if self._claimable(connection, id) is None:
                return None
        with self._database.writing() as connection:
            claim = self._claimable(connection, id)
            if claim is not None:
                now = self.now()
                until = now + claim.channel.timeout * 1000 + MARGIN
                mine = SUBSCRIPTION.c.id == id
                if claim.what == "handshake":
                    connection.execute(update(SUBSCRIPTION).where(mine).values(free_from=until))
                elif claim.what == "heartbeat":
                    connection.execute(update(SUBSCRIPTION).where(mine).values(beat_from=max(now + claim.subscribed.heartbeat * 1000, until)))
                else:
                    connection.execute(_of(claim).values(free_from=until, holder=claim.holder))
        return claim

    def _claimable(self, connection: Connection, id: str) -> Claim | None:
        now = self.now()
        row = connection.execute(select(SUBSCRIPTION).where(SUBSCRIPTION.c.id == id)).first()
        if row is None:
            return None
        one = Subscribed(**row._mapping)
        try:
            asked = one.channel(now)
        except Refused:
            return None
        if one.ends and one.ends <= now:
            return None
        if one.status == "requested" and one.free_from <= now:
            return Claim("handshake", one, asked, uuid4().hex)
        if one.status == "active" and one.free_from <= now and not (one.failures and _under_way(connection, id, now)):
            events, attempts = _sendable(connection, id, now, asked.most)
            if events:
                return Claim("event-notification", one, asked, uuid4().hex, events, attempts)
        beats = one.heartbeat and one.beat_from <= now and (one.status == "error" or (one.status == "active" and one.free_from <= now))
        return Claim("heartbeat", one, asked, uuid4().hex) if beats else None

    # what became of it

    def delivered(self, claim: Claim) -> None:
        """The endpoint took it."""
        now = self.now()
        mine = SUBSCRIPTION.c.id == claim.subscribed.id
        beat = {"beat_from": now + claim.subscribed.heartbeat * 1000} if claim.subscribed.heartbeat else {}
        with self._database.writing() as connection:
            if claim.what == "handshake":
                as_it_was = and_(mine, SUBSCRIPTION.c.status == "requested", SUBSCRIPTION.c.version == claim.subscribed.version)
                connection.execute(
                    update(SUBSCRIPTION).where(as_it_was).values(
                        status="active", fault="", free_from=0, failures=0, version=SUBSCRIPTION.c.version + 1, instant=now, **beat
                    )
                )  # fmt: skip
                return
            if claim.events:
                connection.execute(_of(claim).values(delivered=now, holder=""))
            if beat:
                connection.execute(update(SUBSCRIPTION).where(mine).values(**beat))
            again = SUBSCRIPTION.c.fault != "" if claim.attempts else SUBSCRIPTION.c.failures > 0
            connection.execute(update(SUBSCRIPTION).where(mine, again, SUBSCRIPTION.c.status == "active").values(failures=0, free_from=0, fault=""))

    def refused(self, claim: Claim, fault: str) -> None:
        """The endpoint is there and does not want these events as they are: they are sent again later, one by one, and hold back no other patient."""
        attempts = claim.attempts + 1
        wait = self._wait(attempts)
        with self._database.writing() as connection:
            held = _of(claim).where(NOTIFICATION.c.holder == claim.holder)
            connection.execute(held.values(attempts=attempts, free_from=self.now() + wait, holder=""))
            connection.execute(update(SUBSCRIPTION).where(SUBSCRIPTION.c.id == claim.subscribed.id, SUBSCRIPTION.c.status == "active").values(fault=fault))
        if attempts >= self._patience.failures:
            self._fail(claim.subscribed, fault)

    def failed(self, claim: Claim, fault: str, retry_after: float | None = None) -> None:
        """The endpoint did not answer, or cannot take anything now: nothing is sent to it for a while. A handshake that fails is an error at once."""
        one = claim.subscribed
        if claim.what == "handshake":
            self._fail(one, fault)
            return
        wait = self._wait(one.failures + 1)
        if retry_after is not None:
            wait = min(max(wait, int(retry_after * 1000)), int(self._patience.longest_wait * 1000))
        counted = and_(SUBSCRIPTION.c.id == one.id, SUBSCRIPTION.c.status == "active", SUBSCRIPTION.c.failures == one.failures)
        with self._database.writing() as connection:
            if claim.events:
                connection.execute(_of(claim).where(NOTIFICATION.c.holder == claim.holder).values(free_from=0, holder=""))
            connection.execute(update(SUBSCRIPTION).where(counted).values(failures=one.failures + 1, free_from=self.now() + wait, fault=fault))
        if one.failures + 1 >= self._patience.failures:
            self._fail(one, fault)

    def released(self, claim: Claim) -> None:
        """It was not sent after all, or nobody knows: whoever comes next may send it."""
        with self._database.writing() as connection:
            if claim.what == "handshake":
                connection.execute(update(SUBSCRIPTION).where(SUBSCRIPTION.c.id == claim.subscribed.id, SUBSCRIPTION.c.status == "requested").values(free_from=0))
            elif claim.events:
                connection.execute(_of(claim).where(NOTIFICATION.c.holder == claim.holder).values(free_from=0, holder=""))

    def forget(self) -> int:
        """Let go of events that were delivered long ago; how many."""
        with self._database.writing() as connection:
            return int(connection.execute(delete(NOTIFICATION).where(NOTIFICATION.c.delivered < self.now() - KEPT)).rowcount)

    def _fail(self, one: Subscribed, fault: str) -> None:
        values = {"status": "error", "fault": fault, "version": SUBSCRIPTION.c.version + 1, "instant": self.now()}
        here = and_(SUBSCRIPTION.c.id == one.id, SUBSCRIPTION.c.status == one.status, SUBSCRIPTION.c.version == one.version)
        with self._database.writing() as connection:
            connection.execute(update(SUBSCRIPTION).where(here).values(values))

    def _wait(self, attempt: int) -> int:
        """Milliseconds until the next try after so many."""
        state = RetryCallState(self._retrying, None, (), {})
        state.attempt_number = attempt
        return int(self._strategy(state) * 1000)


def _beats(now: int) -> ColumnElement[bool]:
    at_work = or_(SUBSCRIPTION.c.status == "error", and_(SUBSCRIPTION.c.status == "active", SUBSCRIPTION.c.free_from <= now))
    return and_(SUBSCRIPTION.c.heartbeat > 0, SUBSCRIPTION.c.beat_from <= now, at_work)


def _under_way(connection: Connection, id: str, now: int) -> bool:
    """Whether a notification is being sent: an endpoint that failed last is tried with one."""
    held = and_(NOTIFICATION.c.subscription == id, _OPEN, NOTIFICATION.c.holder != "", NOTIFICATION.c.free_from > now)
    return connection.execute(select(NOTIFICATION.c.number).where(held).limit(1)).first() is not None


def _sendable(connection: Connection, id: str, now: int, most: int) -> tuple[tuple[Event, ...], int]:
    """The first events of patients none of whose events is held, and how often the first was tried; what was refused goes alone."""
    held = select(NOTIFICATION.c.about).where(NOTIFICATION.c.subscription == id, _OPEN, NOTIFICATION.c.free_from > now)
    wanted = (
        select(NOTIFICATION.c.number, NOTIFICATION.c.attempts)
        .where(NOTIFICATION.c.subscription == id, _OPEN, NOTIFICATION.c.about.not_in(held))
        .order_by(NOTIFICATION.c.number)
        .limit(most)
    )
    rows = connection.execute(wanted).all()
    if not rows:
        return (), 0
    fresh = list(takewhile(lambda row: not row.attempts, rows))
    chosen = [row.number for row in fresh or rows[:1]]
    return tuple(_events(connection, and_(NOTIFICATION.c.subscription == id, NOTIFICATION.c.number.in_(chosen)), most)), rows[0].attempts


def _events(connection: Connection, which: ColumnElement[bool], most: int) -> list[Event]:
    wanted: Select[Any] = (
        select(NOTIFICATION.c.number, *COLUMNS)
        .join_from(NOTIFICATION, CHANGE, CHANGE.c.sequence == NOTIFICATION.c.change)
        .join(RESOURCE, RESOURCE.c.key == CHANGE.c.resource)
        .where(which)
        .order_by(NOTIFICATION.c.number)
        .limit(most)
    )
    return [Event(row[0], stored(row[1:])) for row in connection.execute(wanted)]


def _of(claim: Claim) -> Update:
    return update(NOTIFICATION).where(NOTIFICATION.c.subscription == claim.subscribed.id, NOTIFICATION.c.number.in_(claim.numbers), _OPEN)
