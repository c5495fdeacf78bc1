"""Kills a pull again and again, without a word (SIGKILL), and looks at what is left.

    python -m tests.kills [--kills 20] [--patients 500] [--seed 1]

Each pull is a process of its own against a fake EHR in another; it dies after a random number of its summaries. In the end everybody must
have been answered, nobody who was written down as done may have been done again, and the mark must be that of the first pull.
"""

import argparse
import random
import sqlite3
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import orjson

from tests.ehr_process import ehr_process

CONCURRENCY = 4
PULL = "import sys; from sural.cli.main import main; sys.exit(main(sys.argv[1:]))"


def pulling(base: str, folder: Path) -> "subprocess.Popen[bytes]":
    """A pull as a user starts it."""
    options = ["--from", base, "--as-of", "2026-03-02", "--check", "none", "--concurrency", str(CONCURRENCY), "--search", "post"]
    ledger = ["--database", f"sqlite:///{folder / 'ledger.sqlite'}"]
    return subprocess.Popen(
        [sys.executable, "-c", PULL, "pull", *options, *ledger], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
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
        folder = Path(name)
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
    everybody = {f"Patient/skerrow-{number:05d}" for number in range(1, patients + 1)}
    if everybody - set(times):
        wrong.append(f"{len(everybody - set(times))} patients were lost")
    twice = sum(count - 1 for count in times.values())
    if twice > kills * CONCURRENCY:
        wrong.append(f"{twice} summaries came twice; at most those under way at a kill may")
    print(f"{kills} kills, {len(times)} patients, {twice} summaries written again because a kill came before they were noted")
    return wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--patients", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    wrong = kill_and_look(options.kills, options.patients, options.seed)
    print("\n".join(wrong) or "nobody lost, nobody done twice")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
