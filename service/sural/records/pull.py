"""The pull: which patients changed, each one's data, the assessment, the sink; the mark moves last.

A run is the work between two marks. It is kept in the ledger with every patient that is due, so that a pull that dies, even without a
word, goes on where it was: the next one lists again (which adds nothing that is there), skips who is done, and the mark moves only when
nobody is left. A patient who cannot be fetched today is put off into a list of their own before the run forgets them.
"""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Protocol

import msgspec
from msgspec import Struct

from sural.doors.assessor import Answered, answer
from sural.doors.request import Request
from sural.intake.documents import Checker
from sural.issues import Refused
from sural.records.bulk import BulkExport, Export
from sural.records.criteria import Criterion
from sural.records.faults import NotAuthorised, NotThere, RecordsFault, Throttled, Unreadable
from sural.records.fetching import Fetched, Fetcher, leaving_out, no_evidence, patient_id
from sural.records.http import Connection
from sural.records.search import Searcher
from sural.records.spool import Spool

KIND = "changes"
BATCH = 200
PAGE = "500"
MOST_SHOWN = 1_000_000
OUTCOMES = ("assessed", "nothing", "refused", "gone", "not-permitted", "put-off")
"""What can become of a patient: assessed; nothing to assess; refused by the core, such as one who died; no longer there; not to be seen;
put off until the next pull."""


class PullLedger(Protocol):
    """What the pull keeps. See `sural.ledger.store.Ledger`."""

    def mark(self, source: str, kind: str) -> str | None: ...
    def begin_run(self, source: str, until: str) -> int: ...
    def add_work(self, run: int, patients: Iterable[str]) -> None: ...
    def open_work(self, run: int, limit: int) -> list[str]: ...
    def done(self, run: int, patient: str, outcome: str) -> None: ...
    def finish_run(self, run: int) -> None: ...


class Order(Struct, frozen=True):
    """What is to be pulled.

    `since` overrides the mark; `overlap` is how far before it changes are asked for, as clocks differ and changes become visible late.
    `patients` pulls these only and leaves the marks alone; `group` limits to its members. With `bulk` changes are found by an export.
    After `give_up_after` patients in a row that cannot be fetched the pull stops.
    """

    request: Request
    since: str | None = None
    overlap: timedelta = timedelta(minutes=5)
    patients: tuple[str, ...] = ()
    group: str | None = None
    bulk: bool = False
    give_up_after: int = 10
    workers: int = 8


class Tally(Struct):
    """What became of the patients so far, of how many that are due. `complete`: everything that was due is done, and the mark has moved."""

    counts: dict[str, int] = {}
    due: int = 0
    remarks: dict[str, int] = {}
    complete: bool = False

    @property
    def patients(self) -> int:
        return sum(self.counts.values())


class Stopped(Exception):
    """The pull stopped before its end, and goes on there the next time; `fault` says why."""

    def __init__(self, fault: RecordsFault) -> None:
        super().__init__(str(fault))
        self.fault = fault


Sink = Callable[[str, Answered], Awaitable[None]]
"""Takes the answer of a patient and returns when it is safe. It may get the same answer again after a kill."""
Vanished = Callable[[str], Awaitable[None]]
"""Is told of a patient with nothing to assess, of whom there may have been something before."""
Told = Callable[[str, str], Awaitable[None]]
"""Is told what was found of a patient's record as a whole: `gone`, the key of the issue that it is refused for, or nothing."""
Fetch = Callable[[str], Awaitable[Fetched]]


