"""What is done of a run, so that a run that was killed is taken up: no patient twice, none lost.

Chunks are appended to the outputs in their order by one process. A chunk is done when its line stands in the journal, on disk, after its
output; the line holds how long the outputs are with it. Taking up cuts the outputs to the last such line and goes on with the next chunk,
so that the outputs of a run that was killed are, byte for byte, those of one that was not. They have their names only when all is done.
"""

import fcntl
import hashlib
import os
import shutil
from collections import Counter
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

import msgspec
from msgspec import Struct

from sural.cohort.grouping import Grouped
from sural.cohort.inputs import Input
from sural.cohort.tally import Tally

OUTPUTS = ("answers", "summaries", "rejects")
_ORDER, _JOURNAL, _LOCK = "order.json", "journal.ndjson", "lock"
UNFINISHED = "unfinished"
_BLOCK = 2**20


class Occupied(Exception):
    """The folder holds an unfinished run that was not asked for, or one that is under way."""


class Plan(Struct, frozen=True):
    """What a run does: whatever of it differs makes another run. `asked` is the request and everything else that shapes the output."""

    inputs: tuple[Input, ...]
    asked: str
    grouped: Grouped | None = None
    engine: str = "local"


def digest(plan: Plan) -> str:
    """A short name of what is asked of which files, the same whichever engine does it."""
    return hashlib.blake2b(msgspec.json.encode((plan.inputs, plan.asked)), digest_size=16).hexdigest()


class Done(Struct, frozen=True):
    """One chunk that is done: the length of each output with it, and what was counted in it."""

    chunk: int
    lengths: dict[str, int]
    tally: dict[str, int]


_done = msgspec.json.Decoder(Done)


class Held:
    """The folder of a run that has not ended, held by one process at a time. Raises Occupied."""

    def __init__(self, out: Path, plan: Plan, resume: bool) -> None:
        self.out = out
        self.folder = out / UNFINISHED
        was_there = self.folder.exists()
        self.folder.mkdir(parents=True, exist_ok=True)
        with ExitStack() as stack:
            lock = stack.enter_context((self.folder / _LOCK).open("wb"))
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                raise Occupied(f"{self.folder} belongs to a run that is under way: wait for it, or name another --out") from None
            if was_there and not resume:
                raise Occupied(f"{self.folder} holds a run that did not end: --resume takes it up; delete it to begin anew")
            known = _read_plan(self.folder / _ORDER)
            if known is not None and msgspec.structs.replace(known, grouped=None) != plan:
                raise Occupied(f"{self.folder} holds a run with other inputs or options; delete it to begin anew")
            self.plan = known or plan
            self._take_up(stack)
            self._open = stack.pop_all()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None) -> None:
        self._open.close()

    def _take_up(self, stack: ExitStack) -> None:
        """Find what is done already; what is opened for it goes on the stack."""

    def planned(self, grouped: Grouped) -> None:
        """Grouping is done: what follows rests on it."""
        self.plan = msgspec.structs.replace(self.plan, grouped=grouped)
        partial = self.folder / f"{_ORDER}.part"
        with partial.open("wb") as file:
            file.write(msgspec.json.encode(self.plan))
            file.flush()
            os.fsync(file.fileno())
        partial.replace(self.folder / _ORDER)
        settle(self.folder)

    def finish(self, pages: dict[str, bytes]) -> None:
        """All is done: write the pages, give every output its name, and delete the rest. `pages` come last, so that they say that it is
        done; what is deleted only in part is never taken up."""
        for name, content in pages.items():
            (self.folder / name).write_bytes(content)
        for name in (*(f"{one}.ndjson" for one in OUTPUTS), *pages):
            path, named = self.folder / name, self.out / name
            if path.exists():
                _clear(named, path.is_dir())
                path.replace(named)
        settle(self.out)
        (self.folder / _ORDER).unlink()
        settle(self.folder)
        shutil.rmtree(self.folder)


class Journal(Held):
    """The journal of a run, and its outputs as far as they are done."""

    def _take_up(self, stack: ExitStack) -> None:
        self.tally: Tally = Counter()
        self.chunks = 0
        lengths = self._read()
        self._outputs = {name: stack.enter_context(self._reopened(f"{name}.ndjson", lengths[name])) for name in OUTPUTS}
        self._journal = stack.enter_context((self.folder / _JOURNAL).open("ab"))

    def _read(self) -> dict[str, int]:
        """Cut what is not whole off the journal; how long each output is with what is done."""
        path = self.folder / _JOURNAL
        path.touch()
        whole = 0
        lengths = dict.fromkeys(OUTPUTS, 0)
        for line in path.read_bytes().splitlines(keepends=True):
            try:
                done = _done.decode(line)
            except msgspec.MsgspecError:
                break
            if not line.endswith(b"\n") or done.chunk != self.chunks:
                break
            whole += len(line)
            lengths = done.lengths
            self.chunks += 1
            self.tally.update(done.tally)
        os.truncate(path, whole)
        return lengths

    def _reopened(self, name: str, length: int) -> BinaryIO:
        """An output, cut to what is done. One that had its last name already when the run was killed comes back."""
        path, named = self.folder / name, self.out / name
        if length and not path.exists() and named.is_file():
            named.replace(path)
        path.touch()
        if path.stat().st_size < length:
            raise Occupied(f"{self.folder}: {name} is shorter than the journal says; delete the folder to begin anew")
        os.truncate(path, length)
        return path.open("ab")

    def append(self, tally: Tally) -> None:
        """Append the parts of the next chunk to the outputs, then write down that it is done."""
        for name, file in self._outputs.items():
            with part(self.folder, self.chunks, name).open("rb") as content:
                shutil.copyfileobj(content, file, _BLOCK)
            file.flush()
            os.fsync(file.fileno())
        lengths = {name: file.tell() for name, file in self._outputs.items()}
        self._journal.write(msgspec.json.encode(Done(self.chunks, lengths, dict(tally))) + b"\n")
        self._journal.flush()
        os.fsync(self._journal.fileno())
        for name in OUTPUTS:
            part(self.folder, self.chunks, name).unlink()
        self.chunks += 1
        self.tally.update(tally)

def _clear(named: Path, for_folder: bool) -> None:
    """Make room where an earlier run left an output of another kind: a folder of parts, or one file."""
    if named.is_dir():
        shutil.rmtree(named)
    elif for_folder:
        named.unlink(missing_ok=True)


def written_in(out: Path) -> tuple[Path, ...]:
    """What a run writes into a folder, done or not, that ends as inputs do: it is no input of the next one where the folder lies inside the input."""
    return (out / UNFINISHED, *(out / f"{name}.ndjson" for name in OUTPUTS))


def part(folder: Path, chunk: int, name: str) -> Path:
    """Where an output of a chunk stands until it is appended."""
    return folder / f"chunk-{chunk}.{name}"


def _read_plan(path: Path) -> Plan | None:
    try:
        return msgspec.json.decode(path.read_bytes(), type=Plan)
    except (FileNotFoundError, msgspec.MsgspecError):
        return None


def settle(folder: Path) -> None:
    """The names in a folder are on disk."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
