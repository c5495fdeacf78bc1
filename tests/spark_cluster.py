"""A Spark cluster of separate processes on this machine: a cohort is assessed on it, a worker is killed without a word, and the result looked at.

    python -m tests.spark_cluster [--patients 2000] [--seed 1] [--kill] [--stage grouping|assessing] [--kill-driver]

A master and two workers are started on the loopback address, and the run is `sural cohort assess --engine spark --master spark://…`, as a
user starts it. With `--kill` one worker and its executor get SIGKILL while lines are brought together or while patients are assessed; with
`--kill-driver` the command itself does, and is given again with `--resume`. In the end every file must hold exactly what the local engine
writes, byte for byte, only that rejects may stand in another order.

Needs the extra `spark` and Java 17.
"""

import argparse
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from sural.cohort.journal import OUTPUTS, UNFINISHED
from sural.cohort.synthetic.writing import write
from tests.cohorts import AS_OF, command

HERE = "127.0.0.1"
QUICK = "-XX:TieredStopAtLevel=1"
"""Java that lives for a minute does not pay for compiling well."""
PAGES = ("report.html", "account.json")
SETTINGS = f"""
spark.driver.memory 512m
spark.executor.memory 512m
spark.executor.cores 1
spark.driver.bindAddress {HERE}
spark.driver.host {HERE}
spark.sql.files.maxPartitionBytes 4m
spark.sql.shuffle.partitions 2
spark.ui.enabled false
spark.driver.extraJavaOptions {QUICK}
spark.executor.extraJavaOptions {QUICK}
"""
_DEADLINE = 300


class Cluster:
    """A master and workers, each a process of its own in a group of its own."""

    def __init__(self, folder: Path, workers: int = 2) -> None:
        self._folder = folder
        self._settings = folder / "conf"
        self._settings.mkdir(parents=True)
        (self._settings / "spark-defaults.conf").write_text(SETTINGS)
        self.environment = os.environ | {
            "SPARK_LOCAL_IP": HERE,
            "SPARK_CONF_DIR": str(self._settings),
            "SPARK_LOCAL_DIRS": str(folder / "scratch"),
            "SPARK_WORKER_DIR": str(folder / "work"),
            "SPARK_DAEMON_MEMORY": "256m",
            "SPARK_DAEMON_JAVA_OPTS": QUICK,
            "SPARK_NO_DAEMONIZE": "1",
            "PYSPARK_PYTHON": sys.executable,
        }
        port, web = _free_ports(2)
        self.url = f"spark://{HERE}:{port}"
        where = ["--host", HERE, "--port", str(port), "--webui-port", str(web)]
        self._processes = [self._start("master", "org.apache.spark.deploy.master.Master", *where)]
        self.workers = [self._worker(number) for number in range(workers)]
        self._processes += self.workers
        _wait("the workers do not register", lambda: self._log("master").count("Registering worker") >= workers)

    def close(self) -> None:
        for process in self._processes:
            _kill(process)

    def kill(self, worker: "subprocess.Popen[bytes]") -> int:
        """Kill a worker and all it has started, without a word; how many processes."""
        pids = list(descendants(worker.pid))
        for pid in [worker.pid, *pids]:
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                continue
        worker.wait()
        return 1 + len(pids)

    def _worker(self, number: int) -> "subprocess.Popen[bytes]":
        how = ["--host", HERE, "--cores", "1", "--memory", "1g", "--webui-port", "0", "--work-dir", str(self._folder / "work")]
        return self._start(f"worker-{number}", "org.apache.spark.deploy.worker.Worker", *how, self.url)

    def _start(self, name: str, program: str, *how: str) -> "subprocess.Popen[bytes]":
        import pyspark

        home = Path(pyspark.__file__).parent
        with (self._folder / f"{name}.log").open("wb") as log:
            return subprocess.Popen(
                [home / "bin" / "spark-class", program, *how],
                env=self.environment | {"SPARK_HOME": str(home)},
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )

    def _log(self, name: str) -> str:
        return (self._folder / f"{name}.log").read_text(errors="replace")


@contextmanager
def cluster(folder: Path, workers: int = 2) -> Iterator[Cluster]:
    """A cluster that is there for a while."""
    started = Cluster(folder, workers)
    try:
        yield started
    finally:
        started.close()


def assessing(source: Path, out: Path, environment: dict[str, str], *more: str) -> "subprocess.Popen[bytes]":
    """The command as a user gives it."""
    return subprocess.Popen(command(source, out, *more), env=environment)


