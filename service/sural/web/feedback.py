"""What became of cards: accepted or overridden, kept once however often it is told.

Source: CDS Hooks 2, "Feedback". The clinician's own words are not kept: they may name the patient.
"""

import re
from datetime import datetime
from typing import Any

from sural.doors.assessor import encode
from sural.issues import Issue, Refused
from sural.web.audit import Write, log_to

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_CODE = re.compile(r"[A-Za-z0-9\-._]{1,64}")
_MOST = 100_000
Json = dict[str, Any]


class Feedback:
    """Keeps feedback as lines of JSON in a file, or only acknowledges it when there is none."""

    def __init__(self, file: str = "", write: Write | None = None) -> None:
        self._write = write or (log_to(file) if file else None)
        self._known: dict[bytes, None] = {}

    def take(self, content: Any) -> int:
        """Take what was told and say how much of it was new. Raises Refused when anything has the wrong form; then nothing is kept."""
        told = content.get("feedback") if isinstance(content, dict) else None
        if not isinstance(told, list) or not told:
            raise Refused(Issue("hook-request-invalid", diagnostics="feedback"))
        lines = [encode(_entry(one, number)) for number, one in enumerate(told)]
        new = [line for line in dict.fromkeys(lines) if line not in self._known]
        for line in new:
            if self._write is not None:
                self._write(line)
            self._known[line] = None
        while len(self._known) > _MOST:
            del self._known[next(iter(self._known))]
        return len(new)


def _entry(one: Any, number: int) -> Json:
    """What is kept of one entry: card, outcome, suggestions, the coded reason, and when."""
    given = one if isinstance(one, dict) else {}
    outcome, suggestions, reason = given.get("outcome"), given.get("acceptedSuggestions"), given.get("overrideReason")
    if not _matches(_ID, given.get("card")):
        raise _invalid(number, "card")
    if outcome not in ("accepted", "overridden"):
        raise _invalid(number, "outcome")
    if not _is_utc(given.get("outcomeTimestamp")):
        raise _invalid(number, "outcomeTimestamp")
    kept: Json = {"card": given["card"], "outcome": outcome, "at": given["outcomeTimestamp"]}
    if outcome == "accepted":
        if (
            not isinstance(suggestions, list)
            or not suggestions
            or not all(isinstance(s, dict) and _matches(_ID, s.get("id")) for s in suggestions)
        ):
            raise _invalid(number, "acceptedSuggestions")
        kept["suggestions"] = [suggestion["id"] for suggestion in suggestions]
    elif isinstance(reason, dict) and isinstance(reason.get("reason"), dict) and _matches(_CODE, reason["reason"].get("code")):
        kept["reason"] = reason["reason"]["code"]
    return kept


def _invalid(number: int, name: str) -> Refused:
    return Refused(Issue("hook-request-invalid", diagnostics=f"feedback[{number}].{name}"))


def _matches(pattern: re.Pattern[str], value: Any) -> bool:
    return isinstance(value, str) and pattern.fullmatch(value) is not None


def _is_utc(value: Any) -> bool:
    try:
        at = datetime.fromisoformat(value)
    except (TypeError, ValueError):
        return False
    offset = at.utcoffset()
    return offset is not None and offset.total_seconds() == 0
