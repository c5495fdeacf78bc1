"""Kills workers again and again, without a word (SIGKILL), while clients store through a proxy before them, and looks at what is left.

    python -m tests.worker_kills [--patients 60] [--kills 10] [--stops 3] [--crashes 1] [--clients 4] [--proxy haproxy|nginx] [--seed 1]

A PostgreSQL server of our own, two `sural serve` over it, and a general-purpose proxy with the configuration of `docs/deploy`; everything on this
machine. Clients store answers, amend them, send transactions twice, create and update on conditions, and send again what failed, as
`docs/deploy.md` says. One worker is killed at a random moment and started again, the other one next, or either; some are
stopped as a supervisor does (SIGTERM), and now and then the database crashes. In the end whatever was acknowledged must be there once, as it was acknowledged; versions and the feed without a gap or a
repetition, also as they were seen by one who followed it meanwhile; and both workers must say the same.
"""

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Lock, Thread
from typing import Any

import httpx
import orjson

from sural.ledger.database import Unavailable
from sural.ledger.parameters import TYPES
from sural.ledger.resources import Resources
from sural.ledger.store import Ledger
from tests.asking import answer_of
from tests.serving import Worker, address, free_port, postgresql_server, started
from tests.stored import exam

Json = dict[str, Any]
ROOT = Path(__file__).resolve().parents[1]
PROXIES = {"haproxy": "haproxy.cfg", "nginx": "nginx.conf"}
AGAIN = (502, 503, 504)
"""Answers of a proxy or a worker after which a request is sent again."""
SYSTEM = "urn:example:skerrow:device"
STORE = "/fhir/$assess-and-store-lower-limb?as-of=2026-03-02"


class Said:
    """What the clients were told: every resource that was acknowledged, by reference and version, and how often they had to ask again."""

    def __init__(self) -> None:
        self._lock = Lock()
        self.acknowledged: dict[tuple[str, str], Json] = {}
        self.counts: Counter[str] = Counter()
        self.wrong: list[str] = []

    def stored(self, resource: Json) -> None:
        key = f"{resource['resourceType']}/{resource['id']}", resource["meta"]["versionId"]
        with self._lock:
            if self.acknowledged.setdefault(key, resource) != resource:
                self.wrong.append(f"{key} was acknowledged with two contents")

    def count(self, what: str) -> None:
        with self._lock:
            self.counts[what] += 1

    def complain(self, text: str) -> None:
        with self._lock:
            self.wrong.append(text)