def differences(local: Path, spark: Path) -> list[str]:
    """What differs between what the two engines wrote: rejects may stand in another order, everything else is the same, byte for byte."""
    wrong = []
    for name in OUTPUTS:
        expected = (local / f"{name}.ndjson").read_bytes()
        found = b"".join(part.read_bytes() for part in sorted((spark / f"{name}.ndjson").iterdir()))
        lines, other = expected.splitlines(), found.splitlines()
        if sorted(lines) != sorted(other):
            wrong.append(
                f"{name}: {len(lines)} lines by the local engine, {len(other)} by Spark, {len(set(lines) ^ set(other))} of one only"
            )
        elif name != "rejects" and expected != found:
            wrong.append(f"{name}: another order")
    wrong += [f"{name} differs" for name in PAGES if (local / name).read_bytes() != (spark / name).read_bytes()]
    if (spark / UNFINISHED).exists():
        wrong.append("something is left of what was under way")
    return wrong


def look(patients: int, seed: int, kill: bool, stage: str, kill_driver: bool) -> list[str]:
    """What is wrong after a run on a cluster; empty when nothing is."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source, local, out = folder / "in", folder / "local", folder / "spark"
        write(source, patients, seed, AS_OF, faulty=0.002)
        began = time.monotonic()
        if assessing(source, local, dict(os.environ)).wait():
            return ["the local engine did not end well"]
        print(f"local engine: {time.monotonic() - began:.1f} s")
        with cluster(folder / "cluster") as started:
            on_spark = ("--engine", "spark", "--master", started.url, "--resume")
            began = time.monotonic()
            run = assessing(source, out, started.environment, *on_spark)
            if kill_driver:
                _assessing(out)
                run.kill()
                run.wait()
                print(f"{time.monotonic() - began:.1f} s: killed the command, {_done(out)} parts were done")
                run = assessing(source, out, started.environment, *on_spark)
            if kill:
                victim = _victim(out, stage, started)
                print(
                    f"{time.monotonic() - began:.1f} s: killed a worker, {started.kill(victim)} processes, {_done(out)} parts were done"
                )
            if run.wait():
                return ["the run did not end well"]
            print(f"Spark on two workers: {time.monotonic() - began:.1f} s")
        return differences(local, out)


def _assessing(out: Path) -> None:
    """Wait until some parts are done and another is under way."""
    attempts = out / UNFINISHED / "attempts"
    _wait("nobody is assessed", lambda: _done(out) > 0 and any(attempts.iterdir()))


def _victim(out: Path, stage: str, started: Cluster) -> "subprocess.Popen[bytes]":
    """Wait until a run is in the middle of a stage; a worker that is at work in it."""
    if stage == "assessing":
        _assessing(out)
    found: list[subprocess.Popen[bytes]] = []

    def there() -> bool:
        found[:] = filter(_at_work, started.workers)
        return bool(found)

    _wait("no worker is at work", there)
    return found[0]


def _at_work(worker: "subprocess.Popen[bytes]") -> bool:
    """Whether a Python of one of a worker's executors runs."""
    return any(b"pyspark" in _command(pid) and b"daemon" in _command(pid) for pid in descendants(worker.pid))


def _done(out: Path) -> int:
    parts = out / UNFINISHED / "parts"
    return len(list(parts.iterdir())) if parts.is_dir() else 0


def _wait(otherwise: str, until: Callable[[], bool]) -> None:
    end = time.monotonic() + _DEADLINE
    while not until():
        if time.monotonic() > end:
            raise TimeoutError(otherwise)
        time.sleep(0.02)


def _kill(process: "subprocess.Popen[bytes]") -> None:
    """End a process that was started here, and what it has started."""
    for pid in [process.pid, *descendants(process.pid)]:
        try:
            os.kill(pid, signal.SIGKILL)
        except ProcessLookupError:
            continue
    process.wait()


def _children(pid: int) -> list[int]:
    try:
        return [int(one) for task in Path(f"/proc/{pid}/task").iterdir() for one in (task / "children").read_text().split()]
    except OSError:
        return []


def descendants(pid: int) -> Iterator[int]:
    for child in _children(pid):
        yield child
        yield from descendants(child)


def _command(pid: int) -> bytes:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""


def _free_ports(count: int) -> list[int]:
    sockets = [socket.socket() for _ in range(count)]
    try:
        for one in sockets:
            one.bind((HERE, 0))
        return [one.getsockname()[1] for one in sockets]
    finally:
        for one in sockets:
            one.close()


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--patients", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kill", action="store_true", help="kill one worker with its executor in mid-run")
    parser.add_argument("--stage", choices=("grouping", "assessing"), default="assessing", help="when; default assessing")
    parser.add_argument("--kill-driver", action="store_true", help="kill the command in mid-run, and give it again")
    options = parser.parse_args()
    wrong = look(options.patients, options.seed, options.kill, options.stage, options.kill_driver)
    print("\n".join(wrong) or "exactly what the local engine writes: nobody lost, nobody twice")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
