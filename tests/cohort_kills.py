"""Kills a cohort run again and again, without a word (SIGKILL), takes it up each time, and looks at what is left."""

import hashlib
import random
import subprocess
import tempfile
import time
from collections import Counter
from pathlib import Path

import orjson

from sural.cohort.synthetic.writing import write
from tests.cohorts import AS_OF, command

COMPARED = ("answers.ndjson", "summaries.ndjson", "rejects.ndjson", "report.html")


def running(source: Path, out: Path, *more: str) -> "subprocess.Popen[bytes]":
    """A run as a user starts it, with two processes."""
    return subprocess.Popen(command(source, out, "--workers", "2", "--resume", *more), stderr=subprocess.DEVNULL)


def kill_cohort(kills: int, patients: int, seed: int, engine: str = "local") -> list[str]:
    """What is wrong after some kills and a run that was let live; empty when nothing is.

    A run that ends between two kills is judged, and the next begins anew. Outputs must be, byte for byte, those of a run that nobody killed.
    """
    chance = random.Random(seed)
    wrong: list[str] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source = folder / "in"
        write(source, patients, seed, AS_OF, faulty=0.002)
        began = time.monotonic()
        if running(source, folder / "whole", "--engine", engine).wait():
            return ["a run that nobody killed did not end well"]
        took = time.monotonic() - began
        expected = digests(folder / "whole")
        killed, runs = 0, 1
        while killed < kills:
            process = running(source, folder / f"run-{runs}", "--engine", engine)
            try:
                process.wait(chance.uniform(0.2, took))
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
                killed += 1
                continue
            wrong += judge(folder / f"run-{runs}", expected, process.returncode, patients)
            runs += 1
        status = running(source, folder / f"run-{runs}", "--engine", engine).wait()
        wrong += judge(folder / f"run-{runs}", expected, status, patients)
    print(f"{killed} kills in {runs} runs of {patients} patients, each of {took:.1f} s when nobody kills it")
    return wrong


def judge(out: Path, expected: dict[str, str], status: int, patients: int) -> list[str]:
    """What is wrong with a run that has ended."""
    if status:
        return [f"{out.name} ended with {status}"]
    subjects = Counter(orjson.loads(line)["subject"] for line in (out / "summaries.ndjson").read_bytes().splitlines())
    wrong = [f"{out.name}: {name} differs" for name, digest in digests(out).items() if digest != expected[name]]
    if len(subjects) != patients or max(subjects.values()) > 1:
        wrong.append(f"{out.name}: {patients - len(subjects)} patients lost, {sum(subjects.values()) - len(subjects)} twice")
    if (out / "unfinished").exists():
        wrong.append(f"{out.name}: something is left of what was under way")
    return wrong


def digests(out: Path) -> dict[str, str]:
    return {name: hashlib.blake2b((out / name).read_bytes()).hexdigest() for name in COMPARED}