class Pull:
    """One pull from one record system."""

    def __init__(
        self,
        connection: Connection,
        ledger: PullLedger,
        criteria: Sequence[Criterion],
        searcher: Searcher,
        order: Order,
        sink: Sink,
        *,
        vanished: Vanished | None = None,
        told: Told | None = None,
        checker: Checker | None = None,
        tally: Tally | None = None,
        say: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._connection = connection
        self._ledger = ledger
        self._criteria = criteria
        self._searcher = searcher
        self._order = order
        self._sink = sink
        self._vanished = vanished
        self._told = told
        self._checker = checker
        self._say = say
        self._source = f"{connection.base}#{order.group}" if order.group else connection.base
        self._failed_in_a_row = 0
        self.tally = tally or Tally()
        self._fetcher = Fetcher(connection, searcher, criteria, self.remark)

    async def run(self) -> Tally:
        """Pull until nobody is due. Raises Stopped when the record system cannot be worked with now."""
        try:
            if self._order.patients:
                await self._work_on(self._order.patients, self._fetcher.fetch, self._leave)
                self.tally.complete = not self.tally.counts.get("put-off")
            else:
                await self._run()
        except RecordsFault as fault:
            raise Stopped(fault) from None
        return self.tally

    async def _run(self) -> None:
        ledger, order = self._ledger, self._order
        again = ledger.begin_run(f"{self._source}#again", "")
        waiting = set(ledger.open_work(again, BATCH * 50))
        since = order.since or ledger.mark(self._source, KIND)
        since = _earlier(since, order.overlap) if since else None
        run = ledger.begin_run(self._source, await self._server_time())

        def settle(patient: str, outcome: str) -> None:
            if outcome == "put-off":
                ledger.add_work(again, [patient])
            elif patient in waiting:
                waiting.discard(patient)
                ledger.done(again, patient, outcome)
            ledger.done(run, patient, outcome)

        if order.bulk:
            whole = await self._work_on_export(run, since, settle)
        else:
            await self._list(run, since)
            whole = await self._work_on_run(run, self._fetcher.fetch, settle)
        if whole:
            ledger.finish_run(run)
        await self._work_on(
            sorted(waiting), self._fetcher.fetch, lambda patient, outcome: self._settle_again(again, patient, outcome)
        )
        if not ledger.open_work(again, 1):
            ledger.finish_run(again)
        self.tally.complete = whole

    def _settle_again(self, again: int, patient: str, outcome: str) -> None:
        if outcome != "put-off":
            self._ledger.done(again, patient, outcome)

    def _leave(self, patient: str, outcome: str) -> None:
        """Patients that were asked for by name leave no trace in the ledger."""

    async def _server_time(self) -> str:
        """The server's own time, which its lastUpdated follows; ours when it does not tell."""
        try:
            headers = (await self._connection.request("GET", "metadata")).headers
        except (NotThere, NotAuthorised, Unreadable):
            headers = {}
        try:
            now = parsedate_to_datetime(headers.get("date", "")).astimezone(UTC)
        except ValueError:
            now = datetime.fromtimestamp(self._connection.now(), UTC)
        return now.isoformat(timespec="seconds").replace("+00:00", "Z")

    # who is due

    async def _list(self, run: int, since: str | None) -> None:
        """Put every patient with a change into the ledger, page by page."""
        members = await self._members()
        for criterion in self._criteria:
            if criterion.telling:
                with leaving_out(criterion, self.remark):
                    async for ids in self._changed(criterion, since):
                        self._ledger.add_work(run, sorted(ids if members is None else ids & members))
        if since is not None and members is None:
            async for ids in self._changed(Criterion("Patient"), since):
                self._ledger.add_work(run, sorted(ids))

    async def _changed(self, criterion: Criterion, since: str | None) -> AsyncIterator[set[str]]:
        elements = {"Patient": "identifier", "QuestionnaireResponse": "subject,identifier,questionnaire"}.get(
            criterion.kind, "subject,identifier"
        )
        asked = (("_elements", elements), ("_count", PAGE), *((("_lastUpdated", f"ge{since}"),) if since else ()))
        async for page in self._searcher.pages(criterion.kind, asked, criterion.codes):
            found = {
                patient_id(one.about, self._connection.base)
                for one, _ in page.resources
                if one.resourceType == criterion.kind and not no_evidence(one)
            }
            if None in found:
                self.remark("subject is not a patient of this system")
            yield {id for id in found if id is not None}

    async def _members(self) -> set[str] | None:
        """The patients of the group, when one was named."""
        if self._order.group is None:
            return None
        group = await self._connection.get(f"Group/{self._order.group}")
        references = [str(one.get("entity", {}).get("reference", "")) for one in group.get("member", ())]
        return {id for one in references if (id := patient_id(one, self._connection.base)) is not None}

    # the work

    async def _work_on_run(self, run: int, fetch: Fetch, settle: Callable[[str, str], None]) -> bool:
        """Everybody of a run, a batch at a time; whether nobody is left."""
        self.tally.due = self.tally.patients + len(self._ledger.open_work(run, MOST_SHOWN))
        while batch := self._ledger.open_work(run, BATCH):
            await self._work_on(batch, fetch, settle)
        return True

    async def _work_on_export(self, run: int, since: str | None, settle: Callable[[str, str], None]) -> bool:
        """The same by an export. A whole one is assessed as it is; after one of changes, or one with errors, each patient is fetched,
        and after one with errors the mark stays: somebody may be missing."""
        telling = frozenset(criterion.kind for criterion in self._criteria if criterion.telling) | (
            {"Patient"} if since else set()
        )
        kinds = ["Patient", *(criterion.kind for criterion in self._criteria)]
        exporter = BulkExport(self._connection, self._say)
        with Spool(self._connection.base, telling) as spool:
            async with exporter.run(kinds, since, self._order.group) as export:
                await exporter.each(export.output, export, spool.take)
                errors = await self._errors(exporter, export)
                await self._deleted(exporter, export)
            spool.settle()
            for batch in _batches(spool.patients(), BATCH):
                self._ledger.add_work(run, batch)
            whole = since is None and not errors and not spool.unread
            await self._work_on_run(run, spool.fetch if whole else self._fetcher.fetch, settle)
            if spool.unread:
                self.remark("line of an export cannot be read", spool.unread)
        return not errors and not spool.unread

    async def _errors(self, exporter: BulkExport, export: Export) -> int:
        """How many errors the error files tell of; their codes become remarks."""
        errors = 0

        def take(line: bytes) -> None:
            nonlocal errors
            try:
                issues = msgspec.json.decode(line, type=_Outcome).issue
            except (msgspec.MsgspecError, UnicodeDecodeError):
                issues = [_Issue("error", "unreadable")]
            for issue in issues:
                errors += issue.severity in ("error", "fatal")
                self.remark(f"export {issue.severity}: {issue.code}")

        await exporter.each(export.errors, export, take)
        return errors

    async def _deleted(self, exporter: BulkExport, export: Export) -> None:
        def take(line: bytes) -> None:
            self.remark("export names deleted resources: pull everything once with --since 1900-01-01T00:00:00Z")

        await exporter.each(export.deleted, export, take)

    async def _work_on(self, patients: Iterable[str], fetch: Fetch, settle: Callable[[str, str], None]) -> None:
        """Some patients, several at a time. Raises RecordsFault when the record system cannot be worked with."""
        waiting = iter(patients)

        async def work() -> None:
            for patient in waiting:
                outcome = await self._one(patient, fetch)
                settle(patient, outcome)
                self.tally.counts[outcome] = self.tally.counts.get(outcome, 0) + 1

        workers = [asyncio.create_task(work()) for _ in range(self._order.workers)]
        try:
            await asyncio.gather(*workers)
        finally:
            for worker in workers:
                worker.cancel()
            await asyncio.gather(*workers, return_exceptions=True)

    async def _one(self, patient: str, fetch: Fetch) -> str:
        """Fetch, assess and hand over one patient, and say what became of them."""
        try:
            fetched = await fetch(patient)
        except NotThere:
            await self._tell(patient, "gone")
            return "gone"
        except RecordsFault as fault:
            return self._failed(fault)
        if not fetched.evidence:
            return await self._nothing(patient)
        try:
            answered = answer(fetched.bundle, self._order.request, self._checker)
        except Refused as refused:
            for issue in refused.issues:
                self.remark(f"refused: {issue.key}")
            await self._tell(patient, refused.issues[0].key)
            return "refused"
        except Exception as fault:  # one patient that we fail on does not stop the others, and is not lost
            self.remark(f"internal failure: {type(fault).__name__}")
            return "put-off"
        try:
            await self._tell(patient, "")
            await self._sink(patient, answered)
        except RecordsFault as fault:
            return self._failed(fault)
        self._failed_in_a_row = 0
        return "assessed"

    async def _tell(self, patient: str, what: str) -> None:
        if self._told is not None:
            await self._told(patient, what)

    async def _nothing(self, patient: str) -> str:
        await self._tell(patient, "")
        if self._vanished is not None:
            try:
                await self._vanished(patient)
            except RecordsFault as fault:
                return self._failed(fault)
        return "nothing"

    def _failed(self, fault: RecordsFault) -> str:
        """What becomes of a patient after a fault. Raises it when there is no use in going on with the next one."""
        self.remark(str(fault))
        self._failed_in_a_row += 1
        if self._stop(fault):
            raise fault
        return "not-permitted" if isinstance(fault, NotAuthorised) else "put-off"

    def _stop(self, fault: RecordsFault) -> bool:
        """Whether there is no use in going on with the next patient."""
        rejected = isinstance(fault, NotAuthorised) and fault.status != 403
        return rejected or isinstance(fault, Throttled) or self._failed_in_a_row >= self._order.give_up_after

    def remark(self, text: str, times: int = 1) -> None:
        """Count something worth saying. It holds no value and no id."""
        self.tally.remarks[text] = self.tally.remarks.get(text, 0) + times


class _Issue(Struct):
    severity: str = "error"
    code: str = ""


class _Outcome(Struct):
    issue: list[_Issue] = []


def _earlier(instant: str, overlap: timedelta) -> str:
    """An instant some time before. Raises ValueError for what is none."""
    moment = datetime.fromisoformat(instant)
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return (moment.astimezone(UTC) - overlap).isoformat(timespec="seconds").replace("+00:00", "Z")


def _batches(patients: Iterable[str], size: int) -> Iterable[list[str]]:
    batch: list[str] = []
    for patient in patients:
        batch.append(patient)
        if len(batch) == size:
            yield batch
            batch = []
    if batch:
        yield batch