class Client:
    """One that stores through the proxy, and sends again what was not answered."""

    def __init__(self, name: str, base: str, said: Said) -> None:
        self._name, self._said = name, said
        self._http = httpx.Client(base_url=base, timeout=90, headers={"content-type": "application/fhir+json"})
        self._updates = 0

    def send(self, method: str, path: str, content: Json | None = None, **headers: str) -> httpx.Response:
        """Until it is answered, for two minutes at most."""
        body = orjson.dumps(content) if content is not None else None
        until = time.monotonic() + 120
        while True:
            try:
                response = self._http.request(
                    method, path, content=body, headers={k.replace("_", "-"): v for k, v in headers.items()}
                )
                why = str(response.status_code)
                if response.status_code not in AGAIN:
                    self._said.count("requests")
                    return response
            except httpx.TransportError as fault:
                why = type(fault).__name__
            self._said.count(f"sent again after {why}")
            if time.monotonic() > until:
                raise RuntimeError(f"{method} was not answered for two minutes")
            time.sleep(0.1)

    def expect(self, response: httpx.Response, *statuses: int) -> Json:
        if response.status_code not in statuses:
            self._said.complain(f"{self._name}: {response.request.method} ended with {response.status_code}")
            return {}
        found: Json = response.json()
        return found

    def store(self, patient: str, lost: str) -> None:
        """An answer, stored or amended."""
        answer = self.expect(self.send("POST", STORE, exam(patient, lost, "2026-03-01").bundle()), 200)
        self._all_stored(answer)

    def transact(self, patient: str, lost: str) -> None:
        """The same transaction twice; the second time it says what stands already."""
        transaction = answer_of(exam(patient, lost, "2026-03-01"), transaction=True)
        first, second = (self.expect(self.send("POST", "/fhir", transaction), 200) for _ in range(2))
        self._all_stored(first)
        if [one["resource"] for one in first.get("entry", ())] != [one["resource"] for one in second.get("entry", ())]:
            self._said.complain(f"{self._name}: the same transaction again gave something else")

    def create(self, value: str) -> None:
        """Created on the condition that it is not there; several clients may do so at once."""
        made = self.send("POST", "/fhir/Device", device(value), if_none_exist=f"identifier={SYSTEM}|{value}")
        self._stored(self.expect(made, 200, 201))

    def update(self, value: str) -> None:
        """The next version of what others update too: read, and written if nobody came before."""
        self._updates += 1
        mine = f"{self._name}-{self._updates}"
        while True:
            found = self.expect(self.send("GET", f"/fhir/Device?identifier={SYSTEM}|{value}"), 200)
            (entry,) = found.get("entry", [{}])
            there = entry.get("resource", {})
            if there.get("lotNumber") == mine:  # an update whose answer was not heard
                return
            tag = f'W/"{there["meta"]["versionId"]}"'
            made = self.send("PUT", f"/fhir/Device/{there['id']}", {**there, "lotNumber": mine}, if_match=tag)
            if made.status_code != 412 and made.status_code != 409:
                self._stored(self.expect(made, 200))
                return
            history = self.expect(self.send("GET", f"/fhir/Device/{there['id']}/_history"), 200)
            if any(one["resource"].get("lotNumber") == mine for one in history["entry"]):
                return

    def _all_stored(self, bundle: Json) -> None:
        for entry in bundle.get("entry", ()):
            if entry["resource"]["resourceType"] in TYPES:
                self._stored(entry["resource"])

    def _stored(self, resource: Json) -> None:
        if resource:
            self._said.stored(resource)


def device(value: str) -> Json:
    return {"resourceType": "Device", "status": "active", "identifier": [{"system": SYSTEM, "value": value}]}


def work(client: Client, number: int, patients: list[str], enough: Event) -> None:
    """The patients of one client, and then again with other findings until it is enough."""
    turn = 0
    while turn == 0 or not enough.is_set():
        for place, patient in enumerate(patients):
            if turn and enough.is_set():
                return
            client.store(patient, ("left", "right")[turn % 2])
            if turn == 0:
                client.transact(f"{patient}-t", "both")
            client.create(f"shared-{(number + place) % 7}-{turn}")
            client.create("counted")
            client.update("counted")
        turn += 1


def follow(resources: Resources, seen: list[tuple[int, str, int]], stop: Event) -> None:
    """One who reads the feed on from what was seen last, while others write."""
    while True:
        last_time = stop.is_set()
        try:
            changes = resources.changes(seen[-1][0] if seen else 0)
        except Unavailable:
            time.sleep(0.1)
            continue
        seen += [(one.sequence, one.reference, one.version) for one in changes]
        if last_time and not changes:
            return
        time.sleep(0.01)


@contextmanager
def proxy(kind: str, folder: Path, ports: list[int]) -> Iterator[str]:
    """The address of a proxy before two workers, configured as documented."""
    own = free_port()
    text = (ROOT / "docs" / "deploy" / PROXIES[kind]).read_text()
    for documented, port in (("8000", own), ("8001", ports[0]), ("8002", ports[1])):
        text = text.replace(f"127.0.0.1:{documented}", f"127.0.0.1:{port}")
    config = folder / PROXIES[kind]
    config.write_text(text)
    binary = shutil.which(kind) or f"/usr/sbin/{kind}"
    command = [binary, "-db", "-f", str(config)]
    if kind == "nginx":
        command = [
            binary,
            "-p",
            str(folder),
            "-c",
            str(config),
            "-e",
            str(folder / "nginx.log"),
            "-g",
            f"daemon off; pid {folder}/nginx.pid;",
        ]
    with (folder / "proxy.log").open("wb") as log:
        running = subprocess.Popen(command, stdout=log, stderr=log)
    try:
        yield f"http://127.0.0.1:{own}"
    finally:
        running.terminate()
        running.wait(30)


