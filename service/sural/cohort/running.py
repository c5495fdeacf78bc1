"""A run from its files to its report: grouped once, then chunk by chunk in processes of its own, each appended in its turn.

Chunk 0 is the lines of nobody; the others are stretches of patients. A process that dies takes its chunk with it, which is then done again;
processes end with the one that started them.
"""

import gc
import os
import threading
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context, parent_process
from pathlib import Path
from typing import Protocol

import msgspec

from sural.cohort.account import NAME, Account, account, finished
from sural.cohort.grouping import Grouped, group, nobody, people
from sural.cohort.inputs import Input
from sural.cohort.journal import OUTPUTS, UNFINISHED, Journal, Plan, digest, part
from sural.cohort.page import page
from sural.cohort.persons import Assessor, Order, Outcome, judge_line, reject
from sural.cohort.tally import Tally

MOST_DEATHS = 5
"""How often processes may die before the run stops."""


class Watch(Protocol):
    """Is told how far a run is."""

    def grouping(self, files: int, size: int) -> None: ...

    def grouped(self, percent: float) -> None: ...

    def assessing(self, patients: int, done: int) -> None: ...

    def advance(self, patients: int) -> None: ...


class Stopped(Exception):
    """Processes died again and again; what is done is kept."""


def run(
    files: tuple[Input, ...], earlier: tuple[Input, ...], out: Path, order: Order, workers: int, resume: bool, watch: Watch
) -> Account:
    """Assess a population into a folder. Raises Occupied, Unreadable, Refused or Stopped."""
    plan = Plan((*files, *earlier), plan_of(order))
    known = finished(out, digest(plan)) if resume and not (out / UNFINISHED).exists() else None
    if known is not None:
        return known
    Assessor(order)
    with Journal(out, plan, resume) as journal:
        if journal.plan.grouped is None:
            watch.grouping(len(files), sum(one.size for one in files))
            journal.planned(group(files, earlier, journal.folder, workers, watch.grouped))
        grouped = journal.plan.grouped
        assert grouped is not None
        watch.assessing(grouped.patients, journal.tally["people"])
        for tally in _chunks(journal, grouped, order, workers):
            journal.append(tally)
            watch.advance(tally["people"])
        counted = account(journal.tally, grouped, order, digest(plan))
        journal.finish({"report.html": page(counted).encode(), NAME: msgspec.json.format(msgspec.json.encode(counted), indent=1)})
    return counted


def plan_of(order: Order) -> str:
    """Everything that shapes the output, as a text to compare."""
    return repr(order)


def _chunks(journal: Journal, grouped: Grouped, order: Order, workers: int) -> Iterator[Tally]:
    """What is counted in each chunk that is not done yet, in their order."""
    total = len(grouped.bounds) + 1
    if workers == 1:
        assessor = Assessor(order)
        for chunk in range(journal.chunks, total):
            yield _chunk(assessor, journal.folder, grouped, chunk)
        return
    deaths = 0
    while journal.chunks < total:
        try:
            yield from _spread(range(journal.chunks, total), journal.folder, grouped, order, workers)
        except BrokenProcessPool:
            deaths += 1
            if deaths > MOST_DEATHS:
                raise Stopped(f"processes died {deaths} times, perhaps for want of memory; --resume goes on") from None


def _spread(chunks: range, folder: Path, grouped: Grouped, order: Order, workers: int) -> Iterator[Tally]:
    """The same by several processes, which are at most two chunks each ahead. Raises BrokenProcessPool when one dies."""
    context = get_context("spawn")
    with ProcessPoolExecutor(min(workers, len(chunks)), context, _begin, (order, str(folder), grouped)) as pool:
        waiting: deque[Future[Tally]] = deque()
        for chunk in chunks:
            waiting.append(pool.submit(_work, chunk))
            if len(waiting) >= 2 * workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


_of_process: dict[str, object] = {}


def _begin(order: Order, folder: str, grouped: Grouped) -> None:
    """A process begins: what it needs for every chunk is made once, and it ends when the one that started it does."""
    threading.Thread(target=_follow, daemon=True).start()
    _of_process.update(assessor=Assessor(order), folder=Path(folder), grouped=grouped)
    gc.collect()
    gc.freeze()


def _follow() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _work(chunk: int) -> Tally:
    assessor, folder, grouped = (_of_process[name] for name in ("assessor", "folder", "grouped"))
    assert isinstance(assessor, Assessor) and isinstance(folder, Path) and isinstance(grouped, Grouped)
    return _chunk(assessor, folder, grouped, chunk)


def _chunk(assessor: Assessor, folder: Path, grouped: Grouped, chunk: int) -> Tally:
    """Assess one chunk into its parts."""
    outcome = Outcome()
    if chunk == 0:
        for _, file, number, body in nobody(folder, grouped):
            issue = judge_line(body)
            outcome.tally["lines|rejected"] += 1
            outcome.tally[f"reject|{issue.key}"] += 1
            outcome.rejects.append(reject(issue, assessor.order.files[file], number))
    else:
        for key, rows in people(folder, grouped, chunk - 1):
            assessor.assess(key, rows, outcome)
            outcome.tally["people"] += 1
    for name in OUTPUTS:
        with part(folder, chunk, name).open("wb") as written:
            written.writelines(line + b"\n" for line in getattr(outcome, name))
    return outcome.tally
