"""What each line is and whose, told in Spark's tasks by the function that every engine uses.

A task reads stretches of files, from their beginning or from somewhere inside. It numbers the lines of a stretch; which line of the file that
is follows when the lines of all stretches before are counted.
"""

from collections import Counter
from collections.abc import Iterator
from zlib import crc32

import pyarrow as pa

from sural.cohort.grouping import BOM, LONGEST_LINE
from sural.cohort.lines import Role, judge
from sural.cohort.spark.addresses import plain
from sural.cohort.spark.faults import TOO_LONG, task_fault, telling_kind

SCHEMA = "part int, key binary, role int, file int, block bigint, number bigint, medication string, count bigint, line binary"
"""Of a line: the part of its patient, whose it is, what it is, its file, where its stretch begins (bytes), its number there from 0, the id of a
Medication, its own or of the one that it names. Lines that are only counted stand in one row with their `count`."""
_TYPES = pa.schema(
    [
        ("part", pa.int32()), ("key", pa.binary()), ("role", pa.int32()), ("file", pa.int32()), ("block", pa.int64()), ("number", pa.int64()),
        ("medication", pa.string()), ("count", pa.int64()), ("line", pa.binary()),
    ]
)  # fmt: skip
_COUNTED = (Role.BLANK, Role.NOT_READ)


class Keying:
    """The function of a task. `numbers` are the numbers of the files by address; from the `files`-th on they are earlier summaries. Patients are
    spread over `parts` by ranges of the checksum of their ids."""

    def __init__(self, numbers: dict[str, int], files: int, parts: int) -> None:
        self._numbers = numbers
        self._files = files
        self._parts = parts

    def __call__(self, batches: Iterator[pa.RecordBatch]) -> Iterator[pa.RecordBatch]:
        with telling_kind():
            place: tuple[str, int] | None = None
            file = number = 0
            for batch in batches:
                rows: list[tuple[object, ...]] = []
                counted: Counter[tuple[Role, int, int]] = Counter()
                for path, block, line in zip(
                    *(batch.column(name).to_pylist() for name in ("path", "block", "line")), strict=True
                ):
                    if place != (path, block):
                        place, file, number = (path, block), self._numbers[plain(path)], 0
                    if len(line) >= LONGEST_LINE:
                        raise task_fault(TOO_LONG, file)
                    body = (line.removeprefix(BOM) if block == number == 0 else line).rstrip(b"\r")
                    role, key, medication = judge(body, file >= self._files)
                    if role in _COUNTED:
                        counted[role, file, block] += 1
                    else:
                        part, stored = self._part(key, file, block)
                        rows.append((part, stored, int(role), file, block, number, medication, 1, body))
                    number += 1
                for (role, of, begin), count in counted.items():
                    rows.append((self._part(None, of, begin)[0], None, int(role), of, begin, -1, None, count, None))
                columns = zip(*rows, strict=True) if rows else [()] * len(_TYPES)
                yield pa.record_batch(
                    [pa.array(column, kind.type) for column, kind in zip(columns, _TYPES, strict=True)], schema=_TYPES
                )

    def _part(self, key: str | None, file: int, block: int) -> tuple[int, bytes | None]:
        """The part of a patient, and how their id is stored; what is nobody's goes with its stretch."""
        if key is None:
            return crc32(b"%d %d" % (file, block)) * self._parts >> 32, None
        stored = key.encode()
        return crc32(stored) * self._parts >> 32, stored
