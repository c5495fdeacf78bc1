"""`sural pull`: from a record system's FHIR endpoint; one summary per patient on standard output, progress on standard error."""

import asyncio
import json
import time
from argparse import Namespace
from collections.abc import Callable
from contextlib import AsyncExitStack

import msgspec

from sural.answer.accounts import outcome
from sural.cli.assess import request_of
from sural.cli.authorising import authorised, check_authorisation, keys
from sural.cli.reading import refuse, say, write
from sural.doors.assessor import Answered, documents, encode, structural_check, transactions
from sural.exam.moment import before, moment
from sural.issues import Issue, Refused
from sural.ledger.database import Unavailable
from sural.ledger.store import Ledger
from sural.records.addresses import Addresses
from sural.records.criteria import criteria
from sural.records.faults import RecordsFault, Throttled
from sural.records.fetching import offered
from sural.records.following import Follower
from sural.records.http import Authoriser, Connection, Manner
from sural.records.keeper import Keeper
from sural.records.keys import KeyUnusable, jwks
from sural.records.pull import OUTCOMES, Order, Pull, Sink, Stopped, Tally
from sural.records.search import Searcher
from sural.records.smart import BackendService
from sural.records.write_back import WRITTEN_TYPES, Writer, Written

LONGEST_PAUSE = 86_400.0
"""Seconds that a server may ask for between two pulls: more than a day is taken for a mistake, as nobody would be pulled meanwhile."""
STEP = 5.0
"""Seconds between two lines of progress."""


def run(options: Namespace) -> int:
    """Pull once, or again and again with `--every`."""
    try:
        if options.show_jwks:
            write(json.dumps(jwks(keys(options)), indent=1).encode())
            return 0
        order = _order(options)
        ledger = Ledger("sqlite://" if options.dry_run else options.database)
    except Refused as refused:
        return refuse(refused.issues)
    except Unavailable as fault:
        return _away(fault)
    except ValueError as wrong:
        say(f"sural pull: {wrong}")
        write(encode(outcome([Issue("parameter-invalid", diagnostics=str(wrong)[:300])])))
        return 2
    try:
        return asyncio.run(_rounds(options, order, ledger))
    except Unavailable as fault:
        return _away(fault)


def _away(fault: Unavailable) -> int:
    say(f"sural pull: {fault}")
    return 1


def _order(options: Namespace) -> Order:
    """What is asked for. Raises Refused or ValueError for what cannot be."""
    if not options.base:
        raise ValueError("needs --from, the address of the FHIR endpoint")
    check_authorisation(options)
    Addresses(options.base, options.allow_host, options.trust_host)
    if options.patient and (options.group or options.bulk or options.every):
        raise ValueError("--patient goes with none of --group, --bulk, --every")
    if options.since and (start := moment(options.since)) and start.start > time.time() + 86_400:
        raise ValueError("--since lies in the future")
    request = request_of(options, "summary")
    request.options()
    request.lexicon()
    return Order(
        request=request,
        since=options.since,
        overlap=options.overlap,
        patients=tuple(options.patient),
        group=options.group,
        bulk=options.bulk,
        workers=options.concurrency,
    )


async def _rounds(options: Namespace, order: Order, ledger: Ledger) -> int:
    """One pull, or one every so often; one that stopped is taken up by the next, not before the server wants it."""
    while True:
        began = time.monotonic()
        pause = 0.0
        try:
            tally = await _pull(options, order, ledger)
            status = 0 if tally.complete else 1
            order = msgspec.structs.replace(order, since=None)
        except Stopped as stopped:
            say(f"sural pull: stopped: {stopped}; the next pull goes on there")
            pause = min(stopped.fault.retry_after or 0.0, LONGEST_PAUSE) if isinstance(stopped.fault, Throttled) else 0.0
            status = 1
        except KeyUnusable as fault:  # a key that is being replaced
            if options.every is None:
                raise
            say(f"sural pull: stopped: {fault}")
            status = 1
        if options.every is None:
            ledger.engine.dispose()
            return status
        await asyncio.sleep(max(pause, options.every.total_seconds() - (time.monotonic() - began)))
        order = msgspec.structs.replace(order, request=request_of(options, "summary"))


