"""The neuropathy classification and its place in the answer."""

from collections.abc import Iterator
from typing import Any

from msgspec import Struct


class Classification(Struct, frozen=True):
    """Pattern, predominance, fibres, process, certainty, reach and what follows from them."""

    def summary(self) -> dict[str, Any]:
        """The classification as the summary carries it."""
        return {
            "pattern": ["undetermined"],
            "predominance": "undetermined",
            "fibres": "not-assessed",
            "process": "not-assessed",
            "certainty": {},
            "level": {},
            "redFlags": [],
            "causes": [],
            "workUp": [],
            "autonomic": [],
        }

    def lines(self) -> Iterator[str]:
        """The classification as lines of a report."""
        return iter(())

    def trace(self) -> dict[str, Any]:
        """What the classification rests on."""
        return {}


NOT_CLASSIFIED = Classification()
