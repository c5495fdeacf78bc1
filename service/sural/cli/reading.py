"""Reading files and writing to the standard streams."""

import os
import sys
from argparse import Namespace
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import BinaryIO

from sural.answer.accounts import outcome
from sural.doors.assessor import encode, said
from sural.doors.request import lexicon
from sural.issues import Issue, Refused


def contents(files: list[str]) -> Iterator[tuple[str, bytes | Refused]]:
    """The name and bytes of each file, or why it cannot be read; `-` is standard input."""
    for name in files:
        try:
            yield name, sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
        except (OSError, ValueError) as fault:
            why = fault.strerror if isinstance(fault, OSError) else "not a file name"
            yield name, Refused(Issue("file-unreadable", diagnostics=f"{name}: {why}"))


def are_lines(name: str) -> bool:
    """Whether a file's name says that it holds lines."""
    return name.endswith((".ndjson", ".jsonl"))


def concept_maps(options: Namespace) -> tuple[bytes, ...]:
    """The site's own ConceptMaps. Raises Refused for a file that cannot be read, or that cannot be laid over the terminology."""
    found: list[bytes] = []
    for name, data in contents(options.concept_map):
        try:
            if isinstance(data, Refused):
                raise data
            lexicon((data,))
        except Refused as refused:
            issue = refused.issues[0]
            why = issue.diagnostics if issue.key == "file-unreadable" else f"{name}: {issue.diagnostics}"
            raise Refused(Issue(issue.key, diagnostics=f"--concept-map {why}")) from None
        found.append(data)
    return tuple(found)


def day(options: Namespace) -> date:
    """The day of assessment: as given, else today's local date."""
    return options.as_of or date.today()


def write(data: bytes) -> None:
    """One document and a line end to standard output."""
    sys.stdout.buffer.write(data + b"\n")
    sys.stdout.buffer.flush()


def say(text: str) -> None:
    """A message to standard error."""
    print(text, file=sys.stderr)


def say_issues(issues: tuple[Issue, ...]) -> None:
    """One line per issue to standard error."""
    for issue in issues:
        say(said(issue))


def refuse(issues: tuple[Issue, ...]) -> int:
    """Say why what is asked for cannot be done, in words and as an OperationOutcome; the exit status."""
    say_issues(issues)
    write(encode(outcome(issues)))
    return 2


@contextmanager
def saving(name: str | None) -> Iterator[BinaryIO | None]:
    """A file to write to, or None without a name. A file takes its place only when everything has been written: it may be one of those that
    are read. Raises OSError."""
    if name is None:
        yield None
        return
    path = Path(name)
    if path.exists() and not path.is_file():
        with path.open("wb") as file:
            yield file
        return
    partial = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        with partial.open("wb") as file:
            yield file
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)
