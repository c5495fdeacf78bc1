"""Kills the delivery of notifications again and again, without a word (SIGKILL), and looks at what the subscribers have.

    python -m tests.kills --subscriptions [--kills 20] [--patients 500] [--seed 1] [--postgresql]

Two processes deliver from one ledger while resources are stored and amended in it; at random moments one of them is killed and another
started. One endpoint answers late, with faults or not at all every few requests, and another is dead until after the last kill. In the end
every version that was stored must have reached every subscriber whose criteria it meets, in the order in which the patient's versions were
stored (what comes again left aside), and no event may have been under way twice at the same time.
"""

import random
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from itertools import pairwise
from pathlib import Path
from typing import Any

import orjson
from sqlalchemy import ColumnElement, func, select

from sural.ledger.resources import Resources, Stored, Write
from sural.ledger.store import Ledger
from sural.ledger.tables import NOTIFICATION
from sural.subscriptions.channel import channel
from sural.subscriptions.outbox import Outbox
from sural.subscriptions.store import Subscriptions
from tests.commands import command
from tests.serving import address as database_at
from tests.serving import postgresql_server
from tests.subscribers import Endpoint, Received, by_topic, listening, plain

Json = dict[str, Any]
BASE = "http://127.0.0.1:8000/fhir"
VERSIONS = 3
TIMEOUT = 1
LONGEST = 180.0
SETTINGS = """[outbound]
subscribers = {addresses}
full_resource = {addresses}
private = {addresses}

[subscriptions]
first_wait = 0.1
longest_wait = 1.0
failures = 100000
"""


def assessment(patient: int, version: int) -> Json:
    return {
        "resourceType": "RiskAssessment", "status": "final", "subject": {"reference": f"Patient/p{patient}"}, "occurrenceDateTime": "2026-03-01",
        "method": {"coding": [{"system": "urn:example:skerrow", "code": "even" if patient % 2 == 0 else "odd"}]}, "note": [{"text": f"version {version}"}],
    }  # fmt: skip


def store_all(resources: Resources, patients: int, chance: random.Random, seconds: float) -> list[Stored]:
    """Store every patient's resource and amend it, mixed, spread over some seconds; every version in the order of the feed."""
    waiting = [number for number in range(patients) for _ in range(VERSIONS)]
    chance.shuffle(waiting)
    current: dict[int, Stored] = {}
    made: list[Stored] = []
    for start in range(0, len(waiting), 5):
        for number in waiting[start : start + 5]:
            there = current.get(number)
            write = Write(assessment(number, there.version + 1 if there else 1), there)
            (current[number],) = resources.write(lambda _, write=write: [write])  # type: ignore[misc]
            made.append(current[number])
        time.sleep(seconds * 5 / len(waiting))
    return made


def kill_delivering(kills: int, patients: int, seed: int, postgresql: bool = False) -> list[str]:
    """What is wrong after some kills; empty when nothing is."""
    chance = random.Random(seed)
    flaky, dead, wrong = Endpoint(0.15, seed), Endpoint(), []
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        later = _free_port()
        address, revived = stack.enter_context(listening(flaky)), f"http://127.0.0.1:{later}"
        (folder / "settings.toml").write_text(SETTINGS.format(addresses=orjson.dumps([address, revived]).decode()))
        server = stack.enter_context(postgresql_server(folder / "postgresql")) if postgresql else None
        database = database_at(server) if server else f"sqlite:///{folder / 'ledger.sqlite'}"
        resources = Resources(Ledger(database))
        kept = Subscriptions(resources)
        subscribed = {
            path: kept.create(asked, channel(asked, BASE, kept.now()), "", BASE).id
            for path, asked in {
                "/ids": by_topic("RiskAssessment", f"{address}/ids", timeout=TIMEOUT, max_count=10),
                "/even": by_topic("RiskAssessment", f"{address}/even", "full-resource", ("method=even",), timeout=TIMEOUT),
                "/plain": plain("RiskAssessment?method=odd", f"{address}/plain", "application/fhir+json"),
                "/dead": by_topic("RiskAssessment", f"{revived}/dead", "full-resource", timeout=TIMEOUT, max_count=20),
            }.items()
        }
        processes = [deliverer(folder, database) for _ in range(2)]
        made: list[Stored] = []
        seconds = 1.2 * kills
        writer = threading.Thread(target=lambda: made.extend(store_all(resources, patients, random.Random(seed), seconds)))
        _accepted(kept, subscribed, ("/ids", "/even", "/plain"))
        _ask_again(kept, subscribed["/dead"])  # its handshake failed; taken up again without one, as by whoever knows it to be there
        writer.start()
        during = 0
        for _ in range(kills):
            time.sleep(chance.uniform(0.3, 1.5))
            victim = chance.randrange(2)
            processes[victim].kill()
            processes[victim].wait()
            during += _count(resources, NOTIFICATION.c.delivered.is_(None), NOTIFICATION.c.holder != "") > 0
            processes[victim] = deliverer(folder, database)
        writer.join()
        stack.enter_context(listening(dead, later))
        left = _wait_until_delivered(resources)
        for process in processes:
            process.terminate()
            process.wait()
        with resources.database.reading() as connection:
            rows = connection.execute(select(NOTIFICATION.c.subscription, func.count()).group_by(NOTIFICATION.c.subscription))
            counted = {row[0]: row[1] for row in rows}
        if left:
            wrong.append(f"{left} events were not delivered after {LONGEST:.0f} seconds")
        numbers = {path: _numbers(resources, id) for path, id in subscribed.items()}
        resources.database.engine.dispose()
    wanted = {
        "/ids": made, "/dead": made, "/even": [one for one in made if _number(one) % 2 == 0], "/plain": [one for one in made if _number(one) % 2],
    }  # fmt: skip
    for path, versions in wanted.items():
        got = [one for one in (dead if path == "/dead" else flaky).received if one.path.startswith(path) and one.body]
        wrong += [f"{path}: {fault}" for fault in _faults(got, versions, numbers[path], whole=path != "/ids")]
        if counted.get(subscribed[path], 0) != len(versions):
            wrong.append(f"{path}: {counted.get(subscribed[path], 0)} events for {len(versions)} versions")
    total, again = sum(len(one) for one in wanted.values()), len(flaky.received) + len(dead.received)
    print(f"{during} of {kills} kills while something was under way, {len(made)} versions, {total} events, {again} requests, {sum(one.answer != 200 for one in flaky.received)} of them not taken")
    return wrong


