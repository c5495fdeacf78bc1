"""A run on Spark from its files to its report: lines brought together once, then part by part in tasks, each committed by itself.

Who started it only counts: it sees in the folder of the run which parts are done, and adds up what was counted in them.
"""

import shutil
import threading
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from pathlib import Path

import msgspec
from py4j.protocol import Py4JError
from pyspark.errors import PySparkException
from pyspark.sql import SparkSession

from sural.cohort.account import NAME, Account, account, finished
from sural.cohort.grouping import Grouped, Unreadable
from sural.cohort.inputs import Input
from sural.cohort.journal import OUTPUTS, UNFINISHED, Held, Plan, digest, written_in
from sural.cohort.page import page
from sural.cohort.persons import Assessor, Order
from sural.cohort.processes import Stopped
from sural.cohort.running import Watch, plan_of
from sural.cohort.spark.addresses import plain
from sural.cohort.spark.faults import reason
from sural.cohort.spark.gathering import gather
from sural.cohort.spark.parts import ATTEMPTS, GROUPED, MEDICATIONS, PARTS, Assess, Job, done, name_of
from sural.cohort.spark.session import LOG, session
from sural.cohort.spark.sources import LINKS, located, sources
from sural.cohort.tally import Tally

ENGINE = "spark"
_LOOK_EVERY = 0.25
"""Seconds."""


def run(
    names: Iterable[str], earlier: Iterable[str], out: Path, order: Order, master: str, resume: bool, watch: Watch
) -> Account:
    """Assess a population into a folder that every worker sees under the same path. The files of the order are filled in here.

    Raises Occupied, Unreadable, NotThere, Refused, Stopped, or NoSession.
    """
    Assessor(order)
    with session(master, out / LOG) as spark:
        files, before = located(spark, names, written_in(out)), located(spark, earlier)
        order = msgspec.structs.replace(order, files=tuple(one.name for one in (*files, *before)))
        plan = Plan((*files, *before), plan_of(order), engine=ENGINE)
        known = finished(out, digest(plan)) if resume and not (out / UNFINISHED).exists() else None
        if known is not None:
            return known
        with Parts(out.absolute(), plan, resume) as held:
            grouped = held.plan.grouped or _gathered(spark, files, before, held, watch)
            watch.assessing(sum(grouped.sizes), sum(grouped.sizes[part] for part in held.done))
            for part, tally in _assessed(spark, held, grouped, order):
                watch.advance(tally["people"], grouped.sizes[part])
            counted = account(held.tally, grouped, order, digest(plan))
            held.collect(len(grouped.sizes))
            held.finish(
                {"report.html": page(counted).encode(), NAME: msgspec.json.format(msgspec.json.encode(counted), indent=1)}
            )
    return counted


class Parts(Held):
    """The folder of a run on Spark, and what is done in it. Raises Occupied."""

    def _take_up(self, stack: ExitStack) -> None:
        self.tally: Tally = Counter()
        self.done: set[int] = set()
        if self.plan.grouped is None:
            for name in (PARTS, GROUPED, MEDICATIONS, LINKS):
                shutil.rmtree(self.folder / name, ignore_errors=True)
        shutil.rmtree(self.folder / ATTEMPTS, ignore_errors=True)
        for name in (PARTS, ATTEMPTS):
            (self.folder / name).mkdir(exist_ok=True)
        list(self.news())

    def news(self) -> Iterator[tuple[int, Tally]]:
        """Each part that was not seen before, and what was counted in it."""
        for path in sorted((self.folder / PARTS).iterdir()):
            part = int(path.name)
            tally = None if part in self.done else done(self.folder, part)
            if tally is not None:
                self.done.add(part)
                self.tally.update(tally)
                yield part, tally

    def collect(self, parts: int) -> None:
        """Move the outputs of all parts into a folder for each output, those of the first part last: they say that the rest is moved."""
        for name in OUTPUTS:
            collected = self.folder / f"{name}.ndjson"
            if not self._output(0, name).exists():
                continue
            collected.mkdir(exist_ok=True)
            for part in reversed(range(parts)):
                path = self._output(part, name)
                if path.exists() and (path.stat().st_size or part == 0):
                    path.replace(collected / f"part-{name_of(part)}.ndjson")

    def _output(self, part: int, name: str) -> Path:
        return self.folder / PARTS / name_of(part) / f"{name}.ndjson"


def _gathered(spark: SparkSession, files: tuple[Input, ...], earlier: tuple[Input, ...], held: Parts, watch: Watch) -> Grouped:
    every = (*files, *earlier)
    read = sources(spark, every, held.folder)
    watch.grouping(len(files), sum(one.size for one in files))
    try:
        held.planned(gather(spark, files, earlier, read, held.folder))
    except (PySparkException, Py4JError) as fault:
        said, of_file = reason(plain(str(fault)), [(source.seen, one.name) for source, one in zip(read, every, strict=True)])
        raise Unreadable(said) if of_file else Stopped(f"{said}, see {held.out / LOG}") from None
    assert held.plan.grouped is not None
    return held.plan.grouped


def _assessed(spark: SparkSession, held: Parts, grouped: Grouped, order: Order) -> Iterator[tuple[int, Tally]]:
    """Each part that is not done yet and what is counted in it, as they are done."""
    todo = [part for part in range(len(grouped.sizes)) if part not in held.done]
    if not todo:
        return
    pathway = order.request.pathway
    if pathway.endswith(".toml"):
        order = msgspec.structs.replace(
            order, request=msgspec.structs.replace(order.request, pathway=str(Path(pathway).absolute()))
        )
    job = spark.sparkContext.broadcast(Job(str(held.folder), order, grouped))
    faults: list[Exception] = []

    def submit() -> None:
        try:
            spark.sparkContext.parallelize(todo, len(todo)).mapPartitions(Assess(job)).count()
        except (PySparkException, Py4JError, OSError) as fault:
            faults.append(fault)

    submitted = threading.Thread(target=submit, daemon=True)
    submitted.start()
    while submitted.is_alive():
        submitted.join(_LOOK_EVERY)
        yield from held.news()
    if faults:
        raise Stopped(f"{reason(str(faults[0]), [])[0]}, see {held.out / LOG}; what is done is kept, and --resume goes on")
    yield from held.news()
    missing = len(todo) - len(held.done.intersection(todo))
    if missing:
        raise Stopped(f"{missing} parts that workers say they did are not to be seen in {held.folder}; --resume goes on")
