"""The files of a population: which there are, whether they are compressed, and how to know them again when a run is taken up."""

import gzip
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from msgspec import Struct

from sural.cohort.lines import judge

LINES = (".ndjson", ".jsonl", ".ndjson.gz", ".jsonl.gz")
"""How the files of a folder end that are read."""
GZIP = b"\x1f\x8b"


class NotThere(Exception):
    """An input that does not exist, or a folder without a file of lines."""


class Input(Struct, frozen=True):
    """One file: as it was named, where it is, whether it is compressed, its size in bytes and when it was changed (nanoseconds)."""

    name: str
    path: str
    compressed: bool
    size: int
    changed: int


def inputs(names: Iterable[str], apart: Iterable[Path] = ()) -> tuple[Input, ...]:
    """The files named, those that a pattern fits, and for a folder those in it by name. Each file once. What a run has written, or is writing, stands
    `apart`: files and folders that are no input, unless they are named themselves. Raises NotThere."""
    names = tuple(names)
    if address := next((name for name in names if "://" in name), None):
        raise NotThere(f"{address}: addresses are read with --engine spark only")
    left_out = [one.resolve() for one in apart]
    found = {path.resolve(): path for name in names for path in _files(Path(name), left_out)}
    return tuple(_input(path) for path in found.values())


def refuse_other_than_summaries(files: Iterable[Input]) -> None:
    """Raises NotThere for a file whose first line is no summary of an earlier run: nothing in it could be compared with."""
    for one in files:
        with gzip.open(one.path) if one.compressed else Path(one.path).open("rb") as lines:
            first = next((line for line in lines if line.strip()), b"")
        if first and judge(first, earlier=True)[1] is None:
            raise NotThere(f"{one.name}: --earlier takes summaries.ndjson of an earlier run; this holds no summaries")


def _files(path: Path, apart: Sequence[Path]) -> Iterator[Path]:
    if path.is_file():
        yield path
        return
    matched = [path] if path.is_dir() else sorted(Path(path.anchor or ".").glob(str(path.relative_to(path.anchor))))
    if not matched:
        raise NotThere(f"{path}: not a file or a folder")
    inside = [one for each in matched for one in (_lines_in(each) if each.is_dir() else [each]) if not _stands_in(one, apart)]
    if not inside:
        raise NotThere(f"{path}: no file ends with {', '.join(LINES)}")
    yield from inside


def _lines_in(folder: Path) -> list[Path]:
    return sorted(one for one in folder.rglob("*") if one.name.endswith(LINES) and one.is_file())


def _stands_in(path: Path, apart: Sequence[Path]) -> bool:
    return any(path.resolve().is_relative_to(one) for one in apart)


def _input(path: Path) -> Input:
    known = path.stat()
    with path.open("rb") as file:
        compressed = file.read(len(GZIP)) == GZIP
    return Input(str(path), str(path.resolve()), compressed, known.st_size, known.st_mtime_ns)
