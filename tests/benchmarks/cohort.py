"""What a population takes, as ratios in one run: time per patient, memory, and what a second process brings.

    python -m tests.benchmarks.cohort [--patients N] [--small N] [--rounds N] [--peers FOLDER] [--keep FOLDER]

Two invented populations are written, a small one and a tenfold one or what is asked for, and each is assessed from its files by `sural cohort
assess` in a process of its own. Time is processor time, of a run and all its processes (by the clock where two processes are held against one); that of one patient is the difference between both runs over
the difference in people, so that starting counts for nothing. Beside it, in the same round: `orjson.loads` of the same lines, once each, and the
models of the `fhir.resources` package merely parsing some of them. `--peers` as in `tests.benchmarks.speed`: that engine gets Bundles of its own of
about the same number of Observations, already grouped.
"""

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import orjson

from sural.cohort.synthetic.writing import write
from tests.benchmarks.speed import engine
from tests.cohorts import AS_OF, command

SAMPLE = 2000
"""Lines that the models parse."""
LIMIT_MB = 500


class Run(NamedTuple):
    """What one run took: seconds by the clock, seconds of processors, and the resident memory of its largest process in MB."""

    wall: float
    processor: float
    memory: float


def run(source: Path, out: Path, workers: int, *more: str) -> Run:
    """Assess a population in a process of its own."""
    shutil.rmtree(out, ignore_errors=True)
    began = time.perf_counter()
    process = subprocess.Popen(command(source, out, "--workers", str(workers), *more), stderr=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    wall = time.perf_counter() - began
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"sural cohort assess ended with {process.returncode}")
    return Run(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def loads(source: Path) -> float:
    """Seconds of processor time that merely parsing each line takes; reading the files is not counted."""
    took = 0.0
    for path in sorted(source.iterdir()):
        with path.open("rb") as file:
            while lines := file.readlines(2**24):
                began = time.thread_time()
                for line in lines:
                    orjson.loads(line)
                took += time.thread_time() - began
    return took


def models(source: Path, lines: int, patients: int) -> float:
    """Seconds per patient that the models of `fhir.resources` take, by a sample of lines of each file."""
    from fhir.resources.R4B import get_fhir_model_class

    took = 0.0
    for path in sorted(source.iterdir()):
        model = get_fhir_model_class(path.stem)
        with path.open("rb") as file:
            sample = [line for line, _ in zip(file, range(SAMPLE), strict=False)]
            count = len(sample) + sum(1 for _ in file)
        model.model_validate_json(sample[0])
        began = time.thread_time()
        for line in sample:
            model.model_validate_json(line)
        took += (time.thread_time() - began) * count / len(sample)
    return took / patients


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--patients", type=int, default=10_000)
    parser.add_argument("--small", type=int, default=1000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--lean", action="store_true", help="some twelve Observations a patient instead of some forty")
    parser.add_argument("--peers", type=Path, default=None)
    parser.add_argument("--keep", type=Path, default=None, help="folder for the populations, used again when they are there")
    options = parser.parse_args()
    if options.small >= options.patients:
        parser.error("--small must be below --patients")
    with tempfile.TemporaryDirectory() as name:
        folder = options.keep or Path(name)
        small, large = (_population(folder, count, options.lean) for count in (options.small, options.patients))
        _compare(folder, small, large, options)


def _population(folder: Path, patients: int, lean: bool) -> Path:
    source = folder / f"{'lean' if lean else 'full'}-{patients}"
    if not source.exists():
        write(source, patients, 1, AS_OF, lean=lean)
    return source


def _compare(folder: Path, small: Path, large: Path, options: argparse.Namespace) -> None:
    more = options.patients - options.small
    found: dict[str, list[float]] = {}
    runs: list[tuple[Run, Run, Run, Run]] = []
    for _ in range(options.rounds):
        base = loads(large) / options.patients
        first, second = (run(source, folder / "out", 1, "--without-answers") for source in (small, large))
        third, fourth = (run(source, folder / "out", 2, "--without-answers") for source in (small, large))
        runs.append((first, second, third, fourth))
        answers = [run(source, folder / "out", 1) for source in (small, large)] if not options.lean else []
        found.setdefault("orjson.loads of the lines", []).append(base)
        found.setdefault("cohort, summaries", []).append((second.processor - first.processor) / more)
        if answers:
            found.setdefault("cohort, full answers", []).append((answers[1].processor - answers[0].processor) / more)
    found["fhir.resources parse"] = [models(large, SAMPLE, options.patients)]
    peers = engine(options.peers.resolve(), 1000) if options.peers else {}
    found |= {name: [microseconds / 1e6] for name, microseconds in peers.items()}
    medians = {name: statistics.median(times) for name, times in found.items()}
    size = sum(path.stat().st_size for path in large.iterdir())
    print(
        f"{options.patients} and {options.small} patients of {size / options.patients / 1000:.1f} kB, Python {sys.version.split()[0]}"
    )
    print(f"{'processor time per patient':28}{'us':>9}{'x orjson.loads':>16}{'x summaries':>13}")
    for name, seconds in medians.items():
        ratio = seconds / medians["orjson.loads of the lines"]
        print(f"{name:28}{seconds * 1e6:9.0f}{ratio:16.2f}{seconds / medians['cohort, summaries']:13.2f}")
    print(
        "goals: summaries under 4 times orjson.loads; fhir.resources at least 15 and the documented engine 100 times the summaries"
    )
    walls = [(second.wall - first.wall) / (fourth.wall - third.wall) for first, second, third, fourth in runs]
    whole = [second.wall / fourth.wall for _, second, _, fourth in runs]
    print(
        f"two processes are {statistics.median(walls):.2f} times as fast as one (goal 1.8), by the clock; "
        f"{statistics.median(whole):.2f} times with starting and the report"
    )
    growth = [one.memory / few.memory for few, one, *_ in runs]
    largest = max(each.memory for four in runs for each in four)
    print(f"largest process {largest:.0f} MB (limit {LIMIT_MB}); with {options.patients} it is {statistics.median(growth):.2f} times that with {options.small}")  # fmt: skip
    per = [(one.processor / options.patients) / (few.processor / options.small) for few, one, *_ in runs]
    print(
        f"processor time per patient with {options.patients} is {statistics.median(per):.2f} times that with {options.small}, starting included"
    )


if __name__ == "__main__":
    main()
