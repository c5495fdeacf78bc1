"""A pull against the fake EHR on loopback, compared with the same requests sent by a bare httpx loop with the same concurrency.

    python -m tests.benchmarks.pull [--patients 500] [--rounds 3] [--check none|structure]

The pull lists, fetches, assesses, writes summaries and keeps its ledger on disk. The bare loop sends the same bytes to the same addresses
and reads the answers. They take turns in one run; the limit is 1.5 times.
"""

import argparse
import asyncio
import statistics
import sys
import tempfile
import time
from collections.abc import Iterable
from datetime import date
from pathlib import Path

import httpx

from sural.doors.assessor import Answered, documents, encode, structural_check
from sural.doors.request import Request, lexicon
from sural.ledger.store import Ledger
from sural.records.criteria import criteria
from sural.records.http import Connection, Manner
from sural.records.pull import Order, Pull
from sural.records.search import Searcher
from tests.ehr_process import ehr_process

AS_OF = date(2026, 3, 2)
CONCURRENCY = 8
LIMIT = 1.5
Sent = tuple[str, str, bytes, dict[str, str]]


class Recording(httpx.AsyncHTTPTransport):
    """Sends, and remembers what was sent."""

    def __init__(self, sent: list[Sent]) -> None:
        super().__init__()
        self.sent = sent

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        headers = {
            name: value for name, value in request.headers.items() if name in ("accept", "content-type", "accept-encoding")
        }
        self.sent.append((request.method, str(request.url), request.content, headers))
        return await super().handle_async_request(request)


async def pull(base: str, folder: Path, check: bool, transport: httpx.AsyncBaseTransport | None = None) -> tuple[int, float]:
    """One whole pull: how many patients, in how many seconds."""
    written = (folder / "summaries.ndjson").open("wb")
    checker = structural_check() if check else None

    async def sink(patient: str, answered: Answered) -> None:
        written.writelines(encode(one) + b"\n" for one in documents(answered))

    began = time.perf_counter()
    with written:
        async with Connection(base, None, Manner(concurrency=CONCURRENCY), transport=transport) as connection:
            order = Order(Request(AS_OF, output="summary"), workers=CONCURRENCY)
            ledger = Ledger(f"sqlite:///{folder / 'ledger.sqlite'}")
            tally = await Pull(
                connection, ledger, criteria(lexicon()), Searcher(connection, str), order, sink, checker=checker
            ).run()
    assert tally.complete
    return tally.counts["assessed"], time.perf_counter() - began


async def bare(sent: Iterable[Sent]) -> float:
    """The same requests by as many workers, nothing else: seconds."""
    waiting = iter(sent)
    limits = httpx.Limits(max_connections=CONCURRENCY)

    async def work(client: httpx.AsyncClient) -> None:
        for method, url, content, headers in waiting:
            (await client.request(method, url, content=content, headers=headers)).raise_for_status()

    began = time.perf_counter()
    async with httpx.AsyncClient(limits=limits, timeout=60) as client:
        await asyncio.gather(*(work(client) for _ in range(CONCURRENCY)))
    return time.perf_counter() - began


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--patients", type=int, default=500)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--check", choices=("none", "structure"), default="none")
    options = parser.parse_args()
    ratios = []
    with ehr_process(options.patients) as base:
        for number in range(options.rounds + 1):
            sent: list[Sent] = []
            with tempfile.TemporaryDirectory() as folder:
                patients, seconds = asyncio.run(pull(base, Path(folder), options.check == "structure", Recording(sent)))
            plain = asyncio.run(bare(sent))
            if number:  # the first round warms up
                ratios.append(seconds / plain)
                print(
                    f"{patients} patients, {len(sent)} requests: pull {seconds:.1f} s, bare loop {plain:.1f} s, ratio {ratios[-1]:.2f}"
                )
    print(f"median ratio {statistics.median(ratios):.2f}; limit {LIMIT}")
    return 0 if statistics.median(ratios) <= LIMIT else 1


if __name__ == "__main__":
    sys.exit(main())
