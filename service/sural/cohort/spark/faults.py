"""Faults of tasks on their way to who started the run: by kind and by file, never by the text of a line.

Spark hands on only the text of an exception, in its own words and logs; so a task raises nothing whose text could hold what it read.
"""

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from sural.cohort.grouping import LONGEST_LINE

TOO_LONG, OTHER_SOFTWARE, NOT_SHARED = "line-too-long", "other-software", "not-shared"
_TOLD = re.compile(r"sural task fault: ([\w\-]+) (-?\d+)")
_SAID = {
    OTHER_SOFTWARE: "a worker has another version of sural than this process",
    NOT_SHARED: "a worker does not see the folder of --out: it has to be on a file system that all share, under the same path",
}
_DAMAGED = ("EOFException", "ZipException", "Unexpected end of input", "incorrect header check", "not a gzip")


class TaskFault(Exception):
    """What went wrong in a task."""


def task_fault(kind: str, file: int = -1) -> TaskFault:
    return TaskFault(f"sural task fault: {kind} {file}")


@contextmanager
def telling_kind() -> Iterator[None]:
    """Of any other fault only its kind goes on."""
    try:
        yield
    except (TaskFault, GeneratorExit):
        raise
    except Exception as fault:
        raise task_fault(type(fault).__name__) from None


def reason(text: str, files: Sequence[tuple[str, str]]) -> tuple[str, bool]:
    """In words what Spark's text of a failure says, and whether it is about a file. `files` are what Spark calls each and its name."""
    told = _TOLD.search(text)
    if told:
        kind, number = told[1], int(told[2])
        if kind == TOO_LONG:
            return f"{files[number][1]}: a line is longer than {LONGEST_LINE >> 20} MiB", True
        return _SAID.get(kind, f"a task failed ({kind})"), False
    name = next((name for called, name in files if called in text), None)
    if name is not None and any(word in text for word in _DAMAGED):
        return f"{name}: the compressed file ends too early, or is damaged", True
    if name is not None:
        return f"{name}: cannot be read", True
    if any(f"No module named '{module}" in text for module in ("sural", "pyarrow", "pandas", "msgspec")):
        return "a worker's Python lacks sural with its extra `spark`; PYSPARK_PYTHON names the Python that workers use", False
    return "Spark gave up", False
