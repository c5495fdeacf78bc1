"""Recall over many stored answers: time and memory of the whole list, and of pages.

    python -m tests.benchmarks.recall [--answers N] [--database URL]

The answers are those of `tests.benchmarks.stored`; a ledger that holds some already is filled up. Prints and judges nothing.
"""

import argparse
import resource
import tempfile
import time
from datetime import date
from pathlib import Path

from sural.doors.assessor import encode
from sural.ledger.knowing import Knowing
from sural.ledger.recalling import entries, page
from sural.ledger.resources import Resources
from sural.ledger.store import Ledger
from sural.recall.issues import detected_issues
from sural.recall.listing import Wanted, sorted_by_urgency
from sural.recall.words import csv_lines
from tests.benchmarks.stored import fill, held

AS_OF = date(2026, 3, 2)
PERSONS = 200


def measure(ledger: Ledger) -> None:
    """The list as CSV, then twenty pages of FHIR."""
    knowing, wanted = Knowing(ledger), Wanted(AS_OF)
    people = knowing.count()
    began, wall = time.process_time(), time.perf_counter()
    lines = sum(1 for _ in csv_lines(sorted_by_urgency(entries(knowing, wanted)), AS_OF)) - 1
    took, waited = time.process_time() - began, time.perf_counter() - wall
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"CSV: {lines} of {people} people, {took:.1f} s of processor time, {waited:.1f} s in all, {1e6 * took / people:.0f} µs a person, {memory:.0f} MB")
    after, times = "", []
    for _ in range(20):
        began = time.perf_counter()
        found, following = page(knowing, wanted, PERSONS, after)
        size = len(encode([issue for entry in found for issue in detected_issues(entry, AS_OF)]))
        times.append(time.perf_counter() - began)
        if following is None:
            break
        after = following
    print(f"FHIR: pages of {PERSONS} people, {1000 * sorted(times)[len(times) // 2]:.0f} ms at the median, {size / 1e6:.1f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--answers", type=int, default=20_000)
    parser.add_argument("--database", default=None)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        ledger = Ledger(options.database or f"sqlite:///{Path(folder) / 'recall.sqlite'}")
        resources = Resources(ledger)
        for done in fill(resources, options.answers, held(resources)):
            print(f"{done} answers", end="\r", flush=True)
        measure(ledger)
        ledger.engine.dispose()


if __name__ == "__main__":
    main()
