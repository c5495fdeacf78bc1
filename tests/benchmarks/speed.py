"""How fast one examination is answered, as ratios in one run on one core.

    python -m tests.benchmarks.speed [--patients N] [--rounds N] [--peers FOLDER]

The whole job each time: bytes in, all schemes, classification, scores and plan, bytes out. Per round every piece is timed on the same
Bundles one after the other; the ratio is the median over rounds. `--peers` is a work folder outside the repository in which Node
packages of a general-purpose CQL engine are installed (once) and run on Bundles of the same shape and size; it needs Node.js and npm.
"""

import argparse
import gc
import os
import re
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path

import orjson

from tests.benchmarks import bundles

HERE = Path(__file__).parent
AS_OF = date(2026, 3, 2)
ENGINE = ("cql-execution@3.3.2", "cql-exec-fhir@2.2.0")
Job = Callable[[bytes], object]


def jobs() -> dict[str, Job]:
    """Each piece that is timed, from the bytes of one Bundle."""
    from sural.doors.assessor import answer, documents, encode, merged
    from sural.doors.request import Request

    def to(output: str, report: str) -> Job:
        request = Request(AS_OF, output=output, report=report)
        if output == "summary":
            return lambda data: [encode(one) for one in documents(answer(data, request))]
        return lambda data: encode(merged(answer(data, request)))

    return {
        "orjson.loads": orjson.loads,
        "summary": to("summary", "none"),
        "full answer": to("bundle", "none"),
        "full answer with report": to("bundle", "text"),
        "full answer with picture": to("bundle", "picture"),
    }


def models(data: bytes) -> object:
    """The general-purpose models of the `fhir.resources` package, merely parsing the Bundle."""
    from fhir.resources.R4B.bundle import Bundle

    return Bundle.model_validate_json(data)


def per_bundle(job: Job, lines: list[bytes]) -> float:
    """Microseconds of processor time per Bundle."""
    start = time.thread_time_ns()
    for line in lines:
        job(line)
    return (time.thread_time_ns() - start) / 1000 / len(lines)


def timed(lines: list[bytes], rounds: int) -> dict[str, list[float]]:
    """Per piece, microseconds per Bundle in each round."""
    pieces = jobs()
    for job in pieces.values():
        per_bundle(job, lines[:20])
    gc.collect()
    gc.freeze()
    found: dict[str, list[float]] = {name: [] for name in pieces}
    for _ in range(rounds):
        for name, job in pieces.items():
            found[name].append(per_bundle(job, lines))
    few = lines[:10]
    models(few[0])
    found["fhir.resources parse"] = [per_bundle(models, few) for _ in range(3)]
    return found


def engine(folder: Path, patients: int) -> dict[str, float]:
    """Microseconds per patient of the CQL engine: with its documented FHIR data source, and with a light one."""
    folder.mkdir(parents=True, exist_ok=True)
    if not (folder / "node_modules").exists():
        subprocess.run(["npm", "install", "--silent", "--no-save", "--prefix", str(folder), *ENGINE], check=True)
    coded = folder / "bundles.ndjson"
    with coded.open("wb") as file:
        subprocess.run([sys.executable, HERE / "peers" / "bundles.py", str(patients)], stdout=file, check=True)
    found = {}
    for name, script, count in (("CQL engine, documented", "run2.js", 10), ("CQL engine, at its best", "run3.js", patients)):
        shutil.copy(HERE / "peers" / script, folder / script)
        command = ["node", folder / script, HERE / "peers" / "FootExam.tuned.elm.json", coded, str(count)]
        done = subprocess.run(command, check=True, capture_output=True, text=True, cwd=folder)
        median = re.search(r"med (\d+)", done.stdout)
        if median is None:
            raise SystemExit(f"{script}: {done.stderr.strip() or done.stdout.strip()}")
        found[name] = float(median.group(1))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--patients", type=int, default=100)
    parser.add_argument("--rounds", type=int, default=15)
    parser.add_argument("--peers", type=Path, default=None)
    options = parser.parse_args()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    lines = bundles.lines(options.patients)
    found = timed(lines, options.rounds)
    base = found["orjson.loads"]
    print(f"{len(lines)} Bundles of {len(lines[0])} bytes, Python {sys.version.split()[0]}, one core")
    print(f"{'':28}{'us':>9}{'x orjson.loads':>16}   limit")
    limits = {"summary": 4.5, "full answer": 12.0}
    medians = {name: statistics.median(times) for name, times in found.items()}
    for name, times in found.items():
        pairs = [one / other for one, other in zip(times, base, strict=False)]
        limit = f"   {limits[name]}" if name in limits else ""
        print(f"{name:28}{medians[name]:9.0f}{statistics.median(pairs):16.2f}{limit}")
    parse = medians["fhir.resources parse"]
    peers = {"fhir.resources parse": parse} | (engine(options.peers.resolve(), options.patients) if options.peers else {})
    wanted = {"fhir.resources parse": (10, 5), "CQL engine, documented": (80, 40), "CQL engine, at its best": (None, None)}
    print(f"\n{'times faster than':28}{'summary':>9}{'wanted':>8}{'answer':>9}{'wanted':>8}")
    for name, microseconds in peers.items():
        first, second = wanted[name]
        print(
            f"{name:28}{microseconds / medians['summary']:9.1f}{first or '':>8}"
            f"{microseconds / medians['full answer']:9.1f}{second or '':>8}"
        )


if __name__ == "__main__":
    main()
