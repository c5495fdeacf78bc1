"""Lines put together by patient, on disk, in a memory that does not grow with the population.

A Bulk Data export has one file or more per type of resource, in any order. Files are cut into stretches; processes read them, tell whose each
line is, and append it to one of many buckets by a checksum of the patient's id. A bucket holds some hundred patients whole and is small enough
to be put in order in memory. Medications, which several patients may name, are brought to the buckets of those who do in a second step.

Buckets are ranges of the checksum, so that the order of patients over all buckets is that of the checksums, however many buckets there are.
Grouping may be killed at any moment and is then begun anew.
"""

import gzip
import os
import shutil
import struct
import sys
import zlib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from operator import itemgetter
from pathlib import Path
from typing import Any, BinaryIO
from zlib import crc32

import msgspec
from msgspec import Struct

from sural.cohort.inputs import Input
from sural.cohort.lines import Role, judge
from sural.cohort.processes import enduring, spread, uncollected
from sural.intake.documents import MAX_ENTRIES

BUCKET = 16 * 2**20
"""Bytes of lines in one bucket, about: the unit of work and of taking up again, some 400 examinations."""
STRETCH = 64 * 2**20
"""Bytes of an uncompressed file that one process is given at a time."""
HELD, HELD_EACH = 16 * 2**20, 64 * 2**10
"""Bytes of lines that a process holds before it writes them to their buckets: for all at most, and for each. What is held longer leaves the caches
of the processor, what is written in smaller pieces is files opened more often."""
NAMING = 20_000
"""How many who name Medications are looked at together, about."""
LONGEST_LINE = 16 * 2**20
_BLOCK = 2**17
"""Bytes read at once: what is made of them stays in the caches."""
INFLATED = 12
"""How much larger than a compressed file its lines are taken to be."""
_LINES, _SHARED = "lines", "medications"
_NOBODY = "nobody"
BOM = b"\xef\xbb\xbf"


class Unreadable(Exception):
    """A file that cannot be read to its end; what is in it beyond is not known."""


class Stretch(Struct, frozen=True):
    """Part of a file: its number, the bytes in which its lines begin (to the end when `end` is None), the bytes it takes on disk, and whether it is of
    an earlier run."""

    file: int
    begin: int
    end: int | None
    size: int
    earlier: bool


class Counted(Struct, frozen=True):
    """The lines of a stretch, or of everything: how many, in each bucket, and of each kind that reaches no bucket of patients."""

    lines: int
    buckets: dict[int, int]
    blank: int
    not_read: int
    medications: int


class Grouped(Struct, frozen=True):
    """What came of grouping. `sizes` are the lines of each bucket, with those of the Medications that its patients name; `starts` the file of
    each stretch and the number of the line it begins with. Then lines per file, and lines that reach no patient's assessment: blank ones, those of types that are not
    read, Medications that nobody names. `shared` counts how often the others are named once more. `begins` are the bytes in which stretches
    begin, of an engine that cuts files by itself."""

    sizes: tuple[int, ...]
    starts: tuple[tuple[int, int], ...]
    lines: tuple[int, ...]
    blank: int
    not_read: int
    unnamed: int
    shared: int
    begins: tuple[int, ...] = ()


Row = tuple[bytes, int, int, int, bytes]
"""One line as it is kept: key, stretch, number in it from 0, what it is, and its bytes."""
_FRAME = struct.Struct("<Q")
"""Before the lines that were written at once: how many bytes they are, as MessagePack."""
_encode_into = msgspec.msgpack.Encoder().encode_into
_decode = msgspec.msgpack.Decoder(list[Row]).decode
_in_files = itemgetter(1, 2)


