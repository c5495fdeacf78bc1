"""The fake EHR in a process of its own, on a free port of this machine, for as long as it is needed."""

import multiprocessing
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import httpx


def serve(port: int, patients: int, clients: dict[str, Any] | None) -> None:
    import uvicorn

    from sural.records.fake_ehr.app import FakeEhr
    from sural.records.fake_ehr.population import fill
    from sural.records.fake_ehr.store import Store

    store = Store()
    fill(store, patients)
    uvicorn.run(FakeEhr(store, clients).app, host="127.0.0.1", port=port, log_level="error")


@contextmanager
def ehr_process(patients: int, clients: dict[str, Any] | None = None) -> Iterator[str]:
    """The base address of a fake EHR with some patients; with `clients` (id to JWKS) it wants their tokens."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = multiprocessing.get_context("spawn").Process(target=serve, args=(port, patients, clients))
    server.start()
    try:
        base = f"http://127.0.0.1:{port}/fhir"
        for _ in range(600):
            try:
                httpx.get(f"{base}/metadata").raise_for_status()
                break
            except httpx.HTTPError:
                time.sleep(0.1)
        else:
            raise RuntimeError("the fake EHR did not start")
        yield base
    finally:
        server.terminate()
        server.join()
