"""Lines put in the order of their patients, by DuckDB, in a memory that does not grow with the population.

A Bulk Data export has one file or more per type of resource. Every line is read once, the patient's id is found in it, and lines go into one
Parquet file sorted by that id, from which a stretch of patients is read at a time. An id is found in the text of the line where it stands in
the usual form, and by parsing the line where it may not. What a line says beyond that is not looked at here.

Only the sorted file and the chunks' bounds come out of this; it may be killed at any moment and is then begun anew.
"""

import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
from msgspec import Struct

from sural.cohort import statements
from sural.cohort.inputs import Input
from sural.cohort.statements import BLANK, MEDICATION, NOT_READ, REJECT, RESOURCE, text
from sural.intake.documents import MAX_ENTRIES

CHUNK = 16_384
"""Lines in one chunk, the unit of work and of taking up again: some 400 examinations, some 16 MB."""
MEMORY = "400MB"
"""What DuckDB may use before it goes to disk."""
LONGEST_LINE = 16 * 2**20
_TELL_EVERY = 0.5
SORTED, MEDICATIONS = "sorted.parquet", "medications.parquet"


class Unreadable(Exception):
    """A file that cannot be read to its end; what is in it beyond is not known."""


class Grouped(Struct, frozen=True):
    """What came of grouping: chunks by their first patient's id, how many patients, lines per file, and lines that reach no patient's
    assessment: blank ones, those of types that are not read, Medications that nobody names. `shared` counts how often the others are named once
    more. `bytes_kept` says that the lines are kept byte by byte."""

    bounds: tuple[str, ...]
    patients: int
    lines: tuple[int, ...]
    blank: int
    not_read: int
    unnamed: int
    shared: int
    bytes_kept: bool = False


Row = tuple[int, int, int, bytes]
"""One line: what it is, the number of its file, its own number in it from 1, and its bytes."""


def group(
    files: tuple[Input, ...],
    earlier: tuple[Input, ...],
    folder: Path,
    threads: int,
    told: Callable[[float], None] = lambda _: None,
) -> Grouped:
    """Sort the lines of some files into `folder`; `earlier` are files of summaries. `told` hears how far it is, in per cent.

    Raises Unreadable.
    """
    try:
        return _group(files, earlier, folder, threads, "utf-8", told)
    except duckdb.InvalidInputException as fault:
        if "nicode" not in str(fault):
            raise Unreadable(_reason(fault, files, earlier)) from None
    return _group(files, earlier, folder, threads, "latin-1", told)  # byte by byte: slower, and every line can be read


def _group(
    files: tuple[Input, ...], earlier: tuple[Input, ...], folder: Path, threads: int, encoding: str, told: Callable[[float], None]
) -> Grouped:
    with _database(folder, threads) as database, _telling(database, told):
        sources = [_source(number, one, encoding, folder) for number, one in enumerate((*files, *earlier))]
        judged = statements.judged(sources, len(files))
        try:
            database.execute(f"COPY ({judged} ORDER BY key NULLS FIRST) TO {text(folder / SORTED)} {statements.PARQUET}")
        except (duckdb.IOException, OSError) as fault:
            raise Unreadable(_reason(fault, files, earlier)) from None
        kept = f"read_parquet({text(folder / SORTED)})"
        database.execute(f"COPY ({statements.shared(kept)}) TO {text(folder / MEDICATIONS)} {statements.PARQUET}")
        bounds = database.execute(statements.bounds(kept, CHUNK)).fetchall()
        patients = _one(database, f"SELECT count(DISTINCT key) FROM {kept} WHERE role = {RESOURCE}")
        lines = dict(database.execute(f"SELECT file, count(*) FROM {kept} GROUP BY file").fetchall())
        roles = dict(database.execute(f"SELECT role, count(*) FROM {kept} GROUP BY role").fetchall())
        of_medications = f"read_parquet({text(folder / MEDICATIONS)})"
        named = _one(database, f"SELECT count(*) FROM (SELECT DISTINCT file, number FROM {of_medications})")
        copies = _one(database, f"SELECT count(*) FROM {of_medications}")
    return Grouped(
        tuple(row[0] for row in bounds),
        patients,
        tuple(lines.get(number, 0) for number in range(len(files))),
        roles.get(BLANK, 0),
        roles.get(NOT_READ, 0),
        roles.get(MEDICATION, 0) - named,
        copies - named,
        encoding != "utf-8",
    )


