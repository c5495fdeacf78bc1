"""One part assessed in a task of Spark, and committed by renaming a folder.

A task may run twice: because its worker was lost, because Spark thought it slow, or because a worker that was given up for lost goes on. Each
attempt writes into a folder of its own, whose renaming is the commit; the first wins, and another finds the name taken and throws its own
away. Attempts write the same, so it does not matter which wins.
"""

import gc
import os
import shutil
import uuid
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any, BinaryIO

import msgspec
import pyarrow.parquet as pq
from msgspec import Struct

from sural.canonical import RULE_SET, VERSION
from sural.cohort.grouping import Grouped, Row, by_patient, in_order
from sural.cohort.journal import OUTPUTS, settle
from sural.cohort.lines import Role
from sural.cohort.persons import Assessor, Order, Outcome
from sural.cohort.processes import uncollected
from sural.cohort.spark.faults import NOT_SHARED, OTHER_SOFTWARE, task_fault, telling_kind
from sural.cohort.tally import Tally

GROUPED, MEDICATIONS, PARTS, ATTEMPTS = "grouped", "medications", "parts", "attempts"
"""Folders of a run that has not ended: lines by part, Medications by the part of who names them, parts that are done, parts under way."""
TALLY = "tally.json"
_BATCH = 1024
_COLUMNS = ("key", "role", "file", "block", "number", "line")
SOFTWARE = (VERSION, RULE_SET)


class Job(Struct, frozen=True):
    """What every task needs: the folder of the run, the order, what came of grouping, and whose software this is."""

    folder: str
    order: Order
    grouped: Grouped
    software: tuple[str, str] = SOFTWARE


def done(folder: Path, part: int) -> Tally | None:
    """What was counted in a part that is done."""
    try:
        return Counter(msgspec.json.decode((folder / PARTS / name_of(part) / TALLY).read_bytes(), type=dict[str, int]))
    except FileNotFoundError:
        return None


def name_of(part: int) -> str:
    return f"{part:05}"


class Assess:
    """The function of a task. `job` is the Job, as Spark hands it to every worker once."""

    def __init__(self, job: Any) -> None:
        self._job = job

    def __call__(self, parts: Iterator[int]) -> Iterator[int]:
        with telling_kind():
            job: Job = self._job.value
            if job.software != SOFTWARE:
                raise task_fault(OTHER_SOFTWARE)
            folder = Path(job.folder)
            if not (folder / ATTEMPTS).is_dir():
                raise task_fault(NOT_SHARED)
            for part in parts:
                if done(folder, part) is None:
                    _assess(job, folder, part)
                yield part


def _assess(job: Job, folder: Path, part: int) -> None:
    """Assess a part in a folder of its own and commit it."""
    attempt = folder / ATTEMPTS / f"{name_of(part)}-{uuid.uuid4().hex}"
    attempt.mkdir()
    try:
        _write(job, folder, part, attempt)
        try:
            attempt.rename(folder / PARTS / name_of(part))
            settle(folder / PARTS)
        except OSError:
            if done(folder, part) is None:
                raise
    finally:
        shutil.rmtree(attempt, ignore_errors=True)


def _write(job: Job, folder: Path, part: int, attempt: Path) -> None:
    assessor = _assessor(job)
    outcome = Outcome()
    numbers = {
        (file, begin): number
        for number, ((file, _), begin) in enumerate(zip(job.grouped.starts, job.grouped.begins, strict=True))
    }
    lines = list(_lines(folder / GROUPED / f"part={part}", numbers))
    assessor.assess_nobody(in_order(line for line in lines if line[3] == Role.REJECT), outcome)
    lines = [line for line in lines if line[3] in (Role.RESOURCE, Role.EARLIER)]
    lines += _lines(folder / MEDICATIONS / f"part={part}", numbers)
    with ExitStack() as stack:
        files = {name: stack.enter_context((attempt / f"{name}.ndjson").open("wb")) for name in OUTPUTS}
        with uncollected():
            for key, rows in by_patient(lines):
                assessor.assess(key, rows, outcome)
                _put(outcome, files)
        _put(outcome, files)
        for file in files.values():
            file.flush()
            os.fsync(file.fileno())
    (attempt / TALLY).write_bytes(msgspec.json.encode(dict(outcome.tally)))
    settle(attempt)


def _put(outcome: Outcome, files: Mapping[str, BinaryIO]) -> None:
    """Write what came of some patients, and hold it no longer."""
    for name, file in files.items():
        lines = getattr(outcome, name)
        file.writelines(line + b"\n" for line in lines)
        lines.clear()


def _lines(folder: Path, numbers: dict[tuple[int, int], int]) -> Iterator[Row]:
    """The lines of a part."""
    for path in sorted(folder.glob("*.parquet")) if folder.is_dir() else ():
        with pq.ParquetFile(path) as stored:
            for batch in stored.iter_batches(_BATCH, columns=list(_COLUMNS)):
                for key, role, file, block, number, line in zip(
                    *(batch.column(name).to_pylist() for name in _COLUMNS), strict=True
                ):
                    yield key or b"", numbers[file, block], number, role, line


_of_process: dict[str, Assessor] = {}


def _assessor(job: Job) -> Assessor:
    """The assessor of a process, made once for all its tasks."""
    if job.folder not in _of_process:
        _of_process.clear()
        _of_process[job.folder] = Assessor(job.order, job.grouped.starts)
        gc.collect()
        gc.freeze()
    return _of_process[job.folder]
