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
import zlib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

import msgspec
from msgspec import Struct

from sural.cohort.inputs import Input
from sural.cohort.lines import Role, judge
from sural.cohort.processes import enduring, spread
from sural.intake.documents import MAX_ENTRIES

BUCKET = 16 * 2**20
"""Bytes of lines in one bucket, about: the unit of work and of taking up again, some 400 examinations."""
STRETCH = 64 * 2**20
"""Bytes of an uncompressed file that one process is given at a time."""
HELD = 16 * 2**20
"""Bytes of lines that a process holds before it writes them to their buckets."""
NAMING = 20_000
"""How many who name Medications are looked at together, about."""
LONGEST_LINE = 16 * 2**20
_BLOCK = 2**20
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


Row = tuple[int, int, int, bytes]
"""One line: what it is, the number of its file, its own number in it from 1, and its bytes."""
Stored = tuple[bytes, int, int, int, bytes]
"""One line as it is kept: key, stretch, number in it from 0, what it is, and its bytes."""
_FRAME = struct.Struct("<Q")
"""Before the lines that were written at once: how many bytes they are, as MessagePack."""
_encode = msgspec.msgpack.Encoder().encode
_decode = msgspec.msgpack.Decoder(list[Stored]).decode


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


def people(folder: Path, grouped: Grouped, bucket: int) -> Iterator[tuple[str, list[Row]]]:
    """Each patient of a bucket with their lines."""
    return by_patient(_stored(folder / _LINES / str(bucket)), grouped)


def by_patient(stored: Iterable[Stored], grouped: Grouped) -> Iterator[tuple[str, list[Row]]]:
    """Lines put together by patient, in the order of files, with those of the Medications that they name. Of a patient with more lines than
    can be assessed at once the others are empty."""
    found: dict[bytes, list[Stored]] = defaultdict(list)
    for row in stored:
        rows = found[row[0]]
        rows.append(row if len(rows) <= MAX_ENTRIES else (*row[:4], b""))
    starts = grouped.starts
    for key in sorted(found, key=_place):
        rows = found.pop(key)
        rows.sort()
        yield (
            key.decode(),
            [(role, starts[stretch][0], starts[stretch][1] + number, body) for _, stretch, number, role, body in rows],
        )


def nobody(folder: Path, grouped: Grouped) -> Iterator[Row]:
    """Every line of which no patient can be told."""
    return in_order(_stored(folder / _LINES / _NOBODY), grouped)


def in_order(stored: Iterable[Stored], grouped: Grouped) -> Iterator[Row]:
    """Lines in the order of the files."""
    for _, stretch, number, role, body in sorted(stored, key=lambda row: row[1:3]):
        file, first = grouped.starts[stretch]
        yield role, file, first + number, body


def _stretches(number: int, one: Input, earlier: bool) -> Iterator[Stretch]:
    if one.compressed:
        yield Stretch(number, 0, None, one.size, earlier)
        return
    for begin in range(0, one.size, STRETCH):
        size = min(STRETCH, one.size - begin)
        yield Stretch(number, begin, begin + size, size, earlier)


def _place(key: bytes) -> tuple[int, bytes]:
    """Where a patient stands in the order."""
    return zlib.crc32(key), key


@lru_cache(4096)
def written(key: str) -> tuple[bytes, int]:
    """A key as it is stored, and its checksum."""
    stored = key.encode()
    return stored, zlib.crc32(stored)


