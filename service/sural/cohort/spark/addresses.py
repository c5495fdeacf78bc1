"""Paths as the file systems of Spark name them."""

import re
from pathlib import Path

_PATTERN = re.compile(r"([\[\]{}*?,\\])")
_SLASHES = re.compile(r"\b([A-Za-z][A-Za-z0-9+.\-]*):/+")


def address(path: Path, pattern: bool = False) -> str:
    """The address of a path; where they would look for patterns, with their characters marked."""
    text = str(path.absolute())
    return "file://" + (escaped(text) if pattern else text)


def escaped(text: str) -> str:
    """A name that is no pattern."""
    return _PATTERN.sub(r"\\\1", text)


def plain(text: str) -> str:
    """Addresses with one slash after the scheme: there are two ways to write those without a host."""
    return _SLASHES.sub(r"\1:/", text)
