"""A fake EHR in the same process, connections to it, and a ledger in memory."""

import asyncio
from collections.abc import Awaitable, Callable, Iterable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import httpx
from joserfc.jwk import ECKey, RSAKey

from sural.doors.assessor import Answered
from sural.doors.request import Request, lexicon
from sural.records.addresses import Addresses
from sural.records.criteria import criteria
from sural.records.fake_ehr.app import FakeEhr
from sural.records.fake_ehr.faults import Faults
from sural.records.fake_ehr.population import START, fill
from sural.records.fake_ehr.store import Store
from sural.records.faults import RecordsFault
from sural.records.http import Authoriser, Connection, Manner
from sural.records.pull import Order, Pull, Tally
from sural.records.search import Searcher

ORIGIN = "https://ehr.skerrow.example"
BASE = f"{ORIGIN}/fhir"
AS_OF = date(2026, 3, 2)


class Clock:
    """A time that goes on by one second at each look."""

    def __init__(self) -> None:
        self.now = START + timedelta(days=1)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


class Waits(list[float]):
    """Waits no time, and remembers how long it should have been."""

    async def __call__(self, seconds: float) -> None:
        self.append(seconds)


class Tokens:
    """Gives out t1, t2 and so on, a new one only when the last was refused."""

    def __init__(self) -> None:
        self.given = 1

    async def token(self, refused: str | None = None) -> str:
        if refused == f"t{self.given}":
            self.given += 1
        return f"t{self.given}"


class MemoryLedger:
    """What the pull keeps, in memory, as `sural.ledger.store.Ledger` keeps it on disk."""

    def __init__(self) -> None:
        self.marks: dict[tuple[str, str], str] = {}
        self.runs: dict[int, tuple[str, str]] = {}
        self.work: dict[int, dict[str, str]] = {}
        self.finished: set[int] = set()

    def mark(self, source: str, kind: str) -> str | None:
        return self.marks.get((source, kind))

    def set_mark(self, source: str, kind: str, instant: str) -> None:
        self.marks[source, kind] = instant

    def put_off(self, run: int, patients: Iterable[str]) -> None:
        self.work[run] |= dict.fromkeys(patients, "")

    def begin_run(self, source: str, until: str) -> int:
        for run, (of, _) in self.runs.items():
            if of == source and run not in self.finished:
                return run
        self.runs[len(self.runs)] = (source, until)
        self.work[len(self.work)] = {}
        return len(self.runs) - 1

    def add_work(self, run: int, patients: Iterable[str]) -> None:
        for patient in patients:
            self.work[run].setdefault(patient, "")

    def open_work(self, run: int, limit: int) -> list[str]:
        return [patient for patient, outcome in sorted(self.work[run].items()) if not outcome][:limit]

    def done(self, run: int, patient: str, outcome: str) -> None:
        self.work[run][patient] = outcome

    def finish_run(self, run: int) -> None:
        source, until = self.runs[run]
        if until:
            self.marks[source, "changes"] = until
        self.finished.add(run)


def fake_ehr(patients: int = 12, clients: dict[str, Any] | None = None, **faults: Any) -> FakeEhr:
    """A fake EHR with some patients; faults as its switches call them."""
    clock = Clock()
    store = Store(clock)
    fill(store, patients)
    return FakeEhr(store, clients, Faults(**faults), Waits())


def connect(ehr: FakeEhr, authoriser: Authoriser | None = None, **how: Any) -> Connection:
    """A connection to a fake EHR that waits no time."""
    allowed = how.pop("addresses", Addresses(BASE))
    waits = how.pop("sleep", Waits())
    return Connection(
        allowed, authoriser, Manner(**how), transport=httpx.ASGITransport(ehr.app, raise_app_exceptions=False), sleep=waits
    )


def run(work: Awaitable[Any]) -> Any:
    """What some asynchronous work gives."""

    async def whole() -> Any:
        return await work

    return asyncio.run(whole())


def using(ehr: FakeEhr, use: Callable[[Connection], Awaitable[Any]], authoriser: Authoriser | None = None, **how: Any) -> Any:
    """What `use` gives over a connection to a fake EHR, or the fault it ends in."""

    async def work() -> Any:
        async with connect(ehr, authoriser, **how) as connection:
            try:
                return await use(connection)
            except RecordsFault as fault:
                return fault

    return run(work())


def order(**more: Any) -> Order:
    return Order(Request(AS_OF, output="summary"), **more)


class Pulled(dict[str, Answered]):
    """The answers of a pull by patient, and how often each came."""

    def __init__(self) -> None:
        super().__init__()
        self.times: dict[str, int] = {}

    async def __call__(self, patient: str, answered: Answered) -> None:
        self[patient] = answered
        self.times[patient] = self.times.get(patient, 0) + 1


def pull(
    ehr: FakeEhr,
    ledger: Any = None,
    sink: Any = None,
    asked: Order | None = None,
    by_post: bool | None = None,
    vanished: Any = None,
    **how: Any,
) -> Tally:
    """One pull from a fake EHR. Raises Stopped as the pull does."""

    async def work() -> Tally:
        async with connect(ehr, how.pop("authoriser", None), **how) as connection:
            tally = Tally()

            def remark(text: str) -> None:
                tally.remarks[text] = tally.remarks.get(text, 0) + 1

            searcher = Searcher(connection, remark, by_post)
            wanted = criteria(lexicon())
            one = Pull(
                connection,
                ledger or MemoryLedger(),
                wanted,
                searcher,
                asked or order(),
                Pulled() if sink is None else sink,
                vanished=vanished,
                tally=tally,
            )
            return await one.run()

    return run(work())


def instant(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


RSA, EC = RSAKey.generate_key(2048), ECKey.generate_key("P-384")
