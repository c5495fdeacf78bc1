"""Where a rule comes from, and how far that was checked."""

from enum import StrEnum

from msgspec import Struct


class Mark(StrEnum):
    """How a rule is known. The marks are kept honest: a rule from memory says so wherever it is shown."""

    SEEN = "published source seen"
    MEMORY = "from memory"
    PRACTICE = "common practice, no source"
    PROJECT = "project choice"


class Citation(Struct, frozen=True):
    """A published source, the clause that is meant and the evidence mark."""

    source: str
    clause: str
    mark: Mark

    def __str__(self) -> str:
        where = ", ".join(part for part in (self.source, self.clause) if part)
        return f"{where} [{self.mark}]" if where else f"[{self.mark}]"