async def _pull(options: Namespace, order: Order, ledger: Ledger) -> Tally:
    addresses = Addresses(options.base, options.allow_host, options.trust_host)
    manner = Manner(concurrency=options.concurrency)
    tally = Tally()
    async with AsyncExitStack() as stack:
        following = options.store and options.write_back and not options.dry_run and not order.patients
        written = WRITTEN_TYPES if options.write_back else ()
        followed = (*(("Task",) if following else ()), *(("Group",) if order.group else ()))
        authoriser = await authorised(options, addresses, manner, stack, written, followed)
        connection = await stack.enter_async_context(Connection(addresses, authoriser, manner))

        def remark(text: str) -> None:
            tally.remarks[text] = tally.remarks.get(text, 0) + 1

        progress = asyncio.create_task(_progress(tally))
        stack.callback(progress.cancel)
        try:
            wanted = await offered(connection, criteria(order.request.lexicon(), options.every_observation), remark)
        except RecordsFault as fault:
            raise Stopped(fault) from None
        checker = structural_check() if options.check == "structure" else None
        searcher = Searcher(connection, remark, {"auto": None, "post": True, "get": False}[options.search])
        writing = _Writing(Writer(connection, ledger, searcher), options.dry_run, remark) if options.write_back else None
        sink: Sink = writing.answered if writing else _print
        vanished = writing.vanished if writing else None
        told = None
        if options.store and not options.dry_run:
            keeper = Keeper(connection, ledger, remark, sink, vanished)
            sink, vanished, told = keeper.answered, keeper.vanished, keeper.told
        pull = Pull(
            connection, ledger, wanted, searcher, order, sink, vanished=vanished, told=told, checker=checker, tally=tally, say=say
        )
        finished = False
        try:
            done = await pull.run()
            finished = True
            if following:
                try:
                    await Follower(connection, ledger, searcher, remark).follow()
                except RecordsFault as fault:
                    raise Stopped(fault) from None
            return done
        finally:
            _say_tally(tally, connection, authoriser, finished)


async def _print(patient: str, answered: Answered) -> None:
    """One line per patient."""
    for document in documents(answered):
        write(encode(document))


class _Writing:
    """Writes each answer back, then prints it; with a dry run says what would be written."""

    def __init__(self, writer: Writer, dry_run: bool, remark: Callable[[str], None]) -> None:
        self._writer = writer
        self._dry_run = dry_run
        self._remark = remark

    async def answered(self, patient: str, answered: Answered) -> None:
        oldest = before(answered.request.as_of, answered.request.lookback)
        for answer in transactions(answered):
            self._say(await self._writer.write(answer, self._dry_run, oldest))
        await _print(patient, answered)

    async def vanished(self, patient: str) -> None:
        self._say(await self._writer.vanished(f"Patient/{patient}", self._dry_run))

    def _say(self, written: Written) -> None:
        for step in written.steps:
            if self._dry_run:
                say(step.said)
            self._remark(f"{'would be' if self._dry_run else 'written'}: {step.why}")
        for text in written.left:
            self._remark(f"left alone: {text}")


async def _progress(tally: Tally) -> None:
    """Says from time to time how far the pull is."""
    began, before = time.monotonic(), 0
    while True:
        await asyncio.sleep(STEP)
        done = tally.patients
        rate = done / (time.monotonic() - began)
        left = (
            f"{tally.due - done} to go, {(tally.due - done) / rate:.0f} s" if rate and tally.due > done else "finding who is due"
        )
        if done != before or not done:
            say(f"{done} patients, {rate:.1f} a second, {left}")
        before = done


def _say_tally(tally: Tally, connection: Connection, authoriser: Authoriser | None, finished: bool) -> None:
    """What became of the patients, what the record system remarked, and what it did not grant."""
    if isinstance(authoriser, BackendService) and authoriser.lacking:
        say(f"not granted: {' '.join(authoriser.lacking)}")
    for text, times in sorted(tally.remarks.items()):
        say(f"{times} × {text}")
    counts = ", ".join(f"{tally.counts[name]} {name}" for name in OUTCOMES if name in tally.counts)
    counts = counts or ("nobody due" if finished else "nobody looked at")
    say(f"{counts}; {connection.requests} requests, {connection.repeats} repeated")
