"""Kills a pull again and again, without a word (SIGKILL), and looks at what is left.

    python -m tests.kills [--kills 20] [--patients 500] [--seed 1] [--write-back | --cohort | --subscriptions [--postgresql]]

Each pull is a process of its own against a fake EHR in another; it dies after a random number of its summaries. In the end everybody must
have been answered, nobody who was written down as done may have been done again, and the mark must be that of the first pull. With
`--write-back` each pull writes its answers into the record system and dies at a random moment; in the end everybody there must have exactly
one answer, whole and current, and no resource may stand twice. With `--cohort` a cohort run is killed instead: see `tests.cohort_kills`; with
`--subscriptions` the delivery of notifications: see `tests.subscription_kills`.
"""

import argparse
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx
import orjson

import sural
from sural.answer.identity import EXAMINATION_SYSTEM
from sural.records.fake_ehr.population import population
from sural.records.outgoing import Outgoing
from tests.cohort_kills import kill_cohort
from tests.commands import command
from tests.ehr import AS_OF
from tests.ehr_process import ehr_process
from tests.subscription_kills import kill_delivering

CONCURRENCY = 4


def pulling(base: str, folder: Path, *more: str) -> "subprocess.Popen[bytes]":
    """A pull as a user starts it."""
    options = ["--from", base, "--as-of", "2026-03-02", "--check", "none", "--concurrency", str(CONCURRENCY), "--search", "post"]
    ledger = ["--database", f"sqlite:///{folder / 'ledger.sqlite'}"]
    return subprocess.Popen(
        command("pull", *options, *more, *ledger), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )


def subjects(process: "subprocess.Popen[bytes]", until: int | None = None) -> Iterator[str]:
    """The patients whose summaries a pull wrote; after `until` of them it is killed, and what it had written before is still read."""
    assert process.stdout is not None
    for number, line in enumerate(process.stdout, 1):
        if line.endswith(b"\n"):
            yield orjson.loads(line)["subject"]
        if number == until:
            process.kill()
    process.stdout.close()
    process.wait()


def done(folder: Path) -> set[str]:
    """Who is written down as done."""
    ledger = folder / "ledger.sqlite"
    if not ledger.exists():
        return set()
    with closing(sqlite3.connect(ledger)) as store:
        return {f"Patient/{row[0]}" for row in store.execute("select patient from work where outcome is not null")}


def mark(folder: Path) -> str | None:
    with closing(sqlite3.connect(folder / "ledger.sqlite")) as store:
        row = store.execute("select instant from mark where kind = 'changes'").fetchone()
    return row[0] if row else None


def run_until(folder: Path) -> str:
    """The end of the first run."""
    with closing(sqlite3.connect(folder / "ledger.sqlite")) as store:
        found: str = store.execute("select until from run where until <> '' order by id").fetchone()[0]
    return found


