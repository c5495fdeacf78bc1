"""The files of a population as Spark reads them: paths on a shared file system, or addresses that Spark's file systems know.

Spark tells from a name whether a file is compressed, takes some characters of a name for a pattern, and leaves out files whose names begin
with an underscore. So a file with a path is read through a link beside the run that has a plain name.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct
from py4j.protocol import Py4JError
from pyspark.sql import SparkSession

from sural.cohort.grouping import Unreadable
from sural.cohort.inputs import GZIP, LINES, Input, NotThere, inputs
from sural.cohort.spark.addresses import address, escaped, plain

LINKS = "inputs"
_ADDRESS = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]+://")


class Source(Struct, frozen=True):
    """What Spark is given for a file, and under which address it says that a line comes from there."""

    given: str
    seen: str


def located(spark: SparkSession, names: Iterable[str], apart: Sequence[Path] = ()) -> tuple[Input, ...]:
    """The files named: paths, folders and patterns, or addresses of such. Each once. Paths that stand `apart` are no input. Raises NotThere or
    Unreadable."""
    found: dict[str, Input] = {}
    for name in names:
        for one in _addressed(spark, name) if _ADDRESS.match(name) else inputs([name], apart):
            found.setdefault(one.path, one)
    return tuple(found.values())


def sources(spark: SparkSession, files: Iterable[Input], folder: Path) -> list[Source]:
    """How each file is read, linked from `folder` where it has a path."""
    links = folder / LINKS
    links.mkdir(exist_ok=True)
    return [_source(spark, number, one, links) for number, one in enumerate(files)]


def _source(spark: SparkSession, number: int, one: Input, links: Path) -> Source:
    if not one.path.startswith("/"):
        return Source(escaped(one.path), plain(_path(spark, one.path).toUri().toString()))
    link = links / f"{number}.ndjson{'.gz' if one.compressed else ''}"
    link.unlink(missing_ok=True)
    link.symlink_to(one.path)
    return Source(address(link, True), plain(_path(spark, address(link)).toUri().toString()))


def _addressed(spark: SparkSession, name: str) -> Iterator[Input]:
    """The files at an address, as the file system that it belongs to lists them."""
    try:
        path = _path(spark, name)
        system = path.getFileSystem(spark._jsc.hadoopConfiguration())
        matched = system.globStatus(path) or ()
        files = [file for status in matched for file in _listed(system, status)]
    except Py4JError as fault:
        raise NotThere(f"{name}: {_cause(fault)}") from None
    if not files:
        raise NotThere(f"{name}: no file")
    for file in files:
        where = file.getPath().toString()
        compressed = _begins(system, file)
        if compressed != where.endswith(".gz"):
            raise Unreadable(f"{where}: Spark takes a file for compressed when its name ends with .gz, and only then")
        yield Input(where, where, compressed, file.getLen(), file.getModificationTime() * 1_000_000)


def _listed(system: Any, status: Any) -> list[Any]:
    if not status.isDirectory():
        return [status]
    found, inside = [], system.listFiles(status.getPath(), True)
    while inside.hasNext():
        file = inside.next()
        if file.getPath().getName().endswith(LINES):
            found.append(file)
    return sorted(found, key=lambda file: str(file.getPath().toString()))


def _begins(system: Any, file: Any) -> bool:
    """Whether a file begins as a compressed one does."""
    stream = system.open(file.getPath())
    try:
        return [stream.read() for _ in GZIP] == list(GZIP)
    finally:
        stream.close()


def _path(spark: SparkSession, name: str) -> Any:
    assert spark._jvm is not None
    return spark._jvm.org.apache.hadoop.fs.Path(name)


def _cause(fault: Py4JError) -> str:
    """The kind of a fault of Java."""
    thrown = getattr(fault, "java_exception", None)
    return "cannot be read" if thrown is None else f"cannot be read ({thrown.getClass().getSimpleName()})"
