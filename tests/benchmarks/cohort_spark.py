"""What a population takes on Spark against the local engine, on the same input and the same two processors.

    python -m tests.benchmarks.cohort_spark [--patients N] [--small N] [--rounds N] [--without-answers]

Two invented populations are assessed by `sural cohort assess`: by two processes, and by Spark in one Java process with two threads (`local[2]`).
Time by the clock depends on what else the machine does; processor time, of the command and of everything that it starts, hardly does. The time of
one patient is the difference between both populations over the difference in people; what is left of the small one is starting. Beside it:
whose each line is, told in Spark's tasks by way of Arrow (`mapInArrow`, as the engine does), of pandas (`mapInPandas`) and of pickled rows
(`mapPartitions`). Needs the extra `spark`, Java 17 and Linux.
"""

import argparse
import os
import shutil
import statistics
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from sural.cohort.lines import judge
from sural.cohort.spark.addresses import address
from sural.cohort.spark.session import session
from sural.cohort.synthetic.writing import write
from tests.cohorts import AS_OF, command
from tests.spark_cluster import descendants

ENGINES = ("local", "spark")
_TICK = os.sysconf("SC_CLK_TCK")


class Run(NamedTuple):
    """Seconds by the clock and of processors."""

    wall: float
    processor: float


def run(engine: str, source: Path, out: Path, *more: str) -> Run:
    """One run in a process of its own. Processor time is looked at while it runs, every tenth of a second."""
    shutil.rmtree(out, ignore_errors=True)
    began = time.perf_counter()
    process = subprocess.Popen(
        command(source, out, "--workers", "2", "--engine", engine, *more), stderr=subprocess.DEVNULL
    )
    used: dict[int, float] = {}
    while process.poll() is None:
        for pid in [process.pid, *descendants(process.pid)]:
            used[pid] = max(used.get(pid, 0.0), _processor(pid))
        time.sleep(0.1)
    if process.returncode:
        raise SystemExit(f"the {engine} engine ended with {process.returncode}")
    return Run(time.perf_counter() - began, sum(used.values()))


def _processor(pid: int) -> float:
    """Seconds of processors that a process has had."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / _TICK


def ways(source: Path, rounds: int) -> dict[str, float]:
    """Seconds by the clock in which Spark's tasks tell whose each line is, by the way that lines reach them."""
    import pyarrow as pa
    from pyspark.sql import functions as sql

    def arrow(batches: Iterator[Any]) -> Iterator[Any]:
        for batch in batches:
            yield pa.record_batch([pa.array([judge(line)[1] for line in batch.column(0).to_pylist()], pa.string())], ["key"])

    def pandas(frames: Iterator[Any]) -> Iterator[Any]:
        for frame in frames:
            yield frame[["line"]].map(lambda line: judge(bytes(line))[1]).rename(columns={"line": "key"})

    def rows(rows: Iterator[Any]) -> Iterator[Any]:
        return (judge(bytes(row.line))[1] for row in rows)

    took: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as folder, session("local[2]", Path(folder) / "log") as spark:
        lines = spark.read.option("lineSep", "\n").text(address(source)).select(sql.col("value").cast("binary").alias("line"))
        each = {
            "mapInArrow": lambda: lines.mapInArrow(arrow, "key string").agg(sql.count("key")).collect(),
            "mapInPandas": lambda: lines.mapInPandas(pandas, "key string").agg(sql.count("key")).collect(),
            "mapPartitions": lambda: lines.rdd.mapPartitions(rows).filter(bool).count(),
            "read alone": lambda: lines.agg(sql.sum(sql.length("line"))).collect(),
        }
        for number in range(rounds + 1):
            for name, way in each.items():
                began = time.perf_counter()
                way()
                if number:  # the first starts Python and warms Java up
                    took.setdefault(name, []).append(time.perf_counter() - began)
    return {name: statistics.median(times) for name, times in took.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--patients", type=int, default=4000)
    parser.add_argument("--small", type=int, default=500)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--without-answers", action="store_true")
    options = parser.parse_args()
    more = ["--without-answers"] if options.without_answers else []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sources = {count: folder / str(count) for count in (options.small, options.patients)}
        for count, source in sources.items():
            write(source, count, 1, AS_OF)
        found: dict[tuple[str, int], list[Run]] = {}
        for _ in range(options.rounds):
            for count, source in sources.items():
                for engine in ENGINES:
                    found.setdefault((engine, count), []).append(run(engine, source, folder / "out", *more))
        print(f"{'engine':8}{'patients':>10}{'clock s':>10}{'processor s':>13}{'patients/s':>12}")
        medians = {}
        for (engine, count), runs in found.items():
            wall, processor = (statistics.median(times) for times in zip(*runs, strict=True))
            medians[engine, count] = Run(wall, processor)
            print(f"{engine:8}{count:10}{wall:10.1f}{processor:13.1f}{count / wall:12.0f}")
        for engine in ENGINES:
            small, large = medians[engine, options.small], medians[engine, options.patients]
            each = (large.processor - small.processor) / (options.patients - options.small)
            print(
                f"{engine}: {each * 1000:.2f} ms of processor time per patient, {small.processor - each * options.small:.1f} s to start"
            )
        for way, seconds in ways(sources[options.patients], options.rounds).items():
            print(f"{way:16}{seconds:8.2f} s by the clock for the lines of {options.patients} patients")


if __name__ == "__main__":
    main()
