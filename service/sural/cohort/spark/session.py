"""A Spark session as a run needs it: what is set whatever the site has, and what is missing said in words.

What else a site wants (memory, access to an object store, authentication, encryption) stands in its `spark-defaults.conf`. What Spark says of
itself goes into a file: it is for who runs the cluster, not for who waits for the report.
"""

import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import urlsplit

from py4j.protocol import Py4JError
from pyspark.errors import PySparkException
from pyspark.sql import SparkSession

HOME = "127.0.0.1"
LOG = "spark.log"
BATCH = 4096
"""Lines that are handed to Python at once."""
_ALWAYS = {
    "spark.ui.enabled": "false",
    "spark.ui.showConsoleProgress": "false",
    "spark.log.level": "ERROR",
    "spark.sql.execution.arrow.maxRecordsPerBatch": str(BATCH),
    "spark.sql.execution.arrow.maxBytesPerBatch": "64m",
    "spark.sql.files.ignoreCorruptFiles": "false",
    "spark.sql.files.ignoreMissingFiles": "false",
    "spark.sql.parquet.compression.codec": "lz4_raw",
}


class NoSession(Exception):
    """Spark cannot be started, or cannot be reached."""


@contextmanager
def session(master: str, log: Path) -> Iterator[SparkSession]:
    """A session on this master; `log` is deleted when all goes well. Raises NoSession.

    A master on this machine is spoken to over the loopback address alone. Workers use the Python that this process uses, unless
    PYSPARK_PYTHON says otherwise.
    """
    if master.startswith("sc:"):
        raise NoSession(f"{master}: Spark Connect is not supported; give the address of the cluster's master")
    _look_for_java()
    os.environ.setdefault("PYSPARK_PYTHON", sys.executable)
    wanted = dict(_ALWAYS)
    if is_here(master):
        os.environ.setdefault("SPARK_LOCAL_IP", HOME)
        wanted |= {"spark.driver.host": HOME, "spark.driver.bindAddress": HOME}
    builder = SparkSession.builder.master(master).appName("sural cohort")
    for name, value in wanted.items():
        builder = builder.config(name, value)
    try:
        with _errors_into(log):
            spark = builder.getOrCreate()
    except (PySparkException, Py4JError, OSError):
        raise NoSession(f"{master}: Spark cannot be started or reached, see {log}; it needs Java 17 or newer") from None
    try:
        yield spark
    finally:
        with suppress(PySparkException, Py4JError, OSError):  # of a cluster that is gone
            spark.stop()
    log.unlink(missing_ok=True)


def is_here(master: str) -> bool:
    """Whether a master is on this machine."""
    return master.startswith("local") or urlsplit(master).hostname in (HOME, "localhost", "::1")


@contextmanager
def _errors_into(log: Path) -> Iterator[None]:
    """What is started meanwhile has a file for its standard error."""
    sys.stderr.flush()
    kept = os.dup(2)
    try:
        with log.open("ab") as file:
            os.dup2(file.fileno(), 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)


def _look_for_java() -> None:
    home = os.environ.get("JAVA_HOME")
    found = shutil.which("java", path=str(Path(home) / "bin")) if home else shutil.which("java")
    if found is None:
        raise NoSession("Spark needs Java 17 or newer, and there is none on the path or in JAVA_HOME")
