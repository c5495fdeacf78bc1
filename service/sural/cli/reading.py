"""Reading files and writing to the standard streams."""

import sys
from argparse import Namespace
from collections.abc import Iterator
from datetime import date
from pathlib import Path

from sural.issues import Issue, Refused


def contents(files: list[str]) -> Iterator[tuple[str, bytes]]:
    """The name and bytes of each file; `-` is standard input. Raises Refused for a file that cannot be read."""
    for name in files:
        if name == "-":
            yield name, sys.stdin.buffer.read()
            continue
        try:
            yield name, Path(name).read_bytes()
        except OSError as fault:
            raise Refused(Issue("not-found", diagnostics=f"{name}: {fault.strerror}")) from None


def concept_maps(options: Namespace) -> tuple[bytes, ...]:
    """The site's own ConceptMaps. Raises Refused for a file that cannot be read."""
    return tuple(data for _, data in contents(options.concept_map))


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