def kill_and_look(acts: dict[str, int], patients: int, clients: int, kind: str, seed: int) -> list[str]:
    """What is wrong after some kills under load; empty when nothing is."""
    chance = random.Random(seed)
    said, enough, stop = Said(), Event(), Event()
    with tempfile.TemporaryDirectory() as name, postgresql_server(Path(name) / "postgresql") as server:
        folder, database = Path(name), address(server)
        workers = [Worker(database, folder / f"worker-{number}.log") for number in (1, 2)]
        resources = Resources(Ledger(database))
        seen: list[tuple[int, str, int]] = []
        follower = Thread(target=follow, args=(resources, seen, stop))
        follower.start()
        try:
            with proxy(kind, folder, [worker.port for worker in workers]) as base, ThreadPoolExecutor(clients) as pool:
                for worker in workers:
                    worker.wait_for(200)
                began = time.monotonic()
                names = [f"w{number:05d}" for number in range(patients)]
                shares = [names[number::clients] for number in range(clients)]
                working = [pool.submit(work, Client(f"c{n}", base, said), n, share, enough) for n, share in enumerate(shares)]
                try:
                    disturb(workers, server, chance, acts)
                finally:
                    enough.set()
                for one in working:
                    one.result()
                took = time.monotonic() - began
            stop.set()
            follower.join()
            for worker in workers:
                worker.wait_for(200)
            wrong = [*said.wrong, *judge(resources, workers, said, seen, patients)]
            faults = [
                line
                for worker in (1, 2)
                for line in (folder / f"worker-{worker}.log").read_text().splitlines()
                if "internal" in line
            ]
            wrong += [f"a worker says: {line}" for line in faults[:3]]
        finally:
            stop.set()
            for worker in workers:
                worker.kill()
            follower.join()
        resources.database.engine.dispose()
    again = ", ".join(f"{count} {what}" for what, count in said.counts.most_common() if what != "requests")
    done = ", ".join(f"{times} × {act}" for act, times in acts.items())
    print(f"{done} in {took:.0f} s; {said.counts['requests']} requests; {again or 'none sent again'}")
    print(f"{len(said.acknowledged)} versions acknowledged, {len(seen)} changes in the feed")
    return wrong


def disturb(workers: list[Worker], server: Any, chance: random.Random, acts: dict[str, int]) -> None:
    """Kill and stop workers and crash the database under the clients, in a random order; whatever ended is started again."""
    order = [act for act, times in acts.items() for _ in range(times)]
    chance.shuffle(order)
    for act in order:
        time.sleep(chance.uniform(0.3, 1.5))
        if act == "crash":
            os.kill(
                server.get_pid(), signal.SIGQUIT
            )  # an immediate shutdown: what it had not finished is rolled back when it starts again
            time.sleep(0.5)
            started(server)
            continue
        worker = chance.choice(workers)
        if act == "stop":
            worker.end()
        else:
            worker.kill()
        time.sleep(chance.uniform(0, 0.5))
        worker.start()
        worker.wait_for(200)


