"""A run from its files to its report: grouped once, then chunk by chunk in processes, each appended in its turn.

Chunk 0 is the lines of nobody; the others are the buckets of patients. A process that dies takes its chunk with it, which is then done again.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

import msgspec

from sural.cohort.account import NAME, Account, account, finished
from sural.cohort.grouping import Grouped, group, nobody, people
from sural.cohort.inputs import Input
from sural.cohort.journal import OUTPUTS, UNFINISHED, Journal, Plan, digest, part
from sural.cohort.page import page
from sural.cohort.persons import Assessor, Order, Outcome
from sural.cohort.processes import enduring, spread, uncollected
from sural.cohort.tally import Tally


class Watch(Protocol):
    """Is told how far a run is."""

    def grouping(self, files: int, size: int) -> None: ...

    def grouped(self, percent: float) -> None: ...

    def assessing(self, lines: int, done: int) -> None: ...

    def advance(self, patients: int, lines: int) -> None: ...


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
        sizes = (0, *grouped.sizes)
        watch.assessing(sum(sizes), sum(sizes[: journal.chunks]))

        def attempt() -> Iterator[Tally]:
            return spread(_work, range(journal.chunks, len(sizes)), workers, _begin, (order, journal.folder, grouped))

        for tally in enduring(attempt):
            lines = sizes[journal.chunks]
            journal.append(tally)
            watch.advance(tally["people"], lines)
        counted = account(journal.tally, grouped, order, digest(plan))
        journal.finish({"report.html": page(counted).encode(), NAME: msgspec.json.format(msgspec.json.encode(counted), indent=1)})
    return counted


def plan_of(order: Order) -> str:
    """Everything that shapes the output, as a text to compare: the same in every process, which the text of a set is not."""
    return msgspec.json.encode(order, order="deterministic").decode()


_of_process: list[tuple[Assessor, Path]] = []


def _begin(order: Order, folder: Path, grouped: Grouped) -> None:
    """What a process needs for every chunk is made once."""
    _of_process[:] = [(Assessor(order, grouped.starts), folder)]


def _work(chunk: int) -> Tally:
    return _chunk(*_of_process[0], chunk)


def _chunk(assessor: Assessor, folder: Path, chunk: int) -> Tally:
    """Assess one chunk into its parts."""
    outcome = Outcome()
    if chunk == 0:
        assessor.assess_nobody(nobody(folder), outcome)
    else:
        with uncollected():
            for key, rows in people(folder, chunk - 1):
                assessor.assess(key, rows, outcome)
    for name in OUTPUTS:
        with part(folder, chunk, name).open("wb") as written:
            written.writelines(line + b"\n" for line in getattr(outcome, name))
    return outcome.tally