def kill_and_look(kills: int, patients: int, seed: int) -> list[str]:
    """What is wrong after some kills and one pull that was let live; empty when nothing is."""
    chance = random.Random(seed)
    times: Counter[str] = Counter()
    wrong: list[str] = []
    with ehr_process(patients) as base, tempfile.TemporaryDirectory() as name:
        folder, apart = Path(name), Path(name) / "apart"
        apart.mkdir()
        answered = set(subjects(pulling(base, apart)))  # of a pull that is let live: who has nothing to assess is not answered
        for number in range(kills + 1):
            before = done(folder)
            last = number == kills
            process = pulling(base, folder)
            written = list(subjects(process, None if last else chance.randint(1, max(1, patients // (kills + 1)))))
            times.update(written)
            if before & set(written):
                wrong.append(f"pull {number}: {len(before & set(written))} patients were done already")
            if last and process.returncode != 0:
                wrong.append(f"the last pull ended with {process.returncode}")
            if not last and mark(folder) is not None:
                wrong.append(f"pull {number}: the mark moved before everybody was done")
        if mark(folder) != run_until(folder):
            wrong.append("the mark is not that of the first pull")
    if not answered or answered != set(times):
        wrong.append(f"{len(answered - set(times))} patients were lost, {len(set(times) - answered)} came from nowhere")
    twice = sum(count - 1 for count in times.values())
    if twice > kills * CONCURRENCY:
        wrong.append(f"{twice} summaries came twice; at most those under way at a kill may")
    print(f"{kills} kills, {len(times)} patients, {twice} summaries written again because a kill came before they were noted")
    return wrong


def kill_writing(kills: int, patients: int, seed: int) -> list[str]:
    """What is wrong in the record system after some kills of a pull that writes back, and one that was let live."""
    chance = random.Random(seed)
    with ehr_process(patients) as base, tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        killed = 0
        for _ in range(kills):
            process = pulling(base, folder, "--write-back", "--report", "none")
            assert process.stdout is not None
            process.stdout.readline()
            time.sleep(chance.uniform(0, 1.5))
            killed += process.poll() is None
            process.kill()
            process.stdout.close()
            process.wait()
        last = pulling(base, folder, "--write-back", "--report", "none")
        assert last.stdout is not None
        last.stdout.read()
        last.stdout.close()
        wrong = [f"the last pull ended with {last.returncode}"] if last.wait() else []
        counted = {kind: _examinations(base, kind) for kind in ("RiskAssessment", "Observation", "ServiceRequest")}
        provenances = len(list(_held(base, "Provenance")))
    twins = [key for found in counted.values() for key, statuses in found.items() if len(statuses) > 1]
    if twins:
        wrong.append(f"{len(twins)} resources stand more than once")
    leading = [key for key in counted["RiskAssessment"] if key.endswith("-nice-ng19-2019")]
    due = _answerable(patients)
    if len(leading) != due or provenances != due:
        wrong.append(f"{len(leading)} assessments and {provenances} provenances of {due} patients with something to assess")
    if any(status != ["final"] for status in counted["RiskAssessment"].values()):
        wrong.append("an assessment is not current")
    print(
        f"{killed} of {kills} pulls killed while they ran, {len(leading)} patients with an answer, {sum(map(len, counted.values()))} resources"
    )
    return wrong


def _answerable(patients: int) -> int:
    """How many of the fake EHR's patients have anything that an answer can rest on."""
    bundles = (
        {
            "resourceType": "Bundle",
            "type": "collection",
            "entry": [{"resource": one} for one in person],
        }
        for person in population(patients)
    )
    answers = (sural.assess(bundle, as_of=AS_OF, check=False, transaction=True) for bundle in bundles)
    return sum(bool(Outgoing.of(answer).inputs) for answer in answers)


def _examinations(base: str, kind: str) -> dict[str, list[str]]:
    """Of each examination's resource of a type, the statuses of all that stand in the record system."""
    found: dict[str, list[str]] = {}
    for resource in _held(base, kind):
        for one in resource.get("identifier", ()):
            if one["system"] == EXAMINATION_SYSTEM:
                found.setdefault(one["value"], []).append(resource["status"])
    return found


def _held(base: str, kind: str) -> Iterator[Any]:
    """Every resource of a type."""
    link: str | None = f"{base}/{kind}?_count=500"
    while link:
        page = httpx.get(link, timeout=60).raise_for_status().json()
        yield from (entry["resource"] for entry in page.get("entry", ()))
        link = next((one["url"] for one in page.get("link", ()) if one["relation"] == "next"), None)


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--patients", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write-back", action="store_true")
    parser.add_argument("--cohort", action="store_true")
    parser.add_argument("--subscriptions", action="store_true")
    parser.add_argument("--postgresql", action="store_true", help="the ledger of --subscriptions on a PostgreSQL server of its own")
    options = parser.parse_args()
    look = kill_cohort if options.cohort else kill_writing if options.write_back else kill_and_look
    if options.subscriptions:
        wrong = kill_delivering(options.kills, options.patients, options.seed, options.postgresql)
    else:
        wrong = look(options.kills, options.patients, options.seed)
    print("\n".join(wrong) or "nobody lost, nobody done twice")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