def group(
    files: tuple[Input, ...],
    earlier: tuple[Input, ...],
    folder: Path,
    workers: int,
    told: Callable[[float], None] = lambda _: None,
) -> Grouped:
    """Bring the lines of some files into buckets in `folder`; `earlier` are files of summaries. `told` hears how far it is, in per cent.

    Raises Unreadable or Stopped.
    """
    inputs = (*files, *earlier)
    buckets = 1 + sum(one.size * (INFLATED if one.compressed else 1) for one in inputs) // BUCKET
    stretches = [part for number, one in enumerate(inputs) for part in _stretches(number, one, number >= len(files))]
    counted: list[Counted] = []

    def attempt() -> Iterator[Counted]:
        counted.clear()
        for name in (_LINES, _SHARED):
            shutil.rmtree(folder / name, ignore_errors=True)
        return spread(_read, list(enumerate(stretches)), workers, _begin, (inputs, folder, buckets))

    whole, done = sum(one.size for one in stretches) or 1, 0
    for one in enduring(attempt):
        counted.append(one)
        done = sum(stretch.size for stretch in stretches[: len(counted)])
        told(100 * done / whole)
    sizes: Counter[int] = Counter()
    for one in counted:
        sizes.update(one.buckets)
    named, copies = _share(folder, buckets, sizes)
    lines = [0] * len(inputs)
    starts = []
    for stretch, one in zip(stretches, counted, strict=True):
        starts.append((stretch.file, lines[stretch.file] + 1))
        lines[stretch.file] += one.lines
    return Grouped(
        tuple(sizes[bucket] for bucket in range(buckets)),
        tuple(starts),
        tuple(lines[: len(files)]),
        sum(one.blank for one in counted),
        sum(one.not_read for one in counted),
        sum(one.medications for one in counted) - named,
        copies - named,
    )


def people(folder: Path, bucket: int) -> Iterator[tuple[str, list[Row]]]:
    """Each patient of a bucket with their lines."""
    return by_patient(_stored(folder / _LINES / str(bucket)))


def by_patient(rows: Iterable[Row]) -> Iterator[tuple[str, list[Row]]]:
    """Lines put together by patient, in the order of files, with those of the Medications that they name. Of a patient with more lines than
    can be assessed at once the others are empty."""
    found: dict[bytes, list[Row]] = defaultdict(list)
    for row in rows:
        own = found[row[0]]
        own.append(row if len(own) <= MAX_ENTRIES else (*row[:4], b""))
    for key in sorted(found, key=_place):
        own = found.pop(key)
        own.sort()
        yield key.decode(), own


def nobody(folder: Path) -> list[Row]:
    """Every line of which no patient can be told."""
    return in_order(_stored(folder / _LINES / _NOBODY))


def in_order(rows: Iterable[Row]) -> list[Row]:
    """Lines in the order of the files."""
    return sorted(rows, key=_in_files)


def _stretches(number: int, one: Input, earlier: bool) -> Iterator[Stretch]:
    if one.compressed:
        yield Stretch(number, 0, None, one.size, earlier)
        return
    for begin in range(0, one.size, STRETCH):
        size = min(STRETCH, one.size - begin)
        yield Stretch(number, begin, begin + size, size, earlier)


def _place(key: bytes) -> tuple[int, bytes]:
    """Where a patient stands in the order."""
    return crc32(key), key


class _Reader:
    """Reads stretches in one process, and writes lines to files of its own in each bucket."""

    def __init__(self, inputs: tuple[Input, ...], folder: Path, buckets: int) -> None:
        self.inputs = inputs
        self.folder = folder
        self.buckets = buckets
        self.held = min(HELD, HELD_EACH * buckets)

    def read(self, number: int, stretch: Stretch) -> Counted:
        """Bring the lines of a stretch to their buckets."""
        kept: dict[int, list[Row]] = defaultdict(list)
        shared: dict[int, list[Row]] = defaultdict(list)
        of_nobody: list[Row] = []
        sizes: Counter[int] = Counter()
        kinds: Counter[Role] = Counter()
        first = held = 0
        buckets, earlier = self.buckets, stretch.earlier
        for lines in _lines(self.inputs[stretch.file], stretch):
            for index, body in enumerate(lines, first):
                role, key, medication = judge(body, earlier)
                if key is not None:
                    name = key.encode()
                    kept[crc32(name) * buckets >> 32].append((name, number, index, role, body))
                else:
                    name = b""
                    kinds[role] += 1
                    if role is Role.REJECT:
                        of_nobody.append((name, number, index, role, body))
                if medication is not None:  # beside the Medication of somebody only the key of theirs is kept
                    drug = medication.encode()
                    shared[crc32(drug) * buckets >> 32].append((drug, number, index, role, name or body))
                held += len(body)
            first += len(lines)
            if held > self.held:
                self._write(kept, shared, of_nobody, sizes)
                held = 0
        self._write(kept, shared, of_nobody, sizes)
        return Counted(first, dict(sizes), kinds[Role.BLANK], kinds[Role.NOT_READ], kinds[Role.MEDICATION])

    def _write(
        self, kept: dict[int, list[Row]], shared: dict[int, list[Row]], of_nobody: list[Row], sizes: Counter[int]
    ) -> None:
        for bucket, rows in kept.items():
            sizes[bucket] += len(rows)
        _append(self.folder / _LINES, kept)
        _append(self.folder / _SHARED, shared)
        if of_nobody:
            _append(self.folder / _LINES, {_NOBODY: of_nobody})
        for one in (kept, shared, of_nobody):
            one.clear()