def deliverer(folder: Path, database: str) -> "subprocess.Popen[bytes]":
    """A delivery as a user starts it."""
    started = command("notify", "--database", database, "--settings", folder / "settings.toml")
    return subprocess.Popen(started, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def _accepted(kept: Subscriptions, subscribed: dict[str, str], paths: Sequence[str]) -> None:
    """Wait for the handshakes; one that fails on a bad day is asked for again, as a client would."""
    until = time.monotonic() + 60
    while time.monotonic() < until:
        standing = [kept.read(subscribed[path], None) for path in paths]
        if all(one is not None and one.status == "active" for one in standing):
            return
        for one in standing:
            if one is not None and one.status == "error":
                _ask_again(kept, one.id, "requested")
        time.sleep(0.1)
    raise RuntimeError("no handshake was answered")


def _ask_again(kept: Subscriptions, id: str, status: str = "active") -> None:
    until = time.monotonic() + 60
    while time.monotonic() < until:
        one = kept.read(id, None)
        assert one is not None
        if one.status == "error":
            kept.update(id, one.asked | {"status": status}, one.channel(kept.now()), "", BASE)
            return
        time.sleep(0.1)
    raise RuntimeError("a handshake with nobody did not fail")


def _wait_until_delivered(resources: Resources) -> int:
    """How many events are left when nothing is waiting any more, or after the longest time."""
    until = time.monotonic() + LONGEST
    left = -1
    while time.monotonic() < until and left != 0:
        Outbox(resources).collect(10_000)
        left = _count(resources, NOTIFICATION.c.delivered.is_(None))
        time.sleep(0.2)
    return left


def _count(resources: Resources, *which: ColumnElement[bool]) -> int:
    with resources.database.reading() as connection:
        return int(connection.scalar(select(func.count()).select_from(NOTIFICATION).where(*which)) or 0)


def _numbers(resources: Resources, id: str) -> dict[int, tuple[str, int]]:
    """The resource and version of each event."""
    return {one.number: (one.stored.id, one.stored.version) for one in Outbox(resources).events(id, 1, 10**9, 10**9)}


def _number(one: Stored) -> int:
    return int(str(one.subject).removeprefix("Patient/p"))


def _faults(got: Sequence[Received], versions: Sequence[Stored], numbers: dict[int, tuple[str, int]], whole: bool) -> list[str]:
    """What is wrong with what one subscriber has: lost, out of a patient's order, or twice under way."""
    patients = {(one.id, one.version): _number(one) for one in versions}
    wrong: list[str] = []
    seen: dict[tuple[str, int], list[Received]] = {}
    order: dict[int, list[int]] = {}
    for one in got:
        for version in _versions(one, numbers, whole):
            seen.setdefault(version, []).append(one)
            if version in patients and len(seen[version]) == 1:
                order.setdefault(patients[version], []).append(version[1])
    taken = {version for version, times in seen.items() if any(one.answer == 200 for one in times)}
    if lost := len(patients.keys() - taken):
        wrong.append(f"{lost} of {len(patients)} versions were lost")
    if strange := len(seen.keys() - patients.keys()):
        wrong.append(f"{strange} versions came from nowhere")
    if mixed := [patient for patient, found in order.items() if found != sorted(found)]:
        wrong.append(f"{len(mixed)} patients' versions came out of order")
    pairs = (pair for times in seen.values() for pair in pairwise(times))
    twice = sum(later.began < min(earlier.ended, earlier.began + TIMEOUT / 2) for earlier, later in pairs)  # later it may have been given up
    if twice:
        wrong.append(f"{twice} events were under way twice at the same time")
    return wrong


def _versions(one: Received, numbers: dict[int, tuple[str, int]], whole: bool) -> list[tuple[str, int]]:
    """The versions that a request tells of."""
    content = orjson.loads(one.body)
    if one.method == "PUT":
        return [(content["id"], int(content["meta"]["versionId"]))]
    if whole:
        return [(entry["resource"]["id"], int(entry["resource"]["meta"]["versionId"])) for entry in content["entry"][1:]]
    return [numbers[int(event["event-number"])] for event in one.status["events"]]


def _free_port() -> int:
    with suppress(OSError), socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])
    raise RuntimeError("no port is free")
