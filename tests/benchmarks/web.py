"""The operation over HTTP, one worker on loopback: the 95th percentile against the same work in process and an empty route.

    python -m tests.benchmarks.web [--requests N]

The limit is twice (in-process time with the same checks + an empty route with the same body).
"""

import argparse
import multiprocessing
import socket
import statistics
import time
from collections.abc import Callable
from datetime import date

import httpx

from tests.benchmarks import bundles

AS_OF = date(2026, 3, 2)
JSON = {"content-type": "application/fhir+json"}


def serve(port: int) -> None:
    """The service with one more route that reads its body and does nothing."""
    from fastapi import FastAPI, Request, Response

    from sural.cli.serve import listen
    from sural.web.app import create_app

    async def empty(request: Request) -> Response:
        await request.body()
        return Response()

    bare = FastAPI(openapi_url=None)
    bare.add_api_route("/empty", empty, methods=["POST"])
    outer = FastAPI(openapi_url=None)
    outer.mount("/bare", bare)
    outer.mount("/", create_app())
    listen(outer, "127.0.0.1", port)


def percentile(job: Callable[[bytes], object], lines: list[bytes], requests: int) -> tuple[float, float]:
    """The median and the 95th percentile, in milliseconds."""
    times = []
    for number in range(requests):
        line = lines[number % len(lines)]
        start = time.perf_counter()
        job(line)
        times.append((time.perf_counter() - start) * 1000)
    return statistics.median(times), statistics.quantiles(times, n=20)[-1]


def in_process() -> Callable[[bytes], object]:
    """The same work with the same checks, without HTTP."""
    from sural.doors.assessor import answer, encode, merged, structural_check
    from sural.doors.request import Request

    request, checker = Request(AS_OF), structural_check()
    return lambda data: encode(merged(answer(data, request, checker)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--requests", type=int, default=500)
    options = parser.parse_args()
    lines = bundles.lines(50)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = multiprocessing.get_context("spawn").Process(target=serve, args=(port,))
    server.start()
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}") as client:
            wait(client)
            query = f"/fhir/$assess-lower-limb?as-of={AS_OF}"
            jobs: dict[str, Callable[[bytes], object]] = {
                "in process": in_process(),
                "empty route": lambda line: client.post("/bare/empty", content=line, headers=JSON).raise_for_status(),
                "operation": lambda line: client.post(query, content=line, headers=JSON).raise_for_status(),
            }
            found = {}
            for name, job in jobs.items():
                percentile(job, lines, 20)
                found[name] = percentile(job, lines, options.requests)
    finally:
        server.terminate()
        server.join()
    print(f"{'ms':14}{'median':>8}{'95 %':>8}")
    for name, (median, high) in found.items():
        print(f"{name:14}{median:8.2f}{high:8.2f}")
    bound = found["in process"][0] + found["empty route"][0]
    print(f"95 % of the operation is {found['operation'][1] / bound:.2f} times (in process + empty route); limit 2")


def wait(client: httpx.Client) -> None:
    for _ in range(100):
        try:
            client.get("/health/live").raise_for_status()
        except httpx.HTTPError:
            time.sleep(0.1)
        else:
            return
    raise SystemExit("the service did not start")


if __name__ == "__main__":
    main()