def _append(folder: Path, kept: Mapping[Any, list[Row]]) -> None:
    """Add lines to the files that this process has in buckets."""
    content, own = bytearray(), str(os.getpid())
    for bucket, rows in kept.items():
        path = folder / str(bucket) / own
        _encode_into(rows, content, _FRAME.size)
        _FRAME.pack_into(content, 0, len(content) - _FRAME.size)
        try:
            file = path.open("ab")
        except FileNotFoundError:
            path.parent.mkdir(parents=True, exist_ok=True)
            file = path.open("ab")
        with file:
            file.write(content)


_reader: list[_Reader] = []


def _begin(inputs: tuple[Input, ...], folder: Path, buckets: int) -> None:
    _reader[:] = [_Reader(inputs, folder, buckets)]


def _read(numbered: tuple[int, Stretch]) -> Counted:
    with uncollected():
        return _reader[0].read(*numbered)


def _lines(one: Input, stretch: Stretch) -> Iterator[list[bytes]]:
    """The lines that begin in a stretch, some at a time, without what ends them. Raises Unreadable."""
    try:
        with Path(one.path).open("rb") as file:
            yield from _cut(gzip.GzipFile(fileobj=file) if one.compressed else file, stretch)
    except (EOFError, zlib.error, gzip.BadGzipFile):
        raise Unreadable(f"{one.name}: the compressed file ends too early, or is damaged") from None
    except _TooLong:
        raise Unreadable(f"{one.name}: a line is longer than {LONGEST_LINE >> 20} MiB") from None
    except OSError as fault:
        raise Unreadable(f"{one.name}: cannot be read ({type(fault).__name__})") from None


class _TooLong(Exception):
    pass


def _cut(file: BinaryIO | gzip.GzipFile, stretch: Stretch) -> Iterator[list[bytes]]:
    at, end = stretch.begin, sys.maxsize if stretch.end is None else stretch.end
    if at:  # the line that began before is another's, and ends here or later
        file.seek(at - 1)
        at += len(file.readline(LONGEST_LINE + 2)) - 1
    elif file.read(len(BOM)) == BOM:
        at = len(BOM)
    else:
        file.seek(0)
    while at < end and (block := file.read(min(_BLOCK, end - at))):
        if not block.endswith(b"\n"):
            block += file.readline(LONGEST_LINE + 2)
        at += len(block)
        lines = block.split(b"\n")
        if not lines[-1]:
            lines.pop()
        if len(lines[-1]) > LONGEST_LINE:
            raise _TooLong
        yield [line.rstrip(b"\r") for line in lines] if b"\r" in block else lines


def _stored(bucket: Path) -> Iterator[Row]:
    """The lines in a bucket."""
    for path in bucket.iterdir() if bucket.exists() else ():
        with path.open("rb") as file:
            while head := file.read(_FRAME.size):
                yield from _decode(file.read(_FRAME.unpack(head)[0]))


def _share(folder: Path, buckets: int, sizes: Counter[int]) -> tuple[int, int]:
    """Bring Medications to the buckets of the patients who name them: how many are named, and how often in all.

    Everybody may name the same one: so many people are looked at a time, however often that reads a bucket again.
    """
    named = copies = 0
    for shared in (folder / _SHARED).iterdir() if (folder / _SHARED).exists() else ():
        drugs: dict[bytes, list[Row]] = defaultdict(list)
        naming = 0
        for row in _stored(shared):
            if row[3] == Role.MEDICATION:
                drugs[row[0]].append(row)
            else:
                naming += 1
        used: set[bytes] = set()
        slices = 1 + naming // NAMING
        for part in range(slices if drugs else 0):
            pairs = {
                (person, drug)
                for drug, _, _, role, person in _stored(shared)
                if role == Role.RESOURCE and drug in drugs and crc32(person) * slices >> 32 == part
            }
            kept: dict[int, list[Row]] = defaultdict(list)
            for person, drug in pairs:
                kept[crc32(person) * buckets >> 32] += [(person, *row[1:]) for row in drugs[drug]]
                used.add(drug)
            for bucket, rows in kept.items():
                copies += len(rows)
                sizes[bucket] += len(rows)
            _append(folder / _LINES, kept)
        named += sum(len(drugs[drug]) for drug in used)
    shutil.rmtree(folder / _SHARED, ignore_errors=True)
    return named, copies