class _Reader:
    """Reads stretches in one process, and writes lines to files of its own in each bucket."""

    def __init__(self, inputs: tuple[Input, ...], folder: Path, buckets: int) -> None:
        self.inputs = inputs
        self.folder = folder
        self.buckets = buckets

    def read(self, number: int, stretch: Stretch) -> Counted:
        """Bring the lines of a stretch to their buckets."""
        kept: dict[int, list[Stored]] = defaultdict(list)
        shared: dict[int, list[Stored]] = defaultdict(list)
        of_nobody: list[Stored] = []
        sizes: Counter[int] = Counter()
        kinds: Counter[Role] = Counter()
        held = 0
        buckets, earlier = self.buckets, stretch.earlier
        for index, body in enumerate(_lines(self.inputs[stretch.file], stretch)):
            role, key, medication = judge(body, earlier)
            if key is not None:
                name, place = written(key)
                kept[place * buckets >> 32].append((name, number, index, role, body))
            else:
                name = b""
                kinds[role] += 1
                if role is Role.REJECT:
                    of_nobody.append((name, number, index, role, body))
            if medication is not None:  # beside the Medication of somebody only the key of theirs is kept
                drug, place = written(medication)
                shared[place * buckets >> 32].append((drug, number, index, role, name or body))
            held += len(body)
            if held > HELD:
                self._write(kept, shared, of_nobody, sizes)
                held = 0
        self._write(kept, shared, of_nobody, sizes)
        total = sum(sizes.values()) + sum(kinds.values())
        return Counted(total, dict(sizes), kinds[Role.BLANK], kinds[Role.NOT_READ], kinds[Role.MEDICATION])

    def _write(
        self, kept: dict[int, list[Stored]], shared: dict[int, list[Stored]], of_nobody: list[Stored], sizes: Counter[int]
    ) -> None:
        for bucket, lines in kept.items():
            sizes[bucket] += len(lines)
            _append(self.folder / _LINES / str(bucket), lines)
        for bucket, lines in shared.items():
            _append(self.folder / _SHARED / str(bucket), lines)
        if of_nobody:
            _append(self.folder / _LINES / _NOBODY, of_nobody)
        for one in (kept, shared, of_nobody):
            one.clear()


def _append(bucket: Path, lines: list[Stored]) -> None:
    """Add lines to the file that this process has in a bucket."""
    path = bucket / str(os.getpid())
    try:
        file = path.open("ab")
    except FileNotFoundError:
        bucket.mkdir(parents=True, exist_ok=True)
        file = path.open("ab")
    with file:
        content = _encode(lines)
        file.write(_FRAME.pack(len(content)))
        file.write(content)


_reader: list[_Reader] = []


def _begin(inputs: tuple[Input, ...], folder: Path, buckets: int) -> None:
    _reader[:] = [_Reader(inputs, folder, buckets)]


def _read(numbered: tuple[int, Stretch]) -> Counted:
    return _reader[0].read(*numbered)


def _lines(one: Input, stretch: Stretch) -> Iterator[bytes]:
    """The lines that begin in a stretch, without what ends them. Raises Unreadable."""
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


def _cut(file: BinaryIO | gzip.GzipFile, stretch: Stretch) -> Iterator[bytes]:
    at, end = stretch.begin, stretch.end
    rest, torn = b"", at > 0
    if torn:  # the line that began before is another's, and ends here or later
        at -= 1
        file.seek(at)
    elif file.read(len(BOM)) == BOM:
        at = len(BOM)
    else:
        file.seek(0)
    while block := file.read(_BLOCK):
        lines = (rest + block).split(b"\n")
        rest = lines.pop()
        if len(rest) > LONGEST_LINE:
            raise _TooLong
        for body in lines:
            if end is not None and at >= end:
                return
            at += len(body) + 1
            if torn:
                torn = False
            else:
                yield body.rstrip(b"\r")
    if rest and not torn and (end is None or at < end):
        yield rest.rstrip(b"\r")


def _stored(bucket: Path) -> Iterator[Stored]:
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
        drugs: dict[bytes, list[Stored]] = defaultdict(list)
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
                if role == Role.RESOURCE and drug in drugs and zlib.crc32(person) * slices >> 32 == part
            }
            kept: dict[int, list[Stored]] = defaultdict(list)
            for person, drug in pairs:
                kept[zlib.crc32(person) * buckets >> 32] += [(person, *row[1:]) for row in drugs[drug]]
                used.add(drug)
            for bucket, lines in kept.items():
                copies += len(lines)
                sizes[bucket] += len(lines)
                _append(folder / _LINES / str(bucket), lines)
        named += sum(len(drugs[drug]) for drug in used)
    shutil.rmtree(folder / _SHARED, ignore_errors=True)
    return named, copies