def judge(resources: Resources, workers: list[Worker], said: Said, seen: list[tuple[int, str, int]], patients: int) -> list[str]:
    """What is wrong with what is stored."""
    wrong: list[str] = []
    feed = [one for start in range(0, resources.last(), 1000) for one in resources.changes(start)]
    if [one.sequence for one in feed] != list(range(1, len(feed) + 1)):
        wrong.append("the feed has gaps, or numbers twice")
    if seen != [(one.sequence, one.reference, one.version) for one in feed]:
        wrong.append(f"who followed the feed saw {len(seen)} changes of {len(feed)}, or in another order")
    instants = [one.instant for one in feed]
    if instants != sorted(instants):
        wrong.append("instants go back")
    versions: dict[str, list[int]] = {}
    for one in feed:
        versions.setdefault(one.reference, []).append(one.version)
    if any(found != list(range(1, len(found) + 1)) for found in versions.values()):
        wrong.append("a history has gaps")
    contents = {(one.reference, str(one.version)): one.resource for one in feed}
    lost = [key for key, resource in said.acknowledged.items() if contents.get(key) != resource]
    if lost:
        wrong.append(f"{len(lost)} acknowledged versions are not there as they were, the first {lost[0]}")
    wrong += twins([contents[reference, str(found[-1])] for reference, found in versions.items()], patients)
    lots = [one.resource["lotNumber"] for one in feed if one.type == "Device" and "lotNumber" in one.resource]
    if len(lots) != len(set(lots)):
        wrong.append("an update was carried out twice")
    return wrong + differences(workers, versions)


def twins(standing: list[Json], patients: int) -> list[str]:
    """Identifiers of two resources, and patients without exactly one answer."""
    named = Counter(
        (one["resourceType"], each.get("system"), each["value"])
        for one in standing if one["resourceType"] != "Provenance" for each in one.get("identifier", ())
    )  # fmt: skip
    wrong = [f"{count} resources have one identifier" for count in named.values() if count > 1]
    reports = Counter(one["subject"]["reference"] for one in standing if one["resourceType"] == "DiagnosticReport")
    if len(reports) != 2 * patients or set(reports.values()) != {1}:
        wrong.append(f"{len(reports)} patients of {2 * patients} have a report, {sum(reports.values())} reports")
    return wrong


def differences(workers: list[Worker], versions: dict[str, list[int]]) -> list[str]:
    """Where the two workers say something else: all resources by search, page after page from either in turn, and every history."""
    bases = [worker.base for worker in workers]
    wrong: list[str] = []
    with httpx.Client(timeout=60) as http:
        for kind in TYPES:
            walks = [walk(http, kind, order) for order in (bases, bases[::-1])]
            if walks[0] != walks[1] or {f"{kind}/{one['id']}" for one in walks[0]} != {
                one for one in versions if one.startswith(f"{kind}/")
            }:
                wrong.append(f"the workers find different {kind}s")
        for reference, found in versions.items():
            if len(found) == 1:
                continue
            told = [[one["resource"] for one in http.get(f"{base}/fhir/{reference}/_history").json()["entry"]] for base in bases]
            if told[0] != told[1] or [int(one["meta"]["versionId"]) for one in told[0]] != found[::-1]:
                wrong.append(f"the workers tell different histories of a {reference.partition('/')[0]}")
    return wrong


def walk(http: httpx.Client, kind: str, bases: list[str]) -> list[Json]:
    """All resources of a type, each page from the other worker than the one before."""
    found: list[Json] = []
    query, number = f"/fhir/{kind}?_count=100", 0
    while True:
        page = http.get(bases[number % 2] + query).raise_for_status().json()
        found += [entry["resource"] for entry in page.get("entry", ())]
        further = next((one["url"] for one in page["link"] if one["relation"] == "next"), None)
        if further is None:
            return found
        query, number = further[further.index("/fhir/") :], number + 1


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--patients", type=int, default=60)
    parser.add_argument("--kills", type=int, default=10)
    parser.add_argument("--stops", type=int, default=3, help="workers stopped by SIGTERM")
    parser.add_argument("--crashes", type=int, default=1, help="crashes of the database")
    parser.add_argument("--clients", type=int, default=4)
    parser.add_argument("--proxy", choices=PROXIES, default="haproxy")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    acts = {"kill": options.kills, "stop": options.stops, "crash": options.crashes}
    wrong = kill_and_look(acts, options.patients, options.clients, options.proxy, options.seed)
    print("\n".join(wrong) or "nothing lost, nothing twice")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
