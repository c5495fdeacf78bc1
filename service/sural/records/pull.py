"""The pull: which patients changed, each one's data, the assessment, the sink; the mark moves last.

A run is the work between two marks. It is kept in the ledger with every patient that is due, so that a pull that dies, even without a
word, goes on where it was: the next one lists again (which adds nothing that is there), skips who is done, and the mark moves only when
nobody is left. A patient who cannot be fetched today is put off into a list of their own before the run forgets them.
"""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime

from msgspec import Struct

from sural.doors.assessor import Answered, answer
from sural.doors.request import Request
from sural.intake.documents import Checker
from sural.issues import Refused
from sural.records.bulk import BulkExport
from sural.records.criteria import Criterion
from sural.records.faults import Declined, NotAuthorised, NotThere, RecordsFault, Throttled, Unreadable
from sural.records.fetching import Fetched, Fetcher, leaving_out, no_evidence, patient_id
from sural.records.group import MOST, joined, keep, members
from sural.records.http import Connection
from sural.records.search import Searcher
from sural.records.side_files import deleted, errors
from sural.records.since import BACK_TO, KIND, PullLedger, asked_from
from sural.records.spool import Spool

BATCH = 200
PAGE = "500"
FURTHEST = timedelta(days=1)
"""How far a server's clock may be ahead of ours: a mark in the future would keep everybody from being due until then."""
FOREIGN = "subject is not a patient of this system"
REPLACED = "patient-replaced"
OUTCOMES = ("assessed", "nothing", "refused", "gone", "not-permitted", "put-off")
"""What can become of a patient: assessed; nothing to assess; refused by the core, such as one who died; no longer there; not to be seen;
put off until the next pull."""


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
        self._members: set[str] | None = None
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
        since = asked_from(ledger, self._source, order.since, order.overlap)
        if order.since and (mark := ledger.mark(self._source, KIND)) and since and since > mark:
            self.remark("since is later than the last pull: changes in between are not looked at")
        run = ledger.begin_run(self._source, await self._server_time())

        def settle(patient: str, outcome: str) -> None:
            if outcome == "put-off":
                ledger.put_off(again, [patient])
            elif patient in waiting:
                waiting.discard(patient)
                ledger.done(again, patient, outcome)
            ledger.done(run, patient, outcome)

        await self._joined(run, since)
        back_to = ""
        if order.bulk:
            whole, back_to = await self._work_on_export(run, since, settle)
        else:
            await self._list(run, since)
            whole = await self._work_on_run(run, self._fetcher.fetch, settle)
        if whole:
            ledger.set_mark(self._source, BACK_TO, back_to)
            ledger.finish_run(run)
        await self._work_on(
            sorted(waiting), self._fetcher.fetch, lambda patient, outcome: self._settle_again(again, patient, outcome)
        )
        waits = bool(ledger.open_work(again, 1))
        if not waits:
            ledger.finish_run(again)
        self.tally.complete = whole and not waits

    def _settle_again(self, again: int, patient: str, outcome: str) -> None:
        if outcome != "put-off":
            self._ledger.done(again, patient, outcome)

    def _leave(self, patient: str, outcome: str) -> None:
        """Patients that were asked for by name leave no trace in the ledger."""

    async def _server_time(self) -> str:
        """The server's own time, which its lastUpdated follows; ours when it does not tell."""
        try:
            headers = (await self._connection.request("GET", "metadata")).headers
        except (NotThere, NotAuthorised, Declined, Unreadable):
            headers = {}
        ours = datetime.fromtimestamp(self._connection.now(), UTC)
        try:
            now = parsedate_to_datetime(headers.get("date", "")).astimezone(UTC)
        except ValueError:
            now = ours
        if now > ours + FURTHEST:
            self.remark("the clock of the server is more than a day ahead of ours, which is taken")
            now = ours
        return now.isoformat(timespec="seconds").replace("+00:00", "Z")

    # who is due

    async def _list(self, run: int, since: str | None) -> None:
        """Put every patient with a change into the ledger, page by page."""
        members, some = self._members, False
        for criterion in self._criteria:
            if criterion.telling:
                with leaving_out(criterion, self.remark):
                    async for ids in self._changed(criterion, since):
                        some = some or bool(ids)
                        self._ledger.add_work(run, sorted(ids if members is None else ids & members))
        self._doubt(since, some, self.tally.remarks.get(FOREIGN, 0))
        if since is not None:
            async for ids in self._changed(Criterion("Patient"), since):
                self._ledger.add_work(run, sorted(ids if members is None else ids & members))

    def _doubt(self, since: str | None, some: bool, foreign: int) -> None:
        """Raises Unreadable when everything there is was asked for, and all of it is about patients of elsewhere: the record system has another
        address for itself than we have, and nobody would be due."""
        if since is None and foreign and not some:
            raise Unreadable("GET Observation", f"every {FOREIGN}: pull from the address that its references name")

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
                self.remark(FOREIGN)
            yield {id for id in found if id is not None}

    async def _joined(self, run: int, since: str | None) -> None:
        """Who joined the group since the last pull is due, changed or not: their findings are older than the mark."""
        if self._order.group is not None:
            try:
                found = self._members = await members(self._connection, self._order.group, self.remark)
            except (NotThere, NotAuthorised, Declined, Unreadable) as fault:
                if not self._order.bulk or fault.status == 401:
                    raise
                self.remark("the group cannot be read: who joined it may be missing")
                return
            if since is not None:
                self._ledger.add_work(run, sorted(joined(self._ledger, self._source, found)))
            keep(self._ledger, self._source, found)

    # the work

    async def _work_on_run(self, run: int, fetch: Fetch, settle: Callable[[str, str], None]) -> bool:
        """Everybody of a run, a batch at a time; whether nobody is left."""
        self.tally.due = self.tally.patients + len(self._ledger.open_work(run, MOST))
        while batch := self._ledger.open_work(run, BATCH):
            await self._work_on(batch, fetch, settle)
        return True

    async def _work_on_export(self, run: int, since: str | None, settle: Callable[[str, str], None]) -> tuple[bool, str]:
        """The same by an export, with the instant up to which it tells. A whole one is assessed as it is; after one of changes, or one with
        errors, each patient is fetched, and after one with errors the mark stays: somebody may be missing."""
        telling = frozenset(criterion.kind for criterion in self._criteria if criterion.telling) | (
            {"Patient"} if since else set()
        )
        kinds = ["Patient", *(criterion.kind for criterion in self._criteria)]
        exporter = BulkExport(self._connection, self._say)
        with Spool(self._connection.base, telling) as spool:
            async with exporter.run(kinds, since, self._order.group) as export:
                await exporter.each(export.output, export, spool.take)
                failed = await errors(exporter, export, self.remark)
                self._ledger.add_work(run, sorted(await deleted(exporter, export, self._connection.base, self.remark)))
            if since is None:
                await self._medications(spool)
            spool.settle()
            if spool.foreign:
                self.remark(FOREIGN, spool.foreign)
            self._doubt(since, next(spool.patients(), None) is not None, spool.foreign)
            for batch in _batches(spool.patients(), BATCH):
                self._ledger.add_work(run, batch)
            whole = since is None and not failed and not spool.unread
            await self._work_on_run(run, spool.fetch if whole else self._fetcher.fetch, settle)
            if spool.unread:
                self.remark("line of an export cannot be read", spool.unread)
        return not failed and not spool.unread, export.instant

    async def _medications(self, spool: Spool) -> None:
        """Read the medications that an export named and did not bring; what cannot be had is remarked and stays unknown."""
        for id in spool.missing():
            try:
                spool.take((await self._connection.request("GET", f"Medication/{id}")).content)
            except (NotThere, NotAuthorised, Declined, Unreadable):
                self.remark("medication of an export cannot be read")

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
            return await self._moved(patient, "gone", "gone")
        except RecordsFault as fault:
            return self._failed(fault)
        if not fetched.evidence:
            return await self._nothing(patient)
        try:
            answered = answer(fetched.bundle, self._order.request, self._checker)
        except Refused as refused:
            for issue in refused.issues:
                self.remark(f"refused: {issue.key}")
            key = next((issue.key for issue in refused.issues if issue.key == REPLACED), refused.issues[0].key)
            if key == REPLACED:
                return await self._moved(patient, key, "refused")
            await self._tell(patient, key)
            self._failed_in_a_row = 0
            return "refused"
        except Exception as fault:  # one patient that we fail on does not stop the others, and is not lost
            self.remark(f"internal failure: {type(fault).__name__}")
            return "put-off"
        try:
            await self._tell(patient, "")
            await self._sink(patient, answered)
        except RecordsFault as fault:
            return self._kept(fault)
        except (LookupError, TypeError, AttributeError) as fault:  # an answer to a write that is not what FHIR says it is
            return self._kept(Unreadable("write back", type(fault).__name__))
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
                return self._kept(fault)
        self._failed_in_a_row = 0
        return "nothing"

    async def _moved(self, patient: str, what: str, outcome: str) -> str:
        """A record that is no more, or was merged into another: what was said on findings that have moved with it is said no longer. Where the
        record system takes no more about the patient, it stays as it is."""
        await self._tell(patient, what)
        self._failed_in_a_row = 0
        if self._vanished is not None:
            try:
                await self._vanished(patient)
            except RecordsFault as fault:
                if fault.passing or (isinstance(fault, NotAuthorised) and fault.status != 403):
                    return self._kept(fault)
                self.remark(f"answers about a record that is no more: {fault}")
        return outcome

    def _kept(self, fault: RecordsFault) -> str:
        """What becomes of a patient whose data came and whose answer could not be handed over: it is not lost, also where it was not
        permitted. Raises the fault when there is no use in going on."""
        self._failed(fault)
        return "put-off"

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


def _batches(patients: Iterable[str], size: int) -> Iterable[list[str]]:
    batch: list[str] = []
    for patient in patients:
        batch.append(patient)
        if len(batch) == size:
            yield batch
            batch = []
    if batch:
        yield batch