def people(folder: Path, grouped: Grouped, chunk: int) -> Iterator[tuple[str, list[Row]]]:
    """Each patient of a chunk with their lines, and those of the Medications that they name. Of a patient with more lines than can be
    assessed at once only one more than that is given."""
    first = grouped.bounds[chunk]
    last = grouped.bounds[chunk + 1] if chunk + 1 < len(grouped.bounds) else None
    where, values = ("key >= ?", [first]) if last is None else ("key >= ? AND key < ?", [first, last])
    with _database(folder, 1) as database:
        named: dict[str, list[Row]] = {}
        for key, *row in _rows(database, folder / MEDICATIONS, where, values, grouped):
            named.setdefault(key, []).append(tuple(row))
        known: str | None = None
        rows: list[Row] = []
        for key, *row in _rows(database, folder / SORTED, where, values, grouped):
            if key != known:
                if known is not None:
                    yield known, rows + named.get(known, [])
                known, rows = key, []
            if len(rows) <= MAX_ENTRIES:
                rows.append(tuple(row))
        if known is not None:
            yield known, rows + named.get(known, [])


def nobody(folder: Path, grouped: Grouped) -> Iterator[Row]:
    """Every line of which no patient can be told, in the order of the files."""
    with _database(folder, 1) as database:
        where = f"key IS NULL AND role = {REJECT} ORDER BY file, number"
        for _, *row in _rows(database, folder / SORTED, where, [], grouped):
            yield tuple(row)


def _rows(database: duckdb.DuckDBPyConnection, path: Path, where: str, values: list[str], grouped: Grouped) -> Iterator[Any]:
    body = "line" if grouped.bytes_kept else "encode(line)"
    found = database.execute(f"SELECT key, role, file, number, {body} FROM read_parquet({text(path)}) WHERE {where}", values)
    while rows := found.fetchmany(1024):
        yield from ((*row[:4], row[4].encode("latin-1")) for row in rows) if grouped.bytes_kept else rows


def _database(folder: Path, threads: int) -> duckdb.DuckDBPyConnection:
    """A database in memory that spills into the folder, reaches nothing else by itself, and is silent."""
    database = duckdb.connect(
        config={
            "threads": threads,
            "memory_limit": MEMORY,
            "temp_directory": str(folder / "spilled"),
            "autoinstall_known_extensions": False,
            "autoload_known_extensions": False,
        }
    )
    database.execute("SET enable_progress_bar = false")  # on by itself where it takes the process for an interactive one
    return database


@contextmanager
def _telling(database: duckdb.DuckDBPyConnection, told: Callable[[float], None]) -> Iterator[None]:
    """Says from time to time how far the database is."""
    database.execute("SET enable_progress_bar = true")
    database.execute("SET enable_progress_bar_print = false")
    ended = threading.Event()

    def tell() -> None:
        while not ended.wait(_TELL_EVERY):
            told(database.query_progress())

    teller = threading.Thread(target=tell, daemon=True)
    teller.start()
    try:
        yield
    finally:
        ended.set()
        teller.join()


def _source(number: int, one: Input, encoding: str, folder: Path) -> str:
    """The lines of one file, numbered."""
    path = Path(one.path)
    if re.search(r"[*?\[\]{}]", one.path):  # a name that would be taken for a pattern
        path = folder / f"input-{number}"
        path.unlink(missing_ok=True)
        path.symlink_to(one.path)
    return statements.lines(number, path, encoding, one.compressed, LONGEST_LINE)


def _one(database: duckdb.DuckDBPyConnection, question: str) -> Any:
    row = database.execute(question).fetchone()
    return row[0] if row else None


def _reason(fault: Exception, files: tuple[Input, ...], earlier: tuple[Input, ...]) -> str:
    """Why a file cannot be read, without a word of what is in it."""
    text = str(fault)
    name = next((one.name for one in (*files, *earlier) if one.path in text), "an input")
    if "GZIP" in text:
        return f"{name}: the compressed file ends too early, or is damaged"
    if "ine size" in text or "max_line_size" in text:
        return f"{name}: a line is longer than {LONGEST_LINE >> 20} MiB"
    return f"{name}: cannot be read ({type(fault).__name__})"
