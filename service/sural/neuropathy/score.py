"""Scores of the examination and their place in the answer."""

from collections.abc import Iterator
from typing import Any

from msgspec import Struct


class Score(Struct, frozen=True):
    """One published score with its range."""

    id: str

    def summary(self) -> dict[str, Any]:
        """The score as the summary carries it."""
        return {}

    def lines(self) -> Iterator[str]:
        """The score as lines of a report."""
        return iter(())

    def trace(self) -> dict[str, Any]:
        """The items and their sources."""
        return {}
